"""Terms over a few small variables: their value by plain Python, and random ones that are the same at every run."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import product
from random import Random

from controller.terms import Graph, Term

RANGES = {"a": (-3, 2), "b": (2, 4), "c": (0, 1)}
TRUTHS = ("t", "u")


def settings() -> Iterator[dict[str, int]]:
    """Yield every setting of the small variables."""
    numbers = [range(low, high + 1) for low, high in RANGES.values()]
    for values in product(*numbers, *([False, True] for _ in TRUTHS)):
        yield dict(zip((*RANGES, *TRUTHS), values, strict=True))


def random_number(graph: Graph, draw: Random, depth: int) -> Term:
    """Return a random number over the small variables."""
    if depth == 0 or draw.random() < 0.15:
        name = draw.choice([*RANGES, "", ""])
        return graph.variable(name, "int") if name else graph.constant(draw.randint(-2, 3))
    if draw.random() < 0.3:
        parts = (random_number(graph, draw, depth - 1) for _ in range(2))
        return graph.term("select", "int", random_truth(graph, draw, depth - 1), *parts)
    op = draw.choice(["+", "-", "*", "min", "max"])
    return graph.term(op, "int", *(random_number(graph, draw, depth - 1) for _ in range(2)))


def random_truth(graph: Graph, draw: Random, depth: int) -> Term:
    """Return a random truth value over the small variables."""
    if depth == 0 or draw.random() < 0.15:
        name = draw.choice([*TRUTHS, ""])
        return graph.variable(name, "bool") if name else graph.constant(draw.random() < 0.5)
    op = draw.choice(["<", "<=", "==", "!=", "&", "|", "not", "select"])
    if op in ("&", "|"):
        return graph.term(op, "bool", *(random_truth(graph, draw, depth - 1) for _ in range(2)))
    if op == "not":
        return graph.term(op, "bool", random_truth(graph, draw, depth - 1))
    if op == "select":
        return graph.term(op, "bool", *(random_truth(graph, draw, depth - 1) for _ in range(3)))
    return graph.term(op, "bool", *(random_number(graph, draw, depth - 1) for _ in range(2)))
