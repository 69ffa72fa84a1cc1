"""Engine and turbine where a clutch holds them together: apart by a factor or a time, one is recorded wrong."""

from __future__ import annotations

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

MOST_SAMPLES = 20_000
"""A long recording is asked at so many of its moments."""

LEAST_LATE_SHARE, LEAST_TOGETHER_S = 1.25, 5.0
"""So much more often than as they stand must the shafts be together, and for so long in all."""

NEAR_RPM, MOST_SCATTER_RPM = 25.0, 6.0
"""Of shafts so near to each other that a clutch holds them half are no further apart than they scatter; an open
converter's slip is, as it passes through nothing. Where they scatter by more, one does not look like the other."""


def shafts_apart(log: Log, grid: Grid) -> list[LogFinding]:
    """Return what is wrong with one of the two shafts, and how the map puts it right."""
    if not {"engine_rpm", "turbine_rpm"} <= log.readings.keys():
        return []
    return _late(log, grid) or _scaled(log, grid)


def _late(log: Log, grid: Grid) -> list[LogFinding]:
    engine_rpm, turbine = grid.get("engine_rpm"), log.readings["turbine_rpm"]
    turns = np.nan_to_num(np.abs(rate(engine_rpm, grid.step_s, BLOCK_S))) > TURNS_RPM_PER_S
    turns &= engine_rpm > 600.0
    every = -(-int(turns.sum()) // MOST_SAMPLES) or 1
    time_s, engine_rpm = grid.time_s[turns][::every], engine_rpm[turns][::every]
    slips_rpm = [engine_rpm - on_times("turbine_rpm", turbine, time_s + late_s) for late_s in LATE_S]
    together = [_together(one) for one in slips_rpm]
    best = int(np.argmax(together))
    late_s, as_it_is = float(LATE_S[best]), together[len(LATE_S) // 2]
    if abs(late_s) < LEAST_LATE_S or together[best] < LEAST_LATE_SHARE * as_it_is:
        return []
    if together[best] * every * grid.step_s < LEAST_TOGETHER_S:
        return []
    off_rpm = np.abs(slips_rpm[best])
    scatter_rpm = scatter(grid.get("engine_rpm") - grid.get("turbine_rpm"))
    held_rpm = max(scatter_rpm, LEAST_NOISE_RPM)
    if scatter_rpm > MOST_SCATTER_RPM or np.median(off_rpm[off_rpm < NEAR_RPM]) > held_rpm:
        return []
    whole_s = round(log.map.signal["turbine_rpm"].late_s + late_s, 2)
    which = "behind" if late_s > 0.0 else "ahead of"
    return [LogFinding("shafts", "bad", f"turbine_rpm: {abs(late_s):.2f} s {which} engine speed: only so do they turn "
                       "together while speed changes, as a clutch that holds makes them; slip is wrong wherever speed "
                       f"changes. late_s = {whole_s} under [signal.turbine_rpm] in the map puts it right")]  # fmt: skip


def _together(slip_rpm: Array) -> float:
    """Return in how many samples two shafts turn together, one that does so nearly counted in part."""
    return float(np.nansum(np.exp(-0.5 * (slip_rpm / TOGETHER_RPM) ** 2)))


def _scaled(log: Log, grid: Grid) -> list[LogFinding]:
    """Find engine and turbine apart by one factor where they turn together: one of the two is scaled wrong."""
    size = max(round(BLOCK_S / grid.step_s), 1)
    count = len(grid.time_s) // size * size
    means = [grid.get(name)[:count].reshape(-1, size).mean(axis=1)
             for name in ("engine_rpm", "turbine_rpm", "throttle_pct")]  # fmt: skip
    # Without its pedal a stretch tells nothing: a converter, too, keeps its ratio at one pedal.
    is_told = (means[0] > 600.0) & (means[1] > 300.0) & ~np.isnan(means[2])
    engine_rpm, turbine_rpm, pedal_pct = (one[is_told] for one in means)
    apart = np.log(engine_rpm / turbine_rpm)
    order = np.argsort(apart)
    apart = apart[order]
    ends = np.searchsorted(apart, apart + 2.0 * ALIKE, side="right")
    alike = np.where(np.abs(apart + ALIKE) < MOST_APART, ends - np.arange(len(apart)), 0)
    if not alike.size or alike.max() * size * grid.step_s < HELD_S:
        return []
    first = int(np.argmax(alike))
    together = order[first : ends[first]]
    speeds, pedals = (np.percentile(one[together], (10, 90)) for one in (engine_rpm, pedal_pct))
    middle = float(np.median(apart[first : ends[first]]))
    if speeds[1] < SPEEDS_DIFFER * speeds[0] or pedals[1] - pedals[0] < PEDALS_DIFFER_PCT or abs(middle) < LEAST_APART:
        return []
    off_pct = 100.0 * float(np.expm1(-middle))
    factor = log.map.signal["turbine_rpm"].factor * float(np.exp(middle))
    return [LogFinding("shafts", "bad", f"turbine_rpm: {off_pct:+.2f} % off engine speed for "
                       f"{len(together) * size * grid.step_s:.0f} s, alike at many speeds and pedals, as no open "
                       "converter slips: a clutch holds there, and one of the two speeds is scaled wrong. If it is "
                       f"the turbine's, factor = {factor:.5g} under [signal.turbine_rpm] in the map puts it "
                       "right")]  # fmt: skip
