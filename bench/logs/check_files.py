"""The table and the report of a check."""

from __future__ import annotations

import dataclasses
import json
from importlib.metadata import version
from typing import TYPE_CHECKING

import numpy as np

from bench.cautions import CAUTIONS
from bench.logs.check import LINES, Check
from bench.logs.show_files import MOST_DRAWN
from bench.logs.show_tables import number
from bench.out_files import ready_folder, write_whole
from bench.pages.markup import Flag, Table
from bench.pages.page import Channel, Page, Run
from bench.pages.report import render
from bench.result_file import plain

if TYPE_CHECKING:
    from pathlib import Path

    from bench.logs.summary import Shown
    from bench.pages.markup import Cell


def errors_table(done: Check) -> Table:
    """Return the error of each signal."""
    rows: list[list[Cell]] = [
        [one.line.label, one.line.unit, number(one.mean, 2),
         number(one.rmse, 2) if one.is_good else Flag("bad", number(one.rmse, 2)), number(one.line.good, 1),
         number(one.worst, 1), number(one.worst_at_s, 0), number(one.seconds, 0)]
        for one in done.errors
    ]  # fmt: skip
    note = f"The recording's story begins {done.shift_s:+.1f} s after the run's."
    if done.clutch_agrees is not None:
        note += f" The clutch does the same in {done.clutch_agrees:.1%} of the time."
    columns = ("", "unit", "mean", "rms", "called good", "worst", "at s", "over s")
    return Table("Run less recording", columns, rows, note, left=2)


def write_check(shown: Shown, done: Check, out_dir: str) -> list[Path]:
    """Write report.html and check.json; return their paths."""
    folder = ready_folder(out_dir)
    every = max(-(-len(done.time_s) // MOST_DRAWN), 1)
    channels, recorded, run = [], {}, {}
    for line in LINES:
        if line.name in done.recorded and line.name in done.run:
            channels.append(Channel(line.name, line.label.capitalize(), line.unit, line.label.capitalize(), "line"))
            recorded[line.name], run[line.name] = done.recorded[line.name][::every], done.run[line.name][::every]
    channels.append(Channel("in", "Clutch", "", "Clutch", "step", {0: "out", 1: "in"}))
    state = done.recorded["state"][::every]
    recorded["in"] = np.where(np.isin(state, (0, 1, 2)), (state > 0).astype(np.float64), np.nan)
    duty = done.run.get("duty_pct")
    if duty is not None:
        run["in"] = np.where(np.isnan(duty), np.nan, (duty > 0.0).astype(np.float64))[::every]
    time_s = done.time_s[::every]
    runs = [Run("recorded", time_s, recorded), Run(done.run_name, time_s, run)]
    settings = [("recording", shown.log.path), ("run", done.run_name), ("tccbench", version("tccbench"))]
    page = Page(f"{shown.summary.name} against {done.run_name}", "Prediction beside measurement.",
                [(one.judgement, one.text) for one in done.findings], [errors_table(done)], channels, runs, [],
                CAUTIONS, settings)  # fmt: skip
    content = {
        "recording": shown.log.path,
        "run": done.run_name,
        "shift_s": done.shift_s,
        "clutch_agrees": done.clutch_agrees,
        "errors": [dataclasses.asdict(one) for one in done.errors],
        "findings": [one._asdict() for one in done.findings],
    }
    files = {"report.html": render(page),
             "check.json": json.dumps(plain(content), indent=1, ensure_ascii=False) + "\n"}  # fmt: skip
    for name, text in files.items():
        write_whole(folder / name, [text])
    return [folder / name for name in files]
