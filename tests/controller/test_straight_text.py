"""The straight-line text: what is used once stands inside its user, what is used again has one line of its own."""

from __future__ import annotations

from typing import Any

import pytest

from controller.our_rules import OURS
from controller.straight import source
from controller.terms import Term
from controller.tracer import Program, trace
from controller.words import maximum, minimum, select

DEEPEST = 12


@pytest.fixture(scope="module")
def program() -> Program:
    return trace(OURS)


def _lines(program: Program, *outputs: Term) -> list[str]:
    head, *lines = source(program, outputs).splitlines()
    assert head == "def tick(x, k, m, h):"
    return [line.strip() for line in lines]


def _inputs(program: Program) -> tuple[Term, Term, Term]:
    graph = program.graph
    return (graph.variable("x.engine_rpm", "int"), graph.variable("x.turbine_rpm", "int"),
            graph.variable("x.brake_on", "bool"))  # fmt: skip  # three of them


def _slot(name: str) -> str:
    return f"x[{[one.name for one in OURS.signals].index(name)}]"


def test_what_is_used_once_stands_inside_its_user(program: Program) -> None:
    engine, turbine, brake = _inputs(program)
    assert _lines(program, select(brake, engine + 31, turbine - 37)) == [
        f"return ((({_slot('engine_rpm')} + 31) if ({_slot('brake_on')} != 0) else ({_slot('turbine_rpm')} - 37)))"
    ]


def test_what_is_used_again_has_one_line(program: Program) -> None:
    engine, turbine, _brake = _inputs(program)
    total = engine + turbine
    a, b, c = (f"t{term.index}_" for term in (engine, total, total * 31))
    assert _lines(program, total * 31, total * 31 + engine) == [
        f"{a} = {_slot('engine_rpm')}",
        f"{c} = ({a} + {_slot('turbine_rpm')}) * 31",
        f"return ({c}, ({c} + {a}))",
    ]
    assert _lines(program, total, total * 31)[:2] == [
        f"{b} = {_slot('engine_rpm')} + {_slot('turbine_rpm')}",
        f"return ({b}, ({b} * 31))",
    ]


def test_both_sides_of_a_minimum_have_names_but_numbers(program: Program) -> None:
    engine, turbine, _brake = _inputs(program)
    a, b = (f"t{term.index}_" for term in (engine, turbine))
    first, second = f"{a} = {_slot('engine_rpm')}", f"{b} = {_slot('turbine_rpm')}"
    assert _lines(program, minimum(engine, 37)) == [first, f"return (({a} if {a} < 37 else 37))"]
    assert _lines(program, maximum(37, engine)) == [first, f"return ((37 if 37 > {a} else {a}))"]
    assert _lines(program, minimum(engine, turbine)) == [first, second, f"return (({a} if {a} < {b} else {b}))"]


@pytest.mark.parametrize("length", [DEEPEST, DEEPEST + 1, 2 * DEEPEST, 2 * DEEPEST + 1, 40])
def test_a_chain_is_cut_where_it_gets_deep(length: int, program: Program) -> None:
    total: Any = _inputs(program)[0]
    for step in range(length):
        total = total + (1_000 + step)
    lines = _lines(program, total)
    operations = [line.count("+") for line in lines]
    assert sum(operations) == length
    # The last line first, each full but the first of all: what is cut off has a line, and nests from nothing.
    full = [DEEPEST, *[DEEPEST + 1] * (len(lines) - 1)]
    assert operations[::-1][:-1] == full[: len(lines) - 1]
    assert operations[0] <= full[len(lines) - 1]
