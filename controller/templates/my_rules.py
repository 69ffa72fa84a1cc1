"""Rules of my own, built on the workbench's. Run them with `--rules my_rules.py`; this file is run as code.

A rule is a plain function of three views, x (this tick's signals), k (the calibration) and m (the memory). It uses
comparisons, + - *, & and |, and four words: select, not_, minimum, maximum. No if, and, or, not, no division, no
fractions: the same function is simulated, proved and built into firmware. The workbench names file, line and the
word to use instead where a rule steps outside.

A simulation is not a road test. Try new rules off-road, with a trained person and a way to cut the command.
"""

from __future__ import annotations

from typing import Any

from controller.declare import Interlock, Key, Property, Signal, State
from controller.our_rules import OURS
from controller.words import not_, select

# A signal that our rules do not read and the simulator provides: whole numbers of 0.1 °C, from -60 to 150 °C.
COOLANT_TEMP = Signal("coolant_temp_dc", "0.1 °C", -600, 1_500, 200, "coolant temperature")

# A number of the calibration file: `minimum_c` in the table [coolant], in °C, kept as 0.1 °C (scale 10).
COOLANT_MINIMUM = Key(
    "coolant_minimum_dc", "coolant.minimum_c", 10, -400, 800, 400, "with colder coolant nothing is held"
)

GAP_DC = 30
"""Once cold, the coolant must get 3 °C warmer than the minimum."""


def coolant_cold(x: Any, k: Any, m: Any) -> Any:
    """Hold nothing while the engine warms up. `m.cold_coolant_on` is this interlock's own state: hysteresis."""
    warm_from_dc = select(m.cold_coolant_on, k.coolant_minimum_dc + GAP_DC, k.coolant_minimum_dc)
    return x.coolant_temp_dc < warm_from_dc


COLD_COOLANT = Interlock(
    "cold_coolant",
    coolant_cold,
    State.IDLE,  # where a hold goes: IDLE, the schedule as built takes over; RELEASED, waits; None, only refuses
    "the coolant is under its minimum",
    "by itself, once it is 3 °C warmer for one second",
    lambda x, k: f"coolant {x.coolant_temp_dc / 10:.1f} °C, minimum {k.coolant_minimum_dc / 10:.1f} °C",
    settle=1_000,  # ms; or the name of a calibration key
)

# What must never fail, said from raw inputs and outputs and not through the rule above, which it is to judge.
COLD_COOLANT_OPENS = Property(
    "cold_coolant_opens",
    "coolant under its minimum: no duty in the same tick",
    lambda _before, x, k, after: not_(x.coolant_temp_dc < k.coolant_minimum_dc) | (after.duty_ppm == 0),
)

RULES = OURS.adding(
    name="mine",
    signals=[COOLANT_TEMP],
    keys=[COOLANT_MINIMUM],
    interlocks=[COLD_COOLANT],
    properties=[COLD_COOLANT_OPENS],
    before="brake",  # in front of our interlock `brake`: the first that holds gives the reason
)
