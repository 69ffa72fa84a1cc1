"""No chatter: with the inputs held still the clutch goes in or comes out at most once.

By induction over ticks with the same inputs, only time passing. A ground *stands* where time does not lift it: a
condition of inputs, calibration and memory that no clock renews, or a latched fault. Four steps make the proof:

* what comes out does so on a standing ground;
* a standing ground still stands at the next tick, and nothing goes in;
* what goes in does so quietly: no ground stands and no interlock is on;
* what is quiet stays in and quiet at the next tick, or a latched fault ends it, which then stands.

So there is at most one change, or one engagement that a latched fault ends for good.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Any

import z3

from controller.declare import State
from controller.encode import Encoder, Moment
from controller.found_run import FoundRun
from controller.intervals import variables
from controller.terms import Term
from controller.tracer import Program
from controller.watch import Watch

_IN = int(State.APPLIED)


def steps(encoder: Encoder, this: Moment, following: Moment) -> dict[str, Any]:
    """Return the four steps as formulas over two ticks with the same inputs but for time."""
    after, later = this.after(), following.after()
    was_in, is_in, stays_in = (v["m.state"] == _IN for v in (this.before, after, later))
    stands, stands_later = _stands(encoder, this), _stands(encoder, following)
    quiet = z3.And(is_in, z3.Not(stands), z3.Not(_any_on(encoder, after)))
    quiet_later = z3.And(stays_in, z3.Not(stands_later), z3.Not(_any_on(encoder, later)))
    return {
        "comes out on a standing ground": z3.Implies(z3.And(was_in, z3.Not(is_in)), stands),
        "a standing ground keeps it out": z3.Implies(
            z3.And(stands, z3.Not(is_in)), z3.And(stands_later, z3.Not(stays_in))
        ),
        "goes in quietly": z3.Implies(z3.And(z3.Not(was_in), is_in), quiet),
        "quiet stays in, or a latched fault ends it": z3.Implies(
            quiet, z3.Or(quiet_later, z3.And(z3.Not(stays_in), stands_later, _latched(encoder, later)))
        ),
    }


def same_inputs(encoder: Encoder, first: Moment, at: str) -> dict[str, Any]:
    """Return the inputs of a tick again, at a later time."""
    return {**first.inputs, "x.now_ms": encoder.unknown("x.now_ms", False, at)}


def chatters(encoder: Encoder, moments: Sequence[Moment]) -> Any:
    """Return the formula "since the inputs last changed there are two changes, the last one at the last tick".

    A latched fault that ends an engagement does not count.
    """
    changes = [_changes(encoder, one) for one in moments]
    earlier = [z3.And(changed, *_same(moments[at:])) for at, changed in enumerate(changes[:-1])]
    return z3.And(changes[-1], z3.Or(*earlier))


def _changes(encoder: Encoder, moment: Moment) -> Any:
    was_in, is_in = moment.before["m.state"] == _IN, moment.command("state") == _IN
    faulted = z3.And(z3.Not(is_in), _latched(encoder, moment.after()))
    return z3.And(z3.Xor(was_in, is_in), z3.Not(faulted))


def _same(moments: Sequence[Moment]) -> list[Any]:
    return [
        later.inputs[name] == formula
        for now, later in pairwise(moments)
        for name, formula in now.inputs.items()
        if name != "x.now_ms"
    ]


def _stands(encoder: Encoder, moment: Moment) -> Any:
    program, rules = encoder.program, encoder.rules
    timeless = _timeless_fields(program)
    after = moment.after()
    grounds = []
    by_reason = {one.reason: (one, trip) for one, trip in zip(rules.interlocks, program.trips, strict=True)}
    for refusal, holds in zip(rules.refusals, program.refuses, strict=True):
        if refusal.reason in by_reason:
            interlock, trip = by_reason[refusal.reason]
            if _is_timeless(trip, timeless | {f"m.{interlock.on}"}):
                grounds.append(moment.of(trip))
            if interlock.latches:
                grounds.append(after[f"m.{interlock.on}"])
        elif _is_timeless(holds, timeless):
            grounds.append(moment.of(holds))
    return z3.Or(*grounds)


def _any_on(encoder: Encoder, memory: dict[str, Any]) -> Any:
    return z3.Or(*(memory[f"m.{one.on}"] for one in encoder.rules.interlocks if one.out_to is not None))


def _latched(encoder: Encoder, memory: dict[str, Any]) -> Any:
    return z3.Or(*(memory[f"m.{one.on}"] for one in encoder.rules.interlocks if one.latches))


def _is_timeless(term: Term, fields: set[str]) -> bool:
    read = variables(term)
    return "x.now_ms" not in read and {name for name in read if name.startswith("m.")} <= fields


def _timeless_fields(program: Program) -> set[str]:
    """Return the memory fields that no clock renews, directly or through another field."""
    renewed = {f"m.{one.name}": term for one, term in zip(program.rules.memory, program.memory, strict=True)}
    fields = set(renewed)
    while True:
        kept = {name for name in fields if _is_timeless(renewed[name], fields)}
        if kept == fields:
            return fields
        fields = kept


def changes_while_still(run: FoundRun) -> int:
    """Return how often the clutch changed since the inputs of a run last did; a latched fault's end does not count."""
    count, previous = 0, None
    was_in = False
    watch = Watch(run.rules, run.calibration)
    names = [field.name for field in run.rules.memory]
    for x in run.inputs:
        command, _broken = watch.tick(x)
        still_x = {name: value for name, value in x.items() if name != "now_ms"}
        if still_x != previous:
            count = 0
        is_in = command.state == _IN
        after = dict(zip(names, watch.memory, strict=True))
        faulted = not is_in and any(after[one.on] for one in run.rules.interlocks if one.latches)
        count += is_in != was_in and not faulted
        previous, was_in = still_x, is_in
    return count
