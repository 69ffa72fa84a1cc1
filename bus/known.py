"""Every signal that a map may bind: the rules' own, what else the simulator knows, the command, the bench's time."""

from __future__ import annotations

from controller.declare import Signal
from controller.ruleset import RuleSet
from sim.sensors import GROUPS

PLANT_EXTRAS = (
    Signal("coolant_temp_dc", "0.1 °C", -600, 2_000, 200, "coolant temperature"),
    Signal("grade_permille", "permille", -500, 500, 0, "slope of the road"),
    Signal("tyre_slip_permille", "permille", 0, 1_000, 0, "tyre slip"),
    Signal("fuel_cut_on", "", 0, 1, 0, "fuel is cut on overrun", is_flag=True),
)
"""What a user's own rule may ask the simulator for."""

TIME_SIGNAL, PHASE_SIGNAL = "bench_time_ms", "bench_phase"
BENCH_TIME = (
    Signal(TIME_SIGNAL, "ms", 0, 2**31 - 1, 0, "simulated time of the tick whose frames came before"),
    Signal(PHASE_SIGNAL, "", 0, 2, 0, "0 start anew, 1 tick, 2 the end"),
)
"""Bound together in one message of the vehicle, these two drive another process in lock-step."""

PHASE_START, PHASE_TICK, PHASE_END = 0, 1, 2

_LOCAL = ("now_ms",)


def command_signals(rules: RuleSet) -> tuple[Signal, ...]:
    """Return the command's fields with the ranges that this rule set needs."""
    last = len(rules.reasons) - 1
    return (
        Signal("duty_ppm", "ppm", 0, 1_000_000, 0, "duty of the clutch"),
        Signal("state", "", 0, 3, 0, "state of the chart"),
        Signal("reason", "", 0, last, 0, "why the chart last moved"),
        Signal("refusal", "", 0, last, 0, "why the clutch is not in"),
        Signal("warnings", "", 0, (1 << len(rules.lamps)) - 1, 0, "warning bits"),
        Signal("band", "", 0, 2, 0, "band selected"),
    )


def vehicle_signals(rules: RuleSet) -> tuple[Signal, ...]:
    """Return what a vehicle may send: the rules' inputs but their clock and ages, the extras, the bench's time."""
    own = [one for one in rules.signals if one.name not in _LOCAL and not one.name.endswith("_age_ms")]
    names = {one.name for one in own}
    return (*own, *(one for one in PLANT_EXTRAS if one.name not in names), *BENCH_TIME)


def age_name(signal: str) -> str | None:
    """Return the name of the age that belongs to a signal, or None where it has none."""
    return next((f"{group}_age_ms" for group, members in GROUPS.items() if signal in members), None)
