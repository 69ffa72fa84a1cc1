"""How much readings scatter: from sample to sample, by a driveline's swing, and by the steps they are read in."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from bench.logs.source import Array

if TYPE_CHECKING:
    from bench.logs.reading import Log

LEAST_NOISE_RPM = 2.0
"""No slip is known better than this."""

SWING_S = 0.5

STEPS_SEEN, LEAST_STEP, MOST_STEP = 20_000, 1e-3, 100.0
"""The steps in which a quantity is read are the least between so many of its readings, from all of the recording: it
may begin with minutes at a stand. Less is a way of writing."""


def stepped(log: Log, name: str) -> float:
    """Return the likely error of a quantity that is read in steps; 0 where it was not recorded, or never changed."""
    if name not in log.readings:
        return 0.0
    value = log.readings[name].value
    steps = np.diff(np.unique(value[:: -(-len(value) // STEPS_SEEN)]))
    steps = steps[steps > LEAST_STEP]
    return min(float(steps.min()), MOST_STEP) / math.sqrt(12.0) if steps.size else 0.0


def scatter(value: Array) -> float:
    """Return the scatter of neighbouring samples, robust against steps: from second differences."""
    known = value[~np.isnan(value)]
    if known.size < 10:
        return 0.0
    second = np.abs(np.diff(known, n=2))
    return float(np.median(second) * 1.4826 / np.sqrt(6.0))


def swing(value: Array, step_s: float) -> float:
    """Return the scatter within half a second, in the median of all: a driveline swings as well as jitters.

    Of each stretch a straight line is taken off first, so that a slip on its way counts for nothing.
    """
    size = round(SWING_S / step_s)
    known = value[~np.isnan(value)]
    if size < 8 or known.size < 4 * size:
        return 0.0
    blocks = known[: known.size // size * size].reshape(-1, size)
    at = np.arange(size) - 0.5 * (size - 1)
    slope = (blocks * at).sum(axis=1) / (at * at).sum()
    rest = blocks - blocks.mean(axis=1, keepdims=True) - slope[:, None] * at
    return float(np.median(np.sqrt((rest * rest).sum(axis=1) / (size - 2))))
