"""Delays: each at one ms before and at its end, gaps between ticks, and pairs of delays that run together."""

from __future__ import annotations

from itertools import pairwise, permutations

import pytest
from rig import Rig

from controller.declare import AGE_INVALID_MS, ELAPSED_MAX_MS, TIMER_MAX_MS, State
from controller.step import Reference

_SHORT = {
    "brake": ({"brake_on": 1}, {"brake_on": 0}, "brake_settle_ms"),
    "shift": ({"shift_on": 1}, {"shift_on": 0}, "shift_settle_ms"),
    "gear": ({"gear": 1}, {"gear": 2}, "gear_settle_ms"),
    "stall_guard": ({"engine_rpm": 500}, {"engine_rpm": 1_825}, "stall_settle_ms"),
    "signal_lost": ({"throttle_age_ms": AGE_INVALID_MS}, {"throttle_age_ms": 0}, "signal_settle_ms"),
    "cold_oil": ({"oil_temp_dc": 100}, {"oil_temp_dc": 800}, "cold_settle_ms"),
}

_TO_IDLE = ("signal_lost", "cold_oil")


def test_reengage_delay_to_the_ms() -> None:
    rig = Rig(brake_settle_ms=0).holding()
    rig.tick(1, brake_on=1)
    rig.tick(1, brake_on=0)
    rig.tick(999)
    rig.tick(499)
    assert (rig.state, rig.refusal) == ("released", "delay")
    rig.tick(1)
    assert (rig.state, rig.refusal, rig.reason) == ("armed", "arming", "ready")
    rig.tick(1)
    assert rig.state == "applied"


def test_the_delay_counts_from_the_coming_out_not_from_the_last_ground() -> None:
    rig = Rig().holding()
    rig.tick(1, brake_on=1)
    rig.run(3_000, brake_on=1)
    rig.tick(1, brake_on=0)
    rig.tick(499)
    assert rig.refusal == "brake"
    rig.tick(1)
    assert rig.refusal == "arming"


@pytest.mark.parametrize(("settle_ms", "first"), [(1_498, "delay"), (1_499, "arming"), (1_501, "brake")])
def test_the_longer_of_delay_and_settle_time_decides(settle_ms: int, first: str) -> None:
    # The pedal is let go one ms after the clutch came out: the settle time ends just before, with, after the delay.
    rig = Rig(brake_settle_ms=settle_ms).holding()
    rig.tick(1, brake_on=1)
    rig.tick(1, brake_on=0)
    rig.tick(999)
    rig.tick(499)
    assert rig.refusal == ("delay" if first == "delay" else "brake")
    rig.tick(1)
    assert rig.refusal == ("brake" if first == "brake" else "arming")
    if first == "brake":
        rig.tick(2)
        assert rig.refusal == "arming"


@pytest.mark.parametrize(("one", "other"), list(permutations(_SHORT, 2)))
def test_two_interlocks_wait_out_both(one: str, other: str) -> None:
    """`one` clears first and `other` 100 ms later: in again when the later of both is over, never before."""
    rig = Rig(reengage_delay_ms=100).holding()
    opens, clears, settle = _SHORT[one]
    other_opens, other_clears, other_settle = _SHORT[other]
    rig.run(200, **opens, **other_opens)
    rig.tick(1, **clears)
    for _ in range(10):
        rig.tick(10)
    rig.tick(1, **other_clears)
    one_left_ms, other_left_ms = getattr(rig.k, settle) - 101, getattr(rig.k, other_settle)
    passed_ms = 0
    while rig.state != "applied":
        assert passed_ms < 5_000, rig.why
        if rig.refusal == one:
            assert passed_ms < one_left_ms
        if rig.refusal == other:
            assert passed_ms < other_left_ms
        rig.tick(1)
        passed_ms += 1
    # Armed in the tick in which the last wait ends, in at the next; but from idle it arms while a released one waits.
    lasts = max(one_left_ms, other_left_ms, 0)
    idle_ms = max((left for name, left in ((one, one_left_ms), (other, other_left_ms)) if name in _TO_IDLE), default=-1)
    assert passed_ms == (lasts + 1 if idle_ms in (-1, lasts) else lasts)


def test_a_shift_within_a_brake_does_not_shorten_it() -> None:
    rig = Rig().holding()
    rig.tick(brake_on=1)
    rig.tick(shift_on=1)
    rig.run(1_600, shift_on=0)
    assert rig.refusal == "brake"


def test_hunting_at_the_release_speed_is_slowed_by_the_delay() -> None:
    # The speed crosses both limits every 100 ms; the clutch goes in at most once a delay.
    rig = Rig(lugging_rpm=1_000).holding()
    went_in = []
    for at in range(1_000):
        rig.rolling(3_450 if at % 20 < 10 else 3_050, 2)
        before = rig.state
        if rig.tick(10).state == State.APPLIED and before != "applied":
            went_in.append(at * 10)
    assert len(went_in) > 2
    assert all(later - sooner >= 1_500 for sooner, later in pairwise(went_in))


def test_a_gap_between_ticks_makes_delays_longer_never_shorter() -> None:
    rig = Rig(brake_settle_ms=0, reengage_delay_ms=1_500).holding()
    rig.tick(brake_on=1)
    rig.tick(ELAPSED_MAX_MS + 60_000, brake_on=0)
    assert rig.refusal == "delay"
    rig.tick(499)
    assert rig.refusal == "delay"
    rig.tick(1)
    assert rig.refusal == "arming"


def test_time_that_stands_or_goes_back_counts_nothing() -> None:
    rig = Rig(brake_settle_ms=0, reengage_delay_ms=100).holding()
    rig.tick(brake_on=1)
    rig.tick(0, brake_on=0)
    for _ in range(20):
        rig.tick(0)
        rig.tick(-500)
    assert rig.refusal == "delay"
    rig.tick(100)
    assert rig.refusal == "arming"


def test_timers_stop_at_their_end() -> None:
    rig = Rig().holding()
    rig.tick(brake_on=1)
    rig.set(throttle_permille=0)
    for _ in range(TIMER_MAX_MS // ELAPSED_MAX_MS + 5):
        rig.tick(ELAPSED_MAX_MS)
    assert rig.memory("since_out_ms") == TIMER_MAX_MS
    # A latched fault goes on differing from its condition.
    rig = Rig().ready()
    rig.run(4_000, 100, throttle_permille=400, turbine_rpm=902, engine_rpm=902)
    rig.rolling(2_000)
    for _ in range(TIMER_MAX_MS // ELAPSED_MAX_MS + 5):
        rig.tick(ELAPSED_MAX_MS)
    assert rig.memory("stuck_in_ms") == TIMER_MAX_MS


@pytest.mark.parametrize("on", [True, False])
def test_ignition_as_a_plain_truth_value_changes_nothing(on: bool) -> None:
    rig = Rig().holding()
    by_number, by_truth = Reference(rig.rules, rig.k), Reference(rig.rules, rig.k)
    by_number.memory = by_truth.memory = rig.reference.memory
    inputs = rig.inputs | {"now_ms": rig.inputs["now_ms"] + 10}
    command = by_number.tick(inputs | {"ignition_on": int(on)})
    assert by_truth.tick(inputs | {"ignition_on": on}) == command
    assert (command.state == State.APPLIED) is on
    assert by_number.memory == by_truth.memory
