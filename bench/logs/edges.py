"""When slip begins to go and when it comes back, finer than the states of samples tell.

All moments of an engagement are those of the slip, by one measure (`OFF_RPM`): it begins when the slip has left its
course toward nothing by that much, is held when the slip has come under it, and ends when the slip is over it again.
The valve's command and the pressure come before that; no slip shows them.
"""

from __future__ import annotations

import numpy as np

from bench.logs.source import Array
from sim.engagements import HELD_SLIP_RPM as OFF_RPM

COARSEST_S = 0.2
"""Where samples are further apart than this, the sample's own time is as good."""

COURSE_S, LEAST_COURSE = 0.6, 5
"""The slip's course is a parabola through so much before, in at least so many samples."""

FAR = 2.5
"""A sample is off for sure where it is so many times its likely error away."""

FAR_AFTER = 2.8
"""After a hold two samples in a row are looked at, which chance makes off seldom enough at less."""

NEAR_S = 0.05
"""Off samples so near to the first tell how quickly slip goes; later ones tell of the torque's further way."""

QUIET_S = 0.2
"""So much of a hold counts for the bend at its end."""

BACK_S = 0.5
"""So long before the states change a moment is sought."""

FINE = 10
"""Parts of a sample in which a bend is sought."""


def begins_s(time_s: Array, slip_rpm: Array, start: int, held: int, earliest: int, noise_rpm: float) -> float | None:
    """Return when slip began to go toward the hold at sample `held`; None where that is not seen.

    It is sought from a little before `start`, where the states change, and not before `earliest`: where the slip is
    farthest off its course toward nothing, and back from there to the first sample that is off.
    """
    step_s = float(time_s[1] - time_s[0])
    before = slip_rpm[max(held - 3, 0) : held]
    known = before[~np.isnan(before)]
    if step_s > COARSEST_S or not known.size:
        return None
    sign = 1.0 if np.median(known) >= 0.0 else -1.0
    size = max(round(COURSE_S / step_s), LEAST_COURSE)
    low = max(earliest, start - round(BACK_S / step_s), size)
    if low > held:
        return None
    near = max(round(NEAR_S / step_s), 1) + 1
    weights, spread = _course(size, near)
    windows = np.lib.stride_tricks.sliding_window_view(slip_rpm, size)[low - size : held + 1 - size]
    off = sign * (windows @ weights[0] - slip_rpm[low : held + 1]) / (noise_rpm * spread)
    off = np.nan_to_num(off)
    farthest = int(np.argmax(off))
    if off[farthest] <= FAR:
        return None
    first = farthest
    while first > 0 and off[first - 1] > FAR:
        first -= 1
    seen = slip_rpm[low + first : min(low + first + near, held + 1)]
    fall_rpm = sign * (weights[: len(seen)] @ windows[first] - seen)
    going = fall_rpm > 0.0
    moment_s = 0.5 * step_s  # with one sample on the way the bend lies anywhere before it
    if going.sum() >= 2:
        slope, rest = np.polyfit(np.flatnonzero(going) * step_s, fall_rpm[going], 1)
        if slope > 0.0:
            moment_s = float(rest - OFF_RPM) / float(slope)
    return float(time_s[low + first]) - min(max(moment_s, 0.0), max(step_s, NEAR_S))


def _course(size: int, ahead: int) -> tuple[Array, float]:
    """Return weights (ahead, size) of the samples of a course for what follows, and the first one's error in noises."""
    powers = np.vander(np.arange(-size, 0), 3).astype(np.float64)
    inverse = np.linalg.inv(powers.T @ powers)
    weights = np.vander(np.arange(ahead), 3) @ inverse @ powers.T
    return weights, float(np.sqrt(1.0 + inverse[2, 2]))


def ends_s(time_s: Array, slip_rpm: Array, held: int, end: int, latest: int, noise_rpm: float) -> float | None:
    """Return when slip came back after the hold from sample `held`; None where none is seen.

    It is sought from a little before `end`, where the states change, to `latest`, where the next hold begins.
    """
    step_s = float(time_s[1] - time_s[0])
    if step_s > COARSEST_S:
        return None
    low = max(held + 1, end - round(BACK_S / step_s))
    high = min(latest, len(slip_rpm) - 1)
    pair = np.minimum(np.abs(slip_rpm[low:high]), np.abs(slip_rpm[low + 1 : high + 1]))
    same = slip_rpm[low:high] * slip_rpm[low + 1 : high + 1] > 0.0
    off = np.flatnonzero(same & (pair > FAR_AFTER * noise_rpm))
    if not off.size:
        return None
    first = low + int(off[0])
    sign = 1.0 if slip_rpm[first] > 0.0 else -1.0
    last = max(first + round(NEAR_S / step_s), first + 1)
    window = slice(max(first - round(QUIET_S / step_s), held + 1), last + 1)
    known = ~np.isnan(slip_rpm[window])
    at_s, rising_rpm = time_s[window][known], sign * slip_rpm[window][known]
    if len(at_s) < 2:
        return float(time_s[first])
    # None up to the bend, then a straight line: of all bends the one that leaves the least.
    bends_s = np.arange(at_s[0], time_s[first + 1] - 1e-3, step_s / FINE)
    after_s = np.maximum(at_s[None, :] - bends_s[:, None], 0.0)
    slopes = np.maximum((after_s @ rising_rpm) / np.maximum((after_s**2).sum(axis=1), 1e-9), 1e-6)
    rest = ((rising_rpm - slopes[:, None] * after_s) ** 2).sum(axis=1)
    best = int(np.argmin(rest))
    return float(min(bends_s[best] + OFF_RPM / slopes[best], time_s[first]))
