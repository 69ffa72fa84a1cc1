"""The tick while its C is written: the C place of what a rule reads at that moment; branches and states as text."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from types import SimpleNamespace
from typing import Any

from controller.declare import State
from controller.port.c_function import Places, bare
from controller.port.c_text import statement
from controller.ruleset import RuleSet
from controller.terms import Term
from controller.tracer import calibration_of, inputs_of, memory_of

Arm = tuple[str, list[str]]
"""A condition, in brackets, and the lines that run where it is the first to hold."""


class Work:
    """Inputs, calibration and memory as terms, with the ignition on; memory is renewed as the C writes it."""

    def __init__(self, rules: RuleSet) -> None:
        self.rules = rules
        self.places = Places(rules)
        graph = self.places.graph
        self.x = SimpleNamespace(**(inputs_of(graph, rules) | {"ignition_on": graph.constant(True)}))
        self.k = SimpleNamespace(**calibration_of(graph, rules))
        self.m = SimpleNamespace(**memory_of(graph, rules))
        self.m.elapsed_ms = self.places.variable("elapsed_ms'", "int", "elapsed_ms")
        self.m.bars_idle = self.m.bars_released = graph.constant(False)

    def renewed(self, name: str, kind: str, place: str) -> Term:
        """Let `m.<name>` stand for a C place that has just been written."""
        fresh = self.places.variable(f"{name}'", kind, place)
        setattr(self.m, name, fresh)
        return fresh

    def reason(self, word: str) -> Term:
        """Return a reason's number, by its name in C."""
        place = reason(word)
        return self.places.variable(place, "int", place)


def reason(word: str) -> str:
    """Return a reason's name in C."""
    return f"RULES_REASON_{word.upper()}"


def among(work: Work, number: Term, wanted: Collection[str], possible: Sequence[str]) -> Term:
    """Return whether a number is that of a wanted reason; it is that of a possible one.

    One comparison for each end of a run that stands together among the possible ones, in the order of their numbers.
    """
    numbers = work.rules.reason_numbers
    ordered = sorted(possible, key=numbers.__getitem__)
    found: Any = work.places.graph.constant(False)
    for at, word in enumerate(ordered):
        if word not in wanted or (at and ordered[at - 1] in wanted):
            continue
        end = at
        while end + 1 < len(ordered) and ordered[end + 1] in wanted:
            end += 1
        if at == end and len(ordered) > 1:
            found = (number == work.reason(word)) | found
            continue
        above: Any = work.reason(word) <= number if at else work.places.graph.constant(True)
        below: Any = number <= work.reason(ordered[end]) if end + 1 < len(ordered) else True
        found = (above & below) | found
    return work.places.fold(found)


def where(state: str, states: Collection[State], possible: Collection[State] = tuple(State)) -> str:
    """Return the condition that a place holds one of these states; empty where each that is possible is one of them."""
    others = [one for one in State if one in possible and one not in states]
    if not others:
        return ""
    if len(others) == 1:
        return f"({state} != RULES_STATE_{others[0].name})"
    tests = " || ".join(f"({state} == RULES_STATE_{one.name})" for one in State if one in states)
    return f"({tests})" if len(states) > 1 else tests


def both(*conditions: str) -> str:
    """Return a condition that all of these hold; an empty one always does."""
    given = [one for one in conditions if one]
    return given[0] if len(given) == 1 else f"({' && '.join(given)})"


def branches(arms: Sequence[Arm], otherwise: Sequence[str], indent: str = "    ") -> list[str]:
    """Return the lines of an if-else chain, each arm with its own braces."""
    lines: list[str] = []
    for at, (condition, moves) in enumerate(arms):
        lines.append(statement(f"{'else ' if at else ''}if ({bare(condition)})", indent))
        lines += [f"{indent}{{", *_indented(moves, indent), f"{indent}}}"]
    if otherwise:
        lines += [f"{indent}else", f"{indent}{{", *_indented(otherwise, indent), f"{indent}}}"]
    return lines


def _indented(moves: Sequence[str], indent: str) -> list[str]:
    # What is several lines already, or braces, has its indent; plain statements are wrapped here.
    return [move if move.startswith(" ") else statement(move, f"{indent}    ") for move in moves]
