"""The two clocks, and stamps of the wall's time. This is the only place of the bench that reads a wall clock."""

from __future__ import annotations

import time
from typing import NamedTuple, Protocol


class Lateness(NamedTuple):
    """How late ticks began: count, median, 99th percentile and worst, microseconds."""

    ticks: int
    median_us: int
    p99_us: int
    worst_us: int


class Clock(Protocol):
    """A bench's time, in ms since its start."""

    def wait_until(self, at_ms: int) -> None:
        """Return once the clock stands at `at_ms` or later."""

    def lateness(self) -> Lateness | None:
        """Return how late the waits ended, None for a clock that is never late."""


class LockStep:
    """Simulated time: moves when it is told to, as fast as the work goes."""

    def __init__(self) -> None:
        self.now_ms = 0

    def wait_until(self, at_ms: int) -> None:
        """Move on to `at_ms`."""
        self.now_ms = max(self.now_ms, at_ms)

    def lateness(self) -> Lateness | None:
        """Never late."""
        return None


class RealTime:
    """The wall's time; it starts with the first wait, so that getting ready does not count as lateness."""

    def __init__(self) -> None:
        self._zero_ns: int | None = None
        self._late_us: list[int] = []
        self._last_ms = -1

    def wait_until(self, at_ms: int) -> None:
        """Sleep until `at_ms`; the first wait for an instant notes how much later it was."""
        if self._zero_ns is None:
            self._zero_ns = time.monotonic_ns() - at_ms * 1_000_000
        due_ns = self._zero_ns + at_ms * 1_000_000
        left_ns = due_ns - time.monotonic_ns()
        if left_ns > 0:
            time.sleep(left_ns / 1e9)
        if at_ms > self._last_ms:  # a second wait for the same instant says nothing of how late it began
            self._last_ms = at_ms
            self._late_us.append((time.monotonic_ns() - due_ns) // 1_000)

    def now_ms(self) -> int:
        """Return the time without waiting; the first call starts the clock at 0."""
        if self._zero_ns is None:
            self._zero_ns = time.monotonic_ns()
        return (time.monotonic_ns() - self._zero_ns) // 1_000_000

    def left_s(self, period_ms: int) -> float:
        """Return the seconds until the next whole multiple of a period."""
        now_ms = self.now_ms()
        assert self._zero_ns is not None  # asking for the time has started it
        next_ns = self._zero_ns + (now_ms // period_ms + 1) * period_ms * 1_000_000
        return max(0.0, (next_ns - time.monotonic_ns()) / 1e9)

    def lateness(self) -> Lateness | None:
        """Return the figures of all waits so far."""
        if not self._late_us:
            return None
        ordered = sorted(self._late_us)
        return Lateness(len(ordered), ordered[len(ordered) // 2], ordered[len(ordered) * 99 // 100], ordered[-1])


class Stamps:
    """Times of arrival for a recording, µs since 1970, that never fall, even where the machine's clock is set.

    The date is read once; from there on the clock counts that nobody sets.
    """

    def __init__(self) -> None:
        self._zero_ns = time.time_ns() - time.monotonic_ns()
        self._last_us = 0

    def now_us(self) -> int:
        """Return the time."""
        return (self._zero_ns + time.monotonic_ns()) // 1000

    def arrived_us(self, driver_s: float) -> int:
        """Return when a frame arrived: now, less the time that it has waited since the driver's stamp.

        A driver's stamp of another clock, or of one that was set, is no help and is passed over.
        """
        now_ns = self._zero_ns + time.monotonic_ns()
        waited_ns = time.time_ns() - round(driver_s * 1e9)
        if 0 <= waited_ns < _MOST_WAITED_NS:
            now_ns -= waited_ns
        self._last_us = max(self._last_us, now_ns // 1000)
        return self._last_us


_MOST_WAITED_NS = 1_000_000_000


class Elapsed:
    """The wall's time since it was made."""

    def __init__(self) -> None:
        self._start = time.monotonic()

    @property
    def s(self) -> float:
        """Seconds so far."""
        return time.monotonic() - self._start


class Deadline:
    """A limit of the wall's time on waiting for another process."""

    def __init__(self, seconds: float) -> None:
        self._end = time.monotonic() + seconds

    def left_s(self) -> float:
        """Return the seconds left, 0 when it has passed."""
        return max(0.0, self._end - time.monotonic())
