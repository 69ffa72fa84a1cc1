"""Symbolic whole numbers and truth values: what a rule sees while it is traced.

A rule that runs on a `Term` shows every operation it does. Anything that a compiler for firmware, a prover and
plain Python would not read in the same way raises `RuleLanguageError` with the rule's own file and line.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from typing import Any, Final, Literal, NoReturn, TypeVar

from controller.errors import UserError

Kind = Literal["int", "bool"]

_Made = TypeVar("_Made")

_OWN_MODULES: Final = ("controller.terms", "controller.words", "controller.views", "controller.tracer")


class RuleLanguageError(UserError):
    """A rule uses something outside the restricted vocabulary."""


def refuse(what: str, instead: str) -> NoReturn:
    """Raise for the line of the rule that is being traced: what it did, and the word to use instead."""
    frame = sys._getframe(1)
    while frame.f_back is not None and frame.f_globals.get("__name__") in _OWN_MODULES:
        frame = frame.f_back
    raise RuleLanguageError(f"{frame.f_code.co_filename}:{frame.f_lineno}: {what}; {instead}")


class Graph:
    """All terms of one trace; equal operations on equal terms are one term (hash-consed)."""

    def __init__(self) -> None:
        self.terms: list[Term] = []
        self._known: dict[tuple[Any, ...], Term] = {}

    def term(self, op: str, kind: Kind, *parts: Term, value: int | str = 0) -> Term:
        """Return the one term for this operation."""
        key = (op, kind, value, *(part.index for part in parts))
        known = self._known.get(key)
        if known is None:
            known = Term(self, len(self.terms), op, kind, parts, value)
            self.terms.append(known)
            self._known[key] = known
        return known

    def variable(self, name: str, kind: Kind) -> Term:
        """Return the variable of that name, e.g. `x.engine_rpm`."""
        return self.term("var", kind, value=name)

    def constant(self, value: int) -> Term:
        """Return a whole number or a truth value as a term."""
        if isinstance(value, bool):
            return self.term("const", "bool", value=int(value))
        return self.term("const", "int", value=int(value))  # an enum's member becomes its number

    def lift(self, value: Any) -> Term:
        """Return a term as it is and a Python int or bool as a constant; refuse everything else."""
        if isinstance(value, Term):
            return value
        if isinstance(value, int):
            return self.constant(value)
        refuse(
            f"{value!r} is a {type(value).__name__}",
            "use a whole number in the signal's own unit (0.01 km/h, 0.1 °C, permille, ms)",
        )


class Term:
    """One operation of a traced rule. Compare terms with `is`: `==` builds a term."""

    __slots__ = ("graph", "index", "kind", "op", "parts", "value")

    def __init__(
        self, graph: Graph, index: int, op: str, kind: Kind, parts: tuple[Term, ...], value: int | str
    ) -> None:
        self.graph, self.index, self.op, self.kind, self.parts, self.value = graph, index, op, kind, parts, value

    def __repr__(self) -> str:
        """Show the operation, for error texts and debugging."""
        if self.op in ("var", "const"):
            return str(self.value)
        return f"{self.op}({', '.join(map(repr, self.parts))})"

    __hash__ = object.__hash__

    def _number(self, other: Any, op: str, swapped: bool = False, kind: Kind = "int") -> Term:
        right = self.graph.lift(other)
        for side in (self, right):
            if side.kind != "int":
                refuse(f"`{op}` on the truth value {side!r}", "use select(condition, 1, 0) to make a number of it")
        parts = (right, self) if swapped else (self, right)
        return self.graph.term(op, kind, *parts)

    def _truth(self, other: Any, op: str) -> Term:
        right = self.graph.lift(other)
        for side in (self, right):
            if side.kind != "bool":
                refuse(f"`{op}` on the number {side!r}", "compare it first: truth values come from comparisons only")
        return self.graph.term(op, "bool", self, right)

    def __add__(self, other: Any) -> Term:
        """Sum."""
        return self._number(other, "+")

    def __radd__(self, other: Any) -> Term:
        """Sum with a constant on the left."""
        return self._number(other, "+", swapped=True)

    def __sub__(self, other: Any) -> Term:
        """Difference."""
        return self._number(other, "-")

    def __rsub__(self, other: Any) -> Term:
        """Difference from a constant."""
        return self._number(other, "-", swapped=True)

    def __mul__(self, other: Any) -> Term:
        """Product."""
        return self._number(other, "*")

    def __rmul__(self, other: Any) -> Term:
        """Product with a constant on the left."""
        return self._number(other, "*", swapped=True)

    def __neg__(self) -> Term:
        """Return zero less the term."""
        return self.graph.constant(0) - self

    def __lt__(self, other: Any) -> Term:
        """Under."""
        return self._number(other, "<", kind="bool")

    def __le__(self, other: Any) -> Term:
        """At or under."""
        return self._number(other, "<=", kind="bool")

    def __gt__(self, other: Any) -> Term:
        """Over."""
        return self._number(other, "<", swapped=True, kind="bool")

    def __ge__(self, other: Any) -> Term:
        """At or over."""
        return self._number(other, "<=", swapped=True, kind="bool")

    def __eq__(self, other: Any) -> Term:  # type: ignore[override]  # a comparison builds a term
        """Equal."""
        return self._number(other, "==", kind="bool")

    def __ne__(self, other: Any) -> Term:  # type: ignore[override]  # a comparison builds a term
        """Not equal."""
        return self._number(other, "!=", kind="bool")

    def __and__(self, other: Any) -> Term:
        """Both."""
        return self._truth(other, "&")

    __rand__ = __and__

    def __or__(self, other: Any) -> Term:
        """Either."""
        return self._truth(other, "|")

    __ror__ = __or__

    def __bool__(self) -> bool:
        """Refuse: Python would decide once, while tracing, for every tick to come."""
        refuse(
            "a rule value is used as a plain truth value (if, and, or, not, min, max, or a < b < c)",
            "use select(condition, a, b), &, |, not_(a), minimum, maximum",
        )

    def _no(self, what: str, instead: str) -> NoReturn:
        refuse(what, instead)

    def __invert__(self) -> Term:
        """Refuse: on plain Python `~True` is -2."""
        self._no("`~`", "use not_(a)")

    def _no_division(self, _other: Any = None, _modulo: Any = None) -> Term:
        self._no("division, remainder or power", "multiply the other side of the comparison instead")

    __floordiv__ = __rfloordiv__ = __truediv__ = __rtruediv__ = _no_division
    __mod__ = __rmod__ = __divmod__ = __rdivmod__ = __pow__ = __rpow__ = _no_division

    def _no_bits(self, _other: Any) -> Term:
        self._no("a shift or exclusive or", "use + - * and comparisons")

    __lshift__ = __rlshift__ = __rshift__ = __rrshift__ = __xor__ = __rxor__ = _no_bits

    def __abs__(self) -> Term:
        """Refuse the built-in."""
        self._no("abs()", "use maximum(a, 0 - a)")

    def _no_number(self) -> int:
        self._no("a rule value is turned into a Python number", "keep to + - * and comparisons")

    __int__ = __index__ = __round__ = __trunc__ = _no_number

    def __float__(self) -> float:
        """Refuse: rules are whole numbers."""
        self._no("float()", "use whole numbers in the signal's own unit")

    def __iter__(self) -> NoReturn:
        """Refuse: a rule value is one number."""
        self._no("a rule value is looped over", "write the terms out")


def worked_out(root: Term, done: dict[Term, _Made], work: Callable[..., _Made]) -> _Made:
    """Return `work(term, *results of its parts)` for a term, keeping the results of all its parts in `done`.

    Parts come first, without recursion: chains may be longer than Python's stack.
    """
    waiting = [root]
    while waiting:
        top = waiting[-1]
        missing = [part for part in top.parts if part not in done]
        if missing:
            waiting += missing
            continue
        waiting.pop()
        if top not in done:
            done[top] = work(top, *(done[part] for part in top.parts))
    return done[root]
