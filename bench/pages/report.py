"""The report of one comparison as a single HTML file: verdict, tables and every trace at full resolution.

Build a `Page`, then `write` it. The file needs no network, no server and no other file.
"""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from bench.out_files import write_whole
from bench.pages.codec import Packed, embed, extract, pack, unpack
from bench.pages.markup import (
    Flag,
    Table,
    asset,
    cautions_html,
    document,
    escaped,
    settings_html,
    table_html,
    verdict_html,
)
from bench.pages.page import Channel, Marker, Page, Run
from bench.pages.run_style import RunStyle, run_style
from bench.pages.traces import engagements_html, marker_order, strips_of, traces_html

__all__ = ["Channel", "Flag", "Marker", "Page", "Run", "Table", "decode", "render", "write"]


def _time_base(runs: Sequence[Run]) -> tuple[float, float]:
    """Start and step in s that all runs share. Raises `ValueError` where they do not."""
    bases: list[tuple[float, float]] = []
    for run in runs:
        samples = run.time_s.size
        if samples < 2:
            raise ValueError(f"run {run.name!r} has {samples} samples; a trace needs at least 2")
        start = round(float(run.time_s[0]), 9)
        step = round(float(run.time_s[-1] - run.time_s[0]) / (samples - 1), 9)
        if step <= 0.0 or float(np.abs(run.time_s - (start + step * np.arange(samples))).max()) > 0.01 * step:
            raise ValueError(f"run {run.name!r}: time does not advance in uniform steps")
        bases.append((start, step))
    if len(set(bases)) > 1:
        raise ValueError(f"the runs of a report share one start and one time step; these have {bases}")
    return bases[0] if bases else (0.0, 0.01)


def _packed(run: Run, channels: Sequence[Channel]) -> dict[str, Packed]:
    packed: dict[str, Packed] = {}
    for channel in channels:
        values = run.data.get(channel.key)
        if values is None:
            continue
        if values.shape != run.time_s.shape:
            raise ValueError(f"run {run.name!r}: {channel.key} has shape {values.shape}, time has {run.time_s.shape}")
        try:
            packed[channel.key] = pack(values, exact=channel.kind == "step")
        except ValueError as error:
            raise ValueError(f"run {run.name!r}: {channel.key}: {error}") from error
    return packed


def _resolution_html(page: Page, packed: Sequence[dict[str, Packed]], step_s: float) -> str:
    """The quantisation step of each trace, so that a reader knows what the last figure of a readout is worth."""
    if not page.runs or not page.channels:
        return ""

    def worth(run: int, key: str) -> str:
        trace = packed[run].get(key)
        if trace is None:
            return "–"
        return "exact" if trace["levels"] is not None or trace["step"] in (0.0, 1.0) else f"{trace['step']:.3g}"

    table = Table(
        title=f"Resolution of the traces: every {step_s * 1000:g} ms",
        columns=["Trace", "Unit", *(run.name for run in page.runs)],
        rows=[
            [channel.label, channel.unit, *(worth(run, channel.key) for run in range(len(page.runs)))]
            for channel in page.channels
        ],
        note="A trace in this file is right to half the step. Verdicts and tables come from the unrounded values.",
    )
    return f'<details class="no-print"><summary>Resolution of the traces</summary>\n{table_html(table)}</details>\n'


def _data(
    page: Page, packed: Sequence[dict[str, Packed]], styles: Sequence[RunStyle], base: tuple[float, float]
) -> dict[str, Any]:
    return {
        "start_s": base[0],
        "step_s": base[1],
        "runs": [
            {"name": run.name, "samples": run.time_s.size, "style": style.as_data(), "traces": traces}
            for run, style, traces in zip(page.runs, styles, packed, strict=True)
        ],
        "channels": [
            {
                "key": channel.key,
                "label": channel.label,
                "unit": channel.unit,
                "kind": channel.kind,
                "names": None if channel.names is None else {str(value): name for value, name in channel.names.items()},
            }
            for channel in page.channels
        ],
        "strips": [strip.channels for strip in strips_of(page.channels)],
        "markers": [
            {"run": marker.run, "time_s": marker.time_s, "kind": marker.kind, "text": marker.text}
            for marker in page.markers
        ],
        "marker_order": marker_order(page),
    }


def _chart_library() -> str:
    """The vendored chart library under its licence, which has to go with every copy and so with every report."""
    return f"/*\n{asset('vendor/LICENSE-uPlot')}*/\n{asset('vendor/uPlot.iife.min.js')}"


def render(page: Page) -> str:
    """The whole report as HTML.

    Raises `ValueError` for a page that does not hold together: runs of different time steps, a trace of another length
    than its time, a marker of a run that is not there, a table row of the wrong length.
    """
    for marker in page.markers:
        if not 0 <= marker.run < len(page.runs):
            raise ValueError(f"marker {marker.text!r} belongs to run {marker.run}; the page has {len(page.runs)} runs")
    base = _time_base(page.runs)
    packed = [_packed(run, page.channels) for run in page.runs]
    styles = [run_style(index) for index in range(len(page.runs))]
    tables = "".join(table_html(table) for table in page.tables)
    if tables:
        tables = f'<section aria-labelledby="figures"><h2 id="figures">Figures</h2>\n{tables}</section>\n'
    body = (
        f"<header><h1>{escaped(page.title)}</h1>\n<p>{escaped(page.subtitle)}</p></header>\n<main>\n"
        f"{verdict_html(page.verdict)}{cautions_html(page.cautions)}{tables}{traces_html(page, styles)}"
        f"{engagements_html(page, styles)}{settings_html(page.settings)}"
        f"{_resolution_html(page, packed, base[1])}</main>\n"
        f"{embed(_data(page, packed, styles, base))}\n"
    )
    looks, scripts = [asset("paper.css"), asset("report.css")], []
    if page.runs and page.channels:
        looks.insert(0, asset("vendor/uPlot.min.css"))
        scripts = [asset("sharp.js"), _chart_library(), asset("report.js")]
    return document(page.title, body, looks, scripts)


def write(path: Path, page: Page) -> None:
    """Write the report to `path`, whole or not at all. Raises `UserError` where the place cannot be written."""
    write_whole(path, [render(page)])


def decode(html: str) -> list[Run]:
    """The runs that a report carries, as they were stored. Raises `ValueError` where the page carries none."""
    data = extract(html)
    return [
        Run(
            name=run["name"],
            time_s=data["start_s"] + data["step_s"] * np.arange(run["samples"], dtype=np.float64),
            data={key: unpack(trace) for key, trace in run["traces"].items()},
        )
        for run in data["runs"]
    ]
