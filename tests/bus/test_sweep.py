"""The fault sweep: our rules pass it, and devices with one thing wrong do not."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import pytest
from bench_parts import CALIBRATION, bench_of, ours

from bus.faults import Kind
from bus.sweep import Bench, Case, Grade, Result
from controller.declare import State
from controller.signals import AGED


def sweep(map_name: str, wanted: Callable[[Case], bool], make: Callable[[], Any] = ours) -> list[Result]:
    with bench_of(map_name, make) as parts:
        bench = Bench(parts.binding, parts.vehicle, parts.post, parts.link, CALIBRATION, has_noise=True)
        return list(bench.run([case for case in bench.cases if wanted(case)]))


def assert_passed(results: list[Result]) -> None:
    failed = [f"{one.case.name}: {one.text}" for one in results if one.grade is Grade.FAILED]
    assert not failed
    for one in results:
        if one.reaction_ms is not None:
            assert one.limit_ms is not None
            assert one.reaction_ms <= one.limit_ms


def test_every_fault_on_the_drivers_message_in_every_state() -> None:
    results = sweep("powertrain", lambda case: case.message in ("DriverInputs", "all"))
    assert_passed(results)
    assert len(results) == len(Kind) * len(State)
    assert all(one.grade is Grade.PASSED for one in results)
    brake = [one for one in results if one.case.kind is Kind.STUCK_BRAKE]
    assert all(one.limit_ms == 20 for one in brake)
    drop = [one for one in results if one.case.kind is Kind.DROP]
    assert all(one.limit_ms == CALIBRATION.brake_limit_ms + 20 for one in drop)


@pytest.mark.long
@pytest.mark.parametrize(("map_name", "most_open"), [("powertrain", 0), ("j1939", 56)])
def test_every_fault_on_every_message_in_every_state(map_name: str, most_open: int) -> None:
    results = sweep(map_name, lambda _case: True)
    assert_passed(results)
    assert sum(one.grade is Grade.OPEN for one in results) == most_open


def test_unprotected_messages_are_said_to_be_open() -> None:
    results = sweep("j1939", lambda case: case.message == "ETC1" and case.kind in (Kind.CORRUPT, Kind.FREEZE))
    assert {one.grade for one in results} == {Grade.OPEN}


class Wrong:
    """Our rules on inputs that somebody has tampered with, or with a command that has been."""

    def __init__(self, inputs: Mapping[str, int] | None = None, **command: int) -> None:
        self._own, self._inputs, self._command = ours(), inputs or {}, command
        self.rules = self._own.rules

    def tick(self, inputs: Mapping[str, int]) -> Any:
        return self._own.tick({**inputs, **self._inputs})._replace(**self._command)


AGELESS = {f"{name}_age_ms": 0 for name in AGED}


@pytest.mark.parametrize(
    ("make", "kind", "says"),
    [
        (lambda: Wrong(AGELESS), Kind.DROP, "after the last good frame"),
        (lambda: Wrong(AGELESS), Kind.CORRUPT, "after the last good frame"),
        (lambda: Wrong({"brake_on": False}), Kind.STUCK_BRAKE, "after the last good frame"),
        (lambda: Wrong(duty_ppm=0), Kind.DROP, "did not hold before the fault"),
        (lambda: Wrong(state=0), Kind.DROP, "was not in applied before the fault"),
        (lambda: Wrong(duty_ppm=700_000), Kind.LATE, "after the last good frame"),
    ],
)
def test_a_wrong_device_fails(make: Callable[[], Any], kind: Kind, says: str) -> None:
    results = sweep("powertrain", lambda case: case == Case(kind, "DriverInputs", State.APPLIED), make)
    assert [one.grade for one in results] == [Grade.FAILED]
    assert says in results[0].text


class Forgetful(Wrong):
    """Comes back without waiting: its settle time is a third of what the calibration says."""

    def __init__(self) -> None:
        from controller.straight import Straight

        super().__init__()
        k = CALIBRATION
        self._own = Straight(self._own.rules, k._replace(signal_settle_ms=300, reengage_delay_ms=100))


def test_a_device_that_comes_back_too_soon_fails() -> None:
    results = sweep("powertrain", lambda case: case == Case(Kind.DROP, "RoadMotion", State.APPLIED), Forgetful)
    assert [one.grade for one in results] == [Grade.FAILED]
    assert "before the settle time of 1000 ms" in results[0].text


@pytest.mark.parametrize("kind", [Kind.FREEZE, Kind.CORRUPT, Kind.WRONG_COUNTER, Kind.WRONG_LENGTH, Kind.OUT_OF_RANGE])
def test_a_bad_frame_is_never_believed_and_renews_nothing(kind: Kind) -> None:
    from bus.faults import Fault
    from bus.stand import Stand

    with bench_of("powertrain") as parts:
        stand = Stand(parts.binding.rules, CALIBRATION, State.APPLIED)
        for message in parts.binding.input_messages:
            parts.controller.power_up()
            parts.post.start(Fault(kind, message.name, 500, 900))
            seen = []
            base_ms = 1_000 * parts.controller.ticks
            parts.post.start(Fault(kind, message.name, base_ms + 500, base_ms + 900))
            for at_ms in range(0, 900, 10):
                parts.vehicle.send_tick(stand.inputs(base_ms + at_ms, at_ms, 0))
                parts.link.after(base_ms + at_ms)
                receiver = parts.controller.receiver
                slots = [receiver.slot(one.name) for one in message.signals if one.invalid_raw is not None]
                seen.append([(receiver.values[slot], receiver.good_ms[slot]) for slot in slots if slot is not None])
            assert all(row == seen[49] for row in seen[50:])
            assert seen[49] != seen[48]
