"""Speeds of one run, printed as simulated seconds a second and as ratios: `python -m tests.benchmarks`.

Ratios of one run mean something on any machine; the absolute figures only on the one they were taken on.
"""

import time
from collections.abc import Callable

from bench.runs import OPEN, Plan, strategy_of
from controller.calibration import load_calibration
from controller.our_rules import OURS
from controller.step import Reference
from controller.straight import Straight
from sim.drives import load_drive
from sim.loop import simulate
from sim.params import stepping
from sim.plant import Inputs, State, step
from sim.vehicle import load_vehicle

TICK_S = 0.01
ROUNDS = 3


def best_s(work: Callable[[], object]) -> float:
    """Return the shortest of a few rounds: the one least disturbed by the machine."""
    times = []
    for _ in range(ROUNDS):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return min(times)


def inputs_of_a_drive() -> list[dict[str, int]]:
    """Return the rules' inputs of every tick of the demonstration drive."""
    seen: list[dict[str, int]] = []
    rules = strategy_of(Plan("pukeko", "riverbed", "station", "station"))
    tick = rules.tick

    def listen(inputs: dict[str, int], as_built_duty: float) -> object:
        seen.append(dict(inputs))
        return tick(inputs, as_built_duty)

    rules.tick = listen  # type: ignore[method-assign]  # a benchmark listens in
    simulate(load_vehicle("pukeko"), load_drive("riverbed"), rules, flexible_jolt=False)
    return seen


def plant_alone(steps: int) -> None:
    """Step the plant in second gear on sand."""
    vehicle = load_vehicle("pukeko")
    p, h = vehicle.params, stepping(vehicle.lags, TICK_S)
    ratio = vehicle.turbine_rads_per_ms[1]
    state = State(200.0, 11.0, 300.0, 0.0, 0.05, 6000.0, 90.0, 88.0, 85.0, 88.0, 90.0)
    acting = Inputs(0.6, 1.0, 1.0, 0.0, 0.0, 0.0, ratio, ratio, 0.0, 2850.0, 5500.0, 0.0, 0.75, 0.0, 0.08, 5600.0, 30.0)
    for _ in range(steps):
        state, _books = step(state, acting, p, h)


def main() -> None:
    """Measure and print."""
    vehicle, drive = load_vehicle("pukeko"), load_drive("riverbed")
    values = load_calibration("station", OURS).values
    inputs = inputs_of_a_drive()
    some = inputs[:: max(1, len(inputs) // 5000)]
    steps = 50_000

    def tick_all(controller: Reference | Straight, ticks: list[dict[str, int]]) -> None:
        for one in ticks:
            controller.tick(one)

    seconds_per_s = {
        "plant alone": steps * TICK_S / best_s(lambda: plant_alone(steps)),
        "rules alone, straight-line": len(inputs) * TICK_S / best_s(lambda: tick_all(Straight(OURS, values), inputs)),
        "rules alone, reference": len(some) * TICK_S / best_s(lambda: tick_all(Reference(OURS, values), some)),
        "closed loop, never locked": drive.duration_s
        / best_s(lambda: simulate(vehicle, drive, strategy_of(Plan("pukeko", "riverbed", OPEN, OPEN)))),
        "closed loop, rules": drive.duration_s
        / best_s(lambda: simulate(vehicle, drive, strategy_of(Plan("pukeko", "riverbed", "station", "station")))),
    }
    print(f"{'what':<30}{'simulated s/s':>15}{'µs a tick':>12}{'of plant alone':>17}")
    for what, rate in seconds_per_s.items():
        print(f"{what:<30}{rate:>15.0f}{TICK_S / rate * 1e6:>12.2f}{rate / seconds_per_s['plant alone']:>16.2f}×")


if __name__ == "__main__":
    main()
