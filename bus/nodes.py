"""The two ends of the bench: the vehicle, which is a strategy of the simulator, and the controller."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from contextlib import suppress
from typing import Any, Protocol

from bus.binding import Binding
from bus.clock import Deadline
from bus.errors import BusError, SilenceError
from bus.frame import Frame
from bus.known import PHASE_END, PHASE_SIGNAL, PHASE_START, PHASE_TICK, TIME_SIGNAL
from bus.line import Line
from bus.receive import Outcome, Receiver, RuleInputs
from bus.scheduler import Scheduler
from bus.send import Sender
from controller.ruleset import COMMAND_FIELDS
from sim.strategies import ControllerLike, Decision, Told

TICK_MS = 10
SILENCE_S = 0.4
"""A node that hears nothing from the other end for this long of the wall's time stops."""

PATIENCE_S = 5.0
"""On the bench a device in lock-step may take this long for an answer: nothing hangs on how busy a machine is."""

START_EVERY_S, SETTLE_S = 0.2, 0.1
IDLE_WAIT_S = 3600.0

_SILENT = dict.fromkeys(COMMAND_FIELDS, 0)


def sends(binding: Binding, role: Any) -> frozenset[int]:
    """Return the identifiers that a role of this map may send."""
    return frozenset(message.ident for message in binding.sent_by(role))


class Sends(Protocol):
    """What a controller sends its frames to."""

    def send(self, frame: Frame, now_ms: int) -> None:
        """Take a frame."""


class ControllerEnd:
    """The rules behind frames. `make_controller` gives a controller as it is after power-up."""

    def __init__(self, binding: Binding, line: Sends, make_controller: Callable[[], ControllerLike]) -> None:
        self.binding, self._out = binding, line
        self._make = make_controller
        self._command = binding.command_message.name
        self.ticks = 0
        self.power_up()

    def power_up(self) -> None:
        """Forget everything, as a device does that has been switched off."""
        self.receiver = Receiver(self.binding, "vehicle")
        self._inputs = RuleInputs(self.binding, self.receiver)
        self._sender = Sender(self.binding.sent_by("controller"), self.binding.unused_bits)
        self._tick = self._make().tick

    def hear(self, frame: Frame, now_ms: int) -> None:
        """Take a frame that arrived at `now_ms`."""
        self.receiver.take(frame, now_ms)

    def tick(self, now_ms: int) -> None:
        """Step the rules and send their command."""
        self.ticks += 1
        self._announce(dict(zip(COMMAND_FIELDS, self._tick(self._inputs.at(now_ms)), strict=True)), now_ms)

    def announce_out(self, now_ms: int) -> None:
        """Send duty 0."""
        self._announce(_SILENT, now_ms)

    def _announce(self, command: Mapping[str, int], now_ms: int) -> None:
        frame = self._sender.frame(self._command, command)
        assert frame is not None  # a command has no ages
        self._out.send(frame, now_ms)


class ControllerNode(ControllerEnd):
    """The rules on a line."""

    def __init__(self, binding: Binding, line: Line, make_controller: Callable[[], ControllerLike]) -> None:
        super().__init__(binding, line, make_controller)
        self.line = line


class LockStepEnd:
    """A controller that ticks when the bench says so: frames wait for the tick's time, the bench's time drives it."""

    def __init__(self, end: ControllerEnd) -> None:
        time_message = end.binding.time_message
        assert time_message is not None  # the caller has checked that the map can do lock-step
        self._end = end
        self._time_key = end.binding.key(time_message.ident)
        self._times = Receiver(end.binding, "vehicle")
        self._pending: list[Frame] = []
        self.now_ms = 0

    def take(self, frame: Frame) -> int | None:
        """Take a frame and do what it asks for; return the phase where it was the bench's time."""
        end = self._end
        if end.binding.key(frame.ident) != self._time_key or self._times.take(frame, 0) is not Outcome.BELIEVED:
            self._pending.append(frame)
            return None
        phase, self.now_ms = self._times.value(PHASE_SIGNAL), self._times.value(TIME_SIGNAL)
        if phase == PHASE_TICK:
            for waiting in self._pending:
                end.hear(waiting, self.now_ms)
            end.tick(self.now_ms)
        elif phase == PHASE_START:
            end.power_up()
            end.announce_out(0)
            end.power_up()
        elif phase == PHASE_END:
            end.announce_out(self.now_ms)
        self._pending.clear()
        return phase


class Post(Protocol):
    """Where the vehicle's frames go: to the line, or through a fault."""

    def send(self, frame: Frame, now_ms: int) -> None:
        """Take a frame."""

    def end_tick(self, now_ms: int) -> None:
        """All frames of this tick have been given."""

    def passes_back(self, now_ms: int) -> bool:
        """Tell whether frames from the controller reach the vehicle."""


class StraightPost:
    """No fault: every frame to the line as it is."""

    def __init__(self, line: Line) -> None:
        self.send = line.send

    def end_tick(self, now_ms: int) -> None:
        """Nothing is held back."""

    def passes_back(self, now_ms: int) -> bool:  # noqa: ARG002 - the protocol's
        """Everything does."""
        return True


class VehicleNode:
    """Sends the rules' inputs on their periods and holds the last command."""

    def __init__(self, binding: Binding, line: Line, scheduler: Scheduler, post: Post | None = None) -> None:
        self.binding, self.line, self._scheduler = binding, line, scheduler
        self.post: Post = post or StraightPost(line)
        self._inputs: Mapping[str, int] = {}
        self.sender = Sender(binding.sent_by("vehicle"), binding.unused_bits)
        self.power_up()
        for message in binding.input_messages:
            scheduler.every(message.period_ms, self._cyclic(message.name))
        self._time = None if binding.time_message is None else binding.time_message.name
        self._command_ident = binding.key(binding.command_message.ident)

    def power_up(self) -> None:
        """Forget what the controller has sent."""
        self.receiver = Receiver(self.binding, "controller")
        slots = [self.receiver.slot(name) for name in COMMAND_FIELDS]
        self._slots = tuple(-1 if slot is None else slot for slot in slots)
        self._duty_slot = self._slots[0]

    def _cyclic(self, name: str) -> Callable[[int], None]:
        writer = self.sender.writer(name)

        def task(now_ms: int) -> None:
            frame = writer.frame(self._inputs)
            if frame is not None:
                self.post.send(frame, now_ms)

        return task

    def send_tick(self, inputs: Mapping[str, int]) -> None:
        """Send what is due at this tick, the bench's time last."""
        now_ms = inputs["now_ms"]
        self._inputs = inputs
        self._scheduler.run_until(now_ms)
        self.post.end_tick(now_ms)
        self.send_time(now_ms, PHASE_TICK)

    def send_time(self, now_ms: int, phase: int) -> None:
        """Send the bench's time, where the map has it."""
        if self._time is not None:
            frame = self.sender.frame(self._time, {TIME_SIGNAL: now_ms, PHASE_SIGNAL: phase})
            assert frame is not None  # it has no ages
            self.line.send(frame, now_ms)

    def hear(self, frame: Frame, now_ms: int) -> bool:
        """Take a frame that arrived at `now_ms`; tell whether it is a command, good or bad."""
        if self.post.passes_back(now_ms):
            self.receiver.take(frame, now_ms)
        return self.binding.key(frame.ident) == self._command_ident

    def command(self, now_ms: int) -> dict[str, int] | None:
        """Return the command in force by field, or None where there is none: never heard, or too old."""
        if self.receiver.age_ms(self._duty_slot, now_ms) > self.receiver.signals[self._duty_slot].timeout_ms:
            return None
        values = self.receiver.values
        return {name: values[slot] if slot >= 0 else 0 for name, slot in zip(COMMAND_FIELDS, self._slots, strict=True)}

    def decision(self, now_ms: int, as_built_duty: float) -> Decision:
        """Return the decision in force. Without a command, or in idle, the transmission is as built."""
        command = self.command(now_ms)
        if command is None:
            return Decision(as_built_duty, False, 0, 0, 0, 0)
        duty_ppm, state, reason, refusal, warnings, _ = command.values()
        if state == 0 and duty_ppm == 0:
            return Decision(as_built_duty, False, 0, reason, refusal, warnings)
        return Decision(duty_ppm / 1e6, True, state, reason, refusal, warnings)


class Link(Protocol):
    """How the vehicle reaches the controller."""

    def start(self, wait_s: float) -> None:
        """Get the controller ready for a new run. Raises `BusError` where none is there within the wall's time."""

    def before(self, now_ms: int) -> None:
        """Called at the start of a tick, before the command in force is read."""

    def after(self, now_ms: int) -> None:
        """Called once the tick's frames are sent."""


class SameProcess:
    """Both nodes here: the controller ticks as soon as the vehicle's frames are on the bus."""

    def __init__(self, vehicle: VehicleNode, controller: ControllerNode) -> None:
        self._vehicle, self._controller = vehicle, controller

    def start(self, wait_s: float) -> None:  # noqa: ARG002 - the protocol's; this controller is always there
        """Put the controller back to its power-up."""
        self._controller.power_up()
        self._vehicle.power_up()

    def before(self, now_ms: int) -> None:
        """Nothing: the last tick has ended whole."""

    def after(self, now_ms: int) -> None:
        """Step the controller and hear its command."""
        controller, vehicle = self._controller, self._vehicle
        for frame in controller.line.drain(now_ms):
            controller.hear(frame, now_ms)
        controller.tick(now_ms)
        for frame in vehicle.line.drain(now_ms):
            vehicle.hear(frame, now_ms)


class OtherProcessLockStep:
    """The controller elsewhere, in lock-step: each tick waits for its command, up to `silence_s` of the wall's time.

    `on_command` gets each tick's command frame with its time.
    """

    def __init__(
        self, vehicle: VehicleNode, on_command: Callable[[Frame, int], None] = lambda _frame, _now_ms: None,
        silence_s: float = SILENCE_S,
    ) -> None:  # fmt: skip  # whose end it is, and two choices
        self._vehicle, self._on_command, self._silence_s = vehicle, on_command, silence_s

    def start(self, wait_s: float) -> None:
        """Make the controller start anew. Raises `BusError` where none answers within the wall's `wait_s`."""
        vehicle = self._vehicle
        deadline = Deadline(wait_s)
        while True:
            vehicle.send_time(0, PHASE_START)
            answer = vehicle.line.wait(min(START_EVERY_S, deadline.left_s()), 0)
            if answer is not None and vehicle.hear(answer, 0):
                break
            if deadline.left_s() <= 0.0:
                raise _no_controller(wait_s)
        while vehicle.line.wait(SETTLE_S, 0) is not None:
            pass
        vehicle.power_up()

    def before(self, now_ms: int) -> None:
        """Nothing: the last tick's command is in."""

    def after(self, now_ms: int) -> None:
        """Wait for this tick's command. Raises `BusError` where it does not come."""
        vehicle = self._vehicle
        while True:
            frame = vehicle.line.wait(self._silence_s, now_ms)
            if frame is None:
                raise SilenceError(f"the controller fell silent at {now_ms / 1000:.2f} s of the drive; the duty is 0")
            if vehicle.hear(frame, now_ms):
                self._on_command(frame, now_ms)
                return


class OtherProcessRealTime:
    """The controller elsewhere on its own clock: whatever has arrived by the tick counts."""

    def __init__(self, vehicle: VehicleNode, scheduler: Scheduler) -> None:
        self._vehicle, self._scheduler = vehicle, scheduler
        self._heard_ms = 0

    def start(self, wait_s: float) -> None:
        """Wait for the first command. Raises `BusError` where none comes."""
        deadline = Deadline(wait_s)
        while deadline.left_s() > 0.0:
            frame = self._vehicle.line.wait(deadline.left_s(), 0)
            if frame is not None and self._vehicle.hear(frame, 0):
                return
        raise _no_controller(wait_s)

    def before(self, now_ms: int) -> None:
        """Wait for the tick and take what has come. Raises `BusError` where commands have stopped."""
        self._scheduler.clock.wait_until(now_ms)
        vehicle = self._vehicle
        for frame in vehicle.line.drain(now_ms):
            if vehicle.hear(frame, now_ms):
                self._heard_ms = now_ms
        if now_ms - self._heard_ms > SILENCE_S * 1000:
            raise SilenceError(f"the controller fell silent at {now_ms / 1000:.2f} s of the drive; the duty is 0")

    def after(self, now_ms: int) -> None:
        """Nothing: the answer comes when it comes."""


def _no_controller(wait_s: float) -> BusError:
    return BusError(f"no controller answered within {wait_s:g} s; start one with `tccbench node controller`")


class OverBus:
    """The simulator's strategy that asks a controller over the bus; its command acts a tick later.

    With the tick at `last_ms` the other end is told that the run is over.
    """

    kind = "rules"
    told: tuple[Told, ...] = ()
    """Nothing: a command carries numbers, not words; the log and the traces have them tick by tick."""

    def __init__(self, vehicle: VehicleNode, link: Link, name: str, last_ms: int | None = None) -> None:
        rules = vehicle.binding.rules
        self.name = name
        self.reason_words: tuple[str, ...] = tuple(rules.reasons)
        self.signals: tuple[Any, ...] = tuple(rules.signals)
        self._vehicle, self._link, self._last_ms = vehicle, link, last_ms

    def tick(self, inputs: Mapping[str, int], as_built_duty: float) -> Decision:
        """Exchange one tick's frames and return the command that was in force at its start."""
        now_ms = inputs["now_ms"]
        self._link.before(now_ms)
        decision = self._vehicle.decision(now_ms, as_built_duty)
        self._vehicle.send_tick(inputs)
        self._link.after(now_ms)
        if now_ms == self._last_ms:
            self._vehicle.send_time(now_ms, PHASE_END)
        return decision


def serve_lock_step(node: ControllerNode, wait_s: float | None) -> int:
    """Answer the vehicle's ticks until it ends; return the last tick's time in ms.

    Raises `BusError` where no vehicle starts within the wall's `wait_s` (None: however long), and `SilenceError`
    where it falls silent; duty 0 is announced before, as on any other error.
    """
    end = LockStepEnd(node)
    is_started = False
    try:
        while True:
            frame = node.line.wait(SILENCE_S if is_started else wait_s or IDLE_WAIT_S, end.now_ms)
            if frame is None:
                if is_started:
                    raise SilenceError(f"the vehicle fell silent at {end.now_ms / 1000:.2f} s of the drive; "
                                       "the duty is 0")  # fmt: skip
                if wait_s is None:
                    continue
                raise _no_vehicle(wait_s)
            phase = end.take(frame)
            is_started = is_started or phase == PHASE_TICK
            if phase == PHASE_END:
                return end.now_ms
    except BaseException:
        _fall_silent(node, end.now_ms)
        raise


def serve_real_time(node: ControllerNode, scheduler: Scheduler, wait_s: float | None) -> int:
    """Tick every 10 ms of real time until the vehicle ends; return the last tick's time in ms.

    Raises as `serve_lock_step` does.
    """
    times = Receiver(node.binding, "vehicle")
    time_key = None if node.binding.time_message is None else node.binding.key(node.binding.time_message.ident)
    heard_ms: int | None = None
    is_over = False

    def task(now_ms: int) -> None:
        nonlocal heard_ms, is_over
        for frame in node.line.drain(now_ms):
            if node.binding.key(frame.ident) == time_key:
                times.take(frame, now_ms)
                is_over = times.value(PHASE_SIGNAL) == PHASE_END
            node.hear(frame, now_ms)
            heard_ms = now_ms
        node.tick(now_ms)

    scheduler.every(TICK_MS, task)
    now_ms = 0
    try:
        while not is_over:
            scheduler.run_until(now_ms)
            if heard_ms is None and wait_s is not None and now_ms > wait_s * 1000:
                raise _no_vehicle(wait_s)
            if heard_ms is not None and now_ms - heard_ms > SILENCE_S * 1000:
                raise SilenceError(f"the vehicle fell silent at {now_ms / 1000:.2f} s; the duty is 0")
            now_ms += TICK_MS
        node.announce_out(now_ms)
        return now_ms
    except BaseException:
        _fall_silent(node, now_ms)
        raise


def _no_vehicle(wait_s: float) -> BusError:
    return BusError(f"no vehicle started within {wait_s:g} s; start one with `tccbench node vehicle`")


def _fall_silent(node: ControllerNode, now_ms: int) -> None:
    # Nothing may keep the first error from being told; a bus that is gone cannot carry a last frame.
    with suppress(BusError):
        node.announce_out(now_ms)
