"""The closed loop: driver, transmission, strategy and plant, tick by tick, recorded without loss."""

from __future__ import annotations

from collections.abc import Callable
from struct import Struct

import numpy as np

from controller.errors import UserError
from sim.course import TICK_S, TICKS_PER_S, Array, Course, lay_out
from sim.driver import Driver
from sim.drives import Drive
from sim.gearbox import Gearbox
from sim.ignition import Ignition
from sim.lock_schedule import LockSchedule
from sim.params import stepping
from sim.plant import Inputs, State, step
from sim.record import COLUMNS, Record
from sim.result import RunResult, summarise
from sim.script import Script
from sim.sensors import Sensors
from sim.strategies import Strategy
from sim.tick import Fixed, Here, Load, acting, drive_on, sense
from sim.vehicle import RPM_PER_RADS, Vehicle

_ROW = Struct(f"{len(COLUMNS)}d")
PROGRESS_TICKS = 2000
IDLE_SETTLE_TICKS = 200
# No speed (rad/s, m/s) and no temperature (°C) of a vehicle comes near this.
IN_RANGE = 1e4
# Above this first target speed a drive starts rolling, 1 km/h.
ROLLING_MS = 1.0 / 3.6


def simulate(
    vehicle: Vehicle,
    drive: Drive,
    strategy: Strategy,
    *,
    ambient_c: float | None = None,
    trailer_kg: float | None = None,
    dt_s: float = TICK_S,
    flexible_jolt: bool = True,
    progress: Callable[[float], None] | None = None,
) -> RunResult:
    """Run a drive and return everything that happened.

    `ambient_c` and `trailer_kg` replace the drive's own. `dt_s` is the plant's step; driver, transmission
    and strategy tick every 10 ms whatever it is, so it must divide 10 ms. `progress` is called now and
    then with the share done. Raises `ValueError` for a step that does not divide the tick,
    `UserError` for a vehicle whose values the step cannot follow.
    """
    substeps = round(TICK_S / dt_s)
    if substeps < 1 or abs(substeps * dt_s - TICK_S) > 1e-12:
        raise ValueError(f"dt_s = {dt_s} does not divide the tick of {TICK_S} s")
    course = lay_out(
        vehicle,
        drive,
        drive.ambient_c if ambient_c is None else ambient_c,
        drive.trailer_kg if trailer_kg is None else trailer_kg,
    )
    params, step_shares = vehicle.params, stepping(vehicle.lags, dt_s)
    driver, gearbox = Driver(vehicle), Gearbox(vehicle)
    schedule, ignition = LockSchedule(vehicle), Ignition(vehicle)
    script, sensors = Script(drive), Sensors(strategy.signals)
    is_as_built = strategy.kind == "as_built"
    kiss_share, fixed = params.kiss_share, fixed_of(vehicle)
    load = load_of(course)
    # Made of lists, not arrays: a single value of an array costs several times as much to read.
    heres = list(map(Here._make, zip(*(column.tolist() for column in columns_of(course)), strict=True)))
    state = start_state(vehicle, drive, course, gearbox)
    rows = bytearray(_ROW.size * (course.ticks * substeps + 1))
    offset = 0
    pack, size = _ROW.pack_into, _ROW.size
    ratio = gearbox.advance(0.0)

    for k in range(course.ticks):
        now_s = k / TICKS_PER_S
        speed_ms, engine_rads = state.speed_ms, state.engine_rads
        if not (engine_rads < IN_RANGE and speed_ms < IN_RANGE and -IN_RANGE < state.oil_c < IN_RANGE):
            raise UserError(
                f"{vehicle.name}: the run leaves the range of numbers at {now_s:.2f} s of {drive.name}; "
                "an inertia, lag or heat capacity of the vehicle file is too small for the step"
            )
        speed_kmh, here = speed_ms * 3.6, heres[k]
        effects = script.tick(now_s, speed_kmh)
        driven = drive_on(
            now_s, state, ratio.end, here, load, fixed, effects.throttle_add, effects.brake, effects.gear_limit,
            driver, gearbox, schedule,
        )  # fmt: skip
        as_built_duty = driven.as_built_duty
        seen = sense(k * 10, effects.ignition == 1, effects.band, state, ratio.end, here.grade_pct, driven, fixed)
        inputs = sensors.read(seen, effects.lost, effects.forced)
        duty, hold, rule_state, reason, refusal, warnings = strategy.tick(inputs, as_built_duty)
        if hold:
            schedule.stand_by(now_s)
        if is_as_built:
            reason, refusal = schedule.reason, schedule.refusal
        ignition.tick(now_s, effects.ignition, engine_rads, speed_kmh, duty > 0.0 or state.pressure > kiss_share)
        for _ in range(substeps):
            ratio = gearbox.advance(dt_s)
            acts = acting(driven, duty, ratio, here, load, fixed, ignition)
            after, books = step(state, acts, params, step_shares)
            pack(
                rows, offset, *state, *acts, *books,
                driven.brake, driven.gear, driven.shifting, rule_state, reason, refusal, effects.band, warnings, hold,
                schedule.reason,
            )  # fmt: skip
            offset += size
            state = after
        if progress is not None and k % PROGRESS_TICKS == 0:
            progress(k / course.ticks)

    pack(rows, offset, *state, *([0.0] * (len(COLUMNS) - len(state))))
    values = np.frombuffer(rows, dtype=np.float64).reshape(-1, len(COLUMNS))
    record = Record(values, dt_s, substeps)
    result = summarise(vehicle, drive, course, record, strategy, ignition, flexible_jolt)
    if progress is not None:
        progress(1.0)
    return result


def fixed_of(vehicle: Vehicle) -> Fixed:
    """Return what a tick needs to know of a vehicle."""
    file, params = vehicle.file, vehicle.params
    return Fixed(
        params.friction_nm,
        params.friction_nm_per_rads,
        file.body.brake_n,
        file.engine.fuel_cut_rpm / RPM_PER_RADS,
        file.gearbox.shift_torque_share,
        vehicle.sensor_speed_factor,
    )


def load_of(course: Course) -> Load:
    """Return what a course has the same at every tick."""
    return Load(course.inertial_kg, course.air_n_per_ms2, course.ambient_c)


def columns_of(course: Course) -> tuple[Array, ...]:
    """Return the arrays of a course that a tick reads, in the order of `Here`."""
    return tuple(getattr(course, name) for name in Here._fields)


def start_state(vehicle: Vehicle, drive: Drive, course: Course, gearbox: Gearbox) -> State:
    """Return the state at time 0, at the drive's heat.

    A drive that starts standing starts on the brake with the engine idling as it does in gear; one that
    starts at speed starts rolling, in the gear that belongs to it, with the pedal just lifted.
    """
    params = vehicle.params
    lag = stepping(vehicle.lags, TICK_S)
    oil_c, air_c = drive.oil_c, course.ambient_c
    # The case trails the oil a little, the cooler's tank lies between oil and coolant.
    warmth = (oil_c, oil_c - 0.2 * max(oil_c - air_c, 0.0), 0.5 * (oil_c + drive.coolant_c))
    friction_nm = params.friction_nm + params.friction_nm_per_rads * params.idle_rads
    speed_ms = float(course.target_ms[0])
    if speed_ms > ROLLING_MS:
        gearbox.start_at(speed_ms * 3.6, round(course.gear_limit[0]))
        engine_rads = max(gearbox.advance(0.0).end * speed_ms, params.idle_rads)
        return State(engine_rads, speed_ms, friction_nm, 0.0, 0.0, 0.0, *warmth, drive.coolant_c, drive.coolant_c)
    state = State(params.idle_rads, 0.0, friction_nm, 0.0, 0.0, 0.0, *warmth, drive.coolant_c, drive.coolant_c)
    first = vehicle.turbine_rads_per_ms[0]
    held = Inputs(
        0.0, 1.0, 1.0, 0.0, vehicle.file.body.brake_n, 0.0, first, first, 0.0, course.inertial_kg,
        0.0, 0.0, course.air_n_per_ms2, 0.0, 0.0, float(course.slip_force_n[0]), air_c,
    )  # fmt: skip
    for _ in range(IDLE_SETTLE_TICKS):
        state, _ = step(state, held, params, lag)
    return State(
        state.engine_rads, 0.0, state.indicated_nm, 0.0, 0.0, state.drive_n, *warmth, drive.coolant_c, drive.coolant_c
    )
