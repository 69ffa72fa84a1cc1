"""A found run as a value: calibration and inputs, and what the rules make of them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from controller.ruleset import RuleSet
from controller.step import Command
from controller.watch import Watch


@dataclass(frozen=True)
class FoundRun:
    """A run from power-up: the calibration and the inputs of each tick."""

    rules: RuleSet
    calibration: Any
    inputs: tuple[dict[str, int], ...]

    def replayed(self) -> list[tuple[dict[str, int], Command, list[str]]]:
        """Return inputs, command and broken properties of each tick, as the rules themselves give them."""
        watch = Watch(self.rules, self.calibration)
        return [(x, *watch.tick(x)) for x in self.inputs]

    def memory_after(self) -> dict[str, int]:
        """Return the memory of rules and histories after the last tick, named as the prover names it."""
        watch = Watch(self.rules, self.calibration)
        for x in self.inputs:
            watch.tick(x)
        kept = [f"h.{history.name}.{one.name}" for history in self.rules.histories for one in history.keeps]
        names = [*(f"m.{name}" for name in self.rules.memory_names), *kept]
        return dict(zip(names, (*watch.memory, *watch.fields), strict=True))
