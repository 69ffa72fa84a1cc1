"""A stand-in for a vehicle on the fault sweep: steady signals that bring a controller into each of its states.

No plant: speeds are constant, and the converter's slip is gone once the commanded duty is high. What matters here
is what the controller does with what the bus brings.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

from controller.declare import State
from controller.errors import UserError
from controller.keys import GEARS
from controller.ruleset import RuleSet

IGNITION_ON_MS, BAND_ON_MS = 200, 400
_SETTLE_MS = 500
_OPEN_SLIP_RPM = 180
_HELD_PPM = 500_000


class Speeds(NamedTuple):
    """The steady speeds of one situation."""

    gear: int
    road_ckmh: int
    turbine_rpm: int


class Stand:
    """The signals of a steady vehicle. Times are relative to the start of a case.

    `state` is what the case brings the controller into. The ignition is off at first, so that a case starts from
    power-up whatever came before.
    """

    def __init__(self, rules: RuleSet, calibration: Any, state: State) -> None:
        self.state = state
        self._defaults = {signal.name: signal.default for signal in rules.signals}
        self._defaults |= {"coolant_temp_dc": 850, "grade_permille": 0, "tyre_slip_permille": 0, "fuel_cut_on": 0}
        self._speeds = steady_speeds(calibration, is_under_engage=state is State.ARMED)
        self._oil_dc = (calibration.oil_minimum_dc + calibration.oil_minimum_gap_dc + calibration.oil_hot_dc) // 2
        self._delay_ms: int = calibration.reengage_delay_ms
        ramp_ms = 1000 * (
            calibration.kiss_duty_ppm / (1000 * calibration.fill_permille_per_s)
            + (calibration.knee_duty_ppm - calibration.kiss_duty_ppm) / (1000 * calibration.apply_permille_per_s)
            + (calibration.end_duty_ppm - calibration.knee_duty_ppm) / (1000 * calibration.finish_permille_per_s)
        )
        signal_ms = calibration.signal_settle_ms + calibration.gear_settle_ms + calibration.shift_settle_ms
        self._held_ms: int = BAND_ON_MS + signal_ms + -(-int(ramp_ms) // 10) * 10 + _SETTLE_MS

    @property
    def ready_ms(self) -> int:
        """When the controller is in the state of the case."""
        if self.state is State.RELEASED:
            return self._held_ms + 200
        return self._held_ms

    @property
    def recovery_ms(self) -> int:
        """How long after a fault's end the controller may need to be back where it would have been."""
        return self._delay_ms + self._held_ms

    def inputs(self, now_ms: int, at_ms: int, duty_ppm: int) -> Mapping[str, int]:
        """Return the inputs at `at_ms` of the case; `now_ms` is the bench's time, `duty_ppm` the command in force."""
        inputs = dict(self._defaults)
        gear, road_ckmh, turbine_rpm = self._speeds
        has_band = self.state is not State.IDLE and at_ms >= BAND_ON_MS
        is_braking = self.state is State.RELEASED and self._held_ms <= at_ms < self._held_ms + 100
        inputs |= {
            "now_ms": now_ms,
            "ignition_on": at_ms >= IGNITION_ON_MS,
            "band_switch": int(has_band),
            "road_speed_ckmh": road_ckmh,
            "turbine_rpm": turbine_rpm,
            "engine_rpm": turbine_rpm + (0 if duty_ppm >= _HELD_PPM else _OPEN_SLIP_RPM),
            "oil_temp_dc": self._oil_dc,
            "throttle_permille": 250,
            "brake_on": is_braking,
            "gear": gear,
            "shift_on": False,
        }
        return inputs


def steady_speeds(k: Any, *, is_under_engage: bool) -> Speeds:
    """Return speeds at which the low band holds, or waits just under its engage speed.

    Raises `UserError` where the calibration permits no such gear.
    """
    over_rpm = max(k.lugging_rpm, k.stall_guard_rpm + k.stall_guard_gap_rpm) + 100
    for gear in range(k.low_gear_lowest, min(k.low_gear_highest, GEARS) + 1):
        rpm_at_100 = getattr(k, f"turbine_rpm_at_100_kmh_{gear}")
        # Sensor speeds: the rules compare true ones, which the tyre scale makes of them.
        engage_ckmh = k.low_engage_ckmh * 1000 // k.tyre_scale_permille
        hold_ckmh = max(engage_ckmh + 300, 10_000 * over_rpm // rpm_at_100 if rpm_at_100 else 0)
        road_ckmh = engage_ckmh - k.hot_engage_offset_ckmh - 50 if is_under_engage else hold_ckmh
        if rpm_at_100 and road_ckmh * rpm_at_100 // 10_000 <= 5_000:
            return Speeds(gear, road_ckmh, (road_ckmh * rpm_at_100 + 5_000) // 10_000)
    raise UserError("calibration: no gear of the low band holds at its engage speed; the fault sweep needs one")
