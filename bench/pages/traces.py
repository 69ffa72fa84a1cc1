"""The HTML of the traces: toolbar, legend, lanes of engagements, strips with their summaries, table of markers.

The script of the page draws into it; without the script the summaries and the table still say what happened.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from bench.pages.markup import escaped
from bench.pages.page import Channel, Page, Run
from bench.pages.run_style import RunStyle, sample_svg

_WHAT: Final = {"in": "clutch in", "out": "clutch out", "event": "event"}


@dataclass(frozen=True)
class Strip:
    """One drawing area: the channels (by index) of one panel that share a unit."""

    panel: str
    unit: str
    channels: list[int]


def strips_of(channels: Sequence[Channel]) -> list[Strip]:
    """Strips in the order in which their panels first appear; named channels stand alone."""
    by_panel: dict[str, dict[str, Strip]] = {}
    for index, channel in enumerate(channels):
        strips = by_panel.setdefault(channel.panel, {})
        group = f"named {index}" if channel.names is not None else f"unit {channel.unit}"
        strips.setdefault(group, Strip(channel.panel, channel.unit, [])).channels.append(index)
    return [strip for strips in by_panel.values() for strip in strips.values()]


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


def _strip_html(index: int, strip: Strip, page: Page, styles: Sequence[RunStyle]) -> str:
    channels = [page.channels[channel] for channel in strip.channels]
    summary = " ".join(
        _summary(channel, run, style.letter)
        for channel in channels
        for run, style in zip(page.runs, styles, strict=True)
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
        f'<div class="toolbar">{_legend_html(page, styles)}\n'
        f'<div class="buttons" role="group" aria-label="View">{buttons}</div>\n'
        '<p class="readout"><span id="cross" aria-live="polite"></span> <span id="span"></span></p></div>\n'
    )


def _lanes_html(page: Page, styles: Sequence[RunStyle]) -> str:
    if not page.markers:
        return ""
    lanes = "".join(
        f'<div class="lane" data-run="{index}"><span class="lane-name">{style.letter}</span>'
        '<div class="lane-track"></div></div>\n'
        for index, style in enumerate(styles)
    )
    return (
        '<div class="strip lanes-strip"><div class="strip-head"><h3>Engagements</h3>'
        '<p class="aside">▲ clutch in, ▽ clutch out, ◆ event; the bar is the time held</p></div>\n'
        f'<div class="lanes" role="group" aria-label="Engagements on the time axis">\n{lanes}</div></div>\n'
    )


def engagements_html(page: Page, styles: Sequence[RunStyle]) -> str:
    """Every marker in the order of time, with the seconds that each hold lasted."""
    if not page.markers:
        return ""
    held_since: dict[int, float] = {}
    rows: list[str] = []
    for index in marker_order(page):
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
            f'<td class="words">{_WHAT[marker.kind]}</td><td class="words">{escaped(marker.text)}</td>'
            f"<td>{held}</td></tr>\n"
        )
    return (
        '<section aria-labelledby="engagements"><h2 id="engagements">Engagements and their reasons</h2>\n'
        '<p class="aside no-print">A time shows its place in the traces.</p>\n'
        '<div class="scroll tall" role="region" tabindex="0" aria-labelledby="engagements"><table class="engagements">'
        '<thead><tr><th scope="col">Time, s</th><th scope="col" class="words">Run</th>'
        '<th scope="col" class="words">What</th>'
        '<th scope="col" class="words">Reason</th><th scope="col">Held, s</th></tr></thead>\n'
        f"<tbody>\n{''.join(rows)}</tbody></table></div></section>\n"
    )


def marker_order(page: Page) -> list[int]:
    """Indices of the page's markers in the order of time; at the same time in the order of the runs."""
    return sorted(
        range(len(page.markers)), key=lambda index: (page.markers[index].time_s, page.markers[index].run, index)
    )


_KEYS: Final = (
    ("+ −", "zoom"),
    ("← →", "earlier, later"),
    ("0", "whole run"),
    (", .", "crosshair by a sample (with Shift: by a hundred)"),
    ("p n", "previous, next engagement"),
    ("1 2 3 …", "show or hide a run"),
)


def traces_html(page: Page, styles: Sequence[RunStyle]) -> str:
    """The section that the page's script draws into; empty where there is nothing to draw."""
    if not page.runs or not page.channels:
        return ""
    panels: dict[str, list[str]] = {}
    for index, strip in enumerate(strips_of(page.channels)):
        panels.setdefault(strip.panel, []).append(_strip_html(index, strip, page, styles))
    keys = " ".join(f"<span><kbd>{escaped(key)}</kbd> {escaped(text)}</span>" for key, text in _KEYS)
    body = "".join(
        f'<section class="panel"><h3>{escaped(panel)}</h3>\n{"".join(strips)}</section>\n'
        for panel, strips in panels.items()
    )
    return (
        '<section aria-labelledby="traces-title"><h2 id="traces-title">Traces</h2>\n'
        f'<p class="keys no-print" id="keys-help">Drag across a strip to zoom, double-click for the whole '
        f"run. Keys, once the traces have the focus (Tab or click): {keys}</p>\n"
        '<noscript><p class="trouble">The traces are drawn by the script in this file; scripts are off here.</p>'
        "</noscript>\n"
        '<p class="trouble" id="trouble" role="alert" hidden></p>\n'
        '<div id="traces" tabindex="0" role="group" aria-labelledby="traces-title" aria-describedby="keys-help">\n'
        f"{_toolbar_html(page, styles)}{_lanes_html(page, styles)}{body}</div></section>\n"
    )
