"""Where a moment lies between noisy samples, and how well that is known.

A moment is when something that stood still, or ran its course, is off that by `OFF_RPM`. How it goes off is not known
but for its kind: as a power of the time since it began, or up and back again. Every moment and way is weighed by how
well the samples agree, and the courses that it could have had are weighed with them. So the answer is a distribution,
not a value.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from bench.logs.source import Array
from sim.engagements import HELD_SLIP_RPM as OFF_RPM

WAYS_S = np.geomspace(0.0005, 0.25, 16)
"""How long it takes to get off by `OFF_RPM`."""

TURNING = 0.1
"""How likely it is to turn."""

ROUNDS, DOUBT = 3, 2.0
"""Rounds in which ways are learnt from moments that go alike, and how many moments' worth of doubt remains."""

PLACES = 60
"""Moments are weighed at so many places, then once more at as many where the weight is."""

TAIL, MARGIN = 0.001, 0.5
"""So much of the weight lies outside the stretch given, on each side, which is this much of a sample wider: no kind of
way is the true one."""

NOISE = "noise"

SURE = 0.98
"""A moment is told to a sample where this share of the weight lies within one of it."""


@dataclass(frozen=True)
class Moment:
    """When something happened, s of the recording: `at_s` most likely, and within `low_s` to `high_s`.

    `why` says what kept it from being told to one sample; it is empty where that was possible.
    """

    at_s: float
    low_s: float
    high_s: float
    why: str = ""

    @property
    def is_told(self) -> bool:
        """Told to one sample."""
        return not self.why


@dataclass(frozen=True)
class Weighed:
    """Places of a moment, evenly apart, and the log of the weight of each by each way (places, ways)."""

    places: Array
    logs: Array


def weigh(
    time_s: Array,
    shown: Sequence[Sequence[tuple[Array, Array]]],
    span_s: tuple[float, float],
    powers: Sequence[float],
    turns_s: Sequence[float] = (),
    most_rpm: Array | None = None,
    sides: Sequence[float] = (1.0,),
) -> Weighed:
    """Return every place within a span, and every way, weighed.

    `shown` has for each quantity in which the moment shows the readings that it may have: how far the samples have
    gone, and the covariance of what course and noise make of them where nothing goes. One reading of each quantity is
    right. It goes to one of the `sides` by one of the `powers` of time, or to the first of them and through nothing
    again after one of `turns_s`, by no more than `most_rpm`.
    """
    # No way reaches back to the first samples: they tell of the course alone.
    still = int(np.searchsorted(time_s, span_s[0] - WAYS_S[-1]))
    whitened = [[_whitened(*reading, still) for reading in readings] for readings in shown]
    time_s, most_rpm = time_s[still:], None if most_rpm is None else most_rpm[still:]
    places, logs = np.linspace(*span_s, PLACES), np.zeros(0)
    for stage in range(2):
        if stage:
            total = np.cumsum(np.exp(logs - logs.max()).sum(axis=1))
            low = max(int(np.searchsorted(total, 1e-4 * total[-1])) - 1, 0)
            high = min(int(np.searchsorted(total, (1.0 - 1e-4) * total[-1])) + 1, PLACES - 1)
            places = np.linspace(places[low], places[high], PLACES)
        ways, shares = _ways(time_s, places, powers, turns_s)
        if most_rpm is not None:
            ways = np.minimum(ways, most_rpm)
        likely = np.zeros((len(sides), *ways.shape[:2]))
        for readings in whitened:
            each = np.stack([_agreement(ways, sides, *reading) for reading in readings])
            most = each.max(axis=0)
            likely += most + np.log(np.exp(each - most).sum(axis=0))
        logs = likely + shares
        if turns_s:
            logs[1:, :, len(powers) * len(WAYS_S) :] = -np.inf
        logs = np.concatenate(list(logs), axis=1)
    return Weighed(places, logs)


def _whitened(gone_rpm: Array, covariance: Array, still: int) -> tuple[Array, Array, float]:
    """Return what makes the samples' errors independent and alike, the samples so, and the log of its size.

    The first `still` samples are taken into the size: there nothing goes.
    """
    root = np.linalg.inv(np.linalg.cholesky(covariance))
    rest = root @ gone_rpm
    size = float(np.log(np.diag(root)).sum() - 0.5 * (rest[:still] @ rest[:still]))
    return root[still:, still:], rest[still:], size


def _agreement(ways: Array, sides: Sequence[float], root: Array, rest: Array, size: float) -> Array:
    """Return the log likelihood of each way from each place to each side, of shape (sides, places, ways)."""
    white = ways @ root.T
    alike = size - 0.5 * (np.einsum("pws,pws->pw", white, white) + rest @ rest)
    return np.asarray(alike + np.multiply.outer(np.asarray(sides), white @ rest))


def _ways(time_s: Array, places: Array, powers: Sequence[float], turns_s: Sequence[float]) -> tuple[Array, Array]:
    """Return how far each sample has gone, of shape (places, ways, samples), by every way, and how likely each is."""
    since_s = np.maximum(time_s - places[:, None, None] + WAYS_S[:, None], 0.0)
    ways = [OFF_RPM * (since_s / WAYS_S[:, None]) ** power for power in powers]
    for turn_s in turns_s:
        way_s = WAYS_S[: np.searchsorted(WAYS_S, 0.4 * turn_s), None]
        inside_s = np.minimum(since_s[:, : len(way_s)], 2.0 * turn_s)
        ways.append(OFF_RPM * inside_s / way_s * (turn_s - inside_s) / (turn_s - way_s))
    turning = sum(one.shape[1] for one in ways[len(powers) :])
    straight = len(powers) * len(WAYS_S)
    shares = np.append(np.full(straight, np.log(1.0 / straight)), np.full(turning, np.log(TURNING / max(turning, 1))))
    return np.concatenate(ways, axis=1), shares


def alike(those: Sequence[Weighed]) -> Array | None:
    """Return how likely each way is, of moments that go alike as those of one vehicle do; None where there are none."""
    if not those:
        return None
    count = those[0].logs.shape[1]
    shares = np.full(count, 1.0 / count)
    for _ in range(ROUNDS):
        seen = np.zeros(count)
        for one in those:
            weight = np.exp(one.logs - one.logs.max()) * shares
            seen += weight.sum(axis=0) / weight.sum()
        shares = (seen + DOUBT / count) / (len(those) + DOUBT)
    return np.asarray(np.log(shares))


def moment_of(weighed: Weighed, step_s: float, shares: Array | None = None) -> Moment:
    """Return the moment that has the most weight within one sample; `why` is `NOISE` where that is not enough.

    `shares` are the logs of how likely each way is beforehand, from `alike`.
    """
    places, logs = weighed.places, weighed.logs if shares is None else weighed.logs + shares
    weight = np.exp(logs - logs.max()).sum(axis=1)
    weight /= weight.sum()
    half = 0.5 * float(places[1] - places[0])
    edges = np.append(places - half, places[-1] + half)
    total = np.append(0.0, np.cumsum(weight))
    within = np.interp(places + step_s, edges, total) - np.interp(places - step_s, edges, total)
    median_s, low_s, high_s = np.interp((0.5, TAIL, 1.0 - TAIL), total, edges).tolist()
    best = places[within >= within.max() - 1e-3]
    at_s = float(best[np.argmin(np.abs(best - median_s))])
    if within.max() >= SURE:
        return Moment(at_s, at_s - step_s, at_s + step_s)
    return Moment(at_s, min(low_s, at_s) - MARGIN * step_s, max(high_s, at_s) + MARGIN * step_s, NOISE)
