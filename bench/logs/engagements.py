"""Every engagement of a recording: where it began, when the slip was gone, when it ended, and what it did."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from bench.figures import is_hunting
from bench.logs.clutch import IN, SLIPPING, UNKNOWN, Clutch
from bench.logs.edges import begins_s, ends_s
from bench.logs.gears import Gears
from bench.logs.grid import Grid
from bench.logs.source import Array

LEAST_S = 0.3
"""A hold shorter than this is not told from a slip that passes through nothing."""

BRIDGED_S = 0.25
"""Evidence that fails for less than this does not end a hold."""

FOLLOWS_S = 0.5
"""A flag that falls so shortly before the slip comes back is what ended the hold."""

JUST_BEFORE_S = 0.1
"""Gear, brake and switch are looked at from so long before a hold's end."""

BEFORE_S = 0.5
"""The engine's speed before an engagement is taken this long before the slip begins to go."""


@dataclass(frozen=True)
class LogEngagement:
    """One engagement. Times in s of the recording; None where it was in already, or still is, at an end of it.

    Its moments are the recorded command's where there is one, else the slip's as `bench.logs.edges` defines them.

    `held_s` is when the slip was gone (None: never), `duration_s` how long that took, `drop_rpm` the engine speed it
    cost, `gap_s` the time since the last one ended, `sure` how sure the hold is (0 to 1).
    """

    start_s: float | None
    held_s: float | None
    end_s: float | None
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


def engagements_of(grid: Grid, gears: Gears, clutch: Clutch) -> list[LogEngagement]:
    """Return the engagements in the order of time."""
    engaged = (clutch.state == IN) | (clutch.state == SLIPPING)
    spans = _spans(engaged, grid.step_s)
    found: list[LogEngagement] = []
    engine_rpm = grid.get("engine_rpm")
    for at, (start, end) in enumerate(spans):
        latest = spans[at + 1][0] if at + 1 < len(spans) else len(engaged)
        inside = clutch.state[start:end]
        if (inside == IN).sum() * grid.step_s < LEAST_S and not (clutch.by != "slip" and len(inside) > 1):
            continue
        held = start + int(np.argmax(inside == IN)) if (inside == IN).any() else None
        begins = start > 0 and clutch.state[start - 1] != UNKNOWN
        ends = end < len(engaged) and clutch.state[end] != UNKNOWN
        start_s, end_s = _moments(grid, clutch, (start, held or start, end, latest), found)
        if begins:
            start = min(round(start_s / grid.step_s), start)
        if ends:
            end = min(max(round(end_s / grid.step_s), start + 1), len(engaged) - 1)
        # What made it come out was there a moment before; a gear that changes as it does is the next one.
        last = max(end - max(round(JUST_BEFORE_S / grid.step_s), 1), start)
        before = max(start - round(BEFORE_S / grid.step_s), 0)
        drop = engine_rpm[before] - engine_rpm[held] if begins and held is not None else np.nan
        last_end_s = next((one.end_s for one in reversed(found)), None)
        braked = bool(np.nanmax(grid.get("brake_on")[last : end + 2], initial=0.0) > 0.0) if ends else False
        switched = bool(np.ptp(_all_known(grid.get("band")[last : end + 2])) > 0.0) if ends else False
        found.append(LogEngagement(
            start_s=start_s if begins else None,
            held_s=_time(grid, held) if held is not None and (begins or held > start) else None,
            end_s=end_s if ends else None,
            speed_kmh=_known(grid.get("road_speed_kmh")[start]),
            throttle_pct=_known(grid.get("throttle_pct")[start]),
            gear=int(gears.gear[start]),
            gear_out=int(gears.gear[last]),
            drop_rpm=_known(drop),
            duration_s=_time(grid, held) - start_s if begins and held is not None else None,
            gap_s=start_s - last_end_s if begins and last_end_s is not None else None,
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


def _moments(
    grid: Grid, clutch: Clutch, samples: tuple[int, int, int, int], before: list[LogEngagement]
) -> tuple[float, float]:
    """Return when an engagement begins and ends: by the flag's edges where it has them there, else by the slip.

    `samples` are its first, the first held, the one after its last, and the first of the next one.
    """
    start, held, end, latest = samples
    start_s, end_s = _time(grid, start), _time(grid, min(end, len(grid.time_s) - 1))
    earliest = round(before[-1].end_s / grid.step_s) if before and before[-1].end_s is not None else 0
    flag = clutch.flag
    if flag is None or not _changes(flag, max(start - 1, 0), start):
        start_s = begins_s(grid.time_s, clutch.slip_rpm, start, held, earliest, clutch.noise_rpm) or start_s
    if flag is not None and _changes(flag, end - 1, end):
        return start_s, end_s
    if flag is not None:
        # The flag falls first; the slip that the state goes by follows.
        falls = [at for at in range(end - 1, max(end - round(FOLLOWS_S / grid.step_s), held), -1)
                 if at < len(flag) and _changes(flag, at - 1, at)]  # fmt: skip
        if falls:
            return start_s, _time(grid, falls[0])
    return start_s, ends_s(grid.time_s, clutch.slip_rpm, held, end, latest, clutch.noise_rpm) or end_s


def _changes(flag: Array, before: int, at: int) -> bool:
    return at < len(flag) and bool(flag[before] > 0.0) != bool(flag[at] > 0.0)


def _time(grid: Grid, at: int) -> float:
    return float(grid.time_s[at])


def _all_known(values: Array) -> Array:
    known = values[~np.isnan(values)]
    return known if known.size else np.zeros(1)


def _known(value: float) -> float | None:
    return None if np.isnan(value) else float(value)
