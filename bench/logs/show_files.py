"""What `log show` writes: report.html, log.json, and drive.toml, which drives the model over the same speeds."""

from __future__ import annotations

import dataclasses
import json
from importlib.metadata import version
from typing import TYPE_CHECKING

import numpy as np

from bench.cautions import CAUTIONS
from bench.logs.clutch import STATE_WORDS
from bench.logs.show_tables import (
    engagements_table,
    gears_table,
    segments_table,
    signals_table,
    summary_table,
    when,
)
from bench.out_files import ready_folder, write_whole
from bench.pages.page import Channel, Marker, Page, Run
from bench.pages.report import render
from bench.result_file import plain
from controller.declare import Band

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from bench.logs.fit_road import Stretch
    from bench.logs.source import Array
    from bench.logs.summary import Shown
    from sim.vehicle import Vehicle

MOST_DRAWN = 200_000
"""A page holds this many samples; a longer recording is drawn more coarsely, its figures are not."""

_LINES = (
    ("oil_temp_c", "Transmission oil", "°C", "Temperatures"),
    ("coolant_temp_c", "Coolant", "°C", "Temperatures"),
    ("road_speed_kmh", "Road speed", "km/h", "Speed"),
    ("true_speed_kmh", "Speed over ground", "km/h", "Speed"),
    ("engine_rpm", "Engine", "rpm", "Shafts"),
    ("turbine_rpm", "Turbine", "rpm", "Shafts"),
    ("slip_pct", "Converter slip", "%", "Slip"),
    ("oil_heat_kw", "Heat into the oil", "kW", "Heat"),
    ("duty_pct", "Clutch duty", "%", "Duty"),
    ("throttle_pct", "Throttle", "%", "Pedals"),
    ("grade_pct", "Grade", "%", "Road"),
)
BANDS = {int(band): band.word for band in Band}
DRIVE_STEP_S, DRIVE_POINTS = 1.0, 4000
GEAR_REACH_S = 8.0


def write_shown(shown: Shown, vehicle: Vehicle | None, out_dir: str) -> list[Path]:
    """Write the files; return their paths."""
    folder = ready_folder(out_dir)
    files = {"report.html": render(show_page(shown, vehicle)), "log.json": json_text(shown)}
    drive = drive_text(shown)
    if drive:
        files["drive.toml"] = drive
    for name, text in files.items():
        write_whole(folder / name, [text])
    return [folder / name for name in files]


def traces(shown: Shown) -> dict[str, Array]:
    """Return everything worked out on the even time scale, by the names of the report."""
    found = {name: shown.grid.values[name] for name, *_ in _LINES if name in shown.grid.values}
    found["turbine_rpm"], found["slip_pct"] = shown.clutch.turbine_rpm, shown.clutch.slip_pct
    if shown.heat is not None:
        found["oil_heat_kw"] = shown.heat.total_kw
    found["gear"] = shown.gears.gear.astype(np.float64)
    found["state"] = shown.clutch.state.astype(np.float64)
    for name in ("brake_on", "lockup_on", "band"):
        if shown.grid.has(name):
            found[name] = shown.grid.get(name)
    return {name: value for name, value in found.items() if not np.isnan(value).all()}


def show_page(shown: Shown, vehicle: Vehicle | None) -> Page:
    """Return the report of a recording."""
    data = traces(shown)
    every = max(-(-len(shown.grid.time_s) // MOST_DRAWN), 1)
    channels = [Channel(key, label, unit, panel, "line") for key, label, unit, panel in _LINES if key in data]
    channels += [Channel("gear", "Gear", "", "Gear", "step"),
                 Channel("state", "Clutch", "", "State", "step", dict(STATE_WORDS))]  # fmt: skip
    if "lockup_on" in data:
        channels.append(Channel("lockup_on", "Recorded flag", "", "Flag", "step", {0: "out", 1: "in"}))
    if "brake_on" in data:
        channels.append(Channel("brake_on", "Brake", "", "Brake", "step", {0: "off", 1: "on"}))
    if "band" in data:
        channels.append(Channel("band", "Band selected", "", "Band", "step", BANDS))
    time_s = shown.grid.time_s[::every]
    runs = [Run(shown.summary.name, time_s, {key: value[::every] for key, value in data.items()})]
    if len(time_s) < 2:
        runs, channels = [], []
    markers = []
    for one in shown.summary.engagements if runs else ():
        if one.start is not None:
            text = f"in at {one.speed_kmh or 0.0:.1f} km/h, gear {one.gear}: {when(one.start)}"
            markers.append(Marker(0, one.start.at_s, "in", text))
        if one.end is not None:
            text = "out, braking" if one.braked else "out, switched" if one.switched else "out"
            markers.append(Marker(0, one.end.at_s, "out", f"{text}: {when(one.end)}"))
    log = shown.log
    settings = [
        ("recording", log.path),
        ("kind", log.map.kind + (f", DBC {log.map.dbc}" if log.map.dbc else "")),
        ("rows or frames", str(log.rows)),
        ("vehicle", vehicle.name if vehicle else "none given"),
        ("drawn every", f"{shown.grid.step_s * every * 1000.0:g} ms"),
        ("tccbench", version("tccbench")),
    ]
    tables = [summary_table(shown.summary), gears_table(shown.summary), engagements_table(shown.summary),
              segments_table(shown.summary), signals_table(log)]  # fmt: skip
    return Page(f"Recording {shown.summary.name}", "What the vehicle did, from its own signals.",
                [(one.judgement, one.text) for one in shown.findings], [one for one in tables if one.rows], channels,
                runs, markers, CAUTIONS, settings)  # fmt: skip


def json_text(shown: Shown) -> str:
    """Return log.json: summary, findings and map."""
    content = {
        "recording": shown.log.path,
        "findings": [one._asdict() for one in shown.findings],
        "summary": dataclasses.asdict(shown.summary),
        "map": shown.log.map.model_dump(),
    }
    return json.dumps(plain(content), indent=1, ensure_ascii=False) + "\n"


def drive_text(shown: Shown, stretches: Sequence[Stretch] = (), load_kg: float = 0.0,
               ambient_c: float | None = None) -> str:  # fmt: skip
    """Return a drive file that follows the recorded speed, or "" where there is none to follow.

    Across gaps the speed runs straight. No gear above those used about each time is allowed, as a driver's selector
    has it. Without a fit the ground is sealed and level, but for a recorded grade. A fit gives each stretch its nearest
    surface, the grade that makes up the rest, and the tyres' slip, by which the ground goes by more slowly than the
    wheels that the speed sensor counts.
    """
    grid = shown.grid
    speed = grid.get("true_speed_kmh") if grid.has("true_speed_kmh") else grid.get("road_speed_kmh")
    known = ~np.isnan(speed)
    if known.sum() < 2 or shown.summary.moving_s < 5.0:
        return ""
    step_s = max(DRIVE_STEP_S, grid.step_s, shown.log.duration_s / DRIVE_POINTS)
    at_s = np.arange(0.0, shown.log.duration_s, step_s)
    kmh = np.interp(at_s, grid.time_s[known], speed[known])
    grade = grid.get("grade_pct")
    lines = [
        f"# The speeds of {shown.summary.name}. Surfaces: {'nearest to a fit' if stretches else 'not told'}.",
        f"title = {json.dumps('After ' + shown.summary.name, ensure_ascii=False)}",
        'about = "Follows a recorded drive."',
        f"ambient_c = {_first(grid.get('ambient_temp_c'), 25.0 if ambient_c is None else ambient_c):.1f}",
        f"oil_c = {_first(grid.get('oil_temp_c'), 80.0):.1f}",
        f"coolant_c = {_first(grid.get('coolant_temp_c'), 85.0):.1f}",
        f"load_kg = {max(load_kg, 0.0):.1f}",
    ]
    highest = _highest_gear(shown)
    limit, surface, rise = 0, "", ""
    here = stretches[0] if stretches else None
    for time_s, one in zip(at_s.tolist(), kmh.tolist(), strict=True):
        here = next((each for each in stretches if each.start_s <= time_s < each.end_s), here)
        by_wheels = not grid.has("true_speed_kmh") and not shown.log.speed_is_grounds
        slip = here.tyre_slip if here is not None and by_wheels else 0.0
        lines += ["", "[[point]]", f"at_s = {time_s:.1f}", f"speed_kmh = {max(one, 0.0) * (1.0 - slip):.2f}"]
        slope = grade[round(time_s / grid.step_s)]
        if np.isnan(slope) and here is not None:
            slope = here.grade_pct
        if not np.isnan(slope) and f"{slope:.1f}" != rise:
            rise = f"{slope:.1f}"
            lines.append(f"grade_pct = {rise}")
        gear = highest[min(round(time_s / grid.step_s), len(highest) - 1)]
        if gear > 0 and gear != limit:
            limit = gear
            lines.append(f"gear_limit = {limit}")
        if here is not None and here.surface != surface:
            surface = here.surface
            lines.append(f'surface = "{surface}"')
    band = grid.get("band")
    changes = np.flatnonzero(np.diff(np.nan_to_num(band), prepend=0.0) != 0.0)
    for at in changes.tolist():
        lines += ["", "[[event]]", f"at_s = {grid.time_s[at]:.2f}", f'band = "{BANDS[int(np.nan_to_num(band)[at])]}"']
    return "\n".join(lines) + "\n"


def _highest_gear(shown: Shown) -> list[int]:
    """Return the highest gear used within `GEAR_REACH_S` of each sample, 0 where none is known."""
    if not shown.gears.is_numbered:
        return [0] * len(shown.grid.time_s)
    step_s = max(shown.grid.step_s, 0.2)
    every = max(round(step_s / shown.grid.step_s), 1)
    coarse = shown.gears.gear[::every]
    reach = max(round(GEAR_REACH_S / (every * shown.grid.step_s)), 1)
    padded = np.pad(coarse, reach)
    highest = np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1).max(axis=1)
    return [int(one) for one in np.repeat(highest, every)[: len(shown.grid.time_s)]]


def _first(value: Array, otherwise: float) -> float:
    known = value[~np.isnan(value)]
    return float(known[0]) if known.size else otherwise
