"""Back-to-back runs: the same random ticks through two of the backends, compared field by field."""

from __future__ import annotations

import ast
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import lru_cache
from types import SimpleNamespace
from typing import Any

import numpy as np

from controller.chart import Chart
from controller.port.stimulus import Stimulus, Ticks
from controller.ruleset import COMMAND_FIELDS, RuleSet
from controller.step import step
from controller.straight import source
from controller.tracer import trace

_LENGTH = 50
"""Ticks of a run."""

_CALIBRATIONS, _MOST_RUNS = 20, 1_000
"""At least so many calibrations take part; so many runs at once at most, which fit the memory of an emulated core."""

Runner = Callable[[Ticks], Any]
"""Takes ticks and returns memory and command after each, one int32 row a tick."""


@dataclass
class Comparison:
    """What a back-to-back run has shown."""

    name: str
    ticks: int = 0
    mismatches: int = 0
    first: str = ""
    rows: Counter[int] = field(default_factory=Counter)
    """How often each row of the chart fired, where one side tells."""

    def seen(self, rules: RuleSet) -> str:
        """Return the result in one line."""
        text = f"{self.ticks:,} ticks, {self.mismatches} mismatches"
        if self.rows:
            fired = [count for number, count in self.rows.items() if number]
            text += f", {len(fired)} of {len(rules.rows)} chart rows fired, {sum(fired):,} moves"
        return text + (f"; first: {self.first}" if self.first else "")


def reference_runner(rules: RuleSet) -> Runner:
    """Return the reference on random ticks: plain Python numbers, the chart read by `transitions`."""
    chart = Chart(rules)
    flags = [signal.is_flag for signal in rules.signals]

    def run(ticks: Ticks) -> Any:
        k = SimpleNamespace(**{
            key.name: bool(value) if key.is_flag else int(value)
            for key, value in zip(rules.keys, ticks.calibration, strict=True)
        })  # fmt: skip
        rows = []
        names = [signal.name for signal in rules.signals]
        for at, row in enumerate(ticks.inputs.tolist()):
            if at % ticks.ticks == 0:
                start = ticks.starts[at // ticks.ticks].tolist()
                memory = tuple(bool(value) if one.is_flag else value
                               for one, value in zip(rules.memory, start, strict=True))  # fmt: skip
            x = SimpleNamespace(**{name: bool(value) if is_flag else value
                                   for name, value, is_flag in zip(names, row, flags, strict=True)})  # fmt: skip
            memory, command = step(rules, chart, memory, x, k)
            rows.append((*memory, *command))
        return np.array(rows, dtype=np.int32)

    return run


@lru_cache(maxsize=4)
def _compiled_runner(rules: RuleSet) -> Any:
    from numba import njit

    scope: dict[str, Any] = {}
    program = trace(rules)
    text = _writing(source(program, (*program.outputs, program.row)))
    exec(compile(text, "<lanes>", "exec"), scope)  # the tracer's text
    tick = njit(scope["tick"])
    width, size = len(rules.memory) + len(COMMAND_FIELDS) + 1, len(rules.memory)

    @njit
    def run(k, starts, inputs, rows, ticks):  # type: ignore[no-untyped-def]  # numba infers them
        m = np.zeros(size, dtype=np.int64)
        for at in range(inputs.shape[0]):
            if at % ticks == 0:
                m[:] = starts[at // ticks]
            tick(inputs[at], k, m, m, rows[at])  # no output here reads the histories, the fourth
            m[:] = rows[at, :size]

    return run, width


def _writing(text: str) -> ast.Module:
    # numba takes no tuple of this length: each value is written to its place instead.
    module = ast.parse(text)
    function = module.body[0]
    result = function.body.pop() if isinstance(function, ast.FunctionDef) else None
    if not (
        isinstance(function, ast.FunctionDef) and isinstance(result, ast.Return) and isinstance(result.value, ast.Tuple)
    ):
        raise AssertionError("the straight-line text is one function that ends in a return of a tuple")
    values = result.value.elts
    function.args.args.append(ast.arg("row"))
    function.body += ast.parse("\n".join(f"row[{at}] = {ast.unparse(value)}" for at, value in enumerate(values))).body
    return ast.fix_missing_locations(module)


def lanes_runner(rules: RuleSet) -> Runner:
    """Return the compiled straight-line tick; one column more than the others: the row that fired."""
    run, width = _compiled_runner(rules)

    def run_ticks(ticks: Ticks) -> Any:
        rows = np.empty((len(ticks.inputs), width), dtype=np.int32)
        wide = (ticks.calibration.astype(np.int64), ticks.starts.astype(np.int64), ticks.inputs.astype(np.int64))
        run(*wide, rows, ticks.ticks)
        return rows

    return run_ticks


def compare(rules: RuleSet, name: str, left: Runner, right: Runner, *, ticks: int, seed: int) -> Comparison:
    """Run both on at least `ticks` random ticks, one calibration after another, and compare every field and output."""
    result = Comparison(name)
    stimulus = Stimulus(rules, seed)
    width = len(rules.memory) + len(COMMAND_FIELDS)
    names = [f"memory {one.name}" for one in rules.memory] + [f"command {one}" for one in COMMAND_FIELDS]
    runs = min(_MOST_RUNS, max(1, ticks // _LENGTH // _CALIBRATIONS))
    while result.ticks < ticks:
        sample = stimulus.runs(stimulus.calibration(), runs, _LENGTH)
        first, second = left(sample), right(sample)
        for rows in (first, second):
            if rows.shape[1] > width:
                result.rows.update(rows[:, width].tolist())
        wrong = first[:, :width] != second[:, :width]
        if wrong.any():
            result.mismatches += int(wrong.any(axis=1).sum())
            at, place = np.argwhere(wrong)[0]
            run, tick = divmod(result.ticks + at, _LENGTH)
            result.first = result.first or (f"{names[place]} after tick {tick} of run {run}: "
                                            f"{first[at, place]} and {second[at, place]}")  # fmt: skip
        result.ticks += len(sample.inputs)
    return result
