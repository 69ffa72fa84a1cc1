"""Proof of a rule set: every property for all inputs, all reachable memories and all calibrations the file accepts.

A property of one tick is proved from any memory within the invariants (`controller.invariants`). Where that fails,
a run from power-up is sought that breaks the property; found, it is a counterexample, and not found, the property
stays open, which is no pass.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Collection
from dataclasses import dataclass, replace
from typing import Any, Literal

import z3

from controller import invariants, still
from controller.counterexample import Target, Unrolled, allow, default_fixed, shortest
from controller.encode import Encoder
from controller.found_run import FoundRun
from controller.intervals import INT32_HIGH, INT32_LOW, declared_ranges, ranges_of, reachable
from controller.language import check
from controller.ruleset import RuleSet
from controller.terms import Term
from controller.tracer import trace, trace_property, trace_relation

Outcome = Literal["proved", "broken", "open"]

MOST_TICKS = 12
"""Counterexamples and row-reaching runs are sought up to this length."""


@dataclass(frozen=True)
class Verdict:
    """What came out for one name: proved for all, broken by a run, or open; `note` says how, in a few words."""

    name: str
    meaning: str
    outcome: Outcome
    note: str
    seconds: float = 0.0
    run: FoundRun | None = None


@dataclass(frozen=True)
class Effort:
    """How long to look: seconds for one query and for one search of a counterexample, and whether to make it plain."""

    query_s: float = 20.0
    search_s: float = 30.0
    most_ticks: int = MOST_TICKS
    plain: bool = True


_OF_THE_WHOLE = {
    "memory_in_range": "every memory field stays within its declared range",
    "whole_numbers_in_int32": "no term of tick, properties or relations leaves int32",
    "every_row_can_fire": "no row of the chart is dead: from power-up some run fires each",
    "no_chatter": "with the inputs held still the clutch changes at most once, by induction",
}


def names_of(rules: RuleSet) -> dict[str, str]:
    """Return every name that can be proved of a rule set, with what it says."""
    return {one.name: one.meaning for one in rules.checks} | _OF_THE_WHOLE


class Proof:
    """One rule set with its invariants, and the questions that can be put to it."""

    def __init__(self, rules: RuleSet, effort: Effort | None = None, among: Collection[str] | None = None) -> None:
        began = time.perf_counter()
        check(rules)
        self.rules, self.effort = rules, effort or Effort()
        self.program = trace(rules)
        self.encoder = Encoder(self.program)
        self.invariants = invariants.find(self.encoder, among)
        self._before = self.encoder.any_memory("")
        self._moment = self.encoder.moment(self._before, self.encoder.inputs(""))
        self._truths: dict[str, tuple[str, Term]] = {
            prop.name: (prop.meaning, trace_property(prop, self.program)) for prop in rules.properties
        }
        for history, (_fields, holds) in zip(rules.histories, self.encoder.histories, strict=True):
            self._truths[history.name] = (history.meaning, holds)
        self._asks: dict[str, Callable[[], Verdict]] = {
            "memory_in_range": self._memory_in_range,
            "whole_numbers_in_int32": self._whole_numbers_in_int32,
            "every_row_can_fire": self._every_row_can_fire,
            "no_chatter": self._no_chatter,
        }
        self.prepared_s = time.perf_counter() - began
        """Time that finding the invariants took."""

    def ask(self, name: str) -> Verdict:
        """Return the verdict on one name."""
        began = time.perf_counter()
        verdict = self._asks[name]() if name in self._asks else self._property(name)
        return replace(verdict, seconds=time.perf_counter() - began)

    def proves(self, *formulas: Any) -> bool:
        """Return whether the formulas follow from the invariants before the tick."""
        solver = z3.SolverFor("QF_LIA")
        allow(solver, self.effort.query_s)
        solver.add(*(claim(self._before) for claim in self.invariants.values()))
        # Formulas first: making them may meet products, of which something is then assumed.
        solver.add(z3.Not(z3.And(*formulas)))
        solver.add(*self.encoder.assumed)
        return bool(solver.check() == z3.unsat)

    def all_at_once(self) -> bool:
        """Return whether one query proves every property and history and the memory's ranges; if not, ask by name."""
        truths = [self._moment.of(truth) for _meaning, truth in self._truths.values()]
        return self.proves(*truths, *self._within_ranges().values())

    def _within_ranges(self) -> dict[str, Any]:
        """Return of each number of the memory after the tick that it is within its declared range."""
        return {name: self._is_within(name, formula) for name, formula in self._moment.after().items()
                if not z3.is_bool(formula)}  # fmt: skip  # one mapping

    def _is_within(self, name: str, formula: Any) -> Any:
        low, high = self.encoder.declared[name]
        return z3.And(low <= formula, formula <= high)

    def _property(self, name: str) -> Verdict:
        meaning, truth = self._truths[name]
        if self.proves(self._moment.of(truth)):
            return Verdict(name, meaning, "proved", "for every input, memory and calibration")
        return self._broken_or_open(name, meaning, lambda moments: z3.Not(moments[-1].of(truth)))

    def _broken_or_open(self, name: str, meaning: str, target: Target) -> Verdict:
        run = find_run(self.rules, target, self.effort, lambda run: name in _broken_at_last(run))
        if run is None:
            note = f"not provable, and no run of up to {self.effort.most_ticks} ticks was found that breaks it"
            return Verdict(name, meaning, "open", note)
        return Verdict(name, meaning, "broken", f"by a run of {len(run.inputs)} ticks", run=run)

    def _memory_in_range(self) -> Verdict:
        name = "memory_in_range"
        meaning = _OF_THE_WHOLE[name]
        for field, within in self._within_ranges().items():
            if not self.proves(within):
                return self._leaving(field)
        return Verdict(name, meaning, "proved", f"{len(self._moment.after())} fields")

    def _leaving(self, field: str) -> Verdict:
        """Return that a field of the memory can leave its range, with a run at whose end it has, where one is found."""
        name = "memory_in_range"
        low, high = self.encoder.declared[field]
        what = f"{field[2:]} can leave {low} to {high}"
        run = find_run(
            self.rules,
            lambda moments: z3.Not(self._is_within(field, moments[-1].after()[field])),
            self.effort,
            lambda run: not low <= run.memory_after()[field] <= high,
        )
        if run is None:
            return Verdict(name, _OF_THE_WHOLE[name], "open", what)
        note = f"{what}: a run of {len(run.inputs)} ticks"
        return Verdict(name, _OF_THE_WHOLE[name], "broken", note, run=run)

    def _whole_numbers_in_int32(self) -> Verdict:
        name = "whole_numbers_in_int32"
        meaning = _OF_THE_WHOLE[name]
        declared = declared_ranges(self.rules)
        roots = [*self.program.outputs, *(truth for _meaning, truth in self._truths.values())]
        roots += [term for fields, _holds in self.encoder.histories for term in fields]
        ranges = ranges_of(self.program.graph, declared)
        tick_terms = [term for term in reachable(roots) if term.kind == "int"]
        wide = [term for term in tick_terms if not _fits(ranges[term.index])]
        for term in wide:
            formula = self._moment.of(term)
            if not self.proves(formula >= INT32_LOW, formula <= INT32_HIGH):
                return Verdict(name, meaning, "broken", f"{_short(term)} may leave int32")
        count = len(tick_terms)
        for relation in self.rules.relations:
            root = trace_relation(relation, self.rules)
            of_relation = ranges_of(root.graph, declared)
            for term in reachable((root,)):
                count += term.kind == "int"
                if not _fits(of_relation[term.index]):
                    note = f"{_short(term)} of the relation at {relation.where} may leave int32"
                    return Verdict(name, meaning, "broken", note)
        return Verdict(name, meaning, "proved", f"{count} terms, {len(wide)} of them by z3, the others by intervals")

    def _every_row_can_fire(self) -> Verdict:
        name = "every_row_can_fire"
        meaning = _OF_THE_WHOLE[name]
        rows = self.rules.rows
        unrolled = Unrolled(self.program, default_fixed(self.rules, self.program))
        left = set(range(1, len(rows) + 1))
        stop = time.monotonic() + self.effort.search_s
        for _ in range(self.effort.most_ticks):
            if not left or time.monotonic() >= stop:
                break
            unrolled.extend()
            fired = unrolled.moments[-1].of(self.program.row)
            while left:
                model = unrolled.check(z3.Or(*(fired == row for row in sorted(left))), seconds=self.effort.query_s)
                if model is None:
                    break
                left.remove(model.eval(fired, model_completion=True).as_long())
        if not left:
            return Verdict(name, meaning, "proved", f"{len(rows)} rows, each within {len(unrolled.moments)} ticks")
        words = ", ".join(f"{rows[at - 1].source.word}: {rows[at - 1].name}" for at in sorted(left))
        never = all(self.proves(self._moment.of(self.program.row) != at) for at in left)
        if never:
            return Verdict(name, meaning, "broken", f"proved dead: {words}")
        return Verdict(name, meaning, "open", f"not reached in {len(unrolled.moments)} ticks: {words}")

    def _no_chatter(self) -> Verdict:
        name = "no_chatter"
        meaning = _OF_THE_WHOLE[name]
        following = self.encoder.moment(self._moment.after(), still.same_inputs(self.encoder, self._moment, "+"))
        steps = still.steps(self.encoder, self._moment, following)
        failing = [step for step, formula in steps.items() if not self.proves(formula)]
        if not failing:
            return Verdict(name, meaning, "proved", f"{len(steps)} induction steps")
        run = find_run(
            self.rules,
            lambda moments: still.chatters(moments[-1].encoder, moments),
            self.effort,
            lambda run: still.changes_while_still(run) > 1,
        )
        if run is None:
            return Verdict(name, meaning, "open", f"step not provable: {failing[0]}")
        return Verdict(name, meaning, "broken", f"by a run of {len(run.inputs)} ticks", run=run)


def find_run(rules: RuleSet, target: Target, effort: Effort, is_real: Callable[[FoundRun], bool]) -> FoundRun | None:
    """Return the shortest run found at whose end the target holds, and which the rules themselves bear out."""
    # Multiplying keys at their defaults first, where products are exact; then free, where only the replay tells.
    free: dict[str, int] = {}
    for fixed in (None, free):
        run = shortest(rules, target, most_ticks=effort.most_ticks, seconds=effort.search_s / 2, fixed=fixed,
                       plain=effort.plain)  # fmt: skip  # one call
        if run is not None and is_real(run):
            return run
    return None


def _broken_at_last(run: FoundRun) -> list[str]:
    return run.replayed()[-1][2]


def _fits(range_: tuple[int, int]) -> bool:
    return range_[0] >= INT32_LOW and range_[1] <= INT32_HIGH


def _short(term: Term) -> str:
    text = repr(term)
    return text if len(text) < 80 else text[:77] + "…"
