"""Runs a rule set once on terms: what comes out is the whole tick as one graph, for every other backend."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

from controller import tick
from controller.declare import Property, Relation
from controller.guard import guarded, guarded_rules
from controller.ruleset import COMMAND_FIELDS, RuleSet
from controller.terms import Graph, Term
from controller.views import Names


@dataclass(frozen=True)
class Program:
    """A traced tick: the new memory and the command as terms over variables `x.*`, `k.*` and `m.*`."""

    rules: RuleSet
    graph: Graph
    memory: tuple[Term, ...]
    command: tuple[Term, ...]

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
    tick.run(guarded_rules(rules), x, k, m, tick.fold)
    return Program(
        rules,
        graph,
        tuple(graph.lift(getattr(m, field.name)) for field in rules.memory),
        tuple(graph.lift(getattr(m, name)) for name in COMMAND_FIELDS),
    )


def trace_relation(relation: Relation, rules: RuleSet) -> Term:
    """Return a calibration relation as a truth term over `k.*`."""
    graph = Graph()
    holds = guarded(relation.holds, f"the relation at {relation.where}", "bool")
    return graph.lift(holds(Names("calibration key", calibration_of(graph, rules))))


def trace_property(prop: Property, program: Program) -> Term:
    """Return a property of the traced tick as a truth term over the same variables."""
    graph, rules = program.graph, program.rules
    after = {field.name: term for field, term in zip(rules.memory, program.memory, strict=True)}
    after |= dict(zip(COMMAND_FIELDS, program.command, strict=True))
    holds = guarded(prop.holds, f"property {prop.name!r}", "bool")
    return graph.lift(
        holds(
            Names("memory field", memory_of(graph, rules)),
            Names("signal", inputs_of(graph, rules)),
            Names("calibration key", calibration_of(graph, rules)),
            Names("memory field or output", after),
        )
    )
