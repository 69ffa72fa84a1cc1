"""Ranges of terms: against every value of small ranges. The proof that no term leaves int32 rests on them."""

from __future__ import annotations

from collections.abc import Callable
from itertools import product
from typing import Any

import pytest

from controller.intervals import INT32_HIGH, INT32_LOW, Range, ranges_of, reachable, variables
from controller.terms import Graph
from controller.words import maximum, minimum, select

_RANGES: tuple[Range, ...] = ((-3, 2), (0, 4), (-5, -1), (2, 2), (1, 3))
_RULES: dict[str, Callable[[Any, Any], Any]] = {
    "sum": lambda a, b: a + b,
    "difference": lambda a, b: a - b,
    "product": lambda a, b: a * b,
    "smaller": minimum,
    "larger": maximum,
    "chosen": lambda a, b: select(a < b, a, b + 7),
    "constant": lambda a, b: a * 0 + b * 0 - 4,
    "nested": lambda a, b: maximum(a - b, 0 - b) * 3,
}


@pytest.mark.parametrize("rule", _RULES.values(), ids=_RULES)
@pytest.mark.parametrize(("one", "other"), list(product(_RANGES, _RANGES)))
def test_a_range_holds_every_value(rule: Callable[[Any, Any], Any], one: Range, other: Range) -> None:
    graph = Graph()
    term = rule(graph.variable("x.a", "int"), graph.variable("x.b", "int"))
    low, high = ranges_of(graph, {"x.a": one, "x.b": other})[term.index]
    values = [rule(a, b) for a in range(one[0], one[1] + 1) for b in range(other[0], other[1] + 1)]
    assert low <= min(values)
    assert max(values) <= high


@pytest.mark.parametrize("word", ["sum", "difference", "product", "smaller", "larger"])
@pytest.mark.parametrize(("one", "other"), list(product(_RANGES, _RANGES)))
def test_the_range_of_one_operation_is_no_wider_than_its_values(word: str, one: Range, other: Range) -> None:
    graph = Graph()
    rule = _RULES[word]
    term = rule(graph.variable("x.a", "int"), graph.variable("x.b", "int"))
    values = [rule(a, b) for a in range(one[0], one[1] + 1) for b in range(other[0], other[1] + 1)]
    assert ranges_of(graph, {"x.a": one, "x.b": other})[term.index] == (min(values), max(values))


def test_a_choice_is_as_wide_as_both_and_a_truth_value_is_0_or_1() -> None:
    graph = Graph()
    a, b = graph.variable("x.a", "int"), graph.variable("x.b", "int")
    for below, above in ((a, b), (b, a)):
        term = select(a < b, below, above)
        ranges = ranges_of(graph, {"x.a": (-9, 1), "x.b": (0, 6)})
        assert ranges[term.index] == (-9, 6)
        assert ranges[(a < b).index] == (0, 1)


def test_whole_numbers_end_where_int32_does() -> None:
    assert (INT32_LOW, INT32_HIGH) == (-2_147_483_648, 2_147_483_647)


def test_terms_are_reached_once_parts_before_users() -> None:
    graph = Graph()
    a, b, c = (graph.variable(f"x.{name}", "int") for name in "abc")
    shared = a + b
    root = shared * shared - a
    expected = {a.index, b.index, shared.index, (shared * shared).index, root.index}
    assert [term.index for term in reachable((root, shared))] == sorted(expected)
    assert variables(root) == {"x.a", "x.b"}
    assert variables(c) == {"x.c"}
