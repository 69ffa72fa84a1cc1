"""Engine speed gear by gear, clutch in and clutch out: the arithmetic behind the sheet."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sim.vehicle import Vehicle

_TOLERANCE_RADS = 1e-6


@dataclass(frozen=True)
class GearSpeed:
    """One gear at one true road speed, level ground, steady; `unlocked_rpm` is None where it cannot be held.

    With the clutch in the engine turns as fast as the turbine.
    """

    gear: int
    speed_kmh: float
    locked_rpm: float
    unlocked_rpm: float | None


def gear_speed(vehicle: Vehicle, gear: int, speed_kmh: float, surface: str) -> GearSpeed:
    """Return engine speeds at a true road speed on a level surface, no wind, no trailer."""
    from sim.vehicle import RPM_PER_RADS

    force_n = _resistance_n(vehicle, speed_kmh / 3.6, surface)
    rim_ms = speed_kmh / 3.6 / (1.0 - _tyre_slip(vehicle, force_n, surface))
    turbine_rads = vehicle.turbine_rads_per_ms[gear - 1] * rim_ms
    turbine_nm = _turbine_torque_nm(vehicle, gear, force_n, turbine_rads)
    engine_rads = _engine_rads(vehicle, turbine_rads, turbine_nm)
    return GearSpeed(
        gear,
        speed_kmh,
        turbine_rads * RPM_PER_RADS,
        None if engine_rads is None else engine_rads * RPM_PER_RADS,
    )


def _resistance_n(vehicle: Vehicle, speed_ms: float, surface: str) -> float:
    from sim.road import GRAVITY_MS2, SURFACES, air_density_kg_m3

    body = vehicle.file.body
    rolling_n = SURFACES[surface].rolling * body.mass_kg * GRAVITY_MS2
    return rolling_n + 0.5 * air_density_kg_m3(20.0) * body.drag_area_m2 * speed_ms**2


def _tyre_slip(vehicle: Vehicle, force_n: float, surface: str) -> float:
    """Return the share of rim speed that the ground swallows at a steady drive force, as the simulator has it."""
    from sim.road import GRAVITY_MS2, SURFACES

    ground = SURFACES[surface]
    full_n = ground.slip_force_share * vehicle.file.body.mass_kg * GRAVITY_MS2
    return ground.slip_most * min(force_n / full_n, 1.0)


def _turbine_torque_nm(vehicle: Vehicle, gear: int, force_n: float, turbine_rads: float) -> float:
    box = vehicle.file.gearbox
    wheel_share = box.gearbox_efficiency * box.axle_efficiency * vehicle.turbine_rads_per_ms[gear - 1]
    return force_n / wheel_share + box.spin_nm + box.spin_nm_per_rads * turbine_rads


def _engine_rads(vehicle: Vehicle, turbine_rads: float, turbine_nm: float) -> float | None:
    """Return the engine speed at which the open converter gives that torque; None where the engine cannot.

    More engine speed always gives more turbine torque, so halving the interval finds the one speed.
    """
    from sim.converter import converter_torques

    p = vehicle.params

    def torques_nm(engine_rads: float) -> tuple[float, float]:
        return converter_torques(p.capacity_nm_per_rads2, p.torque_ratio, p.overrun_share, engine_rads, turbine_rads)

    low, high = turbine_rads, p.rev_limit_rads
    if high <= low or torques_nm(high)[1] < turbine_nm:
        return None
    while high - low > _TOLERANCE_RADS:
        middle = 0.5 * (low + high)
        low, high = (middle, high) if torques_nm(middle)[1] < turbine_nm else (low, middle)
    return high if torques_nm(high)[0] <= _full_load_nm(vehicle, high) else None


def _full_load_nm(vehicle: Vehicle, engine_rads: float) -> float:
    from sim.tables import interpolate
    from sim.vehicle import RPM_PER_RADS

    engine = vehicle.file.engine
    return interpolate(engine.full_load_rpm, engine.full_load_nm, engine_rads * RPM_PER_RADS)
