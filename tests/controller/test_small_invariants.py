"""What is guessed of the memory, and what of it is kept: against a search by hand over every memory and input."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from itertools import product
from typing import Any

import pytest

pytest.importorskip("z3", reason="the proof extra is not installed: pip install 'tccbench[proof]'")

import z3
from small import DUTY, IN, calibrations, fields_of, key, memories, names_of_fields, row, small, ticks

from controller.declare import TIMER_MAX_MS, History, Interlock, Memory, Observed, Property, Signal, State
from controller.encode import Encoder
from controller.invariants import find
from controller.ruleset import RuleSet
from controller.tracer import trace
from controller.words import maximum, minimum, not_, select

Truth = Callable[[Mapping[str, int], Any], bool]
"""A claim in Python: of a memory by its fields' names, and a calibration."""

IDLE, ARMED, APPLIED, RELEASED = State
_STATES = {state.word: int(state) for state in State}


def _of_field(states: Sequence[str], name: str, values: Sequence[int]) -> dict[str, Truth]:
    """Return the guesses "in this state the field has, or has not, this value"."""
    claims: dict[str, Truth] = {}
    for word in states:
        for value in values:
            at = _STATES[word]
            claims[f"{word}: {name} = {value}"] = lambda m, _k, at=at, v=value: m["m.state"] != at or m[name] == v
            claims[f"{word}: {name} not {value}"] = lambda m, _k, at=at, v=value: m["m.state"] != at or m[name] != v
    return claims


def _of_flag(states: Sequence[str], name: str) -> dict[str, Truth]:
    claims: dict[str, Truth] = {}
    for word in states:
        at = _STATES[word]
        claims[f"{word}: {name}"] = lambda m, _k, at=at: m["m.state"] != at or bool(m[name])
        claims[f"{word}: not {name}"] = lambda m, _k, at=at: m["m.state"] != at or not m[name]
    return claims


def _kept_by_hand(
    rules: RuleSet, claims: Mapping[str, Truth], values: Mapping[str, Sequence[int]], keys: Mapping[str, Sequence[int]],
    gaps_ms: Sequence[int],
) -> set[str]:  # fmt: skip  # one signature
    """Return the largest part of the claims that holds at power-up and carries itself over every tick tried."""
    order = list(claims)

    def held(memory: Mapping[str, int], k: Any) -> int:
        return sum(1 << at for at, text in enumerate(order) if claims[text](memory, k))

    first = dict(zip(names_of_fields(rules), (one.initial for one in fields_of(rules)), strict=True))
    alive = (1 << len(order)) - 1
    pairs: set[tuple[int, int]] = set()
    for k in calibrations(rules, keys):
        alive &= held(first, k)
        known: dict[tuple[int, ...], int] = {}
        for before, _x, after in ticks(rules, k, values, gaps_ms):
            was, then = ((*one.values(),) for one in (before, after))
            for memory, kind in ((before, was), (after, then)):
                if kind not in known:
                    known[kind] = held(memory, k)
            pairs.add((known[was], known[then]))
    while True:
        kept = alive
        for was, then in pairs:
            if was & alive == alive:
                kept &= then
        if kept == alive:
            return {text for at, text in enumerate(order) if alive >> at & 1}
        alive = kept


def _check(
    rules: RuleSet, claims: Mapping[str, Truth], *, values: Mapping[str, Sequence[int]] = {},
    keys: Mapping[str, Sequence[int]] = {}, gaps_ms: Sequence[int] = (10,),
) -> set[str]:  # fmt: skip  # one signature
    """Return what is kept, once it is what the search by hand keeps and each claim says what its text says."""
    encoder = Encoder(trace(rules))
    kept = find(encoder)
    assert kept.keys() == _kept_by_hand(rules, claims, values, keys, gaps_ms)
    for k in calibrations(rules, keys):
        put = [(encoder.key(one.name), z3.BoolVal(v) if isinstance(v, bool) else z3.IntVal(v))
               for one, v in zip(rules.keys, k, strict=True)]  # fmt: skip  # one list
        every = list(memories(rules, values))
        # Some of all kinds are enough to see what a claim says: an odd step shares no factor with most fields' values.
        for memory in every[:: len(every) // 16 | 1]:
            view = {name: z3.BoolVal(v) if isinstance(v, bool) else z3.IntVal(v) for name, v in memory.items()}
            for text, claim in kept.items():
                formula = z3.substitute(claim(view), *put) if put else claim(view)
                assert z3.is_true(z3.simplify(formula)) == claims[text](memory, k), text
    return set(kept)


# Fields of the rules ---------------------------------------------------------------------------------------------


def _marking(low: int, high: int, initial: int) -> RuleSet:
    """Return a set that goes in, marks 3, keeps the mark while released and forgets it in idle."""
    mark = Memory("mark", low, high, initial, lambda _x, _k, m: select(
        m.state == IN, 3, select(m.state == int(RELEASED), m.mark, initial)), "a mark")  # fmt: skip  # one field
    been = Memory("been", 0, 1, 0, lambda _x, _k, m: m.been | (m.state == IN), "has been in", is_flag=True)
    return small(
        [
            row(IDLE, APPLIED, lambda x, _k, _m: x.asked),
            row(APPLIED, RELEASED, lambda x, _k, _m: not_(x.asked)),
            row(RELEASED, IDLE, lambda x, _k, _m: x.asked),
        ],
        late=[been, mark, DUTY],
    )  # fmt: skip  # a set


@pytest.mark.parametrize(
    ("low", "high", "initial", "tried"),
    [
        # Up to nine values each is tried; of more only the first and the lowest.
        (0, 8, 0, range(9)),
        (-4, 4, 0, range(-4, 5)),
        (0, 9, 5, (0, 5)),
        (-1, 8, 3, (-1, 3)),
    ],
)
def test_which_values_of_a_field_are_tried(low: int, high: int, initial: int, tried: Sequence[int]) -> None:
    claims = _of_flag(list(_STATES), "m.been")
    for name, values in (("reason", range(3)), ("band", (0,)), ("mark", tried), ("duty_ppm", (0, 1))):
        claims |= _of_field(list(_STATES), f"m.{name}", values)
    kept = _check(_marking(low, high, initial), claims)
    assert {"applied: m.been", "applied: m.mark = 3", "released: m.mark = 3", "armed: m.duty_ppm = 1"} & kept == (
        {"applied: m.been", "armed: m.duty_ppm = 1"}
        | {f"{word}: m.mark = 3" for word in ("applied", "released") if 3 in tried}
    )


# Interlocks and histories ----------------------------------------------------------------------------------------


def _clock_ms(before: Any, x: Any) -> Any:
    return maximum(x.now_ms - before.now_ms, 0)


def _cooling(settle: str | int, latches: bool = False) -> RuleSet:
    """Return a set that is out while it is hot and until it has been cool for a while, and watches that it is."""
    hot = Signal("hot", "", 0, 1, 0, "too hot", is_flag=True)
    heat = Interlock("heat", lambda x, _k, _m: x.hot, State.RELEASED, "hot", "by itself", "hot", settle=settle,
                     latches=latches)  # fmt: skip  # one interlock
    gone = Observed(
        "gone_ms",
        0,
        600,
        600,
        lambda b, x, _k, _a: select(
            x.hot | not_(x.ignition_on), select(x.ignition_on, 0, 600), minimum(b.gone_ms + _clock_ms(b, x), 600)
        ),
    )
    seen = Observed(
        "seen", 0, 1, 0, lambda b, x, _k, a: (b.seen | x.hot | (a.state == IN)) & x.ignition_on, is_flag=True
    )
    one = Observed("one", 1, 1, 1, lambda _b, _x, _k, _a: 1)
    cool = History(
        "cool", "in only once cool for the wait, or however it is where nobody cares", (gone, seen, one),
        lambda _b, _x, k, a: (a.state != IN) | (a.gone_ms >= k.wait_ms) | k.careless)  # fmt: skip  # one history
    return small(
        [
            row(APPLIED, IDLE, lambda x, _k, _m: not_(x.ignition_on), reason="none"),
            row(IDLE, APPLIED, lambda x, _k, m: not_(m.refused) & x.ignition_on, reason="none"),
            row(RELEASED, IDLE, lambda _x, _k, m: not_(m.bars_released), reason="none"),
        ],
        signals=[hot], interlocks=[heat], late=[Memory("duty_ppm", 0, 0, 0, lambda _x, _k, _m: 0, "no duty")],
        keys=[key("wait_ms", 10, 30, 20), key("careless", 0, 1, 0, is_flag=True), key("other_ms", 0, 9, 5)],
        histories=[cool],
    )  # fmt: skip  # a set


def _of_cooling(limits: Mapping[str, Callable[[Any], int]]) -> dict[str, Truth]:
    """Return the guesses about that set; `limits` are the times that its history's number is compared with."""
    states = list(_STATES)
    claims = _of_flag(states, "m.heat_on")
    for name, values in (("reason", range(3)), ("band", (0,)), ("heat_ms", (-1,)), ("duty_ppm", (0,))):
        claims |= _of_field(states, f"m.{name}", values)
    claims["m.heat_ms runs: m.heat_on"] = lambda m, _k: m["m.heat_ms"] < 0 or bool(m["m.heat_on"])
    claims["m.heat_ms runs: not m.heat_on"] = lambda m, _k: m["m.heat_ms"] < 0 or not m["m.heat_on"]
    on, seen, numbers = "m.heat_on", "h.cool.seen", ("h.cool.gone_ms", "h.cool.one")
    for name, start in (("state", 0), ("reason", 1), ("band", 0), ("heat_on", False), ("heat_ms", -1), ("duty_ppm", 0)):
        other = f"m.{name}"
        claims[f"{seen} or {other} = {start}"] = lambda m, _k, o=other, s=start: bool(m[seen]) or m[o] == s
        claims[f"{seen}: {other} = {start}"] = lambda m, _k, o=other, s=start: not m[seen] or m[o] == s
        for number in numbers if name != "heat_on" else ():
            claims[f"{number} >= {other}"] = lambda m, _k, n=number, o=other: m[n] >= m[o]
            claims[f"{number} <= {other}"] = lambda m, _k, n=number, o=other: m[n] <= m[o]
            claims[f"{number} = {other}"] = lambda m, _k, n=number, o=other: m[n] == m[o]
    for number, (word, limit) in product(numbers, limits.items()):
        claims[f"{on} or {number} >= {word}"] = lambda m, k, n=number, f=limit: bool(m[on]) or m[n] >= f(k)
        claims[f"{on}: {number} >= {word}"] = lambda m, k, n=number, f=limit: not m[on] or m[n] >= f(k)
    return claims


@pytest.mark.parametrize(("settle", "latches"), [("wait_ms", False), ("other_ms", True), (20, False), (0, False)])
def test_what_is_tried_of_interlocks_and_histories(settle: str | int, latches: bool) -> None:
    limits: dict[str, Callable[[Any], int]] = {"wait_ms": lambda k: int(k.wait_ms)}
    if settle == 20:
        limits["20"] = lambda _k: 20
    values = {"heat_ms": (-1, 0, 10, TIMER_MAX_MS), "gone_ms": (0, 10, 30, 600)}
    keys = {"wait_ms": (10, 30), "other_ms": (0, 9), "careless": (False,)}
    kept = _check(_cooling(settle, latches), _of_cooling(limits), values=values, keys=keys, gaps_ms=(10, 1_000))
    enough = f"m.heat_on or h.cool.gone_ms >= {settle}"
    assert (enough in kept) == (settle in ("wait_ms", 20))


# Properties, and what is looked for ------------------------------------------------------------------------------


def _switching(*properties: Property) -> RuleSet:
    return small(
        [row(IDLE, APPLIED, lambda x, _k, _m: x.asked), row(APPLIED, RELEASED, lambda x, _k, _m: not_(x.asked))],
        keys=[key("low", 1, 3, 1), key("high", 1, 3, 2)], properties=properties,
    )  # fmt: skip  # a set


def test_properties_of_memory_and_calibration_alone_are_tried() -> None:
    rules = _switching(
        Property("duty_only_in", "kept", lambda _b, _x, _k, a: (a.state == IN) | (a.duty_ppm == 0)),
        Property("never_in", "fails at some tick", lambda _b, _x, _k, a: a.state != IN),
        Property("not_idle", "fails at power-up", lambda _b, _x, _k, a: a.state != int(IDLE)),
        Property("asked_in", "looks at an input", lambda _b, x, _k, a: x.asked | (a.state != IN)),
        Property("stays", "looks at the memory before", lambda b, _x, _k, a: (b.state != IN) | (a.state != int(IDLE))),
        # A product of unknowns is no less than a factor; that it is 2 or more is true of some calibrations only.
        Property("product", "kept", lambda _b, _x, k, _a: k.low * k.high >= k.low),
        Property("large", "fails", lambda _b, _x, k, _a: k.low * k.high >= 2),
        Property("within", "kept: the keys' own ranges", lambda _b, _x, k, _a: (k.low >= 1) & (k.high <= 3)),
        Property("inside", "fails", lambda _b, _x, k, _a: k.low >= 2),
    )
    kept = find(Encoder(trace(rules)))
    assert {text for text in kept if text.startswith("property ")} == {
        "property duty_only_in", "property product", "property within"}  # fmt: skip  # a set


def test_no_more_is_looked_for_than_what_is_named() -> None:
    encoder = Encoder(trace(_switching()))
    named = ["applied: m.duty_ppm = 1", "applied: m.duty_ppm = 0", "released: m.duty_ppm = 0", "no such claim"]
    assert find(encoder, named).keys() == {"applied: m.duty_ppm = 1", "released: m.duty_ppm = 0"}
    assert find(encoder, []) == {}
    assert len(find(encoder)) > 20


def test_a_claim_that_another_one_needs_goes_with_it() -> None:
    # A number is handed on by a tick: what is said of the second field holds only while the same holds of the first.
    second = Memory("second", 0, 1, 0, lambda _x, _k, m: m.first, "what the first was")
    claims = ["idle: m.second = 0", "idle: m.first = 0"]

    def kept(first: Callable[[Any, Any, Any], Any]) -> set[str]:
        rules = small([], early=[second, Memory("first", 0, 1, 0, first, "a number")])
        return set(find(Encoder(trace(rules)), claims))

    assert kept(lambda _x, _k, m: m.first) == set(claims)
    assert kept(lambda x, _k, _m: select(x.asked, 1, 0)) == set()


class _Unsure:
    """A solver that finishes no question about a tick."""

    def __init__(self, solver: Any) -> None:
        self._solver = solver

    def __getattr__(self, name: str) -> Any:
        return getattr(self._solver, name)

    def check(self, *switches: Any) -> Any:
        return z3.unknown if switches else self._solver.check()


def test_where_the_solver_does_not_finish_nothing_is_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    encoder = Encoder(trace(_switching()))
    solver_for = z3.SolverFor
    monkeypatch.setattr(z3, "SolverFor", lambda logic: _Unsure(solver_for(logic)))
    assert find(encoder) == {}
