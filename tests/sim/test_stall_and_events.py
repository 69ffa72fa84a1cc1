"""Stalls, the drive's script, what the sensors say, and the strategies."""

from __future__ import annotations

from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from controller.declare import State
from controller.errors import UserError
from controller.step import Command
from sim.drives import Drive, DriveEvent, load_drive
from sim.loop import fixed_of, simulate
from sim.plant import State as PlantState
from sim.script import Script
from sim.sensors import AGE_INVALID_MS, GROUPS, Sensors
from sim.strategies import AsBuilt, Decision, Open, Rules, Strategy
from sim.tick import Driven, sense
from sim.vehicle import Vehicle

STOP = [(0, 0), (2, 0), (14, 45, 0, "sealed", 2), (18, 45, 0, "sealed", 2), (26, 0, 0, "sealed", 2), (34, 0)]


def test_held_to_a_standstill_the_engine_stalls_and_starts_again_when_let_go(
    pukeko: Vehicle, make_drive: Callable[..., Drive], hold_above: Callable[..., Strategy]
) -> None:
    run = simulate(pukeko, make_drive(STOP), hold_above(35.0, 3.0))
    stalls = [event for event in run.events if event.kind == "stall"]
    restarts = [event for event in run.events if event.kind == "restart"]
    assert len(stalls) == len(restarts) == 1
    assert stalls[0].reason == "converter clutch held in"
    assert 3.0 < stalls[0].speed_kmh < 12.0
    released_s = run.engagements[0].end_s
    assert released_s is not None
    assert restarts[0].time_s > max(stalls[0].time_s, released_s) + 0.9
    assert run.traces["engine_rpm"][-1] == pytest.approx(720.0, abs=40.0)
    assert run.energy.scheme_residual < 1e-9
    assert run.energy.independent_residual < 1e-3


def test_let_go_in_time_it_does_not_stall(
    pukeko: Vehicle, make_drive: Callable[..., Drive], hold_above: Callable[..., Strategy]
) -> None:
    run = simulate(pukeko, make_drive(STOP), hold_above(35.0, 25.0), flexible_jolt=False)
    assert not run.events
    assert [one.reason_out for one in run.engagements] == ["release"]
    assert run.traces["engine_rpm"].min() > 600.0


def test_never_let_go_it_stays_stalled(
    pukeko: Vehicle, make_drive: Callable[..., Drive], hold_above: Callable[..., Strategy]
) -> None:
    run = simulate(pukeko, make_drive(STOP), hold_above(35.0, -1.0), flexible_jolt=False)
    assert [event.kind for event in run.events if event.kind != "cannot_follow"] == ["stall"]
    assert run.traces["engine_rpm"][-1] == 0.0
    assert run.traces["fuel_lph"][-1] == 0.0
    assert run.traces["slip_pct"][-1] == 0.0


def test_key_off_and_on_again(pukeko: Vehicle, make_drive: Callable[..., Drive]) -> None:
    events = (DriveEvent(at_s=3.0, ignition=0), DriveEvent(at_s=8.0, ignition=1))
    run = simulate(pukeko, make_drive([(0, 0), (15, 0)], events=events), AsBuilt(), flexible_jolt=False)
    assert run.traces["engine_rpm"][790] == 0.0
    assert run.traces["engine_rpm"][-1] == pytest.approx(720.0, abs=40.0)
    assert [event.kind for event in run.events] == ["restart"]
    assert run.energy.scheme_residual < 1e-9


def test_shorter_ramp_jolts_more(
    pukeko: Vehicle, make_drive: Callable[..., Drive], hold_above: Callable[..., Strategy]
) -> None:
    drive = make_drive([(0, 0, 0, "sand", 2), (14, 42, 0, "sand", 2), (30, 42, 0, "sand", 2)])
    short, long = (simulate(pukeko, drive, hold_above(40.0, 20.0, ramp)) for ramp in (0.05, 1.2))
    jolts = [run.engagements[0].jolt_ms3 for run in (short, long)]
    shafts = [run.engagements[0].shaft_peak_nm for run in (short, long)]
    assert jolts[0] is not None
    assert jolts[1] is not None
    assert jolts[0] > 1.5 * jolts[1] > 0.0
    assert shafts[0] is not None
    assert shafts[1] is not None
    steady_nm = 0.197 * 2850 * 9.81 * pukeko.file.body.rolling_radius_m
    assert shafts[0] > shafts[1] > steady_nm
    assert shafts[0] < 3.0 * steady_nm


def test_jolt_is_left_out_when_not_asked_for(
    pukeko: Vehicle, make_drive: Callable[..., Drive], hold_above: Callable[..., Strategy]
) -> None:
    run = simulate(pukeko, make_drive(STOP), hold_above(35.0, 25.0), flexible_jolt=False)
    assert run.engagements[0].jolt_ms3 is run.engagements[0].shaft_peak_nm is None


def test_engagement_figures(
    pukeko: Vehicle, make_drive: Callable[..., Drive], hold_above: Callable[..., Strategy]
) -> None:
    run = simulate(pukeko, make_drive(STOP), hold_above(35.0, 25.0), flexible_jolt=False)
    (one,) = run.engagements
    assert (one.reason_in, one.reason_out, one.by) == ("engage", "release", "rules")
    assert one.held_s is not None
    assert one.duration_s == pytest.approx(one.held_s - one.start_s)
    assert abs(run.traces["slip_rpm"][round(one.held_s * 100)]) < 5.0
    assert one.energy_kj == pytest.approx(
        float(np.sum(run.traces["clutch_heat_kw"][round(one.start_s * 100) : round(one.held_s * 100)])) * 0.01
    )
    assert one.rpm_drop > 50.0
    assert one.speed_kmh == pytest.approx(35.0, abs=0.5)


@pytest.mark.parametrize(
    ("now_s", "kmh", "band", "brake"),
    [(0.99, 0.0, 0, 0.0), (1.0, 0.0, 1, 0.0), (1.99, 0.0, 1, 0.0), (2.0, 0.0, 1, 0.1), (2.49, 0.0, 1, 0.1),
     (2.5, 0.0, 1, 0.0)],
)  # fmt: skip
def test_timed_events(make_drive: Callable[..., Drive], now_s: float, kmh: float, band: int, brake: float) -> None:
    script = Script(
        make_drive([(0, 0), (9, 9)], events=(DriveEvent(at_s=2.0, for_s=0.5, brake=0.1), DriveEvent(at_s=1.0, band=1)))
    )
    for k in range(round(now_s * 100) + 1):
        effects = script.tick(k / 100, kmh)
    assert (effects.band, effects.brake) == (band, brake)


def test_events_at_a_speed_fire_once_in_their_direction(make_drive: Callable[..., Drive]) -> None:
    events = (
        DriveEvent(at_speed_kmh=34.0, rising=True, after_s=1.0, band=1),
        DriveEvent(at_speed_kmh=31.0, rising=False, band=2),
    )
    script = Script(make_drive([(0, 0), (9, 9)], events=events))
    seen = [
        script.tick(now, kmh).band
        for now, kmh in [
            (0.5, 33.9), (0.6, 34.0), (0.7, 33.0), (1.1, 33.99), (1.2, 34.0), (1.3, 31.0), (1.4, 30.99), (1.5, 35.0),
        ]
    ]  # fmt: skip
    assert seen == [0, 0, 0, 0, 1, 1, 2, 2]


def read(vehicle: Vehicle, sensors: Sensors, now_ms: int, lost: tuple[str, ...] = (), **forced: int) -> dict[str, int]:
    state = PlantState(200.0, 10.0, 0.0, 0.0, 0.012, 0.0, -3.26, 0.0, 0.0, 85.04, 0.0)
    driven = Driven(0.2504, 0.0, 10.0 + now_ms / 1e4, 3, False, 1.0, 0.0)
    return sensors.read(sense(now_ms, True, 1, state, 18.0, -2.5, driven, fixed_of(vehicle)), lost, forced)


def test_values_are_whole_numbers_in_the_rules_units(pukeko: Vehicle) -> None:
    inputs = read(pukeko, Sensors(), 0)
    assert inputs["road_speed_ckmh"] == 3600
    assert inputs["engine_rpm"] == 1910
    assert inputs["oil_temp_dc"] == -33
    assert inputs["throttle_permille"] == 250
    assert inputs["coolant_temp_dc"] == 850
    assert inputs["grade_permille"] == -25
    assert all(isinstance(value, int) for value in inputs.values())
    assert all(inputs[f"{group}_age_ms"] == 0 for group in GROUPS)


def test_a_lost_group_keeps_its_value_while_its_age_grows(pukeko: Vehicle) -> None:
    sensors = Sensors()
    first = read(pukeko, sensors, 0)
    for now in (10, 20, 30):
        inputs = read(pukeko, sensors, now, ("road_speed",))
        assert inputs["road_speed_ckmh"] == first["road_speed_ckmh"]
        assert inputs["road_speed_age_ms"] == now
        assert inputs["engine_rpm_age_ms"] == 0
    back = read(pukeko, sensors, 40)
    assert back["road_speed_age_ms"] == 0
    assert back["road_speed_ckmh"] > first["road_speed_ckmh"]
    assert read(pukeko, sensors, 10**6, ("gear",))["gear_age_ms"] == AGE_INVALID_MS


def test_unknown_signals_take_their_default_or_what_an_event_sets(pukeko: Vehicle) -> None:
    sensors = Sensors((SimpleNamespace(name="winch_on", default=0), SimpleNamespace(name="gear", default=7)))
    assert read(pukeko, sensors, 0)["winch_on"] == 0
    assert read(pukeko, sensors, 10, winch_on=1)["winch_on"] == 1
    assert read(pukeko, sensors, 20)["gear"] == 3


def test_speed_sensor_is_set_for_its_own_tyres(pukeko: Vehicle) -> None:
    from dataclasses import replace

    body = pukeko.file.body.model_copy(update={"sensor_rolling_radius_m": 0.38})
    other = replace(pukeko, file=pukeko.file.model_copy(update={"body": body}))
    assert read(other, Sensors(), 0)["road_speed_ckmh"] == round(3600 * 0.38 / 0.40)


class FakeController:
    """Idle below 30 km/h, full duty above."""

    _FAST = SimpleNamespace(
        reason="fast",
        source=State.APPLIED,
        destination=State.RELEASED,
        says=lambda x, k: f"{x.now_ms} ms, limit {k.limit}",
    )
    rules = SimpleNamespace(
        reasons=("none", "start", "fast"), signals=(), refusals=(_FAST,), rows=(_FAST,),
        lamps=(SimpleNamespace(word="hot", meaning="ease off"),),
    )  # fmt: skip
    calibration = SimpleNamespace(limit=7)

    def tick(self, inputs: Any) -> Command:
        on = inputs["road_speed_ckmh"] > 3000
        return Command(1_000_000 if on else 0, 2 if on else 0, 2 if on else 1, 0, 1, 0)


def test_idle_rules_leave_the_as_built_schedule_in_charge() -> None:
    rules = Rules(FakeController(), "fake")
    idle = rules.tick({"now_ms": 0, "road_speed_ckmh": 3000}, 0.4)
    assert (idle.duty, idle.hold, idle.state) == (0.4, False, 0)
    held = rules.tick({"now_ms": 10, "road_speed_ckmh": 3001}, 0.4)
    assert (held.duty, held.hold, held.state, held.reason, held.warnings) == (1.0, True, 2, 2, 1)
    assert [(one.now_ms, one.kind, one.text) for one in rules.told] == [(0, "lamp", "lamp hot: ease off")]
    assert rules.reason_words[held.reason] == "fast"
    assert Open().tick({}, 0.4).duty == 0.0
    assert AsBuilt().tick({}, 0.4).duty == 0.4


def test_an_engagement_that_the_rules_cut_short_ends_for_the_rules_reason(
    pukeko: Vehicle, make_drive: Callable[..., Drive]
) -> None:
    class TakesOver(Open):
        kind = "rules"
        reason_words = ("none", "driver_on")

        def tick(self, inputs: Any, as_built_duty: float) -> Any:
            if inputs["now_ms"] < 40_000:
                return Decision(as_built_duty, False, 0, 0, 0, 0)
            return Decision(0.0, True, 1, 1, 0, 0)

    run = simulate(pukeko, make_drive([(0, 90), (50, 90)]), TakesOver(), flexible_jolt=False)
    last = run.engagements[-1]
    assert (last.by, last.end_s, last.reason_out) == ("as_built", 40.0, "driver_on")


def test_brake_tap_reaches_vehicle_and_rules(pukeko: Vehicle, make_drive: Callable[..., Drive]) -> None:
    class Watch(Open):
        seen: list[int]

        def tick(self, inputs: Any, as_built_duty: float) -> Any:
            if inputs["brake_on"]:
                self.seen.append(inputs["now_ms"])
            return super().tick(inputs, as_built_duty)

    watch = Watch()
    watch.seen = []
    events = (DriveEvent(at_s=20.0, for_s=0.3, brake=0.06),)
    run = simulate(pukeko, make_drive([(0, 0), (15, 50), (30, 50)], events=events), watch, flexible_jolt=False)
    assert [ms for ms in watch.seen if ms > 16000] == list(range(20000, 20300, 10))
    assert run.traces["brake_pct"][2010] == pytest.approx(6.0)


def test_ambient_and_trailer_can_be_replaced(pukeko: Vehicle, make_drive: Callable[..., Drive]) -> None:
    drive = make_drive([(0, 0), (15, 50), (30, 50)], trailer_kg=500.0, trailer_drag_area_m2=0.5)
    light, heavy, cold = (
        simulate(pukeko, drive, Open(), flexible_jolt=False, **over)  # type: ignore[arg-type]
        for over in ({"trailer_kg": 0.0}, {"trailer_kg": 2000.0}, {"ambient_c": -10.0})
    )
    assert heavy.total_mass_kg - light.total_mass_kg == 2000.0
    assert heavy.fuel_l > light.fuel_l
    assert cold.ambient_c == -10.0


def test_progress_runs_to_the_end(pukeko: Vehicle, make_drive: Callable[..., Drive]) -> None:
    shares: list[float] = []
    simulate(pukeko, make_drive([(0, 0), (45, 30)]), Open(), progress=shares.append)
    assert shares[0] == 0.0
    assert shares[-1] == 1.0
    assert shares == sorted(shares)


def test_a_drive_that_starts_at_speed_starts_rolling(pukeko: Vehicle, make_drive: Callable[..., Drive]) -> None:
    run = simulate(pukeko, make_drive([(0, 90), (30, 90)]), AsBuilt(), flexible_jolt=False)
    assert run.traces["speed_kmh"][0] == pytest.approx(90.0)
    assert run.traces["gear"][0] >= 4
    assert np.abs(run.traces["speed_kmh"] - 90.0).max() < 3.0
    assert not run.events
    limited = simulate(
        pukeko, make_drive([(0, 40, 0, "sealed", 2), (20, 40, 0, "sealed", 2)]), AsBuilt(), flexible_jolt=False
    )
    assert set(limited.traces["gear"]) == {2.0}


def test_numbers_out_of_range_are_said_so(pukeko: Vehicle, make_drive: Callable[..., Drive]) -> None:
    from dataclasses import replace

    wild = replace(pukeko, params=pukeko.params._replace(tank_j_per_k=12.0))
    with pytest.raises(UserError, match=r"Pukeko 2\.8 TD: the run leaves the range of numbers at \d"):
        simulate(wild, make_drive([(0, 0), (60, 0)]), Open(), flexible_jolt=False)


class Refusing(FakeController):
    """Refuses for a while, then holds, then is out by a fault."""

    def tick(self, inputs: Any) -> Command:
        now = inputs["now_ms"]
        if now < 20000:
            return Command(0, 1, 1, 2 if now >= 18000 else 0, 0, 1)
        return Command(1_000_000, 2, 1, 0, 0, 1) if now < 25000 else Command(0, 3, 2, 0, 0, 1)


def test_interlocks_and_refusals_are_told_with_time_and_reason(
    pukeko: Vehicle, make_drive: Callable[..., Drive]
) -> None:
    drive = make_drive([(0, 0), (15, 50), (30, 50)], events=(DriveEvent(at_s=1.0, band=1),))
    run = simulate(pukeko, drive, Rules(Refusing(), "refusing"), flexible_jolt=False)
    told = [(event.time_s, event.kind, event.reason, event.text) for event in run.events]
    assert told == [
        (18.0, "refusal", "fast", "refused, fast: 18000 ms, limit 7"),
        (25.0, "interlock", "fast", "out, fast: 25000 ms, limit 7"),
    ]


def test_a_run_of_two_ticks_has_no_jolt_to_judge(
    pukeko: Vehicle, make_drive: Callable[..., Drive], hold_above: Callable[..., Strategy]
) -> None:
    run = simulate(pukeko, make_drive([(0, 0), (0.02, 0)]), hold_above(-1.0, -2.0))
    assert [one.jolt_ms3 for one in run.engagements] == [0.0]


def test_jolt_of_a_hold_down_to_a_standstill_is_judged(
    pukeko: Vehicle, make_drive: Callable[..., Drive], hold_above: Callable[..., Strategy]
) -> None:
    points = [(0, 0), (12, 20, 0, "sealed", 1), (14, 0, 0, "sealed", 1), (20, 0, 0, "sealed", 1)]
    run = simulate(pukeko, make_drive(points), hold_above(10.0, -1.0))
    assert run.engagements[0].jolt_ms3 is not None
    assert run.engagements[0].jolt_ms3 > 0.0


def test_every_press_of_the_threshold_drive_happens_at_its_speed(pukeko: Vehicle) -> None:
    drive = load_drive("switch_at_threshold")
    run = simulate(pukeko, drive, Open(), flexible_jolt=False)
    band, speed = run.traces["band"], run.traces["speed_kmh"]
    presses = np.flatnonzero(np.diff(band)) + 1
    assert len(presses) == len(drive.events)
    for tick, event in zip(presses, drive.events, strict=True):
        assert band[tick] == event.band
        assert speed[tick] == pytest.approx(event.at_speed_kmh, abs=0.1)
        assert (speed[tick] > speed[tick - 1]) == event.rising
