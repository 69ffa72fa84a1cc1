"""The report of one comparison as a single HTML file: verdict, tables and every trace at full resolution.

Build a `Page`, then `write` it. The file needs no network, no server and no other file.
"""

import os
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Literal

import numpy as np

from bench.pages.codec import FloatArray, Packed, embed, extract, pack, unpack
from bench.pages.markup import (
    Flag,
    Judgement,
    Table,
    asset,
    cautions_html,
    document,
    escaped,
    settings_html,
    table_html,
    verdict_html,
)
from bench.pages.run_style import RunStyle, run_style, sample_svg
from controller.errors import UserError

__all__ = ["Channel", "Flag", "Marker", "Page", "Run", "Table", "decode", "render", "write"]

_WHAT: Final = {"in": "clutch in", "out": "clutch out", "event": "event"}


@dataclass(frozen=True)
class Channel:
    """One quantity that is drawn. Channels of the same panel and unit share a strip.

    A `step` channel holds its value from sample to sample and is kept exactly; `names` gives its whole numbers words
    and a strip of its own.
    """

    key: str
    label: str
    unit: str
    panel: str
    kind: Literal["line", "step"]
    names: dict[int, str] | None = None


@dataclass(frozen=True)
class Marker:
    """Something that happened at `time_s` of the run with index `run`; `text` is its reason."""

    run: int
    time_s: float
    kind: Literal["in", "out", "event"]
    text: str


@dataclass(frozen=True)
class Run:
    """The traces of one strategy: `time_s` of shape (samples,) in uniform steps, and as many values for each key.

    NaN means no value; a channel that a run does not have may be left out of `data`.
    """

    name: str
    time_s: FloatArray
    data: dict[str, FloatArray]


@dataclass(frozen=True)
class Page:
    """Everything that one report shows. Texts are plain and may come from the user's files."""

    title: str
    subtitle: str
    verdict: Sequence[tuple[Judgement, str]]
    tables: Sequence[Table]
    channels: Sequence[Channel]
    runs: Sequence[Run]
    markers: Sequence[Marker]
    cautions: Sequence[str]
    settings: Sequence[tuple[str, str]]


@dataclass(frozen=True)
class _Strip:
    """One drawing area: the channels (by index) of one panel that share a unit."""

    panel: str
    unit: str
    channels: list[int]


def _strips(channels: Sequence[Channel]) -> list[_Strip]:
    """Strips in the order in which their panels first appear; named channels stand alone."""
    by_panel: dict[str, dict[str, _Strip]] = {}
    for index, channel in enumerate(channels):
        strips = by_panel.setdefault(channel.panel, {})
        group = f"named {index}" if channel.names is not None else f"unit {channel.unit}"
        strips.setdefault(group, _Strip(channel.panel, channel.unit, [])).channels.append(index)
    return [strip for strips in by_panel.values() for strip in strips.values()]


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


def _figure(value: float) -> str:
    """A value in about four figures, without exponent."""
    size = abs(value)
    decimals = 0 if size >= 1000 else 1 if size >= 100 else 2 if size >= 1 else 3
    text = f"{value:.{decimals}f}"
    return "0" if float(text) == 0.0 else text


def _named(channel: Channel, value: float) -> str:
    name = (channel.names or {}).get(int(value)) if value.is_integer() else None
    return _figure(value) if name is None else name


def _summary(channel: Channel, run: Run, letter: str) -> str:
    """What a reader who cannot see the strip needs to know of one line in it."""
    values = run.data.get(channel.key)
    known = values[~np.isnan(values)] if values is not None else np.empty(0)
    line = f"{letter} {run.name}, {channel.label}: "
    if known.size == 0:
        return line + "no values."
    last = float(known[-1])
    if channel.names is not None:
        seen = ", ".join(_named(channel, float(value)) for value in np.unique(known))
        changes = int(np.count_nonzero(np.diff(known)))
        return line + f"{seen}; {changes} changes; {_named(channel, last)} at the end."
    unit = f" {channel.unit}" if channel.unit else ""
    return line + f"{_figure(float(known.min()))} to {_figure(float(known.max()))}{unit}, {_figure(last)} at the end."


def _strip_html(index: int, strip: _Strip, page: Page, styles: Sequence[RunStyle]) -> str:
    channels = [page.channels[channel] for channel in strip.channels]
    summary = " ".join(
        _summary(channel, run, style.letter) for channel in channels for run, style in zip(page.runs, styles, strict=True)
    )
    unit = f' <span class="unit">{escaped(strip.unit)}</span>' if strip.unit else ""
    if len(channels) == 1:
        heading = f"{escaped(channels[0].label)}{unit}"
        picks = ""
    else:
        heading = f"{escaped(' · '.join(channel.label for channel in channels))}{unit}"
        picks = '<div class="picks" role="group" aria-label="Lines of this strip">' + "".join(
            f'<button type="button" class="pick" data-channel="{channel}" aria-pressed="true">'
            f"{escaped(page.channels[channel].label)}</button>"
            for channel in strip.channels
        )
        picks += "</div>"
    label = f"{strip.panel}: {', '.join(channel.label for channel in channels)} over time in s. {summary}"
    return (
        f'<div class="strip" data-strip="{index}"><div class="strip-head"><h4>{heading}</h4>{picks}'
        f'<div class="values" role="group" aria-label="Values at the crosshair"></div></div>\n'
        f'<div class="plot" role="img" aria-label="{escaped(label)}"></div></div>\n'
    )


def _legend_html(page: Page, styles: Sequence[RunStyle]) -> str:
    buttons = "".join(
        f'<button type="button" class="run" data-run="{index}" aria-pressed="true" title="Show or hide this run">'
        f'{sample_svg(style)}<b>{style.letter}</b> <span class="run-name">{escaped(run.name)}</span></button>'
        for index, (run, style) in enumerate(zip(page.runs, styles, strict=True))
    )
    return f'<div class="legend" role="group" aria-label="Runs shown">{buttons}</div>'


_BUTTONS: Final = (
    ("zoom-in", "Zoom in", "+"),
    ("zoom-out", "Zoom out", "−"),
    ("earlier", "Earlier", "←"),
    ("later", "Later", "→"),
    ("whole", "Whole run", "0"),
    ("previous", "Previous engagement", "p"),
    ("next", "Next engagement", "n"),
)


def _toolbar_html(page: Page, styles: Sequence[RunStyle]) -> str:
    buttons = "".join(
        f'<button type="button" data-do="{action}">{label} <kbd aria-hidden="true">{key}</kbd></button>'
        for action, label, key in _BUTTONS
        if page.markers or action not in ("previous", "next")
    )
    return (
        f'<div class="toolbar">{_legend_html(page, styles)}\n<div class="buttons" role="group" aria-label="View">{buttons}</div>\n'
        '<p class="readout"><span id="cross" aria-live="polite"></span> <span id="span"></span></p></div>\n'
    )


def _lanes_html(page: Page, styles: Sequence[RunStyle]) -> str:
    if not page.markers:
        return ""
    lanes = "".join(
        f'<div class="lane" data-run="{index}"><span class="lane-name">{style.letter}</span><div class="lane-track"></div></div>\n'
        for index, style in enumerate(styles)
    )
    return (
        '<div class="strip lanes-strip"><div class="strip-head"><h4>Engagements</h4>'
        '<p class="aside">▲ clutch in, ▽ clutch out, ◆ event; the bar is the time held</p></div>\n'
        f'<div class="lanes" role="group" aria-label="Engagements on the time axis">\n{lanes}</div></div>\n'
    )


def _engagements_html(page: Page, styles: Sequence[RunStyle]) -> str:
    """Every marker in the order of time, with the seconds that each hold lasted."""
    if not page.markers:
        return ""
    held_since: dict[int, float] = {}
    rows: list[str] = []
    for index in _marker_order(page):
        marker = page.markers[index]
        held = ""
        if marker.kind == "in":
            held_since[marker.run] = marker.time_s
        elif marker.kind == "out" and marker.run in held_since:
            held = f"{marker.time_s - held_since.pop(marker.run):.2f}"
        rows.append(
            f'<tr data-run="{marker.run}"><th scope="row"><button type="button" class="jump" data-marker="{index}">'
            f'<span class="unseen">Show </span>{marker.time_s:.2f}</button></th>'
            f'<td class="words">{styles[marker.run].letter} {escaped(page.runs[marker.run].name)}</td>'
            f'<td class="words">{_WHAT[marker.kind]}</td><td class="words">{escaped(marker.text)}</td><td>{held}</td></tr>\n'
        )
    return (
        '<section aria-labelledby="engagements"><h2 id="engagements">Engagements and their reasons</h2>\n'
        '<p class="aside no-print">A time shows its place in the traces.</p>\n'
        '<div class="scroll tall" role="region" tabindex="0" aria-labelledby="engagements"><table class="engagements">'
        '<thead><tr><th scope="col">Time, s</th><th scope="col" class="words">Run</th><th scope="col" class="words">What</th>'
        '<th scope="col" class="words">Reason</th><th scope="col">Held, s</th></tr></thead>\n'
        f"<tbody>\n{''.join(rows)}</tbody></table></div></section>\n"
    )


def _marker_order(page: Page) -> list[int]:
    return sorted(range(len(page.markers)), key=lambda index: (page.markers[index].time_s, page.markers[index].run, index))


_KEYS: Final = (
    ("+ −", "zoom"),
    ("← →", "earlier, later"),
    ("0", "whole run"),
    (", .", "crosshair by a sample (with Shift: by a hundred)"),
    ("p n", "previous, next engagement"),
    ("1 2 3 …", "show or hide a run"),
)


def _traces_html(page: Page, styles: Sequence[RunStyle]) -> str:
    if not page.runs or not page.channels:
        return ""
    panels: dict[str, list[str]] = {}
    for index, strip in enumerate(_strips(page.channels)):
        panels.setdefault(strip.panel, []).append(_strip_html(index, strip, page, styles))
    keys = " ".join(f"<span><kbd>{escaped(key)}</kbd> {escaped(text)}</span>" for key, text in _KEYS)
    body = "".join(f'<section class="panel"><h3>{escaped(panel)}</h3>\n{"".join(strips)}</section>\n' for panel, strips in panels.items())
    return (
        '<section aria-labelledby="traces-title"><h2 id="traces-title">Traces</h2>\n'
        f'<p class="keys no-print" id="keys-help">Drag across a strip to zoom, double-click for the whole run. Keys, once the '
        f"traces have the focus (Tab or click): {keys}</p>\n"
        '<noscript><p class="trouble">The traces are drawn by the script in this file; scripts are switched off here.</p></noscript>\n'
        '<p class="trouble" id="trouble" role="alert" hidden></p>\n'
        '<div id="traces" tabindex="0" role="group" aria-labelledby="traces-title" aria-describedby="keys-help">\n'
        f"{_toolbar_html(page, styles)}{_lanes_html(page, styles)}{body}</div></section>\n"
    )


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
        note="A trace in this file is right to half the step shown. Verdicts and tables come from the unrounded values.",
    )
    return f'<details class="no-print"><summary>Resolution of the traces</summary>\n{table_html(table)}</details>\n'


def _data(page: Page, packed: Sequence[dict[str, Packed]], styles: Sequence[RunStyle], base: tuple[float, float]) -> dict[str, Any]:
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
        "strips": [strip.channels for strip in _strips(page.channels)],
        "markers": [
            {"run": marker.run, "time_s": marker.time_s, "kind": marker.kind, "text": marker.text} for marker in page.markers
        ],
        "marker_order": _marker_order(page),
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
        f"{verdict_html(page.verdict)}{cautions_html(page.cautions)}{tables}{_traces_html(page, styles)}"
        f"{_engagements_html(page, styles)}{settings_html(page.settings)}{_resolution_html(page, packed, base[1])}</main>\n"
        f"{embed(_data(page, packed, styles, base))}\n"
    )
    drawn = bool(page.runs and page.channels)
    sheets = ["paper.css", "report.css"]
    return document(
        page.title,
        body,
        styles=[asset("vendor/uPlot.min.css"), *(asset(name) for name in sheets)] if drawn else [asset(name) for name in sheets],
        scripts=[asset("sharp.js"), _chart_library(), asset("report.js")] if drawn else [],
    )


def write(path: Path, page: Page) -> None:
    """Write the report to `path`, whole or not at all. Raises `UserError` where the place cannot be written."""
    text = render(page)
    part: str | None = None
    try:
        handle, part = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
        with os.fdopen(handle, "w", encoding="utf-8", errors="replace", newline="\n") as stream:
            stream.write(text)
        os.chmod(part, 0o644)  # a temporary file is private; a report is made to be passed on
        os.replace(part, path)
    except OSError as error:
        if part is not None:
            Path(part).unlink(missing_ok=True)
        reason = error.strerror or str(error)
        raise UserError(f"{path}: the report cannot be written ({reason}); name a folder that exists and may be written") from error


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
