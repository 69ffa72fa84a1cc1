"""Two energy ledgers of a run, and one of heat.

The scheme's ledger adds the works that the plant booked: it must close to rounding, or a term is missing.
The independent one evaluates powers at the ends of every step from the vehicle file's own tables and
integrates them by trapezoid: it closes only as the step gets small, and shows what the step length costs.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from sim.record import Array, Record
from sim.vehicle import RPM_PER_RADS, Vehicle, drag_factor

_LOSSES = (
    "friction", "fan", "pump", "converter", "clutch", "spin", "shift", "mesh", "axle", "tyre",
    "rolling", "air", "climbing", "braking",
)  # fmt: skip


class Energy(NamedTuple):
    """Residuals as shares of the engine's work (indicated plus friction, both positive)."""

    scheme_residual: float
    independent_residual: float
    thermal_residual: float
    engine_kj: float


def balance(vehicle: Vehicle, record: Record) -> Energy:
    """Return the residuals of a run."""
    engine_j = max(record.total("indicated") + record.total("friction"), 1.0)
    params = vehicle.params
    engine_rads, speed_ms = record.ends("engine_rads"), record.ends("speed_ms")
    turbine_rads = _turbine_rads(record)
    kinetic = (
        0.5 * params.engine_kgm2 * (engine_rads[-1] ** 2 - engine_rads[0] ** 2)
        + 0.5 * params.turbine_kgm2 * (turbine_rads[-1] ** 2 - turbine_rads[0] ** 2)
        + 0.5 * float(record.steps("mass_kg")[0]) * (speed_ms[-1] ** 2 - speed_ms[0] ** 2)
    )
    given = record.total("indicated") + record.total("starter") + record.total("holding")
    scheme = given - sum(record.total(name) for name in _LOSSES) - float(kinetic)
    return Energy(
        abs(scheme) / engine_j,
        abs(_independent(vehicle, record) - float(kinetic)) / engine_j,
        abs(_thermal(vehicle, record)) / max(record.total("engine_to_coolant"), 1.0),
        engine_j / 1000.0,
    )


def _turbine_rads(record: Record) -> Array:
    # The ratio at a step's start and the slip at it; the last end takes the last step's end ratio.
    ratio = np.append(record.steps("ratio_start"), record.steps("ratio_end")[-1])
    return ratio * record.ends("speed_ms") / (1.0 - record.ends("tyre_slip"))


def _independent(vehicle: Vehicle, record: Record) -> float:
    """Return engine and starter work less all losses and road work, J, from powers at the steps' ends."""
    file, dt_s = vehicle.file, record.dt_s
    we, v = record.ends("engine_rads"), record.ends("speed_ms")
    rim = v / (1.0 - record.ends("tyre_slip"))
    wt = _turbine_rads(record)
    rpm = we * RPM_PER_RADS

    # Engine, fan and oil pump. What holds a stopped engine does no work.
    friction_nm = file.engine.friction_nm + file.engine.friction_nm_per_rpm * rpm
    heat = file.heat
    fan_on = np.clip((record.ends("coolant_c") - heat.fan_starts_c) / (heat.fan_full_c - heat.fan_starts_c), 0, 1)
    fan_nm = heat.fan_nm_at_3000_rpm * (rpm / 3000.0) ** 2 * fan_on
    pump_nm = np.where(we > 0.0, file.gearbox.pump_nm + file.gearbox.pump_nm_per_rads * we, 0.0)
    engine_w = (record.ends("indicated_nm") - friction_nm - fan_nm - pump_nm) * we

    # Converter: heat T·ω·(1 − η) with η = ν·μ; on overrun all of the slip is heat.
    nu = np.divide(np.minimum(we, wt), np.maximum(we, wt), out=np.ones_like(we), where=np.maximum(we, wt) > 0.0)
    conv = file.converter
    capacity = np.interp(
        nu,
        [*conv.capacity_at, 1.0],
        [*((1.0 / k) ** 2 for k in conv.capacity_factor_rpm_per_sqrt_nm), 0.0],
    )
    mu = np.interp(nu, conv.torque_ratio_at, conv.torque_ratio)
    driving = we >= wt
    fast_rpm = np.maximum(we, wt) * RPM_PER_RADS
    torque_nm = capacity * fast_rpm**2 * np.where(driving, 1.0, conv.overrun_share)
    converter_w = torque_nm * np.where(driving, we * (1.0 - nu * mu), wt - we)

    # Clutch: slipping, it carries its capacity; sticking, its slip is zero and it loses nothing.
    slip = we - wt
    pressed = np.clip((record.ends("pressure") - file.clutch.kiss_share) / (1.0 - file.clutch.kiss_share), 0, 1)
    friction = np.interp(np.abs(slip) * RPM_PER_RADS, file.clutch.friction_slip_rpm, file.clutch.friction_share)
    clutch_w = file.clutch.full_nm * pressed * friction * np.abs(slip)
    drag = drag_factor(vehicle, record.ends("oil_c"))
    spin_w = np.where(wt > 0.0, drag * (file.gearbox.spin_nm + file.gearbox.spin_nm_per_rads * wt), 0.0) * wt

    # Road. Forces are constant over a step, air follows the speed.
    wind = _at_ends(record.steps("wind_ms"))
    relative = v + wind
    air_n = _at_ends(record.steps("air_n_per_ms2")) * relative * np.abs(relative)
    constant_n = record.steps("roll_n") + record.steps("grade_n") + record.steps("brake_n")
    mass_kg = float(record.steps("mass_kg")[0])
    # A road force that holds the standing vehicle is not a drive force: at v = 0 it does no work.
    drive_n = mass_kg * np.gradient(v, dt_s) + _at_ends(constant_n) + air_n
    efficiency = (
        file.gearbox.gearbox_efficiency * file.gearbox.axle_efficiency * (1.0 - _at_ends(record.steps("shift_loss")))
    )
    gears_w = np.where(drive_n >= 0.0, drive_n * (1.0 / efficiency - 1.0), -drive_n * (1.0 - efficiency)) * rim
    tyre_w = drive_n * (rim - v)

    flow_w = engine_w - converter_w - clutch_w - spin_w - gears_w - tyre_w - air_n * v
    starter_j = float(np.sum(record.steps("starter_nm") * 0.5 * (we[1:] + we[:-1]))) * dt_s
    constant_j = float(np.sum(constant_n * 0.5 * (v[1:] + v[:-1]))) * dt_s
    return float(np.sum(0.5 * (flow_w[1:] + flow_w[:-1]))) * dt_s + starter_j - constant_j


def _at_ends(steps: Array) -> Array:
    """Return a quantity that holds over steps at their ends: the mean of the two steps that meet there."""
    return np.concatenate(([steps[0]], 0.5 * (steps[1:] + steps[:-1]), [steps[-1]]))


def _thermal(vehicle: Vehicle, record: Record) -> float:
    """Return heat given less heat stored less heat lost to the air, J."""
    params = vehicle.params
    stored = 0.0
    for name, j_per_k in (
        ("oil_c", params.oil_j_per_k), ("case_c", params.case_j_per_k), ("tank_c", params.tank_j_per_k),
        ("coolant_c", params.coolant_j_per_k), ("block_c", params.block_j_per_k),
    ):  # fmt: skip
        ends = record.ends(name)
        stored += j_per_k * float(ends[-1] - ends[0])
    given = record.total("engine_to_coolant") + sum(
        record.total(name) for name in ("converter", "clutch", "pump", "spin", "shift", "mesh")
    )
    lost = sum(record.total(name) for name in ("oil_to_air", "case_to_air", "block_to_air", "radiator"))
    return given - stored - lost
