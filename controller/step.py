"""The reference controller: a rule set stepped on plain Python numbers, its chart read by `transitions`."""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from operator import attrgetter
from types import SimpleNamespace
from typing import Any, NamedTuple

from controller import tick
from controller.chart import Chart
from controller.ruleset import COMMAND_FIELDS, RuleSet


class Command(NamedTuple):
    """What the rules put out in a tick.

    `duty_ppm` is the clutch's duty in millionths (0 to 1 000 000): a rate in permille a second times a tick in ms
    is a whole number of millionths, so that no rule needs a division. `state` is a `State`, `reason` why the chart
    last moved, `refusal` why the clutch is not in now (0 while it is), both places in `RuleSet.reasons`;
    `warnings` one bit a lamp of `RuleSet.lamps`; `band` the selected `Band`.
    """

    duty_ppm: int
    state: int
    reason: int
    refusal: int
    warnings: int
    band: int


_COMMAND = attrgetter(*COMMAND_FIELDS)


def initial_memory(rules: RuleSet) -> tuple[int, ...]:
    """Return the memory at the first tick after power-up."""
    return tuple(field.start for field in rules.memory)


def step(rules: RuleSet, chart: Chart, memory: tuple[int, ...], x: Any, k: Any) -> tuple[tuple[int, ...], Command]:
    """Return the memory after a tick and its command. `x` holds the inputs, `k` the calibration, by attribute."""
    m = tick.view(memory, rules)
    tick.run(rules, x, k, m, chart.choose)
    return attrgetter(*rules.memory_names)(m), Command._make(_COMMAND(m))


@lru_cache(maxsize=8)
def _chart_of(rules: RuleSet) -> Chart:
    return Chart(rules)


class Reference:
    """A controller with its memory; the slow, plain one that all others are compared with."""

    def __init__(self, rules: RuleSet, calibration: Any) -> None:
        self.rules, self.calibration = rules, calibration
        self.memory = initial_memory(rules)
        self._chart = _chart_of(rules)

    def tick(self, inputs: Mapping[str, int]) -> Command:
        """Take one tick's inputs by signal name and return the command."""
        self.memory, command = step(self.rules, self._chart, self.memory, SimpleNamespace(**inputs), self.calibration)
        return command
