"""Where the slip does not tell a clutch that is in from one that is out, and from when to when that is.

Where the engine neither pulls nor brakes an open converter does not slip either. Then a change between in and out is
seen late or not at all. For each such change every moment is weighed: while in, the slip is noise about nothing; while
out, it is the open converter's expected slip, which is off by an error that changes slowly. What holds 99 of 100 of the
weight is the stretch in which the recording cannot tell; before and after it can.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from math import log

import numpy as np
from numpy.typing import NDArray

from bench.logs.decode import States, misfit
from bench.logs.edges import Slip
from bench.logs.source import Array

Mask = NDArray[np.bool_]

ERRORS, ERROR_S = ((1.0, 0.03), (6.0, 0.2)), 2.0
"""The expected slip is off by so much (rpm) and by such a share of itself, in a way that lasts for so long; the tables
may be good or not so good. Were only the latter thought of, a slip of just nothing would speak for in."""

PLAIN_RPM = 40.0
"""Where an open converter is expected to slip more than this, a change is seen at once."""

REACH_S, BLOCKS = 20.0, 150
"""A change is weighed over so much on each side, in at most so many blocks."""

LEAST_S = 1.0
"""A shorter doubt is a matter of the moment, which `bench.logs.edges` weighs, not of the state."""

TAIL = 0.005
"""So much of the weight is left outside on each side."""

PLAINLY = log(999.0)
"""So much more likely, as a log, is the other state where a whole stretch is turned; anything less is a doubt."""

NEAR_S = 1.0


def settle(state: States, slip: Slip, expected_rpm: Array, held: int) -> tuple[States, Mask]:
    """Return the states with each change between out (0) and in (`held`) where it may be, and which samples are untold.

    `expected_rpm` is what the slip would be with the clutch out. A stretch whose slip speaks against
    what was told of it is turned, or untold as a whole.
    """
    step_s = slip.step_s
    found, untold = _weighed_whole(state, slip, expected_rpm, held)
    state = found.copy()
    bounds = _bounds(np.where(untold, -1, state))
    near, reach = max(round(NEAR_S / step_s), 1), max(round(REACH_S / step_s), 1)
    for before, at, after in zip(bounds[:-2], bounds[1:-1], bounds[2:], strict=True):
        if {int(state[at - 1]), int(state[at])} != {0, held} or untold[at - 1] or untold[at]:
            continue
        around = np.abs(expected_rpm[max(at - near, 0) : at + near])
        if not (around < PLAIN_RPM).any():
            continue
        first, last = max(before, at - reach), min(after, at + reach)
        goes_in = int(state[at]) == held
        low, high = _span(slip, slice(first, last), expected_rpm[first:last], goes_in)
        if (high - low) * step_s <= LEAST_S:
            # A short doubt is a matter of the moment; but it is there, not where the states change.
            near_s = max(first + low - at, at - first - high) * step_s
            low = high = (low + high) // 2 if near_s > LEAST_S else at - first
        found[first : first + low] = state[at - 1]
        found[first + high : last] = state[at]
        untold[first + low : first + high] = True
    return found, untold


def _weighed_whole(state: States, slip: Slip, expected_rpm: Array, held: int) -> tuple[States, Mask]:
    """Return the states with each stretch turned that is plainly like those beside it, and which samples are in doubt.

    Only of stretches in which an open converter hardly slips: elsewhere the states are right as they are.
    """
    found, untold = state.copy(), np.zeros(len(state), dtype=np.bool_)
    for start, end in pairwise(_bounds(state)[1:-1]):
        own = int(state[start])
        if own not in (0, held) or {int(found[start - 1]), int(state[end])} != {held - own}:
            continue
        if np.median(np.abs(expected_rpm[start:end])) >= PLAIN_RPM:
            continue
        blocks = _blocks(slip, slice(start, end), expected_rpm[start:end])
        out = np.logaddexp(*(blocks.out(*one)[0] for one in ERRORS)) - log(len(ERRORS))
        for_in = float(blocks.in_.sum() - out)
        for_own = for_in if own == held else -for_in
        if for_own < -PLAINLY:
            found[start:end] = held - own
        elif for_own < 0.0:
            untold[start:end] = True
    return found, untold


def _bounds(state: States) -> list[int]:
    return [0, *(np.flatnonzero(np.diff(state) != 0) + 1).tolist(), len(state)]


@dataclass(frozen=True)
class _Blocks:
    """The slip in so many blocks of samples: its means, those of the open converter, what they may be off by."""

    size: int
    mean_rpm: Array
    open_rpm: Array
    variance: Array
    keeps: float
    """An error of the expected slip keeps so much of itself from one block to the next."""

    @property
    def in_(self) -> Array:
        """The log likelihood of each block with the clutch in."""
        return _likely(self.mean_rpm, self.variance)

    def out(self, error_rpm: float, error_share: float) -> Array:
        """Return the log likelihood of being out from each block to the last."""
        return _out(self.mean_rpm, self.open_rpm, self.variance, self.keeps, error_rpm, error_share)


def _blocks(slip: Slip, samples: slice, expected_rpm: Array, turn: int = 1) -> _Blocks:
    """Take samples together into at most `BLOCKS` blocks, backwards where `turn` is −1."""
    all_rpm, turned = slip.rpm[samples], slice(None, None, turn)
    size = -(-len(all_rpm) // BLOCKS)
    count = len(all_rpm) // size
    rpm, expected, error = (one[turned][: count * size].reshape(count, size)
                            for one in (all_rpm, expected_rpm, slip.error_rpm[samples]))  # fmt: skip
    read = ~np.isnan(rpm)
    reads = read.sum(axis=1)
    mean_rpm = np.where(read, rpm, 0.0).sum(axis=1) / np.maximum(reads, 1)
    # A block without a reading says nothing of either.
    variance = slip.noise_rpm**2 / np.maximum(reads, 1) + (error**2).mean(axis=1) + slip.offset_rpm**2
    variance = np.where(reads > 0, variance, 1e9)
    keeps = float(np.exp(-size * slip.step_s / ERROR_S))
    return _Blocks(size, mean_rpm, np.nan_to_num(expected).mean(axis=1), variance, keeps)


def _span(slip: Slip, samples: slice, expected_rpm: Array, goes_in: bool) -> tuple[int, int]:
    """Return from which of the samples to which a change may be. `goes_in` turns the time about: then it comes out."""
    blocks, count = _blocks(slip, samples, expected_rpm, -1 if goes_in else 1), len(expected_rpm)
    before = np.append(0.0, np.cumsum(blocks.in_))
    weighed = np.stack([before + np.append(blocks.out(*one), 0.0) for one in ERRORS])
    weight = np.exp(weighed - weighed.max()).sum(axis=0)
    total = np.cumsum(weight / weight.sum())
    # The change may be anywhere in its block, or at its end.
    first, last = (int(np.searchsorted(total, share)) for share in (TAIL, 1.0 - TAIL))
    low, high = max(first - 1, 0) * blocks.size, min((last + 1) * blocks.size, count)
    return (count - high, count - low) if goes_in else (low, high)


def _out(
    mean_rpm: Array, open_rpm: Array, variance: Array, keeps: float, error_rpm: float, error_share: float
) -> Array:
    """Return the log likelihood of being out from each block to the last.

    Backwards, each of these is the beginning of one chain, in which an error is estimated block by block: it `keeps`
    so much of itself from one to the next.
    """
    spread = error_rpm + error_share * np.abs(open_rpm)
    error, doubt = 0.0, 1.0
    offs: list[float] = []
    variances: list[float] = []
    for rest, scale, noise in zip((mean_rpm - open_rpm)[::-1].tolist(), spread[::-1].tolist(),
                                  variance[::-1].tolist(), strict=True):  # fmt: skip
        seen = scale * scale * doubt + noise
        off = rest - scale * error
        offs.append(off)
        variances.append(seen)
        gain = doubt * scale / seen
        error = keeps * (error + gain * off)
        doubt = keeps * keeps * (doubt - gain * scale * doubt) + 1.0 - keeps * keeps
    return np.cumsum(_likely(np.array(offs), np.array(variances)))[::-1]


def _likely(off_rpm: Array, variance: Array) -> Array:
    return np.asarray(-misfit(off_rpm**2 / variance) - 0.5 * np.log(variance))
