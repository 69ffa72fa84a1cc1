"""What is known of the memory in each state, against the structures of `rules.h` and against ticks from power-up."""

from __future__ import annotations

import ctypes
from random import Random

import pytest
from header_text import fields

from controller.calibration import load_calibration
from controller.declare import Interlock, State
from controller.our_rules import OURS
from controller.port.reached import Known, any_memory, places, reached_memory
from controller.port.rules_h import rules_h
from controller.ruleset import RuleSet
from controller.step import Reference


def _structure(rules: RuleSet, name: str) -> type[ctypes.Structure]:
    """Return a structure of `rules.h` as this machine's C lays it out; of bytes and words all C does it alike."""
    kinds = {"bool": ctypes.c_bool, "int32_t": ctypes.c_int32}
    laid_out = [(field, kinds[kind]) for kind, field, _ in fields(rules_h(rules), name)]
    return type(name, (ctypes.Structure,), {"_fields_": laid_out})


def _places(rules: RuleSet, name: str, structure: str) -> dict[str, tuple[str, int, int]]:
    made = _structure(rules, name)
    found = {}
    for field, *_ in made._fields_:
        at = getattr(made, field)
        found[field] = (structure, at.offset, at.size)
    return found


@pytest.mark.parametrize("more", range(5))
def test_each_field_of_the_memory_is_where_the_compiler_puts_it(more: int) -> None:
    # Each interlock has a truth value: with so many more, words begin elsewhere.
    extra = [
        Interlock(f"extra{at}", lambda x, _k, _m: x.brake_on, State.RELEASED, "extra", "by itself", f"extra {at}")
        for at in range(more)
    ]
    rules = OURS.adding(name="more", interlocks=extra)
    assert places(rules) == _places(rules, "rules_memory_t", "m")


def test_truth_values_are_0_or_1_in_every_structure() -> None:
    for known in any_memory(OURS).values():
        for structure, name in (("k", "rules_calibration_t"), ("x", "rules_inputs_t"), ("m", "rules_memory_t")):
            flags = {place for place in _places(OURS, name, structure).values() if place[2] == 1}
            assert flags
            assert {place for place in known if place[0] == structure and place[2] == 1} == flags
            assert {known[place] for place in flags} == {(0, 1)}


def test_any_memory_is_in_its_ranges_and_in_its_state() -> None:
    at, anywhere = places(OURS), any_memory(OURS)
    assert list(anywhere) == list(State)
    for state, known in anywhere.items():
        for field in OURS.memory:
            wanted = (int(state),) * 2 if field.name == "state" else (field.low, field.high)
            assert known[at[field.name]] == wanted


@pytest.fixture(scope="module")
def reached() -> dict[State, Known]:
    return reached_memory(OURS)


def test_what_is_always_so_in_a_state_is_known(reached: dict[State, Known]) -> None:
    at = places(OURS)
    # By the rules: no hold goes in or stays under the brake, and without one nothing is commanded.
    assert reached[State.APPLIED][at["brake_on"]] == reached[State.APPLIED][at["cold_oil_on"]] == (0, 0)
    assert reached[State.APPLIED][at["brake_ms"]] == (-1, -1)
    assert reached[State.APPLIED][at["hot"]] == reached[State.IDLE][at["brake_on"]] == (0, 1)
    assert reached[State.IDLE][at["duty_ppm"]] == (0, 0)
    assert reached[State.APPLIED][at["duty_ppm"]] == (0, 1_000_000)
    # A band is selected where a hold may be, and the chart has always moved for some reason.
    assert [reached[state][at["band"]] for state in State] == [(0, 2), (1, 2), (1, 2), (1, 2)]
    assert {reached[state][at["reason"]] for state in State} == {(1, len(OURS.reasons) - 1)}
    for state, known in any_memory(OURS).items():
        assert reached[state].keys() == known.keys()
        assert reached[state][at["state"]] == known[at["state"]]


def test_ticks_from_power_up_leave_what_is_known(reached: dict[State, Known]) -> None:
    at, random, seen = places(OURS), Random(1), set()
    names = [signal.name for signal in OURS.signals if signal.name != "now_ms"]
    calm = {signal.name: signal.default for signal in OURS.signals} | dict.fromkeys(
        [name for name in names if name.endswith("_age_ms")], 0
    )
    calm |= {"ignition_on": 1, "oil_temp_dc": 800, "gear": 3, "throttle_permille": 200}
    calm |= {"road_speed_ckmh": 4_000, "turbine_rpm": 1_354, "engine_rpm": 1_500, "now_ms": 0}
    ends = {signal.name: (signal.low, signal.high, signal.default) for signal in OURS.signals}
    for _ in range(12):
        controller, inputs = Reference(OURS, load_calibration("station", OURS).values), calm | {"band_switch": 0}
        for tick in range(80):
            if tick == 2:
                inputs["band_switch"] = 1
            elif tick > 20 and random.random() < 0.1:
                name = random.choice(names)
                inputs[name] = random.choice(ends[name])
            elif random.random() < 0.1:
                inputs |= calm | {"band_switch": inputs["band_switch"], "now_ms": inputs["now_ms"]}
            inputs["now_ms"] += random.choice((10, 10, 100, 1_000))
            state = State(controller.tick(inputs).state)
            seen.add(state)
            for name, value in zip(OURS.memory_names, controller.memory, strict=True):
                low, high = reached[state][at[name]]
                assert low <= value <= high, (name, state)
    assert seen == set(State)
