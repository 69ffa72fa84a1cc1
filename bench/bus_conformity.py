"""Running a device through drives and faults, and what came of it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from tempfile import TemporaryDirectory
from threading import Thread
from typing import TYPE_CHECKING, Any, NamedTuple

from bench.bus_log import log_file
from bench.bus_session import on_line
from bench.pages.markup import Flag, Judgement, Table
from bus.beside import Beside, Compared
from bus.binding import Binding, bind
from bus.candump import LogWriter
from bus.carried import Carried, Late
from bus.clock import Clock, Lateness, LockStep, RealTime
from bus.dbc import load_dbc
from bus.errors import BusError
from bus.faults import FaultyPost, foreign_idents
from bus.line import Line
from bus.map_file import load_map
from bus.nodes import (
    PATIENCE_S,
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
from controller.calibration import Calibration, load_calibration
from controller.errors import UserError
from controller.straight import Straight
from controller.user_rules import load_rules
from sim.drives import load_drive
from sim.loop import simulate
from sim.result import RunResult
from sim.strategies import Decision, Rules, Told
from sim.vehicle import load_vehicle

if TYPE_CHECKING:
    from bus.device.choice import Choice

SHADOW_TICKS = 5
"""In real time a device's clutch may differ from the rules run beside it for this many ticks at a change."""


class Setup(NamedTuple):
    """What is put on the bench, by name. `choice` is a device that is built and started here; `described` is what a
    person says of an external one."""

    url: str
    device: str
    choice: Choice | None
    described: str
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

    @property
    def is_external(self) -> bool:
        """The device is behind a bus, not in this process."""
        return self.device != "ours"

    @property
    def device_text(self) -> str:
        """The device in words; without a port that is another one each time."""
        if self.choice is not None:
            return self.choice.title
        if not self.is_external:
            return "the rules in this process"
        return f"external, on {self.url}" + (f": {self.described}" if self.described else "")


@dataclass(frozen=True)
class DriveResult:
    """One drive over the bus. `compared` is None where frames could not be compared: in real time, or our own."""

    name: str
    seconds: float
    engagements: int
    frames: int
    lost: int
    refused: int
    passed: bool
    text: str
    lateness: Lateness | None
    compared: Compared | None


@dataclass(frozen=True)
class BenchOutcome:
    """Everything that was seen."""

    setup: Setup
    binding: Binding
    dbc_path: str
    calibration: Calibration
    drives: tuple[DriveResult, ...]
    sweep: tuple[Result, ...]
    sweep_compared: Compared | None

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
        parts = [one for one in (*(drive.compared for drive in self.drives), self.sweep_compared) if one is not None]
        if parts:
            frames, differing, first = Compared.of(parts)
            text = (f"{differing} of {frames} command frames differ from our own controller's; the first {first}"
                    if differing else
                    f"{frames} command frames equal our own controller's, byte for byte and tick for tick")  # fmt: skip
            lines.append(("bad" if differing else "good", text))
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
                "Drives over the bus", ("drive", "s", "engagements", "frames", "lost", "refused", "compared",
                                         "verdict"),
                [(one.name, f"{one.seconds:.0f}", str(one.engagements), str(one.frames), str(one.lost),
                  str(one.refused), "–" if one.compared is None else str(one.compared.frames),
                  Flag("good" if one.passed else "bad", one.text)) for one in self.drives],
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
    beside: Beside | None


def run_bench(setup: Setup, log_path: Path, progress: Callable[[str], None]) -> BenchOutcome:
    """Run everything. Raises `UserError` for wrong input and `BusError` where the device or the bus goes away."""
    rules = load_rules(setup.rules_file)
    mapped = load_map(setup.map_name, setup.dbc_path)
    binding = bind(mapped, load_dbc(mapped.dbc_path), rules)
    if setup.is_external and not setup.is_real_time and binding.time_message is None:
        raise UserError(f"{setup.map_name}: this map cannot drive a device in lock-step; give --clock real")
    calibration = load_calibration(setup.calibration, rules)
    drives: list[DriveResult] = []
    sweep: list[Result] = []
    sweep_compared = None
    with _device(setup, binding, calibration, progress) as url, log_file(str(log_path)) as log:
        for name in setup.drives:
            progress(f"drive {name}")
            with _ends(setup, url, binding, calibration.values, log) as ends:
                drives.append(_drive(setup, name, binding, calibration.values, ends))
        if setup.has_sweep:
            with _ends(setup, url, binding, calibration.values, log) as ends:
                sweep, sweep_compared = _sweep(setup, binding, calibration.values, ends, progress)
    return BenchOutcome(
        setup, binding, mapped.dbc_path, calibration, tuple(drives), tuple(sweep), sweep_compared
    )  # fmt: skip  # everything that was seen


@contextmanager
def _device(setup: Setup, binding: Binding, calibration: Calibration, progress: Callable[[str], None]) -> Iterator[str]:
    """Start the device that was chosen, if one was, and give the bus that reaches it."""
    if setup.choice is None:
        yield setup.url
        return
    from bus.device.running import start_device
    from controller.port.image import write_image

    progress(f"building {setup.choice.title}")
    image = write_image(binding.rules, list(map(int, calibration.values)))
    with TemporaryDirectory() as folder, start_device(setup.choice, binding, image, Path(folder)) as device:
        ended: list[BusError] = []

        def serve() -> None:
            try:
                device.serve()
            except BusError as error:
                ended.append(error)

        thread = Thread(target=serve)
        thread.start()
        try:
            yield device.url
        except BusError as error:
            # That the device has ended says more than that it fell silent.
            raise (ended[0] if ended else error) from None
        finally:
            device.stop()
            thread.join()


@contextmanager
def _ends(setup: Setup, url: str, binding: Binding, calibration: Any, log: LogWriter | None) -> Iterator[_Ends]:
    timer: Clock = RealTime() if setup.is_real_time else LockStep()
    scheduler = Scheduler(timer)

    def ours() -> Straight:
        return Straight(binding.rules, calibration)

    beside = Beside(binding, ours) if setup.is_external and not setup.is_real_time else None
    with ExitStack() as stack:
        line = stack.enter_context(on_line(url, binding, "vehicle", setup.may_send, is_forged_at=True,
                                           on_sent=beside.hear if beside else None))  # fmt: skip
        noise = None
        if setup.is_external and not parse_url(url).is_real:
            # On the vehicle's own connection: a serial line has one other end, and what order frames arrive in is ours.
            noise = line.on_same_bus(foreign_idents(binding))
        elif not setup.is_external:
            noise = Line(open_bus(url), foreign_idents(binding), is_forged_at=True)
            stack.callback(noise.close)
        post = FaultyPost(binding, line, noise)
        vehicle = VehicleNode(binding, line, scheduler, post)
        link: Link
        if setup.is_real_time and setup.is_external:
            link = OtherProcessRealTime(vehicle, scheduler)
        elif beside is not None:
            link = OtherProcessLockStep(vehicle, beside.compare, PATIENCE_S)
        else:
            other = stack.enter_context(on_line(url, binding, "controller", setup.may_send, is_forged_at=True))
            link = SameProcess(vehicle, ControllerNode(binding, other, ours))
        link.start(setup.wait_s)
        line.set_log(log)
        if noise is not None and setup.is_external:
            noise.set_log(log)  # elsewhere the vehicle's own line hears the noise
        yield _Ends(vehicle, post, link, timer, noise is not None, beside)


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
    compared = ends.beside.take() if ends.beside else None
    if compared is not None and compared.differing and not differing:
        differing, text = compared.differing, f"{compared.differing} frames are not ours"
    receiver = ends.vehicle.receiver
    return DriveResult(
        drive.name, drive.duration_s, len(over.engagements), line.sent + line.heard - before,
        receiver.lost_frames, receiver.refused_frames, not differing, text, ends.timer.lateness(),
        compared,
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
) -> tuple[list[Result], Compared | None]:
    bench = Bench(binding, ends.vehicle, ends.post, ends.link, calibration, has_noise=ends.has_noise,
                  is_real_time=setup.is_real_time and setup.is_external)  # fmt: skip
    cases = [case for case in bench.cases if case.kind.word in setup.faults]
    results: list[Result] = []
    parts: list[Compared] = []
    for number, case in enumerate(cases, 1):
        if number % 20 == 1:
            progress(f"fault {number} of {len(cases)}: {case.name}")
        result = bench.judge(case)
        if ends.beside is not None:
            compared = ends.beside.take()
            parts.append(compared)
            if compared.differing and result.grade is not Grade.FAILED:
                result = replace(result, grade=Grade.FAILED,
                                 text=f"{compared.differing} frames are not ours: {compared.first}")  # fmt: skip
        results.append(result)
    return results, None if ends.beside is None else Compared.of(parts)


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
