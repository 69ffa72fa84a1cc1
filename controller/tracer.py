"""Runs a rule set once on terms: what comes out is the whole tick as one graph, for every other backend."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from controller import tick
from controller.declare import History, Property, Relation
from controller.guard import guarded, guarded_rules
from controller.ruleset import COMMAND_FIELDS, RuleSet
from controller.terms import Graph, Term
from controller.views import Names
from controller.words import select


@dataclass(frozen=True)
class Program:
    """A traced tick: the new memory and the command as terms over variables `x.*`, `k.*` and `m.*`.

    `row` is the place in `rules.rows` of the row that fired, from 1, or 0; `refuses` tells for each of
    `rules.refusals` whether it holds, `trips` for each of `rules.interlocks` whether its condition does.
    """

    rules: RuleSet
    graph: Graph
    memory: tuple[Term, ...]
    command: tuple[Term, ...]
    row: Term
    refuses: tuple[Term, ...]
    trips: tuple[Term, ...]

    @property
    def outputs(self) -> tuple[Term, ...]:
        """Memory, then command."""
        return (*self.memory, *self.command)


def inputs_of(graph: Graph, rules: RuleSet) -> dict[str, Term]:
    """Return one variable a signal."""
    return {one.name: graph.variable(f"x.{one.name}", "bool" if one.is_flag else "int") for one in rules.signals}


def calibration_of(graph: Graph, rules: RuleSet) -> dict[str, Term]:
    """Return one variable a calibration key."""
    return {one.name: graph.variable(f"k.{one.name}", "bool" if one.is_flag else "int") for one in rules.keys}


def memory_of(graph: Graph, rules: RuleSet) -> dict[str, Term]:
    """Return one variable a memory field, as it stands before the tick."""
    return {one.name: graph.variable(f"m.{one.name}", "bool" if one.is_flag else "int") for one in rules.memory}


@lru_cache(maxsize=8)
def trace(rules: RuleSet) -> Program:
    """Run one tick on terms.

    Raises `RuleLanguageError` at the first step outside the vocabulary, with the rule's file and line.
    """
    graph = Graph()
    x = Names("signal", inputs_of(graph, rules))
    k = Names("calibration key", calibration_of(graph, rules))
    m = Names("memory field", memory_of(graph, rules), may_change=True)
    seen: list[Any] = []

    def choose(rules: RuleSet, x: Any, k: Any, m: Any) -> tuple[Any, Any]:
        # Only here, in mid-tick, do rows and refusals see the memory as it is when they decide.
        number: Any = 0
        for at, row in reversed(list(enumerate(rules.rows, 1))):
            number = select((m.state == int(row.source)) & row.condition(x, k, m), at, number)
        seen.append(number)
        seen.append(tuple(graph.lift(refusal.holds(x, k, m)) for refusal in rules.refusals))
        return tick.fold(rules, x, k, m)

    tick.run(guarded_rules(rules), x, k, m, choose)
    number, refuses = seen
    return Program(
        rules,
        graph,
        tuple(graph.lift(getattr(m, field.name)) for field in rules.memory),
        tuple(graph.lift(getattr(m, name)) for name in COMMAND_FIELDS),
        graph.lift(number),
        refuses,
        tuple(graph.lift(getattr(m, one.trip)) for one in rules.interlocks),
    )


def trace_relation(relation: Relation, rules: RuleSet) -> Term:
    """Return a calibration relation as a truth term over `k.*`."""
    graph = Graph()
    holds = guarded(relation.holds, f"the relation at {relation.where}", "bool")
    return graph.lift(holds(Names("calibration key", calibration_of(graph, rules))))


def trace_property(prop: Property, program: Program) -> Term:
    """Return a property of the traced tick as a truth term over the same variables."""
    return program.graph.lift(guarded(prop.holds, f"property {prop.name!r}", "bool")(*views(program)))


def trace_history(history: History, program: Program) -> tuple[tuple[Term, ...], Term]:
    """Return a history's renewed fields, and whether it holds, over the same variables and its own `h.<name>.*`."""
    before, x, k, after = views(program, history)
    renewed = tuple(program.graph.lift(getattr(after, one.name)) for one in history.keeps)
    holds = guarded(history.holds, f"history {history.name!r}", "bool")
    return renewed, program.graph.lift(holds(before, x, k, after))


def views(program: Program, history: History | None = None) -> tuple[Names, Names, Names, Names]:
    """Return what a property sees: memory before, inputs, calibration, memory and command after.

    With a history, its own fields stand in both memories.
    """
    graph, rules = program.graph, program.rules
    before = memory_of(graph, rules)
    after: dict[str, Any] = {field.name: term for field, term in zip(rules.memory, program.memory, strict=True)}
    after |= dict(zip(COMMAND_FIELDS, program.command, strict=True))
    x = Names("signal", inputs_of(graph, rules))
    k = Names("calibration key", calibration_of(graph, rules))
    if history is not None:
        before |= {
            one.name: graph.variable(f"h.{history.name}.{one.name}", "bool" if one.is_flag else "int")
            for one in history.keeps
        }
        seen = (Names("memory field", before), x, k, Names("memory field or output", dict(after)))
        for one in history.keeps:
            what = f"field {one.name!r} of history {history.name!r}"
            after[one.name] = guarded(one.update, what, "bool" if one.is_flag else "int")(*seen)
    return Names("memory field", before), x, k, Names("memory field or output", after)
