"""The fault sweep: every fault on every input message in every state, each judged against its stated limit."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from enum import Enum
from functools import cached_property
from math import lcm
from typing import Any, NamedTuple

from bus.binding import Binding, BoundMessage
from bus.faults import Fault, FaultyPost, Kind, is_detectable, is_possible
from bus.known import age_name
from bus.nodes import TICK_MS, Link, VehicleNode
from bus.stand import BAND_ON_MS, Stand
from controller.declare import State

BRAKE_LIMIT_MS = 20
"""From the first frame with the brake pressed to a command of duty 0, on the bus."""

EXTRA_MS = 20
"""On top of a signal's limit: the tick in which the age passes it, and the command's own."""


REAL_TIME_SLACK_TICKS = 5


class Grade(Enum):
    """A case's verdict."""

    PASSED = "passed"
    FAILED = "failed"
    OPEN = "cannot be told"
    LEFT_OUT = "left out"


class Sample(NamedTuple):
    """What the bus showed at a tick: the command in force. Without one `state` is None and the duty 0."""

    at_ms: int
    duty_ppm: int
    state: int | None
    refusal: int
    warnings: int


class Evidence(NamedTuple):
    """How a command shows that the device has seen a fault: a ground that it refuses for, or a warning bit.

    Numbers of the rule set; 0 where it has none. A command message without these fields shows duty only.
    """

    refusal: int
    warning: int


@dataclass(frozen=True)
class Case:
    """One fault on one message in one state."""

    kind: Kind
    message: str
    state: State

    @property
    def name(self) -> str:
        """The case in tables and reports."""
        return f"{self.kind.word} of {self.message} in {self.state.word}"


@dataclass(frozen=True)
class Result:
    """A case's verdict. Times in ms; None where nothing was measured."""

    case: Case
    grade: Grade
    text: str
    reaction_ms: int | None = None
    limit_ms: int | None = None
    recovery_ms: int | None = None


class Bench:
    """A vehicle's end of the bus with its faulty post, a calibration, and a clock that only goes forward."""

    def __init__(
        self, binding: Binding, vehicle: VehicleNode, post: FaultyPost, link: Link, calibration: Any, *,
        has_noise: bool, is_real_time: bool = False,
    ) -> None:  # fmt: skip  # the parts of a bench
        self.binding, self.calibration, self.has_noise = binding, calibration, has_noise
        self._vehicle, self._post, self._link = vehicle, post, link
        self._now_ms = 0
        # A device on its own clock may be a few ticks off what it did before, and is seen a tick late.
        self._slack_ticks = REAL_TIME_SLACK_TICKS if is_real_time else 0
        self._seen_late_ms = TICK_MS if is_real_time else 0
        self._twins: dict[State, list[Sample]] = {}
        # Cases start where all messages' periods meet, so that each meets them alike.
        self._lap_ms = lcm(*(message.period_ms for message in binding.input_messages))
        fields = {signal.name for signal in binding.command_message.signals}
        self._shows = "refusal" in fields, "warnings" in fields

    # Limits --------------------------------------------------------------------------------------------------

    def loss_limit_ms(self, message: BoundMessage) -> int | None:
        """Return after what time without a good frame the rules must let go: the shortest limit of its signals."""
        limits = []
        for one in message.signals:
            age = age_name(one.name)
            if age is not None and any(age == signal.name for signal in self.binding.rules.signals):
                key = f"{age.removesuffix('_age_ms')}_limit_ms"
                limits.append(min(one.timeout_ms, getattr(self.calibration, key)))
        return min(limits) if limits else None

    @cached_property
    def cases(self) -> tuple[Case, ...]:
        """Every fault × input message × state; bus-off concerns all messages at once."""
        made = []
        for state in State:
            for kind in Kind:
                messages = self.binding.input_messages
                for message in messages[:1] if kind is Kind.BUS_OFF else messages:
                    if kind is Kind.STUCK_BRAKE and not is_possible(kind, message):
                        continue
                    made.append(Case(kind, "all" if kind is Kind.BUS_OFF else message.name, state))
        return tuple(made)

    # Running -------------------------------------------------------------------------------------------------

    def _play(self, stand: Stand, until_ms: int, fault: Fault | None) -> list[Sample]:
        start_ms = self._now_ms
        shifted = None if fault is None else Fault(
            fault.kind, fault.message, fault.from_ms + start_ms, fault.until_ms + start_ms, fault.delay_ms
        )  # fmt: skip  # the same fault on the bench's clock
        self._post.start(shifted)
        samples: list[Sample] = []
        duty_ppm = 0
        for at_ms in range(0, until_ms, TICK_MS):
            now_ms = start_ms + at_ms
            self._link.before(now_ms)
            self._vehicle.send_tick(stand.inputs(now_ms, at_ms, duty_ppm))
            self._link.after(now_ms)
            command = self._vehicle.command(now_ms)
            duty_ppm = command["duty_ppm"] if command else 0
            samples.append(
                Sample(at_ms, duty_ppm, command["state"], command["refusal"], command["warnings"])
                if command
                else Sample(at_ms, 0, None, 0, 0)
            )
        self._post.start(None)
        self._now_ms = start_ms + until_ms
        return samples

    def run(self, cases: Sequence[Case], progress: Callable[[float], None] = lambda _share: None) -> Iterator[Result]:
        """Run the cases one after the other."""
        for number, case in enumerate(cases):
            progress(number / len(cases))
            yield self.judge(case)
        progress(1.0)

    def judge(self, case: Case) -> Result:
        """Run one case and judge it."""
        messages = self.binding.input_messages
        concerned = messages if case.kind is Kind.BUS_OFF else (self.binding.message(case.message),)
        if not any(is_possible(case.kind, one) for one in concerned):
            return Result(case, Grade.LEFT_OUT, "this message gives no room for this fault")
        if case.kind is Kind.FLOOD and not self.has_noise:
            return Result(case, Grade.LEFT_OUT, "no flood on a real interface")
        if not all(is_detectable(case.kind, one) for one in concerned):
            return Result(case, Grade.OPEN, "the map has no protection for this message: wrong looks like right")
        limits = [limit for one in concerned if (limit := self.loss_limit_ms(one)) is not None]
        loss_ms = min(limits) if limits else None
        fault = self._fault(case, concerned, loss_ms)
        stand = Stand(self.binding.rules, self.calibration, case.state)
        until_ms = fault.until_ms + stand.recovery_ms + (loss_ms or 0)
        until_ms += max(one.period_ms for one in concerned) * 3
        until_ms = -(-until_ms // self._lap_ms) * self._lap_ms
        twin = self._twin(stand, until_ms)
        ready = twin[stand.ready_ms // TICK_MS - 1]
        if ready.state not in (None, int(case.state)):
            return Result(case, Grade.FAILED, f"the device was not in {case.state.word} before the fault")
        if case.state is State.APPLIED and ready.duty_ppm == 0:
            return Result(case, Grade.FAILED, "the device did not hold before the fault")
        samples = self._play(stand, until_ms, fault)
        expected = self._expect(case, concerned, fault, loss_ms)
        if expected.limit_ms is not None:
            expected = expected._replace(limit_ms=expected.limit_ms + self._seen_late_ms)
        return _verdict(case, fault, samples, twin, expected, self._slack_ticks)

    def _evidence(self, word: str) -> Evidence:
        rules = self.binding.rules
        lamps = [lamp.word for lamp in rules.lamps]
        return Evidence(
            rules.reason_numbers.get(word, 0) if self._shows[0] else 0,
            1 << lamps.index(word) if self._shows[1] and word in lamps else 0,
        )

    def _fault(self, case: Case, concerned: Sequence[BoundMessage], loss_ms: int | None) -> Fault:
        stand = Stand(self.binding.rules, self.calibration, case.state)
        period_ms = max(one.period_ms for one in concerned)
        limit_ms = loss_ms or max(one.timeout_ms for one in concerned)
        # A fault starts on a frame of its message, so that the last good one is a period old.
        from_ms = -(-stand.ready_ms // period_ms) * period_ms
        lasts_ms = limit_ms + 500
        delay_ms = 0
        if case.kind is Kind.DELAY:
            delay_ms = max(TICK_MS, (limit_ms - period_ms) // 3 // TICK_MS * TICK_MS)
        elif case.kind is Kind.LATE:
            delay_ms = limit_ms + 60
            lasts_ms = 2 * delay_ms
        return Fault(case.kind, case.message, from_ms, from_ms + lasts_ms, delay_ms)

    def _twin(self, stand: Stand, until_ms: int) -> list[Sample]:
        known = self._twins.get(stand.state, [])
        if len(known) * TICK_MS < until_ms:
            known = self._twins[stand.state] = self._play(stand, until_ms, None)
        return known

    def _expect(self, case: Case, concerned: Sequence[BoundMessage], fault: Fault, loss_ms: int | None) -> Expected:
        last_good_ms = fault.from_ms - max(one.period_ms for one in concerned)
        if case.kind is Kind.STUCK_BRAKE:
            brake = self._evidence("brake")
            return Expected(fault.from_ms, BRAKE_LIMIT_MS, fault.until_ms, self.calibration.brake_settle_ms, brake)
        lost = self._evidence("signal_lost")
        if case.kind in (Kind.DELAY, Kind.REPEAT, Kind.FLOOD) or loss_ms is None:
            return Expected(None, None, fault.until_ms, 0, lost)
        settle_ms = self.calibration.signal_settle_ms
        if case.kind is Kind.BUS_OFF:
            # The shortest way out is the vehicle's own: it lets go of a command that has stopped.
            quick_ms = self.binding.command_message.timeout_ms
            return Expected(fault.from_ms - TICK_MS, min(loss_ms, quick_ms) + EXTRA_MS, fault.until_ms, settle_ms, lost)
        if case.kind is Kind.LATE:
            # The first of the late frames ends the gap.
            return Expected(last_good_ms, loss_ms + EXTRA_MS, fault.from_ms + fault.delay_ms, settle_ms, lost)
        return Expected(last_good_ms, loss_ms + EXTRA_MS, fault.until_ms, settle_ms, lost)


class Expected(NamedTuple):
    """What must be seen: out by `since_ms + limit_ms`, out until `ends_ms + stays_ms`, then back as the twin.

    `since_ms` None: the fault must change nothing at all.
    """

    since_ms: int | None
    limit_ms: int | None
    ends_ms: int
    stays_ms: int
    evidence: Evidence


def _verdict(
    case: Case, fault: Fault, samples: list[Sample], twin: list[Sample], expected: Expected, slack_ticks: int
) -> Result:
    since_ms, limit_ms, ends_ms, stays_ms, evidence = expected
    # Until the ignition is on the device may still show what it did in the case before.
    pairs = [pair for pair in zip(samples, twin, strict=False) if pair[0].at_ms >= BAND_ON_MS]
    if since_ms is None or limit_ms is None:
        for seen, normal in pairs:
            if not _is_as(seen, normal, twin, slack_ticks):
                after_ms = seen.at_ms - fault.from_ms
                return Result(case, Grade.FAILED, f"changed something {after_ms} ms after its start: duty "
                              f"{seen.duty_ppm / 1e4:g} % instead of {normal.duty_ppm / 1e4:g} %")  # fmt: skip
        return Result(case, Grade.PASSED, "changed nothing")
    reaction_ms: int | None = None
    for seen, normal in pairs:
        at_ms = seen.at_ms
        if at_ms < since_ms:
            if not _is_as(seen, normal, twin, slack_ticks):
                return Result(case, Grade.FAILED, "the device did not repeat itself before the fault")
            continue
        if reaction_ms is None and _is_out_for_it(seen, case, evidence):
            reaction_ms = at_ms - since_ms
        if at_ms > since_ms + limit_ms and at_ms < ends_ms and seen.duty_ppm:
            return Result(case, Grade.FAILED, f"duty {seen.duty_ppm / 1e4:g} % {at_ms - since_ms} ms after the last "
                          "good frame", reaction_ms, limit_ms)  # fmt: skip
        if ends_ms <= at_ms < ends_ms + stays_ms and seen.duty_ppm:
            return Result(case, Grade.FAILED, f"back {at_ms - ends_ms} ms after the fault, before the settle time of "
                          f"{stays_ms} ms", reaction_ms, limit_ms)  # fmt: skip
    if reaction_ms is None or reaction_ms > limit_ms:
        seen_text = "no reaction" if reaction_ms is None else f"reaction after {reaction_ms} ms"
        return Result(case, Grade.FAILED, seen_text, reaction_ms, limit_ms)
    back = _back(samples, twin[len(samples) - 1], ends_ms)
    if back is None:
        last = samples[-1]
        return Result(case, Grade.FAILED, f"not back as before: duty {last.duty_ppm / 1e4:g} % at the end", reaction_ms,
                      limit_ms)  # fmt: skip
    return Result(case, Grade.PASSED, "out in time, back as it should be", reaction_ms, limit_ms, back)


def _is_as(seen: Sample, normal: Sample, twin: list[Sample], slack_ticks: int) -> bool:
    if seen == normal or not slack_ticks:
        return seen == normal
    at = seen.at_ms // TICK_MS
    near = twin[max(0, at - slack_ticks) : at + slack_ticks + 1]
    return any((seen.state, seen.duty_ppm > 0) == (one.state, one.duty_ppm > 0) for one in near)


def _is_out_for_it(seen: Sample, case: Case, evidence: Evidence) -> bool:
    # In a hold the duty must go. Where there is none, the device must also say that it has seen the fault, if it can.
    if seen.duty_ppm or case.state is State.APPLIED or seen.state is None:
        return seen.duty_ppm == 0
    says_so = (evidence.refusal and seen.refusal == evidence.refusal) or seen.warnings & evidence.warning
    # With no band selected "no band" is told before any other ground; only a warning bit could say more.
    can_say = evidence.warning or (evidence.refusal and case.state is not State.IDLE)
    return bool(says_so) or not can_say


def _back(samples: list[Sample], at_end: Sample, ends_ms: int) -> int | None:
    last = samples[-1]
    if (last.duty_ppm, last.state) != (at_end.duty_ppm, at_end.state):
        return None
    for seen in reversed(samples):
        if (seen.duty_ppm, seen.state) != (at_end.duty_ppm, at_end.state):
            return max(0, seen.at_ms + TICK_MS - ends_ms)
    return 0
