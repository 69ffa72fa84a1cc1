"""A command in words: the state, and why the clutch is where it is."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from controller.declare import Lamp, State
from controller.ruleset import RuleSet
from controller.step import Command


def explain(rules: RuleSet, command: Command, x: Any, k: Any) -> str:
    """Return e.g. `refused, signal_lost: road speed 240 ms old, limit 200 ms` for a tick's inputs and calibration."""
    if command.state == State.APPLIED:
        return f"in since {rules.reasons[command.reason]}"
    word = rules.reasons[command.refusal]
    says = next(refusal.says for refusal in rules.refusals if refusal.reason == word)
    return f"refused, {word}: {_worded(says, x, k)}"


def explain_opening(rules: RuleSet, command: Command, x: Any, k: Any) -> tuple[str, str]:
    """Return the reason and e.g. `out, brake: brake pedal pressed` for the tick in which a hold was opened.

    Ignition off opens without a row: it puts everything back to a start.
    """
    word = rules.reasons[command.reason]
    if word == "start":
        return "ignition_off", "out, ignition_off: ignition off"
    says = next(
        row.says
        for row in rules.rows
        if row.source is State.APPLIED and int(row.destination) == command.state and row.reason == word
    )
    return word, f"out, {word}: {_worded(says, x, k)}"


def lamps_lit(rules: RuleSet, warnings: int) -> list[Lamp]:
    """Return the lamps whose warning bits are set."""
    return [lamp for place, lamp in enumerate(rules.lamps) if warnings & (1 << place)]


def _worded(says: str | Callable[[Any, Any], str], x: Any, k: Any) -> str:
    return says if isinstance(says, str) else says(x, k)
