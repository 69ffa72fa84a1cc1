"""Which gear was in: as recorded, or from shaft and road speeds with the vehicle's gearing, or with the log's own."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from bench.logs.decode import States, likeliest, weight
from bench.logs.grid import Grid
from bench.logs.source import Array

if TYPE_CHECKING:
    from sim.vehicle import Vehicle

MOVING_KMH = 4.0
"""Slower than this a gear cannot be told from the ratio of two speeds."""

SHAFT_SPREAD, ENGINE_SPREAD = 0.03, 0.012
"""Scatter of turbine speed over road speed in a gear, and of engine speed over road speed in a held one."""

UNKNOWN_COST = 5.0
CHANGE_PRICE = 6.0
LEAST_APART = 0.12
"""Ratios of two gears are further apart than this share."""

HELD_SHARE, HELD_WITHIN = 0.25, 0.015
"""A gear is held at times where this share of its engine to road speed ratios lies so close to one value."""

Source = Literal["recorded", "turbine", "engine", "none"]


@dataclass(frozen=True)
class Gears:
    """The gear of each sample (0: none, or not to be told), how sure it is, and the gearing that it rests on.

    `rpm_per_kmh` is gearbox input speed over road speed by gear; `by` says what the gear was told from, and
    `is_numbered` whether its number is known or only its place among the gears seen.
    """

    gear: States
    sure: Array
    rpm_per_kmh: dict[int, float]
    by: Source
    is_numbered: bool


def gears_of(grid: Grid, vehicle: Vehicle | None) -> Gears:
    """Return the gears of a recording."""
    given = _vehicle_gearing(vehicle)
    speed = grid.get("road_speed_kmh")
    nothing = Gears(np.zeros(len(speed), dtype=np.int64), np.zeros(len(speed)), given, "none", False)
    if grid.has("gear"):
        recorded = grid.get("gear")
        gear = np.where(np.isnan(recorded), 0, recorded).astype(np.int64)
        own = _gearing_by_gear(grid, gear)
        return Gears(gear, np.where(np.isnan(recorded), 0.0, 1.0), own or given, "recorded", True)
    if not grid.has("road_speed_kmh") or not (grid.has("turbine_rpm") or grid.has("engine_rpm")):
        return nothing
    if grid.has("turbine_rpm"):
        ratio = _ratio(grid.get("turbine_rpm"), speed)
        gearing = given or _clusters(ratio, grid.step_s, held_only=False)
        if not gearing:
            return nothing
        gear, sure = likeliest(_shaft_costs(ratio, speed, gearing) * weight(grid.step_s), CHANGE_PRICE)
        return Gears(gear, np.where(gear > 0, sure, 0.0), gearing, "turbine", bool(given))
    ratio = _ratio(grid.get("engine_rpm"), speed)
    gearing = given or _clusters(ratio, grid.step_s, held_only=True)
    if not gearing:
        return nothing
    costs = _engine_costs(grid, ratio, gearing, vehicle)
    gear, sure = likeliest(costs * weight(grid.step_s), CHANGE_PRICE)
    return Gears(gear, np.where(gear > 0, sure, 0.0), gearing, "engine", bool(given))


def _vehicle_gearing(vehicle: Vehicle | None) -> dict[int, float]:
    if vehicle is None:
        return {}
    # Per indicated km/h: the recorded speed is the vehicle's own sensor's.
    per_ms = [one / vehicle.sensor_speed_factor for one in vehicle.turbine_rads_per_ms]
    return {gear: one * 30.0 / np.pi / 3.6 for gear, one in enumerate(per_ms, start=1)}


def _ratio(shaft_rpm: Array, speed_kmh: Array) -> Array:
    is_judged = (speed_kmh > MOVING_KMH) & (shaft_rpm > 200.0)
    return np.where(is_judged, shaft_rpm / np.where(is_judged, speed_kmh, 1.0), np.nan)


def _shaft_costs(ratio: Array, speed_kmh: Array, gearing: dict[int, float]) -> Array:
    """Costs of no gear and of each gear: squared distance of the ratio, in log, up to a cap."""
    spread = SHAFT_SPREAD + 0.3 / np.maximum(speed_kmh, 1.0)
    costs = np.zeros((len(ratio), max(gearing) + 1))
    costs[:, 1:] = 4.0 * UNKNOWN_COST
    for gear, one in gearing.items():
        costs[:, gear] = np.minimum(0.5 * (np.log(ratio / one) / spread) ** 2, 4.0 * UNKNOWN_COST)
    costs[:, 0] = UNKNOWN_COST
    costs[np.isnan(ratio)] = 0.5
    costs[np.isnan(ratio), 0] = 0.0
    return costs


def _engine_costs(grid: Grid, ratio: Array, gearing: dict[int, float], vehicle: Vehicle | None) -> Array:
    """Costs from engine speed alone: in a gear the engine turns as fast as held, or faster by a slip that fits."""
    from bench.logs.torque import engine_torque, slip_if_open

    costs = np.full((len(ratio), max(gearing) + 1), 4.0 * UNKNOWN_COST)
    engine_rpm, speed = grid.get("engine_rpm"), grid.get("road_speed_kmh")
    torque_nm = engine_torque(grid, vehicle) if vehicle else None
    spread = ENGINE_SPREAD + 0.3 / np.maximum(speed, 1.0)
    for gear, one in gearing.items():
        slip = 1.0 - one / ratio
        held = np.exp(-0.5 * (slip / spread) ** 2) / (spread * 2.5066)
        if torque_nm is not None and vehicle is not None:
            expected = slip_if_open(vehicle, torque_nm, engine_rpm) / np.maximum(engine_rpm, 1.0)
            width = spread + 0.03 + 0.25 * np.abs(expected)
            open_ = np.exp(-0.5 * ((slip - expected) / width) ** 2) / (width * 2.5066)
        else:
            open_ = np.where((slip > -0.05) & (slip < 0.35), np.exp(-np.maximum(slip, 0.0) / 0.1) / 0.12, 0.0)
        costs[:, gear] = -np.log(0.25 * held + 0.75 * np.nan_to_num(open_) + 1e-6)
    costs[:, 0] = 1.5
    costs[np.isnan(ratio)] = 0.5
    costs[np.isnan(ratio), 0] = 0.0
    return costs


def _clusters(ratio: Array, step_s: float, held_only: bool) -> dict[int, float]:
    """Find the gearing of an unknown vehicle: the values that the ratio stays on, numbered from the lowest gear."""
    judged = ~np.isnan(ratio)
    logs = np.log(np.where(judged, ratio, 1.0))
    # Noise is no movement: the change is looked at over about a second.
    reach_s = max(0.5, step_s)
    shift = max(round(reach_s / step_s), 1)
    moved = np.abs(np.roll(logs, -shift) - np.roll(logs, shift))
    known = logs[judged & (moved < 0.03)]
    if known.size < 20:
        return {}
    bins = np.arange(known.min() - 0.1, known.max() + 0.1, 0.004)
    counts, edges = np.histogram(known, bins)
    reach = 2 if held_only else 4
    kernel = np.exp(-0.5 * (np.arange(-3 * reach, 3 * reach + 1) / reach) ** 2)
    density = np.convolve(counts, kernel / kernel.sum(), mode="same")
    middle = 0.5 * (edges[:-1] + edges[1:])
    peaks: list[int] = []
    is_top = (density >= np.roll(density, 1)) & (density > np.roll(density, -1))
    for at in sorted(np.flatnonzero(is_top).tolist(), key=lambda one: -density[one]):
        near = np.abs(known - middle[at]) < HELD_WITHIN
        around = np.abs(known - middle[at]) < LEAST_APART / 2.0
        # A peak, not the skirt of another one: enough of it, and much of what is around lies close.
        if near.sum() < max(10, 0.003 * known.size) or near.sum() < (0.3 if held_only else 0.4) * around.sum():
            continue
        if all(abs(middle[at] - middle[other]) > LEAST_APART for other in peaks):
            peaks.append(at)
    centres = sorted((float(np.exp(np.median(known[np.abs(known - middle[at]) < HELD_WITHIN]))) for at in peaks),
                     reverse=True)  # fmt: skip
    return dict(enumerate(centres, start=1))


def _gearing_by_gear(grid: Grid, gear: States) -> dict[int, float]:
    """Return the input speed over road speed of each recorded gear; from the engine's only where it is held."""
    speed = grid.get("road_speed_kmh")
    has_turbine = grid.has("turbine_rpm")
    ratio = _ratio(grid.get("turbine_rpm" if has_turbine else "engine_rpm"), speed)
    found: dict[int, float] = {}
    for number in sorted(set(gear[gear > 0].tolist())):
        known = np.log(ratio[(gear == number) & ~np.isnan(ratio)])
        if known.size < 10:
            continue
        if has_turbine:
            found[number] = float(np.exp(np.median(known)))
            continue
        counts, edges = np.histogram(known, np.arange(known.min() - 0.01, known.max() + 0.02, 0.01))
        peak = 0.5 * (edges[np.argmax(counts)] + edges[np.argmax(counts) + 1])
        near = np.abs(known - peak) < HELD_WITHIN
        if near.mean() >= HELD_SHARE and near.sum() >= 10:
            found[number] = float(np.exp(np.median(known[near])))
    return found
