"""The closed loop: driver, transmission, strategy and plant, tick by tick, recorded without loss."""

from __future__ import annotations

from collections.abc import Callable
from struct import Struct

import numpy as np

from controller.errors import UserError
from sim.course import TICK_S, TICKS_PER_S, Course, lay_out
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
    script, sensors = Script(drive), Sensors(vehicle, strategy.signals)
    is_as_built = strategy.kind == "as_built"
    brake_full_n = vehicle.file.body.brake_n
    fuel_cut_rads = vehicle.file.engine.fuel_cut_rpm / RPM_PER_RADS
    shift_torque_share = vehicle.file.gearbox.shift_torque_share
    friction_nm, friction_slope = params.friction_nm, params.friction_nm_per_rads
    kiss_share = params.kiss_share
    inertial_kg, air_n_per_ms2, air_c = course.inertial_kg, course.air_n_per_ms2, course.ambient_c
    # Lists, not arrays: a single value of an array costs several times as much to read.
    aim_ms, aim_ms2 = course.aim_ms.tolist(), course.aim_ms2.tolist()
    roll, grade, wind = course.roll_n.tolist(), course.grade_n.tolist(), course.wind_ms.tolist()
    slip_most, slip_force = course.slip_most.tolist(), course.slip_force_n.tolist()
    grade_pct, gear_limits = course.grade_pct.tolist(), course.gear_limit.tolist()
    state = _start(vehicle, drive, course, gearbox)
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
        speed_kmh = speed_ms * 3.6
        effects = script.tick(now_s, speed_kmh)
        relative_ms = speed_ms + wind[k]
        driver.tick(
            TICK_S, speed_ms, aim_ms[k], aim_ms2[k], inertial_kg,
            roll[k] + grade[k] + air_n_per_ms2 * relative_ms * abs(relative_ms),
            (friction_nm + friction_slope * engine_rads) * ratio.end,
        )  # fmt: skip
        throttle, brake = driver.throttle, driver.brake
        if effects.throttle_add != 0.0:
            throttle = min(max(throttle + effects.throttle_add, 0.0), 1.0)
        if effects.brake > brake:
            brake = effects.brake
        brake_on = brake > 0.0
        limit = gear_limits[k] if gear_limits[k] < effects.gear_limit else effects.gear_limit
        rim_ms = speed_ms / (1.0 - state.tyre_slip)
        # The transmission reads its own output shaft, as the speed sensor does.
        gearbox.tick(now_s, rim_ms * 3.6, throttle, brake_on, engine_rads, limit)
        shifting, gear = gearbox.shifting, gearbox.gear
        as_built_duty = schedule.tick(
            now_s, TICK_S, rim_ms * 3.6, throttle * 100.0, brake_on, gear, shifting, state.oil_c,
            engine_rads * RPM_PER_RADS,
        )  # fmt: skip
        inputs = sensors.read(
            k * 10, effects.ignition == 1, effects.band, rim_ms, engine_rads, ratio.end * rim_ms,
            state.oil_c, throttle, brake_on, gear, shifting, state.coolant_c, grade_pct[k], state.tyre_slip,
            throttle < 0.005 and engine_rads > fuel_cut_rads, effects.lost, effects.forced,
        )  # fmt: skip
        duty, hold, rule_state, reason, refusal, warnings = strategy.tick(inputs, as_built_duty)
        if hold:
            schedule.stand_by(now_s)
        if is_as_built:
            reason, refusal = schedule.reason, schedule.refusal
        ignition.tick(now_s, effects.ignition, engine_rads, speed_kmh, duty > 0.0 or state.pressure > kiss_share)
        fuel_on = 1.0 if ignition.fires else 0.0
        torque_share = shift_torque_share if shifting and gearbox.upshift else 1.0
        brake_n = brake * brake_full_n
        for _ in range(substeps):
            ratio = gearbox.advance(dt_s)
            acting = Inputs(
                throttle, fuel_on, torque_share, ignition.starter_nm, brake_n, duty,
                ratio.start, ratio.end, ratio.shift_loss, inertial_kg, roll[k], grade[k],
                air_n_per_ms2, wind[k], slip_most[k], slip_force[k], air_c,
            )  # fmt: skip
            after, books = step(state, acting, params, step_shares)
            pack(
                rows, offset, *state, *acting, *books,
                brake, gear, shifting, rule_state, reason, refusal, effects.band, warnings, hold,
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


def _start(vehicle: Vehicle, drive: Drive, course: Course, gearbox: Gearbox) -> State:
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
