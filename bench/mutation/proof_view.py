"""What the proof reads of a rule set: two sets that look alike here get the same verdicts."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from typing import Any

from controller.calibration import values_type
from controller.counterexample import Unrolled, default_fixed
from controller.encode import Encoder
from controller.intervals import declared_ranges
from controller.proof import Effort
from controller.ruleset import RuleSet
from controller.terms import Term, worked_out
from controller.tracer import trace, trace_property, trace_relation
from controller.watch import Watch


def seen_by_proof(rules: RuleSet) -> tuple[str, dict[str, list[int]]]:
    """Return all that a verdict depends on: a digest, and the declared ranges.

    What only files, pages and drivers read is left out. A search that finds a run makes it plainer by the keys'
    defaults; that changes no verdict.
    """
    program = trace(rules)
    encoder = Encoder(program)
    truths = [trace_property(prop, program) for prop in rules.properties]
    histories = [(*fields, holds) for fields, holds in encoder.histories]
    relations = [trace_relation(one, rules) for one in rules.relations]
    roots = [*program.outputs, program.row, *program.refuses, *program.trips, *truths]
    roots += [term for terms in histories for term in terms]
    seen: list[Any] = [
        sorted(default_fixed(rules, program).items()),
        [(one.name, one.is_flag) for one in rules.signals],
        [(one.name, one.is_flag) for one in rules.keys],
        [(one.name, one.initial, one.is_flag) for one in rules.memory],
        [(one.reason, one.on, one.timer, one.settle, one.latches, str(one.out_to)) for one in rules.interlocks],
        [one.reason for one in rules.refusals],
        [(int(one.source), int(one.destination)) for one in rules.rows],
        [one.name for one in rules.checks],
        [(one.name, one.initial, one.is_flag) for history in rules.histories for one in history.keeps],
        *(_terms([one]) for one in relations),
        _terms(roots),
    ]
    ranges = {name: list(range_) for name, range_ in declared_ranges(rules).items()}
    return hashlib.sha256(repr(seen).encode()).hexdigest(), ranges


def narrowed(ranges: Mapping[str, Sequence[int]], true: Mapping[str, Sequence[int]]) -> bool:
    """Return whether the ranges are the true ones but for narrower ones of inputs and calibration keys.

    A range of memory is no such: the proof shows that the field stays within it.
    """
    return ranges.keys() == true.keys() and all(
        true[name][0] <= low and high <= true[name][1] if name[0] in "xk" else [low, high] == list(true[name])
        for name, (low, high) in ranges.items()
    )


def _terms(roots: Sequence[Term]) -> tuple[list[tuple[Any, ...]], list[int]]:
    """Return what the roots are made of, and the place of each root; parts are named by their place.

    The graph itself will not do: whatever has been traced before has left terms in it.
    """
    made: list[tuple[Any, ...]] = []
    done: dict[Term, int] = {}

    def work(term: Term, *parts: int) -> int:
        made.append((term.op, term.kind, term.value, *parts))
        return len(made) - 1

    return made, [worked_out(root, done, work) for root in roots]


def runs_to_rows(rules: RuleSet, effort: Effort) -> list[dict[str, Any]]:
    """Return a run for each row of the chart that one is found for: the calibration, and the inputs of each tick."""
    program = trace(rules)
    unrolled = Unrolled(program, default_fixed(rules, program))
    left, found = list(range(1, len(rules.rows) + 1)), []
    while left and len(unrolled.moments) < effort.most_ticks:
        unrolled.extend()
        fired = unrolled.moments[-1].of(program.row)
        for at in tuple(left):
            model = unrolled.check(fired == at, seconds=effort.query_s)
            if model is not None:
                left.remove(at)
                run = unrolled.run_of(model)
                found.append({"calibration": run.calibration._asdict(), "inputs": list(run.inputs)})
    return found


def fires_every_row(rules: RuleSet, runs: Sequence[dict[str, Any]]) -> bool:
    """Return whether these runs, where the rule set allows them, fire every row: then no solver need be asked."""
    signals = {one.name: one for one in rules.signals}
    fired: set[int] = set()
    for run in runs:
        values, inputs = run["calibration"], run["inputs"]
        if values.keys() != {key.name for key in rules.keys} or any(x.keys() != signals.keys() for x in inputs):
            return False
        calibration = values_type(rules)(**values)
        allowed = all(key.low <= values[key.name] <= key.high for key in rules.keys)
        allowed = allowed and all(bool(one.holds(calibration)) for one in rules.relations)
        allowed = allowed and all(signals[name].low <= x[name] <= signals[name].high for x in inputs for name in x)
        if not allowed:
            continue
        watch = Watch(rules, calibration)
        for x in inputs:
            watch.tick(x)
            fired.add(watch.row)
    return fired >= set(range(1, len(rules.rows) + 1))
