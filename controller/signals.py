"""The inputs of our rules, with unit and range.

Every value has the age of its last good reading beside it; an invalid one has `AGE_INVALID_MS`.
"""

from __future__ import annotations

from controller.declare import AGE_INVALID_MS, Signal


def _age(of: str) -> Signal:
    return Signal(f"{of}_age_ms", "ms", 0, AGE_INVALID_MS, 0, f"age of the last good {of.replace('_', ' ')}")


SIGNALS = (
    Signal("now_ms", "ms", 0, 2**31 - 1, 0, "time since power-up"),
    Signal("ignition_on", "", 0, 1, 1, "ignition is on", is_flag=True),
    Signal("band_switch", "", 0, 2, 0, "driver's switch: 0 none, 1 low, 2 high"),
    Signal("road_speed_ckmh", "0.01 km/h", 0, 30_000, 0, "road speed as the vehicle's own sensor gives it"),
    Signal("engine_rpm", "rpm", 0, 12_000, 0, "engine speed"),
    Signal("turbine_rpm", "rpm", 0, 12_000, 0, "gearbox input speed"),
    Signal("oil_temp_dc", "0.1 °C", -600, 2_500, 200, "transmission oil temperature"),
    Signal("throttle_permille", "permille", 0, 1_000, 0, "accelerator pedal"),
    Signal("brake_on", "", 0, 1, 0, "brake pedal pressed", is_flag=True),
    Signal("gear", "", -1, 10, 0, "gear in use: -1 reverse, 0 neutral, 1 and up forward"),
    Signal("shift_on", "", 0, 1, 0, "a shift is under way", is_flag=True),
    _age("band_switch"),
    _age("road_speed"),
    _age("engine_rpm"),
    _age("turbine_rpm"),
    _age("oil_temp"),
    _age("throttle"),
    _age("brake"),
    _age("gear"),
)

AGED = tuple(signal.name.removesuffix("_age_ms") for signal in SIGNALS if signal.name.endswith("_age_ms"))
"""What has an age: `<name>_age_ms`, and a limit of its own in the calibration."""
