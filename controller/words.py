"""The four words a rule may use besides comparisons, `+ - *`, `&` and `|`.

They work alike on Python numbers, where a rule is run, and on terms, where it is traced.
"""

from __future__ import annotations

from typing import Any

from controller.terms import Term, refuse


def select(condition: Any, if_true: Any, if_false: Any) -> Any:
    """Return `if_true` where the condition holds, else `if_false`; both are worked out in any case."""
    if not isinstance(condition, Term):  # plain numbers, or a condition that is the same at every tick
        return if_true if condition else if_false
    graph = condition.graph
    yes, no = graph.lift(if_true), graph.lift(if_false)
    if condition.kind != "bool":
        refuse(f"select() on the number {condition!r}", "compare it first: select(a > 0, b, c)")
    if yes.kind != no.kind:
        refuse(f"select() between a {yes.kind} and a {no.kind}", "give both the same kind")
    return graph.term("select", yes.kind, condition, yes, no)


def not_(truth: Any) -> Any:
    """Return the opposite of a truth value."""
    if not isinstance(truth, Term):
        return not truth
    if truth.kind != "bool":
        refuse(f"not_() on the number {truth!r}", "compare it first: not_(a == 0)")
    return truth.graph.term("not", "bool", truth)


def _extreme(op: str, left: Any, right: Any) -> Any:
    graph = left.graph if isinstance(left, Term) else right.graph
    parts = (graph.lift(left), graph.lift(right))
    for part in parts:
        if part.kind != "int":
            refuse(f"{op}imum() on the truth value {part!r}", "use & or | on truth values")
    return graph.term(op, "int", *parts)


def minimum(left: Any, right: Any) -> Any:
    """Return the smaller of two numbers."""
    if not isinstance(left, Term) and not isinstance(right, Term):
        return left if left < right else right
    return _extreme("min", left, right)


def maximum(left: Any, right: Any) -> Any:
    """Return the larger of two numbers."""
    if not isinstance(left, Term) and not isinstance(right, Term):
        return left if left > right else right
    return _extreme("max", left, right)
