"""The likeliest sequence of states behind noisy evidence, where a change of state has a price.

The dynamic programme of Viterbi for equal prices between all states. It runs over stretches in which the evidence
favours one state, so that a long recording costs little.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from bench.logs.source import Array

States = NDArray[np.int64]

EVIDENCE_S = 0.1
"""Readings nearer than this are not independent of each other: together they count as one."""

EVEN = 1e-9
"""Costs no further apart than this are the same."""

DEGREES = 4.0
"""Degrees of freedom of the slip's scatter: a single wild reading says little, a lasting one much."""

SUREST = 0.99
"""No likelihood knows what its model leaves out."""


def weight(step_s: float) -> float:
    """Return how much the evidence of one sample counts."""
    return min(1.0, step_s / EVIDENCE_S)


def misfit(squared: Array) -> Array:
    """Return the cost of a reading by its squared distance in variances: Student's distribution without its size."""
    return 0.5 * (DEGREES + 1.0) * np.log1p(squared / DEGREES)


def likeliest(costs: Array, price: float) -> tuple[States, Array]:
    """Return the state of each sample, and how sure that is (0 to 1).

    `costs` of shape (samples, states) are negative log likelihoods, each sample already weighted; `price` is that of
    a change. Where evidence favours none of several states, the state stays until it does. The sureness is the
    state's share of the likelihood of its whole stretch, were it any one state.
    """
    samples, states = costs.shape
    if samples == 0:
        return np.zeros(0, dtype=np.int64), np.zeros(0)
    # A stretch that favours none is one of its own: the change lies at its end, not at its beginning.
    is_even = (costs <= costs.min(axis=1, keepdims=True) + EVEN).sum(axis=1) > 1
    favoured = np.argmin(costs, axis=1) + states * is_even
    starts = np.flatnonzero(np.diff(favoured, prepend=-1) != 0)
    sums = np.add.reduceat(costs, starts, axis=0)
    came_from = np.zeros((len(starts), states), dtype=np.int8)
    best = sums[0].copy()
    stay = np.arange(states)
    for at in range(1, len(starts)):
        cheapest = int(np.argmin(best))
        change = best[cheapest] + price <= best + EVEN
        came_from[at] = np.where(change, cheapest, stay)
        best = np.where(change, best[cheapest] + price, best) + sums[at]
    path = np.zeros(len(starts), dtype=np.int64)
    path[-1] = int(np.argmin(best))
    for at in range(len(starts) - 1, 0, -1):
        path[at - 1] = came_from[at, path[at]]
    found = np.repeat(path, np.diff(np.append(starts, samples)))
    return found, _sureness(costs, found)


def _sureness(costs: Array, found: States) -> Array:
    starts = np.flatnonzero(np.diff(found, prepend=-1) != 0)
    sums = np.add.reduceat(costs, starts, axis=0)
    own = found[starts]
    excess = np.clip(sums - sums[np.arange(len(starts)), own][:, None], -50.0, 50.0)
    share = np.minimum(1.0 / np.exp(-excess).sum(axis=1), SUREST)
    return np.repeat(share, np.diff(np.append(starts, len(found))))
