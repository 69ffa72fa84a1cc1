"""Terms made smaller without a change of value: constants worked out, idle operations dropped.

The port is proved equal to the rules after this, so nothing here is taken on trust.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from controller.port.c_text import HIGHEST, LOWEST
from controller.terms import Graph, Term, worked_out

_NUMBERS: dict[str, Callable[[int, int], int]] = {
    "+": lambda a, b: a + b,
    "-": lambda a, b: a - b,
    "*": lambda a, b: a * b,
    "min": min,
    "max": max,
    "<": lambda a, b: a < b,
    "<=": lambda a, b: a <= b,
    "==": lambda a, b: a == b,
    "!=": lambda a, b: a != b,
}

_OPPOSITE = {"==": "!=", "!=": "=="}


class Folder:
    """Rebuilds terms in `graph`, folded; equal results are one term there too."""

    def __init__(self, graph: Graph, ranges: Mapping[str, tuple[int, int]]) -> None:
        self.graph = graph
        self._ranges = ranges
        self._done: dict[Term, Term] = {}
        self._limits: dict[Term, tuple[int, int]] = {}

    def fold(self, term: Term) -> Term:
        """Return the folded term."""
        return worked_out(term, self._done, self._folded)

    def _folded(self, term: Term, *parts: Term) -> Term:
        if term.op == "var":
            return self.graph.variable(str(term.value), term.kind)
        if term.op == "const":
            return self.graph.constant(bool(term.value) if term.kind == "bool" else int(term.value))
        if term.op == "not":
            return self.opposite(parts[0])
        if term.op == "select":
            return self.choice(*parts)
        if term.op == "&":
            return self.both(*parts)
        if term.op == "|":
            return self.either(*parts)
        return self._number(term, *parts)

    def _number(self, term: Term, left: Term, right: Term) -> Term:
        if left.op == "const" and right.op == "const":
            value = _NUMBERS[term.op](int(left.value), int(right.value))
            return self.graph.constant(bool(value) if term.kind == "bool" else value)
        if term.op == "+" and _is(left, 0):
            return right
        if term.op in ("+", "-") and _is(right, 0):
            return left
        if term.op == "*" and _is(left, 1):
            return right
        if term.op == "*" and _is(right, 1):
            return left
        if term.op in ("min", "max"):
            (a_low, a_high), (b_low, b_high) = self.limits(left), self.limits(right)
            if a_high <= b_low:
                return left if term.op == "min" else right
            if b_high <= a_low:
                return right if term.op == "min" else left
        return self.graph.term(term.op, term.kind, left, right)

    def limits(self, term: Term) -> tuple[int, int]:
        """Return an interval that a folded number lies in, from the declared ranges of its variables."""
        if term not in self._limits:
            self._limits[term] = self._limits_of(term)
        return self._limits[term]

    def _limits_of(self, term: Term) -> tuple[int, int]:
        if term.op == "const":
            return int(term.value), int(term.value)
        if term.op == "var":
            return self._ranges.get(str(term.value), (LOWEST, HIGHEST))
        if term.op == "select":
            (a_low, a_high), (b_low, b_high) = (self.limits(part) for part in term.parts[1:])
            return min(a_low, b_low), max(a_high, b_high)
        (a_low, a_high), (b_low, b_high) = (self.limits(part) for part in term.parts)
        if term.op == "+":
            return a_low + b_low, a_high + b_high
        if term.op == "-":
            return a_low - b_high, a_high - b_low
        if term.op == "*":
            corners = [a * b for a in (a_low, a_high) for b in (b_low, b_high)]
            return min(corners), max(corners)
        pick = min if term.op == "min" else max
        return pick(a_low, b_low), pick(a_high, b_high)

    def opposite(self, truth: Term) -> Term:
        """Return `not truth`."""
        if truth.op == "const":
            return self.graph.constant(not truth.value)
        if truth.op == "not":
            return truth.parts[0]
        if truth.op == "<":
            return self.graph.term("<=", "bool", truth.parts[1], truth.parts[0])
        if truth.op == "<=":
            return self.graph.term("<", "bool", truth.parts[1], truth.parts[0])
        if truth.op in _OPPOSITE:
            return self.graph.term(_OPPOSITE[truth.op], "bool", *truth.parts)
        return self.graph.term("not", "bool", truth)

    def both(self, left: Term, right: Term) -> Term:
        """Return `left & right`."""
        if left.op == "const":
            return right if left.value else left
        if right.op == "const":
            return left if right.value else right
        return self._apart(self.both, "&", left, right)

    def either(self, left: Term, right: Term) -> Term:
        """Return `left | right`."""
        if left.op == "const":
            return left if left.value else right
        if right.op == "const":
            return right if right.value else left
        return self._apart(self.either, "|", left, right)

    def _apart(self, join: Callable[[Term, Term], Term], op: str, left: Term, right: Term) -> Term:
        # Two comparisons that choose by the same truth: choose once, between two pairs.
        if left is right:
            return left
        one, other = _choice_in(left), _choice_in(right)
        if one is None or other is None or one.parts[0] is not other.parts[0]:
            return self.graph.term(op, "bool", left, right)
        yes, no = (
            join(*(self._number(term, *(part.parts[side] if part is choice else part for part in term.parts))
                   for term, choice in ((left, one), (right, other))))
            for side in (1, 2)
        )  # fmt: skip
        return self.graph.term("select", "bool", one.parts[0], yes, no)

    def choice(self, truth: Term, yes: Term, no: Term) -> Term:
        """Return `select(truth, yes, no)`."""
        if truth.op == "const":
            return yes if truth.value else no
        if yes is no:
            return yes
        if yes.kind == "bool" and yes.op == "const":
            return self.either(truth, no) if yes.value else self.both(self.opposite(truth), no)
        if no.kind == "bool" and no.op == "const":
            return self.either(self.opposite(truth), yes) if no.value else self.both(truth, yes)
        return self.graph.term("select", yes.kind, truth, yes, no)


def leaves(truth: Term, op: str, is_whole: Callable[[Term], bool] = lambda _: False) -> list[Term]:
    """Return what a chain of `&` or `|` joins, in its order; what is whole, or no such chain, is a leaf itself."""
    found: list[Term] = []
    waiting = [truth]
    while waiting:
        term = waiting.pop()
        if term.op == op and not is_whole(term):
            waiting += reversed(term.parts)
        else:
            found.append(term)
    return found


def _choice_in(comparison: Term) -> Term | None:
    if comparison.op not in ("<", "<=", "==", "!="):
        return None
    return next((part for part in comparison.parts if part.op == "select"), None)


def _is(term: Term, value: int) -> bool:
    return term.op == "const" and term.value == value
