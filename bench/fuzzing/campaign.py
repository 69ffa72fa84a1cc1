"""A fuzz campaign: batch after batch of lanes, what they covered, what failed; kept on disk after every batch."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from bench.fuzzing.world import Batch, draw_batch
from bench.out_files import write_whole
from controller.errors import UserError
from controller.ruleset import RuleSet
from controller.watch import watched
from sim import lane_kernel as kernel
from sim.course import TICK_S
from sim.lanes import Outcome, rules_text, run

STATE_FILE = "fuzz.json"

PLACES, LANES_A_PLACE = 24, 48
FIRST_PLACES = 8
"""The first batches are smaller: an obvious fault shows at once."""

CLUTCH_MOST_KJ = 40.0
"""Most work of a plain lane's clutch in one hold: four times what the embedded vehicles ever ask of it."""

OIL_MOST_C = 150.0
"""Hottest oil of a plain lane; drives start with up to 135 °C."""

WARMER_MOST_C = 0.2
"""On soft ground a hold may not leave the oil warmer than no hold by more than this."""

HELD_TICKS, HELD_SHARE = 500, 0.5
"""Shorter holds say nothing about the oil, nor do holds of less of a drive: out of one the gearbox may stand in another
gear than it would without, and then the open converter's heat is the schedule's doing."""

PLANT_CHECKS = {
    "no_stall_by_a_hold": "no engine stalls while the rules hold the clutch in",
    "no_hunting": "target, gear and switch held, pedal to spare: the clutch does not go in three times within 30 s",
    "clutch_work_in_limit": f"one hold asks at most {CLUTCH_MOST_KJ:g} kJ of the clutch",
    "oil_in_limit": f"with the rules the oil stays under {OIL_MOST_C:g} °C",
    "cooler_with_hold": f"on soft ground a hold for most of a drive leaves the oil no warmer than none, within "
    f"{WARMER_MOST_C:g} °C",
    "numbers_in_range": "no value of the plant leaves the range of numbers",
}
"""What the plant is asked of lanes with a calibration fitted to the vehicle and no faults."""


@dataclass(frozen=True)
class Failure:
    """A lane that failed a check; `tick` is where it was first seen, `bit` the property's place, -1 for the plant's."""

    check: str
    batch: int
    lane: int
    tick: int
    bit: int


@dataclass
class Progress:
    """What a campaign has done so far; all of it stands in the state file."""

    seed: int
    fingerprint: str
    next_batch: int = 0
    lane_ticks: int = 0
    seconds: float = 0.0
    rows: list[int] = field(default_factory=list)
    refusals: list[int] = field(default_factory=list)
    failures: list[str] = field(default_factory=list)


def fingerprint(rules: RuleSet) -> str:
    """Return a mark of the rules' own tick: a campaign goes on only with the rules it began with."""
    return hashlib.sha256(rules_text(rules).encode()).hexdigest()[:16]


def begin(rules: RuleSet, seed: int, folder: Path, fresh: bool) -> Progress:
    """Return the progress kept in the folder for these rules and this seed, or a new one.

    Raises `UserError` where the file there cannot be read.
    """
    new = Progress(seed, fingerprint(rules), rows=[0] * (len(rules.rows) + 1), refusals=[0] * len(rules.reasons))
    path = folder / STATE_FILE
    if fresh or not path.exists():
        return new
    try:
        kept = Progress(**json.loads(path.read_text(encoding="utf-8")))
    except (OSError, ValueError, TypeError):
        raise UserError(f"{path}: not a campaign that this version can go on with; remove it or add --fresh") from None
    return kept if (kept.seed, kept.fingerprint) == (seed, new.fingerprint) else new


def keep(progress: Progress, folder: Path) -> None:
    """Write the progress, whole or not at all."""
    write_whole(folder / STATE_FILE, [json.dumps(vars(progress), indent=1), "\n"])


def run_batch(rules: RuleSet, progress: Progress) -> tuple[Batch, list[Failure]]:
    """Run the next batch, add to the progress, and return the batch with the lanes that failed."""
    number = progress.next_batch
    places = FIRST_PLACES if number < 2 else PLACES
    batch = draw_batch(rules, progress.seed, number, places, LANES_A_PLACE)
    outcome = run(rules, batch.places, batch.lanes)
    progress.next_batch += 1
    progress.lane_ticks += outcome.lane_ticks
    progress.rows = [a + int(b) for a, b in zip(progress.rows, outcome.rows.sum(axis=0), strict=True)]
    progress.refusals = [a + int(b) for a, b in zip(progress.refusals, outcome.refusals.sum(axis=0), strict=True)]
    return batch, list(_failures(rules, batch, outcome, number))


def uncovered(rules: RuleSet, progress: Progress) -> list[str]:
    """Return the rows and refusals that no lane has shown yet."""
    missing = [f"{row.source.word} → {row.destination.word}: {row.reason}"
               for row, seen in zip(rules.rows, progress.rows[1:], strict=True) if not seen]  # fmt: skip
    refused = {rules.reason_numbers[one.reason]: one.reason for one in rules.refusals}
    return missing + [f"refused: {word}" for number, word in refused.items() if not progress.refusals[number]]


def plant_check(check: str, counts: Any) -> tuple[bool, int]:
    """Return whether a lane's counts pass a check of the plant, and the tick at which they did not."""
    match check:
        case "no_stall_by_a_hold":
            return counts[kernel.HELD_STALLS] == 0, int(counts[kernel.FIRST_STALL_TICK])
        case "no_hunting":
            return counts[kernel.HUNTS] == 0, int(counts[kernel.FIRST_HUNT_TICK])
        case "clutch_work_in_limit":
            return counts[kernel.MOST_CLUTCH_J] <= CLUTCH_MOST_KJ * 1_000, int(counts[kernel.MOST_CLUTCH_TICK])
        case "oil_in_limit":
            return counts[kernel.OIL_PEAK] <= OIL_MOST_C, 0
        case _:  # numbers_in_range
            return bool(np.isfinite(counts).all()), 0


def warmer_by_hold(held: Any, never_held: Any, duration_s: float) -> bool:
    """Return whether a hold that lasted left the oil warmer than no hold on the same drive."""
    warmer = held[kernel.OIL_END] > never_held[kernel.OIL_END] + WARMER_MOST_C
    ticks = max(HELD_TICKS, HELD_SHARE * duration_s / TICK_S)
    return bool(held[kernel.HELD_TICKS] >= ticks and warmer)


ALONE_CHECKS = tuple(name for name in PLANT_CHECKS if name != "cooler_with_hold")


def _failures(rules: RuleSet, batch: Batch, outcome: Outcome, number: int) -> Iterator[Failure]:
    names = watched(rules).names
    for lane in np.flatnonzero(outcome.broken[:, kernel.BITS]).tolist():
        bits, tick = int(outcome.broken[lane, kernel.BITS]), int(outcome.broken[lane, kernel.FIRST_TICK])
        for bit, name in enumerate(names):
            if bits >> bit & 1:
                yield Failure(name, number, lane, tick, bit)
    for check in ALONE_CHECKS:
        for lane in batch.plain:
            passes, tick = plant_check(check, outcome.counts[lane])
            if not passes:
                yield Failure(check, number, lane, tick, -1)
    for held, never in batch.pairs:
        if warmer_by_hold(outcome.counts[held], outcome.counts[never], batch.drives[held].duration_s):
            yield Failure("cooler_with_hold", number, held, 0, -1)
