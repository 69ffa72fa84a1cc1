"""The value of a term, by the meaning of each operation written out again in plain Python."""

from __future__ import annotations

import operator
from collections.abc import Callable
from typing import Any

from controller.terms import Term

_MEANING: dict[str, Callable[..., Any]] = {
    "+": operator.add, "-": operator.sub, "*": operator.mul, "<": operator.lt, "<=": operator.le,
    "==": operator.eq, "!=": operator.ne, "&": operator.and_, "|": operator.or_, "not": operator.not_,
    "min": min, "max": max, "select": lambda condition, yes, no: yes if condition else no,
}  # fmt: skip  # a table


def evaluate(term: Term, values: dict[str, int]) -> int:
    """Return the value of a term by the meaning of each operation."""
    if term.op == "var":
        return values[str(term.value)]
    if term.op == "const":
        return bool(term.value) if term.kind == "bool" else int(term.value)
    return _MEANING[term.op](*(evaluate(part, values) for part in term.parts))
