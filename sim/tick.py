"""One tick of the closed loop about the rules, written once: `sim.loop` calls it as it stands, `sim.lanes` compiles it.

Before the rules: driver, gearbox and the as-built lock schedule act, and the sensors read. After them: what acts on the
plant in the tick's steps. Only what happens on a drive (`sim.script`) comes to a lane in another form, as an array.
"""

from __future__ import annotations

from typing import NamedTuple

from sim.course import TICK_S
from sim.driver import Driver
from sim.gearbox import Gearbox, Ratio
from sim.ignition import Ignition
from sim.lock_schedule import LockSchedule
from sim.plant import Inputs, State
from sim.vehicle import RPM_PER_RADS

driver_tick = Driver.tick
gearbox_tick = Gearbox.tick
schedule_tick = LockSchedule.tick

FOOT_OFF = 0.005
"""A smaller pedal lets the engine cut its fuel."""


class Here(NamedTuple):
    """A course at one tick."""

    aim_ms: float
    aim_ms2: float
    roll_n: float
    grade_n: float
    wind_ms: float
    slip_most: float
    slip_force_n: float
    grade_pct: float
    gear_limit: float


class Load(NamedTuple):
    """What a course has the same at every tick."""

    inertial_kg: float
    air_n_per_ms2: float
    air_c: float


class Fixed(NamedTuple):
    """What a tick needs to know of a vehicle beside the plant's parameters."""

    friction_nm: float
    friction_nm_per_rads: float
    brake_full_n: float
    fuel_cut_rads: float
    shift_torque_share: float
    sensor_speed_factor: float


class Driven(NamedTuple):
    """What driver and transmission do at a tick; a shift may end within the tick's steps, this is from before them.

    `rim_ms` is the speed of the tyre's rim, which the output shaft turns with; `torque_share` what an upshift leaves of
    the engine's torque.
    """

    throttle: float
    brake: float
    rim_ms: float
    gear: int
    shifting: bool
    torque_share: float
    as_built_duty: float


class Seen(NamedTuple):
    """What the sensors read, whole numbers by the rules' names for them."""

    now_ms: int
    ignition_on: bool
    band_switch: int
    road_speed_ckmh: int
    engine_rpm: int
    turbine_rpm: int
    oil_temp_dc: int
    throttle_permille: int
    brake_on: bool
    gear: int
    shift_on: bool
    coolant_temp_dc: int
    grade_permille: int
    tyre_slip_permille: int
    fuel_cut_on: bool


def drive_on(
    now_s: float,
    state: State,
    ratio_end: float,
    here: Here,
    load: Load,
    fixed: Fixed,
    throttle_add: float,
    brake_least: float,
    gear_limit: float,
    driver: Driver,
    gearbox: Gearbox,
    schedule: LockSchedule,
) -> Driven:
    """Let driver, gearbox and lock schedule take their tick.

    `throttle_add`, `brake_least` (0 to 1) and `gear_limit` are what the drive's events ask for.
    """
    speed_ms, engine_rads = state.speed_ms, state.engine_rads
    relative_ms = speed_ms + here.wind_ms
    driver_tick(
        driver, TICK_S, speed_ms, here.aim_ms, here.aim_ms2, load.inertial_kg,
        here.roll_n + here.grade_n + load.air_n_per_ms2 * relative_ms * abs(relative_ms),
        (fixed.friction_nm + fixed.friction_nm_per_rads * engine_rads) * ratio_end,
    )  # fmt: skip
    throttle, brake = driver.throttle, driver.brake
    if throttle_add != 0.0:
        throttle = min(max(throttle + throttle_add, 0.0), 1.0)
    if brake_least > brake:
        brake = brake_least
    brake_on = brake > 0.0
    rim_ms = speed_ms / (1.0 - state.tyre_slip)
    limit = here.gear_limit if here.gear_limit < gear_limit else gear_limit
    # The transmission reads its own output shaft, as the speed sensor does.
    gearbox_tick(gearbox, now_s, rim_ms * 3.6, throttle, brake_on, engine_rads, int(limit))
    gear, shifting = gearbox.gear, gearbox.shifting
    as_built_duty = schedule_tick(
        schedule, now_s, TICK_S, rim_ms * 3.6, throttle * 100.0, brake_on, gear, shifting, state.oil_c,
        engine_rads * RPM_PER_RADS,
    )  # fmt: skip
    torque_share = fixed.shift_torque_share if shifting and gearbox.upshift else 1.0
    return Driven(throttle, brake, rim_ms, gear, shifting, torque_share, as_built_duty)


def whole(value: float) -> int:
    """Return the nearest whole number, halves away from zero, as a sensor's analogue input rounds."""
    return int(value + 0.5) if value >= 0.0 else -int(0.5 - value)


def sense(
    now_ms: int,
    ignition_on: bool,
    band: int,
    state: State,
    ratio_end: float,
    grade_pct: float,
    driven: Driven,
    fixed: Fixed,
) -> Seen:
    """Read every sensor. The vehicle's own speed sensor may be off by its factor."""
    engine_rads, slip, throttle = state.engine_rads, state.tyre_slip, driven.throttle
    return Seen(
        now_ms, ignition_on, band, int(driven.rim_ms * (360.0 * fixed.sensor_speed_factor) + 0.5),
        int(engine_rads * RPM_PER_RADS + 0.5), int(ratio_end * driven.rim_ms * RPM_PER_RADS + 0.5),
        whole(state.oil_c * 10.0), int(throttle * 1000.0 + 0.5), driven.brake > 0.0, driven.gear, driven.shifting,
        whole(state.coolant_c * 10.0), whole(grade_pct * 10.0), int(slip * 1000.0 + 0.5) if slip >= 0.0 else 0,
        throttle < FOOT_OFF and engine_rads > fixed.fuel_cut_rads,
    )  # fmt: skip


def acting(
    driven: Driven,
    duty: float,
    ratio: Ratio,
    here: Here,
    load: Load,
    fixed: Fixed,
    ignition: Ignition,
) -> Inputs:
    """Return what acts on the plant."""
    return Inputs(
        driven.throttle,
        1.0 if ignition.fires else 0.0,
        driven.torque_share,
        ignition.starter_nm,
        driven.brake * fixed.brake_full_n,
        duty,
        ratio.start,
        ratio.end,
        ratio.shift_loss,
        load.inertial_kg,
        here.roll_n,
        here.grade_n,
        load.air_n_per_ms2,
        here.wind_ms,
        here.slip_most,
        here.slip_force_n,
        load.air_c,
    )
