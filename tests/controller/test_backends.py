"""The reference and the straight-line controller are equal bit for bit, and every property holds on the way."""

from __future__ import annotations

import re
from typing import Any

from draws import calibrations, sensor_count, thresholds
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from rig import Rig, calibration

from controller.declare import State
from controller.our_rules import OURS
from controller.straight import compiled, source
from controller.tracer import trace
from controller.watch import Watch

_STEPS = st.lists(
    st.tuples(st.integers(0, 99), st.integers(0, 99), st.sampled_from((0, 1, 10, 10, 10, 100, 999, 1_001, 5_000))),
    max_size=60,
)


def _walk(rig: Rig, steps: list[tuple[int, int, int]]) -> None:
    for which, value, ms in steps:
        near = thresholds(rig.k, rig.inputs)
        names = sorted(near)
        name = names[which % len(names)]
        # The rig compares both controllers and asks every property at each tick.
        rig.tick(ms, **{name: near[name][value % len(near[name])]})


def _go_in(rig: Rig) -> bool:
    """Try to bring the clutch in by whatever this calibration wants; False where it cannot be."""
    k = rig.k
    gear = k.low_gear_lowest
    rpm_at_100 = getattr(k, f"turbine_rpm_at_100_kmh_{gear}")
    speed_ckmh = max(sensor_count(k.low_engage_ckmh, k), -(-k.lugging_rpm * 10_000 // rpm_at_100))
    if speed_ckmh > 30_000:
        return False
    rig.rolling(speed_ckmh, gear)
    # Between all limits of oil and throttle: warm, not hot; open, not floored.
    rig.set(oil_temp_dc=k.oil_minimum_dc, throttle_permille=k.closed_clear_permille)
    rig.tick(band_switch=0)
    rig.tick(band_switch=1)
    return any(rig.tick(1_000).state == State.APPLIED for _ in range(100))


@settings(max_examples=80, deadline=None, derandomize=True)
@given(_STEPS)
def test_walks_with_the_default_calibration(steps: list[tuple[int, int, int]]) -> None:
    _walk(Rig().holding(), steps)


@settings(max_examples=150, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])
@given(calibrations(), st.booleans(), _STEPS)
def test_walks_with_any_calibration(k: Any, from_a_hold: bool, steps: list[tuple[int, int, int]]) -> None:
    rig = Rig(k=k)
    if from_a_hold:
        _go_in(rig)
    _walk(rig, steps)


def test_some_calibrations_can_be_brought_in() -> None:
    # Without this the walk above might never see a hold. How many can differs with hypothesis' own draws.
    came_in = []

    @settings(max_examples=60, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])
    @given(calibrations())
    def try_one(k: Any) -> None:
        came_in.append(_go_in(Rig(k=k)))

    try_one()
    assert sum(came_in) >= 3


@settings(max_examples=40, deadline=None, derandomize=True)
@given(st.integers(0, 1_000), st.integers(0, 1_000), _STEPS)
def test_throttle_alone_changes_nothing_while_held(one: int, other: int, steps: list[tuple[int, int, int]]) -> None:
    # Two holds that differ in the throttle only take the same commands until the first coming out.
    left, right = Rig().holding(), Rig().holding()
    for which, value, ms in steps:
        near = thresholds(left.k, left.inputs)
        names = sorted(set(near) - {"throttle_permille", "throttle_age_ms"})
        name = names[which % len(names)]
        change = {name: near[name][value % len(near[name])]}
        commands = left.tick(ms, throttle_permille=one, **change), right.tick(ms, throttle_permille=other, **change)
        assert commands[0] == commands[1]
        if commands[0].state != State.APPLIED:
            return


def test_same_inputs_same_outputs() -> None:
    def run() -> list[Any]:
        rig = Rig().holding()
        return [rig.tick(10, brake_on=at % 50 < 5, road_speed_ckmh=3_000 + at % 200) for at in range(400)]

    assert run() == run()


def test_source_is_the_same_text_each_time() -> None:
    trace.cache_clear()
    first = source(trace(OURS))
    trace.cache_clear()
    assert source(trace(OURS)) == first
    assert compiled(OURS) is compiled(OURS)


def test_no_local_ends_in_a_digit() -> None:
    # numba names what it loads by name and place in the code; digits of the one ran into digits of the other.
    names = re.findall(r"^    (\w+) = ", source(trace(OURS)), flags=re.M)
    assert len(names) > 50
    assert [name for name in names if name[-1].isdigit()] == []


def test_before_the_first_tick_no_row_has_fired() -> None:
    assert Watch(OURS, calibration()).row == 0


def test_flags_may_come_as_numbers() -> None:
    left, right = Rig(), Rig()
    assert left.tick(brake_on=1, shift_on=0) == right.tick(brake_on=True, shift_on=False)
