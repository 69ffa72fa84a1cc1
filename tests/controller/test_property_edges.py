"""Each property at its own edge: no to the first tick that is wrong, nothing against the last that is right.

The proof shows that the rules keep the properties. That a property is not too weak to notice is shown here: each is
given one tick by hand, as rules would leave it that overlook one thing.
"""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from rig import calibration

from controller.declare import AGE_INVALID_MS
from controller.interlocks import INTERLOCKS
from controller.our_rules import OURS
from controller.signals import AGED

IDLE, ARMED, APPLIED, RELEASED = range(4)
NONE, LOW, HIGH = range(3)

_BY_NAME = {one.name: one for one in OURS.properties}
_NAMES = [signal.name for signal in OURS.signals]


def _says_yes(name: str, case: dict[str, int], k: dict[str, int] | None = None) -> bool:
    """Ask a property about one tick: names of inputs, `was_` what was before, all others after it."""
    values = calibration(**(k or {}))
    x = {"now_ms": 10_000, "ignition_on": 1, "band_switch": 1, "road_speed_ckmh": 4_000, "engine_rpm": 1_825,
         "turbine_rpm": 1_805, "oil_temp_dc": 800, "throttle_permille": 200, "brake_on": 0, "gear": 2,
         "shift_on": 0} | {f"{one}_age_ms": 0 for one in AGED}  # fmt: skip  # a drive in second gear
    flags = {one.on: 0 for one in INTERLOCKS}
    before: dict[str, Any] = {"now_ms": 9_990, "state": APPLIED, "band": LOW, "duty_ppm": 1_000_000,
                              "since_out_ms": 0, **flags}  # fmt: skip  # one memory
    after: dict[str, Any] = {"state": APPLIED, "band": LOW, "duty_ppm": 1_000_000, "refusal": 0, "warnings": 0, **flags}
    for key, value in case.items():
        side = before if key.startswith("was_") else x if key in _NAMES else after
        plain = key.removeprefix("was_")
        assert plain in side, key
        side[plain] = value
    for flag in (*flags, "ignition_on", "brake_on", "shift_on"):
        for side in (x, before, after):
            if flag in side:
                side[flag] = bool(side[flag])
    seen = (SimpleNamespace(**side) for side in (before, x))
    return bool(_BY_NAME[name].holds(*seen, values, SimpleNamespace(**after)))


_STILL_IN = {"duty_ppm": 1}
_HIGH = {"was_band": HIGH, "band": HIGH, "gear": 5, "road_speed_ckmh": 8_000, **_STILL_IN}

_HELD: list[tuple[str, dict[str, int], dict[str, int]]] = [
    # property, what it says no to while the clutch stays in, what is right
    ("brake_opens", {"brake_on": 1}, {"brake_on": 0}),
    ("wrong_gear_opens", {"gear": 1}, {"gear": 2}),
    ("wrong_gear_opens", {"gear": 7}, {"gear": 6}),
    ("wrong_gear_opens", {**_HIGH, "gear": 3}, {**_HIGH, "gear": 4}),
    ("wrong_gear_opens", {**_HIGH, "gear": 7}, {**_HIGH, "gear": 6}),
    ("shift_opens", {"shift_on": 1}, {"shift_on": 0}),
    ("band_none_opens", {"band": NONE}, {"band": LOW}),
    ("band_none_opens", {"band": NONE}, {"band": HIGH}),
    ("stall_guard_opens", {"engine_rpm": 899}, {"engine_rpm": 900}),
    ("cold_oil_opens", {"oil_temp_dc": 199}, {"oil_temp_dc": 200}),
    *(("lost_signal_opens", {f"{one}_age_ms": getattr(calibration(), f"{one}_limit_ms") + 1},
       {f"{one}_age_ms": getattr(calibration(), f"{one}_limit_ms")}) for one in AGED),
    ("never_in_below_release", {"road_speed_ckmh": 3_099}, {"road_speed_ckmh": 3_100}),
    ("never_in_below_release", {**_HIGH, "road_speed_ckmh": 6_599}, {**_HIGH, "road_speed_ckmh": 6_600}),
    ("band_change_drops", {"band": HIGH, "road_speed_ckmh": 6_999}, {"band": HIGH, "road_speed_ckmh": 7_000}),
    ("band_change_drops", {"was_band": HIGH, "road_speed_ckmh": 3_199}, {"was_band": HIGH, "road_speed_ckmh": 3_200}),
    ("band_change_drops", {"band": HIGH}, {"band": HIGH, "was_state": ARMED}),
    ("band_change_drops", {"band": HIGH}, {"band": LOW}),
    ("ignition_off_opens", {"ignition_on": 0, "state": IDLE, "band": NONE},
     {"ignition_on": 0, "state": IDLE, "band": NONE, "duty_ppm": 0}),
    ("ignition_off_opens", {"ignition_on": 0, "state": ARMED, "band": NONE, "duty_ppm": 0}, {"ignition_on": 1}),
    ("ignition_off_opens", {"ignition_on": 0, "state": IDLE, "band": LOW, "duty_ppm": 0}, {"ignition_on": 1}),
    ("duty_falls_at_once", {"state": ARMED}, {"state": ARMED, "duty_ppm": 0}),
    ("duty_falls_at_once", {"state": RELEASED}, {"state": APPLIED}),
    ("duty_falls_at_once", {"duty_ppm": 1_000_001}, {"duty_ppm": 1_000_000}),
    ("duty_rises_by_slew", {"was_duty_ppm": 500_000, "duty_ppm": 540_001},
     {"was_duty_ppm": 500_000, "duty_ppm": 540_000}),
    ("duty_rises_by_slew", {"was_duty_ppm": 0, "was_now_ms": 10_001, "duty_ppm": 1},
     {"was_duty_ppm": 0, "was_now_ms": 10_001, "duty_ppm": 0}),
    ("duty_rises_by_slew", {"was_duty_ppm": 0, "was_now_ms": 0, "duty_ppm": 4_000_001},
     {"was_duty_ppm": 0, "was_now_ms": 0, "duty_ppm": 4_000_000}),
    ("refusal_or_in", {"refusal": 1}, {"refusal": 0}),
    ("refusal_or_in", {"state": ARMED, "refusal": 0}, {"state": ARMED, "refusal": 1}),
    ("throttle_alone_keeps", {"kickdown_on": 1}, {"kickdown_on": 1, "was_kickdown_on": 1}),
    ("throttle_alone_keeps", {"closed_throttle_on": 1}, {"closed_throttle_on": 1, "was_closed_throttle_on": 1}),
    ("throttle_alone_keeps", {"closed_throttle_on": 1}, {"closed_throttle_on": 1, "was_state": ARMED}),
    *((f"{one}_stays", {f"was_{one}_on": 1, "duty_ppm": 0}, {f"was_{one}_on": 1, f"{one}_on": 1, "duty_ppm": 0})
      for one in ("implausible", "not_holding", "stuck_in")),
    *((f"{one}_stays", {f"was_{one}_on": 1, f"{one}_on": 1}, {f"was_{one}_on": 1, "ignition_on": 0})
      for one in ("implausible", "not_holding", "stuck_in")),
    *(("lost_signal_judges_nothing",
       {f"{one}_age_ms": getattr(calibration(), f"{one}_limit_ms") + 1, "implausible_on": 1},
       {f"{one}_age_ms": getattr(calibration(), f"{one}_limit_ms"), "implausible_on": 1})
      for one in ("road_speed", "turbine_rpm", "gear")),
    ("lost_signal_judges_nothing", {"gear_age_ms": AGE_INVALID_MS, "implausible_on": 1},
     {"gear_age_ms": AGE_INVALID_MS, "implausible_on": 1, "was_implausible_on": 1}),
]  # fmt: skip  # a table


@pytest.mark.parametrize(("name", "wrong", "right"), _HELD)
def test_of_a_hold(name: str, wrong: dict[str, int], right: dict[str, int]) -> None:
    assert not _says_yes(name, _STILL_IN | wrong)
    assert _says_yes(name, _STILL_IN | right)


def test_what_the_calibration_allows() -> None:
    assert _says_yes("shift_opens", {"shift_on": 1}, {"hold_through_shifts": True})
    assert _says_yes("throttle_alone_keeps", {"kickdown_on": 1}, {"kickdown_opens": True})
    assert _says_yes("throttle_alone_keeps", {"closed_throttle_on": 1}, {"closed_throttle_opens": True})
    slower = {"tyre_scale_permille": 999}
    assert not _says_yes("never_in_below_release", {"road_speed_ckmh": 3_103}, slower)
    assert _says_yes("never_in_below_release", {"road_speed_ckmh": 3_104}, slower)


_GOES_IN = {"was_state": ARMED, "was_since_out_ms": 60_000}

_INTO: list[tuple[str, dict[str, int], dict[str, int]]] = [
    ("in_only_at_engage_speed", {"road_speed_ckmh": 3_199}, {"road_speed_ckmh": 3_200}),
    ("in_only_at_engage_speed", {"band": HIGH, "road_speed_ckmh": 6_999}, {"band": HIGH, "road_speed_ckmh": 7_000}),
    ("in_only_at_engage_speed", {"band": NONE}, {"band": LOW}),
    ("in_only_at_engage_speed", {"was_state": RELEASED, "road_speed_ckmh": 3_199},
     {"was_state": APPLIED, "road_speed_ckmh": 3_199}),
    ("in_only_at_engage_speed", {"road_speed_ckmh": 3_199}, {"road_speed_ckmh": 3_199, "state": ARMED}),
    ("cool_oil_engages_at_engage_speed", {"road_speed_ckmh": 3_399}, {"road_speed_ckmh": 3_400}),
    ("cool_oil_engages_at_engage_speed", {"road_speed_ckmh": 3_399, "oil_temp_dc": 1_050},
     {"road_speed_ckmh": 3_399, "oil_temp_dc": 1_051}),
    ("cool_oil_engages_at_engage_speed", {"road_speed_ckmh": 3_399}, {"road_speed_ckmh": 3_399, "state": ARMED}),
    ("no_lugging_in", {"turbine_rpm": 1_149}, {"turbine_rpm": 1_150}),
    ("no_lugging_in", {"turbine_rpm": 1_149}, {"turbine_rpm": 1_149, "was_state": APPLIED}),
    ("delay_between_engagements", {"was_since_out_ms": 1_489}, {"was_since_out_ms": 1_490}),
    ("delay_between_engagements", {"was_since_out_ms": 499, "was_now_ms": 0},
     {"was_since_out_ms": 500, "was_now_ms": 0}),
    ("delay_between_engagements", {"was_since_out_ms": 1_499, "was_now_ms": 10_001},
     {"was_since_out_ms": 1_500, "was_now_ms": 10_001}),
    ("gap_changes_nothing", {"road_speed_ckmh": 3_199}, {"road_speed_ckmh": 3_200}),
    ("gap_changes_nothing", {"road_speed_ckmh": 3_100}, {"road_speed_ckmh": 3_099}),
]  # fmt: skip  # a table


@pytest.mark.parametrize(("name", "wrong", "right"), _INTO)
def test_of_going_in(name: str, wrong: dict[str, int], right: dict[str, int]) -> None:
    assert not _says_yes(name, _GOES_IN | wrong)
    assert _says_yes(name, _GOES_IN | right)


# What may bring a hold out, and what must keep it out: one thing at a time at its edge --------------------------

_NO_GROUND: list[tuple[dict[str, int], dict[str, int]]] = [
    # last value without a ground, first that is one
    ({"brake_on": 0}, {"brake_on": 1}),
    ({"shift_on": 0}, {"shift_on": 1}),
    ({"ignition_on": 1}, {"ignition_on": 0}),
    ({"gear": 2}, {"gear": 1}),
    ({"gear": 6, "turbine_rpm": 576, "engine_rpm": 1_000}, {"gear": 7}),
    ({"engine_rpm": 900}, {"engine_rpm": 899}),
    ({"oil_temp_dc": 200}, {"oil_temp_dc": 199}),
    ({"road_speed_ckmh": 3_100, "turbine_rpm": 1_399}, {"road_speed_ckmh": 3_099, "turbine_rpm": 1_399}),
    *(({f"{one}_age_ms": getattr(calibration(), f"{one}_limit_ms")},
       {f"{one}_age_ms": getattr(calibration(), f"{one}_limit_ms") + 1}) for one in AGED),
    ({"gear": 4, "road_speed_ckmh": 10_000, "turbine_rpm": 2_651, "engine_rpm": 2_700},
     {"gear": 4, "road_speed_ckmh": 10_000, "turbine_rpm": 2_652, "engine_rpm": 2_700}),
    ({"gear": 4, "road_speed_ckmh": 10_000, "turbine_rpm": 2_151, "engine_rpm": 2_200},
     {"gear": 4, "road_speed_ckmh": 10_000, "turbine_rpm": 2_150, "engine_rpm": 2_200}),
]  # fmt: skip  # a table


@pytest.mark.parametrize(("none", "ground"), _NO_GROUND)
def test_out_only_on_a_ground(none: dict[str, int], ground: dict[str, int]) -> None:
    out = {"state": RELEASED, "duty_ppm": 0}
    # At full duty the slip is judged, too.
    part = {"was_duty_ppm": 500_000}
    assert not _says_yes("out_only_on_a_ground", out | part | none)
    assert _says_yes("out_only_on_a_ground", out | part | ground)
    assert _says_yes("out_only_on_a_ground", part | none | {"duty_ppm": 540_000})


@pytest.mark.parametrize(("slip", "is_ground"), [(80, False), (-80, False), (81, True), (-81, True)])
def test_slip_is_a_ground_in_a_full_hold_only(slip: int, is_ground: bool) -> None:
    out = {"state": IDLE, "duty_ppm": 0, "engine_rpm": 1_805 + slip}
    assert _says_yes("out_only_on_a_ground", out) is is_ground
    assert not _says_yes("out_only_on_a_ground", out | {"was_duty_ppm": 999_999})


@pytest.mark.parametrize(
    ("throttle", "asked", "is_ground"),
    [(20, "closed_throttle_opens", False), (19, "closed_throttle_opens", True), (19, "", False),
     (920, "kickdown_opens", False), (921, "kickdown_opens", True), (921, "", False)],
)  # fmt: skip  # a table
def test_a_throttle_is_a_ground_where_the_calibration_asks(throttle: int, asked: str, is_ground: bool) -> None:
    out = {"state": RELEASED, "duty_ppm": 0, "throttle_permille": throttle}
    assert _says_yes("out_only_on_a_ground", out, {asked: True} if asked else {}) is is_ground


def test_another_band_and_no_hold_before_are_no_business_of_it() -> None:
    out = {"state": RELEASED, "duty_ppm": 0}
    assert _says_yes("out_only_on_a_ground", out | {"was_state": ARMED})
    assert _says_yes("out_only_on_a_ground", out | {"band": HIGH})
    assert not _says_yes("hot_oil_keeps", out | {"oil_temp_dc": 1_101})
    assert _says_yes("hot_oil_keeps", out | {"oil_temp_dc": 1_100})
    assert not _says_yes(
        "gap_changes_nothing", out | {"road_speed_ckmh": 3_100, "turbine_rpm": 1_399, "engine_rpm": 1_419}
    )
    assert _says_yes("out_only_on_a_ground", out | {"shift_on": 1})
    assert not _says_yes("out_only_on_a_ground", out | {"shift_on": 1}, {"hold_through_shifts": True})


_FREE = {"was_state": ARMED, "was_duty_ppm": 0, "was_since_out_ms": 1_500, "road_speed_ckmh": 3_400,
         "turbine_rpm": 1_534, "engine_rpm": 1_600, "state": ARMED, "duty_ppm": 0, "refusal": 1}  # fmt: skip  # armed

_AGAINST: list[tuple[dict[str, int], dict[str, int], dict[str, int]]] = [
    # last value with nothing against it, first that is something, calibration
    ({"was_state": ARMED}, {"was_state": RELEASED}, {}),
    ({"was_since_out_ms": 1_500}, {"was_since_out_ms": 1_499}, {}),
    ({"road_speed_ckmh": 3_400}, {"road_speed_ckmh": 3_399}, {}),
    ({"turbine_rpm": 1_534}, {"turbine_rpm": 1_534, "engine_rpm": 1_537}, {}),
    ({"turbine_rpm": 1_534, "engine_rpm": 1_530}, {"turbine_rpm": 1_534, "engine_rpm": 1_531}, {}),
    ({"gear": 3, "turbine_rpm": 1_150}, {"gear": 3, "turbine_rpm": 1_149}, {}),
    ({"throttle_permille": 920}, {"throttle_permille": 921}, {"kickdown_opens": True}),
    ({"throttle_permille": 921}, {"brake_on": 1}, {}),
    ({"throttle_permille": 20}, {"throttle_permille": 19}, {"closed_throttle_opens": True}),
    ({"throttle_permille": 19}, {"brake_on": 1}, {}),
    *(({one.on: 0}, {one.on: 1}, {}) for one in INTERLOCKS if one.out_to is not None),
]  # fmt: skip  # a table


@pytest.mark.parametrize(("nothing", "something", "k"), _AGAINST)
def test_in_when_free(nothing: dict[str, int], something: dict[str, int], k: dict[str, int]) -> None:
    assert not _says_yes("in_when_free", _FREE | nothing, k)
    assert _says_yes("in_when_free", _FREE | something, k)
    assert _says_yes("in_when_free", _FREE | nothing | {"state": APPLIED, "refusal": 0}, k)


_RISING = {"was_duty_ppm": 500_000, "duty_ppm": 500_000}


@pytest.mark.parametrize(
    "never_mind",
    [{"state": ARMED, "duty_ppm": 0}, {"was_now_ms": 10_000}, {"was_duty_ppm": 1_000_000, "duty_ppm": 1_000_000},
     {"was_duty_ppm": 220_000, "duty_ppm": 220_000}, {"was_duty_ppm": 700_000, "duty_ppm": 700_000},
     {"duty_ppm": 500_001}],
)  # fmt: skip  # a table
def test_duty_never_stands_still(never_mind: dict[str, int]) -> None:
    assert not _says_yes("in_is_seen_in_duty", _RISING)
    assert not _says_yes("in_is_seen_in_duty", _RISING | {"was_now_ms": 9_999})
    assert _says_yes("in_is_seen_in_duty", _RISING | never_mind)


@pytest.mark.parametrize(("kiss_duty_ppm", "may_stand"), [(0, True), (1, False)])
def test_a_kiss_of_nothing_may_stand_still(kiss_duty_ppm: int, may_stand: bool) -> None:
    assert _says_yes("in_is_seen_in_duty", _RISING, {"kiss_duty_ppm": kiss_duty_ppm}) is may_stand


def test_the_hot_offset_counts_in_true_speed() -> None:
    # 33.63 km/h of the sensor are 33.99993 km/h of the road: not yet 34.
    larger = {"tyre_scale_permille": 1_011}
    assert not _says_yes("cool_oil_engages_at_engage_speed", _GOES_IN | {"road_speed_ckmh": 3_363}, larger)
    assert _says_yes("cool_oil_engages_at_engage_speed", _GOES_IN | {"road_speed_ckmh": 3_364}, larger)


def test_which_count_on_there_being_no_other_ground() -> None:
    assert [one.name for one in OURS.properties if one.is_closed] == [
        "out_only_on_a_ground", "hot_oil_keeps", "gap_changes_nothing", "in_when_free"]  # fmt: skip  # one list


def test_every_property_of_one_tick_is_asked_here() -> None:
    text = Path(__file__).read_text(encoding="utf-8")
    assert [one for one in _BY_NAME if f'"{one}"' not in text and not one.endswith("_stays")] == []
