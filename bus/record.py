"""Recording what passes on a bus: frames and stamps in the order of arrival. Nothing is ever sent."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from typing import TYPE_CHECKING, NamedTuple

from bus.candump import line_of
from bus.clock import Deadline, Stamps
from bus.errors import BusError
from bus.frame import Frame
from bus.known import PHASE_END, PHASE_SIGNAL, PHASE_START, TIME_SIGNAL
from bus.receive import Outcome, Receiver

if TYPE_CHECKING:
    from bus.binding import Binding
    from bus.candump import WholeLines
    from bus.line import Line

POLL_S = 0.1
WAITS_S = 1.0
"""A frame waits no longer than this for the bench's time that it is to be stamped with."""

LINGER_S, MOST_LINGER_S = 0.2, 1.0
"""After the end of a run its last frames are awaited: until it is silent for so long, or this in all."""

JOINED_S = 1.0
"""Between the last frame of a log that is gone on with and the first new one, where the new clock is behind."""


class Stamped(NamedTuple):
    """A frame and its stamp, µs."""

    at_us: int
    frame: Frame


class ByArrival:
    """Stamps by the wall's time of arrival."""

    words = "stamped by the clock"
    ended = ""

    def take(self, frame: Frame, arrived_us: int) -> list[Stamped]:
        """Return the frame with its stamp."""
        return [Stamped(arrived_us, frame)]

    def overdue(self, now_us: int) -> list[Stamped]:  # noqa: ARG002 - nothing waits here
        """Nothing waits."""
        return []

    def rest(self) -> list[Stamped]:
        """Nothing waits."""
        return []


class ByBenchTime:
    """Stamps by the bench's time.

    What the vehicle sends in a tick comes before the message with the tick's time and so waits for it; the
    controller's answer follows it. Where frames come but no such message does, `is_sure` decides: `BusError`, or the
    wall's time from there on.
    """

    def __init__(self, binding: Binding, is_sure: bool) -> None:
        message = binding.time_message
        assert message is not None  # the caller has looked
        self._key, self._time_key = binding.key, binding.key(message.ident)
        self._answers = {binding.key(one.ident) for one in binding.sent_by("controller")}
        self._times = Receiver(binding, "vehicle")
        self._is_sure = is_sure
        self._waiting: list[Stamped] = []
        self._now_us: int | None = None
        self._has_ticked = False
        self._by_arrival = False
        self.ended = ""
        """In words why the recording is over, or nothing."""

    @property
    def words(self) -> str:
        """How frames are stamped."""
        return ByArrival.words if self._by_arrival else "stamped with the bench's time"

    def take(self, frame: Frame, arrived_us: int) -> list[Stamped]:
        """Return the frames whose stamp is known now. `arrived_us` is when this one came."""
        if self._by_arrival:
            return [Stamped(arrived_us, frame)]
        key = self._key(frame.ident)
        if key == self._time_key and self._times.take(frame, arrived_us // 1000) <= Outcome.BELIEVED_SOME_LOST:
            return self._tick(frame, arrived_us)
        if self._now_us is not None and not self._waiting and key in self._answers:
            return [Stamped(self._now_us, frame)]
        self._waiting.append(Stamped(arrived_us, frame))
        return []

    def _tick(self, frame: Frame, arrived_us: int) -> list[Stamped]:
        phase, now_us = self._times.value(PHASE_SIGNAL), self._times.value(TIME_SIGNAL) * 1000
        if self._has_ticked and (phase == PHASE_START or now_us < (self._now_us or 0)):
            self.ended = "the vehicle started anew; one drive is one recording"
            return self.rest()
        self._has_ticked |= phase != PHASE_START
        self._now_us = now_us
        self._waiting.append(Stamped(arrived_us, frame))
        if phase == PHASE_END:
            self.ended = "the drive is over"
        return self.rest()

    def overdue(self, now_us: int) -> list[Stamped]:
        """Return what has waited too long. Raises `BusError` where the bench's time never came and had to."""
        if not self._waiting or now_us - self._waiting[0].at_us < WAITS_S * 1e6:
            return []
        if self._now_us is None:
            if self._is_sure:
                raise BusError("frames come, but none carries the bench's time; give --clock real")
            self._by_arrival = True
        return self.rest()

    def rest(self) -> list[Stamped]:
        """Return all that waits: at the bench's time, or at its arrival where that never came."""
        at_us = self._now_us
        found = [Stamped(one.at_us if at_us is None else at_us, one.frame) for one in self._waiting]
        self._waiting = []
        return found


class Recorder:
    """Takes frames from a line and writes them to a log. `after_us` is the last stamp of a log gone on with."""

    def __init__(
        self, line: Line, log: WholeLines, stamping: ByArrival | ByBenchTime, channel: str, after_us: int | None = None
    ) -> None:
        self._line, self._log, self._stamping, self._channel = line, log, stamping, channel
        self._stamps = Stamps()
        self._after_us = after_us
        self._shift_us: int | None = None
        self.frames = 0
        self.by_ident: Counter[int] = Counter()
        self.first_us = self.last_us = 0

    @property
    def ended(self) -> str:
        """In words why the recording is over, or nothing."""
        return self._stamping.ended

    @property
    def shifted_s(self) -> float:
        """By how much the stamps were moved so that they follow those of the log gone on with."""
        return (self._shift_us or 0) / 1e6

    def run(self, seconds: float | None, is_stopped: Callable[[], bool], report: Callable[[], None]) -> None:
        """Record until told to stop, for the wall's `seconds`, or until the run on the bus ends.

        `report` is called at least once each `POLL_S`. Raises `BusError` where the bus is lost, `OSError` where the
        log cannot be written; what came before is in the log.
        """
        deadline = None if seconds is None else Deadline(seconds)
        try:
            while not is_stopped() and not self.ended and (deadline is None or deadline.left_s() > 0.0):
                left_s = POLL_S if deadline is None else min(POLL_S, deadline.left_s())
                self._poll(left_s)
                report()
            last = Deadline(MOST_LINGER_S)
            while self.ended and not is_stopped() and last.left_s() > 0.0 and self._poll(LINGER_S):
                pass
        finally:
            self._write(self._stamping.rest())

    def _poll(self, seconds: float) -> bool:
        frame = self._line.wait(seconds, 0)
        if frame is not None:
            self._write(self._stamping.take(frame, self._stamps.arrived_us(self._line.driver_stamp_s)))
        self._write(self._stamping.overdue(self._stamps.now_us()))
        return frame is not None

    def _write(self, found: list[Stamped]) -> None:
        for at_us, frame in found:
            if self._shift_us is None:
                behind = self._after_us is not None and at_us <= self._after_us
                self._shift_us = (self._after_us or 0) + int(JOINED_S * 1e6) - at_us if behind else 0
                self.first_us = at_us + self._shift_us
            self.last_us = at_us + self._shift_us
            self._log.write(line_of(frame, self.last_us, self._channel))
            self.frames += 1
            self.by_ident[frame.ident] += 1
