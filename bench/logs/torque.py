"""Torques from a recording with a vehicle's tables: the engine's, the converter's, and the slip that goes with them."""

from __future__ import annotations

from itertools import accumulate
from typing import TYPE_CHECKING

import numpy as np

from bench.logs.grid import Grid
from bench.logs.source import Array
from sim.converter import GRID as CONVERTER_GRID
from sim.engine import FULL_LOAD_GRID

if TYPE_CHECKING:
    from sim.vehicle import Vehicle

RADS_PER_RPM = np.pi / 30.0
SMOOTH_S = 0.15
"""Speeds are smoothed over this before they are differenced."""


def smooth(value: Array, step_s: float, span_s: float = SMOOTH_S) -> Array:
    """Return a moving mean over `span_s`, NaN only where all of it is NaN."""
    width = max(round(span_s / step_s) | 1, 1)
    if width == 1 or len(value) < width:
        return value
    known = ~np.isnan(value)
    kernel = np.ones(width)
    total = np.convolve(np.where(known, value, 0.0), kernel, mode="same")
    count = np.convolve(known.astype(np.float64), kernel, mode="same")
    return np.where(count > 0, total / np.maximum(count, 1.0), np.nan)


def rate(value: Array, step_s: float, span_s: float = SMOOTH_S) -> Array:
    """Return the time derivative of a smoothed quantity, per second."""
    if len(value) < 2:
        return np.zeros(len(value))
    return np.gradient(smooth(value, step_s, span_s), step_s)


def lagged(value: Array, step_s: float, lag_s: float) -> Array:
    """Return a first-order lag's answer to a quantity; what is unknown counts as unchanged."""
    known = ~np.isnan(value)
    if not known.any():
        return value
    filled = np.interp(np.arange(len(value)), np.flatnonzero(known), value[known])
    keep = float(np.exp(-step_s / lag_s))
    take = 1.0 - keep
    out = np.fromiter(accumulate(filled.tolist(), lambda was, now: keep * was + take * now), np.float64, len(filled))
    return np.where(known, out, np.nan)


def engine_torque(grid: Grid, vehicle: Vehicle) -> Array | None:
    """Return the torque at the converter's pump side, N·m: recorded, or by the pedal; less inertia and oil pump.

    The pedal's way follows the vehicle's engine model (docs/plant.md): full load and friction over speed, idle
    governor, first-order lag. None where neither torque nor pedal was recorded.
    """
    p = vehicle.params
    engine_rads = grid.get("engine_rpm") * RADS_PER_RPM
    if grid.has("engine_torque_nm"):
        shaft_nm = grid.get("engine_torque_nm")
    elif grid.has("throttle_pct"):
        friction_nm = p.friction_nm + p.friction_nm_per_rads * engine_rads
        table = np.arange(len(p.full_load_nm)) / FULL_LOAD_GRID
        most_nm = np.interp(engine_rads, table, p.full_load_nm) + friction_nm
        governor_nm = np.maximum(friction_nm + p.idle_gain_nm_per_rads * (p.idle_rads - engine_rads), 0.0)
        governor_nm = np.minimum(governor_nm, most_nm)
        demand_nm = governor_nm + grid.get("throttle_pct") / 100.0 * (most_nm - governor_nm)
        over = np.clip((p.rev_limit_rads - engine_rads) / p.rev_band_rads, 0.0, 1.0)
        shaft_nm = lagged(demand_nm * over, grid.step_s, vehicle.lags.torque_s) - friction_nm
    else:
        return None
    oil_pump_nm = p.pump_nm + p.pump_nm_per_rads * engine_rads
    inertia_nm = p.engine_kgm2 * rate(engine_rads, grid.step_s)
    return np.asarray(shaft_nm - oil_pump_nm - inertia_nm)


def converter_torques(vehicle: Vehicle, engine_rpm: Array, turbine_rpm: Array) -> tuple[Array, Array]:
    """Return (pump torque, turbine torque) of the open converter, N·m; see `sim.converter`."""
    p = vehicle.params
    table = np.arange(len(p.capacity_nm_per_rads2)) / CONVERTER_GRID
    drives = engine_rpm >= turbine_rpm
    faster = np.maximum(np.maximum(engine_rpm, turbine_rpm), 1.0)
    ratio = np.minimum(engine_rpm, turbine_rpm) / faster
    capacity = np.interp(ratio, table, p.capacity_nm_per_rads2)
    pump_nm = capacity * (faster * RADS_PER_RPM) ** 2
    turbine_nm = pump_nm * np.interp(ratio, table, p.torque_ratio)
    back_nm = -p.overrun_share * pump_nm
    return np.where(drives, pump_nm, back_nm), np.where(drives, turbine_nm, back_nm)


def slip_if_open(vehicle: Vehicle, torque_nm: Array, engine_rpm: Array) -> Array:
    """Return the slip in rpm that an open converter would have at a pump torque and engine speed."""
    p = vehicle.params
    ratio = np.arange(len(p.capacity_nm_per_rads2)) / CONVERTER_GRID
    capacity = np.maximum.accumulate(np.asarray(p.capacity_nm_per_rads2)[::-1])
    engine_rads2 = np.maximum(engine_rpm * RADS_PER_RPM, 1.0) ** 2
    wanted = np.abs(torque_nm) / engine_rads2
    at_ratio = np.interp(np.where(torque_nm < 0.0, wanted / p.overrun_share, wanted), capacity, ratio[::-1])
    at_ratio = np.minimum(at_ratio, 1.0)
    slip = engine_rpm * (1.0 - at_ratio)
    return np.asarray(np.where(torque_nm >= 0.0, slip, -slip / np.maximum(at_ratio, 0.5)))
