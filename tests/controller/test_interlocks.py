"""Each interlock just below, at and just above its limit, on both sides of its hysteresis, and how it clears."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from rig import CALIBRATION, Rig

from controller.declare import AGE_INVALID_MS, State
from controller.signals import AGED

# Opens a hold at the value, in the tick -------------------------------------------------------------------

_OPENS = [
    # signal, last value that keeps, first that opens, state after, reason
    ("brake_on", 0, 1, "released", "brake"),
    ("shift_on", 0, 1, "released", "shift"),
    ("engine_rpm", 900, 899, "released", "stall_guard"),
    ("oil_temp_dc", 200, 199, "idle", "cold_oil"),
    ("gear", 2, 1, "released", "gear"),
    ("gear", 6, 7, "released", "gear"),
    ("gear", 6, 0, "released", "gear"),
    ("gear", 6, -1, "released", "gear"),
    *((f"{name}_age_ms", CALIBRATION[f"{name}_limit_ms"], CALIBRATION[f"{name}_limit_ms"] + 1,
       "idle", "signal_lost") for name in AGED),
    *((f"{name}_age_ms", 0, AGE_INVALID_MS, "idle", "signal_lost") for name in AGED),
]  # fmt: skip


@pytest.mark.parametrize(("signal", "keeps", "opens", "state", "reason"), _OPENS)
def test_opens_in_the_same_tick_at_its_limit(signal: str, keeps: int, opens: int, state: str, reason: str) -> None:
    # No fault may trip beside the interlock that is looked at.
    rig = Rig(plausible_tolerance_rpm=2_000, holding_slip_rpm=1_000).holding()
    for _ in range(5):
        rig.tick(1, **{signal: keeps})
        assert rig.state == "applied"
    rig.tick(0, **{signal: opens})
    assert (rig.state, rig.reason, rig.refusal, rig.command.duty_ppm) == (state, reason, reason, 0)


@pytest.mark.parametrize(("gear", "held"), [(3, False), (4, True), (5, True), (6, True), (7, False)])
def test_high_band_has_gears_of_its_own(gear: int, held: bool) -> None:
    rig = Rig().holding(2, 8_000, 5)
    rig.tick(gear=gear)
    assert (rig.state == "applied") is held


# Goes back in by itself after its settle time --------------------------------------------------------------

_CLEARS = [
    # reason, what opens, what does not clear it yet, what clears it, settle time
    ("brake", {"brake_on": 1}, {"brake_on": 1}, {"brake_on": 0}, 500),
    ("shift", {"shift_on": 1}, {"shift_on": 1}, {"shift_on": 0}, 300),
    ("gear", {"gear": 1}, {"gear": 0}, {"gear": 2}, 200),
    ("stall_guard", {"engine_rpm": 899}, {"engine_rpm": 999}, {"engine_rpm": 1_000}, 1_000),
    ("cold_oil", {"oil_temp_dc": 199}, {"oil_temp_dc": 239}, {"oil_temp_dc": 240}, 1_000),
    *(("signal_lost", {f"{name}_age_ms": AGE_INVALID_MS}, {f"{name}_age_ms": limit + 1}, {f"{name}_age_ms": limit},
       1_000) for name, limit in (("brake", 100), ("oil_temp", 3_000), ("band_switch", 500))),
]  # fmt: skip


@pytest.mark.parametrize(("reason", "opens", "not_yet", "clears", "settle_ms"), _CLEARS)
def test_clears_by_itself_after_the_settle_time(
    reason: str, opens: dict[str, int], not_yet: dict[str, int], clears: dict[str, int], settle_ms: int
) -> None:
    # With the least re-engage delay, so that the settle time decides.
    rig = Rig(reengage_delay_ms=100).holding()
    rig.tick(**opens)
    for _ in range(50):
        rig.tick(100, **not_yet)
        assert (rig.state != "applied", rig.refusal) == (True, reason)
    rig.tick(1, **clears)
    rig.tick(settle_ms - 1)
    assert rig.refusal == reason
    rig.tick(1)
    assert (rig.state, rig.refusal) == ("armed", "arming")
    rig.tick(1)
    assert (rig.state, rig.reason) == ("applied", "engage_speed")


@pytest.mark.parametrize(("reason", "opens", "_not_yet", "clears", "settle_ms"), _CLEARS)
def test_a_relapse_starts_the_settle_time_again(
    reason: str, opens: dict[str, int], _not_yet: dict[str, int], clears: dict[str, int], settle_ms: int
) -> None:
    rig = Rig(reengage_delay_ms=100).holding()
    rig.tick(**opens)
    rig.tick(1, **clears)
    rig.tick(settle_ms - 1)
    rig.tick(1, **opens)
    rig.tick(1, **clears)
    rig.tick(settle_ms - 1)
    assert rig.refusal == reason
    rig.tick(1)
    assert rig.refusal == "arming"


def test_settle_of_zero_clears_in_the_same_tick() -> None:
    rig = Rig(reengage_delay_ms=100, brake_settle_ms=0).holding()
    rig.run(200, brake_on=1)
    rig.tick(brake_on=0)
    assert rig.refusal == "arming"


# Hold through shifts, lugging ------------------------------------------------------------------------------


def test_holds_through_shifts_where_the_calibration_says_so() -> None:
    rig = Rig(hold_through_shifts=True).holding()
    assert rig.run(2_000, shift_on=1).state == State.APPLIED


@pytest.mark.parametrize(("turbine", "state"), [(1_149, "armed"), (1_150, "applied"), (1_151, "applied")])
def test_lugging_refuses_to_engage(turbine: int, state: str) -> None:
    rig = Rig().ready(gear=3)
    rig.tick(road_speed_ckmh=3_400, turbine_rpm=turbine, engine_rpm=1_400)
    assert rig.state == state
    if state == "armed":
        assert rig.refusal == "lugging"
        assert rig.why == "refused, lugging: locked, the engine would turn 1149 rpm, limit 1150 rpm"
        assert rig.tick(turbine_rpm=1_150).state == State.APPLIED


def test_lugging_does_not_open_a_hold() -> None:
    rig = Rig().holding()
    assert rig.run(500, turbine_rpm=1_000, engine_rpm=1_000).state == State.APPLIED


# Throttle, each only where the calibration asks ------------------------------------------------------------


@pytest.mark.parametrize("throttle", [0, 19, 20, 500, 920, 921, 1_000])
def test_throttle_opens_nothing_by_default(throttle: int) -> None:
    rig = Rig().holding()
    assert rig.run(20_000, 100, throttle_permille=throttle).state == State.APPLIED


_THROTTLE = [
    # reason, switch key, keeps, opens, not yet clear, clear, confirm, settle
    ("closed_throttle", "closed_throttle_opens", 20, 19, 49, 50, 400, 300),
    ("kickdown", "kickdown_opens", 920, 921, 801, 800, 200, 500),
]


@pytest.mark.parametrize(("reason", "key", "keeps", "opens", "not_yet", "clear", "confirm", "settle"), _THROTTLE)
def test_throttle_interlocks_confirm_open_and_clear(
    reason: str, key: str, keeps: int, opens: int, not_yet: int, clear: int, confirm: int, settle: int
) -> None:
    rig = Rig(reengage_delay_ms=100, **{key: True}).holding()
    rig.run(2_000, throttle_permille=keeps)
    assert rig.state == "applied"
    rig.tick(1, throttle_permille=opens)
    rig.tick(confirm - 1)
    assert rig.state == "applied"
    # A look back over the line starts the confirm time again.
    rig.tick(1, throttle_permille=keeps)
    rig.tick(1, throttle_permille=opens)
    rig.tick(confirm - 1)
    assert rig.state == "applied"
    rig.tick(1)
    assert (rig.state, rig.reason) == ("released", reason)
    rig.run(3_000, throttle_permille=not_yet)
    assert rig.refusal == reason
    rig.tick(1, throttle_permille=clear)
    rig.tick(settle - 1)
    assert rig.refusal == reason
    rig.tick(1)
    assert rig.refusal == "arming"


@pytest.mark.parametrize(("reason", "key", "_keeps", "opens", "_not_yet", "clear", "confirm", "_settle"), _THROTTLE)
def test_an_unconfirmed_throttle_already_refuses_to_engage(
    reason: str, key: str, _keeps: int, opens: int, _not_yet: int, clear: int, confirm: int, _settle: int
) -> None:
    rig = Rig(**{key: True}).ready()
    rig.rolling(4_000)
    rig.tick(1, throttle_permille=opens)
    assert (rig.state, rig.refusal) == ("armed", reason)
    rig.tick(confirm - 1, throttle_permille=clear)
    assert rig.state == "applied"


# Latched faults --------------------------------------------------------------------------------------------


def _stays_until_ignition(rig: Rig, reason: str) -> None:
    assert (rig.state, rig.reason, rig.refusal) == ("idle", reason, reason)
    assert reason in rig.lamps
    rig.rolling(4_000, 2)
    rig.run(10_000, 100, throttle_permille=0)
    rig.tick(band_switch=0)
    rig.run(10_000, 100, band_switch=1)
    assert (rig.state, rig.refusal) == ("idle", reason)
    rig.tick(ignition_on=0)
    assert reason not in rig.lamps
    rig.run(100, ignition_on=1)
    rig.tick(band_switch=0)
    rig.tick(band_switch=1)
    assert rig.run(100).state == State.APPLIED


@pytest.mark.parametrize("sign", [1, -1])
def test_speeds_that_disagree_latch_after_the_confirm_time(sign: int) -> None:
    # At 100 km/h the gear's own figure is the gearbox input speed, so the limit is met exactly.
    rig = Rig().holding(1, 10_000, 4)
    limit = 2_401 + sign * 250
    rig.run(3_000, turbine_rpm=limit, engine_rpm=limit)
    assert rig.state == "applied"
    rig.tick(1, turbine_rpm=limit + sign, engine_rpm=limit + sign)
    rig.tick(799)
    assert rig.state == "applied"
    rig.tick(1, turbine_rpm=limit, engine_rpm=limit)
    rig.tick(1, turbine_rpm=limit + sign, engine_rpm=limit + sign)
    rig.tick(799)
    assert rig.state == "applied"
    rig.tick(1)
    _stays_until_ignition(rig, "implausible")


@pytest.mark.parametrize(("speed_ckmh", "turbine_rpm"), [(2_399, 2_576), (17_601, 2_226)])
def test_speeds_that_disagree_by_the_least_too_much_latch(speed_ckmh: int, turbine_rpm: int) -> None:
    # 0.01 km/h is 0.2401 rpm in fourth gear: here the two speeds differ by 2000.0001 rpm.
    assert abs(turbine_rpm * 10_000 - speed_ckmh * 2_401) == 20_000_001
    rig = Rig(plausible_tolerance_rpm=2_000).ready(1, 2_000, 4)
    rig.run(2_000, 100, road_speed_ckmh=speed_ckmh, turbine_rpm=turbine_rpm)
    assert "implausible" in rig.lamps


@pytest.mark.parametrize(
    ("change", "judged"),
    [
        ({}, True),
        ({"road_speed_ckmh": 1_000}, True),
        ({"road_speed_ckmh": 999}, False),
        ({"shift_on": 1}, False),
        ({"gear": 0}, False),
        ({"gear": -1}, False),
        ({"gear": 7}, False),
        ({"road_speed_age_ms": 200}, True),
        ({"road_speed_age_ms": 201}, False),
        ({"turbine_rpm_age_ms": 200}, True),
        ({"turbine_rpm_age_ms": AGE_INVALID_MS}, False),
        ({"gear_age_ms": 300}, True),
        ({"gear_age_ms": 301}, False),
        ({"engine_rpm_age_ms": 201}, True),
    ],
)
def test_speeds_are_judged_only_where_they_can_be(change: dict[str, int], judged: bool) -> None:
    rig = Rig()
    rig.rolling(4_000, 2)
    rig.run(5_000, 100, turbine_rpm=5_000, **change)
    assert ("implausible" in rig.lamps) is judged


def test_a_frozen_speed_is_a_lost_signal_and_not_a_latched_fault() -> None:
    # Named regression: the speed signal stops at a hold and the vehicle goes on to another speed.
    rig = Rig().holding()
    for age_ms in range(0, 6_000, 10):
        rig.tick(10, road_speed_age_ms=age_ms, turbine_rpm=1_805 + age_ms // 6, engine_rpm=1_825 + age_ms // 6)
    assert (rig.state, rig.refusal) == ("idle", "signal_lost")
    rig.rolling(5_000)
    rig.run(1_200, road_speed_age_ms=0)
    assert rig.state == "applied"


def test_a_signal_that_is_old_but_not_yet_lost_latches_nothing() -> None:
    # With the shortest confirm times that the file takes: every speed stands still up to its limit, then comes back.
    rig = Rig(plausible_confirm_ms=300, holding_confirm_ms=200, stuck_confirm_ms=200).holding()
    for frozen in (("turbine_rpm",), ("road_speed",), ("gear",), ("engine_rpm",)):
        limit_ms = getattr(rig.k, f"{frozen[0]}_limit_ms")
        for age_ms in range(10, limit_ms + 1, 10):
            rig.rolling(5_000, 3)
            still = {"turbine_rpm": {"turbine_rpm": 1_805}, "road_speed": {"road_speed_ckmh": 4_000},
                     "gear": {"gear": 2}, "engine_rpm": {"engine_rpm": 1_205}}[frozen[0]]  # fmt: skip  # as they were
            rig.tick(10, **{f"{frozen[0]}_age_ms": age_ms}, **still)
        rig.rolling(5_000, 3)
        rig.run(1_000, **{f"{frozen[0]}_age_ms": 0})
        assert rig.lamps == [], frozen
        rig.rolling(4_000, 2)
        rig.run(5_000)
        assert rig.state == "applied"


@pytest.mark.parametrize("sign", [1, -1])
def test_a_full_hold_that_slips_latches_after_the_confirm_time(sign: int) -> None:
    rig = Rig().holding()
    turbine = rig.inputs["turbine_rpm"]
    rig.run(5_000, engine_rpm=turbine + sign * 80)
    assert rig.state == "applied"
    rig.tick(1, engine_rpm=turbine + sign * 81)
    for _ in range(3):
        rig.tick(833)
        assert rig.state == "applied"
    rig.tick(1, engine_rpm=turbine + sign * 81)
    _stays_until_ignition(rig, "not_holding")


def test_slip_on_the_ramp_is_not_judged() -> None:
    rig = Rig(end_duty_ppm=1_000_000, finish_permille_per_s=100, holding_confirm_ms=200).ready()
    rig.rolling(4_000)
    rig.until(State.APPLIED, engine_rpm=2_500)
    rig.run(2_000)
    assert (rig.state, rig.command.duty_ppm < 1_000_000) == ("applied", True)
    rig.run(3_000)
    assert (rig.state, rig.reason) == ("idle", "not_holding")


def test_a_slipping_hold_that_a_band_change_opens_still_latches() -> None:
    # The chart is in released when the fault comes on: the one way into that row.
    rig = Rig().holding(1, 4_500, 3)
    rig.set(engine_rpm=rig.inputs["turbine_rpm"] + 300)
    rig.tick(1)
    for _ in range(3):
        rig.tick(833)
    assert rig.state == "applied"
    rig.tick(1, band_switch=2)
    assert (rig.state, rig.reason, rig.memory("not_holding_on")) == ("released", "driver_off", 1)
    rig.tick(1)
    assert (rig.state, rig.reason) == ("idle", "not_holding")


@pytest.mark.parametrize("state", [State.ARMED, State.RELEASED])
@pytest.mark.parametrize(
    ("throttle", "turbine", "slip", "stuck"),
    [
        (300, 800, 3, True),
        (300, 800, -3, True),
        (299, 800, 0, False),
        (300, 799, 0, False),
        (300, 800, 4, False),
        (300, 800, -4, False),
    ],
)
def test_an_open_clutch_without_slip_under_load_latches(
    state: State, throttle: int, turbine: int, slip: int, stuck: bool
) -> None:
    rig = Rig(plausible_minimum_ckmh=5_000, reengage_delay_ms=30_000)
    rig.ready() if state is State.ARMED else rig.holding()
    if state is State.RELEASED:
        rig.tick(1, brake_on=1)
        rig.tick(299)
    rig.set(throttle_permille=throttle, turbine_rpm=turbine, engine_rpm=turbine + slip)
    rig.tick(1)
    for _ in range(4):
        rig.tick(749)
    rig.tick(3)
    assert State(rig.command.state) is state
    rig.tick(1)
    assert ("stuck_in" in rig.lamps) is stuck
    if stuck:
        assert (rig.state, rig.reason) == ("idle", "stuck_in")


@pytest.mark.parametrize(("after_ms", "refusal"), [(299, "brake"), (300, "stuck_in")])
def test_a_clutch_that_still_drains_is_not_called_stuck(after_ms: int, refusal: str) -> None:
    rig = Rig().holding()
    rig.set(throttle_permille=400, engine_rpm=rig.inputs["turbine_rpm"])
    rig.tick(1, brake_on=1)
    rig.tick(after_ms)
    assert rig.refusal == refusal


def test_a_stuck_clutch_stays_until_the_ignition_cycle() -> None:
    rig = Rig().ready()
    rig.run(3_100, throttle_permille=400, turbine_rpm=902, engine_rpm=902)
    _stays_until_ignition(rig, "stuck_in")


# The order of severity -------------------------------------------------------------------------------------


def test_the_first_interlock_of_several_gives_the_reason() -> None:
    rig = Rig(plausible_tolerance_rpm=2_000, holding_slip_rpm=1_000).holding()
    together: list[tuple[str, Callable[[], None]]] = [
        ("gear", lambda: rig.set(gear=1)),
        ("stall_guard", lambda: rig.set(engine_rpm=800)),
        ("brake", lambda: rig.set(brake_on=1)),
        ("cold_oil", lambda: rig.set(oil_temp_dc=0)),
        ("signal_lost", lambda: rig.set(oil_temp_age_ms=AGE_INVALID_MS)),
        ("driver_off", lambda: rig.set(band_switch=0)),
        ("ignition_off", lambda: rig.set(ignition_on=0)),
    ]
    for reason, add in together:
        add()
        rig.tick()
        assert rig.refusal == reason
