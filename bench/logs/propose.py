"""Proposing a map: which channel is which quantity, by its name, its unit and its values."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from bench.logs.map_file import ChannelTable, LogMap, RunTable, TimeTable, TimeUnit
from bench.logs.quantities import QUANTITIES, Quantity, unit_of
from bench.logs.source import Array, Channel
from controller.errors import UserError

if TYPE_CHECKING:
    from bench.logs.csv_source import CsvSource
    from bench.logs.source import Source

_TIME = re.compile(r"^(time|timestamps?|t|elapsed|seconds|zeit|date|datetime)\b")
_CLOCK = re.compile(r"\d{1,2}:\d{2}:\d{2}")
_DATE = re.compile(r"\d{4}-\d{2}-\d{2}[T ]\d{2}:\d{2}")
_UNIT_WORDS = {
    "kmh": "km/h", "kph": "km/h", "mph": "mph", "rpm": "rpm", "pct": "%", "permille": "permille", "c": "°C", "f": "°F",
    "k": "K", "nm": "N·m", "degc": "°C", "degf": "°F",
}  # fmt: skip
HOTTER_THAN_C = 150.0
"""A temperature without a unit that goes over this is taken as °F."""


def propose(source: Source, title: str) -> LogMap:
    """Return the map that a recording seems to need. Raises `UserError` where none can be made."""
    channels = source.channels()
    time = _time_table(source.path, channels) if source.kind == "csv" else None
    taken: set[str] = {time.channel} if time else set()
    signals: dict[str, ChannelTable] = {}
    for quantity in QUANTITIES:
        best = _best(quantity, [one for one in channels if one.name not in taken and one.values.size])
        if best is None:
            continue
        unit = _unit(best, quantity)
        if unit is None:
            continue
        taken.add(best.name)
        on = _on_value(best, source.kind) if quantity.kind == "flag" else None
        signals[quantity.name] = ChannelTable(channel=best.name, unit=unit, on=on)
    if not signals:
        names = ", ".join(one.name for one in channels[:12])
        raise UserError(f"{source.path}: none of its channels is recognised ({names}); write a map by hand")
    given = LogMap(title=title, kind=source.kind, time=time, signal=signals)  # type: ignore[arg-type]  # a kind is one
    updates: dict[str, object] = {}
    if source.kind == "can":
        dbc = getattr(source, "dbc", None)
        updates = {"dbc": dbc, "identifiers": getattr(source, "identifiers", "exact") if dbc else "exact"}
    if source.kind == "csv":
        layout = _csv(source).layout
        updates = {"text": layout.text, "run": _run_table(channels)}
    return given.model_copy(update=updates)


def _csv(source: Source) -> CsvSource:
    from bench.logs.csv_source import CsvSource

    assert isinstance(source, CsvSource)  # its kind says so
    return source


def plain_name(name: str) -> str:
    """Return a channel's name in lower-case words: no brackets, no message before it, camel case taken apart."""
    words = re.sub(r"[\[(].*?[\])]", " ", name.rpartition(".")[2] or name)
    words = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", words)
    return " ".join(re.split(r"[^a-z0-9·]+", words.lower())).strip()


def _best(quantity: Quantity, channels: Sequence[Channel]) -> Channel | None:
    ranked = []
    for at, one in enumerate(channels):
        name = plain_name(one.name)
        if re.search(quantity.never, name) or np.isnan(one.values).all():
            continue
        for rank, word in enumerate(quantity.words):
            if re.search(word, name):
                ranked.append((rank, at))
                break
    return channels[min(ranked)[1]] if ranked else None


def _unit(channel: Channel, quantity: Quantity) -> str | None:
    """Return the unit by what the file says, else by its values; None where neither tells."""
    if quantity.kind in ("flag", "count"):
        return ""
    if channel.unit:
        return unit_of(channel.unit, quantity.kind)
    bracket = re.search(r"[\[(]([^\])]*)[\])]\s*$", channel.name)
    if bracket and bracket[1].strip():
        told = unit_of(bracket[1], quantity.kind)
        if told:
            return told
    for word in reversed(plain_name(channel.name).split()):
        told = _UNIT_WORDS.get(word)
        if told and unit_of(told, quantity.kind):
            return told
    return _by_values(channel.values[~np.isnan(channel.values)], quantity)


def _by_values(values: Array, quantity: Quantity) -> str | None:
    top = float(np.percentile(values, 99)) if values.size else 0.0
    if quantity.kind == "heat":
        return "°F" if top > HOTTER_THAN_C else "°C"
    if quantity.kind in ("share", "grade"):
        if quantity.kind == "share" and 0.0 < top <= 1.0 and np.any((values > 0.0) & (values < 1.0)):
            return "share"
        return "permille" if top > 110.0 else "%"
    if quantity.kind == "shaft":
        return "rpm"
    # Torque is logged in per cent as often as in N·m; no value tells which.
    return "km/h" if quantity.kind == "speed" else None


def _on_value(channel: Channel, kind: str) -> float:
    """Return the value of a flag that means yes: what the name says, else 1, else the greater of two."""
    told = re.search(r"\bON\W{0,3}(\d+)", channel.name) or re.search(r"(\d+)\s*=\s*ON\b", channel.name, re.I)
    if told:
        return float(told[1])
    seen = np.unique(channel.values[~np.isnan(channel.values)])
    if kind == "can" or not seen.size or set(seen.tolist()) <= {0.0, 1.0}:
        return 1.0
    return float(seen[-1])


def _time_table(path: str, channels: Sequence[Channel]) -> TimeTable:
    for one in channels:
        cells = [cell for cell in one.texts[:50] if cell]
        if not cells:
            continue
        if all(_CLOCK.match(cell.strip('"')) for cell in cells):
            return TimeTable(channel=one.name, unit="clock")
        if all(_DATE.match(cell.strip('"')) for cell in cells):
            return TimeTable(channel=one.name, unit="date")
    for one in channels:
        if _TIME.search(plain_name(one.name)) and not np.isnan(one.values).all():
            return TimeTable(channel=one.name, unit=_time_unit(one))
    names = ", ".join(one.name for one in channels[:12])
    raise UserError(f"{path}: no time column among {names}; a recording needs one, in s, ms, hh:mm:ss or ISO 8601")


def _time_unit(channel: Channel) -> TimeUnit:
    words = channel.name.lower()
    for pattern, unit in ((r"\bms\b|_ms\b|millis", "ms"), (r"\bus\b|µs|_us\b|micros", "us"), (r"\bmin\b|minute", "min"),
                          (r"[\[(_ ]s(ec\w*)?[\])]?$", "s")):  # fmt: skip
        if re.search(pattern, words):
            return unit  # type: ignore[return-value]  # the table's own words
    known = channel.values[~np.isnan(channel.values)]
    if known.size > 2:
        # Seconds since 1970 have ten digits, a thousand times that is ms.
        if known[0] > 1e14:
            return "us"
        step = float(np.median(np.diff(known)))
        whole = bool(np.all(known == np.rint(known)))
        if known[0] > 1e11 or (whole and step >= 5.0):
            return "ms"
    return "s"


def _run_table(channels: Sequence[Channel]) -> RunTable | None:
    """A file of several runs, such as our own traces.csv, names them in a column `run`."""
    for one in channels:
        if plain_name(one.name) == "run" and one.texts and np.isnan(one.values).all():
            return RunTable(channel=one.name, name=one.texts[0])
    return None
