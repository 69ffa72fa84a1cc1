"""Every engagement of a recording: where it began, when the slip was gone, when it ended, and what it did."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from bench.figures import is_hunting
from bench.logs.clutch import IN, SLIPPING, UNKNOWN, Clutch
from bench.logs.gears import Gears
from bench.logs.grid import Grid

LEAST_S = 0.3
"""A hold shorter than this is not told from a slip that passes through nothing."""

BRIDGED_S = 0.25
"""Evidence that fails for less than this does not end a hold."""

SEEN_NOISES = 3.0
GROWS_S, BACK_S = 0.2, 0.2
"""Slip after a hold is looked at for so long, and its beginning sought no further back than this."""

BEFORE_S = 0.5
"""The engine's speed before an engagement is taken this long before the slip begins to go."""


@dataclass(frozen=True)
class LogEngagement:
    """One engagement. Times in s of the recording; None where it was in already, or still is, at an end of it.

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
    sure: float


def engagements_of(grid: Grid, gears: Gears, clutch: Clutch) -> list[LogEngagement]:
    """Return the engagements in the order of time."""
    engaged = (clutch.state == IN) | (clutch.state == SLIPPING)
    spans = _spans(engaged, grid.step_s)
    found: list[LogEngagement] = []
    engine_rpm = grid.get("engine_rpm")
    for start, end in spans:
        inside = clutch.state[start:end]
        if (inside == IN).sum() * grid.step_s < LEAST_S and not (clutch.by != "slip" and len(inside) > 1):
            continue
        held = start + int(np.argmax(inside == IN)) if (inside == IN).any() else None
        begins = start > 0 and clutch.state[start - 1] != UNKNOWN
        ends = end < len(engaged) and clutch.state[end] != UNKNOWN
        before = max(start - round(BEFORE_S / grid.step_s), 0)
        drop = engine_rpm[before] - engine_rpm[held] if begins and held is not None else np.nan
        last_end_s = next((one.end_s for one in reversed(found)), None)
        braked = bool(np.nanmax(grid.get("brake_on")[max(end - 2, 0) : end + 2], initial=0.0) > 0.0) if ends else False
        found.append(LogEngagement(
            start_s=_time(grid, start) if begins else None,
            held_s=_time(grid, held) if held is not None and (begins or held > start) else None,
            end_s=_end_time(grid, clutch, end) if ends else None,
            speed_kmh=_known(grid.get("road_speed_kmh")[start]),
            throttle_pct=_known(grid.get("throttle_pct")[start]),
            gear=int(gears.gear[start]),
            gear_out=int(gears.gear[max(end - 1, 0)]),
            drop_rpm=_known(drop),
            duration_s=(held - start) * grid.step_s if begins and held is not None else None,
            gap_s=_time(grid, start) - last_end_s if begins and last_end_s is not None else None,
            braked=braked,
            sure=float(np.mean(clutch.sure[start:end])),
        ))  # fmt: skip
    return found


def hunts(engagements: list[LogEngagement]) -> bool:
    """Return whether the clutch hunts: out and in again in the same gear without the brake; see `bench.figures`."""
    cycles = [
        later.start_s
        for earlier, later in pairwise(engagements)
        if earlier.end_s is not None and later.start_s is not None and not earlier.braked
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


def _time(grid: Grid, at: int) -> float:
    return float(grid.time_s[at])


def _end_time(grid: Grid, clutch: Clutch, at: int) -> float:
    """Return when a hold ended. From slip alone: where the slip that grows from there on began, by a straight line."""
    if clutch.by == "slip" and grid.step_s <= BACK_S:
        # The evidence needs a moment; the slip that it then sees began before.
        first = max(at - round(BACK_S / grid.step_s), 1)
        while at > first and abs(clutch.slip_rpm[at - 1]) > SEEN_NOISES * clutch.noise_rpm:
            at -= 1
    time_s = _time(grid, at)
    after = clutch.slip_rpm[at : at + max(round(GROWS_S / grid.step_s), 2)]
    if clutch.by != "slip" or grid.step_s > BACK_S or len(after) < 2 or np.isnan(after).any():
        return time_s
    rising = np.abs(after)
    slope, start = np.polyfit(np.arange(len(rising)) * grid.step_s, rising, 1)
    if slope * grid.step_s < 0.5 * clutch.noise_rpm:
        return time_s
    # No further back than the last sample that shows no slip.
    quiet = at - 1
    while quiet > 0 and abs(clutch.slip_rpm[quiet]) > 1.5 * clutch.noise_rpm:
        quiet -= 1
    return max(time_s - min(max(float(start / slope), 0.0), BACK_S), _time(grid, quiet))


def _known(value: float) -> float | None:
    return None if np.isnan(value) else float(value)
