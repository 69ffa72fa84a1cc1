"""Random ticks for back-to-back runs: any memory, inputs near every threshold, calibrations anywhere valid.

Values come from pools: a number is drawn near a calibration key of the same unit (the suffix of its name), at its
edges, or anywhere in its range. The raw stream of the bit generator is used alone, which NumPy keeps the same from
version to version.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from types import SimpleNamespace
from typing import Any

import numpy as np

from controller.calibration import default_values
from controller.declare import Key, Memory, Signal
from controller.ruleset import RuleSet

_STEPS_MS = (10, 10, 10, 10, 10, 10, 5, 20, 0, 100, 1_000, 5_000)
_TRIES = 8
"""How often a move of a key is tried, each time half as far."""


@dataclass(frozen=True)
class Ticks:
    """Runs of ticks: `starts` one memory a run, `inputs` runs × ticks rows, all int32 in declared order."""

    calibration: Any
    starts: Any
    inputs: Any
    ticks: int


class Stimulus:
    """A stream of random runs; the same seed gives the same runs."""

    def __init__(self, rules: RuleSet, seed: int) -> None:
        self.rules = rules
        self._raw = np.random.PCG64(seed)

    def _draw(self, shape: tuple[int, ...]) -> Any:
        return self._raw.random_raw(int(np.prod(shape))).reshape(shape)

    def calibration(self) -> Any:
        """Return a valid calibration as an int32 row: the defaults with random keys moved anywhere they may be.

        A move that breaks a relation goes half as far, and half again: an entry of a falling list that may stand
        only just under the one before it would hardly ever be met.
        """
        keys, values = self.rules.keys, list(map(int, default_values(self.rules)))
        for place, raw in zip(self._draw((3 * len(keys),)), self._draw((3 * len(keys),)), strict=True):
            at = int(place) % len(keys)
            key, old = keys[at], values[at]
            span = key.high - key.low + 1
            near = max(1, span // 50)
            wanted = key.low + int(raw >> np.uint64(8)) % span if raw & np.uint64(1) else (
                old + int(raw >> np.uint64(8)) % (2 * near + 1) - near)  # fmt: skip
            values[at] = min(max(wanted, key.low), key.high)
            for _ in range(_TRIES):
                if self._valid(values):
                    break
                values[at] = old + (values[at] - old) // 2
            else:
                values[at] = old
        return np.array(values, dtype=np.int32)

    def _valid(self, values: Sequence[int]) -> bool:
        keys = self.rules.keys
        k = SimpleNamespace(**{key.name: bool(value) if key.is_flag else value
                               for key, value in zip(keys, values, strict=True)})  # fmt: skip
        return all(relation.holds(k) for relation in self.rules.relations)

    def runs(self, calibration: Any, runs: int, ticks: int) -> Ticks:
        """Return `runs` runs of `ticks` ticks each under one calibration."""
        starts = np.empty((runs, len(self.rules.memory)), dtype=np.int32)
        for at, field in enumerate(self.rules.memory):
            starts[:, at] = self._memory(field, calibration, runs)
        inputs = np.empty((runs, ticks, len(self.rules.signals)), dtype=np.int32)
        for at, signal in enumerate(self.rules.signals):
            inputs[:, :, at] = self._times(signal, starts, runs, ticks) if signal.name == "now_ms" else (
                self._signal(signal, calibration, runs, ticks))  # fmt: skip
        return Ticks(calibration, starts, inputs.reshape(runs * ticks, len(self.rules.signals)), ticks)

    def _times(self, clock: Signal, starts: Any, runs: int, ticks: int) -> Any:
        at = [field.name for field in self.rules.memory].index("now_ms")
        steps = np.array(_STEPS_MS, dtype=np.int64)[
            (self._draw((runs, ticks)) % np.uint64(len(_STEPS_MS))).astype(np.int64)
        ]
        times = starts[:, at : at + 1].astype(np.int64) + np.cumsum(steps, axis=1)
        # Now and then the clock jumps back, as after a restart of whoever gives the time.
        back = self._draw((runs, ticks)) % np.uint64(500) == 0
        return np.clip(np.where(back, times - 3_000, times), clock.low, clock.high)

    def _memory(self, field: Memory, calibration: Any, runs: int) -> Any:
        raw = self._draw((runs,))
        if field.is_flag:
            return raw % np.uint64(8) == 0
        if field.name == "now_ms":
            return raw % np.uint64(2**30)
        if field.name.endswith("_ms") and field.low == -1:
            # A timer that runs is the exception, as in a drive.
            return np.where(raw % np.uint64(4) == 0, self._pooled(field, calibration, raw), -1)
        return self._pooled(field, calibration, raw)

    def _signal(self, signal: Signal, calibration: Any, runs: int, ticks: int) -> Any:
        raw = self._draw((runs, ticks))
        if signal.is_flag:
            usual = raw % np.uint64(16) != 0
            drawn = usual if signal.default else ~usual
        elif signal.name.endswith("_age_ms"):
            drawn = np.where(raw % np.uint64(200) < np.uint64(199), raw >> np.uint64(40) & np.uint64(15),
                             self._pooled(signal, calibration, raw))  # fmt: skip
        else:
            drawn = self._pooled(signal, calibration, raw)
        # Most inputs stay for a while: delays run only while nothing else moves.
        hold = self._draw((runs, ticks)) % np.uint64(16) != 0
        return _held(drawn.astype(np.int64), hold)

    def _pooled(self, one: Signal | Memory, calibration: Any, raw: Any) -> Any:
        pool = np.array(_pool(one, self.rules.keys, calibration), dtype=np.int64)
        span = one.high - one.low + 1
        bits = raw >> np.uint64(16)
        anywhere = one.low + (bits % np.uint64(span)).astype(np.int64)
        near = pool[(bits % np.uint64(len(pool))).astype(np.int64)]
        return np.where((raw >> np.uint64(4)) % np.uint64(3) == 0, anywhere, near)


def _held(drawn: Any, hold: Any) -> Any:
    # The index of the last tick that drew anew, run along each row; the first tick always does.
    places = np.where(hold, 0, np.arange(drawn.shape[1]))
    return np.take_along_axis(drawn, np.maximum.accumulate(places, axis=1), axis=1)


def _pool(one: Signal | Memory, keys: Iterable[Key], calibration: Any) -> list[int]:
    if one.high - one.low <= 16:
        return list(range(one.low, one.high + 1))
    suffix = one.name.rpartition("_")[2]
    start = one.default if isinstance(one, Signal) else one.initial
    near = [one.low, one.high, start]
    for key, value in zip(keys, calibration, strict=True):
        if not key.is_flag and key.name.rpartition("_")[2] == suffix:
            near += [int(value) - 1, int(value), int(value) + 1]
    return sorted({value for value in near if one.low <= value <= one.high})
