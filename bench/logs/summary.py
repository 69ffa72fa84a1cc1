"""A recording in numbers: gears, slip, clutch, engagements, heat, oil, labouring; and what is to be said of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from bench.figures import LUGGING_THROTTLE_PCT, OIL_LEVELS_C, SLIP_FROM_KMH
from bench.logs.clutch import IN, OUT, UNKNOWN, Clutch, clutch_of
from bench.logs.engagements import LogEngagement, engagements_of, hunts
from bench.logs.findings import LogFinding
from bench.logs.gears import MOVING_KMH, Gears, gears_of
from bench.logs.grid import Grid, grid_of
from bench.logs.heat import OilHeat, heat_by_source_kj, heat_of
from bench.logs.suspicions import suspicions
from bench.verdict import LUGGING_S, OIL_CRITICAL_C

if TYPE_CHECKING:
    from bench.logs.reading import Log
    from bench.logs.source import Array
    from sim.vehicle import Vehicle

LUGGING_RPM = 1250.0
"""Where no vehicle says under which speed its engine labours."""

SEGMENT_S, MOST_SEGMENTS = 20.0, 24
"""A stretch of one kind gets a slope of its own from this length on; the longest are listed."""


@dataclass(frozen=True)
class OilSegment:
    """A stretch with one clutch state and one kind of driving: its heat, its slope and how well that is known."""

    start_s: float
    end_s: float
    kind: str
    speed_kmh: float
    slip_pct: float | None
    heat_kw: float | None
    from_c: float
    slope_c_per_min: float
    slope_error: float


@dataclass(frozen=True)
class Summary:
    """Everything that `log show` tells. Units are in the names; None where the recording does not tell."""

    name: str
    duration_s: float
    step_s: float
    distance_km: float | None
    moving_s: float
    known_share: float
    untold_share: float
    gear_s: dict[int, float]
    rpm_at_100_kmh: dict[int, float]
    gear_by: str
    gear_sure: float
    clutch_by: str
    clutch_sure: float
    noise_rpm: float
    slip_out_mean_pct: float | None
    slip_out_mean_rpm: float | None
    slip_peak_pct: float | None
    in_s: float
    out_s: float
    held_low_rpm: float | None
    lugging_s: float
    lugging_under_rpm: float
    engagements: list[LogEngagement]
    moments: int
    moments_told: int
    shortest_gap_s: float | None
    hunting: bool
    heat_kj: dict[str, float]
    oil_start_c: float | None
    oil_peak_c: float | None
    oil_end_c: float | None
    oil_over_s: tuple[float, ...]
    oil_rise_c_per_min: float | None
    segments: list[OilSegment]


@dataclass(frozen=True)
class Shown:
    """A recording taken apart: the even time scale, what was worked out on it, its summary and its findings."""

    log: Log
    grid: Grid
    gears: Gears
    clutch: Clutch
    heat: OilHeat | None
    summary: Summary
    findings: list[LogFinding]


def take_apart(log: Log, vehicle: Vehicle | None = None) -> Shown:
    """Return all that a recording tells, with a vehicle's gearing and tables or without."""
    grid = grid_of(log)
    gears = gears_of(grid, vehicle)
    clutch = clutch_of(log, grid, gears, vehicle)
    heat = heat_of(grid, gears, clutch, vehicle) if vehicle is not None and grid.has("engine_rpm") else None
    summary = _summary(log, grid, gears, clutch, heat, vehicle)
    findings = [*log.findings, *suspicions(log, grid, gears, clutch, vehicle),
                *_findings(summary, grid.has("brake_on"))]  # fmt: skip
    return Shown(log, grid, gears, clutch, heat, summary, findings)


def _summary(
    log: Log, grid: Grid, gears: Gears, clutch: Clutch, heat: OilHeat | None, vehicle: Vehicle | None
) -> Summary:
    step_s = grid.step_s
    speed, engine_rpm, oil_c = grid.get("road_speed_kmh"), grid.get("engine_rpm"), grid.get("oil_temp_c")
    moving = speed > MOVING_KMH
    fast = (speed > SLIP_FROM_KMH) & ~np.isnan(clutch.slip_pct)
    out = fast & (clutch.state == OUT)
    held = (clutch.state == IN) & moving
    lugging_rpm = vehicle.file.engine.lugging_rpm if vehicle else LUGGING_RPM
    lugging = held & (engine_rpm < lugging_rpm) & (grid.get("throttle_pct") > LUGGING_THROTTLE_PCT)
    engagements = engagements_of(grid, gears, clutch)
    gaps = [one.gap_s for one in engagements if one.gap_s is not None]
    known_oil = oil_c[~np.isnan(oil_c)]
    return Summary(
        name=log.map.title,
        duration_s=log.duration_s,
        step_s=step_s,
        distance_km=float(np.nansum(speed)) * step_s / 3600.0 if grid.has("road_speed_kmh") else None,
        moving_s=float(moving.sum()) * step_s,
        known_share=1.0 - float(((clutch.state == UNKNOWN) & ~clutch.untold)[moving].mean()) if moving.any() else 0.0,
        untold_share=float(clutch.untold[moving].mean()) if moving.any() else 0.0,
        gear_s={gear: float(((gears.gear == gear) & moving).sum()) * step_s
                for gear in sorted(set(gears.gear[moving].tolist()))
                if ((gears.gear == gear) & moving).sum() * step_s >= 0.5},
        rpm_at_100_kmh={gear: one * 100.0 for gear, one in sorted(gears.rpm_per_kmh.items())},
        gear_by=gears.by,
        gear_sure=_mean(gears.sure[moving & (gears.gear > 0)]) or 0.0,
        clutch_by=clutch.by,
        clutch_sure=_mean(clutch.sure[moving & (clutch.state != UNKNOWN)]) or 0.0,
        noise_rpm=clutch.noise_rpm,
        slip_out_mean_pct=_mean(clutch.slip_pct[out]),
        slip_out_mean_rpm=_mean(clutch.slip_rpm[out]),
        slip_peak_pct=float(clutch.slip_pct[fast].max()) if fast.any() else None,
        in_s=float(held.sum()) * step_s,
        out_s=float(((clutch.state == OUT) & moving).sum()) * step_s,
        held_low_rpm=float(np.nanmin(engine_rpm[held])) if held.any() else None,
        lugging_s=float(lugging.sum()) * step_s,
        lugging_under_rpm=lugging_rpm,
        engagements=engagements,
        moments=sum(len(one.moments) for one in engagements),
        moments_told=sum(moment.is_told for one in engagements for moment in one.moments),
        shortest_gap_s=min(gaps, default=None),
        hunting=hunts(engagements),
        heat_kj=heat_by_source_kj(heat, step_s) if heat is not None else {},
        oil_start_c=float(known_oil[0]) if known_oil.size else None,
        oil_peak_c=float(known_oil.max()) if known_oil.size else None,
        oil_end_c=float(known_oil[-1]) if known_oil.size else None,
        oil_over_s=tuple(float((oil_c > level).sum()) * step_s for level in OIL_LEVELS_C),
        oil_rise_c_per_min=_steepest_rise(oil_c, step_s),
        segments=_segments(grid, clutch, heat),
    )  # fmt: skip


def _mean(values: Array) -> float | None:
    return float(values.mean()) if values.size else None


def _steepest_rise(oil_c: Array, step_s: float, span_s: float = 60.0) -> float | None:
    steps = min(round(span_s / step_s), len(oil_c) - 1)
    if steps < 1:
        return None
    rise_c = oil_c[steps:] - oil_c[:-steps]
    known = rise_c[~np.isnan(rise_c)]
    return float(known.max()) * 60.0 / (steps * step_s) if known.size else None


def _segments(grid: Grid, clutch: Clutch, heat: OilHeat | None) -> list[OilSegment]:
    """Cut the drive where clutch or driving changes kind, and fit a line to the oil of each longer stretch."""
    oil_c, speed = grid.get("oil_temp_c"), grid.get("road_speed_kmh")
    if np.isnan(oil_c).all():
        return []
    standing = ~(speed > MOVING_KMH)
    # Slipping is a passage; it belongs to the hold it leads to.
    kind = np.where(standing, 0, np.where(clutch.state == UNKNOWN, 3, np.where(clutch.state == OUT, 1, 2)))
    heat_kw = None if heat is None else heat.total_kw
    words = {0: "standing", 1: "clutch out", 2: "clutch in", 3: "moving"}
    starts = np.flatnonzero(np.diff(kind, prepend=-1) != 0)
    ends = np.append(starts[1:], len(kind))
    found = []
    for start, end in zip(starts.tolist(), ends.tolist(), strict=True):
        known = ~np.isnan(oil_c[start:end])
        if (end - start) * grid.step_s < SEGMENT_S or known.sum() < 5:
            continue
        time_s, value = grid.time_s[start:end][known], oil_c[start:end][known]
        slope, error = _line(time_s, value)
        found.append(OilSegment(
            float(grid.time_s[start]), float(grid.time_s[end - 1]), words[int(kind[start])],
            float(np.nanmean(speed[start:end])) if not np.isnan(speed[start:end]).all() else 0.0,
            _mean(clutch.slip_pct[start:end][~np.isnan(clutch.slip_pct[start:end])]),
            None if heat_kw is None else _mean(heat_kw[start:end][~np.isnan(heat_kw[start:end])]),
            float(value[0]), slope * 60.0, error * 60.0))  # fmt: skip
    longest = sorted(found, key=lambda one: one.start_s - one.end_s)[:MOST_SEGMENTS]
    return sorted(longest, key=lambda one: one.start_s)


def _line(time_s: Array, value: Array) -> tuple[float, float]:
    """Return slope and its standard error; readings between which the value runs straight count once a second."""
    every = max(round(1.0 / max(float(np.median(np.diff(time_s))), 1e-3)), 1)
    t, v = time_s[::every], value[::every]
    if len(t) < 3:
        t, v = time_s, value
    t = t - t.mean()
    spread = float((t * t).sum())
    slope = float((t * v).sum()) / spread
    rest = v - v.mean() - slope * t
    return slope, float(np.sqrt((rest * rest).sum() / max(len(t) - 2, 1) / spread))


def _findings(summary: Summary, has_brake: bool) -> list[LogFinding]:
    found = []
    if summary.hunting:
        text = f"{len(summary.engagements)} engagements, shortest gap {summary.shortest_gap_s or 0.0:.1f} s"
        # Out by the brake is the driver's doing; where that was not recorded it cannot be told from the clutch's own.
        who = "the clutch hunts" if has_brake else "the clutch hunts, or the brake was used (it was not recorded)"
        found.append(LogFinding("hunting", "bad" if has_brake else "note", f"{who}: {text}"))
    if summary.oil_peak_c is not None and summary.oil_peak_c > OIL_CRITICAL_C:
        found.append(LogFinding("oil", "bad", f"oil over {OIL_CRITICAL_C:.0f} °C: peak {summary.oil_peak_c:.1f} °C"))
    if summary.lugging_s > LUGGING_S:
        found.append(LogFinding("lugging", "note", f"the engine labours for {summary.lugging_s:.0f} s while held: "
                                f"under {summary.lugging_under_rpm:.0f} rpm with pedal"))  # fmt: skip
    return found
