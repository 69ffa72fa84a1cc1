"""Which row of the chart fired in a tick: how much of the chart a back-to-back run has been through."""

from __future__ import annotations

from typing import Any

from controller import tick
from controller.ruleset import COMMAND_FIELDS, RuleSet
from controller.terms import Graph
from controller.tracer import Program, calibration_of, inputs_of, memory_of
from controller.views import Names
from controller.words import select


def trace_with_row(rules: RuleSet) -> Program:
    """Return the traced tick with one more output: the number of the row that fired, from 1, or 0."""
    graph = Graph()
    fired: list[Any] = []

    def choose(rules: RuleSet, x: Any, k: Any, m: Any) -> tuple[Any, Any]:
        number: Any = 0
        for place, row in reversed(list(enumerate(rules.rows, 1))):
            number = select((m.state == int(row.source)) & row.condition(x, k, m), place, number)
        fired.append(number)
        return tick.fold(rules, x, k, m)

    x, k = Names("signal", inputs_of(graph, rules)), Names("calibration key", calibration_of(graph, rules))
    m = Names("memory field", memory_of(graph, rules), may_change=True)
    tick.run(rules, x, k, m, choose)
    memory = tuple(graph.lift(getattr(m, field.name)) for field in rules.memory)
    command = (*(getattr(m, name) for name in COMMAND_FIELDS), fired[0])
    return Program(rules, graph, memory, tuple(map(graph.lift, command)))
