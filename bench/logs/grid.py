"""The recording on one even time scale, without inventing: straight lines only between readings that are near."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bench.logs.checks import gap_limit_s
from bench.logs.collect import MOST_READINGS, Readings
from bench.logs.quantities import BY_NAME
from bench.logs.reading import Log
from bench.logs.source import Array

NEAR_PERIODS = 1.5
"""A time is read near where the readings about it are no further apart than this many usual periods."""

STEPS_S = (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0)


@dataclass(frozen=True)
class Grid:
    """Quantities at even times; NaN where the recording says nothing."""

    time_s: Array
    step_s: float
    values: dict[str, Array]

    def get(self, name: str) -> Array:
        """Return a quantity, all NaN where it was not recorded."""
        found = self.values.get(name)
        return np.full(len(self.time_s), np.nan) if found is None else found

    def has(self, name: str) -> bool:
        """Tell whether a quantity was recorded."""
        return name in self.values


def grid_of(log: Log) -> Grid:
    """Return the recording at the rate of the slower of its shaft speeds, or as fine as memory allows."""
    shafts = [log.readings[name].period_s for name in ("engine_rpm", "turbine_rpm") if name in log.readings]
    wanted_s = max(shafts) if shafts else min(one.period_s for one in log.readings.values())
    wanted_s = max(wanted_s, log.thin_s, log.duration_s / MOST_READINGS, STEPS_S[0])
    at_or_under = [step for step in STEPS_S if step <= wanted_s * 1.1]
    step_s = at_or_under[-1] if log.duration_s / at_or_under[-1] <= MOST_READINGS else wanted_s
    time_s = np.arange(int(log.duration_s / step_s + 1e-6) + 1) * step_s
    return Grid(time_s, step_s, {name: on_times(name, one, time_s) for name, one in log.readings.items()})


def on_times(name: str, one: Readings, time_s: Array) -> Array:
    """Return a quantity at the times asked for.

    Between two readings no further apart than the gap limit a quantity runs straight, a held one keeps the earlier
    value; elsewhere it is NaN.
    """
    limit_s = gap_limit_s(one.period_s)
    after = np.searchsorted(one.time_s, time_s, side="right")
    before = np.maximum(after - 1, 0)
    age_s = time_s - one.time_s[before]
    if BY_NAME[name].held:
        return np.where((after > 0) & (age_s <= limit_s), one.value[before], np.nan)
    following = np.minimum(after, len(one.time_s) - 1)
    span_s = one.time_s[following] - one.time_s[before]
    value = np.interp(time_s, one.time_s, one.value)
    is_known = (after > 0) & ((age_s <= 1e-9) | ((after < len(one.time_s)) & (span_s <= limit_s)))
    # The last reading stands for its own period.
    is_known |= (after == len(one.time_s)) & (age_s <= one.period_s)
    return np.where(is_known, value, np.nan)


def is_read_near(one: Readings, time_s: Array) -> NDArray[np.bool_]:
    """Tell at which times a quantity was read near: at them, or just before and after them with none missing."""
    after = np.searchsorted(one.time_s, time_s, side="right")
    before = np.maximum(after - 1, 0)
    following = np.minimum(after, len(one.time_s) - 1)
    is_at = (after > 0) & (time_s - one.time_s[before] <= 1e-9)
    return np.asarray(is_at | (one.time_s[following] - one.time_s[before] <= NEAR_PERIODS * one.period_s))
