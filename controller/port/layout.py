"""What the command's fields mean, for the header."""

from __future__ import annotations

COMMAND_MEANINGS = {
    "duty_ppm": "duty of the clutch, millionths: 0 to 1000000",
    "state": "RULES_STATE_...",
    "reason": "why the chart last moved, RULES_REASON_...",
    "refusal": "why the clutch is not in now, RULES_REASON_..., 0 while it is",
    "warnings": "RULES_LAMP_... bits",
    "band": "selected band: 0 none, 1 low, 2 high",
}
