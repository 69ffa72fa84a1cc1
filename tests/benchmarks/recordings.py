"""How well gears, clutch and engagements are told: `python -m tests.benchmarks.recordings [SEED] [--no-turbine]`.

Every drive, two vehicles, as built and under rules, at 10, 20 and 50 Hz, through the noise, quantisation and drop-outs
of `tests/bench/logs/synthetic.py`; nothing that the tests assert was tuned to these seeds. Takes about a minute.
"""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import numpy as np

from bench.logs.engagements import LogEngagement
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
    pairs: list[tuple[Moments, LogEngagement | None]]
    made_up: int


def recordings(seed: int, drop: tuple[str, ...]) -> Iterator[Told]:
    """Simulate, record, take apart and judge."""
    with tempfile.TemporaryDirectory() as folder:
        for vehicle, calibration in VEHICLES:
            for drive in drive_names():
                for strategy in ("as-built", calibration):
                    for rate_hz in RATES_HZ:
                        seed += 1
                        found = columns(
                            run(vehicle, drive, strategy), load_vehicle(vehicle), rate_hz=rate_hz, seed=seed
                        )
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
    return Told(
        f"{vehicle} {drive} {strategy}", rate_hz, float((shown.gears.gear == truth.gear[at])[settled].mean()),
        float((shown.clutch.state == truth.state[at])[moving].mean()), pairs, made_up,
    )  # fmt: skip  # a recording's fields


def _covers(one: LogEngagement, at_s: float) -> bool:
    return (one.start_s or 0.0) - 0.5 <= at_s <= (np.inf if one.end_s is None else one.end_s) + 0.5


def main() -> None:
    """Measure and print."""
    numbers = [int(one) for one in sys.argv[1:] if one.isdigit()]
    drop = ("turbine_rpm",) if "--no-turbine" in sys.argv else ()
    told = list(recordings(numbers[0] if numbers else 1, drop))
    for rate_hz in RATES_HZ:
        of = [one for one in told if one.rate_hz == rate_hz]
        gears, states = [one.gear_right for one in of], [one.state_right for one in of]
        worst = min(of, key=lambda one: one.state_right)
        pairs = [pair for one in of for pair in one.pairs]
        print(f"{rate_hz} Hz, {len(of)} recordings: gear right at worst {min(gears):.2%}, mean {np.mean(gears):.2%}")
        print(f"  clutch state right: at least 98 % in {sum(one >= 0.98 for one in states)}, "
              f"mean {np.mean(states):.2%}, worst {worst.state_right:.2%} ({worst.name})")  # fmt: skip
        print(f"  engagements: {len(pairs)}, {sum(match is None for _, match in pairs)} missed, "
              f"{sum(one.made_up for one in of)} made up")  # fmt: skip
        for word, own, theirs in (("begins", "begins_s", "start_s"), ("held", "held_s", "held_s"),
                                  ("ends", "ends_s", "end_s")):  # fmt: skip
            off = [
                (getattr(match, theirs) - getattr(true, own)) * rate_hz
                for true, match in pairs
                if match is not None and getattr(true, own) is not None and getattr(match, theirs) is not None
            ]
            size = np.abs(off)
            print(f"  {word}, samples off: median {np.median(off):+.2f}; within 1: {np.mean(size <= 1.01):.1%}, "
                  f"within 2: {np.mean(size <= 2.01):.1%}, 95 % within {np.percentile(size, 95):.1f}")  # fmt: skip


if __name__ == "__main__":
    main()
