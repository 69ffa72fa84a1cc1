"""Every engagement of a recording: where it began, when the slip was gone, when it ended, and what it did."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from bench.figures import is_hunting
from bench.logs.clutch import IN, OUT, SLIPPING, UNKNOWN, Clutch
from bench.logs.edges import BACK_S, COARSEST_S, Slip, comes_out, goes_in, is_gone, plainly_out, slips_before
from bench.logs.gears import Gears
from bench.logs.grid import Grid
from bench.logs.moments import NOISE, Moment, Weighed, alike, moment_of
from bench.logs.source import Array

LEAST_S = 0.3
"""A hold shorter than this is not told from a slip that passes through nothing."""

BRIDGED_S = 0.25
"""Evidence that fails for less than this does not end a hold."""

FOLLOWS_S = 0.5
"""A flag that falls so shortly before the slip comes back is what ended the hold."""

JUST_BEFORE_S = 0.1
"""Gear, brake and switch are looked at from so long before a hold's end."""

SHIFT_BEFORE_S, SHIFT_AFTER_S = 0.4, 0.1
"""A change of gear so near to a moment bends the slip there."""

NO_SLIP, GAP, DROP_OUT, SHIFT = "no slip in or out", "gap", "drop-out", "shift"
"""What keeps a moment from being told to a sample, besides `NOISE`: an open converter would not slip either; nothing
was recorded; a reading is missing right there; gears change."""

SILENT = (NO_SLIP, GAP)
"""With these nothing is seen of the moment itself."""

BEFORE_S = 0.5
"""The engine's speed before an engagement is taken this long before the slip begins to go."""


@dataclass(frozen=True)
class LogEngagement:
    """One engagement. Its moments are None where it was in already, or still is, at an end of the recording.

    Its moments are the recorded command's where there is one, else the slip's as `bench.logs.edges` defines them. Each
    says within what it lies, and what kept it from being told to one sample.

    `held` is when the slip was gone (None: never), `duration_s` how long that took, `drop_rpm` the engine speed it
    cost, `gap_s` the time since the last one ended, `sure` how sure the hold is (0 to 1).
    """

    start: Moment | None
    held: Moment | None
    end: Moment | None
    speed_kmh: float | None
    throttle_pct: float | None
    gear: int
    gear_out: int
    drop_rpm: float | None
    duration_s: float | None
    gap_s: float | None
    braked: bool
    switched: bool
    sure: float

    @property
    def start_s(self) -> float | None:
        """When it most likely goes in."""
        return None if self.start is None else self.start.at_s

    @property
    def held_s(self) -> float | None:
        """When its slip most likely is gone."""
        return None if self.held is None else self.held.at_s

    @property
    def end_s(self) -> float | None:
        """When it most likely comes out."""
        return None if self.end is None else self.end.at_s

    @property
    def moments(self) -> list[Moment]:
        """Those of its moments that the recording holds."""
        return [one for one in (self.start, self.held, self.end) if one is not None]


def engagements_of(grid: Grid, gears: Gears, clutch: Clutch) -> list[LogEngagement]:
    """Return the engagements in the order of time."""
    slip, engine_rpm = clutch.read, grid.get("engine_rpm")
    spans = _holds(clutch, grid.step_s)
    all_ends: list[Moment | None] = []
    sought: list[Moment | Weighed | None] = []
    earliest: list[int] = []
    for start, held, end, latest in spans:
        last_end = next((one for one in reversed(all_ends) if one is not None), None)
        earliest.append(0 if last_end is None else round(last_end.at_s / grid.step_s))
        sought.append(_begins(clutch, slip, start, held, earliest[-1]))
        all_ends.append(_ends(clutch, slip, held or start, end, latest))
    # A vehicle's clutch goes in alike from time to time.
    bent = [isinstance(one, Weighed) and _gear_changes(gears, slip, moment_of(one, grid.step_s)) for one in sought]
    shares = alike([one for one, is_bent in zip(sought, bent, strict=True) if isinstance(one, Weighed) and not is_bent])
    found: list[LogEngagement] = []
    for at, (start, held, end, _) in enumerate(spans):
        one = sought[at]
        begins = one
        if isinstance(one, Weighed):
            alone = goes_in(slip, start, held or start, earliest[at], is_bent=True) if bent[at] else None
            begins = moment_of(one, grid.step_s, shares) if alone is None else moment_of(alone, grid.step_s)
        ends = all_ends[at]
        last_end = next((one.end for one in reversed(found) if one.end is not None), None)
        gone = (
            None if held is None or (begins is None and held == start) else _gone(clutch, slip, held, earliest[at], end)
        )
        begins, gone, ends = (_with_reason(one, gears, slip) for one in (begins, gone, ends))
        if begins is not None and gone is not None and bent[at]:
            # The change of gear bends the slip until it is gone.
            begins = replace(begins, high_s=max(begins.high_s, gone.high_s), why=SHIFT)
        if begins is not None and begins.why not in SILENT:
            start = min(round(begins.at_s / grid.step_s), start)
        if ends is not None and ends.why not in SILENT:
            end = min(max(round(ends.at_s / grid.step_s), start + 1), len(clutch.state) - 1)
        # What made it come out was there a moment before; a gear that changes as it does is the next one.
        last = max(end - max(round(JUST_BEFORE_S / grid.step_s), 1), start)
        before = max(start - round(BEFORE_S / grid.step_s), 0)
        is_seen = begins is not None and begins.why not in SILENT and held is not None
        drop = engine_rpm[before] - engine_rpm[held] if is_seen else np.nan
        braked = bool(np.nanmax(grid.get("brake_on")[last : end + 2], initial=0.0) > 0.0) if ends else False
        switched = bool(np.ptp(_all_known(grid.get("band")[last : end + 2])) > 0.0) if ends else False
        found.append(LogEngagement(
            start=begins,
            held=gone,
            end=ends,
            speed_kmh=_known(grid.get("road_speed_kmh")[start]),
            throttle_pct=_known(grid.get("throttle_pct")[start]),
            gear=int(gears.gear[start]),
            gear_out=int(gears.gear[last]),
            drop_rpm=_known(drop),
            duration_s=gone.at_s - begins.at_s if is_seen and gone is not None and begins is not None else None,
            gap_s=begins.at_s - last_end.at_s if begins is not None and last_end is not None else None,
            braked=braked,
            switched=switched,
            sure=float(np.mean(clutch.sure[start:end])),
        ))  # fmt: skip
    return found


def hunts(engagements: list[LogEngagement]) -> bool:
    """Return whether the clutch hunts: out by itself and in again in the same gear; see `bench.figures`."""
    cycles = [
        later.start_s
        for earlier, later in pairwise(engagements)
        if earlier.end_s is not None and later.start_s is not None and not (earlier.braked or earlier.switched)
        and earlier.gear_out == later.gear
    ]  # fmt: skip
    return is_hunting(cycles)


def _holds(clutch: Clutch, step_s: float) -> list[tuple[int, int | None, int, int]]:
    """Return each hold: its first sample, its first without slip, the one after its last, and the next one's first."""
    engaged = (clutch.state == IN) | (clutch.state == SLIPPING)
    spans = _spans(engaged, step_s)
    found: list[tuple[int, int | None, int, int]] = []
    for at, (start, end) in enumerate(spans):
        inside = clutch.state[start:end] == IN
        if inside.sum() * step_s < LEAST_S and not (clutch.by != "slip" and len(inside) > 1):
            continue
        latest = spans[at + 1][0] if at + 1 < len(spans) else len(engaged)
        found.append((start, start + int(np.argmax(inside)) if inside.any() else None, end, latest))
    return found


def _spans(engaged: np.ndarray[tuple[int, ...], np.dtype[np.bool_]], step_s: float) -> list[tuple[int, int]]:
    edges = np.diff(np.concatenate(([False], engaged, [False])).astype(np.int8))
    starts, ends = np.flatnonzero(edges == 1).tolist(), np.flatnonzero(edges == -1).tolist()
    spans: list[tuple[int, int]] = []
    for start, end in zip(starts, ends, strict=True):
        if spans and (start - spans[-1][1]) * step_s < BRIDGED_S:
            spans[-1] = (spans[-1][0], end)
        else:
            spans.append((start, end))
    return spans


def _begins(clutch: Clutch, slip: Slip, start: int, held: int | None, earliest: int) -> Moment | Weighed | None:
    """Return when an engagement begins: by the flag's edge where it has one there, else by the slip."""
    told = start - 1
    while told >= 0 and clutch.state[told] == UNKNOWN:
        told -= 1
    if told < 0 or (told < start - 1 and clutch.state[told] != OUT):
        return None
    if told < start - 1:
        return _silent(clutch, slip, told, start)
    if clutch.flag is not None and _changes(clutch.flag, start - 1, start):
        return _by_flag(clutch, slip, start)
    seen = goes_in(slip, start, start if held is None else held, earliest) if slips_before(slip, start) else None
    return seen or _by_state(slip, start)


def _gone(clutch: Clutch, slip: Slip, held: int, earliest: int, end: int) -> Moment:
    """Return when the slip was gone."""
    if clutch.state[held - 1] == UNKNOWN:
        told = held - 1
        while told > 0 and clutch.state[told] == UNKNOWN:
            told -= 1
        return _silent(clutch, slip, told, held)
    return is_gone(slip, held, earliest, end) or _by_state(slip, held)


def _ends(clutch: Clutch, slip: Slip, held: int, end: int, latest: int) -> Moment | None:
    """Return when an engagement ends: by the flag's edge where it has one there, else by the slip."""
    told, count = end, len(clutch.state)
    while told < count and clutch.state[told] == UNKNOWN:
        told += 1
    if told == count or (told > end and clutch.state[told] != OUT):
        return None
    if told > end:
        # By its slip it is out when that is back, which may be a while after the clutch let go.
        return _silent(clutch, slip, end - 1, plainly_out(slip, told, latest))
    flag = clutch.flag
    if flag is not None:
        # The flag falls first; the slip that the state goes by follows.
        first = max(end - round(FOLLOWS_S / slip.step_s), held)
        falls = [at for at in range(end, first, -1) if _changes(flag, at - 1, at)]
        if falls:
            return _by_flag(clutch, slip, falls[0])
    return comes_out(slip, held, end, latest) or _by_state(slip, end)


def _by_flag(clutch: Clutch, slip: Slip, at: int) -> Moment:
    """Return the flag's edge at a sample: it was read then, and the other way one reading before."""
    at_s, step_s = float(slip.time_s[at]), slip.step_s
    if clutch.flag_s > 1.5 * step_s:
        return Moment(at_s, at_s - clutch.flag_s, at_s + step_s, f"the flag comes every {clutch.flag_s:.2g} s")
    return Moment(at_s, at_s - step_s, at_s + step_s)


def _by_state(slip: Slip, at: int) -> Moment:
    """Return the sample's own time."""
    at_s, step_s = float(slip.time_s[at]), slip.step_s
    if step_s > COARSEST_S:
        return Moment(at_s, at_s - step_s, at_s + step_s)
    return Moment(at_s, at_s - BACK_S, at_s + BACK_S, NOISE)


def _silent(clutch: Clutch, slip: Slip, last: int, first: int) -> Moment:
    """Return a moment anywhere between two told samples."""
    low_s, high_s = float(slip.time_s[last]), float(slip.time_s[first])
    at_s = 0.5 * (low_s + high_s)
    if high_s - low_s <= 2.0 * slip.step_s:
        return Moment(at_s, low_s, high_s)
    return Moment(at_s, low_s, high_s, NO_SLIP if clutch.untold[last + 1 : first].any() else GAP)


def _with_reason(one: Moment | None, gears: Gears, slip: Slip) -> Moment | None:
    """Return a moment that noise hides with a better reason, where a reading is missing or gears change about it."""
    if one is None or one.why != NOISE:
        return one
    first, last = (round(at_s / slip.step_s) for at_s in (one.low_s, one.high_s))
    if np.isnan(slip.rpm[max(first, 0) : last + 1]).any():
        return replace(one, why=DROP_OUT)
    return replace(one, why=SHIFT) if _gear_changes(gears, slip, one) else one


def _gear_changes(gears: Gears, slip: Slip, one: Moment) -> bool:
    """Tell whether gears change about a moment."""
    first, last = (round(at_s / slip.step_s) for at_s in (one.low_s - SHIFT_BEFORE_S, one.high_s + SHIFT_AFTER_S))
    around = gears.gear[max(first, 0) : last + 1]
    return bool(around.size and np.ptp(around) > 0)


def _changes(flag: Array, before: int, at: int) -> bool:
    return at < len(flag) and bool(flag[before] > 0.0) != bool(flag[at] > 0.0)


def _all_known(values: Array) -> Array:
    known = values[~np.isnan(values)]
    return known if known.size else np.zeros(1)


def _known(value: float) -> float | None:
    return None if np.isnan(value) else float(value)
