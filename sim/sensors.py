"""From the plant to the rules' inputs: whole numbers in the rules' units, each with the age of its last reading."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Protocol

from controller.declare import AGE_INVALID_MS
from sim.vehicle import RPM_PER_RADS, Vehicle

GROUPS: dict[str, tuple[str, ...]] = {
    "band_switch": ("band_switch",),
    "road_speed": ("road_speed_ckmh",),
    "engine_rpm": ("engine_rpm",),
    "turbine_rpm": ("turbine_rpm",),
    "oil_temp": ("oil_temp_dc",),
    "throttle": ("throttle_permille",),
    "brake": ("brake_on",),
    "gear": ("gear", "shift_on"),
}
"""Which signals arrive together, and therefore age together."""


class SignalLike(Protocol):
    """What a rule set says of a signal that it wants."""

    @property
    def name(self) -> str:
        """Name of the signal."""

    @property
    def default(self) -> int:
        """Value when nothing provides it."""


class Sensors:
    """Reads the plant once a tick. A lost group keeps its last values while its age grows."""

    def __init__(self, vehicle: Vehicle, wanted: tuple[SignalLike, ...] = ()) -> None:
        self._ckmh = 360.0 * vehicle.sensor_speed_factor
        self._defaults = {signal.name: signal.default for signal in wanted}
        self._lost_since: dict[str, int] = {}
        self._held: dict[str, dict[str, int]] = {}
        self._last: dict[str, int] = {}

    def read(
        self,
        now_ms: int,
        ignition_on: bool,
        band: int,
        rim_ms: float,
        engine_rads: float,
        turbine_rads: float,
        oil_c: float,
        throttle: float,
        brake_on: bool,
        gear: int,
        shifting: bool,
        coolant_c: float,
        grade_pct: float,
        tyre_slip: float,
        fuel_cut_on: bool,
        lost: tuple[str, ...],
        forced: Mapping[str, int],
    ) -> dict[str, int]:
        """Return the inputs by signal name. `lost` names groups that do not arrive, `forced` values set."""
        inputs: dict[str, int] = {
            "now_ms": now_ms,
            "ignition_on": ignition_on,
            "band_switch": band,
            "road_speed_ckmh": int(rim_ms * self._ckmh + 0.5),
            "engine_rpm": int(engine_rads * RPM_PER_RADS + 0.5),
            "turbine_rpm": int(turbine_rads * RPM_PER_RADS + 0.5),
            "oil_temp_dc": int(oil_c * 10.0 + 0.5) if oil_c >= 0.0 else -int(0.5 - oil_c * 10.0),
            "throttle_permille": int(throttle * 1000.0 + 0.5),
            "brake_on": brake_on,
            "gear": gear,
            "shift_on": shifting,
            "band_switch_age_ms": 0,
            "road_speed_age_ms": 0,
            "engine_rpm_age_ms": 0,
            "turbine_rpm_age_ms": 0,
            "oil_temp_age_ms": 0,
            "throttle_age_ms": 0,
            "brake_age_ms": 0,
            "gear_age_ms": 0,
            "coolant_temp_dc": int(coolant_c * 10.0 + 0.5) if coolant_c >= 0.0 else -int(0.5 - coolant_c * 10.0),
            "grade_permille": int(grade_pct * 10.0 + 0.5) if grade_pct >= 0.0 else -int(0.5 - grade_pct * 10.0),
            "tyre_slip_permille": int(tyre_slip * 1000.0 + 0.5) if tyre_slip >= 0.0 else 0,
            "fuel_cut_on": fuel_cut_on,
        }
        if self._defaults:
            inputs = {**self._defaults, **inputs}
        if forced:
            inputs.update(forced)
        if lost or self._lost_since:
            self._lose(now_ms, inputs, lost)
        self._last = inputs
        return inputs

    def _lose(self, now_ms: int, inputs: dict[str, int], lost: tuple[str, ...]) -> None:
        for group in [name for name in self._lost_since if name not in lost]:
            del self._lost_since[group]
            del self._held[group]
        for group in lost:
            if group not in self._lost_since:
                last = self._last or inputs
                self._lost_since[group] = last["now_ms"]
                self._held[group] = {name: last[name] for name in GROUPS[group]}
            inputs.update(self._held[group])
            inputs[f"{group}_age_ms"] = min(now_ms - self._lost_since[group], AGE_INVALID_MS)
