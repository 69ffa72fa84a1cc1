"""Flexible driveline at 1 ms, for the jolt of an engagement: the rigid plant hides the shaft's swing.

Engine, turbine with gearbox, and vehicle are three inertias; half shafts and tyres are one spring with a
damper at the wheels. The torques come from the functions the plant uses. A window around an engagement is
replayed with the recorded engine torque, clutch pressure, ratio and road.
"""

from __future__ import annotations

import numpy as np

from sim.clutch import capacity_nm
from sim.converter import converter_torques
from sim.record import Record
from sim.vehicle import Vehicle

STEP_S = 0.001
BEFORE_S, AFTER_S, LONGEST_S = 0.5, 0.8, 3.0
# The first moments of a window settle the spring from its static guess and are not judged.
SETTLE_S = 0.35


def jolt(vehicle: Vehicle, record: Record, start_tick: int, held_tick: int | None) -> tuple[float, float]:
    """Return (peak jerk of the vehicle in m/s³, peak half-shaft torque in N·m) around an engagement."""
    ticks = (len(record.values) - 1) // record.substeps
    first = max(start_tick - round(BEFORE_S * 100), 0)
    last = (held_tick if held_tick is not None else start_tick + 100) + round(AFTER_S * 100)
    last = min(last, first + round(LONGEST_S * 100), ticks - 1)
    if last - first < 2:
        return 0.0, 0.0
    p, shaft = vehicle.params, vehicle.file.shaft
    coarse = np.arange(first, last + 1) * 0.01
    fine = first * 0.01 + STEP_S * np.arange(round((last - first) * 0.01 / STEP_S))

    def trace(name: str) -> list[float]:
        return [float(value) for value in np.interp(fine, coarse, record.ticks(name)[first : last + 1])]

    indicated, pressure = trace("indicated_nm"), trace("pressure")
    ratio, slip, loss = trace("ratio_start"), trace("tyre_slip"), trace("shift_loss")
    roll, grade, brake = trace("roll_n"), trace("grade_n"), trace("brake_n")
    wind, pump, fan = trace("wind_ms"), trace("book_pump"), trace("book_fan")
    spin = trace("book_spin")
    row = first * record.substeps
    radius_m = vehicle.file.body.rolling_radius_m
    we = float(record.ends("engine_rads")[row])
    v = float(record.ends("speed_ms")[row])
    shaft_nm = float(record.ends("drive_n")[row]) * radius_m
    mass_kg = float(record.steps("mass_kg")[row])
    air = float(record.steps("air_n_per_ms2")[row])
    wt = ratio[0] * v / (1.0 - slip[0])
    twist_rad = shaft_nm / shaft.stiffness_nm_per_rad
    efficiency_full = p.gearbox_efficiency * p.axle_efficiency
    # Books are works over a tick: back to torques with the speed of the moment.
    tick_s = record.dt_s
    settle = round(SETTLE_S / STEP_S)
    peak_jerk, peak_shaft, last_ms2 = 0.0, 0.0, 0.0
    jt, je = p.turbine_kgm2, p.engine_kgm2

    for i in range(len(fine)):
        # Wheel rad/s per turbine rad/s is 1/(ratio·radius); the shaft's torque comes back through the gears.
        gear = ratio[i] * radius_m
        efficiency = efficiency_full * (1.0 - loss[i])
        wheel_rads = v / ((1.0 - slip[i]) * radius_m)
        twist_rate = wt / gear - wheel_rads
        shaft_nm = shaft.stiffness_nm_per_rad * twist_rad + shaft.damping_nm_per_rads * twist_rate
        at_gearbox_nm = shaft_nm / (gear * efficiency) if shaft_nm >= 0.0 else shaft_nm * efficiency / gear
        pump_nm, turbine_nm = converter_torques(
            p.capacity_nm_per_rads2, p.torque_ratio, p.overrun_share, we, max(wt, 0.0)
        )
        engine_nm = indicated[i] - p.friction_nm - p.friction_nm_per_rads * we - pump_nm
        if we > 1.0:
            engine_nm -= (pump[i] + fan[i]) / (we * tick_s)
        turbine_nm -= at_gearbox_nm + (spin[i] / (wt * tick_s) if wt > 1.0 else 0.0)
        free_e, free_t = we + STEP_S / je * engine_nm, wt + STEP_S / jt * turbine_nm
        limit_nm = capacity_nm(p.clutch_nm, p.kiss_share, p.clutch_friction, pressure[i], we - wt)
        clutch_nm = (free_e - free_t) / (STEP_S * (1.0 / je + 1.0 / jt))
        clutch_nm = min(max(clutch_nm, -limit_nm), limit_nm)
        we = max(free_e - STEP_S / je * clutch_nm, 0.0)
        wt = free_t + STEP_S / jt * clutch_nm
        relative = v + wind[i]
        resist_n = roll[i] + grade[i] + brake[i] + air * relative * abs(relative)
        ms2 = (shaft_nm / radius_m - resist_n) / mass_kg
        v += STEP_S * ms2
        if v <= 0.0:
            v, ms2 = 0.0, 0.0
        twist_rad += STEP_S * (wt / gear - v / ((1.0 - slip[i]) * radius_m))
        if i > settle:
            peak_jerk = max(peak_jerk, abs(ms2 - last_ms2) / STEP_S)
            peak_shaft = max(peak_shaft, abs(shaft_nm))
        last_ms2 = ms2
    return peak_jerk, peak_shaft
