"""Running a device through drives and faults, and what came of it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

from bench.bus_log import log_file
from bench.bus_session import on_line
from bench.pages.markup import Flag, Judgement, Table
from bus.binding import Binding, load_binding
from bus.candump import LogWriter
from bus.carried import Carried, Late
from bus.clock import Clock, Lateness, LockStep, RealTime
from bus.faults import FaultyPost, foreign_idents
from bus.line import Line
from bus.nodes import (
    ControllerNode,
    Link,
    OtherProcessLockStep,
    OtherProcessRealTime,
    OverBus,
    SameProcess,
    VehicleNode,
)
from bus.open_bus import open_bus, parse_url
from bus.scheduler import Scheduler
from bus.sweep import Bench, Grade, Result
from controller.calibration import load_calibration
from controller.errors import UserError
from controller.straight import Straight
from controller.user_rules import load_rules
from sim.drives import load_drive
from sim.loop import simulate
from sim.result import RunResult
from sim.strategies import Decision, Rules, Told
from sim.vehicle import load_vehicle

SHADOW_TICKS = 5
"""In real time a device's clutch may differ from the rules run beside it for this many ticks at a change."""


class Setup(NamedTuple):
    """What is put on the bench, by name."""

    url: str
    is_external: bool
    map_name: str
    dbc_path: str | None
    vehicle: str
    drives: tuple[str, ...]
    faults: tuple[str, ...]
    has_sweep: bool
    calibration: str
    rules_file: str | None
    is_real_time: bool
    wait_s: float
    may_send: bool


@dataclass(frozen=True)
class DriveResult:
    """One drive over the bus. `speed` is times real time."""

    name: str
    seconds: float
    engagements: int
    frames: int
    lost: int
    refused: int
    passed: bool
    text: str
    lateness: Lateness | None


@dataclass(frozen=True)
class BenchOutcome:
    """Everything that was seen."""

    setup: Setup
    map_title: str
    drives: tuple[DriveResult, ...]
    sweep: tuple[Result, ...]

    @property
    def has_failed(self) -> bool:
        """Anything failed."""
        return any(not one.passed for one in self.drives) or any(one.grade is Grade.FAILED for one in self.sweep)

    def verdict(self) -> list[tuple[Judgement, str]]:
        """Return one line for the drives and one for each grade of the sweep."""
        lines: list[tuple[Judgement, str]] = []
        if self.drives:
            bad = [one.name for one in self.drives if not one.passed]
            text = f"{len(self.drives)} drives over the bus: {'failed ' + ', '.join(bad) if bad else 'as expected'}"
            lines.append(("bad" if bad else "good", text))
        by_grade = {grade: [one for one in self.sweep if one.grade is grade] for grade in Grade}
        if self.sweep:
            failed = by_grade[Grade.FAILED]
            lines.append(("bad" if failed else "good", f"{len(by_grade[Grade.PASSED])} fault cases passed, "
                          f"{len(failed)} failed"))  # fmt: skip
            lines += [("bad", f"{one.case.name}: {one.text}") for one in failed[:10]]
            if by_grade[Grade.OPEN]:
                lines.append(("note", f"{len(by_grade[Grade.OPEN])} cases cannot be told on this map: messages without "
                              "protection look right when they are wrong"))  # fmt: skip
            if by_grade[Grade.LEFT_OUT]:
                lines.append(("note", f"{len(by_grade[Grade.LEFT_OUT])} cases left out: the message or the bus gives "
                              "no room for the fault"))  # fmt: skip
        return lines

    def tables(self) -> list[Table]:
        """Return the drives, and the sweep by fault and message."""
        tables = []
        if self.drives:
            tables.append(Table(
                "Drives over the bus", ("drive", "s", "engagements", "frames", "lost", "refused", "verdict"),
                [(one.name, f"{one.seconds:.0f}", str(one.engagements), str(one.frames), str(one.lost),
                  str(one.refused), Flag("good" if one.passed else "bad", one.text)) for one in self.drives],
            ))  # fmt: skip  # a row a line
            late = [(one.name, one.lateness) for one in self.drives if one.lateness]
            if late:
                tables.append(Table(
                    "Lateness of ticks, µs", ("drive", "waits", "median", "99 %", "worst"),
                    [(name, str(one.ticks), str(one.median_us), str(one.p99_us), str(one.worst_us))
                     for name, one in late],
                ))  # fmt: skip
        if self.sweep:
            tables.append(self._sweep_table())
        return tables

    def _sweep_table(self) -> Table:
        groups: dict[tuple[str, str], list[Result]] = {}
        for one in self.sweep:
            groups.setdefault((one.case.kind.word, one.case.message), []).append(one)
        rows = []
        for (fault, message), results in groups.items():
            measured = [one.reaction_ms for one in results if one.reaction_ms is not None]
            limits = [one.limit_ms for one in results if one.limit_ms is not None]
            back = [one.recovery_ms for one in results if one.recovery_ms is not None]
            rows.append((
                fault, message,
                *(_flag(next((one for one in results if one.case.state.word == state), None))
                  for state in ("idle", "armed", "applied", "released")),
                str(max(measured)) if measured else "–", str(max(limits)) if limits else "–",
                str(max(back)) if back else "–",
            ))  # fmt: skip
        return Table(
            "Faults, by the state they come in",
            ("fault", "message", "idle", "armed", "applied", "released", "slowest reaction ms", "limit ms",
             "slowest recovery ms"),
            rows,
            left=2,
            note="Reaction: on the bus, from the last good frame (a stuck brake: from its first frame) to a command of "
            "duty 0. Recovery: from the fault's end to where the device would have been without it.",
        )  # fmt: skip


def _flag(one: Result | None) -> Flag | str:
    if one is None:
        return "–"
    kinds: dict[Grade, tuple[Judgement, str]] = {
        Grade.PASSED: ("good", "ok"), Grade.FAILED: ("bad", "failed"),
        Grade.OPEN: ("note", "open"), Grade.LEFT_OUT: ("note", "–"),
    }  # fmt: skip
    return Flag(*kinds[one.grade])


class _Ends(NamedTuple):
    vehicle: VehicleNode
    post: FaultyPost
    link: Link
    timer: Clock
    has_noise: bool


def run_bench(setup: Setup, log_path: Path, progress: Callable[[str], None]) -> BenchOutcome:
    """Run everything. Raises `UserError` for wrong input and `BusError` where the device or the bus goes away."""
    rules = load_rules(setup.rules_file)
    binding = load_binding(setup.map_name, rules, setup.dbc_path)
    if setup.is_external and not setup.is_real_time and binding.time_message is None:
        raise UserError(f"{setup.map_name}: this map cannot drive a device in lock-step; give --clock real")
    calibration = load_calibration(setup.calibration, rules).values
    drives, sweep = [], []
    with log_file(str(log_path)) as log:
        for name in setup.drives:
            progress(f"drive {name}")
            with _ends(setup, binding, calibration, log) as ends:
                drives.append(_drive(setup, name, binding, calibration, ends))
        if setup.has_sweep:
            with _ends(setup, binding, calibration, log) as ends:
                sweep = list(_sweep(setup, binding, calibration, ends, progress))
    return BenchOutcome(setup, binding.title, tuple(drives), tuple(sweep))


@contextmanager
def _ends(setup: Setup, binding: Binding, calibration: Any, log: LogWriter | None) -> Iterator[_Ends]:
    timer: Clock = RealTime() if setup.is_real_time else LockStep()
    scheduler = Scheduler(timer)
    with ExitStack() as stack:
        line = stack.enter_context(on_line(setup.url, binding, "vehicle", setup.may_send, is_forged_at=True))
        parsed = parse_url(setup.url)
        noise = None
        if not parsed.is_real:
            noise = Line(open_bus(setup.url), foreign_idents(binding), is_forged_at=True, is_serial=parsed.is_serial)
            stack.callback(noise.close)
        post = FaultyPost(binding, line, noise)
        vehicle = VehicleNode(binding, line, scheduler, post)
        link: Link
        if setup.is_external:
            link = OtherProcessRealTime(vehicle, scheduler) if setup.is_real_time else OtherProcessLockStep(vehicle)
        else:
            other = stack.enter_context(on_line(setup.url, binding, "controller", setup.may_send, is_forged_at=True))
            controller = ControllerNode(binding, other, lambda: Straight(binding.rules, calibration))
            link = SameProcess(vehicle, controller)
        link.start(setup.wait_s)
        line.set_log(log)
        yield _Ends(vehicle, post, link, timer, noise is not None)


def _drive(setup: Setup, name: str, binding: Binding, calibration: Any, ends: _Ends) -> DriveResult:
    truck, drive = load_vehicle(setup.vehicle), load_drive(name)
    line = ends.vehicle.line
    before = line.sent + line.heard
    beside = Late(Rules(Straight(binding.rules, calibration), "direct"), Carried(binding))
    across = OverBus(ends.vehicle, ends.link, "over the bus")
    if setup.is_real_time and setup.is_external:
        shadowed = _Shadowed(across, beside)
        over = simulate(truck, drive, shadowed, flexible_jolt=False)
        differing = shadowed.differing_ticks()
        text = "the clutch as the rules have it" if not differing else f"{differing} ticks differ from the rules"
    else:
        over = simulate(truck, drive, across, flexible_jolt=False)
        differing, text = _compare(simulate(truck, drive, beside, flexible_jolt=False), over)
    receiver = ends.vehicle.receiver
    return DriveResult(
        drive.name, drive.duration_s, len(over.engagements), line.sent + line.heard - before,
        receiver.lost_frames, receiver.refused_frames, not differing, text, ends.timer.lateness(),
    )  # fmt: skip  # the fields of a row


def _compare(direct: RunResult, over: RunResult) -> tuple[int, str]:
    import numpy as np

    first, number = None, 0
    for key, values in direct.traces.items():
        other = over.traces[key]
        unequal = np.flatnonzero(~((values == other) | (np.isnan(values) & np.isnan(other))))
        if unequal.size:
            number = max(number, int(unequal.size))
            if first is None or unequal[0] < first[0]:
                first = int(unequal[0]), key
    if first is None:
        return 0, "equals the direct run, tick for tick"
    return number, f"{first[1]} differs from the direct run at {first[0] / 100:.2f} s"


class _Shadowed:
    """A device on its own clock, and our rules beside it on the same inputs: the device commands, both are noted."""

    kind = "rules"
    told: tuple[Told, ...] = ()

    def __init__(self, device: OverBus, rules: Late) -> None:
        self.name, self.reason_words, self.signals = device.name, device.reason_words, device.signals
        self._device, self._rules = device, rules
        self._pairs: list[tuple[bool, bool]] = []

    def tick(self, inputs: Mapping[str, int], as_built_duty: float) -> Decision:
        """Return the device's decision."""
        decision, own = self._device.tick(inputs, as_built_duty), self._rules.tick(inputs, as_built_duty)
        self._pairs.append((decision.hold and decision.duty > 0.0, own.hold and own.duty > 0.0))
        return decision

    def differing_ticks(self) -> int:
        """Return the ticks at which the device is in or out and the rules are not so within `SHADOW_TICKS`."""
        own = [pair[1] for pair in self._pairs]
        return sum(
            device not in own[max(0, at - SHADOW_TICKS) : at + SHADOW_TICKS + 1]
            for at, (device, _) in enumerate(self._pairs)
        )


def _sweep(
    setup: Setup, binding: Binding, calibration: Any, ends: _Ends, progress: Callable[[str], None]
) -> Iterator[Result]:
    bench = Bench(binding, ends.vehicle, ends.post, ends.link, calibration, has_noise=ends.has_noise,
                  is_real_time=setup.is_real_time and setup.is_external)  # fmt: skip
    cases = [case for case in bench.cases if case.kind.word in setup.faults]
    for number, case in enumerate(cases, 1):
        if number % 20 == 1:
            progress(f"fault {number} of {len(cases)}: {case.name}")
        yield bench.judge(case)


def every_case(results: Sequence[Result]) -> Table:
    """Return the sweep with one row a case."""
    words: dict[Grade, Judgement] = {
        Grade.PASSED: "good", Grade.FAILED: "bad", Grade.OPEN: "note", Grade.LEFT_OUT: "note",
    }  # fmt: skip
    return Table(
        "Every case", ("case", "verdict", "what was seen", "reaction ms", "limit ms", "recovery ms"),
        [(one.case.name, Flag(words[one.grade], one.grade.value), one.text,
          *("–" if value is None else str(value) for value in (one.reaction_ms, one.limit_ms, one.recovery_ms)))
         for one in results],
        left=3,
    )  # fmt: skip  # a row a line
