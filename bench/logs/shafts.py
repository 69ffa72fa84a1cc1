"""Engine and turbine where a clutch holds them together: apart by a factor or a time, one is recorded wrong."""

from __future__ import annotations

from typing import Any

import numpy as np

from bench.logs.findings import LogFinding
from bench.logs.grid import Grid, on_times
from bench.logs.reading import Log
from bench.logs.scatter import LEAST_NOISE_RPM, scatter
from bench.logs.source import Array
from bench.logs.torque import rate

BLOCK_S, HELD_S = 0.5, 15.0
"""Shafts are compared by means over so long, and alike where they are so for at least so long in all."""

ALIKE, LEAST_APART, MOST_APART = 0.001, 0.002, 0.05
"""Two shafts of one clutch that holds keep one ratio within this much, in log; shafts so far apart are scaled wrong,
and ones further apart do not turn together."""

SPEEDS_DIFFER, PEDALS_DIFFER_PCT = 1.15, 8.0
"""Held is what keeps its ratio over so many speeds and pedals: an open converter's slip hangs on both."""

LATE_S = np.round(np.arange(-0.6, 0.601, 0.02), 2)
LEAST_LATE_S, TURNS_RPM_PER_S, TOGETHER_RPM = 0.04, 60.0, 5.0
"""A shaft is late from so much on. That is seen where the engine's speed changes by so much and both are so near."""

FACTORS = np.exp(np.arange(-0.05, 0.0505, 0.001))

MOST_SAMPLES = 20_000
"""A long recording is asked at so many of its moments."""

LEAST_LATE_SHARE, LEAST_TOGETHER_S = 1.25, 5.0
"""So much more often than as they stand must the shafts be together, and for so long in all."""

ONE_WAY_SHARE, DRIFT_RPM_PER_S = 0.15, 15.0
"""Of the time that they are together so much at least is on the other way than most of it, or steady; slower is."""

TURNING_RPM = 500.0
"""Both turn in gear."""

NEAR_RPM, MOST_SCATTER_RPM = 25.0, 6.0
"""Of shafts so near to each other that a clutch holds them half are no further apart than they scatter; an open
converter's slip is, as it passes through nothing. Where they scatter by more, one does not look like the other."""


def shafts_apart(log: Log, grid: Grid) -> list[LogFinding]:
    """Return what is wrong with one of the two shafts, and how the map puts it right."""
    if not {"engine_rpm", "turbine_rpm"} <= log.readings.keys():
        return []
    known, late_s, factor = log.map.signal["turbine_rpm"], _late_by(log, grid), _scaled_by(grid)
    if late_s is not None and _fits_better_by_time(log, grid, late_s):
        text = (f"{abs(late_s):.2f} s {'behind' if late_s > 0.0 else 'ahead of'} engine speed: only so do they turn "
                "together while speed changes, as a clutch that holds makes them; slip is wrong wherever speed "
                f"changes. late_s = {round(known.late_s + late_s, 2)}")  # fmt: skip  # a sentence
    elif factor is not None:
        text = (f"{100.0 * (1.0 / factor - 1.0):+.2f} % off engine speed, alike at many speeds and pedals, as no open "
                "converter slips: a clutch holds there, and one of the two speeds is scaled wrong. If it is the "
                f"turbine's, factor = {known.factor * factor:.5g}")  # fmt: skip  # a sentence
    else:
        return []
    return [LogFinding("shafts", "bad", f"turbine_rpm: {text} under [signal.turbine_rpm] in the map puts it right")]


def _late_by(log: Log, grid: Grid) -> float | None:
    """Return how much later than the engine's the turbine's readings stand, by the times that both speeds change."""
    engine_rpm, rates = grid.get("engine_rpm"), _rates(grid)
    turns = (np.abs(rates) > TURNS_RPM_PER_S) & (engine_rpm > TURNING_RPM)
    every = -(-int(turns.sum()) // MOST_SAMPLES) or 1
    at, is_rising = np.flatnonzero(turns)[::every], rates[turns][::every] > 0.0
    slips_rpm = [_slip_if_late(log, grid, late_s, at) for late_s in LATE_S.tolist()]
    together = [_together(one) for one in slips_rpm]
    best = int(np.argmax(together))
    late_s, as_it_is = float(LATE_S[best]), together[len(LATE_S) // 2]
    if abs(late_s) < LEAST_LATE_S or together[best] < LEAST_LATE_SHARE * as_it_is:
        return None
    if together[best] * every * grid.step_s < LEAST_TOGETHER_S:
        return None
    # One that is scaled wrong is together with the other at some time later, too, but only on one way, up or down.
    if not ONE_WAY_SHARE < _together(slips_rpm[best][is_rising]) / together[best] < 1.0 - ONE_WAY_SHARE:
        return None
    off_rpm = np.abs(slips_rpm[best])
    scatter_rpm = scatter(engine_rpm - grid.get("turbine_rpm"))
    is_wide = np.median(off_rpm[off_rpm < NEAR_RPM]) > max(scatter_rpm, LEAST_NOISE_RPM)
    return None if scatter_rpm > MOST_SCATTER_RPM or is_wide else late_s


def _fits_better_by_time(log: Log, grid: Grid, late_s: float) -> bool:
    """Return whether the shafts turn together more often by this time than by any factor."""
    at = slice(None, None, -(-len(grid.time_s) // MOST_SAMPLES))
    engine_rpm, turbine_rpm = grid.get("engine_rpm")[at], grid.get("turbine_rpm")[at]
    by_factor = max(_together(engine_rpm - factor * turbine_rpm) for factor in FACTORS.tolist())
    return _together(_slip_if_late(log, grid, late_s, at)) > by_factor


def _rates(grid: Grid) -> Array:
    return np.nan_to_num(rate(grid.get("engine_rpm"), grid.step_s, BLOCK_S))


def _slip_if_late(log: Log, grid: Grid, late_s: float, at: Any = slice(None)) -> Array:
    turbine_rpm = on_times("turbine_rpm", log.readings["turbine_rpm"], grid.time_s[at] + late_s)
    return np.asarray(grid.get("engine_rpm")[at] - turbine_rpm)


def _together(slip_rpm: Array) -> float:
    """Return in how many samples two shafts turn together, one that does so nearly counted in part."""
    return float(np.nansum(np.exp(-0.5 * (slip_rpm / TOGETHER_RPM) ** 2)))


def _scaled_by(grid: Grid) -> float | None:
    """Return by what factor the turbine's readings fit the engine's, where they keep one ratio."""
    size = max(round(BLOCK_S / grid.step_s), 1)
    count = len(grid.time_s) // size * size
    blocks = [one[:count].reshape(-1, size).mean(axis=1)
              for one in (*map(grid.get, ("engine_rpm", "turbine_rpm", "throttle_pct")), _rates(grid))]  # fmt: skip
    # Without its pedal a stretch tells nothing: a converter, too, keeps its ratio at one pedal.
    is_told = (blocks[0] > TURNING_RPM) & (blocks[1] > TURNING_RPM) & ~np.isnan(blocks[2])
    engine_rpm, turbine_rpm, pedal_pct, rates = (one[is_told] for one in blocks)
    apart = np.log(engine_rpm / turbine_rpm)
    order = np.argsort(apart)
    apart = apart[order]
    ends = np.searchsorted(apart, apart + 2.0 * ALIKE, side="right")
    alike = np.where(np.abs(apart + ALIKE) < MOST_APART, ends - np.arange(len(apart)), 0)
    if not alike.size or alike.max() * size * grid.step_s < HELD_S:
        return None
    first = int(np.argmax(alike))
    together, middle = order[first : ends[first]], float(np.median(apart[first : ends[first]]))
    low, high = np.percentile(engine_rpm[together], (10, 90))
    if abs(middle) < LEAST_APART or high < SPEEDS_DIFFER * low:
        return None
    low, high = np.percentile(pedal_pct[together], (10, 90))
    if high - low < PEDALS_DIFFER_PCT:
        return None
    # Where speed only rises or only falls, one that stands at another time looks so, too.
    ways = rates[together]
    steepest = max((ways > DRIFT_RPM_PER_S).mean(), (ways < -DRIFT_RPM_PER_S).mean())
    return None if steepest > 1.0 - ONE_WAY_SHARE else float(np.exp(middle))
