"""Runs that the prover finds in sets small enough to search by hand: how short, how plain, within what limits."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from itertools import pairwise, product
from types import SimpleNamespace
from typing import Any

import pytest

pytest.importorskip("z3", reason="the proof extra is not installed: pip install 'tccbench[proof]'")

import z3
from small import ASKED, DUTY, IN, calibrations, inputs, key, row, small

from controller import counterexample
from controller.calibration import default_values
from controller.counterexample import LONGEST_GAP_MS, TICK_MS, Unrolled, allow, default_fixed, shortest
from controller.declare import Memory, Relation, Signal, State
from controller.found_run import FoundRun
from controller.ruleset import RuleSet
from controller.step import Reference
from controller.tracer import trace
from controller.watch import Watch
from controller.words import minimum, not_, select

IDLE, ARMED, APPLIED, RELEASED = State

LEVEL = Signal("level", "", 1, 4, 2, "a number")
DOOR = Signal("door", "", -3, 3, -1, "a number that no rule reads")
LAMP = Signal("lamp", "", 0, 1, 1, "a truth that no rule reads", is_flag=True)

_COUNT = Memory("count", 0, 9, 0, lambda x, _k, m: select(x.asked, minimum(m.count + 1, 9), 0), "ticks asked in a row")


def _climbing() -> RuleSet:
    """Return a set that goes in by way of armed, at a level that its calibration asks for."""
    return small(
        [
            row(IDLE, ARMED, lambda x, k, _m: (x.level >= k.limit) & not_(x.asked)),
            row(ARMED, APPLIED, lambda x, _k, _m: x.asked),
            row(APPLIED, RELEASED, lambda x, k, _m: k.strict & (x.level < k.limit)),
        ],
        signals=(DOOR, ASKED, LEVEL, LAMP),
        keys=[key("limit", 2, 6, 4), key("strict", 0, 1, 1, is_flag=True), key("spare", -5, 5, 3),
              key("loose", 0, 1, 0, is_flag=True)],
        relations=[Relation("small.limit", "small.spare less 1, if loose", lambda k: (
            not_(k.loose) | (k.limit == k.spare - 1)))],
        early=[_COUNT], late=[DUTY],
    )  # fmt: skip  # a set


CLIMBING = _climbing()


def _found(target: Any, rules: RuleSet = CLIMBING, **changes: Any) -> FoundRun | None:
    run = shortest(rules, target, **({"most_ticks": 6, "seconds": 60} | changes))
    if run is not None:
        _within(run)
    return run


def _within(run: FoundRun) -> None:
    """Hold a run to the declarations: ranges, kinds, relations and times."""
    declared = [*zip(run.rules.keys, run.calibration, strict=True)]
    declared += [(one, x[one.name]) for x in run.inputs for one in run.rules.signals]
    for one, value in declared:
        assert type(value) is (bool if one.is_flag else int), one.name
        assert one.low <= value <= one.high, one.name
    assert all(relation.holds(run.calibration) for relation in run.rules.relations)
    times = [x["now_ms"] for x in run.inputs]
    assert times[0] == 0
    gaps = {then - now for now, then in pairwise(times)}
    assert gaps <= set(range(TICK_MS, LONGEST_GAP_MS + 1, TICK_MS))


# The shortest ----------------------------------------------------------------------------------------------------

Reached = Callable[[Mapping[str, int], Any], bool]
"""What is looked for, in Python: of the memory after a tick, and the calibration."""

_TARGETS: dict[str, tuple[Any, Reached]] = {
    "in": (lambda m, _k: m["m.state"] == IN, lambda m, _k: m["state"] == IN),
    "released": (lambda m, _k: m["m.state"] == int(RELEASED), lambda m, _k: m["state"] == RELEASED),
    "third asked": (lambda m, _k: m["m.count"] == 3, lambda m, _k: m["count"] == 3),
    "in, third asked": (lambda m, _k: z3.And(m["m.state"] == IN, m["m.count"] == 3),
                        lambda m, _k: m["state"] == IN and m["count"] == 3),
    "in without duty": (lambda m, _k: z3.And(m["m.state"] == IN, m["m.duty_ppm"] == 0),
                        lambda m, _k: m["state"] == IN and m["duty_ppm"] == 0),
    "released at the lowest limit": (lambda m, k: z3.And(m["m.state"] == int(RELEASED), k("limit") == 2),
                                     lambda m, k: m["state"] == RELEASED and k.limit == 2),
    "in at the highest level": (lambda m, k: z3.And(m["m.state"] == IN, k("limit") == 4),
                                lambda m, k: m["state"] == IN and k.limit == 4),
    "in over it": (lambda m, k: z3.And(m["m.state"] == IN, k("limit") == 5),
                   lambda m, k: m["state"] == IN and k.limit == 5),
}  # fmt: skip  # a pair a target


def _fewest_ticks(reached: Reached, most: int) -> int | None:
    """Return after how many ticks from power-up a target is first reached, by trying every input at every memory."""
    fewest: int | None = None
    every = inputs(CLIMBING, {"door": (-1,)}, gaps_ms=(0,))
    for k in calibrations(CLIMBING, {"limit": (2, 4, 5), "spare": (3,), "loose": (0,)}):
        watch = Watch(CLIMBING, k)
        front = {watch.memory}
        for ticks in range(1, (most if fewest is None else fewest - 1) + 1):
            then: set[tuple[int, ...]] = set()
            for memory, x in product(front, every):
                watch.memory = memory
                watch.tick(x)
                then.add(watch.memory)
            if any(reached(dict(zip(CLIMBING.memory_names, memory, strict=True)), k) for memory in then):
                fewest = ticks
                break
            front = then
    return fewest


@pytest.mark.parametrize("name", _TARGETS)
def test_it_is_the_shortest_there_is(name: str) -> None:
    target, reached = _TARGETS[name]
    fewest = _fewest_ticks(reached, 5)
    run = _found(lambda moments: target(moments[-1].after(), moments[-1].encoder.key), most_ticks=5)
    assert (run and len(run.inputs)) == fewest
    if run is None:
        return
    # The rules themselves, read from their chart, get there at the last tick and not before.
    reference = Reference(CLIMBING, run.calibration)
    there = []
    for x in run.inputs:
        reference.tick(x)
        there.append(reached(dict(zip(CLIMBING.memory_names, reference.memory, strict=True)), run.calibration))
    assert there == [False] * (len(there) - 1) + [True]


@pytest.mark.parametrize("name", ["limit", "strict", "spare", "loose", "level", "door", "ignition_on"])
def test_keys_and_signals_are_anywhere_in_their_ranges_and_nowhere_else(name: str) -> None:
    declared = {one.name: one for one in (*CLIMBING.keys, *CLIMBING.signals)}[name]

    def at(value: int, ticks: int) -> Any:
        def target(moments: Sequence[Any]) -> Any:
            inside = len(moments) == ticks
            named = moments[-1].inputs.get(f"x.{name}")
            formula = moments[-1].encoder.key(name) if named is None else named
            return z3.And(inside, formula == (bool(value) if declared.is_flag else value))

        return target

    for value in (declared.low, declared.high):
        for ticks in (1, 2):
            run = _found(at(value, ticks), most_ticks=2)
            assert run is not None
            assert {**run.inputs[-1], **run.calibration._asdict()}[name] == value
    if not declared.is_flag:
        for value in (declared.low - 1, declared.high + 1):
            assert _found(lambda moments, v=value: z3.Or(at(v, 1)(moments), at(v, 2)(moments)), most_ticks=2) is None


def test_keys_are_within_their_relations() -> None:
    def at(spare: int) -> Any:
        return lambda moments: z3.And(moments[-1].encoder.key("loose"), moments[-1].encoder.key("spare") == spare)

    # Loose, the limit of 2 or more is under the spare number.
    assert _found(at(2)) is None
    run = _found(at(3))
    assert run is not None
    assert run.calibration.limit == 2


def test_a_model_need_not_name_what_does_not_matter() -> None:
    unrolled = Unrolled(trace(CLIMBING), {})
    unrolled.extend()
    nothing = z3.Solver()
    nothing.check()
    run = unrolled.run_of(nothing.model())
    assert all(type(x[one.name]) is (bool if one.is_flag else int) for x in run.inputs for one in CLIMBING.signals)
    assert all(type(value) is (bool if one.is_flag else int)
               for one, value in zip(CLIMBING.keys, run.calibration, strict=True))  # fmt: skip  # one condition


# The clock -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("at", "now_ms", "possible"),
    [
        (1, 0, True), (1, 10, False), (2, 0, False), (2, 10, True), (2, 15, False), (2, 20, True), (2, 1_000, True),
        (2, 1_010, False), (3, 10, False), (3, 20, True), (3, 2_000, True), (3, 2_010, False),
    ],
)  # fmt: skip  # three a line
def test_ticks_are_whole_drive_ticks_apart_and_a_second_at_most(at: int, now_ms: int, possible: bool) -> None:
    assert (TICK_MS, LONGEST_GAP_MS) == (10, 1_000)
    run = _found(lambda moments: z3.And(len(moments) == at, moments[-1].inputs["x.now_ms"] == now_ms), most_ticks=3)
    assert (run is not None) == possible
    if run is not None:
        assert (len(run.inputs), run.inputs[-1]["now_ms"]) == (at, now_ms)


# As plain as it gets ---------------------------------------------------------------------------------------------


def _inputs(*changes: Mapping[str, int]) -> tuple[dict[str, int], ...]:
    x: dict[str, int] = {one.name: bool(one.default) if one.is_flag else one.default for one in CLIMBING.signals}
    run = []
    for at, change in enumerate(changes):
        x = {**x, "now_ms": at * TICK_MS, **change}
        run.append(x)
    return tuple(run)


_PLAIN: list[tuple[Any, dict[str, int], tuple[dict[str, int], ...]]] = [
    # What differs from the defaults is what the target needs; the level has to reach the limit of 4.
    (lambda m: m.after()["m.state"] == IN, {}, _inputs({"level": 4}, {"asked": True})),
    (lambda m: z3.And(m.after()["m.state"] == int(RELEASED), m.inputs["x.level"] == 3), {},
     _inputs({"level": 4}, {"asked": True}, {"level": 3})),
    (lambda m: z3.And(m.after()["m.state"] == IN, m.encoder.key("limit") == 3, m.encoder.key("loose")),
     {"limit": 3, "loose": True, "spare": 4}, _inputs({"level": 3}, {"asked": True})),
    (lambda m: z3.And(m.after()["m.state"] == IN, m.inputs["x.now_ms"] == 200), {},
     _inputs({"level": 4}, {"asked": True, "now_ms": 200})),
    (lambda m: z3.And(m.after()["m.count"] == 2, m.inputs["x.door"] == 2, z3.Not(m.inputs["x.lamp"])), {},
     _inputs({"asked": True, "door": 2, "lamp": False}, {})),
]  # fmt: skip  # a target a paragraph


@pytest.mark.parametrize("at", range(len(_PLAIN)))
def test_what_is_not_needed_stands_at_its_default_and_stays(at: int) -> None:
    target, keys, expected = _PLAIN[at]
    run = _found(lambda moments: target(moments[-1]))
    assert run is not None
    assert run.calibration._asdict() == default_values(CLIMBING)._asdict() | keys
    assert run.inputs == expected


def test_unless_nobody_will_read_it() -> None:
    rough = _found(lambda moments: moments[-1].after()["m.state"] == IN, plain=False)
    assert rough is not None
    assert rough.calibration != default_values(CLIMBING)


# Keys that multiply an unknown -----------------------------------------------------------------------------------


def _scaled() -> RuleSet:
    """Return a set that goes in where the level times a factor of the calibration is a given number."""
    return small(
        [row(IDLE, APPLIED, lambda x, k, _m: (x.level * k.factor == k.number) & x.asked)],
        signals=(ASKED, LEVEL), keys=[key("factor", 2, 7, 3), key("number", 0, 100, 50)],
    )  # fmt: skip  # a set


def test_keys_that_multiply_stand_where_they_are_fixed() -> None:
    rules = _scaled()
    assert default_fixed(rules, trace(rules)) == {"factor": 3}

    def at(number: int) -> Any:
        return lambda moments: z3.And(moments[-1].after()["m.state"] == IN, moments[-1].encoder.key("number") == number)

    # Levels are 1 to 4: three times one of them, then seven times.
    for fixed, number, level in ((None, 9, 3), (None, 12, 4), ({"factor": 7}, 21, 3), ({"factor": 7}, 28, 4)):
        run = _found(at(number), rules, fixed=fixed)
        assert run is not None
        assert (run.calibration.factor, run.inputs[-1]["level"]) == (7 if fixed else 3, level)
        assert run.replayed()[-1][1].state == IN
    assert _found(at(10), rules) is None
    assert _found(at(8), rules, fixed={"factor": 7}) is None
    # Free, a product is no more than a number that no product's law forbids: what is found may not be true.
    free = _found(at(23), rules, fixed={})
    assert free is not None
    assert free.replayed()[-1][1].state != IN


# Limits ----------------------------------------------------------------------------------------------------------


def test_no_more_ticks_than_given() -> None:
    def target(moments: Sequence[Any]) -> Any:
        return moments[-1].after()["m.count"] == 3

    assert _found(target, most_ticks=2) is None
    assert _found(target, most_ticks=3) is not None
    assert _found(target, most_ticks=0) is None


@pytest.mark.parametrize(
    ("seconds", "allowed_ms"),
    [(2.5, 2_500), (1, 1_000), (0.002, 2), (0.001, 1), (0.0004, 1), (0, 1), (-3, 1)],
)
def test_a_question_takes_a_millisecond_at_least(seconds: float, allowed_ms: int) -> None:
    # For the solver 0 ms are no limit at all.
    told: list[tuple[str, int]] = []
    allow(SimpleNamespace(set=lambda *words: told.append(words)), seconds)
    assert told == [("timeout", allowed_ms)]


class _Clock:
    """A clock that moves on by a step whenever it is read."""

    def __init__(self, step_s: float) -> None:
        self.now_s, self.step_s = 1_000.0, step_s

    def monotonic(self) -> float:
        self.now_s += self.step_s
        return self.now_s


def _asked_for(monkeypatch: pytest.MonkeyPatch, step_s: float, seconds: float) -> tuple[FoundRun | None, list[float]]:
    """Return the run found that is in at its second tick, by a clock of that step, and the seconds of each question."""
    asked: list[float] = []
    check = Unrolled.check

    def recorded(self: Unrolled, formula: Any, *also: Any, seconds: float) -> Any:
        asked.append(seconds)
        return check(self, formula, *also, seconds=60)

    monkeypatch.setattr(counterexample, "time", _Clock(step_s))
    monkeypatch.setattr(Unrolled, "check", recorded)
    return _found(
        lambda moments: z3.And(len(moments) == 2, moments[-1].after()["m.state"] == IN), seconds=seconds
    ), asked


def test_a_search_stops_with_its_time(monkeypatch: pytest.MonkeyPatch) -> None:
    # A second passes before each question, the last of which is asked with more than none left.
    assert _asked_for(monkeypatch, 1, 1) == (None, [])
    assert _asked_for(monkeypatch, 1, 2) == (None, [1])
    run, asked = _asked_for(monkeypatch, 1, 4)
    assert run is not None
    assert asked == [3, 2, 1]  # two for the run, and of half the time a second to make it plain
    assert _asked_for(monkeypatch, 1, 8)[1] == [7, 6, 3, 2, 1]


def test_making_it_plain_takes_half_of_the_time(monkeypatch: pytest.MonkeyPatch) -> None:
    run, asked = _asked_for(monkeypatch, 0, 8)
    assert run is not None
    assert asked[:2] == [8, 8]
    assert set(asked[2:]) == {4}
    assert _asked_for(monkeypatch, 0, 0) == (None, [])
