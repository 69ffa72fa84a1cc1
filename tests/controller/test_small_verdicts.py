"""Verdicts on sets so small that the right one is known by hand: proved, broken by a shortest run, or open."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import pytest

pytest.importorskip("z3", reason="the proof extra is not installed: pip install 'tccbench[proof]'")

import z3
from small import ASKED, IN, cycle, key, names_of_fields, row, small

from controller import proof as proof_module
from controller.counterexample import Unrolled
from controller.declare import History, Interlock, Lamp, Memory, Observed, Property, Refusal, Relation, Signal, State
from controller.found_run import FoundRun
from controller.proof import MOST_TICKS, Effort, Proof, Verdict, _short, find_run, names_of
from controller.ruleset import RuleSet
from controller.step import Reference
from controller.still import changes_while_still
from controller.terms import Graph
from controller.words import maximum, minimum, not_, select

IDLE, ARMED, APPLIED, RELEASED = State

QUICK = Effort(query_s=20, search_s=60, most_ticks=6, plain=False)

LEVEL = Signal("level", "", 1, 4, 2, "a number")


def _asked(rules: RuleSet, name: str, known: bool = False, **effort: Any) -> Verdict:
    """Return the verdict on a name, with what is known of the memory where it is needed: finding that takes longest."""
    verdict = Proof(rules, replace(QUICK, **effort), among=None if known else []).ask(name)
    assert verdict.name == name
    assert verdict.meaning == names_of(rules)[name]
    shows = verdict.outcome == "broken" and name not in ("whole_numbers_in_int32", "every_row_can_fire")
    assert (verdict.run is not None) == shows
    return verdict


def _breaking(rules: RuleSet, name: str, ticks: int) -> FoundRun:
    """Return the run that breaks a name, and has so many ticks."""
    verdict = _asked(rules, name, known=True)
    assert (verdict.outcome, verdict.note) == ("broken", f"by a run of {ticks} ticks")
    assert verdict.run is not None
    assert len(verdict.run.inputs) == ticks
    return verdict.run


def _told(rules: RuleSet, name: str, known: bool = False, **effort: Any) -> tuple[str, str]:
    verdict = _asked(rules, name, known, **effort)
    return verdict.outcome, verdict.note


# Properties and histories ----------------------------------------------------------------------------------------


def _steps(
    properties: Sequence[Property] = (), histories: Sequence[History] = (), **parts: Any
) -> RuleSet:  # fmt: skip  # one signature
    """Return a set that goes in by way of armed while it is asked, and comes out by way of released."""
    return small(
        [
            row(IDLE, ARMED, lambda x, _k, _m: x.asked, "arms"),
            row(ARMED, APPLIED, lambda x, k, _m: x.asked & (x.level >= k.limit), "goes in"),
            row(APPLIED, RELEASED, lambda x, _k, _m: not_(x.asked), "comes out"),
            row(RELEASED, IDLE, lambda _x, _k, _m: True, "back"),
        ],
        signals=(ASKED, LEVEL), keys=[key("limit", 2, 9, 9), key("factor", 2, 7, 3)],
        properties=properties, histories=histories, **parts,
    )  # fmt: skip  # a set


def _says(holds: Any) -> RuleSet:
    return _steps([Property("said", "what is said", holds)])


def _counted(holds: Any) -> RuleSet:
    ticks = Observed("ticks", 0, 9, 0, lambda b, x, _k, _a: select(x.asked, minimum(b.ticks + 1, 9), 0))
    return _steps(histories=[History("said", "what is said", (ticks,), holds)])


_EVERY = "for every input, memory and calibration"

_TRUE: dict[str, RuleSet] = {
    "of an input and what comes out": _says(lambda _b, x, _k, a: x.asked | (a.duty_ppm == 0)),
    # Not true of every memory in its range, but of every one that is reached.
    "of a memory that is reached": _says(lambda b, _x, _k, _a: (b.state == IN) | (b.duty_ppm == 0)),
    "of the ranges": _says(lambda _b, x, k, _a: (x.level >= 1) & (x.level <= 4) & (k.limit >= 2) & (k.limit <= 9)),
    "of a product": _says(lambda _b, x, k, _a: x.level * k.factor >= x.level),
    "over ticks": _counted(lambda b, _x, _k, a: a.ticks <= b.ticks + 1),
}


@pytest.mark.parametrize("name", _TRUE)
def test_what_is_true_is_proved(name: str) -> None:
    assert _told(_TRUE[name], "said", known=True) == ("proved", _EVERY)


_FALSE: dict[str, tuple[RuleSet, int]] = {
    "at once": (_says(lambda _b, x, _k, _a: not_(x.asked)), 1),
    "at one end of an input": (_says(lambda _b, x, _k, _a: x.level < 4), 1),
    "at the other": (_says(lambda _b, x, _k, _a: x.level > 1), 1),
    "at one end of a key": (_says(lambda _b, _x, k, _a: k.limit > 2), 1),
    "at the other end of it": (_says(lambda _b, _x, k, _a: k.limit < 9), 1),
    "without a memory before": (_says(lambda b, _x, _k, _a: b.state == IN), 1),
    "after two ticks": (_says(lambda _b, _x, _k, a: a.state != IN), 2),
    "after three": (_says(lambda _b, _x, _k, a: a.state != int(State.RELEASED)), 3),
    "for one calibration and level": (_says(lambda _b, x, k, a: (
        (a.state != IN) | (k.limit != 4) | (x.level != 4))), 2),
    "a history at once": (_counted(lambda b, _x, _k, _a: b.ticks > 0), 1),
    "a history after three": (_counted(lambda _b, _x, _k, a: a.ticks < 3), 3),
    "a history after four": (_counted(lambda b, _x, _k, _a: b.ticks < 3), 4),
}  # fmt: skip  # a case a line or two


@pytest.mark.parametrize("name", _FALSE)
def test_what_is_false_is_broken_by_the_shortest_run(name: str) -> None:
    rules, ticks = _FALSE[name]
    run = _breaking(rules, "said", ticks)
    assert [broken for _x, _command, broken in run.replayed()] == [[]] * (ticks - 1) + [["said"]]
    # The reference, which reads the chart, does what the replay says.
    reference = Reference(rules, run.calibration)
    assert [reference.tick(x) for x in run.inputs] == [command for _x, command, _b in run.replayed()]
    # So many ticks are enough, and one less is not.
    assert _told(rules, "said", most_ticks=ticks) == ("broken", f"by a run of {ticks} ticks")
    assert _told(rules, "said", most_ticks=ticks - 1) == (
        "open", f"not provable, and no run of up to {ticks - 1} ticks was found that breaks it"
    )  # fmt: skip  # one comparison


_NOT_FOUND = ("open", "not provable, and no run of up to 6 ticks was found that breaks it")


def test_what_is_neither_proved_nor_broken_is_open() -> None:
    # Of a product nobody knows that it is never 23; a run in which it is does not stand the replay.
    assert _told(_says(lambda _b, x, k, _a: x.level * k.factor != 23), "said") == _NOT_FOUND
    # True of what is reached, but not without what is known of the memory.
    reached = Proof(_TRUE["of a memory that is reached"], QUICK, among=[])
    assert reached.invariants == {}
    assert (reached.ask("said").outcome, reached.ask("said").note) == _NOT_FOUND


def test_a_key_that_multiplies_is_tried_at_its_default_and_then_free() -> None:
    # Three times one of 1 to 4; or any other factor, where only the product's laws hold the prover to the truth.
    assert _told(_says(lambda _b, x, k, _a: x.level * k.factor != 12), "said")[0] == "broken"
    assert _told(_says(lambda _b, x, k, _a: (x.level * k.factor != 7) | (x.level > 1)), "said")[0] != "proved"
    assert _told(_says(lambda _b, x, k, _a: (x.level * k.factor > 0) | (x.level > 4)), "said")[0] == "proved"


# The memory's ranges ---------------------------------------------------------------------------------------------


def _moving(step: int, low: int, high: int, until: int = 9) -> RuleSet:
    """Return a set with a number that moves by a step a tick while it is asked, to a limit."""
    move = (lambda m: minimum(m.place + step, until)) if step > 0 else (lambda m: maximum(m.place + step, until))
    place = Memory("place", low, high, 0, lambda x, _k, m: select(x.asked, move(m), m.place), "a number")
    return _steps(early=[Memory("fine", 0, 3, 1, lambda _x, _k, m: m.fine, "a number"), place])


@pytest.mark.parametrize(("step", "until"), [(1, 2), (-1, -2)])
def test_a_field_may_reach_both_ends_of_its_range(step: int, until: int) -> None:
    rules = _moving(step, -2, 2, until)
    assert _told(rules, "memory_in_range") == ("proved", f"{len(names_of_fields(rules))} fields")
    assert Proof(rules, QUICK, among=[]).all_at_once()


@pytest.mark.parametrize(("step", "until"), [(1, 3), (-1, -3)])
def test_a_field_that_leaves_its_range_is_named(step: int, until: int) -> None:
    rules = _moving(step, -2, 2, until)
    verdict = _asked(rules, "memory_in_range")
    assert (verdict.outcome, verdict.note) == ("broken", "place can leave -2 to 2: a run of 3 ticks")
    assert verdict.run is not None
    assert verdict.run.memory_after()["m.place"] == until
    assert _told(rules, "memory_in_range", most_ticks=3)[0] == "broken"
    assert _told(rules, "memory_in_range", most_ticks=2) == ("open", "place can leave -2 to 2")
    assert not Proof(rules, QUICK, among=[]).all_at_once()


@pytest.mark.parametrize(("step", "outcome"), [(1, "broken"), (0, "proved")])
def test_a_historys_field_has_a_range_too(step: int, outcome: str) -> None:
    ticks = Observed("ticks", 0, 2, 0, lambda b, x, _k, _a: select(x.asked, b.ticks + step, 0))
    rules = _steps(histories=[History("said", "what is said", (ticks,), lambda _b, x, _k, _a: x.level > 0)])
    told = _told(rules, "memory_in_range")
    assert told[0] == outcome
    assert (told[1] == "said.ticks can leave 0 to 2: a run of 3 ticks") == bool(step)
    assert Proof(rules, QUICK, among=[]).all_at_once() == (not step)


def test_a_run_that_does_not_stand_the_replay_breaks_no_range() -> None:
    # Four times seven is 28, which is more than is known of the product.
    mark = Memory("mark", 0, 28, 0, lambda x, k, _m: x.level * k.factor, "a product")
    assert _told(_steps(early=[mark]), "memory_in_range") == ("open", "mark can leave 0 to 28")
    small_range = replace(mark, high=11)
    verdict = _asked(_steps(early=[small_range]), "memory_in_range")
    assert (verdict.outcome, verdict.note) == ("broken", "mark can leave 0 to 11: a run of 1 ticks")


def test_everything_at_once_is_no_more_than_each_by_name() -> None:
    assert Proof(_TRUE["of a memory that is reached"], QUICK).all_at_once()
    assert Proof(_TRUE["over ticks"], QUICK).all_at_once()
    assert not Proof(_FALSE["after three"][0], QUICK, among=[]).all_at_once()
    assert not Proof(_FALSE["a history after four"][0], QUICK, among=[]).all_at_once()


# Whole numbers: up to 2147483647 and down to -2147483648, and not one further ------------------------------------


def _numbers(number: Any) -> RuleSet:
    return _steps(lamps=[Lamp("far", lambda x, k, m: number(x, k, m) > 0, "never mind")])


_WHOLE: dict[str, tuple[RuleSet, str | None, int]] = {
    "highest": (_numbers(lambda x, _k, _m: x.now_ms + 0), None, 0),
    "over": (_numbers(lambda x, _k, _m: x.now_ms + 1), "+(x.now_ms, 1)", 0),
    "lowest": (_numbers(lambda x, _k, _m: 0 - x.now_ms - 1), None, 0),
    "under": (_numbers(lambda x, _k, _m: 0 - x.now_ms - 2), "-(-(0, x.now_ms), 2)", 0),
    # By intervals it could leave, by what is known of the memory it cannot.
    "never over": (_numbers(lambda x, _k, m: x.now_ms + select(m.state == IN, m.duty_ppm - 1, 0)), None, 0),
    "only known": (_numbers(lambda x, _k, m: (
        select(m.state == IN, 5, x.now_ms) + select(m.state == IN, 5, 0))), None, 1),
    "known to the highest": (_numbers(lambda x, _k, m: (
        select(m.state == IN, 2**31 - 6, x.now_ms) + select(m.state == IN, 5, 0))), None, 1),
    "known to one over": (_numbers(lambda x, _k, m: (
        select(m.state == IN, 2**31 - 5, x.now_ms) + select(m.state == IN, 5, 0))), "", 1),
    "known to the lowest": (_numbers(lambda x, _k, m: (
        select(m.state == IN, 5 - 2**31, 0 - x.now_ms) - select(m.state == IN, 5, 0))), None, 1),
    "known to one under": (_numbers(lambda x, _k, m: (
        select(m.state == IN, 4 - 2**31, 0 - x.now_ms) - select(m.state == IN, 5, 0))), "", 1),
    "a property over": (_says(lambda _b, x, _k, _a: x.now_ms + 1 > 0), "+(x.now_ms, 1)", 0),
    "a history over": (_counted(lambda _b, x, _k, _a: x.now_ms + 1 > 0), "+(x.now_ms, 1)", 0),
    "a history's field over": (_steps(histories=[History(
        "said", "said", (Observed("few", 0, 5, 0, lambda _b, x, _k, _a: minimum(x.now_ms + 1, 5)),),
        lambda _b, x, _k, _a: x.level > 0)]),
        "+(x.now_ms, 1)", 0),
}  # fmt: skip  # a case a paragraph


@pytest.mark.parametrize("name", _WHOLE)
def test_where_int32_ends(name: str) -> None:
    rules, leaving, by_z3 = _WHOLE[name]
    outcome, note = _told(rules, "whole_numbers_in_int32")
    if leaving is None:
        assert outcome == "proved"
        count = note.split()[0]
        assert note == f"{count} terms, {by_z3} of them by z3, the others by intervals"
    else:
        assert outcome == "broken"
        assert note.endswith(" may leave int32")
        assert note.startswith(leaving)


@pytest.mark.parametrize(
    ("number", "fits"),
    [
        (lambda k: k.limit * 238_609_294 + 1, True),  # nine times it is 2147483646
        (lambda k: k.limit * 238_609_294 + 2, False),
        (lambda k: 0 - k.limit * 238_609_294 - 2, True),
        (lambda k: 0 - k.limit * 238_609_294 - 3, False),
    ],
)
def test_where_int32_ends_in_a_relation(number: Any, fits: bool) -> None:
    rules = _steps(relations=[Relation("small.limit", "whatever", lambda k: number(k) != 1)])
    outcome, note = _told(rules, "whole_numbers_in_int32")
    assert outcome == ("proved" if fits else "broken")
    assert note.endswith(" of the relation at small.limit may leave int32") is not fits


def test_how_many_terms_were_looked_at() -> None:
    def counted(rules: RuleSet) -> int:
        return int(_told(rules, "whole_numbers_in_int32")[1].split()[0])

    first, lamp = counted(_steps()), counted(_numbers(lambda x, _k, _m: x.level))
    # A number and a sum more. Of a relation: a key, two numbers and a sum; of a comparison nothing.
    assert counted(_numbers(lambda x, _k, _m: x.level + 12_347)) == lamp + 2
    assert counted(_steps(relations=[Relation("small.limit", "", lambda k: k.limit + 12_347 > 0)])) == first + 4
    assert counted(_says(lambda _b, x, _k, _a: (x.level > 12_347) | (x.level < 23_457))) == first + 2


@pytest.mark.parametrize(("length", "shown"), [(79, "a" * 79), (80, "a" * 77 + "…"), (81, "a" * 77 + "…")])
def test_a_long_term_is_cut(length: int, shown: str) -> None:
    assert _short(Graph().variable("a" * length, "int")) == shown


# Rows ------------------------------------------------------------------------------------------------------------

_BACK = row(RELEASED, IDLE, lambda x, _k, _m: not_(x.asked), "back")
_ROUND = [
    row(IDLE, ARMED, lambda x, _k, _m: x.asked, "arms"),
    row(ARMED, APPLIED, lambda x, _k, _m: x.asked, "goes in"),
    row(APPLIED, RELEASED, lambda x, _k, _m: not_(x.asked), "comes out"),
]
_NEVER = row(IDLE, RELEASED, lambda x, _k, _m: x.asked & not_(x.asked), "never")
# The duty is there while it is in, which is known of the memory.
_NOT_REACHED = row(APPLIED, IDLE, lambda _x, _k, m: m.duty_ppm == 0, "no duty")


def _rows(*rows: Any, known: bool = False, **effort: Any) -> tuple[str, str]:
    return _told(small(rows, signals=[ASKED]), "every_row_can_fire", known, **effort)


def test_every_row_fires_within_so_many_ticks() -> None:
    for rows in ([_BACK, *_ROUND], [*_ROUND, _BACK]):
        assert _rows(*rows) == ("proved", "4 rows, each within 4 ticks")
        assert _rows(*rows, most_ticks=4) == ("proved", "4 rows, each within 4 ticks")
    assert _rows(*_ROUND[:1]) == ("proved", "1 rows, each within 1 ticks")
    # Asked or not, one of the two fires: neither needs to be said of a tick at which some row does.
    assert _rows(*_ROUND[:1], row(IDLE, APPLIED, lambda _x, _k, _m: True)) == ("proved", "2 rows, each within 1 ticks")


def test_rows_that_need_more_ticks_are_told() -> None:
    for rows in ([_BACK, *_ROUND], [*_ROUND, _BACK]):
        assert _rows(*rows, most_ticks=3) == ("open", "not reached in 3 ticks: released: back")
    assert _rows(*_ROUND, _BACK, most_ticks=1) == (
        "open", "not reached in 1 ticks: armed: goes in, applied: comes out, released: back"
    )  # fmt: skip  # one comparison


@pytest.mark.parametrize("dead", [_NEVER, _NOT_REACHED])
def test_a_row_that_no_run_can_fire_is_dead(dead: Any) -> None:
    told = ("broken", f"proved dead: {dead.source.word}: {dead.name}")
    for at in range(5):  # first, last and between
        rows = [*_ROUND, _BACK]
        rows.insert(at, dead)
        assert _rows(*rows, known=dead is _NOT_REACHED, most_ticks=4) == told
    # A row behind one that always fires; two dead rows.
    assert _rows(row(IDLE, ARMED, lambda _x, _k, _m: True), row(IDLE, RELEASED, lambda x, _k, _m: x.asked, "late")) == (
        "broken", "proved dead: idle: late")  # fmt: skip  # one comparison
    assert _rows(_NEVER, *_ROUND, _BACK, _NOT_REACHED, known=True) == (
        "broken",
        "proved dead: idle: never, applied: no duty",
    )


def test_rows_of_which_only_some_are_proved_dead_are_open() -> None:
    assert _rows(_NEVER, *_ROUND, most_ticks=2) == ("open", "not reached in 2 ticks: idle: never, applied: comes out")
    assert _rows(*_ROUND, _NEVER, most_ticks=2) == ("open", "not reached in 2 ticks: applied: comes out, idle: never")
    # Without what is known of the memory nobody knows that it is dead.
    assert _rows(*_ROUND, _BACK, _NOT_REACHED) == ("open", "not reached in 6 ticks: applied: no duty")


# No chatter ------------------------------------------------------------------------------------------------------


def _faulting(**changes: Any) -> RuleSet:
    """Return a set that is asked, goes in, and comes out on a fault after 20 ms in."""
    fault = Interlock("fault", lambda x, _k, m: (m.state == IN) & (x.level > 2), State.IDLE, "a fault", "never", "",
                      **{"confirm": 20, "latches": True, **changes})  # fmt: skip  # one interlock
    return small(
        [row(APPLIED, IDLE, lambda x, _k, _m: not_(x.asked)), row(IDLE, APPLIED, lambda _x, _k, m: not_(m.refused))],
        signals=(ASKED, LEVEL), interlocks=[fault],
        refusals=[Refusal("unasked", lambda x, _k, _m: not_(x.asked), "not asked"),
                  Refusal("off", lambda x, _k, _m: not_(x.ignition_on), "off")],
    )  # fmt: skip  # a set


_IN_MS = Memory("in_ms", 0, 3_000, 0, lambda _x, _k, m: select(
    m.state == IN, minimum(m.in_ms + m.elapsed_ms, 3_000), 0), "time in")  # fmt: skip  # one field

_SETTLING = {
    "asked": small([row(IDLE, APPLIED, lambda x, _k, _m: x.asked & x.ignition_on),
                    row(APPLIED, IDLE, lambda x, _k, _m: not_(x.asked) | not_(x.ignition_on))],
                   refusals=[Refusal("unasked", lambda x, _k, _m: not_(x.asked) | not_(x.ignition_on), "")]),
    "a latched fault": _faulting(),
    "never in": small([row(IDLE, ARMED, lambda x, _k, _m: x.asked), row(ARMED, IDLE, lambda x, _k, _m: x.asked)]),
}  # fmt: skip  # a set a paragraph

_CHATTERING: dict[str, tuple[RuleSet, int]] = {
    "every tick": (cycle(IDLE, APPLIED), 2),
    "out for two ticks": (cycle(IDLE, ARMED, APPLIED), 3),
    "out for three": (cycle(IDLE, RELEASED, ARMED, APPLIED), 4),
    "in again": (cycle(APPLIED, RELEASED, ARMED, IDLE), 2),
    # Ticks are 1000 ms apart at most: in at the first, out at the fourth.
    "out by a clock": (small([row(IDLE, APPLIED, lambda x, _k, _m: x.asked),
                              row(APPLIED, ARMED, lambda _x, _k, m: m.in_ms > 2_000)], early=[_IN_MS]), 4),
    # In at the first tick, on trial from the second, out at the third; the level may not change meanwhile.
    "a fault that does not latch": (_faulting(latches=False), 3),
}  # fmt: skip  # a set a paragraph


@pytest.mark.parametrize("name", _SETTLING)
def test_a_set_that_settles_is_proved(name: str) -> None:
    assert _told(_SETTLING[name], "no_chatter", known=True) == ("proved", "4 induction steps")


@pytest.mark.parametrize("name", _CHATTERING)
def test_a_set_that_chatters_is_broken(name: str) -> None:
    rules, ticks = _CHATTERING[name]
    run = _breaking(rules, "no_chatter", ticks)
    assert changes_while_still(run) == 2
    inside = [False, *(command.state == IN for _x, command, _broken in run.replayed())]
    assert inside[-1] != inside[-2]
    assert _told(rules, "no_chatter", most_ticks=ticks)[0] == "broken"
    step = "comes out on a standing ground"  # the first of those that fail
    assert _told(rules, "no_chatter", most_ticks=ticks - 1) == ("open", f"step not provable: {step}")


def test_chatter_that_does_not_stand_the_replay_is_open() -> None:
    # In when asked, and out where a level of 1 to 4 times a factor of 2 to 7 is 23, which it never is.
    rules = small([row(IDLE, APPLIED, lambda x, _k, _m: x.asked),
                   row(APPLIED, ARMED, lambda x, k, _m: x.level * k.factor == 23)],
                  signals=(ASKED, LEVEL), keys=[key("factor", 2, 7, 3)])  # fmt: skip  # one set
    assert _told(rules, "no_chatter") == ("open", "step not provable: comes out on a standing ground")


# How long is looked ----------------------------------------------------------------------------------------------


def test_what_is_looked_for_unasked() -> None:
    rules = cycle(IDLE, APPLIED)
    assert Proof(rules).effort == Effort()
    assert (Effort().plain, Effort().most_ticks, MOST_TICKS) == (True, 12, 12)
    assert Proof(rules, QUICK).effort is QUICK
    assert set(names_of(rules)) == {"memory_in_range", "whole_numbers_in_int32", "every_row_can_fire", "no_chatter"}
    said = names_of(_TRUE["over ticks"])
    assert (said["said"], len(said)) == ("what is said", 5)
    assert all(said.values())


def test_each_question_and_search_has_its_time(monkeypatch: pytest.MonkeyPatch) -> None:
    rules, calls = _says(lambda _b, _x, _k, a: a.state != IN), list[Any]()
    effort = Effort(query_s=3, search_s=8, most_ticks=5, plain=False)
    allow, shortest = proof_module.allow, proof_module.shortest

    def allowed(solver: Any, seconds: float) -> None:
        calls.append(seconds)
        allow(solver, seconds)

    def searched(rules: RuleSet, target: Any, **limits: Any) -> FoundRun | None:
        calls.append(limits)
        return shortest(rules, target, **limits)

    monkeypatch.setattr(proof_module, "allow", allowed)
    monkeypatch.setattr(proof_module, "shortest", searched)
    limits = {"most_ticks": 5, "seconds": 4, "plain": False}
    proof = Proof(rules, effort, among=[])
    assert proof.ask("said").outcome == "broken"
    assert calls == [3, {**limits, "fixed": None}]
    calls.clear()
    # What the rules do not bear out: with keys that multiply at their defaults, then with any, half of the time each.
    runs: list[FoundRun] = []

    def borne_out_at_the(at: int) -> FoundRun | None:
        def is_real(run: FoundRun) -> bool:
            runs.append(run)
            return len(runs) == at

        calls.clear()
        runs.clear()
        return find_run(rules, lambda moments: moments[-1].command("state") == IN, effort, is_real)

    for at in (1, 2, 3):
        found = borne_out_at_the(at)
        assert calls == [{**limits, "fixed": None}, {**limits, "fixed": {}}][:at]
        assert found is (runs[at - 1] if at < 3 else None)
    # What is not found is asked of nobody.
    assert find_run(rules, lambda _moments: z3.BoolVal(False), effort, lambda _run: True) is None


def test_rows_are_sought_for_the_time_of_a_search(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[float] = []
    check = Unrolled.check

    def recorded(self: Unrolled, formula: Any, *also: Any, seconds: float) -> Any:
        asked.append(seconds)
        return check(self, formula, *also, seconds=60)

    proof = Proof(small([*_ROUND, _BACK]), Effort(query_s=7, search_s=3, most_ticks=6))
    monkeypatch.setattr(Unrolled, "check", recorded)
    now = iter(range(1_000, 2_000))
    clock = SimpleNamespace(monotonic=lambda: next(now), perf_counter=lambda: 0)
    monkeypatch.setattr(proof_module, "time", clock)
    # A second passes with each look at the clock: two ticks begin under the limit of three.
    assert proof.ask("every_row_can_fire").note == "not reached in 2 ticks: applied: comes out, released: back"
    assert set(asked) == {7}


def test_the_seconds_are_those_that_passed(monkeypatch: pytest.MonkeyPatch) -> None:
    now = iter([100.0, 101.5, 200.0, 204.0])
    monkeypatch.setattr(proof_module, "time", SimpleNamespace(perf_counter=lambda: next(now)))
    proof = Proof(_TRUE["over ticks"], QUICK)
    assert proof.prepared_s == 1.5
    assert proof.ask("said").seconds == 4


# What follows ----------------------------------------------------------------------------------------------------


def test_only_what_follows_is_proved(monkeypatch: pytest.MonkeyPatch) -> None:
    proof = Proof(cycle(IDLE, APPLIED), QUICK)
    true, false, any_ = z3.BoolVal(True), z3.BoolVal(False), z3.Bool("whatever")
    for formulas, follows in (([true], True), ([false], False), ([any_], False), ([true, true], True),
                              ([true, any_], False), ([z3.Or(any_, z3.Not(any_))], True)):  # fmt: skip  # a table
        assert proof.proves(*formulas) is follows
    # Where the solver does not finish, nothing follows.
    monkeypatch.setattr(z3, "SolverFor", lambda _logic: SimpleNamespace(
        set=lambda *_words: None, add=lambda *_formulas: None, check=lambda: z3.unknown))  # fmt: skip  # a stand-in
    assert proof.proves(true) is False
