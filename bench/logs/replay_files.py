"""The tables and the report of a replay."""

from __future__ import annotations

import dataclasses
import json
from importlib.metadata import version
from typing import TYPE_CHECKING

import numpy as np

from bench.cautions import CAUTIONS
from bench.logs.show_files import BANDS, MOST_DRAWN
from bench.logs.show_tables import number, when
from bench.out_files import ready_folder, write_whole
from bench.pages.markup import Table
from bench.pages.page import Channel, Marker, Page, Run
from bench.pages.report import render
from bench.result_file import plain
from bench.verdict import clock
from controller.declare import State

if TYPE_CHECKING:
    from pathlib import Path

    from bench.logs.replay import Replay
    from bench.logs.summary import Shown
    from bench.verdict import Finding
    from controller.calibration import Calibration

MOST_ROWS = 80


def replay_findings(done: Replay) -> list[Finding]:
    """Return what a replay says, the one line that sums up first."""
    more = [one for one in done.differences if one.rules_in]
    less = [one for one in done.differences if not one.rules_in]
    seconds = [sum(one.end_s - one.start_s for one in part) for part in (more, less)]
    only = f"only the rules hold in {len(more)} stretches ({seconds[0]:.0f} s), "
    only += f"only the vehicle in {len(less)} ({seconds[1]:.0f} s)"
    findings: list[Finding] = [
        (
            "note",
            f"a band is selected {done.charge_share:.1%} of the time; rules agree with the vehicle in "
            f"{done.agree_share:.1%} of that; {only}",
        )
    ]
    latched = {word for word in ("implausible", "not_holding", "stuck_in") if word in done.reason_words}
    seen = {done.reason_words[int(code)] for code in np.unique(done.reason)}
    findings += [("bad", f"{word} would fire on this recording; no hold until the next start")
                 for word in sorted(latched & seen)]  # fmt: skip
    findings += [(one.judgement, one.text) for one in done.assumed]
    findings.append(("note", "where the rules' command differs from what the clutch did, engine speed is taken as it "
                     "would be; oil and road speed stay as recorded"))  # fmt: skip
    return findings


def differences_table(done: Replay) -> Table:
    """Return each stretch in which rules and vehicle differ, with the rules' reason."""
    rows = [
        [clock(one.start_s), clock(one.end_s), "only the rules hold" if one.rules_in else "only the vehicle holds",
         one.why, str(one.gear), number(one.speed_kmh, 1), number(one.end_s - one.start_s, 1)]
        for one in done.differences[:MOST_ROWS]
    ]  # fmt: skip
    left = len(done.differences) - len(rows)
    return Table("Differences", ("from", "to", "", "the rules say", "gear", "km/h", "s"), rows,
                 f"{left} more are in replay.json." if left > 0 else "", left=4)  # fmt: skip


def write_replay(shown: Shown, done: Replay, calibration: Calibration, out_dir: str) -> list[Path]:
    """Write report.html and replay.json; return their paths."""
    folder = ready_folder(out_dir)
    content = {
        "recording": shown.log.path,
        "calibration": calibration.source,
        "agree_share": done.agree_share,
        "findings": replay_findings(done),
        "differences": [dataclasses.asdict(one) for one in done.differences],
    }
    files = {
        "report.html": render(_page(shown, done, calibration)),
        "replay.json": json.dumps(plain(content), indent=1, ensure_ascii=False) + "\n",
    }
    for name, text in files.items():
        write_whole(folder / name, [text])
    return [folder / name for name in files]


def _page(shown: Shown, done: Replay, calibration: Calibration) -> Page:
    every = max(-(-len(done.time_s) // MOST_DRAWN), 1)
    pick = slice(None, None, every)
    time_s = done.time_s[pick]
    at = np.clip((time_s / shown.grid.step_s + 1e-6).astype(np.int64), 0, len(shown.grid.time_s) - 1)
    words = dict(enumerate(done.reason_words))
    own = {
        "road_speed_kmh": shown.grid.get("road_speed_kmh")[at],
        "engine_rpm": shown.grid.get("engine_rpm")[at],
        "turbine_rpm": shown.clutch.turbine_rpm[at],
        "throttle_pct": shown.grid.get("throttle_pct")[at],
        "oil_temp_c": shown.grid.get("oil_temp_c")[at],
        "gear": shown.gears.gear[at].astype(np.float64),
        "in": np.where(np.isin(shown.clutch.state[at], (0, 2)), done.vehicle_in[pick], np.nan),
    }
    ruled = {
        "in": (done.duty_pct[pick] > 0.0).astype(np.float64),
        "duty_pct": done.duty_pct[pick],
        "state": done.state[pick].astype(np.float64),
        "refusal": done.refusal[pick].astype(np.float64),
        "band": done.band[pick].astype(np.float64),
    }
    channels = [
        Channel("in", "Clutch", "", "Clutch", "step", {0: "out", 1: "in"}),
        Channel("road_speed_kmh", "Road speed", "km/h", "Speed", "line"),
        Channel("engine_rpm", "Engine", "rpm", "Shafts", "line"),
        Channel("turbine_rpm", "Turbine", "rpm", "Shafts", "line"),
        Channel("oil_temp_c", "Transmission oil", "°C", "Temperatures", "line"),
        Channel("throttle_pct", "Throttle", "%", "Pedals", "line"),
        Channel("duty_pct", "Duty of the rules", "%", "Duty", "line"),
        Channel("gear", "Gear", "", "Gear", "step"),
        Channel("state", "State of the rules", "", "State", "step", {one.value: one.word for one in State}),
        Channel("refusal", "Why not in", "", "Refusal", "step", words),
        Channel("band", "Band selected", "", "Band", "step", BANDS),
    ]
    markers = []
    for one in shown.summary.engagements:
        if one.start is not None:
            markers.append(Marker(0, one.start.at_s, "in", f"in at {one.speed_kmh or 0.0:.1f} km/h: {when(one.start)}"))
        if one.end is not None:
            markers.append(Marker(0, one.end.at_s, "out", f"out: {when(one.end)}"))
    on = np.diff((done.duty_pct > 0.0).astype(np.int8), prepend=0)
    for tick in np.flatnonzero(on).tolist():
        markers.append(Marker(1, float(done.time_s[tick]), "in" if on[tick] > 0 else "out",
                              done.reason_words[int(done.reason[tick])]))  # fmt: skip
    runs = [Run("recorded", time_s, own), Run(calibration.name, time_s, ruled)]
    settings = [("recording", shown.log.path), ("calibration", calibration.source), ("tccbench", version("tccbench"))]
    return Page(f"Replay of {shown.summary.name}", f"What {calibration.name} would have commanded.",
                replay_findings(done), [differences_table(done)], channels, runs,
                sorted(markers, key=lambda one: (one.time_s, one.run)), CAUTIONS, settings)  # fmt: skip
