"""What does not fit together once gears and slip are worked out: another vehicle, another unit, a flag that lies."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from bench.logs.clutch import IN, SLIPPING, UNKNOWN, Clutch
from bench.logs.findings import LogFinding
from bench.logs.gears import MOVING_KMH, Gears
from bench.logs.grid import Grid
from bench.logs.shafts import shafts_apart

if TYPE_CHECKING:
    from bench.logs.reading import Log
    from bench.logs.source import Array
    from sim.vehicle import Vehicle

MPH = 1.609344
FITS_WITHIN = 0.02
"""Shaft over road speed of a gear lies so close to the vehicle's, in log."""

FLAG_SLIP_RPM, FLAG_SECONDS, TAKES_HOLD_S = 60.0, 3.0, 1.5
SELDOM_OPEN_SHARE, SELDOM_OPEN_LOWEST_SHARE = 0.85, 0.6
DOUBTFUL = 0.9


def suspicions(log: Log, grid: Grid, gears: Gears, clutch: Clutch, vehicle: Vehicle | None) -> list[LogFinding]:
    """Return what does not fit, and what the recording cannot tell."""
    # On soft ground the wheels turn faster than the ground goes by: that is no other gearing.
    gearing = [] if log.speed_is_grounds else _gearing(grid, vehicle)
    return [*gearing, *shafts_apart(log, grid), *_numbering(gears), *_flag(grid, clutch),
            *_coupling(grid, gears, clutch), *_telling(grid, gears, clutch, vehicle)]  # fmt: skip


def _gearing(grid: Grid, vehicle: Vehicle | None) -> list[LogFinding]:
    shaft = "turbine_rpm" if grid.has("turbine_rpm") else "engine_rpm"
    speed, rpm = grid.get("road_speed_kmh"), grid.get(shaft)
    if vehicle is None or not grid.has("road_speed_kmh") or not grid.has(shaft):
        return []
    is_judged = (speed > 15.0) & (rpm > 600.0)
    if is_judged.sum() * grid.step_s < 5.0:
        return []
    logs = np.log(rpm[is_judged] / speed[is_judged])
    own = np.log([one / vehicle.sensor_speed_factor / 3.6 * 30.0 / np.pi for one in vehicle.turbine_rads_per_ms])
    fits = {scale: _fit_share(logs + np.log(scale), own) for scale in (1.0, 1.0 / MPH, MPH)}
    # By engine speed alone only held gears lie on the vehicle's lines.
    least = 0.6 if shaft == "turbine_rpm" else 0.3
    best = max(fits, key=lambda scale: fits[scale])
    if best != 1.0 and fits[best] > least and fits[best] > 2.0 * fits[1.0]:
        looks, unit = ("mph", "mph") if best < 1.0 else ("km/h taken as mph", "km/h")
        return [LogFinding("unit", "bad", f"road_speed_kmh: {vehicle.name}'s gears fit {fits[best]:.0%} of the time "
                           f"with the speed as {looks}, {fits[1.0]:.0%} as it is: write unit = \"{unit}\" in the "
                           "map")]  # fmt: skip
    if shaft == "turbine_rpm" and fits[1.0] < 0.5:
        moved = logs[:, None] - own
        off = float(np.exp(np.median(moved[np.arange(len(logs)), np.argmin(np.abs(moved), axis=1)])))
        return [LogFinding("other_vehicle", "bad", f"{vehicle.name}'s gears fit only {fits[1.0]:.0%} of the time "
                           f"(typically {100.0 * (off - 1.0):+.1f} % off): another vehicle, other tyres, or a speed "
                           "that is not its own sensor's")]  # fmt: skip
    return []


def _fit_share(logs: Array, own: Array) -> float:
    return float((np.abs(logs[:, None] - own).min(axis=1) < FITS_WITHIN).mean())


def _numbering(gears: Gears) -> list[LogFinding]:
    if gears.by == "none" or gears.is_numbered:
        return []
    count = len(gears.rpm_per_kmh)
    text = f"{count} gears are seen and numbered from the lowest; a gear that was never used is not counted"
    if gears.by == "engine":
        text += "; without turbine speed a long time at one slip looks like a gear of its own: give --vehicle"
    return [LogFinding("gearing", "note", text)]


def _flag(grid: Grid, clutch: Clutch) -> list[LogFinding]:
    if clutch.by == "slip":
        return []
    state = clutch.state
    assert clutch.flag is not None  # what it was told from
    # A commanded clutch slips while it takes hold; what counts is one that goes on slipping.
    wide = (clutch.flag > 0.0) & (state == SLIPPING) & (np.abs(clutch.slip_rpm) > FLAG_SLIP_RPM)
    edges = np.flatnonzero(np.diff(np.concatenate(([False], wide, [False])).astype(np.int8)))
    lengths_s = (edges[1::2] - edges[::2]) * grid.step_s
    seconds = float(lengths_s[lengths_s > TAKES_HOLD_S].sum())
    found = []
    if seconds > FLAG_SECONDS:
        found.append(LogFinding("flag", "bad", f"the recorded flag says in for {seconds:.1f} s while the converter "
                                f"slips more than {FLAG_SLIP_RPM:.0f} rpm"))  # fmt: skip
    if clutch.is_belied:
        seconds = float(((state == IN) & (clutch.flag == 0.0)).sum()) * grid.step_s
        found.append(LogFinding("flag", "note", f"the recorded flag or command says out for {seconds:.1f} s in which "
                                "the clutch holds: the transmission holds by itself, too, and those holds are told "
                                "from the slip"))  # fmt: skip
    return found


def _coupling(grid: Grid, gears: Gears, clutch: Clutch) -> list[LogFinding]:
    if clutch.by != "slip" or gears.by == "none":
        return []
    moving = (grid.get("road_speed_kmh") > MOVING_KMH) & (clutch.state != UNKNOWN) & (gears.gear > 0)
    if moving.sum() * grid.step_s < 30.0:
        return []
    held = clutch.state == IN
    lowest = moving & (gears.gear == gears.gear[moving].min())
    # A converter slips in the lowest gear, whatever its clutch does in the others.
    if held[moving].mean() < SELDOM_OPEN_SHARE or held[lowest].mean() < SELDOM_OPEN_LOWEST_SHARE:
        return []
    text = f"slip is seen in only {1.0 - float(held[moving].mean()):.0%} of the time, and hardly in the lowest gear: a "
    text += "gearbox without a converter, or a clutch that was in nearly throughout"
    return [LogFinding("no_slip", "note", text)]


def _telling(grid: Grid, gears: Gears, clutch: Clutch, vehicle: Vehicle | None) -> list[LogFinding]:
    found = []
    moving = grid.get("road_speed_kmh") > MOVING_KMH
    if not moving.any():
        return []
    unknown = (clutch.state == UNKNOWN) & ~clutch.untold
    untold = float(unknown[moving].mean())
    if untold > 0.02:
        silent = sorted({int(gear) for gear in np.unique(gears.gear[moving & unknown]) if gear > 0})
        where = f", mostly in gear {', '.join(map(str, silent))}" if silent and not grid.has("turbine_rpm") else ""
        found.append(LogFinding("untold", "note", f"slip and clutch cannot be told for {untold:.0%} of moving time"
                                f"{where}: no turbine speed, no held gearing to work it out from"))  # fmt: skip
    void = float(clutch.untold[moving].mean())
    if void > 0.0:
        found.append(LogFinding("in_or_out", "note", "whether the clutch is in or out cannot be told for "
                                f"{void:.1%} of moving time: so little is pulled there that an open converter would "
                                "not slip either"))  # fmt: skip
    known = moving & (clutch.state != UNKNOWN)
    if known.any() and float(clutch.sure[known].mean()) < DOUBTFUL:
        found.append(LogFinding("unsure", "note", "the clutch's state is not sure: "
                                f"{float(clutch.sure[known].mean()):.0%} on average"))  # fmt: skip
    if vehicle is None:
        found.append(LogFinding("no_vehicle", "note", "no --vehicle given: heat into the oil is not worked out; the "
                                "open converter's slip is not known, nor where it is as little as a held "
                                "clutch's"))  # fmt: skip
    return found
