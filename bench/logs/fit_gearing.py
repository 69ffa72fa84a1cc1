"""Overall gearing, gear by gear, and rolling radius, from shaft and road speeds."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from bench.logs.clutch import IN
from bench.logs.gears import gears_of

if TYPE_CHECKING:
    from bench.logs.source import Array
    from bench.logs.summary import Shown
    from sim.vehicle import Vehicle

FROM_KMH = 12.0
SETTLED_S = 0.8
"""Samples nearer than this to a change of gear are left out."""

LEAST_S = 5.0
LEAST_SHARE = 0.003
"""A gearing that is off by less, or by less than two standard errors, is called the file's."""


@dataclass(frozen=True)
class GearFit:
    """One gear: measured input speed over road speed as a share of the file's, its standard error, and its time."""

    gear: int
    share: float
    error: float
    seconds: float
    by: str


@dataclass(frozen=True)
class GearingFit:
    """All gears, their common share and its error; `by_true` the same against the speed over ground, or None."""

    gears: list[GearFit]
    share: float | None
    error: float | None
    by_true: tuple[float, float] | None
    why: list[str]


def fit_gearing(shown: Shown, vehicle: Vehicle) -> GearingFit:
    """Compare the recorded gearing with the vehicle file's, by turbine speed, or by engine speed while held."""
    grid = shown.grid
    if shown.log.speed_is_grounds:
        return GearingFit([], None, None, None, ["the recorded speed is the ground's, not the wheels': nothing is told "
                                                 "of the gearing"])  # fmt: skip
    gears = gears_of(grid, vehicle)
    own = {gear: one / vehicle.sensor_speed_factor / 3.6 * 30.0 / np.pi
           for gear, one in enumerate(vehicle.turbine_rads_per_ms, start=1)}  # fmt: skip
    has_turbine = grid.has("turbine_rpm")
    shaft = grid.get("turbine_rpm" if has_turbine else "engine_rpm")
    by = "turbine" if has_turbine else "engine while held"
    usable = settled(gears.gear, grid.step_s) & (shaft > 300.0)
    if not has_turbine:
        usable &= shown.clutch.state == IN
    found = []
    for gear, one in own.items():
        fit = _share(shaft, grid.get("road_speed_kmh"), usable & (gears.gear == gear), one, grid.step_s)
        if fit is not None:
            found.append(GearFit(gear, *fit, by))
    why = [] if found else ["no gear was driven long enough at a steady speed to measure the gearing"]
    missing = [str(gear) for gear in own if gear not in {fit.gear for fit in found}]
    if found and missing:
        why.append(f"gear {', '.join(missing)}: not driven for {LEAST_S:.0f} s, nothing is told of it")
    share, error = _together(found)
    by_true = None
    if grid.has("true_speed_kmh"):
        true_own = {gear: one / 3.6 * 30.0 / np.pi for gear, one in enumerate(vehicle.turbine_rads_per_ms, start=1)}
        fits = [(gear, _share(shaft, grid.get("true_speed_kmh"), usable & (gears.gear == gear), one, grid.step_s))
                for gear, one in true_own.items()]  # fmt: skip
        value, its_error = _together([GearFit(gear, *fit, by) for gear, fit in fits if fit is not None])
        by_true = None if value is None or its_error is None else (value, its_error)
    elif found:
        why.append("speed over ground was not recorded: the tyres' own radius cannot be told from the speed sensor's")
    return GearingFit(found, share, error, by_true, why)


def settled(gear: Array, step_s: float) -> Array:
    """Return which samples are in a gear, and not near a change of it."""
    reach = max(round(SETTLED_S / step_s), 1)
    near = np.zeros(len(gear) + 1)
    for at in np.flatnonzero(np.diff(gear) != 0).tolist():
        near[max(at - reach, 0) : at + reach + 1] = 1.0
    return np.asarray((near[:-1] == 0.0) & (gear > 0))


def _share(shaft: Array, speed: Array, usable: Array, own: float, step_s: float) -> tuple[float, float, float] | None:
    """Return (share, standard error, seconds) of one gear: total shaft turns over total way, block by block."""
    at = np.flatnonzero(usable & (speed > FROM_KMH) & ~np.isnan(shaft))
    seconds = len(at) * step_s
    if seconds < LEAST_S:
        return None
    share = shaft[at] / speed[at] / own
    middle = float(np.median(share))
    kept = at[np.abs(share / middle - 1.0) < 0.05]
    value = float(shaft[kept].sum() / speed[kept].sum() / own)
    # Errors of a second's samples are alike (a sensor's step, a tyre's slip): one block of 2 s counts once.
    blocks = (kept * step_s / 2.0).astype(np.int64)
    means = np.array([(shaft[kept][blocks == block].sum() / speed[kept][blocks == block].sum() / own)
                      for block in np.unique(blocks)[:2000]])  # fmt: skip
    error = float(means.std(ddof=1) / np.sqrt(len(means))) if len(means) > 2 else 0.01
    return value, max(error, 2e-4), seconds


def _together(fits: list[GearFit]) -> tuple[float | None, float | None]:
    if not fits:
        return None, None
    weights = np.array([1.0 / one.error**2 for one in fits])
    values = np.array([one.share for one in fits])
    value = float((weights * values).sum() / weights.sum())
    spread = float(np.sqrt((weights * (values - value) ** 2).sum() / weights.sum() / max(len(fits) - 1, 1)))
    return value, float(max(np.sqrt(1.0 / weights.sum()), spread))
