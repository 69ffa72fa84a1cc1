"""32-bit values for the proof: a z3 bit-vector (or truth value) with an interval that holds for it.

Where the interval shows that an operation stays within int32, the bit-vector is the whole number. Where it does
not, the operation is noted as an obligation that the prover has to discharge: in C it would be undefined.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

import z3

from controller.port.c_text import HIGHEST, LOWEST, int32

Kind = Literal["int", "bool"]

_FACTOR_MS = 5_000
"""How long two factors may take to be shown equal; if it takes longer they stay apart, which is never wrong."""


@dataclass(frozen=True)
class Value:
    """A number with the interval it lies in, or a truth value, whose interval says nothing."""

    term: Any
    kind: Kind
    low: int = LOWEST
    high: int = HIGHEST


@dataclass
class Bits:
    """Builds values; keeps the conditions on the way to the present point and what remains to be shown."""

    assumptions: list[Any] = field(default_factory=list)
    path: list[Any] = field(default_factory=list)
    obligations: list[tuple[str, Any]] = field(default_factory=list)
    _products: list[tuple[Any, Any, Any]] = field(default_factory=list)

    def number(self, value: int) -> Value:
        """Return a constant; `UserError` for what is no int32."""
        return Value(z3.BitVecVal(int32(value), 32), "int", value, value)

    def truth(self, value: bool) -> Value:
        """Return a constant truth value."""
        return Value(z3.BoolVal(value), "bool")

    def variable(self, name: str, kind: Kind, low: int = LOWEST, high: int = HIGHEST) -> Value:
        """Return a variable; that it lies in its interval is the caller's assumption.

        Raises `UserError` for an interval wider than int32: as 32 bits its ends would be other numbers.
        """
        if kind == "bool":
            return Value(z3.Bool(name), "bool")
        return Value(z3.BitVec(name, 32), "int", int32(low), int32(high))

    def arithmetic(self, op: str, left: Value, right: Value) -> Value:
        """Return `left op right` for + - *."""
        if op == "+":
            low, high = left.low + right.low, left.high + right.high
        elif op == "-":
            low, high = left.low - right.high, left.high - right.low
        else:
            corners = [x * y for x in (left.low, left.high) for y in (right.low, right.high)]
            low, high = min(corners), max(corners)
        a, b = left.term, right.term
        if low < LOWEST or high > HIGHEST:
            self.obligations.append((f"{op} overflows int32", self._fits(op, a, b)))
            low, high = LOWEST, HIGHEST
        elif low == high:
            return self.number(low)
        return Value(a + b if op == "+" else a - b if op == "-" else self._product(a, b), "int", low, high)

    def _product(self, a: Any, b: Any) -> Any:
        # Two products whose factors are equal are one term: a solver that has to multiply out both is lost.
        a, b = z3.simplify(a), z3.simplify(b)
        for one, other, product in self._products:
            if _alike(one, a) and _alike(other, b) and self._equal(one, a, other, b):
                return product
        product = a * b
        self._products.append((a, b, product))
        return product

    def _equal(self, one: Any, a: Any, other: Any, b: Any) -> bool:
        if one.eq(a) and other.eq(b):
            return True
        solver = z3.SolverFor("QF_BV")
        solver.set("timeout", _FACTOR_MS)
        solver.add(*self.assumptions, z3.Or(one != a, other != b))
        return bool(solver.check() == z3.unsat)

    def _fits(self, op: str, a: Any, b: Any) -> Any:
        fits = {
            "+": lambda: z3.And(z3.BVAddNoOverflow(a, b, True), z3.BVAddNoUnderflow(a, b)),
            "-": lambda: z3.And(z3.BVSubNoOverflow(a, b), z3.BVSubNoUnderflow(a, b, True)),
            "*": lambda: z3.And(z3.BVMulNoOverflow(a, b, True), z3.BVMulNoUnderflow(a, b)),
        }[op]()
        return z3.Implies(z3.And(*self.path), fits)

    def compare(self, op: str, left: Value, right: Value) -> Value:
        """Return `left op right` for < <= == !=, on numbers; == and != on truth values too."""
        a, b = left.term, right.term
        terms = {"<": lambda: a < b, "<=": lambda: a <= b, "==": lambda: a == b, "!=": lambda: a != b}
        return Value(terms[op](), "bool")

    def both(self, left: Value, right: Value) -> Value:
        """Return `left & right`."""
        if z3.is_true(left.term) or z3.is_false(right.term):
            return right
        if z3.is_false(left.term) or z3.is_true(right.term):
            return left
        return Value(z3.And(left.term, right.term), "bool")

    def either(self, left: Value, right: Value) -> Value:
        """Return `left | right`."""
        if z3.is_false(left.term) or z3.is_true(right.term):
            return right
        if z3.is_true(left.term) or z3.is_false(right.term):
            return left
        return Value(z3.Or(left.term, right.term), "bool")

    def opposite(self, truth: Value) -> Value:
        """Return `not truth`."""
        if z3.is_true(truth.term) or z3.is_false(truth.term):
            return self.truth(z3.is_false(truth.term))
        return Value(z3.Not(truth.term), "bool")

    def choice(self, truth: Value, yes: Value, no: Value) -> Value:
        """Return `truth ? yes : no`."""
        if yes.term is no.term or z3.is_true(truth.term):
            return yes
        if z3.is_false(truth.term):
            return no
        term = z3.If(truth.term, yes.term, no.term)
        return Value(term, yes.kind, min(yes.low, no.low), max(yes.high, no.high))

    def extreme(self, op: str, left: Value, right: Value) -> Value:
        """Return the smaller (`min`) or larger (`max`)."""
        pick = min if op == "min" else max
        term = z3.If(left.term < right.term if op == "min" else left.term > right.term, left.term, right.term)
        return Value(term, "int", pick(left.low, right.low), pick(left.high, right.high))


def _alike(one: Any, other: Any) -> bool:
    # Worth asking: the same constant, or two terms over the same variables.
    if z3.is_bv_value(one):
        return bool(one.eq(other))
    return _variables(one) == _variables(other)


def _variables(term: Any) -> set[str]:
    found: set[str] = set()
    seen: set[int] = set()
    waiting = [term]
    while waiting:
        top = waiting.pop()
        if top.get_id() in seen:
            continue
        seen.add(top.get_id())
        if top.num_args() == 0 and top.decl().kind() == z3.Z3_OP_UNINTERPRETED:
            found.add(top.decl().name())
        waiting += top.children()
    return found


def in_range(value: Value) -> Any:
    """Return the claim that a number lies in its interval."""
    return z3.And(value.term >= value.low, value.term <= value.high)


def all_in_range(values: Sequence[Value]) -> list[Any]:
    """Return the claims of all numbers among the values."""
    return [in_range(value) for value in values if value.kind == "int"]
