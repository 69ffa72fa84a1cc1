"""The tick with its properties beside it: which of them fails at this tick, and which row fired."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from controller.ruleset import COMMAND_FIELDS, RuleSet
from controller.step import Command, initial_memory
from controller.straight import source
from controller.terms import Term
from controller.tracer import Program, trace, trace_history, trace_property


@dataclass(frozen=True)
class Watched:
    """The terms of a tick that a watcher works out: outputs, then the histories' fields, the row and the truths."""

    program: Program
    fields: tuple[Term, ...]
    holds: tuple[Term, ...]

    @property
    def names(self) -> tuple[str, ...]:
        """Name of each truth: properties, then histories."""
        rules = self.program.rules
        return tuple(one.name for one in rules.checks)

    @property
    def outputs(self) -> tuple[Term, ...]:
        """Memory, command, histories' fields, row, truths."""
        return (*self.program.outputs, *self.fields, self.program.row, *self.holds)


@lru_cache(maxsize=8)
def watched(rules: RuleSet) -> Watched:
    """Trace a rule set's tick with its properties and histories."""
    program = trace(rules)
    holds = [trace_property(prop, program) for prop in rules.properties]
    fields: list[Term] = []
    for history in rules.histories:
        renewed, truth = trace_history(history, program)
        fields += renewed
        holds.append(truth)
    return Watched(program, tuple(fields), tuple(holds))


@lru_cache(maxsize=8)
def _compiled(rules: RuleSet) -> Callable[..., tuple[int, ...]]:
    seen = watched(rules)
    scope: dict[str, Any] = {}
    exec(compile(source(seen.program, seen.outputs), f"<watched {rules.name}>", "exec"), scope)  # our own text
    tick: Callable[..., tuple[int, ...]] = scope["tick"]
    return tick


def initial_fields(rules: RuleSet) -> tuple[int, ...]:
    """Return the histories' fields at power-up."""
    return tuple(one.initial for history in rules.histories for one in history.keeps)


class Watch:
    """A controller on the straight-line tick that checks every property and history at every tick."""

    def __init__(self, rules: RuleSet, calibration: Any) -> None:
        self.rules, self.calibration = rules, calibration
        self.memory: tuple[int, ...] = initial_memory(rules)
        self.fields: tuple[int, ...] = initial_fields(rules)
        self.row = 0
        """Place in `rules.rows` of the row that fired at the last tick, from 1, or 0."""
        self._names = watched(rules).names
        self._tick = _compiled(rules)

    def tick(self, inputs: Mapping[str, int]) -> tuple[Command, list[str]]:
        """Take one tick's inputs and return the command and the names of what does not hold."""
        x = [inputs[signal.name] for signal in self.rules.signals]
        out = self._tick(x, self.calibration, self.memory, self.fields)
        first = len(self.memory)
        second = first + len(COMMAND_FIELDS)
        third = second + len(self.fields)
        self.memory, self.fields, self.row = out[:first], out[second:third], out[third]
        broken = [name for name, holds in zip(self._names, out[third + 1 :], strict=True) if not holds]
        return Command._make(out[first:second]), broken
