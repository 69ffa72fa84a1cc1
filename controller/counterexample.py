"""Runs from power-up that show something: the shortest sequence of ticks after which a formula holds.

The calibration is any that the file check accepts, except that keys which multiply an unknown stand at given values,
so that all arithmetic is linear and exact. What the solver finds is run again on the rules themselves.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from typing import Any

import z3

from controller.calibration import default_values, values_type
from controller.encode import Encoder, Moment, keys_in_products
from controller.found_run import FoundRun
from controller.ruleset import RuleSet
from controller.tracer import Program, trace

TICK_MS = 10
"""Ticks of a found run are this far apart, or a whole multiple, as a drive repeats them."""

LONGEST_GAP_MS = 1_000


Target = Callable[[Sequence[Moment]], Any]
"""What is looked for, as a formula over the ticks so far; it must hold at the last one."""


class Unrolled:
    """Ticks from power-up, one after another, with any inputs."""

    def __init__(self, program: Program, fixed: Mapping[str, int]) -> None:
        self.encoder = Encoder(program, fixed)
        self.solver = z3.SolverFor("QF_LIA")
        self.moments: list[Moment] = []
        self.gaps: list[Any] = []
        self._asserted = 0

    def extend(self) -> None:
        """Add a tick."""
        at = f"@{len(self.moments)}"
        inputs = self.encoder.inputs(at)
        if not self.moments:
            memory = self.encoder.first_memory()
            self.solver.add(inputs["x.now_ms"] == 0)
        else:
            # A name for each field keeps the formulas of later ticks small.
            memory = self.encoder.any_memory(at)
            after = self.moments[-1].after()
            self.solver.add(*(memory[name] == formula for name, formula in after.items()))
            gap = z3.Int(f"gap{at}")
            self.gaps.append(gap)
            self.solver.add(inputs["x.now_ms"] == self.moments[-1].inputs["x.now_ms"] + TICK_MS * gap)
            self.solver.add(gap >= 1, gap <= LONGEST_GAP_MS // TICK_MS)
        self.moments.append(self.encoder.moment(memory, inputs))

    def check(self, formula: Any, *also: Any, seconds: float) -> Any:
        """Return a model in which the formula holds, or None."""
        # What making the formula has assumed holds in any case, so it goes in before the formula does.
        self.solver.add(*self.encoder.assumed[self._asserted :])
        self._asserted = len(self.encoder.assumed)
        allow(self.solver, seconds)
        self.solver.push()
        self.solver.add(formula, *also)
        found = self.solver.model() if self.solver.check() == z3.sat else None
        self.solver.pop()
        return found

    def run_of(self, model: Any) -> FoundRun:
        """Return a model as a run."""
        rules = self.encoder.rules

        def number(formula: Any) -> int:
            value = model.eval(formula, model_completion=True)
            return bool(z3.is_true(value)) if z3.is_bool(value) else int(value.as_long())

        calibration = values_type(rules)(*(number(self.encoder.key(key.name)) for key in rules.keys))
        inputs = tuple(
            {name[2:]: number(formula) for name, formula in moment.inputs.items()} for moment in self.moments
        )
        return FoundRun(rules, calibration, inputs)


def allow(solver: Any, seconds: float) -> None:
    """Let each further question to a solver take so long at most."""
    # In whole ms, of which 0 would mean without end.
    solver.set("timeout", max(1, int(seconds * 1_000)))


def default_fixed(rules: RuleSet, program: Program) -> dict[str, int]:
    """Return the declared defaults of the keys that multiply an unknown."""
    defaults = default_values(rules)
    return {name: getattr(defaults, name) for name in keys_in_products(rules, program)}


def shortest(
    rules: RuleSet,
    target: Target,
    *,
    most_ticks: int,
    seconds: float,
    fixed: Mapping[str, int] | None = None,
    plain: bool = True,
) -> FoundRun | None:
    """Return the shortest run at whose last tick the target holds; None if none is found.

    It is made as plain as it gets, unless nobody will read it.
    """
    program = trace(rules)
    unrolled = Unrolled(program, default_fixed(rules, program) if fixed is None else fixed)
    stop = time.monotonic() + seconds
    for _ in range(most_ticks):
        left = stop - time.monotonic()
        if left <= 0:
            return None
        unrolled.extend()
        formula = target(unrolled.moments)
        model = unrolled.check(formula, seconds=left)
        if model is not None:
            return unrolled.run_of(_plainer(unrolled, formula, model, seconds / 2) if plain else model)
    return None


def _plainer(unrolled: Unrolled, formula: Any, model: Any, seconds: float) -> Any:
    """Return a model with many keys at their defaults, short gaps and few changes of inputs, in one pass."""
    stop = time.monotonic() + seconds
    wishes = _wishes(unrolled)
    kept: list[Any] = []

    def try_all(some: list[Any], model: Any) -> Any:
        # Wishes come granted by the half: most of a run's inputs do not matter.
        left = stop - time.monotonic()
        if not some or left <= 0:
            return model
        if all(z3.is_true(model.eval(wish, model_completion=True)) for wish in some):
            kept.extend(some)
            return model
        better = unrolled.check(formula, *kept, *some, seconds=left)
        if better is not None:
            kept.extend(some)
            return better
        if len(some) == 1:
            return model
        half = len(some) // 2
        return try_all(some[half:], try_all(some[:half], model))

    return try_all(wishes, model)


def _wishes(unrolled: Unrolled) -> list[Any]:
    encoder, rules = unrolled.encoder, unrolled.encoder.rules
    defaults = default_values(rules)
    wishes = []
    for key in rules.keys:
        formula = encoder.key(key.name)
        if not z3.is_int_value(formula):
            wishes.append(formula == getattr(defaults, key.name))
    wishes += [gap == 1 for gap in unrolled.gaps]
    first = unrolled.moments[0].inputs
    for signal in rules.signals:
        if signal.name == "now_ms":
            continue
        name = f"x.{signal.name}"
        default = bool(signal.default) if signal.is_flag else signal.default
        wishes += [now.inputs[name] == before.inputs[name]
                   for before, now in zip(unrolled.moments, unrolled.moments[1:], strict=False)]  # fmt: skip
        wishes.append(first[name] == default)
    return wishes
