"""Where each signal, key and memory field lives in the C structures; shared by writer, image and checks."""

from __future__ import annotations

from controller.ruleset import RuleSet
from controller.step import Command

COMMAND_MEANINGS = {
    "duty_ppm": "duty of the clutch, millionths: 0 to 1000000",
    "state": "RULES_STATE_...",
    "reason": "why the chart last moved, RULES_REASON_...",
    "refusal": "why the clutch is not in now, RULES_REASON_..., 0 while it is",
    "warnings": "RULES_LAMP_... bits",
    "band": "selected band: 0 none, 1 low, 2 high",
}

if tuple(COMMAND_MEANINGS) != Command._fields:
    raise AssertionError("every field of the command needs its line in the header")


def memory_places(rules: RuleSet) -> dict[str, str]:
    """Return the C place in `rules_memory_t` of each memory field: an interlock's two fields are one lock."""
    places = {field.name: field.name for field in rules.memory}
    for interlock in rules.interlocks:
        places[interlock.on] = f"lock_{interlock.reason}.on"
        places[interlock.timer] = f"lock_{interlock.reason}.ms"
    return places
