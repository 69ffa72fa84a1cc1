"""Ranges of every term of a traced tick, from the declared ranges of its variables."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from controller.ruleset import RuleSet
from controller.terms import Graph, Term

INT32_LOW: Final = -(2**31)
INT32_HIGH: Final = 2**31 - 1

Range = tuple[int, int]


def declared_ranges(rules: RuleSet) -> dict[str, Range]:
    """Return the declared range of each variable `x.*`, `k.*`, `m.*` and `h.<history>.*`."""
    ranges = {f"x.{one.name}": (one.low, one.high) for one in rules.signals}
    ranges |= {f"k.{one.name}": (one.low, one.high) for one in rules.keys}
    ranges |= {f"m.{one.name}": (one.low, one.high) for one in rules.memory}
    for history in rules.histories:
        ranges |= {f"h.{history.name}.{one.name}": (one.low, one.high) for one in history.keeps}
    return ranges


def ranges_of(graph: Graph, declared: dict[str, Range]) -> list[Range]:
    """Return a range that surely holds the term, for each term of the graph in order; truth values have (0, 1)."""
    found: list[Range] = []
    for term in graph.terms:
        found.append(_range(term, [found[part.index] for part in term.parts], declared))
    return found


def _range(term: Term, parts: list[Range], declared: dict[str, Range]) -> Range:
    if term.kind == "bool":
        return (0, 1)
    match term.op:
        case "var":
            return declared[str(term.value)]
        case "const":
            return (int(term.value), int(term.value))
        case "+":
            return (parts[0][0] + parts[1][0], parts[0][1] + parts[1][1])
        case "-":
            return (parts[0][0] - parts[1][1], parts[0][1] - parts[1][0])
        case "*":
            corners = [left * right for left in parts[0] for right in parts[1]]
            return (min(corners), max(corners))
        case "min":
            return (min(parts[0][0], parts[1][0]), min(parts[0][1], parts[1][1]))
        case "max":
            return (max(parts[0][0], parts[1][0]), max(parts[0][1], parts[1][1]))
        case _:  # select
            return (min(parts[1][0], parts[2][0]), max(parts[1][1], parts[2][1]))


def reachable(roots: Iterable[Term]) -> list[Term]:
    """Return the terms that the roots are made of, each once, parts before users."""
    seen: dict[int, Term] = {}
    waiting = list(roots)
    while waiting:
        term = waiting.pop()
        if term.index not in seen:
            seen[term.index] = term
            waiting.extend(term.parts)
    return [seen[index] for index in sorted(seen)]


def variables(root: Term) -> set[str]:
    """Return the names of the variables that a term is made of."""
    return {str(term.value) for term in reachable((root,)) if term.op == "var"}
