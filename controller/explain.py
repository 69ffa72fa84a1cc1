"""A command in words: the state, and why the clutch is where it is."""

from __future__ import annotations

from typing import Any

from controller.declare import State
from controller.ruleset import RuleSet
from controller.step import Command


def explain(rules: RuleSet, command: Command, x: Any, k: Any) -> str:
    """Return e.g. `refused, signal_lost: road speed 240 ms old, limit 200 ms` for a tick's inputs and calibration."""
    if command.state == State.APPLIED:
        return f"in since {rules.reasons[command.reason]}"
    word = rules.reasons[command.refusal]
    says = next(refusal.says for refusal in rules.refusals if refusal.reason == word)
    return f"refused, {word}: {says if isinstance(says, str) else says(x, k)}"


def lamps_lit(rules: RuleSet, warnings: int) -> list[str]:
    """Return the words of the warning bits that are set."""
    return [lamp.word for place, lamp in enumerate(rules.lamps) if warnings & (1 << place)]
