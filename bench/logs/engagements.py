"""Every engagement of a recording: where it began, when the slip was gone, when it ended, and what it did."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from bench.figures import is_hunting
from bench.logs.clutch import Clutch
from bench.logs.gears import Gears
from bench.logs.grid import Grid
from bench.logs.holds import SILENT, Hold, HoldMoments, holds_of, moments_of
from bench.logs.moments import Moment
from bench.logs.source import Array

JUST_BEFORE_S = 0.1
"""Gear, brake and switch are looked at from so long before a hold's end."""

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
    holds = holds_of(clutch, grid.step_s)
    found: list[LogEngagement] = []
    for hold, moments in zip(holds, moments_of(clutch, gears, holds), strict=True):
        last_end = next((one.end for one in reversed(found) if one.end is not None), None)
        found.append(_engagement(grid, gears, clutch, hold, moments, last_end))
    return found


def _engagement(
    grid: Grid, gears: Gears, clutch: Clutch, hold: Hold, moments: HoldMoments, last_end: Moment | None
) -> LogEngagement:
    begins, gone, ends = moments
    start, held, end = hold.start, hold.held, hold.end
    if begins is not None and begins.why not in SILENT:
        start = min(round(begins.at_s / grid.step_s), start)
    if ends is not None and ends.why not in SILENT:
        end = min(max(round(ends.at_s / grid.step_s), start + 1), len(clutch.state) - 1)
    # What made it come out was there a moment before; a gear that changes as it does is the next one.
    last = max(end - max(round(JUST_BEFORE_S / grid.step_s), 1), start)
    drop_rpm = duration_s = None
    if begins is not None and gone is not None and held is not None and begins.why not in SILENT:
        engine_rpm = grid.get("engine_rpm")
        drop_rpm = _known(engine_rpm[max(start - round(BEFORE_S / grid.step_s), 0)] - engine_rpm[held])
        duration_s = gone.at_s - begins.at_s
    return LogEngagement(
        start=begins,
        held=gone,
        end=ends,
        speed_kmh=_known(grid.get("road_speed_kmh")[start]),
        throttle_pct=_known(grid.get("throttle_pct")[start]),
        gear=int(gears.gear[start]),
        gear_out=int(gears.gear[last]),
        drop_rpm=drop_rpm,
        duration_s=duration_s,
        gap_s=begins.at_s - last_end.at_s if begins is not None and last_end is not None else None,
        braked=bool(np.nanmax(grid.get("brake_on")[last : end + 2], initial=0.0) > 0.0) if ends else False,
        switched=bool(np.ptp(_all_known(grid.get("band")[last : end + 2])) > 0.0) if ends else False,
        sure=float(np.mean(clutch.sure[hold.start : hold.end])),
    )


def hunts(engagements: list[LogEngagement]) -> bool:
    """Return whether the clutch hunts: out by itself and in again in the same gear; see `bench.figures`."""
    cycles = [
        later.start_s
        for earlier, later in pairwise(engagements)
        if earlier.end_s is not None and later.start_s is not None and not (earlier.braked or earlier.switched)
        and earlier.gear_out == later.gear
    ]  # fmt: skip
    return is_hunting(cycles)


def _all_known(values: Array) -> Array:
    known = values[~np.isnan(values)]
    return known if known.size else np.zeros(1)


def _known(value: float) -> float | None:
    return None if np.isnan(value) else float(value)
