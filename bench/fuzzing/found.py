"""A failure made small and written down: drive, calibration and, where the plant matters, the vehicle."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from bench.found_drive import write_found
from bench.fuzzing.campaign import PLANT_CHECKS, Failure, plant_check, warmer_by_hold
from bench.fuzzing.shrink import RuleShrinker, shrink_drive
from bench.fuzzing.world import Batch
from bench.out_files import write_whole
from controller.calibration import write_calibration
from controller.found_run import FoundRun
from controller.ruleset import RuleSet
from sim import lane_kernel as kernel
from sim.drives import Drive
from sim.lanes import Lane, events_of, place, run
from sim.vehicle import Vehicle


@dataclass(frozen=True)
class Found:
    """A small failure: its name, the files that replay it, and the run of ticks where rules alone show it."""

    name: str
    check: str
    meaning: str
    events: int
    paths: tuple[Path, ...]
    run: FoundRun | None = None


def make_small(rules: RuleSet, batch: Batch, failure: Failure, seed: int, folder: Path) -> Found:
    """Shrink a failure and write its files."""
    name = f"{failure.check}_{seed}_{failure.batch}_{failure.lane}"
    if failure.bit >= 0:
        return _of_rules(rules, batch, failure, name, folder)
    return _of_plant(rules, batch, failure, name, folder)


def _of_rules(rules: RuleSet, batch: Batch, failure: Failure, name: str, folder: Path) -> Found:
    lane = batch.lanes[failure.lane]
    traced = run(rules, [batch.places[lane.place]], [replace(lane, place=0)], traced=1).traces[0]
    inputs = traced[:, : len(rules.signals)].astype("int64")
    small = RuleShrinker(rules, failure.bit).shrink(lane.calibration, inputs)
    meaning = next(one.meaning for one in rules.checks if one.name == failure.check)
    paths = write_found(small, name, meaning, folder)
    return Found(name, failure.check, meaning, changes_in(small), paths, small)


def changes_in(run: FoundRun) -> int:
    """Return how often the inputs of a run change, its start included: the events of the drive that repeats it."""
    count, before = 0, None
    for x in run.inputs:
        timeless = {name: value for name, value in x.items() if name != "now_ms"}
        count += timeless != before
        before = timeless
    return count


def _of_plant(rules: RuleSet, batch: Batch, failure: Failure, name: str, folder: Path) -> Found:
    lane = batch.lanes[failure.lane]
    vehicle = batch.places[lane.place].vehicle

    def fails(drive: Drive) -> bool:
        held = _counts(rules, vehicle, drive, lane.calibration)
        if failure.check == "cooler_with_hold":
            never = _counts(rules, vehicle, drive, lane.calibration, kernel.BY_NOBODY)
            return warmer_by_hold(held, never, drive.duration_s)
        return not plant_check(failure.check, held)[0]

    small = shrink_drive(batch.drives[failure.lane], fails)
    meaning = PLANT_CHECKS[failure.check]
    texts = {
        "drive": drive_toml(small),
        "vehicle": vehicle.text,
        "calibration": write_calibration(rules, lane.calibration, f"Found with {name}"),
    }
    paths = tuple(folder / f"{name}.{what}.toml" for what in texts)
    for path, text in zip(paths, texts.values(), strict=True):
        write_whole(path, [text])
    return Found(name, failure.check, meaning, len(small.events) + len(small.points) - 1, paths)


def _counts(rules: RuleSet, vehicle: Vehicle, drive: Drive, calibration: Any, who: int = kernel.BY_RULES) -> Any:
    lane = Lane(0, calibration, who, events_of(drive, rules))
    return run(rules, [place(vehicle, drive)], [lane]).counts[0]


def drive_toml(drive: Drive) -> str:
    """Return a drive as the text of a drive file."""
    lines = [
        f'title = "{drive.title}"',
        f'about = "{drive.about}"',
        f"ambient_c = {drive.ambient_c}",
        f"oil_c = {drive.oil_c}",
        f"coolant_c = {drive.coolant_c}",
    ]
    if drive.trailer_kg:
        lines += ["", "[trailer]", f"mass_kg = {float(drive.trailer_kg)}",
                  f"drag_area_m2 = {drive.trailer_drag_area_m2}", f"rolling = {drive.trailer_rolling}"]  # fmt: skip
    for point in drive.points:
        lines += ["", "[[point]]", f"at_s = {point.time_s}", f"speed_kmh = {point.speed_kmh}",
                  f"grade_pct = {point.grade_pct}", f'surface = "{point.surface}"', f"gear_limit = {point.gear_limit}",
                  f"headwind_kmh = {point.wind_kmh}"]  # fmt: skip
    words = ("none", "low", "high")
    for event in drive.events:
        lines += ["", "[[event]]"]
        if event.at_s is not None:
            lines.append(f"at_s = {event.at_s}")
        else:
            direction = "rising" if event.rising else "falling"
            lines += [
                f"at_speed_kmh = {event.at_speed_kmh}",
                f'direction = "{direction}"',
                f"after_s = {event.after_s}",
            ]
        if event.for_s is not None:
            lines.append(f"for_s = {event.for_s}")
        if event.band is not None:
            lines.append(f'band = "{words[event.band]}"')
        if event.throttle_add:
            lines.append(f"throttle_add_pct = {event.throttle_add * 100}")
        if event.brake:
            lines.append(f"brake_pct = {event.brake * 100}")
    return "\n".join(lines) + "\n"
