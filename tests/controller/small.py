"""Rule sets so small that every memory, input and calibration can be tried one after another."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import product
from typing import Any

from controller.calibration import values_type
from controller.declare import History, Interlock, Key, Lamp, Memory, Property, Refusal, Relation, Row, Signal, State
from controller.ruleset import RuleSet
from controller.watch import Watch
from controller.words import select

IN = int(State.APPLIED)

NOW = Signal("now_ms", "ms", 0, 2**31 - 1, 0, "time")
IGNITION = Signal("ignition_on", "", 0, 1, 1, "ignition is on", is_flag=True)
ASKED = Signal("asked", "", 0, 1, 0, "the driver asks for a hold", is_flag=True)
LEVEL = Signal("level", "", 0, 3, 0, "a number of the vehicle")

_BAND = Memory("band", 0, 0, 0, lambda _x, _k, m: m.band, "no band is told apart")
DUTY = Memory("duty_ppm", 0, 1, 0, lambda _x, _k, m: select(m.state == IN, 1, 0), "duty while it is in")


def row(source: State, destination: State, condition: Any, name: str = "moves", reason: str = "moved") -> Row:
    return Row(source, destination, name, condition, reason)


def small(
    rows: Sequence[Row],
    *,
    signals: Sequence[Signal] = (ASKED,),
    keys: Sequence[Key] = (),
    relations: Sequence[Relation] = (),
    early: Sequence[Memory] = (),
    interlocks: Sequence[Interlock] = (),
    late: Sequence[Memory] = (DUTY,),
    refusals: Sequence[Refusal] = (),
    lamps: Sequence[Lamp] = (),
    properties: Sequence[Property] = (),
    histories: Sequence[History] = (),
) -> RuleSet:
    """Return a set of these parts and of what every tick needs: a clock, the ignition, a band and a duty."""
    return RuleSet(
        "small", "1", (NOW, IGNITION, *signals), tuple(keys), tuple(relations), (_BAND, *early), tuple(interlocks),
        tuple(late), (), tuple(refusals), (), tuple(rows), tuple(lamps), tuple(properties), tuple(histories),
    )  # fmt: skip  # in the order of the declaration


def cycle(*states: State) -> RuleSet:
    """Return a set that goes round these states while it is asked, one a tick."""
    pairs = zip(states, (*states[1:], states[0]), strict=True)
    return small([row(now, then, lambda x, _k, _m: x.asked) for now, then in pairs])


def key(name: str, low: int, high: int, default: int, is_flag: bool = False) -> Key:
    return Key(name, f"small.{name}", 1, low, high, default, "a number of the calibration", is_flag)


def calibrations(rules: RuleSet, values: Mapping[str, Sequence[int]] | None = None) -> Iterator[Any]:
    """Yield every calibration that the relations allow; `values` names those of a key that is tried with few."""
    ranges = [(values or {}).get(one.name, range(one.low, one.high + 1)) for one in rules.keys]
    for chosen in product(*ranges):
        k = values_type(rules)(*(bool(v) if one.is_flag else v for one, v in zip(rules.keys, chosen, strict=True)))
        if all(relation.holds(k) for relation in rules.relations):
            yield k


def fields_of(rules: RuleSet) -> list[Any]:
    """Return the fields of the memory, then those of the histories."""
    return [*rules.memory, *(one for history in rules.histories for one in history.keeps)]


def names_of_fields(rules: RuleSet) -> list[str]:
    """Return the names that the prover gives these fields."""
    kept = [f"h.{history.name}.{one.name}" for history in rules.histories for one in history.keeps]
    return [*(f"m.{name}" for name in rules.memory_names), *kept]


def memories(rules: RuleSet, values: Mapping[str, Sequence[int]]) -> Iterator[dict[str, int]]:
    """Yield every memory within the ranges, at time 0; fields of many values have those in `values`."""
    names = names_of_fields(rules)
    for chosen in product(*(_tried(one, {**values, "now_ms": (0,)}) for one in fields_of(rules))):
        yield dict(zip(names, chosen, strict=True))


def inputs(
    rules: RuleSet, values: Mapping[str, Sequence[int]] | None = None, gaps_ms: Sequence[int] = (10,)
) -> list[dict[str, int]]:
    """Return all inputs within the ranges; signals of many values have those in `values`, the clock the gaps."""
    tried = [_tried(one, {**(values or {}), "now_ms": gaps_ms}) for one in rules.signals]
    return [dict(zip((one.name for one in rules.signals), chosen, strict=True)) for chosen in product(*tried)]


def ticks(
    rules: RuleSet, k: Any, values: Mapping[str, Sequence[int]], gaps_ms: Sequence[int] = (10,)
) -> Iterator[tuple[dict[str, int], dict[str, int], dict[str, int]]]:
    """Yield memory before, inputs and memory after, for all of `memories` and `inputs`."""
    watch = Watch(rules, k)
    names, of_rules = names_of_fields(rules), len(rules.memory)
    all_inputs = inputs(rules, values, gaps_ms)
    for before in memories(rules, values):
        was = tuple(before.values())
        for x in all_inputs:
            watch.memory, watch.fields = was[:of_rules], was[of_rules:]
            watch.tick(x)
            yield before, x, dict(zip(names, (*watch.memory, *watch.fields), strict=True))


def _tried(one: Any, values: Mapping[str, Sequence[int]]) -> Sequence[int]:
    if one.is_flag:
        return (False, True)
    return values.get(one.name, range(one.low, one.high + 1))
