"""Looks for the tick that takes the most instructions: random ticks, then children of the dearest of them.

Random ticks hardly ever meet the worst: every interlock would have to wait at once. What is found here is a tick that
exists; `controller.port.longest` says what no tick exceeds.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from controller.port.core import CoreMachine
from controller.port.stimulus import Stimulus, Ticks
from controller.step import initial_memory

_CALIBRATIONS, _KEPT_CALIBRATIONS = 12, 3
_CHILDREN, _PARENTS = 120, 15
_LENGTH = 12
"""Ticks of a run from power-up."""

_STEPS_MS = (0, 10, 10, 100, 1_000, 5_000)


class Search:
    """Searches one core's code; the same seed finds the same ticks."""

    def __init__(self, machine: CoreMachine, seed: int) -> None:
        self.machine, self.rules = machine, machine.rules
        self._stimulus = Stimulus(self.rules, seed)
        self._raw = np.random.PCG64(seed)
        self._names = [signal.name for signal in self.rules.signals]

    def anywhere(self, rounds: int) -> int:
        """Return the most instructions found of one tick from any memory in range."""
        width = len(self.rules.memory)

        def fresh(calibration: Any) -> Any:
            ticks = self._stimulus.runs(calibration, _CHILDREN, 1)
            return np.concatenate([ticks.starts, ticks.inputs], axis=1)

        def cost(calibration: Any, genes: Any) -> Any:
            return self.machine.cost(Ticks(calibration, genes[:, :width], genes[:, width:], 1)).instructions

        return self._best(fresh, cost, rounds)

    def from_start(self, rounds: int) -> int:
        """Return the most instructions found of one tick within some ticks of power-up, the ignition on."""
        signals, time = len(self._names), self._names.index("now_ms")
        start = np.array([int(value) for value in initial_memory(self.rules)], dtype=np.int32)

        def fresh(calibration: Any) -> Any:
            ticks = self._stimulus.runs(calibration, _CHILDREN, _LENGTH)
            inputs = ticks.inputs.reshape(_CHILDREN, _LENGTH, signals).copy()
            # Time as steps, so that a child of two parents still has one clock.
            inputs[:, :, time] = np.array(_STEPS_MS)[self._draw(inputs.shape[:2], len(_STEPS_MS))]
            inputs[:, :, self._names.index("ignition_on")] = 1
            return inputs.reshape(_CHILDREN, _LENGTH * signals)

        def cost(calibration: Any, genes: Any) -> Any:
            inputs = genes.reshape(len(genes), _LENGTH, signals).copy()
            inputs[:, :, time] = np.cumsum(inputs[:, :, time], axis=1)
            ticks = Ticks(
                calibration, np.tile(start, (len(genes), 1)), inputs.reshape(len(genes) * _LENGTH, signals), _LENGTH
            )
            return self.machine.cost(ticks).instructions.reshape(len(genes), _LENGTH).max(axis=1)

        return self._best(fresh, cost, rounds)

    def _best(self, fresh: Callable[[Any], Any], cost: Callable[[Any, Any], Any], rounds: int) -> int:
        starts = []
        # A short search is short from the start.
        for _ in range(min(_CALIBRATIONS, _KEPT_CALIBRATIONS * rounds)):
            calibration = self._stimulus.calibration()
            genes = fresh(calibration)
            starts.append((calibration, genes, cost(calibration, genes)))
        starts.sort(key=lambda one: -int(one[2].max()))
        return max(self.evolved(*one, fresh, cost, rounds) for one in starts[:_KEPT_CALIBRATIONS])

    def evolved(
        self,
        calibration: Any,
        genes: Any,
        costs: Any,
        fresh: Callable[[Any], Any],
        cost: Callable[[Any, Any], Any],
        rounds: int,
    ) -> int:
        """Return the dearest after rounds of children; two parents are drawn for each, of those that cost most."""
        for _ in range(rounds):
            kept = np.argsort(-costs, kind="stable")[:_PARENTS]
            parents, parents_cost = genes[kept], costs[kept]
            mother, father = (parents[self._draw((_CHILDREN,), _PARENTS)] for _ in range(2))
            choice = self._draw(mother.shape, 100)
            children = np.where(choice < 20, father, np.where(choice >= 96, fresh(calibration), mother))
            genes = np.concatenate([parents, children])
            costs = np.concatenate([parents_cost, cost(calibration, children)])
        return int(costs.max())

    def _draw(self, shape: tuple[int, ...], below: int) -> Any:
        raw = self._raw.random_raw(int(np.prod(shape))) >> np.uint64(16)
        return (raw % np.uint64(below)).astype(np.int64).reshape(shape)
