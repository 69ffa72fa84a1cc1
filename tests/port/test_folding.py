"""Folding: no value changes, and what can be dropped is."""

from __future__ import annotations

import operator
from collections.abc import Callable
from random import Random
from typing import Any

import pytest
from small_terms import RANGES, random_number, random_truth, settings
from term_values import evaluate

from controller.port.folding import Folder, leaves
from controller.terms import Graph, Term
from controller.words import maximum, minimum, not_, select


@pytest.fixture
def graph() -> Graph:
    return Graph()


@pytest.fixture
def folder(graph: Graph) -> Folder:
    return Folder(graph, RANGES)


@pytest.fixture
def of(graph: Graph) -> Callable[[str], Any]:
    """Return the small variable of a name."""
    return lambda name: graph.variable(name, "int" if name in RANGES else "bool")


def _assert_same(before: Term, after: Term) -> None:
    assert after.kind == before.kind
    for values in settings():
        found, right = evaluate(after, values), evaluate(before, values)
        assert (type(found), found) == (type(right), right), (before, after, values)


@pytest.mark.parametrize("seed", range(60))
def test_a_folded_term_has_the_value_of_the_term(graph: Graph, folder: Folder, seed: int) -> None:
    draw = Random(seed)
    term = (random_number, random_truth)[seed % 2](graph, draw, 4)
    _assert_same(term, folder.fold(term))


@pytest.mark.parametrize("seed", range(20))
def test_no_value_of_a_number_is_outside_its_limits(graph: Graph, folder: Folder, seed: int) -> None:
    folded = folder.fold(random_number(graph, Random(seed), 4))
    low, high = folder.limits(folded)
    assert all(low <= evaluate(folded, values) <= high for values in settings())


@pytest.mark.parametrize(
    ("make", "limits"),
    [
        (lambda a, b, _t: a + b, (-1, 6)),
        (lambda a, b, _t: a - b, (-7, 0)),
        (lambda a, b, _t: b - a, (0, 7)),
        (lambda a, b, _t: a * b, (-12, 8)),
        (lambda a, b, _t: minimum(a, b - 3), (-3, 1)),
        (lambda a, b, _t: maximum(a, b - 3), (-1, 2)),
        (lambda a, b, t: select(t, a, b), (-3, 4)),
        (lambda a, b, t: select(t, b, a), (-3, 4)),
        (lambda a, _b, _t: a + 7, (4, 9)),
    ],
)
def test_limits_are_those_of_every_value(of: Any, folder: Folder, make: Any, limits: tuple[int, int]) -> None:
    term = folder.fold(make(of("a"), of("b"), of("t")))
    assert folder.limits(term) == limits
    found = [evaluate(term, values) for values in settings()]
    assert (min(found), max(found)) == limits


def test_a_variable_without_a_range_is_any_int32(graph: Graph, folder: Folder) -> None:
    assert folder.limits(graph.variable("elapsed", "int")) == (-2_147_483_648, 2_147_483_647)


@pytest.mark.parametrize(
    ("op", "meaning"),
    [("+", operator.add), ("-", operator.sub), ("*", operator.mul), ("min", min), ("max", max), ("<", operator.lt),
     ("<=", operator.le), ("==", operator.eq), ("!=", operator.ne)],
)  # fmt: skip  # a table
@pytest.mark.parametrize("pair", [(7, 3), (3, 7), (5, 5), (-4, 2)])
def test_what_holds_constants_only_is_worked_out(
    graph: Graph, folder: Folder, op: str, meaning: Any, pair: tuple[int, int]
) -> None:
    right = meaning(*pair)
    kind = "bool" if isinstance(right, bool) else "int"
    term = graph.term(op, kind, *(graph.constant(one) for one in pair))  # type: ignore[arg-type]  # one of the kinds
    assert folder.fold(term) is graph.constant(right)


@pytest.mark.parametrize(
    "make",
    [
        lambda a: 0 + a,
        lambda a: a + 0,
        lambda a: a - 0,
        lambda a: 1 * a,
        lambda a: a * 1,
        lambda a: minimum(a, 2),  # a is at most 2
        lambda a: minimum(2, a),
        lambda a: maximum(a, -3),  # and at least -3
        lambda a: maximum(-3, a),
        lambda a: select(a == 1, 1, 1) * a,
    ],
)
def test_what_does_nothing_is_dropped(of: Any, folder: Folder, make: Any) -> None:
    assert folder.fold(make(of("a"))) is of("a")


@pytest.mark.parametrize(
    "make",
    [
        lambda a: 0 - a,
        lambda a: a * 0,
        lambda a: a + 1,
        lambda a: 1 + a,
        lambda a: 1 - a,
        lambda a: a - 1,
        lambda a: 2 * a,
        lambda a: minimum(a, 1),
        lambda a: minimum(1, a),
        lambda a: maximum(a, -2),
        lambda a: maximum(-2, a),
    ],
)
def test_what_does_something_stays(of: Any, folder: Folder, make: Any) -> None:
    assert folder.fold(make(of("a"))) is make(of("a"))


def test_ranges_that_touch_settle_which_is_smaller(of: Any, folder: Folder) -> None:
    a, b = of("a"), of("b")  # up to 2, from 2
    assert folder.fold(minimum(a, b)) is a
    assert folder.fold(minimum(b, a)) is a
    assert folder.fold(maximum(a, b)) is b
    assert folder.fold(maximum(b, a)) is b
    assert folder.fold(minimum(a + 1, b)).op == "min"
    assert folder.fold(maximum(b, a + 1)).op == "max"


def test_the_opposite_of_a_comparison_is_a_comparison(of: Any, folder: Folder) -> None:
    a, b, t = of("a"), of("b"), of("t")
    assert folder.fold(not_(a < b)) is (b <= a)
    assert folder.fold(not_(a <= b)) is (b < a)
    assert folder.fold(not_(a == b)) is (a != b)
    assert folder.fold(not_(a != b)) is (a == b)
    assert folder.fold(not_(not_(t))) is t
    assert folder.fold(not_(t)) is not_(t)
    assert folder.fold(not_(t & (a == b))) is not_(t & (a == b))


@pytest.mark.parametrize("truth", [False, True])
def test_a_truth_that_is_known_decides(graph: Graph, of: Any, folder: Folder, truth: bool) -> None:
    a, b, t, known = of("a"), of("b"), of("t"), graph.constant(truth)
    assert folder.fold(not_(known)) is graph.constant(not truth)
    for both in (t & known, known & t):
        assert folder.fold(both) is (t if truth else known)
    for either in (t | known, known | t):
        assert folder.fold(either) is (known if truth else t)
    assert folder.fold(select(known, a, b)) is (a if truth else b)
    assert folder.fold(known) is known


def test_a_choice_of_a_known_truth_is_no_choice(of: Any, folder: Folder) -> None:
    t, u, a = of("t"), of("u"), of("a")
    assert folder.fold(select(t, True, u)) is (t | u)
    assert folder.fold(select(t, False, u)) is (not_(t) & u)
    assert folder.fold(select(t, u, True)) is (not_(t) | u)
    assert folder.fold(select(t, u, False)) is (t & u)
    assert folder.fold(select(t, u, u)) is u
    assert folder.fold(select(t, a, 1)) is select(t, a, 1)
    assert folder.fold(select(t, 1, a)) is select(t, 1, a)


def test_the_same_twice_is_once(of: Any, folder: Folder) -> None:
    t = of("t")
    assert folder.fold(t & t) is t
    assert folder.fold(t | t) is t


@pytest.mark.parametrize("join", [operator.and_, operator.or_])
@pytest.mark.parametrize("first", [operator.lt, operator.le, operator.eq, operator.ne])
@pytest.mark.parametrize("is_left", [False, True])
def test_two_comparisons_that_choose_by_one_truth_choose_once(
    of: Any, folder: Folder, join: Any, first: Any, is_left: bool
) -> None:
    a, b, c, t = of("a"), of("b"), of("c"), of("t")
    chosen = select(t, a, c + 1)
    term = join(first(chosen, c) if is_left else first(c, chosen), select(t, b - 3, a) <= 0)
    folded = folder.fold(term)
    _assert_same(term, folded)
    assert (folded.op, folded.parts[0]) == ("select", t)
    assert [part.op for part in folded.parts[1:]] == ["&" if join is operator.and_ else "|"] * 2


def test_comparisons_that_choose_by_two_truths_stay_apart(of: Any, folder: Folder) -> None:
    a, c, t, u = of("a"), of("c"), of("t"), of("u")
    one, other = select(t, a, c) < 1, select(u, a, c) < 2
    assert folder.fold(one & other) is (one & other)
    assert folder.fold(one & (a < c)) is (one & (a < c))
    assert folder.fold((a < c) | one) is ((a < c) | one)
    assert folder.fold(one & t) is (one & t)


def test_terms_of_another_graph_are_rebuilt_in_the_folders_own(graph: Graph, folder: Folder) -> None:
    other = Graph()
    term = (other.variable("a", "int") + 0 < 1) & other.variable("t", "bool")
    assert folder.fold(term) is ((graph.variable("a", "int") < 1) & graph.variable("t", "bool"))


def test_the_leaves_of_a_chain_come_in_their_order(of: Any) -> None:
    t, u, a = of("t"), of("u"), of("a")
    one, other = a < 1, not_(u)
    chain = (t & (u | t)) & (one & other)
    assert leaves(chain, "&") == [t, u | t, one, other]
    assert leaves(chain, "|") == [chain]
    assert leaves(t, "&") == [t]


def test_what_is_whole_is_not_taken_apart(of: Any) -> None:
    t, u = of("t"), of("u")
    whole = t & u
    assert leaves(whole & not_(t), "&", lambda term: term is whole) == [whole, not_(t)]
