"""The tick while its C is written: conditions on reasons and states say what they must, by trying every value."""

from __future__ import annotations

import re
from itertools import chain, combinations
from typing import Any

import pytest

from controller.declare import State
from controller.our_rules import OURS
from controller.port.c_function import Scope
from controller.port.work import Work, among, both, branches, reason, where


def _true(text: str, **values: int) -> bool:
    """Return what a C condition says, read by its own precedence."""
    text = text.replace("&&", " and ").replace("||", " or ")
    return bool(eval(text, {"true": True, "false": False}, values))


def _subsets(of: Any) -> Any:
    of = list(of)
    return chain.from_iterable(combinations(of, size) for size in range(len(of) + 1))


_WORDS = OURS.reasons[3:9:2] + OURS.reasons[9:11]
_NUMBERS = {reason(word): OURS.reason_numbers[word] for word in OURS.reasons}


@pytest.mark.parametrize("count", range(1, 6))
def test_a_number_is_told_to_be_one_of_some_reasons(count: int) -> None:
    possible = _WORDS[:count]
    for wanted in _subsets(possible):
        work = Work(OURS)
        number = work.places.variable("n'", "int", "n")
        # Neither the order in which they are given, nor a reason that it cannot be, changes what is asked.
        term = among(work, number, {*wanted, OURS.reasons[12]}, possible[::-1])
        text = Scope(work.places).text(term)
        for word in possible:
            assert _true(text, n=OURS.reason_numbers[word], **_NUMBERS) == (word in wanted), (wanted, word, text)
        # A run of wanted ones takes one comparison for each end that is not the end of all, a single one just one.
        ends = 0
        for at, word in enumerate(possible):
            before, after = possible[at - 1 : at], possible[at + 1 : at + 2]
            begins, stops = not (set(before) & set(wanted)) or at == 0, not set(after) & set(wanted)
            if word in wanted and begins and stops and count > 1:
                ends += 1
            elif word in wanted:
                ends += (begins and at > 0) + (stops and at + 1 < count)
        assert len(re.findall("==|<=", text)) == ends, (wanted, text)
        if len(wanted) == 1 < count:
            assert text == f"(n == {reason(wanted[0])})"


def test_a_reason_has_its_name_in_c() -> None:
    assert reason("stall_guard") == "RULES_REASON_STALL_GUARD"
    work = Work(OURS)
    assert Scope(work.places).text(work.reason("brake")) == "RULES_REASON_BRAKE"


def test_a_place_is_told_to_hold_one_of_some_states() -> None:
    numbers = {f"RULES_STATE_{one.name}": int(one) for one in State}
    for possible in _subsets(State):
        for states in _subsets(State):
            if not set(states) & set(possible):
                continue
            text = where("s", states, possible)
            rest = set(possible) - set(states)
            assert (text == "") == (not rest)
            for one in possible:
                assert _true(text or "True", s=int(one), **numbers) == (one in states), (states, possible, text)
            if text:
                assert text.count("RULES_STATE_") == (1 if len(rest) == 1 else len(states))
                # Whatever it is joined with, it stays one; a single comparison has its brackets once.
                assert not any(_true(f"1 == 2 && {text}", s=int(one), **numbers) for one in State)
                assert text.count("(") == 1 + (len(states) if len(rest) > 1 < len(states) else 0)
    assert where("s", tuple(State)) == ""


def test_conditions_are_joined_and_an_empty_one_always_holds() -> None:
    assert both("(a < b)") == both("", "(a < b)", "") == "(a < b)"
    assert both("(a < b)", "", "c") == "((a < b) && c)"


def test_branches_follow_each_other_each_with_its_own_braces() -> None:
    arms = [("(a < b)", ["a = 1;", "b = 2;"]), ("c", ["    {", "    }"])]
    assert branches(arms, ["a = 3;"]) == [
        "    if (a < b)", "    {", "        a = 1;", "        b = 2;", "    }",
        "    else if (c)", "    {", "    {", "    }", "    }",
        "    else", "    {", "        a = 3;", "    }",
    ]  # fmt: skip  # lines of C
    assert branches(arms[:1], [], "  ") == ["  if (a < b)", "  {", "      a = 1;", "      b = 2;", "  }"]


def test_the_tick_begins_with_the_ignition_on_and_nothing_that_bars() -> None:
    work = Work(OURS)
    for term, value in ((work.x.ignition_on, True), (work.m.bars_idle, False), (work.m.bars_released, False)):
        assert term is work.places.graph.constant(value)
    scope = Scope(work.places)
    assert scope.text(work.x.brake_on) == "x->brake_on"
    assert scope.text(work.k.lugging_rpm) == "k->lugging_rpm"
    assert scope.text(work.m.state) == "m->state"
    assert scope.text(work.m.elapsed_ms) == "elapsed_ms"
    assert work.m.elapsed_ms.kind == "int"


def test_memory_that_was_written_is_read_from_its_new_place() -> None:
    work = Work(OURS)
    before = work.m.hot
    fresh = work.renewed("hot", "bool", "m->hot_now")
    assert work.m.hot is fresh is not before
    assert Scope(work.places).text(work.m.hot) == "m->hot_now"
