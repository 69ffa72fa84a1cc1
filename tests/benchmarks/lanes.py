"""Speed of compiled lanes beside plain Python on the same run: `python -m tests.benchmarks.lanes`."""

import time

from bench.runs import Plan, strategy_of
from controller.calibration import load_calibration
from controller.our_rules import OURS
from controller.step import Reference
from sim.drives import load_drive
from sim.lanes import Lane, events_of, place, run
from sim.loop import simulate
from sim.strategies import Rules
from sim.vehicle import load_vehicle

LANES = 400
ROUNDS = 5


def main() -> None:
    """Measure and print."""
    vehicle, drive = load_vehicle("pukeko"), load_drive("riverbed")
    values = load_calibration("station", OURS).values
    plain_s = {}
    for name, strategy in (
        ("straight-line rules", strategy_of(Plan("pukeko", "riverbed", "station", "station"))),
        ("reference rules", Rules(Reference(OURS, values), "station")),
    ):
        began = time.perf_counter()
        simulate(vehicle, drive, strategy, flexible_jolt=False)
        plain_s[name] = time.perf_counter() - began
    where = [place(vehicle, drive)]
    lanes = [Lane(0, values, events=events_of(drive, OURS)) for _ in range(LANES)]
    run(OURS, where, lanes[:2])
    best_s = min(_timed(lambda: run(OURS, where, lanes)) for _ in range(ROUNDS))
    ticks = where[0].course.ticks
    per_s = LANES * ticks / best_s
    print(f"lanes: {per_s / 1e6:.2f} million lane-ticks a second")
    print(f"       {LANES} lanes of {ticks} ticks: driver, gearbox, rules with every property, plant")
    for name, taken_s in plain_s.items():
        plain_per_s = ticks / taken_s
        print(f"plain Python, {name}: {plain_per_s / 1e3:.1f} thousand ticks a second; ratio {per_s / plain_per_s:.0f}")


def _timed(work: object) -> float:
    began = time.perf_counter()
    work()  # type: ignore[operator]  # a function without arguments
    return time.perf_counter() - began


if __name__ == "__main__":
    main()
