"""What the reader claims of engagements and clutch states holds on every drive of both vehicles, at three rates."""

from pathlib import Path

import numpy as np
import pytest

SEED = 31
LEAST_RIGHT = {"goes in": 0.99, "slip gone": 0.99, "comes out": 0.98}
"""Of the times told to one sample. An end told wrong is, above all, a slip that turns just over 5 rpm."""


@pytest.mark.long
@pytest.mark.parametrize(
    ("noise_rpm", "step_rpm", "in_their_stretch"),
    [
        (3.0, 1.0, 0.97),
        # What is left to noise is little then; the stretches of what goes in while gears change are a little short.
        (0.5, 0.125, 0.85),
    ],
)
def test_claims_hold_on_every_drive(
    monkeypatch: pytest.MonkeyPatch, noise_rpm: float, step_rpm: float, in_their_stretch: float
) -> None:
    monkeypatch.syspath_prepend(str(Path(__file__).parents[3]))
    from tests.benchmarks.recordings import MOMENTS, recordings

    told = list(recordings(SEED, (), noise_rpm, step_rpm))
    assert min(one.gear_right for one in told) >= 0.99
    assert min(one.state_right_of_told for one in told) >= 0.98
    assert np.mean([one.state_untold for one in told]) <= 0.01
    pairs = [(true, match) for one in told for true, match in one.pairs if match is not None]
    assert len(pairs) >= 0.99 * sum(len(one.pairs) for one in told)
    assert sum(one.made_up for one in told) <= 2
    rates = [one.rate_hz for one in told for _, match in one.pairs if match is not None]
    others: list[bool] = []
    for word, own, theirs in MOMENTS:
        both = [(getattr(true, own), getattr(match, theirs), rate_hz)
                for (true, match), rate_hz in zip(pairs, rates, strict=True)]  # fmt: skip
        known = [(true_s, one, rate_hz) for true_s, one, rate_hz in both if true_s is not None and one is not None]
        right = [abs(one.at_s - true_s) * rate_hz <= 1.0 for true_s, one, rate_hz in known if one.is_told]
        assert np.mean(right) >= LEAST_RIGHT[word], word
        assert len(right) >= 0.8 * len(known), word
        others += [one.low_s <= true_s <= one.high_s for true_s, one, _ in known if not one.is_told]
    assert np.mean(others) >= in_their_stretch
