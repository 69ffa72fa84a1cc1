"""Making a failing run small: fewer changes of the inputs, fewer signals in it, shorter waits, defaults elsewhere."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from controller.calibration import default_values, values_type
from controller.found_run import FoundRun
from controller.ruleset import RuleSet
from sim.drives import Drive
from sim.lanes import first_broken

TICK_MS = 10


@dataclass(frozen=True)
class _Stretch:
    """Inputs that stay for some ticks; `x` is in the rule set's order, time left out."""

    ticks: int
    x: tuple[int, ...]


class RuleShrinker:
    """Shrinks a run of inputs after which a property does not hold; everything but the rules is left out."""

    def __init__(self, rules: RuleSet, property_bit: int) -> None:
        self.rules, self.bits = rules, 1 << property_bit
        self._now = [signal.name for signal in rules.signals].index("now_ms")
        self._defaults = tuple(int(signal.default) for signal in rules.signals)

    def shrink(self, calibration: Any, inputs: Any) -> FoundRun:
        """Return a small run of the same failure. `inputs` has a row a tick, from power-up."""
        run = self._cut(_stretches(inputs, self._now), calibration)
        while True:
            before = run
            run = self._without_stretches(run, calibration)
            run = self._plainer_signals(run, calibration)
            run = self._shorter(run, calibration)
            if run == before:
                break
        calibration = self._plainer_calibration(run, calibration)
        return self._found(self._cut(run, calibration), calibration)

    def _fails(self, run: list[_Stretch], calibration: Any) -> bool:
        return first_broken(self.rules, calibration, self._inputs(run), self.bits) >= 0

    def _inputs(self, run: list[_Stretch]) -> Any:
        x = np.repeat(np.array([one.x for one in run], np.int64), [one.ticks for one in run], axis=0)
        x[:, self._now] = np.arange(len(x)) * TICK_MS
        return x

    def _cut(self, run: list[_Stretch], calibration: Any) -> list[_Stretch]:
        """Return the run up to the tick that breaks the property."""
        last = first_broken(self.rules, calibration, self._inputs(run), self.bits)
        left = last + 1
        kept: list[_Stretch] = []
        for one in run:
            if left <= 0:
                break
            kept.append(_Stretch(min(one.ticks, left), one.x))
            left -= one.ticks
        return kept

    def _without_stretches(self, run: list[_Stretch], calibration: Any) -> list[_Stretch]:
        # Zeller and Hildebrandt's ddmin in outline: large parts first, then ever smaller ones.
        size = max(len(run) // 2, 1)
        while size >= 1:
            at = 0
            while at < len(run) and len(run) > 1:
                gone = run[at : at + size]
                ticks = sum(one.ticks for one in gone)
                before, after = run[:at], run[at + size :]
                tries = [before + after]
                if before:
                    tries.append([*before[:-1], replace(before[-1], ticks=before[-1].ticks + ticks), *after])
                fewer = next((one for one in tries if one and self._fails(one, calibration)), None)
                if fewer is None:
                    at += size
                else:
                    run = self._cut(fewer, calibration)
            size //= 2
        return run

    def _plainer_signals(self, run: list[_Stretch], calibration: Any) -> list[_Stretch]:
        for place in range(len(self._defaults)):
            if place == self._now:
                continue
            for value in (self._defaults[place], run[0].x[place], run[-1].x[place]):
                level = [replace(one, x=_with(one.x, place, value)) for one in run]
                if level == run or self._fails(level, calibration):
                    run = level
                    break
            else:
                for at in range(1, len(run)):
                    same = replace(run[at], x=_with(run[at].x, place, run[at - 1].x[place]))
                    follows = [*run[:at], same, *run[at + 1 :]]
                    if follows != run and self._fails(follows, calibration):
                        run = follows
        return self._cut(_merged(run), calibration)

    def _shorter(self, run: list[_Stretch], calibration: Any) -> list[_Stretch]:
        for at in range(len(run)):
            ticks = 1
            while ticks < run[at].ticks:
                shorter = [*run[:at], replace(run[at], ticks=ticks), *run[at + 1 :]]
                if self._fails(shorter, calibration):
                    run = shorter
                    break
                ticks *= 2
        return self._cut(run, calibration)

    def _plainer_calibration(self, run: list[_Stretch], calibration: Any) -> Any:
        values = calibration._asdict()
        for name, default in default_values(self.rules)._asdict().items():
            tried = values_type(self.rules)(**{**values, name: default})
            if all(relation.holds(tried) for relation in self.rules.relations) and self._fails(run, tried):
                values[name] = default
        return values_type(self.rules)(**values)

    def _found(self, run: list[_Stretch], calibration: Any) -> FoundRun:
        flags = {signal.name for signal in self.rules.signals if signal.is_flag}
        names = [signal.name for signal in self.rules.signals]
        ticks = tuple(
            {name: bool(value) if name in flags else value for name, value in zip(names, row, strict=True)}
            for row in self._inputs(run).tolist()
        )
        return FoundRun(self.rules, calibration, ticks)


def _stretches(inputs: Any, now: int) -> list[_Stretch]:
    timeless = inputs.copy()
    timeless[:, now] = 0
    return _merged([_Stretch(1, tuple(row)) for row in timeless.tolist()])


def _merged(run: list[_Stretch]) -> list[_Stretch]:
    merged: list[_Stretch] = []
    for one in run:
        if merged and merged[-1].x == one.x:
            merged[-1] = replace(one, ticks=merged[-1].ticks + one.ticks)
        else:
            merged.append(one)
    return merged


def _with(x: tuple[int, ...], place: int, value: int) -> tuple[int, ...]:
    return (*x[:place], value, *x[place + 1 :])


def shrink_drive(drive: Drive, fails: Callable[[Drive], bool]) -> Drive:
    """Return a drive with as few events and points as still fail in the closed loop."""
    while True:
        before = drive
        for event in drive.events:
            fewer = replace(drive, events=tuple(one for one in drive.events if one is not event))
            if fails(fewer):
                drive = fewer
        for point in drive.points[1:-1]:
            fewer = replace(drive, points=tuple(one for one in drive.points if one is not point))
            if fails(fewer):
                drive = fewer
        if drive == before:
            return drive
