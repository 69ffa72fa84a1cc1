"""A drive laid out tick by tick: what the driver aims at and what ground, slope and air do, before the run."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.drives import Drive
from sim.road import BLEND_S, GRAVITY_MS2, SURFACE_NAMES, SURFACES, air_density_kg_m3
from sim.vehicle import Vehicle

TICK_S = 0.01
TICKS_PER_S = 100
# The driver steers to the target a moment ahead, and presses for its slope further on: an engine takes time.
LOOK_AHEAD_TICKS = 15
SLOPE_FROM_TICKS, SLOPE_TICKS = 20, 40

Array = NDArray[np.float64]


class Course(NamedTuple):
    """Arrays of one value a tick, SI units, and the masses they were made for."""

    ticks: int
    target_ms: Array
    aim_ms: Array
    aim_ms2: Array
    grade_pct: Array
    surface: Array
    gear_limit: Array
    wind_ms: Array
    roll_n: Array
    grade_n: Array
    slip_most: Array
    slip_force_n: Array
    air_n_per_ms2: float
    inertial_kg: float
    gravity_kg: float
    ambient_c: float


def lay_out(vehicle: Vehicle, drive: Drive, ambient_c: float, trailer_kg: float) -> Course:
    """Return the course of a drive for a vehicle, trailer mass and air temperature.

    Rolling force is m·g·C_rr·cos θ of vehicle and trailer, grade force m·g·sin θ, air force
    ½·ρ·CdA·(v + headwind)². Where the ground changes its values blend over `BLEND_S`.
    """
    points = drive.points
    ticks = round(drive.duration_s * TICKS_PER_S)
    time_s = np.arange(ticks + SLOPE_FROM_TICKS + SLOPE_TICKS + 1) / TICKS_PER_S
    at_s = np.array([point.time_s for point in points])
    target = np.interp(time_s, at_s, [point.speed_kmh / 3.6 for point in points])
    grade = np.interp(time_s[:ticks], at_s, [point.grade_pct for point in points])
    wind = np.interp(time_s[:ticks], at_s, [point.wind_kmh / 3.6 for point in points])
    # A tick belongs to the last point at or before it; times are exact to a thousandth of a tick.
    index = np.searchsorted(at_s, time_s[:ticks] + 1e-5, side="right") - 1
    surface = np.array([SURFACE_NAMES.index(point.surface) for point in points], dtype=np.float64)[index]
    gear_limit = np.array([float(point.gear_limit) for point in points])[index]
    rolling, slip, slip_share = (
        _blend(np.array([SURFACES[point.surface][column] for point in points]), at_s, time_s[:ticks])
        for column in range(3)
    )
    body = vehicle.file.body
    own_kg = body.mass_kg + drive.load_kg
    angle = np.arctan(grade / 100.0)
    # Soft ground holds a trailer back as it does the vehicle; its own tyres decide only on firm ground.
    trailer_rolling = np.maximum(rolling, drive.trailer_rolling)
    weight = GRAVITY_MS2 * np.cos(angle)
    ahead = target[SLOPE_FROM_TICKS:]
    drag_area = body.drag_area_m2 + (drive.trailer_drag_area_m2 if trailer_kg > 0.0 else 0.0)
    return Course(
        ticks=ticks,
        target_ms=target[:ticks],
        aim_ms=target[LOOK_AHEAD_TICKS : LOOK_AHEAD_TICKS + ticks],
        aim_ms2=(ahead[SLOPE_TICKS : SLOPE_TICKS + ticks] - ahead[:ticks]) * (TICKS_PER_S / SLOPE_TICKS),
        grade_pct=grade,
        surface=surface,
        gear_limit=gear_limit,
        wind_ms=wind,
        roll_n=weight * (own_kg * rolling + trailer_kg * trailer_rolling),
        grade_n=(own_kg + trailer_kg) * GRAVITY_MS2 * np.sin(angle),
        slip_most=slip,
        slip_force_n=slip_share * weight * own_kg,
        air_n_per_ms2=0.5 * air_density_kg_m3(ambient_c, drive.altitude_m) * drag_area,
        inertial_kg=own_kg + trailer_kg + body.wheels_kgm2 / body.rolling_radius_m**2,
        gravity_kg=own_kg + trailer_kg,
        ambient_c=ambient_c,
    )


def _blend(values: Array, at_s: Array, time_s: Array) -> Array:
    changes = [0, *(i for i in range(1, len(values)) if values[i] != values[i - 1])]
    xs: list[float] = []
    ys: list[float] = []
    for n, i in enumerate(changes):
        if n > 0:
            xs.append(float(at_s[i]))
            ys.append(float(values[i - 1]))
        end = float(at_s[changes[n + 1]]) if n + 1 < len(changes) else float("inf")
        xs.append(min(float(at_s[i]) + (BLEND_S if n > 0 else 0.0), end))
        ys.append(float(values[i]))
    return np.interp(time_s, xs, ys)
