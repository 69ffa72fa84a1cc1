"""32-bit values: each operation is that of whole numbers, or the prover has to show that it stays in range."""

from __future__ import annotations

import operator
from itertools import product
from typing import Any, NoReturn

import pytest
import z3
from put_in import value_at

from controller.errors import UserError
from controller.port.bits import Bits, Value, all_in_range, in_range

LOWEST, HIGHEST = -2_147_483_648, 2_147_483_647
EDGES = (LOWEST, LOWEST + 1, -65_536, -46_341, -46_340, -1, 0, 1, 2, 46_340, 46_341, 65_536, HIGHEST - 1, HIGHEST)
ARITHMETIC = {"+": operator.add, "-": operator.sub, "*": operator.mul}
COMPARISONS = {"<": operator.lt, "<=": operator.le, "==": operator.eq, "!=": operator.ne}


@pytest.fixture
def bits() -> Bits:
    return Bits()


@pytest.fixture
def a(bits: Bits) -> Value:
    return bits.variable("a", "int")


@pytest.fixture
def b(bits: Bits) -> Value:
    return bits.variable("b", "int")


@pytest.mark.parametrize("op", ARITHMETIC)
def test_arithmetic_is_that_of_whole_numbers_wherever_it_is_in_range(bits: Bits, a: Value, b: Value, op: str) -> None:
    made = bits.arithmetic(op, a, b)
    [(what, fits)] = bits.obligations
    assert what == f"{op} overflows int32"
    assert (made.low, made.high) == (LOWEST, HIGHEST)
    for one, other in product(EDGES, repeat=2):
        whole = ARITHMETIC[op](one, other)
        assert value_at(fits, a=one, b=other) == (LOWEST <= whole <= HIGHEST), (one, other)
        if LOWEST <= whole <= HIGHEST:
            assert value_at(made.term, a=one, b=other) == whole


@pytest.mark.parametrize("op", ARITHMETIC)
@pytest.mark.parametrize("left", [(-3, 2), (1, 4), (-5, -2)])
@pytest.mark.parametrize("right", [(-2, 3), (0, 2), (-4, -1)])
def test_an_interval_is_that_of_every_pair(bits: Bits, op: str, left: tuple[int, int], right: tuple[int, int]) -> None:
    made = bits.arithmetic(op, bits.variable("a", "int", *left), bits.variable("b", "int", *right))
    pairs = product(range(left[0], left[1] + 1), range(right[0], right[1] + 1))
    values = [ARITHMETIC[op](*pair) for pair in pairs]
    assert (made.low, made.high) == (min(values), max(values))
    assert bits.obligations == []


@pytest.mark.parametrize(
    ("op", "left", "right"),
    [("+", (0, HIGHEST - 1), (0, 1)), ("+", (LOWEST + 1, 0), (-1, 0)), ("-", (LOWEST + 1, 0), (0, 1)),
     ("-", (0, HIGHEST - 1), (-1, 0)), ("*", (0, 1_073_741_823), (0, 2)), ("*", (-1_073_741_824, 0), (0, 2))],
)  # fmt: skip  # a table
def test_only_what_may_leave_int32_is_to_be_shown(
    bits: Bits, op: str, left: tuple[int, int], right: tuple[int, int]
) -> None:
    bits.arithmetic(op, bits.variable("a", "int", *left), bits.variable("b", "int", *right))
    assert bits.obligations == []
    # One more at the far end of either may not fit.
    far = (left[0] - 1, left[1]) if left[0] else (left[0], left[1] + 1)
    bits.arithmetic(op, bits.variable("c", "int", *far), bits.variable("b", "int", *right))
    assert len(bits.obligations) == 1


def test_what_has_one_value_only_is_that_constant(bits: Bits) -> None:
    made = bits.arithmetic("-", bits.number(-2_147_483_647), bits.number(1))
    assert made.term.eq(z3.BitVecVal(LOWEST, 32))
    assert (made.low, made.high) == (LOWEST, LOWEST)


def test_an_operation_counts_only_where_it_is_reached(bits: Bits, a: Value, b: Value) -> None:
    bits.path.append(a.term < 0)
    bits.arithmetic("+", a, b)
    _, fits = bits.obligations[0]
    assert value_at(fits, a=1, b=HIGHEST) is True  # not reached
    assert value_at(fits, a=-1, b=LOWEST) is False
    assert value_at(fits, a=-1, b=HIGHEST) is True


@pytest.mark.parametrize("value", [LOWEST, -1, 0, HIGHEST])
def test_constants_of_int32(bits: Bits, value: int) -> None:
    made = bits.number(value)
    assert (made.kind, made.low, made.high, made.term.size()) == ("int", value, value, 32)
    assert value_at(made.term) == value


@pytest.mark.parametrize("value", [LOWEST - 1, HIGHEST + 1])
def test_no_number_and_no_range_wider_than_int32_is_read_as_another(bits: Bits, value: int) -> None:
    with pytest.raises(UserError, match=f"the number {value}, which is no int32"):
        bits.number(value)
    with pytest.raises(UserError, match=f"the number {value}, which is no int32"):
        bits.variable("a", "int", min(value, 0), max(value, 0))


def test_variables(bits: Bits) -> None:
    number, truth = bits.variable("n", "int", -5, 7), bits.variable("t", "bool", 0, 1)
    assert (number.kind, number.low, number.high, number.term.size()) == ("int", -5, 7, 32)
    assert truth.kind == "bool"
    assert truth.term.eq(z3.Bool("t"))


@pytest.mark.parametrize("op", COMPARISONS)
def test_comparisons_know_the_sign(bits: Bits, a: Value, b: Value, op: str) -> None:
    made = bits.compare(op, a, b)
    assert made.kind == "bool"
    for one, other in product(EDGES, repeat=2):
        assert value_at(made.term, a=one, b=other) is COMPARISONS[op](one, other)


@pytest.mark.parametrize("op", ["==", "!="])
def test_truth_values_are_compared_too(bits: Bits, op: str) -> None:
    made = bits.compare(op, bits.variable("t", "bool"), bits.variable("u", "bool"))
    for t, u in product([False, True], repeat=2):
        assert value_at(made.term, t=t, u=u) is COMPARISONS[op](t, u)


@pytest.mark.parametrize(("op", "pick"), [("min", min), ("max", max)])
def test_the_smaller_and_the_larger(bits: Bits, a: Value, b: Value, op: str, pick: Any) -> None:
    made = bits.extreme(op, a, b)
    for one, other in product(EDGES, repeat=2):
        assert value_at(made.term, a=one, b=other) == pick(one, other)
    narrow = bits.extreme(op, bits.variable("a", "int", -3, 9), bits.variable("b", "int", -1, 4))
    assert (narrow.low, narrow.high) == (pick(-3, -1), pick(9, 4))


@pytest.mark.parametrize("left", [False, True, None])
@pytest.mark.parametrize("right", [False, True, None])
def test_truth_tables_with_what_is_known_and_what_is_not(bits: Bits, left: bool | None, right: bool | None) -> None:
    t = bits.variable("t", "bool") if left is None else bits.truth(left)
    u = bits.variable("u", "bool") if right is None else bits.truth(right)
    both, either, opposite = bits.both(t, u), bits.either(t, u), bits.opposite(t)
    for one, other in product([False, True] if left is None else [left], [False, True] if right is None else [right]):
        assert value_at(both.term, t=one, u=other) is (one and other)
        assert value_at(either.term, t=one, u=other) is (one or other)
        assert value_at(opposite.term, t=one) is (not one)
    # What is settled is a constant or one of the sides as it was, so that equal things look equal.
    if left is not None or right is not None:
        sides = [z3.BoolVal(False), z3.BoolVal(True), t.term, u.term]
        assert all(any(made.term.eq(side) for side in sides) for made in (both, either))
    if left is not None:
        assert opposite.term.eq(z3.BoolVal(not left))


def test_a_choice_takes_the_side_that_holds(bits: Bits, a: Value, b: Value) -> None:
    t = bits.variable("t", "bool")
    made = bits.choice(t, a, b)
    assert (value_at(made.term, t=True, a=5, b=6), value_at(made.term, t=False, a=5, b=6)) == (5, 6)
    assert bits.choice(bits.truth(True), a, b) is a
    assert bits.choice(bits.truth(False), a, b) is b
    assert bits.choice(t, a, a) is a
    assert bits.choice(t, t, t).kind == "bool"


@pytest.mark.parametrize(("yes", "no"), [((-3, 2), (0, 9)), ((0, 9), (-3, 2))])
def test_a_choice_may_be_anything_that_either_side_may(bits: Bits, yes: tuple[int, int], no: tuple[int, int]) -> None:
    made = bits.choice(bits.variable("t", "bool"), bits.variable("a", "int", *yes), bits.variable("b", "int", *no))
    assert (made.kind, made.low, made.high) == ("int", -3, 9)


@pytest.mark.parametrize(("value", "holds"), [(-6, False), (-5, True), (0, True), (7, True), (8, False)])
def test_the_claim_of_a_range_has_both_ends(bits: Bits, value: int, holds: bool) -> None:
    assert value_at(in_range(bits.variable("n", "int", -5, 7)), n=value) is holds


def test_ranges_are_claimed_of_numbers_only(bits: Bits, a: Value) -> None:
    claims = all_in_range([bits.variable("t", "bool"), a, bits.truth(True)])
    assert [claim.eq(in_range(a)) for claim in claims] == [True]


# Products: equal ones are one term ----------------------------------------------------------------------------


def _limited(bits: Bits, a: Value) -> Value:
    """Return a, or 10 where it is more."""
    return bits.extreme("min", a, bits.number(10))


def test_products_of_factors_that_are_equal_as_far_as_assumed_are_one_term(bits: Bits) -> None:
    a, b = bits.variable("a", "int", 0, 10), bits.variable("b", "int", 0, 10)
    bits.assumptions = all_in_range([a, b])
    first = bits.arithmetic("*", a, b)
    assert bits.arithmetic("*", _limited(bits, a), b).term.eq(first.term)
    assert bits.arithmetic("*", a, _limited(bits, b)).term.eq(first.term)
    assert bits.arithmetic("*", bits.arithmetic("-", bits.arithmetic("+", a, b), b), b).term.eq(first.term)


@pytest.mark.parametrize("side", [0, 1])
def test_products_of_factors_that_may_differ_are_not(bits: Bits, side: int) -> None:
    a, b = bits.variable("a", "int", 0, 11), bits.variable("b", "int", 0, 11)
    bits.assumptions = all_in_range([a, b])
    bits.arithmetic("*", a, b)
    factors = (_limited(bits, a), b) if side == 0 else (a, _limited(bits, b))
    made = bits.arithmetic("*", *factors)
    assert value_at(made.term, a=11, b=11) == 110
    next_one = [bits.arithmetic("+", one, bits.number(1)) if at == side else one for at, one in enumerate((a, b))]
    assert value_at(bits.arithmetic("*", *next_one).term, a=2, b=2) == 6


def test_products_by_other_constants_are_other_products(bits: Bits) -> None:
    a = bits.variable("a", "int", 0, 10)
    assert value_at(bits.arithmetic("*", a, bits.number(100)).term, a=3) == 300
    assert value_at(bits.arithmetic("*", a, bits.number(101)).term, a=3) == 303
    assert value_at(bits.arithmetic("*", bits.number(100), a).term, a=4) == 400


def test_no_solver_is_asked_about_factors_that_plainly_are_equal_or_are_not(
    bits: Bits, monkeypatch: pytest.MonkeyPatch
) -> None:
    def asked(_logic: str) -> NoReturn:
        raise AssertionError("asked")

    monkeypatch.setattr(z3, "SolverFor", asked)
    a, b, c = (bits.variable(name, "int", 0, 10) for name in "abc")
    both = bits.arithmetic("+", a, b)
    pairs = [(a, b), (a, c), (a, b), (both, c), (a, c), (b, c), (a, bits.number(3)), (a, bits.number(4)), (a, both)]
    made = [bits.arithmetic("*", *pair).term for pair in pairs]
    assert made[0].eq(made[2])
    with pytest.raises(AssertionError, match="asked"):
        bits.arithmetic("*", _limited(bits, a), b)
