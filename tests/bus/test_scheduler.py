"""One scheduler, two clocks; time is an argument, and the real clock counts its lateness once an instant."""

from __future__ import annotations

import pytest

from bus import clock as clocks
from bus.clock import Lateness, LockStep, RealTime
from bus.scheduler import Scheduler


def test_tasks_run_in_the_order_of_due_time_and_then_of_registration() -> None:
    clock = LockStep()
    scheduler = Scheduler(clock)
    seen: list[tuple[str, int, int]] = []
    for name, period_ms, first_ms in (("a", 20, 0), ("b", 10, 0), ("c", 10, 5)):
        scheduler.every(period_ms, lambda at_ms, name=name: seen.append((name, at_ms, clock.now_ms)), first_ms)  # type: ignore[misc]
    scheduler.run_until(20)
    assert seen == [
        ("a", 0, 0), ("b", 0, 0), ("c", 5, 5), ("b", 10, 10), ("c", 15, 15), ("a", 20, 20), ("b", 20, 20),
    ]  # fmt: skip
    scheduler.run_until(24)
    assert clock.now_ms == 24
    assert clock.lateness() is None


def test_real_time_sleeps_until_due_and_counts_what_it_was_late(monkeypatch: pytest.MonkeyPatch) -> None:
    now_ns = [5_000_000_000]
    slept: list[float] = []

    def sleep(seconds: float) -> None:
        slept.append(seconds)
        now_ns[0] += round(seconds * 1e9) + 40_000

    monkeypatch.setattr(clocks.time, "monotonic_ns", lambda: now_ns[0])
    monkeypatch.setattr(clocks.time, "sleep", sleep)
    clock = RealTime()
    for at_ms in (0, 10, 10, 20):
        clock.wait_until(at_ms)
    now_ns[0] += 25_000_000
    clock.wait_until(30)
    assert slept == [0.01, 0.00996]
    assert clock.lateness() == Lateness(4, 40, 15_040, 15_040)
