"""What the memory can be in each state of the chart: in its ranges, and after any number of ticks from power-up.

Truth values of all structures are 0 or 1: C promises that to the compiler as well. What ticks from power-up leave is
proved by induction (`controller.invariants`): for each state, a truth value that stays false or a number
that stays what it is or keeps away from its low end.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace

from controller.declare import State
from controller.port.one_way import Place
from controller.port.rules_c import transient_fields
from controller.ruleset import RuleSet

Known = Mapping[Place, tuple[int, int]]
"""Places and the interval in which each lies."""


def places(rules: RuleSet) -> dict[str, Place]:
    """Return where the compiler puts each field of the memory."""
    fields = [(field.name, field.is_flag) for field in rules.memory]
    fields += [(name, is_flag) for name, is_flag, _ in transient_fields(rules)]
    return _laid_out("m", fields)


def _laid_out(structure: str, fields: Iterable[tuple[str, bool]]) -> dict[str, Place]:
    # Truth values of a byte first, then words, as `rules.h` declares them.
    flags: list[str] = []
    numbers: list[str] = []
    for name, is_flag in fields:
        (flags if is_flag else numbers).append(name)
    words_from = (len(flags) + 3) // 4 * 4
    found = {name: (structure, at, 1) for at, name in enumerate(flags)}
    return found | {name: (structure, words_from + 4 * at, 4) for at, name in enumerate(numbers)}


def any_memory(rules: RuleSet) -> dict[State, Known]:
    """Return for each state what is known of any memory in its ranges."""
    at = places(rules)
    of_inputs = _laid_out("x", ((one.name, one.is_flag) for one in rules.signals))
    of_calibration = _laid_out("k", ((one.name, one.is_flag) for one in rules.keys))
    known = {place: (0, 1) for place in (*at.values(), *of_inputs.values(), *of_calibration.values()) if place[2] == 1}
    known |= {at[field.name]: (field.low, field.high) for field in rules.memory}
    return {state: known | {at["state"]: (int(state), int(state))} for state in State}


def reached_memory(rules: RuleSet) -> dict[State, Known]:
    """Return for each state what is known of the memory that ticks from power-up leave."""
    from controller.encode import Encoder
    from controller.invariants import find
    from controller.tracer import trace

    at = places(rules)
    claims: dict[str, tuple[State, str, tuple[int, int]]] = {}
    for state in State:
        for field in rules.memory:
            name = f"{state.word}: m.{field.name}"
            if field.is_flag:
                claims[f"{state.word}: not m.{field.name}"] = (state, field.name, (0, 0))
            else:
                claims[f"{name} = {field.initial}"] = (state, field.name, (field.start, field.start))
                claims[f"{name} not {field.low}"] = (state, field.name, (field.low + 1, field.high))
    plain = replace(rules, properties=(), histories=())
    known = {state: dict(intervals) for state, intervals in any_memory(rules).items()}
    for text in find(Encoder(trace(plain)), claims):
        state, name, interval = claims[text]
        # A field that is always the same says more than one that keeps away from its low end.
        low, high = known[state][at[name]]
        known[state][at[name]] = (max(low, interval[0]), min(high, interval[1]))
    return dict(known)
