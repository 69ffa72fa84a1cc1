"""A function's body as C text: it means what the terms do, and what is shared is worked out once."""

from __future__ import annotations

import re
from collections.abc import Callable
from itertools import count
from random import Random
from typing import Any

import pytest
from put_in import value_at
from small_rules import HEADER, SMALL
from small_terms import RANGES, random_number, random_truth, settings
from term_values import evaluate

from controller.port.bits import Bits
from controller.port.c_function import Places, Scope, bare, c_type
from controller.port.c_reader import Machine, Pointer, read
from controller.terms import Graph, Term
from controller.words import maximum, minimum, not_, select

_HELPERS = """
int32_t rules_min(int32_t a, int32_t b) { return (a < b) ? a : b; }
int32_t rules_max(int32_t a, int32_t b) { return (a > b) ? a : b; }
"""


@pytest.fixture
def places() -> Places:
    return Places(SMALL)


@pytest.fixture
def scope(places: Places) -> Scope:
    return Scope(places)


@pytest.fixture
def graph(places: Places) -> Graph:
    return places.graph


@pytest.fixture
def of(graph: Graph) -> Callable[[str], Any]:
    """Return the variable of a name, e.g. `x.speed`."""
    flags = {f"x.{one.name}" for one in SMALL.signals if one.is_flag} | {"m.hot", "k.strict"}
    return lambda name: graph.variable(name, "bool" if name in flags else "int")


def _put(scope: Scope, *terms: Term) -> list[str]:
    """Return the lines that put each term into a place of its own: `p0`, `p1`, ..."""
    for at, term in enumerate(terms):
        scope.add([term], lambda at=at, term=term: scope.say(f"p{at} = {bare(scope.text(term))};"))  # type: ignore[misc]  # a step
    return scope.finish()


# The same value -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(16))
def test_the_c_of_random_terms_reads_back_as_the_terms(seed: int) -> None:
    places, draw = Places(SMALL), Random(seed)
    names = {"a": "m.state", "b": "m.band", "c": "m.reason", "t": "m.hot", "u": "x.brake_on"}
    for name, place in names.items():
        places.variable(name, "int" if name in RANGES else "bool", place.replace(".", "->"))
    number, truth = random_number(places.graph, draw, 6), random_truth(places.graph, draw, 6)
    scope = Scope(places)
    scope.add([number], lambda: scope.say(f"c->band = {bare(scope.text(number))};"))
    scope.add([truth], lambda: scope.say(f"c->state = {scope.text(truth)} ? 1 : 0;"))
    arguments = "const rules_inputs_t *x, const rules_memory_t *m, rules_command_t *c"
    text = f"{_HELPERS}void f({arguments})\n{{\n" + "\n".join(scope.finish()) + "\n}\n"
    bits = Bits()
    store = {place: bits.variable(name, "int" if name in RANGES else "bool") for name, place in names.items()}
    machine = Machine(read(HEADER, text), bits, store)
    machine.call("f", [Pointer("x", "rules_inputs_t", True), Pointer("m", "rules_memory_t", True),
                       Pointer("c", "rules_command_t", False)])  # fmt: skip
    for values in draw.sample(list(settings()), 12):
        for path, term in (("c.band", number), ("c.state", truth)):
            assert value_at(machine.store[path].term, **values) == evaluate(term, values), text


@pytest.mark.parametrize(
    ("make", "text"),
    [
        (lambda a, _b, _t: a, "x->speed"),
        (lambda a, b, _t: a + b, "(x->speed + k->gap)"),
        (lambda a, b, _t: a - b, "(x->speed - k->gap)"),
        (lambda a, b, _t: a * b, "(x->speed * k->gap)"),
        (lambda a, _b, _t: -a, "(-x->speed)"),
        (lambda a, _b, _t: 5 - a, "(5 - x->speed)"),
        (lambda a, _b, _t: a + -7, "(x->speed + (-7))"),
        (lambda a, b, _t: a < b, "(x->speed < k->gap)"),
        (lambda a, b, _t: a <= b, "(x->speed <= k->gap)"),
        (lambda a, b, _t: a == b, "(x->speed == k->gap)"),
        (lambda a, b, _t: a != b, "(x->speed != k->gap)"),
        (lambda a, b, t: t & (a < b), "(m->hot && (x->speed < k->gap))"),
        (lambda a, b, t: (a < b) | t, "((x->speed < k->gap) || m->hot)"),
        (lambda _a, _b, t: not_(t), "(!m->hot)"),
        (lambda a, b, t: select(t, a, b), "(m->hot ? x->speed : k->gap)"),
        (lambda a, b, _t: minimum(a, b + 1), "rules_min(x->speed, k->gap + 1)"),
        (lambda a, b, _t: maximum(a + 1, b), "rules_max(x->speed + 1, k->gap)"),
        (lambda _a, _b, t: t & True, "(m->hot && true)"),
        (lambda _a, _b, t: t | False, "(m->hot || false)"),
    ],
)
def test_each_operation_is_written_with_its_brackets(scope: Scope, of: Any, make: Any, text: str) -> None:
    assert scope.text(make(of("x.speed"), of("k.gap"), of("m.hot"))) == text


def test_helpers_are_noted_where_they_are_called(scope: Scope, places: Places, of: Any) -> None:
    scope.text(of("x.speed") + 1)
    assert places.helpers == set()
    scope.text(minimum(of("x.speed"), 1))
    assert places.helpers == {"rules_min"}
    scope.text(maximum(of("x.speed"), 1))
    assert places.helpers == {"rules_min", "rules_max"}


def test_a_variable_may_stand_for_any_place(scope: Scope, places: Places) -> None:
    assert scope.text(places.variable("band'", "int", "m->band") + 1) == "(m->band + 1)"


def test_what_a_rule_returns_is_folded_by_the_declared_ranges(places: Places, of: Any) -> None:
    assert places.fold(5) is places.graph.constant(5)
    assert places.fold(minimum(of("k.gap"), 10)) is of("k.gap")  # from 0 to 10
    assert places.fold(minimum(of("x.speed"), 100)) is of("x.speed")
    assert places.fold(maximum(of("m.band"), 0)) is of("m.band")
    assert places.fold(minimum(of("x.speed"), 99)).op == "min"


@pytest.mark.parametrize(
    ("text", "inside"),
    [
        ("(a + b)", "a + b"),
        ("((a + b) * c)", "(a + b) * c"),
        ("(a) + (b)", "(a) + (b)"),
        ("(a + b) * c", "(a + b) * c"),
        ("f(a, b)", "f(a, b)"),
        ("a", "a"),
        ("(5)", "5"),
        ("(-2147483647 - 1)", "(-2147483647 - 1)"),
        ("", ""),
    ],
)
def test_the_outermost_brackets_go_only_where_they_hold_everything(text: str, inside: str) -> None:
    assert bare(text) == inside


def test_types() -> None:
    assert (c_type("bool"), c_type("int")) == ("bool", "int32_t")


# Locals ---------------------------------------------------------------------------------------------------------


def test_what_is_used_twice_is_a_local(scope: Scope, of: Any) -> None:
    total = of("x.speed") + of("k.gap")
    assert _put(scope, total * total) == [
        "    const int32_t t1 = x->speed + k->gap;",
        "    p0 = t1 * t1;",
    ]


def test_what_is_used_once_is_not(scope: Scope, of: Any) -> None:
    assert _put(scope, (of("x.speed") + of("k.gap")) * of("k.factor")) == [
        "    p0 = (x->speed + k->gap) * k->factor;",
    ]


def test_what_two_statements_use_is_a_local_before_the_first(scope: Scope, of: Any) -> None:
    total = of("x.speed") + of("k.gap")
    assert _put(scope, total + 1, total + 2, total) == [
        "    const int32_t t1 = x->speed + k->gap;",
        "    p0 = t1 + 1;",
        "    p1 = t1 + 2;",
        "    p2 = t1;",
    ]


def test_what_is_itself_needed_twice_is_a_local_too(scope: Scope, of: Any) -> None:
    total = of("x.speed") + of("k.gap")
    assert _put(scope, total, total) == [
        "    const int32_t t1 = x->speed + k->gap;",
        "    p0 = t1;",
        "    p1 = t1;",
    ]


def test_a_truth_value_is_a_bool(scope: Scope, of: Any) -> None:
    fast = (of("x.speed") + 1) < of("k.gap")
    assert _put(scope, fast & of("m.hot"), fast | of("m.hot")) == [
        "    const bool t1 = (x->speed + 1) < k->gap;",
        "    p0 = t1 && m->hot;",
        "    p1 = t1 || m->hot;",
    ]


@pytest.mark.parametrize(
    ("make", "is_local"),
    [
        (lambda a, b: a < b, False),
        (lambda a, b: a <= b, False),
        (lambda a, b: a == b, False),
        (lambda a, _b: a != 5, False),
        (lambda a, b: select(a * b < 0, 1, 2), True),
        (lambda a, b: a * b, False),
        (lambda a, b: a + b, True),
        (lambda a, b: a - b, True),
        (lambda a, b: minimum(a, b), True),
        (lambda a, b: (a + b) < 4, True),
        (lambda a, b: (a + b) > 4, True),
        (lambda a, b: a * (b + 1), True),
        (lambda a, _b: a, False),
    ],
)
def test_only_comparisons_and_products_of_two_places_are_done_again(
    scope: Scope, of: Any, make: Any, is_local: bool
) -> None:
    term = make(of("x.speed"), of("k.gap"))
    assert ("const" in "\n".join(_put(scope, term, term))) is is_local


def test_locals_are_numbered_in_the_order_of_need_by_the_functions_own_count(places: Places, of: Any) -> None:
    a, b = of("x.speed"), of("k.gap")
    inner = a + b
    outer = inner * inner
    assert _put(Scope(places), outer + outer) == [
        "    const int32_t t1 = x->speed + k->gap;",
        "    const int32_t t2 = t1 * t1;",
        "    p0 = t2 + t2;",
    ]
    numbers = count(7)
    assert _put(Scope(places, numbers), inner * inner)[0] == "    const int32_t t7 = x->speed + k->gap;"
    assert _put(Scope(places, numbers), inner * inner)[0] == "    const int32_t t8 = x->speed + k->gap;"


def _sums(of: Any, length: int) -> Term:
    term = of("x.speed")
    for _ in range(length):
        term = of("k.gap") + term
    return term  # type: ignore[no-any-return]  # a term


@pytest.mark.parametrize(("length", "cuts"), [(14, 0), (15, 0), (16, 1), (30, 1), (31, 2)])
def test_an_expression_deeper_than_fourteen_is_cut(scope: Scope, of: Any, length: int, cuts: int) -> None:
    lines = _put(scope, _sums(of, length))
    text = "\n".join(lines)
    assert text.count("const int32_t") == cuts
    assert text.count("k->gap") == length
    assert [line.count("k->gap") for line in re.split(r"\n    (?=\w)", text)[:cuts]] == [15] * cuts


def test_a_local_that_is_deep_is_no_deeper_for_what_uses_it(scope: Scope, of: Any) -> None:
    shared = _sums(of, 10)
    lines = "\n".join(_put(scope, (shared - 1) * (shared - 2) + of("k.limit")))
    assert lines.count("const int32_t") == 1


def test_what_is_for_later_is_left_to_the_step(scope: Scope, of: Any) -> None:
    total, other = of("x.speed") + of("k.gap"), of("x.speed") + of("k.limit")

    def write() -> None:
        scope.say("between();")
        scope.name_shared(total * total)
        scope.say(f"p0 = {bare(scope.text(total * total))};")

    scope.add([other * other], lambda: scope.say("first();"))
    scope.add([], write, [total * total])
    assert scope.finish() == [
        "    const int32_t t1 = x->speed + k->limit;",
        "    first();",
        "    between();",
        "    const int32_t t2 = x->speed + k->gap;",
        "    p0 = t2 * t2;",
    ]


def test_a_name_stands_for_its_term(scope: Scope, of: Any) -> None:
    total = of("x.speed") + of("k.gap")
    assert not scope.is_named(total)
    scope.name(total, "elapsed_ms")
    assert scope.is_named(total)
    assert scope.text(total + 1) == "(elapsed_ms + 1)"
    assert _put(scope, total * total, total) == ["    p0 = elapsed_ms * elapsed_ms;", "    p1 = elapsed_ms;"]


def test_a_local_may_have_a_name_of_its_own(scope: Scope, of: Any) -> None:
    total, other = of("x.speed") + of("k.gap"), of("x.speed") - of("k.gap")
    scope.bind(total, "gap_ms")
    scope.bind(other)
    assert scope.lines == ["    const int32_t gap_ms = x->speed + k->gap;", "    const int32_t t1 = x->speed - k->gap;"]
    assert (scope.text(total), scope.text(other)) == ("gap_ms", "t1")


def test_what_a_block_binds_is_known_in_it_only(scope: Scope, of: Any) -> None:
    outside, inside = of("x.speed") + of("k.gap"), of("x.speed") - of("k.gap")
    scope.bind(outside)
    with scope.block():
        scope.bind(inside)
        scope.say(f"p0 = {scope.text(outside)} + {scope.text(inside)};")
    scope.say(f"p1 = {scope.text(outside)};")
    assert not scope.is_named(inside)
    assert scope.lines == [
        "    const int32_t t1 = x->speed + k->gap;",
        "    {",
        "        const int32_t t2 = x->speed - k->gap;",
        "        p0 = t1 + t2;",
        "    }",
        "    p1 = t1;",
    ]


# What a term would cost -----------------------------------------------------------------------------------------


def test_what_has_to_be_bound_before_a_term_is_told(scope: Scope, of: Any) -> None:
    a, b = of("x.speed"), of("k.gap")
    total = a + b
    outer = (total * total) + (a * b) + (a * b)
    missing: list[set[Term]] = []

    def write() -> None:
        missing.append(scope.missing_locals(outer))
        scope.bind(total)
        missing.append(scope.missing_locals(outer))

    scope.add([], write, [outer])
    scope.finish()
    # Neither places nor a product of two places, which is done again; nor what is bound already.
    assert missing == [{total}, set()]


def test_whether_nothing_else_needs_what_a_term_is_made_of(scope: Scope, of: Any) -> None:
    a, b = of("x.speed"), of("k.gap")
    mine, shared = a + b, a - b
    root, other = (mine * mine) + (shared * shared), shared + 1
    said: list[bool] = []

    def write() -> None:
        said.append(scope.is_needed_here_only({mine}, root))
        said.append(scope.is_needed_here_only({shared}, root))
        said.append(scope.is_needed_here_only({mine, shared}, root))
        said.append(scope.is_needed_here_only(set(), root))
        said.append(scope.is_needed_here_only({root}, root))

    scope.add([], write, [root, other])
    scope.finish()
    assert said == [True, False, False, True, True]
