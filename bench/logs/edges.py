"""When slip begins to go, when it is gone and when it comes back, finer than the states of samples tell.

All moments of an engagement are those of the slip, by one measure (`OFF_RPM`): it begins when the clutch has taken that
much of the slip, is held when the slip has come under it, and ends when the slip is over it again. The valve's command
and the pressure come before that; no slip shows them.

What the clutch takes of the slip it takes of the engine: the turbine drives the vehicle, which hardly yields. So the
beginning must show in the engine's speed and in the slip. A change of gear bends both, but not the same way.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from bench.logs.moments import Moment, Weighed, moment_of, weigh
from bench.logs.source import Array
from sim.engagements import HELD_SLIP_RPM as OFF_RPM

COARSEST_S = 0.2
"""Where samples are further apart than this, no course is seen between them: the sample's own time is all there is."""

COURSE_S, LEAST_COURSE = 0.6, 5
"""The slip's course is seen in so much before, in at least so many samples."""

BENDS, TURNED = (30.0, 150.0, 700.0), 3000.0
"""How much a course may bend: the change of its rate in a second, rpm/s, as that of a random walk. About a change of
gear, and when a clutch lets the engine go, it may turn more sharply."""

BOTH = 1.2
"""Slip and engine share the engine's noise: together they tell less than two, as if each had so much more of it."""

FAR = 2.5
"""A sample is off for sure where it is so many times its likely error away."""

FAR_AFTER = 2.8
"""About a hold two samples in a row are looked at, which chance makes off seldom enough at less."""

PLAIN = 8.0
"""What lies behind the first sample that is so many times the noise off tells of the torque's further way."""

SHAPE = 0.15
"""The way off is no power of time by this share of it."""

GOING_S, COMING_S, QUIET_S, NEAR_S = 0.15, 0.4, 0.5, 0.06
"""So much after the first sample that is off is looked at, so much of a hold, and at least so much of the way."""

LASTS_S, FAR_LASTING = 0.5, 4.0
"""Slip that is back for good is so many errors of its mean over so long a time off."""

BACK_S = 0.5
"""So long before the states change a moment is sought."""

GOES, STOPS, COMES = (1.4, 1.7, 2.0), (0.7, 0.85, 1.0), (0.7, 1.0, 1.5)
"""Powers of time by which slip leaves its course (a torque that grows), stops at nothing, and comes back."""

TURNS_S = (0.1, 0.2, 0.3, 0.45)
"""A clutch let go as the pedal is let up slips forward first, and backward after so long."""

OFFSET_RPM = 0.5
"""A held clutch's slip may be off nothing by so much: two sensors. Where they read in coarse steps it is more."""


@dataclass(frozen=True)
class Slip:
    """The slip and the engine's speed as read, NaN where a shaft was not read near; their noise, and the slip's error
    that lasts (rpm)."""

    time_s: Array
    rpm: Array
    noise_rpm: float
    error_rpm: Array
    engine_rpm: Array
    engine_noise_rpm: float
    offset_rpm: float = OFFSET_RPM
    """A held clutch's slip may be off nothing by so much, for long."""

    @property
    def step_s(self) -> float:
        """Time between two samples."""
        return float(self.time_s[1] - self.time_s[0]) if len(self.time_s) > 1 else 1.0


def goes_in(slip: Slip, start: int, held: int, earliest: int, is_bent: bool = False) -> Weighed | None:
    """Return when slip may have begun to go toward the hold at sample `held`; None where that is not seen.

    It is sought from a little before `start`, where the states change, and not before `earliest`. Where a change of
    gear has bent the courses only the slip is asked: the engine falls as well when the next gear takes it down.
    """
    step_s = slip.step_s
    sign = _side(slip.rpm[max(held - 3, 0) : held])
    if step_s > COARSEST_S or not sign:
        return None
    low = max(earliest, start - round(BACK_S / step_s))
    size = max(round(COURSE_S / step_s), LEAST_COURSE)
    samples = np.arange(max(low - size, earliest), held + 1)
    samples = samples[~np.isnan(slip.rpm[samples])]
    first = _first_off(slip, sign, low, held, size)
    left, on_course = sign * slip.rpm[samples], np.flatnonzero(samples < first)
    if not on_course.size or low >= held:
        return None
    gone = np.where(samples >= first, np.maximum(left[on_course[-1]] - left, 0.0), 0.0)
    plain = np.flatnonzero(gone > PLAIN * slip.noise_rpm)
    last = int(samples[plain[0]]) + 1 if plain.size else held
    use = samples <= min(last, first + max(round(GOING_S / step_s), 2), held)
    samples, gone = samples[use], gone[use]
    if len(samples) < LEAST_COURSE - 1:
        return None
    time_s, shape = slip.time_s[samples], np.diag((SHAPE * gone) ** 2)
    courses = [_courses(time_s, bend) for bend in ((*BENDS, TURNED) if is_bent else BENDS)]
    shafts = [(slip.rpm, slip.noise_rpm), (slip.engine_rpm, slip.engine_noise_rpm)]
    shown = [
        [(-sign * value[samples], np.eye(len(samples)) * (BOTH * noise) ** 2 + shape + course) for course in courses]
        for value, noise in (shafts[:1] if is_bent else shafts)
    ]
    # A sample of the hold shows that all was gone by then, not how far it would have gone.
    most_rpm = max(float(np.nanmax(sign * slip.rpm[max(held - 4, low) : held], initial=0.0)), 2.0 * slip.noise_rpm)
    most = np.where(samples >= held, most_rpm, np.inf)
    span_s = (float(slip.time_s[low]), float(slip.time_s[held]))
    return weigh(time_s, shown, span_s, GOES, most_rpm=most)


def slips_before(slip: Slip, start: int) -> bool:
    """Tell whether there is slip to go before sample `start`, beyond its noise."""
    before = np.abs(slip.rpm[max(start - max(round(BACK_S / slip.step_s), 2), 0) : start])
    known = before[~np.isnan(before)]
    return bool(known.size and np.median(known) > FAR_AFTER * slip.noise_rpm)


def _side(rpm: Array) -> float:
    known = rpm[~np.isnan(rpm)]
    return 0.0 if not known.size else 1.0 if np.median(known) >= 0.0 else -1.0


def _first_off(slip: Slip, sign: float, low: int, held: int, size: int) -> int:
    """Return the first sample that is off its course for sure, on the way to the one that is farthest off; or `held`.

    The course is a parabola through the `size` samples before. Across what was not read it runs straight here: only the
    samples to look at hang on that.
    """
    low = max(low, size)
    if low > held:
        return held
    left = sign * slip.rpm[low - size : held + 1]
    known = np.flatnonzero(~np.isnan(left))
    if not known.size:
        return held
    left = np.interp(np.arange(len(left)), known, left[known])
    powers = np.vander(np.arange(-size, 0), 3).astype(np.float64)
    inverse = np.linalg.inv(powers.T @ powers)
    course = (inverse @ powers.T)[2]
    windows = np.lib.stride_tricks.sliding_window_view(left[:-1], size)
    off = (windows @ course - left[size:]) / (slip.noise_rpm * np.sqrt(1.0 + inverse[2, 2]))
    farthest = int(np.argmax(off))
    if off[farthest] <= FAR:
        return held
    while farthest > 0 and off[farthest - 1] > FAR:
        farthest -= 1
    return low + farthest


def _courses(time_s: Array, bend: float) -> Array:
    """Return the covariance of a course of any height and rate, whose rate changes as a random walk."""
    at_s = time_s - time_s[0]
    lesser, apart = np.minimum.outer(at_s, at_s), np.abs(np.subtract.outer(at_s, at_s))
    return np.asarray(1e6 * (1.0 + np.multiply.outer(at_s, at_s)) + bend**2 * (lesser**3 / 3.0 + apart * lesser**2 / 2))


def is_gone(slip: Slip, held: int, earliest: int, latest: int) -> Moment | None:
    """Return when slip was gone before the hold at sample `held`, between two samples; None where that is not seen."""
    step_s = slip.step_s
    sign = _side(slip.rpm[max(held - 3, 0) : held])
    if step_s > COARSEST_S or not sign:
        return None
    low = max(held - round(BACK_S / step_s), earliest)
    off = np.flatnonzero(sign * slip.rpm[low : held + 3] > FAR_AFTER * slip.noise_rpm)
    if not off.size:
        return None
    last = low + int(off[-1])
    plain = np.flatnonzero(sign * slip.rpm[low : last + 1] > PLAIN * slip.noise_rpm)
    first = low + int(plain[-1]) if plain.size else low
    first = max(min(first, last) - max(round(NEAR_S / step_s), 1), last - max(round(GOING_S / step_s), 2), low)
    samples = np.arange(first, min(last + max(round(QUIET_S / step_s), 3), latest))[::-1]
    samples = samples[~np.isnan(slip.rpm[samples])]
    if len(samples) < 2:
        return None
    gone = sign * slip.rpm[samples]
    covariance = _from_nothing(slip, samples, np.where(samples <= last, gone, 0.0))
    # Backwards in time slip leaves nothing.
    time_s = -slip.time_s[samples]
    found = moment_of(weigh(time_s, [[(gone, covariance)]], (time_s[0] - step_s, time_s[-1]), STOPS), step_s)
    return Moment(-found.at_s, -found.high_s, -found.low_s, found.why)


def comes_out(slip: Slip, held: int, end: int, latest: int) -> Moment | None:
    """Return when slip came back after the hold from sample `held`; None where none is seen.

    It is sought from a little before `end`, where the states change, to `latest`, where the next hold begins.
    """
    step_s = slip.step_s
    if step_s > COARSEST_S:
        return None
    low, high = max(held + 1, end - round(BACK_S / step_s)), min(latest, len(slip.rpm) - 1)
    here, following = slip.rpm[low:high], slip.rpm[low + 1 : high + 1]
    pair = np.minimum(np.abs(here), np.abs(following))
    off = np.flatnonzero((here * following > 0.0) & (pair > FAR_AFTER * slip.noise_rpm))
    if not off.size:
        return None
    first = low + int(off[0])
    most = max(round(COMING_S / step_s), 2)
    plain = np.flatnonzero(np.abs(slip.rpm[first : first + most]) > PLAIN * slip.noise_rpm)
    last = min(first + (int(plain[0]) + 1 if plain.size else most), first + most, len(slip.rpm) - 1)
    samples = np.arange(max(min(low, first - round(QUIET_S / step_s)), held + 1), last + 1)
    samples = samples[~np.isnan(slip.rpm[samples])]
    if len(samples) < 2:
        return None
    time_s, gone = slip.time_s[samples], np.where(samples >= first, slip.rpm[samples], 0.0)
    noise = np.eye(len(samples)) * (BOTH * slip.engine_noise_rpm) ** 2 + np.diag((SHAPE * gone) ** 2)
    shown = [[(slip.rpm[samples], BOTH**2 * _from_nothing(slip, samples, gone))],
             [(slip.engine_rpm[samples], noise + _courses(time_s, bend)) for bend in (*BENDS, TURNED)]]  # fmt: skip
    span_s = (float(time_s[0]) - step_s, float(time_s[-1]))
    return moment_of(weigh(time_s, shown, span_s, COMES, TURNS_S, sides=(1.0, -1.0)), step_s)


def plainly_out(slip: Slip, told: int, latest: int) -> int:
    """Return the first sample from `told` on by which slip is over `OFF_RPM` in the mean, beyond its noise.

    It is `told` itself where slip stays about nothing.
    """
    size = max(round(LASTS_S / slip.step_s), 1)
    rpm = slip.rpm[told : max(latest, told + size)]
    if len(rpm) < size:
        return told
    sums, reads = (np.append(0.0, np.cumsum(one)) for one in (np.nan_to_num(rpm), ~np.isnan(rpm)))
    reads = reads[size:] - reads[:-size]
    most = OFF_RPM * reads + FAR_LASTING * slip.noise_rpm * np.sqrt(reads)
    over = np.flatnonzero(np.abs(sums[size:] - sums[:-size]) > most)
    return told + int(over[0]) + size - 1 if over.size else told


def _from_nothing(slip: Slip, samples: Array, gone_rpm: Array) -> Array:
    """Return the covariance of a slip about nothing, which has gone so far in the samples that are off for sure."""
    lasting = slip.offset_rpm**2 + np.multiply.outer(slip.error_rpm[samples], slip.error_rpm[samples])
    return np.asarray(np.diag(slip.noise_rpm**2 + (SHAPE * gone_rpm) ** 2) + lasting)
