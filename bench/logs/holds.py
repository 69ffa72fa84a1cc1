"""The stretches in which the clutch is in, and the three moments of each: by the recorded command, else by the slip."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from bench.logs.clutch import IN, OUT, SLIPPING, UNKNOWN, Clutch
from bench.logs.edges import BACK_S, COARSEST_S, Slip, comes_out, goes_in, is_gone, plainly_out, slips_before
from bench.logs.gears import Gears
from bench.logs.moments import NOISE, Moment, Weighed, alike, moment_of
from bench.logs.source import Array

LEAST_S = 0.3
"""A hold shorter than this is not told from a slip that passes through nothing."""

BRIDGED_S = 0.25
"""Evidence that fails for less than this does not end a hold."""

FOLLOWS_S = 0.5
"""A flag that falls so shortly before the slip comes back is what ended the hold."""

SHIFT_BEFORE_S, SHIFT_AFTER_S = 0.4, 0.1
"""A change of gear so near to a moment bends the slip there."""

NO_SLIP, GAP, DROP_OUT, SHIFT, WORKED_OUT = "no slip in or out", "gap", "drop-out", "shift", "no turbine speed"
SELDOM = "seldom read"
"""What keeps a moment from being told to a sample, besides `NOISE`: an open converter would not slip either; nothing
was recorded; a reading is missing right there; gears change; the slip is worked out from road speed and gear; samples
are so far apart that a clutch goes in or out between two of them."""

WORKED_OUT_S = 0.25
"""A slip that is worked out comes back in the steps of the speed sensor and with the error of the gearing."""

SILENT = (NO_SLIP, GAP)
"""With these nothing is seen of the moment itself."""


@dataclass(frozen=True)
class Hold:
    """Samples: its first, its first without slip (None: none), the one after its last, and the next hold's first."""

    start: int
    held: int | None
    end: int
    latest: int


class HoldMoments(NamedTuple):
    """When it goes in, when its slip is gone, and when it comes out; None where the recording does not hold that."""

    begins: Moment | None
    gone: Moment | None
    ends: Moment | None


def holds_of(clutch: Clutch, step_s: float) -> list[Hold]:
    """Return the holds in the order of time."""
    engaged = (clutch.state == IN) | (clutch.state == SLIPPING)
    spans = _spans(engaged, step_s)
    found = []
    for at, (start, end) in enumerate(spans):
        inside = clutch.state[start:end] == IN
        if inside.sum() * step_s < LEAST_S and not (clutch.by != "slip" and len(inside) > 1):
            continue
        latest = spans[at + 1][0] if at + 1 < len(spans) else len(engaged)
        found.append(Hold(start, start + int(np.argmax(inside)) if inside.any() else None, end, latest))
    return found


def moments_of(clutch: Clutch, gears: Gears, holds: list[Hold]) -> list[HoldMoments]:
    """Return the moments of each hold. How the slip goes is learnt from all: one vehicle's clutch goes in alike."""
    slip = clutch.read
    sought: list[tuple[Moment | Weighed | None, int, bool]] = []
    ends: list[Moment | None] = []
    for hold in holds:
        earliest = next((round(one.at_s / slip.step_s) for one in reversed(ends) if one is not None), 0)
        begins = _begins(clutch, hold, earliest)
        is_bent = isinstance(begins, Weighed) and _gear_changes(gears, slip, moment_of(begins, slip.step_s))
        sought.append((begins, earliest, is_bent))
        ends.append(_ends(clutch, hold))
    shares = alike([begins for begins, _, is_bent in sought if isinstance(begins, Weighed) and not is_bent])
    found = []
    for hold, (begins, earliest, is_bent), out in zip(holds, sought, ends, strict=True):
        if isinstance(begins, Weighed):
            alone = goes_in(slip, hold.start, hold.held or hold.start, earliest, is_bent=True) if is_bent else None
            begins = moment_of(begins, slip.step_s, shares) if alone is None else moment_of(alone, slip.step_s)
        gone = None
        if hold.held is not None and (begins is not None or hold.held > hold.start):
            gone = _gone(clutch, hold.held, earliest, hold.end)
        if begins is not None and gone is not None and is_bent:
            # The change of gear bends the slip until it is gone.
            begins = replace(begins, high_s=max(begins.high_s, gone.high_s), why=SHIFT)
        found.append(HoldMoments(*(_with_reason(one, gears, slip) for one in (begins, gone, out))))
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


def _begins(clutch: Clutch, hold: Hold, earliest: int) -> Moment | Weighed | None:
    """Return when an engagement begins: by the flag's edge where it has one there, else by the slip."""
    slip, start = clutch.read, hold.start
    told = _told_before(clutch, start)
    if told < 0 or (told < start - 1 and clutch.state[told] != OUT):
        return None
    if told < start - 1:
        return _silent(clutch, told, start)
    if clutch.flag is not None and _changes(clutch.flag, start - 1, start):
        return _by_flag(clutch, start)
    seen = goes_in(slip, start, hold.held or start, earliest) if slips_before(slip, start) else None
    return seen or _by_state(slip, start)


def _told_before(clutch: Clutch, at: int) -> int:
    """Return the last sample before another whose state is told, or −1."""
    at -= 1
    while at >= 0 and clutch.state[at] == UNKNOWN:
        at -= 1
    return at


def _gone(clutch: Clutch, held: int, earliest: int, end: int) -> Moment:
    """Return when the slip was gone."""
    if clutch.state[held - 1] == UNKNOWN:
        return _silent(clutch, max(_told_before(clutch, held), 0), held)
    return is_gone(clutch.read, held, earliest, end) or _by_state(clutch.read, held)


def _ends(clutch: Clutch, hold: Hold) -> Moment | None:
    """Return when an engagement ends: by the flag's edge where it has one there, else by the slip."""
    slip, held, end = clutch.read, hold.held or hold.start, hold.end
    told, count = end, len(clutch.state)
    while told < count and clutch.state[told] == UNKNOWN:
        told += 1
    if told == count or (told > end and clutch.state[told] != OUT):
        return None
    if told > end:
        # By its slip it is out when that is back, which may be a while after the clutch let go.
        return _silent(clutch, end - 1, plainly_out(slip, told, hold.latest))
    flag = clutch.flag
    if flag is not None:
        # The flag falls first; the slip that the state goes by follows.
        first = max(end - round(FOLLOWS_S / slip.step_s), held)
        falls = [at for at in range(end, first, -1) if _changes(flag, at - 1, at)]
        if falls:
            return _by_flag(clutch, falls[0])
    seen = comes_out(slip, held, end, hold.latest) or _by_state(slip, end)
    if slip.error_rpm[end] > 0.0 and seen.is_told:
        return Moment(seen.at_s, seen.at_s - WORKED_OUT_S, seen.at_s + WORKED_OUT_S, WORKED_OUT)
    return seen


def _by_flag(clutch: Clutch, at: int) -> Moment:
    """Return the flag's edge at a sample: it was read then, and the other way one reading before."""
    at_s, step_s = float(clutch.read.time_s[at]), clutch.read.step_s
    if clutch.flag_s > 1.5 * step_s:
        return Moment(at_s, at_s - clutch.flag_s, at_s + step_s, f"the flag comes every {clutch.flag_s:.2g} s")
    return Moment(at_s, at_s - step_s, at_s + step_s)


def _by_state(slip: Slip, at: int) -> Moment:
    """Return the sample's own time."""
    at_s, step_s = float(slip.time_s[at]), slip.step_s
    if step_s > COARSEST_S:
        # Before the first sample that shows it, and the one before that may have been too slight to show it.
        return Moment(at_s, at_s - 2.0 * step_s, at_s + step_s, SELDOM)
    return Moment(at_s, at_s - BACK_S, at_s + BACK_S, NOISE)


def _silent(clutch: Clutch, last: int, first: int) -> Moment:
    """Return a moment anywhere between two told samples."""
    low_s, high_s = float(clutch.read.time_s[last]), float(clutch.read.time_s[first])
    at_s = 0.5 * (low_s + high_s)
    if clutch.read.step_s <= COARSEST_S and first - last <= 2:
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
