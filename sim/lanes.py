"""Lanes: the closed loop compiled, over thousands of vehicles at once. Needs the `lanes` extra (numba).

Everything that a batch of lanes reads stands in arrays. `Batch` is filled from the same vehicles, drives and
calibrations that a single run takes; `run` compiles the kernel for the rule set once and keeps it on disk.
"""

from __future__ import annotations

import ast
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from types import ModuleType
from typing import Any

import numpy as np
from numba import parallel_chunksize

from controller.errors import UserError
from controller.ruleset import COMMAND_FIELDS, RuleSet
from controller.step import initial_memory
from controller.straight import source
from controller.watch import initial_fields, watched
from sim import lane_kernel as kernel
from sim.compile import Source, fill, module_of, record_type
from sim.course import TICK_S, Course, lay_out
from sim.driver import Driver
from sim.drives import Drive
from sim.gearbox import Gearbox
from sim.ignition import Ignition
from sim.lock_schedule import LockSchedule
from sim.loop import columns_of, fixed_of, load_of, start_state
from sim.params import Params, stepping
from sim.sensors import GROUPS
from sim.tick import Here, Seen
from sim.vehicle import Vehicle, load_vehicle

SEEN_NAMES = Seen._fields
NOISY = SEEN_NAMES[kernel.ROAD_SPEED : kernel.PEDAL + 1]
"""Signals that a lane may add noise to, in the order of `Lane.noise`."""

GROUP_NAMES = tuple(GROUPS)
MOST_CHECKS = 62
"""Properties and histories that fit the bits of one whole number."""

TABLES = tuple(name for name, kind in Params.__annotations__.items() if "tuple" in str(kind))
NUMBERS = tuple(name for name in Params._fields if name not in TABLES)


@dataclass(frozen=True)
class Place:
    """A vehicle on a drive under given conditions, laid out tick by tick; many lanes may share it."""

    vehicle: Vehicle
    drive: Drive
    course: Course
    start: tuple[float, ...]
    gearbox: Gearbox


def place(vehicle: Vehicle, drive: Drive, ambient_c: float | None = None, trailer_kg: float | None = None) -> Place:
    """Lay out a drive for a vehicle; `ambient_c` and `trailer_kg` replace the drive's own."""
    course = lay_out(
        vehicle,
        drive,
        drive.ambient_c if ambient_c is None else ambient_c,
        drive.trailer_kg if trailer_kg is None else trailer_kg,
    )
    gearbox = Gearbox(vehicle)
    start = start_state(vehicle, drive, course, gearbox)
    return Place(vehicle, drive, course, tuple(start), gearbox)


Event = tuple[float, float, float, float, float, float, float]
"""A row of the kernel's event table."""


@dataclass(frozen=True)
class Lane:
    """One vehicle's run: where, who commands, what happens, and with which calibration.

    `noise` is the largest error of each of `NOISY`, in the signal's own unit.
    """

    place: int
    calibration: Sequence[int]
    who: int = kernel.BY_RULES
    events: tuple[Event, ...] = ()
    noise: tuple[int, ...] = (0,) * len(NOISY)
    seed: int = 1


@dataclass(frozen=True)
class Outcome:
    """What came of a batch, a row a lane; `counts` has the columns that the kernel names.

    `traces` holds inputs, outputs and plant state of every tick of the first lanes, where asked for.
    """

    lane_ticks: int
    rows: Any
    refusals: Any
    broken: Any
    counts: Any
    traces: Any


def events_of(drive: Drive, rules: RuleSet) -> tuple[Event, ...]:
    """Return a drive's events as rows of the kernel's table."""
    places = {signal.name: at for at, signal in enumerate(rules.signals)}
    made: list[Event] = []
    for event in drive.events:
        if event.at_s is not None:
            when: tuple[float, float] = (kernel.AT_TIME, event.at_s)
        else:
            when = (kernel.AT_RISING if event.rising else kernel.AT_FALLING, event.at_speed_kmh or 0.0)
        start = (*when, event.after_s, event.for_s or 0.0)
        if event.band is not None:
            made.append((*start, kernel.BAND, 0, event.band))
        if event.ignition is not None:
            made.append((*start, kernel.IGNITION, 0, event.ignition))
        if event.throttle_add:
            made.append((*start, kernel.THROTTLE, 0, event.throttle_add))
        if event.brake:
            made.append((*start, kernel.BRAKE, 0, event.brake))
        if event.gear_limit is not None:
            made.append((*start, kernel.GEAR, 0, event.gear_limit))
        made += [(*start, kernel.LOSE, GROUP_NAMES.index(group), 0) for group in event.lose]
        made += [(*start, kernel.FORCE, places[name], value) for name, value in event.signals.items() if name in places]
    return tuple(made)


def run(rules: RuleSet, places: Sequence[Place], lanes: Sequence[Lane], traced: int = 0) -> Outcome:
    """Run lanes on all cores; every tick of the `traced` first lanes is kept."""
    ticks = np.array([one.course.ticks for one in places])
    vehicles = list({id(one.vehicle): one.vehicle for one in places}.values())
    vehicle_of = np.array([next(at for at, v in enumerate(vehicles) if v is one.vehicle) for one in places])
    numbers, tables, lengths = _params(vehicles)
    parts = [
        _records(lanes, [Driver(one.vehicle) for one in places]),
        _records(lanes, [one.gearbox for one in places]),
        _records(lanes, [LockSchedule(one.vehicle) for one in places]),
        _records(lanes, [Ignition(one.vehicle) for one in places]),
    ]
    most_events = max((len(lane.events) for lane in lanes), default=0)
    events = np.zeros((len(lanes), max(most_events, 1), 7))
    for at, lane in enumerate(lanes):
        if lane.events:
            events[at, : len(lane.events)] = lane.events
    width = len(rules.signals) + 8 + 11
    outcome = Outcome(
        int(sum(ticks[lane.place] for lane in lanes)),
        np.zeros((len(lanes), len(rules.rows) + 1), np.int64),
        np.zeros((len(lanes), len(rules.reasons)), np.int64),
        np.zeros((len(lanes), 2), np.int64),
        np.zeros((len(lanes), kernel.COUNTS)),
        np.zeros((max(traced, 1), int(max(ticks)) if traced else 0, width)),
    )
    group_of, age_of = _groups(rules)
    module = compiled(rules)
    arguments = (
        ticks,
        np.array([lane.who for lane in lanes]),
        np.array([lane.place for lane in lanes]),
        _courses(places),
        np.array([load_of(one.course) for one in places]),
        np.array([one.start for one in places]),
        vehicle_of,
        numbers,
        tables,
        lengths,
        np.array([tuple(stepping(one.lags, TICK_S)) for one in vehicles]),
        np.array([fixed_of(one) for one in vehicles]),
        *parts,
        events,
        np.array([len(lane.events) for lane in lanes]),
        np.array([lane.noise for lane in lanes], np.int64),
        np.array([lane.seed for lane in lanes], np.int64),
        np.array([int(signal.default) for signal in rules.signals], np.int64),
        group_of,
        age_of,
        np.array([tuple(lane.calibration) for lane in lanes], np.int64),
        np.tile(np.array(initial_memory(rules), np.int64), (len(lanes), 1)),
        np.tile(np.array([*initial_fields(rules), 0], np.int64), (len(lanes), 1)),
        outcome.rows,
        outcome.refusals,
        outcome.broken,
        outcome.counts,
        outcome.traces,
        np.minimum(np.arange(len(lanes)), len(outcome.traces) - 1),
        np.where(np.arange(len(lanes)) < traced, outcome.traces.shape[1], 0),
    )
    # Drives differ in length: small portions keep all cores at work to the end.
    with parallel_chunksize(_PORTION):
        module.run_lanes(*arguments)
    return outcome


_PORTION = 8
"""Lanes that a core takes at a time."""


def first_broken(rules: RuleSet, calibration: Sequence[int], inputs: Any, bits: int) -> int:
    """Return the first tick of a run of inputs (a row a tick) that breaks a property in `bits`, or -1."""
    memory = np.array(initial_memory(rules), np.int64)
    fields = np.array([*initial_fields(rules), 0], np.int64)
    return int(compiled(rules).replay(inputs, np.array(tuple(calibration), np.int64), memory, fields, bits))


@lru_cache(maxsize=8)
def compiled(rules: RuleSet) -> ModuleType:
    """Return the kernel for a rule set as a module that numba compiles at its first call."""
    vehicle = load_vehicle("pukeko")
    taken = Source({make: make(vehicle) for make in (Driver, Gearbox, LockSchedule, Ignition)})
    taken.add_text("params_of", _params_text())
    taken.add_text("place", _place_text(rules))
    taken.add_text("rules_tick", rules_text(rules))
    taken.add(kernel.run_lane)  # type: ignore[arg-type]  # functions as the interpreter has them
    taken.add(kernel.replay)  # type: ignore[arg-type]
    taken.add(kernel.run_lanes, "@njit(cache=True, parallel=True, error_model='numpy')")  # type: ignore[arg-type]
    return module_of(f"from sim.params import Params\n{taken.text()}", rules.name)


def rules_text(rules: RuleSet) -> str:
    """Return a rule set's tick on arrays: renews `m` and `h`, writes command, row and bits of what fails to `out`."""
    seen = watched(rules)
    if len(seen.names) > MOST_CHECKS:
        raise UserError(f"rule set {rules.name!r}: {len(seen.names)} properties; lanes check at most {MOST_CHECKS}")
    tree = ast.parse(source(seen.program, seen.outputs)).body[0]
    assert isinstance(tree, ast.FunctionDef)
    last = tree.body[-1]
    assert isinstance(last, ast.Return)
    assert isinstance(last.value, ast.Tuple)
    results = [ast.unparse(one) for one in last.value.elts]
    lines = ["def rules_tick(x, k, m, h, out):", *(f"    {ast.unparse(line)}" for line in tree.body[:-1])]
    # Named first: what is written to `m` and `h` must not be read again by a later result.
    lines += [f"    r{at} = {text}" for at, text in enumerate(results)]
    size, command = len(rules.memory), len(COMMAND_FIELDS)
    lines += [f"    m[{at}] = r{at}" for at in range(size)]
    lines += [f"    out[{at}] = r{size + at}" for at in range(command)]
    fields = len(seen.fields)
    lines += [f"    h[{at}] = r{size + command + at}" for at in range(fields)]
    row = size + command + fields
    lines += [f"    out[{kernel.ROW}] = r{row}", "    broken = 0"]
    lines += [f"    if not r{row + 1 + at}:\n        broken |= {1 << at}" for at in range(len(seen.names))]
    lines += [f"    out[{kernel.BROKEN}] = broken"]
    return "\n".join(lines) + "\n"


def _place_text(rules: RuleSet) -> str:
    lines = ["def place(seen, x):"]
    for at, signal in enumerate(rules.signals):
        if signal.name in SEEN_NAMES:
            lines.append(f"    x[{at}] = seen[{SEEN_NAMES.index(signal.name)}]")
    return "\n".join([*lines, "    return", ""])


def _params_text() -> str:
    cells = [
        f"tables[{TABLES.index(name)}, :lengths[{TABLES.index(name)}]]"
        if name in TABLES
        else f"numbers[{NUMBERS.index(name)}]"
        for name in Params._fields
    ]
    return f"def params_of(numbers, tables, lengths):\n    return Params({', '.join(cells)})\n"


def _params(vehicles: Sequence[Vehicle]) -> tuple[Any, Any, Any]:
    numbers = np.array([[getattr(one.params, name) for name in NUMBERS] for one in vehicles])
    lengths = np.array([[len(getattr(one.params, name)) for name in TABLES] for one in vehicles])
    tables = np.zeros((len(vehicles), len(TABLES), int(lengths.max())))
    for at, one in enumerate(vehicles):
        for column, name in enumerate(TABLES):
            tables[at, column, : lengths[at, column]] = getattr(one.params, name)
    return numbers, tables, lengths


def _records(lanes: Sequence[Lane], parts: Sequence[Any]) -> Any:
    """Return a record a lane of the part that belongs to its place."""
    one_each = np.zeros(len(parts), record_type(parts[0]))
    for at, part in enumerate(parts):
        fill(one_each[at], part)
    return one_each[[lane.place for lane in lanes]]


def _courses(places: Sequence[Place]) -> Any:
    courses = np.zeros((len(places), max(one.course.ticks for one in places), len(Here._fields)))
    for at, one in enumerate(places):
        courses[at, : one.course.ticks] = np.stack(columns_of(one.course), axis=1)
    return courses


def _groups(rules: RuleSet) -> tuple[Any, Any]:
    names = [signal.name for signal in rules.signals]
    group_of = np.full(len(names), -1, np.int64)
    for at, members in enumerate(GROUPS.values()):
        for name in members:
            if name in names:
                group_of[names.index(name)] = at
    ages = [f"{group}_age_ms" for group in GROUP_NAMES]
    return group_of, np.array([names.index(age) if age in names else -1 for age in ages], np.int64)
