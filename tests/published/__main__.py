"""The check values of docs/plant.md, measured: `python -m tests.published`. Takes about a minute."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from sim.drives import Drive, DrivePoint, drive_names, load_drive
from sim.loop import simulate
from sim.result import RunResult
from sim.strategies import AsBuilt, Open, Strategy
from sim.vehicle import load_vehicle
from tests.published.test_common_practice import Held, drive, sand, seconds_between
from tests.published.test_cycles import UDDS
from tests.sim.conftest import HoldAbove
from tests.sim.test_cold_start import COLD_POINTS

PUKEKO = load_vehicle("pukeko")


def run(over: Drive, strategy: Strategy) -> RunResult:
    """Return a run of the demonstration utility without the jolt, which is not asked for here."""
    return simulate(PUKEKO, over, strategy, flexible_jolt=False)


def trade_facts() -> Iterator[str]:
    """Yield the figures that common practice gives, as measured on the model."""
    at = sand(79.0)
    out = run(at, Open())
    oil = out.traces["oil_c"]
    yield f"soft sand, second gear, 42 km/h, clutch out: slip {out.traces['slip_pct'][6000]:.1f} %"
    yield f"  heat into the oil at 60 s {out.traces['oil_heat_kw'][6000]:.1f} kW"
    yield (
        f"  oil 82 to 95 °C in {seconds_between(out, 82.0, 95.0):.0f} s, "
        f"82 to 100 °C in {seconds_between(out, 82.0, 100.0):.0f} s"
    )
    yield f"  after {out.duration_s:.0f} s: oil {oil[-1]:.1f} °C, coolant {out.traces['coolant_c'][-1]:.1f} °C"
    held = run(sand(86.5), Held())
    oil = held.traces["oil_c"][2500:26500]
    yield (
        f"the same, clutch held: oil {oil[0]:.1f} °C rises {oil.max() - oil[0]:.1f} °C in 4 min, "
        f"coolant {held.traces['coolant_c'][-1]:.1f} °C"
    )
    track = [DrivePoint(t, v, 0.0, "track") for t, v in ((0, 0), (15, 45), (600, 45))]
    oil = run(drive(track, 32.0, 101.0, 92.0), AsBuilt()).traces["oil_c"]
    yield f"easy run at 45 km/h on a track, 10 min: oil 101.0 to {oil[-1]:.1f} °C"
    road = [DrivePoint(t, v, 0.0, "sealed", 5) for t, v in ((0, 0), (40, 100), (80, 100))]
    out = run(drive(road, 25.0, 80.0, 86.0), Open())
    engine, turbine = out.traces["engine_rpm"][-1], out.traces["turbine_rpm"][-1]
    yield f"100 km/h in fifth, clutch out: engine {engine:.0f} rpm, turbine {turbine:.0f}, drop {engine - turbine:.0f}"
    fifth, sixth = PUKEKO.turbine_rpm_at_100_kmh[4:6]
    yield f"  by the ratios: fifth {fifth} rpm at 100 and {fifth * 1.1:.0f} at 110 km/h, sixth {sixth} at 100"
    out = run(load_drive("highway_trailer"), AsBuilt())
    popped = [e for e in out.engagements if e.reason_out in ("throttle_squeeze", "throttle_level")]
    yield f"highway with trailer, as built: {len(popped)} openings by the pedal"


def following() -> Iterator[str]:
    """Yield how closely the driver keeps to a recorded schedule, as built."""
    for name in ("pukeko", "takahe"):
        out = simulate(load_vehicle(name), load_drive(str(UDDS)), AsBuilt(), flexible_jolt=False)
        gap = np.abs(out.traces["speed_kmh"] - out.traces["target_kmh"]).max()
        yield f"UDDS, {name}: at most {gap:.2f} km/h off, {out.distance_km:.3f} km, {shifts(out)} shifts"


def cold_start() -> Iterator[str]:
    """Yield how long a cold start at −2 °C takes, with the clutch out."""
    points = [DrivePoint(t, v) for t, v in COLD_POINTS]
    for name in ("pukeko", "takahe"):
        vehicle = load_vehicle(name)
        out = simulate(vehicle, drive(points, -2.0, -2.0, -2.0), Open(), flexible_jolt=False)
        opens = int(np.argmax(out.traces["coolant_c"] >= vehicle.file.heat.thermostat_opens_c))
        yield (
            f"cold start, {name}: thermostat opens after {opens / 6000.0:.1f} min, "
            f"oil then {out.traces['oil_c'][opens]:.1f} °C"
        )


def step_length() -> Iterator[str]:
    """Yield what a step of 10 ms costs against one of 0.1 ms over a launch in sand and an engagement."""
    points = [DrivePoint(t, v, 0.0, "sand", 2) for t, v in ((0, 0), (1, 0), (12, 42), (22, 42))]
    over = drive(points, 25.0, 86.0, 86.0)
    coarse, fine = (
        simulate(PUKEKO, over, HoldAbove(38.0, 20.0), dt_s=dt_s, flexible_jolt=False) for dt_s in (0.01, 0.0001)
    )
    oil_c = np.max(np.abs(coarse.traces["oil_c"] - fine.traces["oil_c"]))
    ours, theirs = coarse.engagements[0], fine.engagements[0]
    yield (
        f"10 ms against 0.1 ms: oil {oil_c:.4f} °C, clutch work {ours.energy_kj:.3f} and {theirs.energy_kj:.3f} kJ, "
        f"peak torque {ours.peak_torque_nm:.0f} and {theirs.peak_torque_nm:.0f} N·m"
    )
    yield (
        f"  independent residual {coarse.energy.independent_residual:.1e} and {fine.energy.independent_residual:.1e}"
    )


def shifts(out: RunResult) -> int:
    """Return how often the gear changed."""
    return int(np.sum(np.diff(out.traces["gear"]) != 0))


def books() -> Iterator[str]:
    """Yield the largest residuals of the ledgers over the embedded drives, as built."""
    found = [(name, run(load_drive(name), AsBuilt())) for name in drive_names()]
    for word in ("scheme_residual", "thermal_residual", "independent_residual"):
        name, out = max(found, key=lambda one: float(getattr(one[1].energy, word)))
        yield f"largest {word} over {len(found)} drives: {getattr(out.energy, word):.1e} ({name})"
    for name, out in found:
        first_c, last_c = out.traces["oil_c"][[0, -1]]
        engaged = len(out.engagements)
        yield f"  {name}: {shifts(out)} shifts, {engaged} engagements, oil {first_c:.0f} to {last_c:.0f} °C"


if __name__ == "__main__":
    for line in (*trade_facts(), *cold_start(), *following(), *step_length(), *books()):
        print(line)
