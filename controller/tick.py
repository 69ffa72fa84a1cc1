"""One tick of a rule set, written once for every backend.

`run` works on Python numbers and on traced terms alike; only the way to read the chart (`choose`) differs: the
reference asks the `transitions` machine, every other backend folds the same rows into one expression.
"""

from __future__ import annotations

from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

from controller.declare import ELAPSED_MAX_MS, TIMER_MAX_MS, Interlock, State
from controller.ruleset import RuleSet
from controller.words import maximum, minimum, not_, select

Choose = Callable[[RuleSet, Any, Any, Any], tuple[Any, Any]]
"""`choose(rules, x, k, m)` returns the next state and the reason; unchanged where no row fires."""


def run(rules: RuleSet, x: Any, k: Any, m: Any, choose: Choose) -> None:
    """Renew the memory view `m` in place and set the command's fields on it.

    Besides memory and command, later rules of the tick see `elapsed_ms`; `<reason>_trips` of each interlock above;
    `bars_idle` and `bars_released` (an interlock that sends a hold there is on or trips); `refused` (the clutch may
    not go in).

    Ignition off puts every field back to its initial value: a start is idle, with no band and no latched fault.
    """
    # Before anything else, so that nothing of the last ignition cycle reaches a rule of this one.
    ignition_on = x.ignition_on
    if ignition_on is not True:  # a plain True, the common case, leaves all as it was
        for name, start in rules.starts:
            setattr(m, name, select(ignition_on, getattr(m, name), start))
    m.elapsed_ms = minimum(maximum(x.now_ms - m.now_ms, 0), ELAPSED_MAX_MS)
    m.now_ms = x.now_ms
    for field in rules.early:
        setattr(m, field.name, field.update(x, k, m))
    m.bars_idle = False
    m.bars_released = False
    for interlock in rules.interlocks:
        stands = _renew_interlock(interlock, x, k, m)
        if interlock.out_to is State.IDLE:
            m.bars_idle = stands | m.bars_idle
        elif interlock.out_to is State.RELEASED:
            m.bars_released = stands | m.bars_released
    first = 0
    m.refused = False
    for refusal in reversed(rules.refusals):
        holds = refusal.holds(x, k, m)
        first = select(holds, rules.reason_numbers[refusal.reason], first)
        m.refused = holds | m.refused
    m.state, m.reason = choose(rules, x, k, m)
    for field in rules.late:
        setattr(m, field.name, field.update(x, k, m))
    m.refusal = select(m.state == State.APPLIED, 0, first)
    m.warnings = 0
    for place, lamp in enumerate(rules.lamps):
        m.warnings = m.warnings + select(lamp.lit(x, k, m), 1 << place, 0)


def _renew_interlock(interlock: Interlock, x: Any, k: Any, m: Any) -> Any:
    """Renew whether the interlock is on and its timer; return "on, or its condition holds"."""
    on = getattr(m, interlock.on)
    was_ms = getattr(m, interlock.timer)
    trips = interlock.trips(x, k, m) & x.ignition_on
    comes, goes = trips & not_(on), on & not_(trips)
    differs = comes | goes
    # The first tick of a difference counts 0 ms: nobody knows how much of the tick before it had.
    timer_ms = select(differs, select(was_ms < 0, 0, minimum(was_ms + m.elapsed_ms, TIMER_MAX_MS)), -1)
    goes_on = comes & (timer_ms >= _time(interlock.confirm, k))
    goes_off = False if interlock.latches else goes & (timer_ms >= _time(interlock.settle, k))
    on = (on | goes_on) & not_(goes_off)
    setattr(m, interlock.trip, trips)
    setattr(m, interlock.on, on)
    setattr(m, interlock.timer, select(goes_on | goes_off, -1, timer_ms))
    return on | trips


def _time(key_or_ms: str | int, k: Any) -> Any:
    return getattr(k, key_or_ms) if isinstance(key_or_ms, str) else key_or_ms


def fold(rules: RuleSet, x: Any, k: Any, m: Any) -> tuple[Any, Any]:
    """Choose the first row that fires as one nested expression."""
    state, reason = m.state, m.reason
    for row in reversed(rules.rows):
        fires = (m.state == int(row.source)) & row.condition(x, k, m)
        state = select(fires, int(row.destination), state)
        reason = select(fires, rules.reason_numbers[row.reason], reason)
    return state, reason


def view(memory: tuple[Any, ...], rules: RuleSet) -> SimpleNamespace:
    """Return the memory as a view that a tick may renew."""
    return SimpleNamespace(**dict(zip(rules.memory_names, memory, strict=True)))
