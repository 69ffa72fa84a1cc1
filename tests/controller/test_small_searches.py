"""The proof against a search by hand: drawn properties and drawn charts, tried at every tick that can be reached."""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Callable
from typing import Any

import pytest

pytest.importorskip("z3", reason="the proof extra is not installed: pip install 'tccbench[proof]'")

from small import ASKED, DUTY, IN, calibrations, inputs, key, row, small

from controller.declare import Interlock, Memory, Property, Refusal, Signal, State
from controller.proof import Effort, Proof
from controller.ruleset import RuleSet
from controller.watch import Watch
from controller.words import not_, select

IDLE, ARMED, APPLIED, RELEASED = State

_HOLDS = Callable[[Any, Any, Any, Any], Any]

_MOST = 7
"""No memory of the set needs more ticks; one more finds nothing new."""

_SAYINGS: list[_HOLDS] = [
    *(lambda b, _x, _k, _a, s=int(state): b.state == s for state in State),
    *(lambda _b, _x, _k, a, s=int(state): a.state == s for state in State),
    *(lambda _b, x, _k, _a, n=n: x.level < n for n in (2, 3)),
    *(lambda b, _x, _k, _a, n=n: b.mark == n for n in (0, 1, 2)),
    *(lambda _b, _x, _k, a, n=n: a.mark < n for n in (1, 2)),
    lambda _b, x, _k, _a: x.asked,
    lambda _b, x, _k, _a: x.ignition_on,
    lambda _b, x, k, _a: x.level < k.limit,
    lambda b, _x, _k, a: a.mark == b.mark,
    lambda _b, _x, k, a: a.mark < k.limit,
    lambda b, _x, _k, _a: b.high_on,
    lambda _b, _x, _k, a: a.high_on,
    lambda b, _x, _k, _a: b.duty_ppm == 1,
    lambda _b, _x, _k, a: a.duty_ppm == 1,
    lambda _b, _x, _k, a: a.refusal == 0,
]


def _one_of(first: _HOLDS, second: _HOLDS, third: _HOLDS) -> _HOLDS:
    return lambda b, x, k, a: first(b, x, k, a) | second(b, x, k, a) | third(b, x, k, a)


def _turned(saying: _HOLDS) -> _HOLDS:
    return lambda b, x, k, a: not_(saying(b, x, k, a))


def _drawn(count: int) -> list[Property]:
    """Return that many properties, each "this, that or the third", some turned round."""
    draw = random.Random(7)
    found = []
    for at in range(count):
        three = [_turned(one) if draw.random() < 0.5 else one for one in draw.sample(_SAYINGS, 3)]
        found.append(Property(f"drawn_{at}", "drawn", _one_of(*three)))
    return found


def _set(properties: list[Property]) -> RuleSet:
    """Return a set that counts its ways in, up to two, and comes out at a high level until it is low again."""
    mark = Memory("mark", 0, 2, 0, lambda _x, _k, m: select(
        (m.state == IN) & (m.duty_ppm == 0) & (m.mark < 2), m.mark + 1, m.mark), "ways in")  # fmt: skip  # one field
    high = Interlock("high", lambda x, k, m: x.level > select(m.high_on, 1, k.limit), State.RELEASED,
                     "a high level", "by itself", "high")  # fmt: skip  # one interlock
    return small(
        [
            row(APPLIED, IDLE, lambda x, _k, _m: not_(x.asked)),
            row(IDLE, ARMED, lambda x, _k, _m: x.asked & x.ignition_on),
            row(ARMED, APPLIED, lambda _x, _k, m: not_(m.refused)),
            row(RELEASED, ARMED, lambda x, _k, m: not_(m.bars_released) & x.asked),
        ],
        signals=(ASKED, Signal("level", "", 1, 3, 1, "a number")), keys=[key("limit", 1, 2, 2)],
        interlocks=[high], late=[mark, DUTY], properties=properties,
    )  # fmt: skip  # a set


def _broken_by_hand(rules: RuleSet) -> dict[str, int]:
    """Return which properties fail and after how many ticks at the earliest, by trying every input at every memory."""
    found: dict[str, int] = {}
    every = inputs(rules, gaps_ms=(0,))
    for k in calibrations(rules):
        watch = Watch(rules, k)
        front, seen = {watch.memory}, {watch.memory}
        ticks = 0
        while front:
            ticks += 1
            then: set[tuple[int, ...]] = set()
            for memory in front:
                for x in every:
                    watch.memory = memory
                    _command, broken = watch.tick(x)
                    then.add(watch.memory)
                    for name in broken:
                        found[name] = min(ticks, found.get(name, ticks))
            front = then - seen
            seen |= then
        assert ticks <= _MOST + 1
    return found


def test_what_is_drawn_is_broken_where_it_fails_and_there_alone() -> None:
    rules = _set(_drawn(90))
    by_hand = _broken_by_hand(rules)
    proof = Proof(rules, Effort(most_ticks=_MOST + 1, plain=False))
    outcomes: Counter[str] = Counter()
    for prop in rules.properties:
        if by_hand.get(prop.name, 9) == 1 and outcomes["broken"] > 9:
            continue  # most fail at the first tick, which is quickly seen
        verdict = proof.ask(prop.name)
        outcomes[verdict.outcome] += 1
        assert (verdict.run and len(verdict.run.inputs)) == by_hand.get(prop.name), prop.name
    # Every property that holds was proved, and there were enough of both.
    assert outcomes.keys() == {"proved", "broken"}
    assert min(outcomes.values()) > 8
    assert len(set(by_hand.values())) > 3


# Chatter ---------------------------------------------------------------------------------------------------------

_GROUNDS: list[Callable[[Any, Any, Any], Any]] = [
    lambda x, _k, _m: x.asked,
    lambda x, _k, _m: not_(x.asked),
    lambda x, _k, _m: x.high,
    lambda x, _k, _m: not_(x.high),
    lambda _x, _k, m: m.was_high,
    lambda _x, _k, m: not_(m.was_high),
    lambda x, _k, m: x.high & not_(m.was_high),
    lambda _x, _k, m: m.refused,
    lambda _x, _k, m: not_(m.refused),
    lambda _x, _k, m: not_(m.refused),
]


def _drawn_chart(draw: random.Random) -> RuleSet:
    """Return a set with one or two rows a state, any grounds for moving and for refusing, and perhaps a fault."""
    rows = [
        row(source, draw.choice([state for state in State if state is not source]), draw.choice(_GROUNDS))
        for source in State
        for _ in range(draw.choice((1, 1, 2)))
    ]
    refusals = [Refusal(f"ground_{at}", draw.choice(_GROUNDS[:6]), "") for at in range(2)]
    off = Refusal("off", lambda x, _k, _m: not_(x.ignition_on), "off")
    fault = Interlock("fault", draw.choice(_GROUNDS[:4]), draw.choice([State.IDLE, State.RELEASED]), "a fault", "", "",
                      latches=draw.random() < 0.5)  # fmt: skip  # one interlock
    was_high = Memory("was_high", 0, 1, 0, lambda x, _k, _m: x.high, "high at the last tick", is_flag=True)
    return small(
        rows, signals=(ASKED, Signal("high", "", 0, 1, 0, "a high level", is_flag=True)), refusals=[off, *refusals],
        interlocks=[fault] if draw.random() < 0.5 else [], late=[was_high, DUTY],
    )  # fmt: skip  # a set


def _chatter_by_hand(rules: RuleSet, most: int) -> int | None:
    """Return after how many ticks at the earliest there have been two changes since the inputs last changed."""
    watch = Watch(rules, ())
    latching = [rules.memory_names.index(one.on) for one in rules.interlocks if one.latches]
    state = rules.memory_names.index("state")
    every = [tuple(x.values()) for x in inputs(rules, gaps_ms=(0,))]
    names = [one.name for one in rules.signals]
    front: set[tuple[Any, Any, int]] = {(watch.memory, None, 0)}
    seen = set(front)
    for ticks in range(1, most + 1):
        then: set[tuple[Any, Any, int]] = set()
        for memory, last, count in front:
            for x in every:
                watch.memory = memory
                watch.tick(dict(zip(names, x, strict=True)))
                after = watch.memory
                is_in = after[state] == IN
                faulted = not is_in and any(after[at] for at in latching)
                changed = (memory[state] == IN) != is_in and not faulted
                then.add((after, x, (count if x == last else 0) + changed))
        if any(count == 2 for _memory, _x, count in then):
            return ticks
        front = then - seen
        seen |= then
    return None


def test_drawn_charts_chatter_where_the_proof_says_so() -> None:
    draw = random.Random(11)
    outcomes: Counter[str] = Counter()
    for _ in range(14):
        rules = _drawn_chart(draw)
        by_hand = _chatter_by_hand(rules, 30)
        verdict = Proof(rules, Effort(most_ticks=6, plain=False)).ask("no_chatter")
        outcomes[verdict.outcome] += 1
        if verdict.outcome == "open":  # what never chatters need not be provable by induction
            assert by_hand is None or by_hand > 6
        else:
            assert (verdict.run and len(verdict.run.inputs)) == by_hand
    assert outcomes["broken"] > 3
    assert outcomes["proved"] > 1
