"""The as-built lock schedule: each line at, just below and just above it, and what it does on the road."""

from __future__ import annotations

from typing import Any

import pytest

from controller.calibration import load_calibration
from controller.straight import Straight
from controller.user_rules import load_rules
from sim.drives import load_drive
from sim.lock_schedule import REASONS, LockSchedule
from sim.loop import simulate
from sim.strategies import AsBuilt, Rules
from sim.vehicle import Vehicle, load_vehicle

EASY: dict[str, Any] = {
    "speed_kmh": 80.0, "throttle_pct": 30.0, "brake_on": False, "gear": 5, "shifting": False, "oil_c": 80.0,
    "engine_rpm": 1600.0,
}  # fmt: skip


class Bench:
    def __init__(self, vehicle: Vehicle) -> None:
        self.schedule = LockSchedule(vehicle)
        self.now_s = 0.0

    def run(self, seconds: float, **over: Any) -> str:
        for _ in range(round(seconds * 100)):
            self.schedule.tick(self.now_s, 0.01, **{**EASY, **over})
            self.now_s += 0.01
        return REASONS[self.schedule.reason if self.schedule.locked else self.schedule.refusal]


@pytest.fixture
def locked(pukeko: Vehicle) -> Bench:
    bench = Bench(pukeko)
    # The pedal comes from nothing: let its lag settle, then the delay pass.
    bench.run(10.0)
    assert bench.schedule.locked
    assert bench.schedule.duty == 1.0
    return bench


@pytest.mark.parametrize(
    ("over", "reason"),
    [
        ({"speed_kmh": 62.0}, "lock_conditions"), ({"speed_kmh": 61.99}, "below_speed"),
        ({"gear": 4}, "lock_conditions"), ({"gear": 3}, "gear"),
        ({"throttle_pct": 60.0}, "lock_conditions"), ({"throttle_pct": 60.1}, "throttle_level"),
        ({"throttle_pct": 1.0}, "lock_conditions"), ({"throttle_pct": 0.99}, "closed_throttle"),
        ({"oil_c": 45.0}, "lock_conditions"), ({"oil_c": 44.9}, "cold_oil"),
        ({"brake_on": True}, "brake"), ({"shifting": True}, "shift"),
        ({"engine_rpm": 780.0}, "lock_conditions"), ({"engine_rpm": 779.0}, "stall_guard"),
    ],
)  # fmt: skip
def test_goes_in_when(pukeko: Vehicle, over: dict[str, Any], reason: str) -> None:
    assert Bench(pukeko).run(12.0, **over) == reason


@pytest.mark.parametrize(
    ("over", "reason"),
    [
        ({"speed_kmh": 56.0}, None), ({"speed_kmh": 55.9}, "below_speed"),
        ({"throttle_pct": 0.9}, "closed_throttle"), ({"oil_c": 40.0}, None), ({"oil_c": 39.9}, "cold_oil"),
        ({"brake_on": True}, "brake"), ({"shifting": True}, "shift"), ({"gear": 3}, "gear"),
        ({"throttle_pct": 37.0}, None), ({"throttle_pct": 44.0}, "throttle_squeeze"),
        ({"throttle_pct": 38.9}, None),
    ],
)  # fmt: skip
def test_comes_out_at_once_when(locked: Bench, over: dict[str, Any], reason: str | None) -> None:
    locked.run(0.01, **over)
    if reason is None:
        assert locked.schedule.locked
    else:
        assert not locked.schedule.locked
        assert locked.schedule.duty == 0.0
        assert REASONS[locked.schedule.reason] == reason


def test_a_slow_press_of_the_same_size_is_no_squeeze(locked: Bench) -> None:
    for pedal in range(30, 60):
        locked.run(0.2, throttle_pct=float(pedal))
    assert locked.schedule.locked
    locked.run(0.5, throttle_pct=66.5)
    assert not locked.schedule.locked


def test_goes_in_again_only_after_the_delay(locked: Bench) -> None:
    locked.run(0.5, throttle_pct=70.0)
    assert not locked.schedule.locked
    assert locked.run(3.9) == "waiting"
    assert locked.run(0.3) == "lock_conditions"


def test_on_the_highway_a_light_squeeze_pops_it_out_and_it_locks_again_seconds_later(pukeko: Vehicle) -> None:
    drive = load_drive("highway_trailer")
    squeezes = [event for event in drive.events if event.throttle_add > 0.0]
    assert len(squeezes) >= 3
    run = simulate(pukeko, drive, AsBuilt(), flexible_jolt=False)
    for squeeze in squeezes:
        assert squeeze.throttle_add <= 0.2
        out = [e for e in run.engagements if e.end_s is not None and 0.0 <= e.end_s - (squeeze.at_s or 0.0) < 0.2]
        assert len(out) == 1, squeeze
        assert out[0].reason_out in ("throttle_squeeze", "throttle_level")
        again = min(e.start_s for e in run.engagements if e.start_s > (out[0].end_s or 0.0))
        assert 3.0 < again - (out[0].end_s or 0.0) < 12.0


def test_given_back_by_the_rules_it_waits_out_its_delay_before_it_locks() -> None:
    vehicle, rules = load_vehicle("pukeko"), load_rules(None)
    ours = Rules(Straight(rules, load_calibration("station", rules).values), "station")
    run = simulate(vehicle, load_drive("signal_loss"), ours, flexible_jolt=False)
    pairs = list(zip(run.engagements, run.engagements[1:], strict=False))
    given_back = [(one, after) for one, after in pairs if one.by == "rules" and after.by == "as_built"]
    assert {one.reason_out for one, _ in given_back} == {"signal_lost"}
    ramp_pct = 100.0 * 0.01 / vehicle.file.locking.ramp_s
    for one, after in given_back:
        assert one.end_s is not None
        assert after.start_s - one.end_s >= vehicle.file.locking.relock_delay_s
        assert run.traces["duty_pct"][round(after.start_s * 100)] <= ramp_pct + 1e-9
