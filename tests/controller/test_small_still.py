"""No chatter, on sets small enough to try every tick: what counts as a change, and each step of the induction."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from typing import Any

import pytest

pytest.importorskip("z3", reason="the proof extra is not installed: pip install 'tccbench[proof]'")

import z3
from small import ASKED, DUTY, IN, cycle, inputs, memories, names_of_fields, row, small

from controller.calibration import default_values
from controller.declare import TIMER_MAX_MS, Interlock, Memory, Refusal, Signal, State
from controller.encode import Encoder
from controller.found_run import FoundRun
from controller.ruleset import RuleSet
from controller.still import changes_while_still, chatters, same_inputs, steps
from controller.tracer import trace
from controller.watch import Watch
from controller.words import minimum, not_, select

IDLE, ARMED, APPLIED, RELEASED = State

HOT = Signal("hot", "", 0, 1, 0, "too hot", is_flag=True)
LEVEL = Signal("level", "", 0, 2, 0, "a number")

Grounds = Callable[[Mapping[str, int], Mapping[str, int], Mapping[str, int]], bool]
"""Whether by hand a ground stands: memory before, inputs, memory after."""


def _counting(name: str, while_in: bool) -> Memory:
    """Return a clock that runs while the clutch is in, or out, up to 50 ms."""

    def update(_x: Any, _k: Any, m: Any) -> Any:
        runs = (m.state == IN) if while_in else (m.state != IN)
        return select(runs, minimum(getattr(m, name) + m.elapsed_ms, 50), 0)

    return Memory(name, 0, 50, 0, update, "ms")


def _heat(**changes: Any) -> Interlock:
    declared = {"reason": "heat", "trips": lambda x, _k, _m: x.hot, "out_to": State.RELEASED, "settle": 20}
    return Interlock(**{"meaning": "hot", "clears": "by itself", "says": "hot", **declared, **changes})


def _set(
    *, refusals: Sequence[Refusal] = (), interlocks: Sequence[Interlock] = (), early: Sequence[Memory] = (),
    signals: Sequence[Signal] = (ASKED,), out: Any = None,
) -> RuleSet:  # fmt: skip  # one signature
    """Return a set that goes in when asked and nothing refuses, and comes out when not asked."""
    rows = [
        row(APPLIED, IDLE, lambda x, _k, _m: not_(x.asked), reason="none"),
        row(IDLE, APPLIED, lambda _x, _k, m: not_(m.refused), reason="none"),
        row(RELEASED, IDLE, lambda _x, _k, m: not_(m.bars_released), reason="none"),
    ]
    if out is not None:
        rows.insert(0, row(APPLIED, RELEASED, out, reason="none"))
    grounds = [Refusal("off", lambda x, _k, _m: not_(x.ignition_on), "off"),
               Refusal("unasked", lambda x, _k, _m: not_(x.asked), "not asked")]  # fmt: skip  # one list
    return small(rows, signals=signals, refusals=[*grounds, *refusals], interlocks=interlocks, early=early, late=[DUTY])


# The four steps --------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Case:
    """A set, which ground stands in it besides the driver's, and the interlocks that send a hold out or latch."""

    rules: RuleSet
    stands: Grounds = lambda _b, _x, _a: False
    sending: Sequence[str] = ()
    latching: Sequence[str] = ()


def _hot(_b: Mapping[str, int], x: Mapping[str, int], _a: Mapping[str, int]) -> bool:
    return bool(x["hot"] and x["ignition_on"])


def _heat_on(_b: Mapping[str, int], _x: Mapping[str, int], a: Mapping[str, int]) -> bool:
    return bool(a["m.heat_on"])


def _too_high(b: Mapping[str, int], x: Mapping[str, int], _a: Mapping[str, int]) -> bool:
    return bool(x["ignition_on"] and x["level"] > (0 if b["m.heat_on"] else 1))


_OUT_MS = _counting("out_ms", while_in=False)
_IN_MS = _counting("in_ms", while_in=True)
_SHORT = Memory("short", 0, 1, 1, lambda _x, _k, m: m.out_ms < 20, "out for a short time", is_flag=True)
_SEEN = Memory("seen", 0, 1, 0, lambda x, _k, m: m.seen | (x.level > 1), "a high level was seen", is_flag=True)
_ALL = (ASKED, HOT)

CASES = {
    "asked": Case(_set()),
    "hot": Case(_set(signals=_ALL, interlocks=[_heat()]), _hot, ["heat"]),
    "hot and latched": Case(
        _set(signals=_ALL, interlocks=[_heat(latches=True, out_to=State.IDLE)]),
        lambda b, x, a: _hot(b, x, a) or _heat_on(b, x, a), ["heat"], ["heat"]),
    # Its condition reads the state, which time may move: only the latch stands.
    "hot while in, latched": Case(
        _set(signals=_ALL, interlocks=[_heat(
            trips=lambda x, _k, m: x.hot & (m.state == IN), confirm=20, latches=True, out_to=State.IDLE)]),
        _heat_on, ["heat"], ["heat"]),
    # On while the clutch is in and comes out: quiet where it sends no hold out, from whatever state.
    "only refuses": Case(_set(
        signals=_ALL, interlocks=[_heat(out_to=None)], early=[_IN_MS], out=lambda _x, _k, m: m.in_ms > 20), _hot),
    "sends from elsewhere": Case(_set(
        signals=_ALL, interlocks=[_heat(sources=(RELEASED,), out_to=State.IDLE)], early=[_IN_MS],
        out=lambda _x, _k, m: m.in_ms > 20), _hot, ["heat"]),
    # Its condition reads whether it is on itself, which stands while the condition does.
    "with hysteresis": Case(
        _set(signals=(ASKED, LEVEL), interlocks=[
            _heat(trips=lambda x, _k, m: x.level > select(m.heat_on, 0, 1))]),
        _too_high, ["heat"]),
    # Time lifts what reads a clock, be it directly, through a field, or through a field that reads a field.
    "clock": Case(_set(refusals=[Refusal("early", lambda x, _k, _m: x.now_ms < 25, "early")])),
    "delay": Case(_set(early=[_OUT_MS], refusals=[Refusal("delay", lambda _x, _k, m: m.out_ms < 20, "delay")])),
    "delay through a field": Case(_set(
        early=[_OUT_MS, _SHORT],
        refusals=[Refusal("delay", lambda _x, _k, m: m.short, "delay")])),
    "delay as it was": Case(_set(early=[_SHORT, _OUT_MS], refusals=[Refusal("delay", lambda _x, _k, m: m.short, "d")])),
    "delay as it was before": Case(_set(
        early=[Memory("longer", 0, 1, 1, lambda _x, _k, m: m.short, "as short was", is_flag=True), _SHORT, _OUT_MS],
        refusals=[Refusal("delay", lambda _x, _k, m: m.longer, "delay")])),
    "seen": Case(
        _set(signals=(ASKED, LEVEL), early=[_SEEN], refusals=[Refusal("seen", lambda _x, _k, m: m.seen, "seen")]),
        lambda _b, _x, a: bool(a["m.seen"])),
    # A clock that moves the state, too: the band and what was seen are all that time does not renew.
    "seen beside a clock": Case(
        _set(signals=(ASKED, LEVEL), early=[_OUT_MS, _SEEN], refusals=[
            Refusal("delay", lambda _x, _k, m: m.out_ms < 20, "delay"),
            Refusal("seen", lambda _x, _k, m: m.seen & (m.band == 0), "seen")]),
        lambda _b, _x, a: bool(a["m.seen"])),
    "comes out by a clock": Case(_set(early=[_IN_MS], out=lambda _x, _k, m: m.in_ms > 20)),
}  # fmt: skip  # a case a paragraph

_VALUES = {"reason": (1,), "heat_ms": (-1, 0, 10, TIMER_MAX_MS), "out_ms": (0, 10, 50), "in_ms": (0, 10, 20, 50)}


def _by_hand(case: Case, ticks: Sequence[Mapping[str, int]], x: Mapping[str, int]) -> tuple[dict[str, bool], Any]:
    """Return what each step says of two ticks, given the memory before, between and after; and the kind of ticks."""
    before, after, later = ticks

    def stands_at(was: Mapping[str, int], then: Mapping[str, int]) -> bool:
        return not x["ignition_on"] or not x["asked"] or case.stands(was, x, then)

    was_in, is_in, stays_in = (one["m.state"] == IN for one in ticks)
    stands, still_stands = stands_at(before, after), stands_at(after, later)
    quiet, quiet_later = (
        inside and not ground and not any(memory[f"m.{one}_on"] for one in case.sending)
        for inside, ground, memory in ((is_in, stands, after), (stays_in, still_stands, later))
    )
    latched = any(later[f"m.{one}_on"] for one in case.latching)
    said = {
        "comes out on a standing ground": not (was_in and not is_in) or stands,
        "a standing ground keeps it out": not (stands and not is_in) or (still_stands and not stays_in),
        "goes in quietly": not (not was_in and is_in) or quiet,
        "quiet stays in, or a latched fault ends it":
            not quiet or quiet_later or (not stays_in and still_stands and latched),
    }  # fmt: skip  # a step a line
    # Ticks are of one kind where all that the words speak of is alike: which ground, which interlock, which state.
    flags = [memory[name] for memory in (after, later) for name in memory if name.endswith("_on")]
    grounds = (x["ignition_on"], x["asked"], case.stands(before, x, after), case.stands(after, x, later))
    return said, (was_in, is_in, stays_in, *grounds, *flags)


@pytest.mark.parametrize("name", CASES)
def test_each_step_says_what_its_words_say(name: str) -> None:
    case = CASES[name]
    rules, names = case.rules, names_of_fields(case.rules)
    watch = Watch(rules, default_values(rules))
    encoder = Encoder(trace(rules))
    unknown = {**encoder.any_memory(""), **encoder.inputs("")}
    this = encoder.moment({n: unknown[n] for n in names}, {n: v for n, v in unknown.items() if n[0] == "x"})
    again = same_inputs(encoder, this, "+")
    formulas = steps(encoder, this, encoder.moment(this.after(), again))
    seen: dict[Any, int] = {}
    for memory, x, later_ms in product(memories(rules, _VALUES), inputs(rules, gaps_ms=(10, 30)), (10, 20)):
        watch.memory, watch.fields = tuple(memory.values()), ()
        watch.tick(x)
        between = dict(zip(names, watch.memory, strict=True))
        watch.tick(x | {"now_ms": x["now_ms"] + later_ms})
        said, kind = _by_hand(case, (memory, between, dict(zip(names, watch.memory, strict=True))), x)
        seen[kind] = seen.get(kind, 0) + 1
        if seen[kind] > 1:
            continue
        put = [(unknown[n], z3.BoolVal(v) if isinstance(v, bool) else z3.IntVal(v))
               for n, v in [*memory.items(), *((f"x.{n}", v) for n, v in x.items())]]  # fmt: skip  # one list
        put.append((again["x.now_ms"], z3.IntVal(x["now_ms"] + later_ms)))
        assert {step: z3.is_true(z3.simplify(z3.substitute(formula, *put))) for step, formula in formulas.items()
                } == said, (memory, x)  # fmt: skip  # one comparison
    assert len(seen) > 5


# What counts as a change -----------------------------------------------------------------------------------------


def _faulting(*, latches: bool, ignored: bool = False) -> RuleSet:
    """Return a set that comes out hot after a tick; `ignored` goes in again although the fault is latched."""
    fault = _heat(trips=lambda x, _k, m: x.hot & (m.state == IN), latches=latches, settle=10)
    # Another that latches and is never on: one of two is enough to be faulted.
    never = _heat(reason="never", trips=lambda x, _k, _m: x.hot & not_(x.hot), latches=True, settle=0)
    return small(
        [row(IDLE, APPLIED, lambda x, _k, m: x.asked & not_(m.heat_on)),
         row(RELEASED, IDLE, lambda _x, _k, m: not_(m.heat_on)),
         *([row(RELEASED, APPLIED, lambda x, _k, _m: x.asked)] if ignored else [])],
        signals=_ALL, interlocks=[fault, never],
    )  # fmt: skip  # a set


CHANGING = {
    "in and out": cycle(IDLE, APPLIED),
    "out for two ticks": cycle(IDLE, ARMED, APPLIED),
    "out for three ticks": cycle(IDLE, ARMED, APPLIED, RELEASED),
    "as asked": _set(),
    "by a clock": _set(early=[_IN_MS], out=lambda _x, _k, m: m.in_ms > 20),
    "faulted, latched": _faulting(latches=True),
    "faulted": _faulting(latches=False),
    "faulted, latched and ignored": _faulting(latches=True, ignored=True),
}


def _changes_by_hand(rules: RuleSet, run: Sequence[Mapping[str, int]]) -> tuple[int, ...]:
    """Return the places of the changes that count since the inputs last changed."""
    watch = Watch(rules, default_values(rules))
    was_in, found = False, list[int]()
    for at, x in enumerate(run):
        command, _broken = watch.tick(x)
        memory = dict(zip(rules.memory_names, watch.memory, strict=True))
        is_in = command.state == IN
        faulted = memory.get("heat_on", False) and next(one.latches for one in rules.interlocks if one.reason == "heat")
        if at == 0 or {**x, "now_ms": 0} != {**run[at - 1], "now_ms": 0}:
            found = []
        if is_in is not was_in and not (faulted and not is_in):
            found.append(at)
        was_in = is_in
    return tuple(found)


def _runs(rules: RuleSet, length: int) -> list[tuple[dict[str, int], ...]]:
    """Return runs of two inputs in any order, 10 or 30 ms apart from 0; the ignition is off in one tick at most."""
    all_inputs = inputs(rules, gaps_ms=(0,))
    runs: list[tuple[dict[str, int], ...]] = []
    for chosen in product(all_inputs, repeat=length):
        if sum(not x["ignition_on"] for x in chosen) > 1 or len({tuple(x.values()) for x in chosen}) > 2:
            continue
        for gap_ms in (10, 30):
            runs.append(tuple({**x, "now_ms": at * gap_ms} for at, x in enumerate(chosen)))
    return runs


@pytest.mark.parametrize("name", CHANGING)
def test_changes_are_counted_since_the_inputs_last_did(name: str) -> None:
    rules = CHANGING[name]
    encoder = Encoder(trace(rules))
    seen: dict[Any, int] = {}
    for length in (1, 2, 3, 4):
        moments, memory = [], encoder.first_memory()
        for at in range(length):
            moments.append(encoder.moment(memory, encoder.inputs(f"@{at}")))
            memory = moments[-1].after()
        formula = chatters(encoder, moments)
        for run in _runs(rules, length):
            changes = _changes_by_hand(rules, run)
            assert changes_while_still(FoundRun(rules, default_values(rules), run)) == len(changes)
            still_for = sum(
                all({**run[at], "now_ms": 0} == {**x, "now_ms": 0} for x in run[at:]) for at in range(length)
            )
            kind = (length, changes, still_for)
            seen[kind] = seen.get(kind, 0) + 1
            if seen[kind] > 1:  # runs of one kind read alike
                continue
            put = [(formula_of, z3.BoolVal(x[n[2:]]) if isinstance(x[n[2:]], bool) else z3.IntVal(x[n[2:]]))
                   for moment, x in zip(moments, run, strict=True)
                   for n, formula_of in moment.inputs.items()]  # fmt: skip  # one list
            chattering = z3.is_true(z3.simplify(z3.substitute(formula, *put)))
            assert chattering == (len(changes) > 1 and changes[-1] == length - 1), run


def test_without_a_tick_there_is_no_change() -> None:
    rules = cycle(IDLE, APPLIED)
    assert changes_while_still(FoundRun(rules, default_values(rules), ())) == 0
