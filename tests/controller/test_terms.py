# ruff: noqa: ARG005  # every offender takes a number and a truth value
"""Terms and the four words: what is built, what is refused, and that plain numbers give the same answers."""

from __future__ import annotations

import sys
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from term_values import evaluate

from controller.declare import State
from controller.terms import Graph, RuleLanguageError, Term, refuse, worked_out
from controller.words import maximum, minimum, not_, select


@pytest.fixture
def graph() -> Graph:
    return Graph()


def _number(graph: Graph) -> Term:
    return graph.variable("x.engine_rpm", "int")


def _truth(graph: Graph) -> Term:
    return graph.variable("x.brake_on", "bool")


def test_equal_operations_are_one_term(graph: Graph) -> None:
    a, b = graph.variable("a", "int"), graph.variable("b", "int")
    assert (a + b) is (a + b)
    assert (a + b) is not (b + a)
    assert (a > b) is (b < a)
    assert (a >= b) is (b <= a)
    assert graph.constant(1) is not graph.constant(True)
    assert graph.variable("a", "int") is a


def test_terms_print_as_operations(graph: Graph) -> None:
    a, b = graph.variable("a", "int"), graph.variable("b", "int")
    term = select((a + 1 < b) & (a != 0), minimum(a, b), -a)
    assert repr(term) == "select(&(<(+(a, 1), b), !=(a, 0)), min(a, b), -(0, a))"


def test_an_operation_has_no_value_of_its_own(graph: Graph) -> None:
    assert (_number(graph) + 7).value == 0
    assert graph.term("+", "int", value=0) is graph.term("+", "int")


def test_a_refusal_names_the_line_that_asked_for_it() -> None:
    line = sys._getframe().f_lineno + 2
    with pytest.raises(RuleLanguageError) as caught:
        refuse("this", "use that")
    assert str(caught.value) == f"{__file__}:{line}: this; use that"


def test_terms_are_worked_out_once_each_and_parts_first(graph: Graph) -> None:
    asked: list[Term] = []

    def depth(term: Term, *parts: int) -> int:
        asked.append(term)
        return 1 + max(parts, default=0)

    a = _number(graph)
    twice = (a + 1) * (a + 1) - a
    done: dict[Term, int] = {}
    assert worked_out(twice, done, depth) == 4
    assert len(asked) == len(set(asked)) == 5
    assert worked_out(twice + a, done, depth) == 5
    assert asked[-1] is (twice + a)
    assert len(asked) == 6
    for step in range(3_000):
        a = a + step
    assert worked_out(a, {}, depth) == 3_001


def test_numbers_on_the_left(graph: Graph) -> None:
    a, t = _number(graph), _truth(graph)
    assert (1 + a).parts[0].value == 1
    assert (1 - a).parts[0].value == 1
    assert (2 * a).parts[0].value == 2
    assert (True & t).op == "&"
    assert (False | t).op == "|"


def test_an_enum_member_becomes_its_number(graph: Graph) -> None:
    constant = (_number(graph) == State.APPLIED).parts[1]
    assert (type(constant.value), constant.value) == (int, 2)


def _index(term: Term) -> Any:
    return [1, 2][term]  # type: ignore[call-overload]  # it is to be refused


_REFUSED: list[tuple[Callable[[Term, Term], Any], str, str]] = [
    (lambda a, t: a + t, "`+` on the truth value", "use select(condition, 1, 0)"),
    (lambda a, t: t - a, "`-` on the truth value", "use select(condition, 1, 0)"),
    (lambda a, t: t < a, "`<` on the truth value", "use select(condition, 1, 0)"),
    (lambda a, t: a == t, "`==` on the truth value", "use select(condition, 1, 0)"),
    (lambda a, t: a & t, "`&` on the number", "compare it first"),
    (lambda a, t: t | a, "`|` on the number", "compare it first"),
    (lambda a, t: t & 1, "`&` on the number", "compare it first"),
    (lambda a, t: a + 0.5, "0.5 is a float", "use a whole number in the signal's own unit"),
    (lambda a, t: a == "low", "'low' is a str", "use a whole number in the signal's own unit"),
    (lambda a, t: a == None, "None is a NoneType", "use a whole number"),  # noqa: E711  # it is to be refused
    (lambda a, t: bool(t), "plain truth value", "use select(condition, a, b), &, |, not_(a), minimum, maximum"),
    (lambda a, t: not t, "plain truth value", "not_(a)"),
    (lambda a, t: a > 0 and t, "plain truth value", "&"),
    (lambda a, t: 0 < a < 5, "plain truth value", "select"),
    (lambda a, t: max(a, 5), "plain truth value", "maximum"),
    (lambda a, t: a in (1, 2), "plain truth value", "|"),
    (lambda a, t: ~t, "`~`", "use not_(a)"),
    (lambda a, t: a // 2, "division, remainder or power", "multiply the other side"),
    (lambda a, t: 2 / a, "division, remainder or power", "multiply the other side"),
    (lambda a, t: a % 2, "division, remainder or power", "multiply the other side"),
    (lambda a, t: a**2, "division, remainder or power", "multiply the other side"),
    (lambda a, t: divmod(a, 2), "division, remainder or power", "multiply the other side"),
    (lambda a, t: a << 1, "a shift or exclusive or", "use + - * and comparisons"),
    (lambda a, t: t ^ t, "a shift or exclusive or", "use + - * and comparisons"),
    (lambda a, t: abs(a), "abs()", "use maximum(a, 0 - a)"),
    (lambda a, t: int(a), "turned into a Python number", "keep to + - * and comparisons"),
    (lambda a, t: round(a), "turned into a Python number", "keep to + - * and comparisons"),
    (lambda a, t: _index(a), "turned into a Python number", "keep to + - * and comparisons"),
    (lambda a, t: range(a), "turned into a Python number", "keep to + - * and comparisons"),
    (lambda a, t: float(a), "float()", "use whole numbers in the signal's own unit"),
    (lambda a, t: list(a), "a rule value is looped over", "write the terms out"),
    (lambda a, t: select(a, 1, 2), "select() on the number", "compare it first: select(a > 0, b, c)"),
    (lambda a, t: select(t, a, t), "select() between a int and a bool", "give both the same kind"),
    (lambda a, t: select(t, 1, 0.5), "0.5 is a float", "use a whole number"),
    (lambda a, t: not_(a), "not_() on the number", "compare it first: not_(a == 0)"),
    (lambda a, t: minimum(a, t), "minimum() on the truth value", "use & or | on truth values"),
    (lambda a, t: maximum(True, a), "maximum() on the truth value", "use & or | on truth values"),
]


@pytest.mark.parametrize("number", range(len(_REFUSED)))
def test_refusals_name_this_line_and_the_word_to_use(graph: Graph, number: int) -> None:
    rule, what, instead = _REFUSED[number]
    with pytest.raises(RuleLanguageError) as caught:
        rule(_number(graph), _truth(graph))
    line = str(caught.value)
    # The rule's own line, not the term's; `_index` has its own two lines further up.
    near = rule.__code__.co_firstlineno
    assert line.startswith(f"{__file__}:{near}: ") or "_index" in rule.__code__.co_names
    assert what in line
    assert instead in line.split("; ", 1)[1]


# One meaning on plain numbers and on terms ------------------------------------------------------------------


def _everything(a: Any, b: Any, t: Any) -> Any:
    low, high = minimum(a, b), maximum(a, 3)
    some = (a < b) | (a >= 4) & not_(t) | (b != a)
    return select(some & (low <= high), low * 2 - b, high + (5 - a)) + -b


@settings(max_examples=200, deadline=None, derandomize=True)
@given(st.integers(-9, 9), st.integers(-9, 9), st.booleans())
def test_terms_mean_what_plain_numbers_do(a: int, b: int, t: bool) -> None:
    graph = Graph()
    term = _everything(graph.variable("a", "int"), graph.variable("b", "int"), graph.variable("t", "bool"))
    assert evaluate(term, {"a": a, "b": b, "t": t}) == _everything(a, b, t)


def test_words_on_plain_numbers() -> None:
    assert (select(True, 1, 2), select(0, 1, 2), not_(False), not_(1)) == (1, 2, True, False)
    assert (minimum(1, 2), minimum(2, 1), maximum(1, 2), maximum(2, 1)) == (1, 1, 2, 2)


def test_a_condition_that_never_changes_is_settled_while_tracing(graph: Graph) -> None:
    assert select(True, _number(graph), 0) is _number(graph)
    assert minimum(5, _number(graph)).parts[0].value == 5
