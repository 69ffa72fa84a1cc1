"""A command in words: why the clutch is where it is, with the figures of the tick."""

from __future__ import annotations

from collections.abc import Callable
from types import SimpleNamespace

import pytest
from rig import Rig

from controller.declare import AGE_INVALID_MS, State
from controller.explain import explain_opening
from controller.our_rules import OURS

_CASES: list[tuple[str, Callable[[Rig], object], dict[str, int], dict[str, int]]] = [
    ("in since engage_speed", Rig.holding, {}, {}),
    ("refused, ignition_off: ignition off", Rig.holding, {"ignition_on": 0}, {}),
    ("refused, driver_off: no band selected", Rig.holding, {"band_switch": 0}, {}),
    ("refused, brake: brake pedal pressed", Rig.holding, {"brake_on": 1}, {}),
    ("refused, brake: brake let go, waits 500 ms", Rig.holding, {"brake_on": 1}, {"brake_on": 0}),
    ("refused, shift: a shift is under way", Rig.holding, {"shift_on": 1}, {}),
    ("refused, shift: shift over, waits 300 ms", Rig.holding, {"shift_on": 1}, {"shift_on": 0}),
    ("refused, gear: gear 0 may not be held, or not for 200 ms yet", Rig.holding, {"gear": 0}, {}),
    ("refused, cold_oil: oil 19.9 °C, minimum 20.0 °C, again from 24.0 °C", Rig.holding, {"oil_temp_dc": 199}, {}),
    ("refused, stall_guard: engine 890 rpm, guard 900 rpm, again from 1000 rpm", Rig.ready, {"engine_rpm": 890}, {}),
    ("refused, signal_lost: road speed 240 ms old, limit 200 ms", Rig.holding, {"road_speed_age_ms": 240}, {}),
    ("refused, signal_lost: gear invalid, limit 300 ms", Rig.holding, {"gear_age_ms": AGE_INVALID_MS}, {}),
    ("refused, signal_lost: signals good again, waiting out the settle time", Rig.holding, {"gear_age_ms": 999},
     {"gear_age_ms": 300}),
    ("refused, kickdown: throttle 99.0 %, let up at 80.0 %", Rig.ready, {"throttle_permille": 990}, {}),
    ("refused, closed_throttle: throttle 1.9 %, open at 5.0 %", Rig.ready, {"throttle_permille": 19}, {}),
    ("refused, lugging: locked, the engine would turn 902 rpm, limit 1150 rpm", Rig.ready, {}, {}),
    ("refused, below_engage: road speed 30.00 km/h is under the band's engage speed", Rig.ready,
     {"road_speed_ckmh": 3_000, "turbine_rpm": 1_353}, {}),
    ("refused, implausible: road speed and turbine speed disagree through the gear ratio", Rig.ready,
     {"turbine_rpm": 2_000}, {}),
]  # fmt: skip


@pytest.mark.parametrize(("text", "prepare", "then", "after"), _CASES)
def test_in_words(text: str, prepare: Callable[[Rig], object], then: dict[str, int], after: dict[str, int]) -> None:
    rig = Rig(closed_throttle_opens=True, kickdown_opens=True)
    prepare(rig)
    rig.tick(**then)
    if after:
        rig.tick(**after)
    assert rig.why == text


def test_delay_and_arming_in_words() -> None:
    rig = Rig(brake_settle_ms=0).holding()
    rig.tick(brake_on=1)
    rig.tick(brake_on=0)
    assert rig.why == "refused, delay: re-engage delay of 1500 ms is running"
    while rig.state != "armed":
        rig.tick()
    assert rig.why == "refused, arming: arms at this tick and may go in at the next"


def test_every_ground_says_something() -> None:
    rig = Rig()
    for refusal in rig.rules.refusals:
        x, k = type("X", (), rig.inputs), rig.k
        text = refusal.says if isinstance(refusal.says, str) else refusal.says(x, k)
        assert text


@pytest.mark.parametrize(
    ("then", "word", "text"),
    [
        ({"ignition_on": 0}, "ignition_off", "out, ignition_off: ignition off"),
        ({"band_switch": 0}, "driver_off", "out, driver_off: no band selected"),
        ({"band_switch": 2}, "driver_off", "out, driver_off: another band selected, under its engage speed"),
        ({"brake_on": 1}, "brake", "out, brake: brake pedal pressed"),
    ],
)
def test_an_opening_in_words(then: dict[str, int], word: str, text: str) -> None:
    rig = Rig().holding()
    rig.tick(**then)
    assert explain_opening(rig.rules, rig.command, SimpleNamespace(**rig.inputs), rig.k) == (word, text)


def test_every_row_that_opens_a_hold_has_words() -> None:
    assert all(row.says for row in OURS.rows if row.source is State.APPLIED)
