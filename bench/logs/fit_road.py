"""Rolling resistance, stretch by stretch, from the torque at the gearbox's input and the vehicle's acceleration."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from bench.logs.fit_gearing import settled
from bench.logs.grid import Grid
from bench.logs.torque import rate, smooth
from sim.road import GRAVITY_MS2, SURFACES, air_density_kg_m3

if TYPE_CHECKING:
    from bench.logs.source import Array
    from bench.logs.summary import Shown
    from sim.vehicle import Vehicle

STRETCH_S = 20.0
LEAST_KNOWN_S = 8.0
FROM_KMH = 8.0
SAME_WITHIN = 0.02
"""Neighbouring stretches closer than this are one ground."""

MOST_ROWS = 40


@dataclass(frozen=True)
class Stretch:
    """A stretch of one ground: its coefficient (grade included where none was recorded) and standard error."""

    start_s: float
    end_s: float
    speed_kmh: float
    rolling: float
    error: float
    surface: str

    @property
    def tyre_slip(self) -> float:
        """The tyres' slip that goes with the pull on the nearest surface, as a share of the rim's speed."""
        ground = SURFACES[self.surface]
        return ground.slip_most * min(max(self.rolling / ground.slip_force_share, 0.0), 1.0)

    @property
    def grade_pct(self) -> float:
        """The grade that makes up for what the nearest surface lacks."""
        return 100.0 * (self.rolling - SURFACES[self.surface].rolling)


@dataclass(frozen=True)
class RoadFit:
    """All stretches, and in words what they rest on."""

    stretches: list[Stretch]
    why: list[str]


def fit_road(shown: Shown, vehicle: Vehicle, total_kg: float | None, ambient_c: float) -> RoadFit:
    """Return rolling resistance by stretch: drive force less acceleration, air and grade, over the weight."""
    grid = shown.grid
    torque_known = grid.has("engine_torque_nm") or grid.has("throttle_pct")
    if shown.heat is None or not torque_known or not grid.has("road_speed_kmh"):
        return RoadFit([], ["pedal or torque, shaft speeds and road speed are needed to tell rolling resistance"])
    body, box = vehicle.file.body, vehicle.file.gearbox
    mass_kg = body.mass_kg if total_kg is None else total_kg
    speed_ms = grid.get("road_speed_kmh") / 3.6
    per_ms = np.full(len(speed_ms), np.nan)
    for gear, one in enumerate(vehicle.turbine_rads_per_ms, start=1):
        per_ms[shown.gears.gear == gear] = one
    input_nm = smooth(shown.heat.input_nm, grid.step_s, 0.5)
    efficiency = box.gearbox_efficiency * box.axle_efficiency
    drive_n = input_nm * per_ms * np.where(input_nm >= 0.0, efficiency, 1.0 / efficiency)
    inertial_kg = mass_kg + body.wheels_kgm2 / body.rolling_radius_m**2
    air_n = 0.5 * air_density_kg_m3(ambient_c, 0.0) * body.drag_area_m2 * speed_ms**2
    angle = np.arctan(np.nan_to_num(grid.get("grade_pct")) / 100.0)
    resist_n = drive_n - inertial_kg * rate(speed_ms, grid.step_s, 1.0) - air_n
    rolling = (resist_n / (mass_kg * GRAVITY_MS2) - np.sin(angle)) / np.cos(angle)
    usable = settled(shown.gears.gear, grid.step_s) & (speed_ms * 3.6 > FROM_KMH) & ~np.isnan(rolling)
    usable &= ~_braked(grid)
    why = []
    if not grid.has("grade_pct"):
        why.append("grade was not recorded: a slope counts as rolling resistance (1 % as 0.01)")
    if not grid.has("brake_on"):
        why.append("the brake was not recorded: stretches with a closed pedal are left out")
    if total_kg is None:
        why.append(f"mass is the file's {mass_kg:.0f} kg; give --mass where load or trailer were on")
    return RoadFit(_stretches(grid, rolling, usable), why)


def _braked(grid: Grid) -> Array:
    if grid.has("brake_on"):
        return np.asarray(grid.get("brake_on") > 0.0)
    return (
        np.asarray(~(grid.get("throttle_pct") > 2.0))
        if grid.has("throttle_pct")
        else np.zeros(len(grid.time_s), dtype=bool)
    )


def _stretches(grid: Grid, rolling: Array, usable: Array) -> list[Stretch]:
    size = max(round(STRETCH_S / grid.step_s), 1)
    speed = grid.get("road_speed_kmh")
    pieces: list[tuple[int, int, float, float]] = []
    for start in range(0, len(rolling), size):
        at = start + np.flatnonzero(usable[start : start + size])
        if len(at) * grid.step_s < LEAST_KNOWN_S:
            continue
        value = rolling[at]
        middle = float(np.median(value))
        scatter = float(np.median(np.abs(value - middle))) * 1.4826
        error = scatter / np.sqrt(max(len(at) * grid.step_s / 2.0, 1.0))
        end = min(start + size, len(rolling))
        if pieces and pieces[-1][1] == start and abs(pieces[-1][2] - middle) < SAME_WITHIN:
            first, _, was, its = pieces[-1]
            share = (end - start) / (end - first)
            pieces[-1] = (first, end, was + share * (middle - was), float(np.hypot((1.0 - share) * its, share * error)))
        else:
            pieces.append((start, end, middle, error))
    longest = sorted(pieces, key=lambda one: one[0] - one[1])[:MOST_ROWS]
    return [
        Stretch(start * grid.step_s, end * grid.step_s, float(np.nanmean(speed[start:end])), value, error,
                min(SURFACES, key=lambda name: abs(SURFACES[name].rolling - value)))
        for start, end, value, error in sorted(longest)
    ]  # fmt: skip
