"""Runs that the prover finds: the shortest, at times a drive can repeat, plain to read, and true of the rules."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import pytest

pytest.importorskip("z3", reason="the proof extra is not installed: pip install 'tccbench[proof]'")

import z3
from planted import interlock
from rig import calibration

from controller.calibration import default_values
from controller.counterexample import LONGEST_GAP_MS, TICK_MS, default_fixed, shortest
from controller.declare import State
from controller.encode import Moment, keys_in_products
from controller.found_run import FoundRun
from controller.our_rules import OURS
from controller.still import changes_while_still
from controller.tracer import trace

IN = int(State.APPLIED)
SHORTEST_TO_IN = 3
"""The switch as it is found, turned, and a tick with the band on."""


def _is_in(moments: Sequence[Moment]) -> Any:
    return moments[-1].command("state") == IN


def _states(run: FoundRun) -> list[int]:
    return [command.state for _x, command, _broken in run.replayed()]


def _found(target: Any = _is_in, **changes: Any) -> FoundRun:
    run = shortest(OURS, target, **({"most_ticks": 6, "seconds": 120} | changes))
    assert run is not None
    return run


@pytest.fixture(scope="module")
def plain() -> FoundRun:
    return _found()


def test_it_is_the_shortest_and_the_rules_bear_it_out(plain: FoundRun) -> None:
    assert len(plain.inputs) == SHORTEST_TO_IN
    assert [state == IN for state in _states(plain)] == [False] * (SHORTEST_TO_IN - 1) + [True]
    assert all(relation.holds(plain.calibration) for relation in OURS.relations)
    assert all(signal.low <= x[signal.name] <= signal.high for x in plain.inputs for signal in OURS.signals
               if not signal.is_flag)  # fmt: skip  # one condition


def test_no_more_ticks_and_no_more_time_than_given() -> None:
    assert shortest(OURS, _is_in, most_ticks=SHORTEST_TO_IN - 1, seconds=120) is None
    assert shortest(OURS, _is_in, most_ticks=SHORTEST_TO_IN, seconds=0) is None
    assert len(_found(most_ticks=SHORTEST_TO_IN, plain=False).inputs) == SHORTEST_TO_IN


def test_it_is_as_plain_as_it_gets(plain: FoundRun) -> None:
    assert plain.calibration == default_values(OURS)
    assert [x["now_ms"] for x in plain.inputs] == [0, TICK_MS, 2 * TICK_MS]
    # The switch is turned; whatever else differs from a signal's default differs for good.
    for signal in OURS.signals:
        seen = [x[signal.name] for x in plain.inputs]
        if signal.name not in ("now_ms", "band_switch"):
            assert len(set(seen)) == 1, signal.name
    at_default = [one.name for one in OURS.signals if plain.inputs[0][one.name] == one.default]
    assert {"brake_on", "shift_on", "throttle_permille", "band_switch", "gear_age_ms"} <= set(at_default)


def test_without_the_wish_nobody_makes_it_plain() -> None:
    rough = _found(plain=False)
    assert rough.calibration != default_values(OURS)
    assert _states(rough)[-1] == IN


def test_ticks_stand_where_a_drive_can_repeat_them() -> None:
    assert TICK_MS == 10  # a drive's own
    late_ms = 2 * LONGEST_GAP_MS

    def late(moments: Sequence[Moment]) -> Any:
        return z3.And(_is_in(moments), moments[-1].inputs["x.now_ms"] >= late_ms)

    run = _found(late)
    times = [x["now_ms"] for x in run.inputs]
    assert times == [0, LONGEST_GAP_MS, late_ms]  # the longest gaps, as no tick more is needed
    assert all(time % TICK_MS == 0 for time in times)
    assert shortest(OURS, lambda moments: z3.And(late(moments), moments[-1].inputs["x.now_ms"] > late_ms),
                    most_ticks=SHORTEST_TO_IN, seconds=120) is None  # fmt: skip  # one question
    assert shortest(OURS, lambda moments: z3.And(_is_in(moments), moments[-1].inputs["x.now_ms"] < 2 * TICK_MS),
                    most_ticks=SHORTEST_TO_IN, seconds=120) is None  # fmt: skip  # as above


def test_keys_that_multiply_an_unknown_stand_at_their_defaults_or_as_given() -> None:
    program = trace(OURS)
    fixed = default_fixed(OURS, program)
    defaults = default_values(OURS)
    assert fixed == {name: getattr(defaults, name) for name in keys_in_products(OURS, program)}
    rough = _found(plain=False)
    assert all(getattr(rough.calibration, name) == value for name, value in fixed.items())
    given = _found(fixed={**fixed, "low_engage_ckmh": 5_000, "high_engage_ckmh": 15_000}, plain=False)
    assert (given.calibration.low_engage_ckmh, given.calibration.high_engage_ckmh) == (5_000, 15_000)
    x = given.inputs[-1]
    assert x["road_speed_ckmh"] * given.calibration.tyre_scale_permille >= (
        (5_000 if x["band_switch"] == 1 else 15_000) - given.calibration.hot_engage_offset_ckmh) * 1_000  # fmt: skip


# How often the clutch changes while nothing else does ---------------------------------------------------------

_X = {signal.name: signal.default for signal in OURS.signals} | {
    "ignition_on": True, "band_switch": 0, "gear": 2, "road_speed_ckmh": 4_000, "turbine_rpm": 1_805,
    "engine_rpm": 2_400, "oil_temp_dc": 800}  # fmt: skip  # a drive in second gear, switch at none


def _run(*ticks: tuple[int, dict[str, int]], **k: Any) -> FoundRun:
    x, inputs = dict(_X), []
    for now_ms, changes in ticks:
        x = x | changes | {"now_ms": now_ms}
        inputs.append(x)
    return FoundRun(OURS, calibration(**k), tuple(inputs))


def test_time_alone_is_no_change_of_inputs() -> None:
    in_at_once = [(0, {}), (10, {"band_switch": 1}), (20, {}), (30, {})]
    assert changes_while_still(_run(*in_at_once[:2])) == 0
    assert changes_while_still(_run(*in_at_once[:3])) == 1
    assert changes_while_still(_run(*in_at_once)) == 1


def test_the_count_begins_anew_with_the_inputs() -> None:
    begins = [(0, {}), (10, {"band_switch": 1}), (20, {})]
    assert changes_while_still(_run(*begins, (30, {"throttle_permille": 210}))) == 0
    assert changes_while_still(_run(*begins, (30, {"brake_on": True}))) == 1
    assert changes_while_still(_run(*begins, (30, {"brake_on": True}), (40, {}))) == 1
    assert changes_while_still(_run(*begins, (30, {"brake_on": True}), (40, {"brake_on": False}))) == 0


def test_a_latched_faults_end_does_not_count() -> None:
    # Full duty in 1 s, then the slip above its limit for 2.5 s.
    ticks = [(0, {}), (10, {"band_switch": 1}), *((ms, {}) for ms in range(20, 9_000, 500))]
    run = _run(*ticks)
    states = _states(run)
    assert IN in states
    assert states[-1] != IN
    assert changes_while_still(run) == 1
    # The same rules with a fault that does not latch: out, and in again.
    rules = OURS.replacing(replace(interlock("not_holding"), latches=False, settle=1_000))
    assert changes_while_still(FoundRun(rules, run.calibration, run.inputs)) > 2
