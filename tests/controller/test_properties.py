"""The properties can fail: each is broken by a wrong rule set or, where none of ours can be wrong so, by hand."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import pytest
from rig import Rig

from controller.declare import Interlock, Memory, Refusal, Row, State
from controller.our_rules import OURS
from controller.ruleset import RuleSet
from controller.words import select


def _never(_x: Any, _k: Any, m: Any) -> Any:
    return m.band > 2


def _without_row(name: str) -> RuleSet:
    def rows(parts: tuple[Row, ...]) -> tuple[Row, ...]:
        return tuple(one for one in parts if one.name != name)

    return replace(OURS, first_rows=rows(OURS.first_rows), last_rows=rows(OURS.last_rows))


def _without_refusal(reason: str) -> RuleSet:
    def kept(parts: tuple[Refusal, ...]) -> tuple[Refusal, ...]:
        # Its word stays, so that the others keep their numbers.
        return tuple(replace(one, holds=_never) if one.reason == reason else one for one in parts)

    return replace(OURS, first_refusals=kept(OURS.first_refusals), last_refusals=kept(OURS.last_refusals))


def _interlock(reason: str, **changes: Any) -> RuleSet:
    part: Interlock = next(one for one in OURS.interlocks if one.reason == reason)
    return OURS.replacing(replace(part, **changes))


def _memory(name: str, update: Callable[[Any, Any, Any], Any]) -> RuleSet:
    part: Memory = next(one for one in OURS.memory if one.name == name)
    return OURS.replacing(replace(part, update=update))


def _held(**inputs: int) -> Callable[[Rig], object]:
    return lambda rig: rig.holding().tick(**inputs)


def _fault(reason: str) -> Callable[[Rig], object]:
    def script(rig: Rig) -> None:
        rig.ready()
        if reason == "not_holding":
            rig.rolling(4_000)
            rig.until(State.APPLIED)
        for _ in range(50):
            turbine = 3_000 if reason == "implausible" else rig.inputs["turbine_rpm"]
            rig.tick(100, throttle_permille=500, turbine_rpm=turbine,
                     engine_rpm=turbine + (300 if reason == "not_holding" else 0))  # fmt: skip
        rig.rolling(3_000)
        rig.run(5_000, 100)

    return script


def _hot_offset_when_cool(rig: Rig) -> None:
    rig.ready()
    rig.rolling(3_300)
    rig.tick()


def _held_from_armed(rig: Rig) -> None:
    rig.ready()
    rig.rolling(4_000)
    rig.until(State.APPLIED)
    rig.tick(brake_on=1)


_BROKEN: list[tuple[str, RuleSet, Callable[[Rig], object]]] = [
    ("brake_opens", OURS.removing("brake"), _held(brake_on=1)),
    ("wrong_gear_opens", OURS.removing("gear"), _held(gear=1)),
    ("shift_opens", OURS.removing("shift"), _held(shift_on=1)),
    ("band_none_opens", _without_row("no_band"), _held(band_switch=0)),
    ("stall_guard_opens", OURS.removing("stall_guard"), _held(engine_rpm=800)),
    ("cold_oil_opens", OURS.removing("cold_oil"), _held(oil_temp_dc=100)),
    ("lost_signal_opens", OURS.removing("signal_lost"), _held(brake_age_ms=101)),
    ("never_in_below_release", _without_row("below_release"), _held(road_speed_ckmh=3_000)),
    ("in_only_at_engage_speed", _without_refusal("below_engage"), lambda rig: rig.ready(1, 3_000, 2)),
    ("cool_oil_engages_at_engage_speed", _memory("hot", lambda x, _k, _m: x.oil_temp_dc > 0), _hot_offset_when_cool),
    ("band_change_drops", _without_row("band_changed_under_engage"),
     lambda rig: rig.holding(1, 6_900, 4).tick(band_switch=2)),
    ("no_lugging_in", OURS.removing("lugging"),
     lambda rig: rig.ready(gear=3).tick(road_speed_ckmh=3_400, turbine_rpm=1_140)),
    ("delay_between_engagements", _without_refusal("delay"),
     lambda rig: (rig.holding().tick(gear_age_ms=999), rig.run(2_000, gear_age_ms=0))),
    ("duty_rises_by_slew", _memory("duty_ppm", lambda _x, k, m: select(m.state == 2, k.end_duty_ppm, 0)),
     lambda rig: rig.holding()),
    ("duty_falls_at_once", _memory("duty_ppm", lambda _x, _k, m: select(m.state == 2, 3_000, m.duty_ppm)),
     _held_from_armed),
    ("implausible_stays", _interlock("implausible", latches=False), _fault("implausible")),
    ("not_holding_stays", _interlock("not_holding", latches=False), _fault("not_holding")),
    ("stuck_in_stays", _interlock("stuck_in", latches=False), _fault("stuck_in")),
    ("lost_signal_judges_nothing", _interlock("implausible", trips=lambda x, _k, _m: x.turbine_rpm > 4_000),
     lambda rig: rig.ready() and [rig.tick(100, turbine_rpm=4_500, gear_age_ms=999) for _ in range(20)]),
    ("throttle_alone_keeps", _interlock("kickdown", trips=lambda x, _k, _m: x.throttle_permille > 900, confirm=0),
     _held(throttle_permille=950)),
    ("refusal_or_in", _without_refusal("arming"), lambda rig: rig.ready(1, 4_000)),
]  # fmt: skip  # a table


@pytest.mark.parametrize(("name", "rules", "script"), _BROKEN, ids=[row[0] for row in _BROKEN])
def test_a_wrong_rule_is_caught(name: str, rules: RuleSet, script: Callable[[Rig], object]) -> None:
    only = replace(rules, properties=tuple(one for one in rules.properties if one.name == name))
    with pytest.raises(AssertionError, match=name):
        script(Rig(only))


def test_ignition_off_opens_can_fail() -> None:
    # The tick itself resets the memory, so no rule of ours can be wrong here.
    prop = next(one for one in OURS.properties if one.name == "ignition_off_opens")
    good: dict[str, int] = {"duty_ppm": 0, "state": 0, "band": 0}
    off, on = SimpleNamespace(ignition_on=False), SimpleNamespace(ignition_on=True)
    assert prop.holds(None, off, None, SimpleNamespace(**good))
    for wrong in ({"duty_ppm": 1}, {"state": 1}, {"band": 1}):
        after = SimpleNamespace(**(good | wrong))
        assert not prop.holds(None, off, None, after)
        assert prop.holds(None, on, None, after)


def test_every_property_is_broken_above() -> None:
    assert {row[0] for row in _BROKEN} | {"ignition_off_opens"} == {one.name for one in OURS.properties}
