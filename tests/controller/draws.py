"""What hypothesis draws for the rules: calibrations within every range and relation, and inputs at thresholds."""

from __future__ import annotations

from typing import Any

from hypothesis import strategies as st

from controller.calibration import values_type
from controller.declare import AGE_INVALID_MS
from controller.keys import GEARS, SPEED_GAP_CKMH
from controller.our_rules import OURS
from controller.signals import AGED

_KEYS = {key.name: key for key in OURS.keys}
_SIGNALS = {signal.name: signal for signal in OURS.signals}


@st.composite
def calibrations(draw: st.DrawFn) -> Any:
    """Draw a calibration from all that the declared ranges and relations allow."""
    values: dict[str, int] = {}

    def pick(name: str, low: int = -(10**9), high: int = 10**9) -> int:
        key = _KEYS[name]
        low, high = max(low, key.low), min(high, key.high)
        # The ends of a range count as much as its inside.
        values[name] = draw(st.one_of(st.sampled_from((low, high)), st.integers(low, high)))
        if key.is_flag:
            values[name] = bool(values[name])
        return values[name]

    offset = pick("hot_engage_offset_ckmh")
    # An offset may not push the engage speed under the lowest release speed.
    least = _KEYS["low_release_ckmh"].low + offset + SPEED_GAP_CKMH
    low_engage = pick("low_engage_ckmh", least)
    pick("low_release_ckmh", high=low_engage - offset - SPEED_GAP_CKMH)
    high_engage = pick("high_engage_ckmh", low_engage)
    pick("high_release_ckmh", high=high_engage - offset - SPEED_GAP_CKMH)
    highest = [pick(f"{word}_gear_highest", pick(f"{word}_gear_lowest")) for word in ("low", "high")]
    pick("oil_critical_dc", pick("oil_hot_dc") + 1)
    lugging = pick("lugging_rpm", _KEYS["stall_guard_rpm"].low + _KEYS["stall_guard_gap_rpm"].low)
    guard = pick("stall_guard_rpm", high=lugging - _KEYS["stall_guard_gap_rpm"].low)
    pick("stall_guard_gap_rpm", high=lugging - guard)
    pick("closed_clear_permille", pick("closed_below_permille") + 1)
    pick("kickdown_above_permille", pick("kickdown_clear_permille") + 1)
    pick("end_duty_ppm", pick("knee_duty_ppm", pick("kiss_duty_ppm")))
    limits = {name: pick(f"{name}_limit_ms") for name in AGED}
    speeds = ("engine_rpm", "turbine_rpm")
    for fault, judged in (
        ("plausible", ("road_speed", "turbine_rpm", "gear")),
        ("holding", speeds),
        ("stuck", (*speeds, "throttle")),
    ):
        pick(f"{fault}_confirm_ms", max(limits[name] for name in judged))
    slew = pick("slew_limit_permille_per_s")
    for part in ("fill", "apply", "finish"):
        pick(f"{part}_permille_per_s", high=slew)
    gears = draw(st.integers(max(highest), GEARS))
    rpms = draw(st.lists(st.integers(1, 20_000), min_size=gears, max_size=gears, unique=True))
    for gear, rpm in enumerate(sorted(rpms, reverse=True) + [0] * (GEARS - gears), 1):
        values[f"turbine_rpm_at_100_kmh_{gear}"] = rpm
    for name in _KEYS:
        if name not in values:
            pick(name)
    return values_type(OURS)(**values)


def sensor_count(speed_ckmh: int, k: Any) -> int:
    """Return the least count of the sensor that is that true speed or more."""
    return -(-speed_ckmh * 1_000 // k.tyre_scale_permille)


def thresholds(k: Any, inputs: dict[str, int]) -> dict[str, list[int]]:
    """Return for each signal the values around every limit of a calibration, within the signal's range."""
    speeds = [sensor_count(getattr(k, f"{word}_{end}_ckmh") - less, k)
              for word in ("low", "high") for end, less in
              (("engage", 0), ("engage", k.hot_engage_offset_ckmh), ("release", 0))]  # fmt: skip
    rpm_at_100 = getattr(k, f"turbine_rpm_at_100_kmh_{inputs['gear']}", 0)
    turbine_rpm = inputs["road_speed_ckmh"] * rpm_at_100 // 10_000
    found = {
        "road_speed_ckmh": [0, *speeds, k.plausible_minimum_ckmh],
        "engine_rpm": [0, k.stall_guard_rpm, k.stall_guard_rpm + k.stall_guard_gap_rpm, inputs["turbine_rpm"],
                       inputs["turbine_rpm"] + k.holding_slip_rpm, inputs["turbine_rpm"] + k.stuck_slip_rpm],
        "turbine_rpm": [turbine_rpm, turbine_rpm, k.lugging_rpm, turbine_rpm + k.plausible_tolerance_rpm,
                        k.stuck_turbine_rpm, inputs["engine_rpm"]],
        "oil_temp_dc": [k.oil_minimum_dc, k.oil_minimum_dc + k.oil_minimum_gap_dc, k.oil_hot_dc,
                        k.oil_hot_dc - k.oil_hot_gap_dc, k.oil_critical_dc],
        "throttle_permille": [k.closed_below_permille, k.closed_clear_permille, k.kickdown_above_permille,
                              k.kickdown_clear_permille, k.stuck_throttle_permille],
        "gear": [-1, 0, k.low_gear_lowest, k.low_gear_highest, k.high_gear_lowest, k.high_gear_highest],
        "band_switch": [0, 1, 2], "brake_on": [0, 1], "shift_on": [0, 1], "ignition_on": [1, 1, 1, 0],
    }  # fmt: skip
    for name in AGED:
        found[f"{name}_age_ms"] = [0, getattr(k, f"{name}_limit_ms"), AGE_INVALID_MS]
    return {name: _around(name, values) for name, values in found.items()}


def _around(name: str, values: list[int]) -> list[int]:
    signal = _SIGNALS[name]
    if signal.is_flag or name == "band_switch":
        return values
    near = sorted({value + step for value in values for step in (-1, 0, 1)})
    return [value for value in near if signal.low <= value <= signal.high]
