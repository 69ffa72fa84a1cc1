"""Putting readings together: into our units, in the order of time, in bounded memory; what is left out is counted."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field

import numpy as np

from bench.logs.findings import LogFinding, times
from bench.logs.map_file import ChannelTable, LogMap
from bench.logs.quantities import BY_NAME, UNITS, Quantity
from bench.logs.source import Array, Chunk

MOST_READINGS = 750_000
"""More readings of a quantity than twice this are thinned to one an interval, so that memory stays bounded."""

CONFIRM_S = 0.5
"""Where rows repeat old values, an unchanged one is kept this often."""

NDArrayBool = np.ndarray[tuple[int, ...], np.dtype[np.bool_]]


@dataclass(frozen=True)
class Readings:
    """The sound readings of one quantity, in our unit, times rising. `period_s` is the usual time between two."""

    time_s: Array
    value: Array
    period_s: float


@dataclass
class _Series:
    quantity: Quantity
    times: list[Array] = field(default_factory=list)
    values: list[Array] = field(default_factory=list)
    count: int = 0
    last_s: float = -np.inf
    last_value: float = np.nan
    last_bin: float = -1.0
    thin_s: float = 0.0
    outside: int = 0
    worst: float = 0.0
    late: int = 0
    changed: list[NDArrayBool] = field(default_factory=list)


class Collector:
    """Takes chunks as they come; `finish` gives the readings and what was left out."""

    def __init__(self, log_map: LogMap) -> None:
        self._map = log_map
        self._series: dict[tuple[str, str], _Series] = {}

    def add(self, chunk: Chunk) -> None:
        """Add the readings of a chunk."""
        quantity = BY_NAME[chunk.quantity]
        series = self._series.setdefault((chunk.quantity, chunk.sender), _Series(quantity))
        time_s, value = chunk.time_s, _in_our_unit(chunk.value, self._map.signal[chunk.quantity], quantity)
        known = ~(np.isnan(value) | np.isnan(time_s))
        time_s, value = time_s[known], value[known]
        if not value.size:
            return
        is_sound = (value >= quantity.low) & (value <= quantity.high)
        if not is_sound.all():
            series.outside += int((~is_sound).sum())
            wild = value[~is_sound]
            series.worst = float(wild[np.argmax(np.abs(wild))]) if not series.worst else series.worst
            time_s, value = time_s[is_sound], value[is_sound]
        before = np.maximum.accumulate(np.concatenate(([series.last_s], time_s)))[:-1]
        rising = time_s > before
        series.late += int((~rising).sum())
        time_s, value = time_s[rising], value[rising]
        if not value.size:
            return
        series.last_s = float(time_s[-1])
        if self._map.text.repeats:
            time_s, value, changed = _confirmed(series, time_s, value)
            series.changed.append(changed)
        elif series.thin_s:
            time_s, value = _thinned(series, time_s, value)
        if not value.size:
            return
        series.times.append(time_s)
        series.values.append(value.astype(np.float32))
        series.count += len(value)
        if series.count > 2 * MOST_READINGS and not self._map.text.repeats:
            _thin(series)

    def finish(self) -> tuple[dict[str, Readings], list[LogFinding], float]:
        """Return readings by quantity, findings, and the interval to which readings were thinned (0: not)."""
        by_name: dict[str, list[tuple[str, _Series]]] = defaultdict(list)
        for (name, sender), series in self._series.items():
            by_name[name].append((sender, series))
        readings: dict[str, Readings] = {}
        findings: list[LogFinding] = []
        thin_s = 0.0
        poll_s = min((_poll_s(one) for one in self._series.values() if one.changed), default=0.0)
        for name, senders in by_name.items():
            sender, series = max(senders, key=lambda item: item[1].count)
            if series.outside:
                findings.append(_outside(name, series))
            if series.late:
                findings.append(LogFinding("same_time", "note", f"{name}: {times(series.late, 'reading')} not later "
                                           "than the one before; left out"))  # fmt: skip
            if not series.count:
                continue
            others = [other for other, one in senders if one is not series and one.count]
            if others:
                findings.append(LogFinding("senders", "note", f"{name}: sent by {sender} and {', '.join(others)}; "
                                           f"read from {sender}, which sends most"))  # fmt: skip
            readings[name] = _joined(series, poll_s)
            thin_s = max(thin_s, series.thin_s)
        if thin_s:
            findings.append(LogFinding("thinned", "note", f"a long recording: one reading each {thin_s * 1000:.0f} ms "
                                       "is kept of each quantity"))  # fmt: skip
        return readings, findings, thin_s


def _in_our_unit(value: Array, channel: ChannelTable, quantity: Quantity) -> Array:
    if quantity.kind == "flag":
        on = 1.0 if channel.on is None else channel.on
        return np.where(np.isnan(value), np.nan, (value == on).astype(np.float64))
    scale, offset = UNITS[quantity.kind][channel.unit]
    return value * (scale * channel.factor) + offset


def _outside(name: str, series: _Series) -> LogFinding:
    quantity = series.quantity
    share = series.outside / max(series.outside + series.count, 1)
    hint = ""
    if share > 0.2 and quantity.kind == "heat":
        hint = "; is it in °F?"
    return LogFinding("range", "bad" if share > 0.2 else "note",
                      f"{name}: {times(series.outside, 'reading')} outside {quantity.low:g} to {quantity.high:g} "
                      f"{quantity.unit}".rstrip() + f", such as {series.worst:g}; left out{hint}")  # fmt: skip


def _thinned(series: _Series, time_s: Array, value: Array) -> tuple[Array, Array]:
    bins = np.floor(time_s / series.thin_s)
    is_first = np.diff(bins, prepend=series.last_bin) != 0.0
    series.last_bin = float(bins[-1])
    return time_s[is_first], value[is_first]


def _thin(series: _Series) -> None:
    time_s, value = np.concatenate(series.times), np.concatenate(series.values)
    interval_s = float(time_s[-1] - time_s[0]) / MOST_READINGS
    series.thin_s = max(2.0 * series.thin_s, round(interval_s + 0.005, 2))
    series.last_bin = -1.0
    time_s, value = _thinned(series, time_s, value)
    series.times, series.values, series.count = [time_s], [value], len(value)


def _confirmed(series: _Series, time_s: Array, value: Array) -> tuple[Array, Array, NDArrayBool]:
    """Of rows that repeat what was not polled, keep each change, and one unchanged row each `CONFIRM_S`."""
    changed = np.diff(value, prepend=series.last_value) != 0.0
    bins = np.floor(time_s / CONFIRM_S)
    keep = changed | (np.diff(bins, prepend=series.last_bin) != 0.0)
    series.last_value, series.last_bin = float(value[-1]), float(bins[-1])
    return time_s[keep], value[keep], changed[keep]


def _poll_s(series: _Series) -> float:
    """Return how long a quantity that is polled in turn seems to wait for its turn, from its quickest changes."""
    at_change = np.concatenate(series.times)[np.concatenate(series.changed)]
    steps = np.diff(at_change)
    return max(float(np.percentile(steps, 10)), CONFIRM_S) if steps.size > 5 else np.inf


def _joined(series: _Series, poll_s: float) -> Readings:
    time_s = np.concatenate(series.times)
    value = np.concatenate(series.values).astype(np.float64)
    series.times, series.values = [], []
    if not series.changed:
        return Readings(time_s, value, _usual_step(time_s))
    # An unchanged row may be one poll old: just before a change it says nothing of its own time.
    changed = np.concatenate(series.changed)
    at_change = time_s[changed]
    period_s = poll_s if np.isfinite(poll_s) else 1.0
    following = np.append(at_change, np.inf)[np.searchsorted(at_change, time_s, side="right")]
    keep = changed | (following - time_s >= period_s)
    return Readings(time_s[keep], value[keep], period_s)


def _usual_step(time_s: Array) -> float:
    return float(np.median(np.diff(time_s))) if len(time_s) > 1 else 1.0
