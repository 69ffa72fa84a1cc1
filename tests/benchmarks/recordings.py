"""How well gears, clutch and engagements are told: `python -m tests.benchmarks.recordings SEED... [--no-turbine]`.

Every drive, two vehicles, as built and under rules, at 10, 20 and 50 Hz, through the noise, quantisation and drop-outs
of `tests/bench/logs/synthetic.py`; nothing that the tests assert was tuned to these seeds. A seed takes a minute or
two. With `--rpm 1 0.125` each shaft has noise of 1 rpm and is read in steps of an eighth; `--rates 1 2`
records at 1 and 2 Hz.

Each figure is given twice: of all that was asked, and of what the reader tells, with the share of what it says
it cannot tell. What it does not tell to one sample it gives as a stretch; printed is in how many the truth lies.
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import NamedTuple

import numpy as np

from bench.logs.clutch import UNKNOWN
from bench.logs.engagements import LogEngagement
from bench.logs.moments import Moment
from bench.logs.reading import read_log
from bench.logs.summary import Shown, take_apart
from sim.drives import drive_names
from sim.vehicle import load_vehicle
from tests.bench.logs.synthetic import Moments, columns, moments_of, run, truth_of, write_csv

VEHICLES = (("pukeko", "station"), ("takahe", "allroad"))
RATES_HZ = (10, 20, 50)
FROM_KMH, FROM_RPM = 5.0, 300.0


class Told(NamedTuple):
    """One recording beside its truth."""

    name: str
    rate_hz: int
    gear_right: float
    state_right: float
    state_right_of_told: float
    state_untold: float
    pairs: list[tuple[Moments, LogEngagement | None]]
    made_up: int


def recordings(
    seed: int, drop: tuple[str, ...], noise_rpm: float = 3.0, step_rpm: float = 1.0, rates_hz: Sequence[int] = RATES_HZ
) -> Iterator[Told]:
    """Simulate, record, take apart and judge."""
    with tempfile.TemporaryDirectory() as folder:
        for vehicle, calibration in VEHICLES:
            for drive in drive_names():
                for strategy in ("as-built", calibration):
                    for rate_hz in rates_hz:
                        seed += 1
                        found = columns(
                            run(vehicle, drive, strategy), load_vehicle(vehicle), rate_hz=rate_hz, seed=seed,
                            noise_rpm=noise_rpm, step_rpm=step_rpm,
                        )  # fmt: skip  # one call
                        path = write_csv(Path(folder) / "rec.csv", found, drop)
                        shown = take_apart(read_log(str(path)), load_vehicle(vehicle))
                        yield judged(shown, vehicle, drive, strategy, rate_hz)


def judged(shown: Shown, vehicle: str, drive: str, strategy: str, rate_hz: int) -> Told:
    """Lay what was told beside what was."""
    result = run(vehicle, drive, strategy)
    truth = truth_of(result, load_vehicle(vehicle))
    at = np.clip(np.round(shown.grid.time_s * 100.0).astype(int), 0, len(truth.gear) - 1)
    moving = (result.traces["speed_kmh"][at] > FROM_KMH) & (result.traces["engine_rpm"][at] > FROM_RPM)
    settled = moving & ~truth.shifting[at]
    left = list(shown.summary.engagements)
    pairs: list[tuple[Moments, LogEngagement | None]] = []
    for one in moments_of(truth):
        match = next((other for other in left if _covers(other, one.held_s)), None)
        if match is not None:
            left.remove(match)
        pairs.append((one, match))
    commanded = [one for one in result.engagements if one.held_s is not None]
    made_up = sum(not any(_covers(other, one.held_s or 0.0) for one in commanded) for other in left)
    state = shown.clutch.state
    told = moving & (state != UNKNOWN)
    return Told(
        f"{vehicle} {drive} {strategy}", rate_hz, float((shown.gears.gear == truth.gear[at])[settled].mean()),
        float((state == truth.state[at])[moving].mean()), float((state == truth.state[at])[told].mean()),
        1.0 - float(told.sum() / moving.sum()), pairs, made_up,
    )  # fmt: skip  # a recording's fields


def _covers(one: LogEngagement, at_s: float) -> bool:
    first_s = 0.0 if one.start is None else one.start.low_s
    return first_s - 0.5 <= at_s <= (np.inf if one.end is None else one.end.high_s) + 0.5


MOMENTS = (("goes in", "begins_s", "start"), ("slip gone", "held_s", "held"), ("comes out", "ends_s", "end"))


def report(told: list[Told]) -> Iterator[str]:
    """Return the lines that say how well recordings of one rate were told."""
    rate_hz = told[0].rate_hz
    gears = [one.gear_right for one in told]
    yield f"{rate_hz} Hz, {len(told)} recordings: gear right at worst {min(gears):.2%}, mean {np.mean(gears):.2%}"
    for word, rights in (("all", [one.state_right for one in told]),
                         ("told", [one.state_right_of_told for one in told])):  # fmt: skip
        worst = int(np.argmin(rights))
        yield (f"  clutch state right of {word}: at least 98 % in {sum(one >= 0.98 for one in rights)}, "
               f"mean {np.mean(rights):.2%}, worst {rights[worst]:.2%} ({told[worst].name})")  # fmt: skip
    untold = [one.state_untold for one in told]
    yield (f"  clutch state not told: {np.mean(untold):.2%} of the time in the mean, at most {max(untold):.2%} "
           f"({told[int(np.argmax(untold))].name})")  # fmt: skip
    pairs = [pair for one in told for pair in one.pairs]
    yield (f"  engagements: {len(pairs)}, {sum(match is None for _, match in pairs)} missed, "
           f"{sum(one.made_up for one in told)} made up")  # fmt: skip
    for word, own, theirs in MOMENTS:
        yield moments_line(word, [(getattr(true, own), getattr(match, theirs)) for true, match in pairs if match],
                           rate_hz)  # fmt: skip


def moments_line(word: str, pairs: list[tuple[float | None, Moment | None]], rate_hz: int) -> str:
    """Say how well one kind of moment was told."""
    both = [(true_s, one) for true_s, one in pairs if true_s is not None and one is not None]
    off = np.array([(one.at_s - true_s) * rate_hz for true_s, one in both])
    is_told = np.array([one.is_told for _, one in both])
    within = np.array([one.low_s - 1e-6 <= true_s <= one.high_s + 1e-6 for true_s, one in both])
    right = np.abs(off) <= 1.0 + 1e-6
    rest = ""
    if (~is_told).any():
        width_s = np.median([one.high_s - one.low_s for _, one in both if not one.is_told])
        rest = (
            f"; of the other {(~is_told).sum()} in their stretch {within[~is_told].mean():.1%} (median {width_s:.2f} s)"
        )
    of_told = f", right in {right[is_told].mean():.2%}" if is_told.any() else ""
    return (f"  {word}: of {len(both)}, within one sample {right.mean():.1%}; told to one sample {is_told.mean():.1%}"
            f"{of_told}{rest}")  # fmt: skip


def main() -> None:
    """Measure and print, seed by seed and together."""
    asked = argparse.ArgumentParser()
    asked.add_argument("seeds", type=int, nargs="*", default=[1])
    asked.add_argument("--no-turbine", action="store_true")
    asked.add_argument("--rpm", type=float, nargs=2, default=[3.0, 1.0], metavar=("NOISE", "STEP"))
    asked.add_argument("--rates", type=int, nargs="+", default=RATES_HZ, metavar="HZ")
    options = asked.parse_args()
    drop = ("turbine_rpm",) if options.no_turbine else ()
    told: list[Told] = []
    for seed in options.seeds:
        told += recordings(seed, drop, *options.rpm, options.rates)
    for rate_hz in options.rates:
        print("\n".join(report([one for one in told if one.rate_hz == rate_hz])))


if __name__ == "__main__":
    main()
