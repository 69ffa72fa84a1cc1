"""One step of the plant: engine, converter, clutch, gearbox, road and heat, with its energy booked.

Two degrees of freedom, engine speed and road speed; turbine speed is tied to road speed by the gear.
Torques are averaged over start and predicted end (one Heun corrector); the clutch is projected in both
passes. Every work booked is that torque or force times the mean of the speeds at the step's two ends, which
is exactly what changes the kinetic energy of the scheme, so the books close to rounding.
"""

from typing import NamedTuple

from sim.clutch import capacity_nm, couple
from sim.converter import converter_torques
from sim.engine import torque_demand_nm
from sim.heat import OIL_GRID, OIL_GRID_START_C, fan_engagement, radiator_opening
from sim.params import Params, Stepping
from sim.tables import lookup


class State(NamedTuple):
    """What the plant remembers from step to step."""

    engine_rads: float
    speed_ms: float
    indicated_nm: float
    pressure: float
    tyre_slip: float
    drive_n: float
    oil_c: float
    case_c: float
    tank_c: float
    coolant_c: float
    block_c: float


class Inputs(NamedTuple):
    """What acts on the plant during one step. Ratios are turbine rad/s per wheel-rim m/s."""

    throttle: float
    fuel_on: float
    torque_limit_share: float
    starter_nm: float
    brake_n: float
    duty: float
    ratio_start: float
    ratio_end: float
    shift_loss: float
    mass_kg: float
    roll_n: float
    grade_n: float
    air_n_per_ms2: float
    wind_ms: float
    slip_most: float
    slip_force_n: float
    ambient_c: float


class Books(NamedTuple):
    """Work and heat of one step, J; each is positive in the direction that its name says."""

    indicated: float
    starter: float
    friction: float
    fan: float
    pump: float
    converter: float
    clutch: float
    spin: float
    shift: float
    mesh: float
    axle: float
    tyre: float
    rolling: float
    air: float
    climbing: float
    braking: float
    holding: float
    engine_to_coolant: float
    oil_to_case: float
    oil_to_tank: float
    oil_to_air: float
    case_to_air: float
    block_to_coolant: float
    block_to_air: float
    coolant_to_tank: float
    radiator: float
    clutch_nm: float
    input_nm: float


def step(s: State, u: Inputs, p: Params, h: Stepping) -> tuple[State, Books]:
    """Return the state after `h.dt_s` seconds and the step's books."""
    we0, v0, t0, pressure0, slip0, drive_n, oil_c, case_c, tank_c, coolant_c, block_c = s
    (
        throttle,
        fuel_on,
        torque_limit_share,
        starter_nm,
        brake_n,
        duty,
        ratio_start,
        ratio_end,
        shift_loss,
        mass_kg,
        roll_n,
        grade_n,
        air_n_per_ms2,
        wind_ms,
        slip_most,
        slip_force_n,
        ambient_c,
    ) = u
    dt = h.dt_s
    je = p.engine_kgm2
    jt = p.turbine_kgm2

    # Lags with an input that holds over the step: pressure, tyre slip.
    pressure = pressure0 + (duty - pressure0) * (h.fill_share if duty > pressure0 else h.dump_share)
    pressure_mean = 0.5 * (pressure0 + pressure)
    pull = drive_n / slip_force_n
    pull = 1.0 if pull > 1.0 else (-1.0 if pull < -1.0 else pull)
    slip = slip0 + h.tyre_share * (slip_most * pull - slip0)
    g0 = ratio_start / (1.0 - slip0)
    g1 = ratio_end / (1.0 - slip)
    ratio = 0.5 * (ratio_start + ratio_end)
    e_shift = 1.0 - shift_loss
    efficiency = e_shift * p.gearbox_efficiency * p.axle_efficiency

    # What varies slowly is taken once.
    drag = lookup(p.oil_drag, (oil_c - OIL_GRID_START_C) * OIL_GRID)
    fan_on = fan_engagement(coolant_c, p.fan_starts_c, p.fan_full_c)
    fan_nm_per_rads2 = p.fan_nm_per_rads2 * fan_on
    resist_n = roll_n + grade_n + brake_n
    friction_nm = p.friction_nm
    friction_slope = p.friction_nm_per_rads

    # Torques at the start.
    wt0 = g0 * v0
    pump0, turbine0 = converter_torques(p.capacity_nm_per_rads2, p.torque_ratio, p.overrun_share, we0, wt0)
    friction0 = friction_nm + friction_slope * we0
    demand0 = torque_demand_nm(
        p.full_load_nm, friction0, p.idle_rads, p.idle_gain_nm_per_rads, p.rev_limit_rads, p.rev_band_rads,
        throttle, we0,
    )  # fmt: skip
    demand_share = fuel_on * torque_limit_share
    t1 = t0 + h.torque_share * (demand0 * demand_share - t0)
    oil_pump0 = p.pump_nm + p.pump_nm_per_rads * we0 if we0 > 0.0 else 0.0
    fan0 = fan_nm_per_rads2 * we0 * we0
    spin0 = drag * (p.spin_nm + p.spin_nm_per_rads * wt0) if wt0 > 0.0 else 0.0
    wind0 = v0 + wind_ms
    air0 = air_n_per_ms2 * wind0 * (wind0 if wind0 > 0.0 else -wind0)
    limit0 = capacity_nm(p.clutch_nm, p.kiss_share, p.clutch_friction, pressure_mean, we0 - wt0)

    we1, v1, clutch_nm, input_nm, hold_n = couple(
        dt, je, jt, mass_kg, efficiency, ratio, g0, g1, we0, v0,
        0.5 * (t0 + t1) - friction0 + starter_nm - pump0 - oil_pump0 - fan0,
        turbine0 - spin0, resist_n + air0, limit0,
    )  # fmt: skip
    if we1 < 0.0:
        we1 = 0.0

    # Torques at the predicted end, and the step again with their means.
    wt1 = g1 * v1
    pump1, turbine1 = converter_torques(p.capacity_nm_per_rads2, p.torque_ratio, p.overrun_share, we1, wt1)
    friction1 = friction_nm + friction_slope * we1
    demand1 = torque_demand_nm(
        p.full_load_nm, friction1, p.idle_rads, p.idle_gain_nm_per_rads, p.rev_limit_rads, p.rev_band_rads,
        throttle, we1,
    )  # fmt: skip
    t1 = t0 + h.torque_share * (0.5 * (demand0 + demand1) * demand_share - t0)
    oil_pump1 = p.pump_nm + p.pump_nm_per_rads * we1 if we1 > 0.0 else 0.0
    spin1 = drag * (p.spin_nm + p.spin_nm_per_rads * wt1) if wt1 > 0.0 else 0.0
    wind1 = v1 + wind_ms
    limit1 = capacity_nm(p.clutch_nm, p.kiss_share, p.clutch_friction, pressure_mean, we1 - wt1)
    indicated_nm = 0.5 * (t0 + t1)
    friction = 0.5 * (friction0 + friction1)
    pump = 0.5 * (pump0 + pump1)
    turbine = 0.5 * (turbine0 + turbine1)
    oil_pump = 0.5 * (oil_pump0 + oil_pump1)
    fan = 0.5 * (fan0 + fan_nm_per_rads2 * we1 * we1)
    spin = 0.5 * (spin0 + spin1)
    air_n = 0.5 * (air0 + air_n_per_ms2 * wind1 * (wind1 if wind1 > 0.0 else -wind1))
    engine_nm = indicated_nm - friction + starter_nm - pump - oil_pump - fan

    we1, v1, clutch_nm, input_nm, hold_n = couple(
        dt, je, jt, mass_kg, efficiency, ratio, g0, g1, we0, v0,
        engine_nm, turbine - spin, resist_n + air_n, 0.5 * (limit0 + limit1),
    )  # fmt: skip
    if we1 < 0.0:
        # A stopped engine is held by its own friction: whatever torque that takes is friction's work.
        friction += je * we1 / dt
        we1 = 0.0

    # Books of the scheme.
    we = 0.5 * (we0 + we1)
    v = 0.5 * (v0 + v1)
    wt = 0.5 * (g0 * v0 + g1 * v1)
    rim_ms = 0.5 * (v0 / (1.0 - slip0) + v1 / (1.0 - slip))
    work_e = we * dt
    gear_in = input_nm * ratio * rim_ms * dt
    if input_nm >= 0.0:
        after_shift = gear_in * e_shift
        after_gears = after_shift * p.gearbox_efficiency
        at_rim = after_gears * p.axle_efficiency
        drive_n = input_nm * ratio * efficiency
    else:
        after_shift = gear_in / e_shift
        after_gears = after_shift / p.gearbox_efficiency
        at_rim = after_gears / p.axle_efficiency
        drive_n = input_nm * ratio / efficiency
    converter_j = (pump * we - turbine * wt) * dt
    clutch_j = clutch_nm * (we - wt) * dt
    pump_j = oil_pump * work_e
    spin_j = spin * wt * dt
    shift_j = input_nm * wt * dt - after_shift
    mesh_j = after_shift - after_gears
    brake_power = (indicated_nm - friction) * we
    running = we / p.idle_rads
    engine_heat = (
        p.coolant_base_w * (1.0 if running > 1.0 else running)
        + (p.coolant_share * brake_power if brake_power > 0.0 else 0.0)
    ) * dt  # fmt: skip

    # Heat flows at the start's temperatures: all their time constants are far longer than the step.
    opening = radiator_opening(coolant_c, p.thermostat_opens_c, p.thermostat_open_c)
    air_ms = v + wind_ms
    air_ms = (air_ms if air_ms > 0.0 else 0.0) + p.fan_air_ms_per_rads * fan_on * we
    oil_case = p.oil_case_w_per_k * (oil_c - case_c) * dt
    oil_tank = p.oil_tank_w_per_k * (oil_c - tank_c) * dt
    oil_air = (p.oil_air_w_per_k + p.oil_air_w_per_k_per_ms * air_ms) * (oil_c - ambient_c) * dt
    case_air = p.case_air_w_per_k * (case_c - ambient_c) * dt
    block_coolant = p.block_coolant_w_per_k * (block_c - coolant_c) * dt
    block_air = p.block_air_w_per_k * (block_c - ambient_c) * dt
    coolant_tank = (p.tank_flow_min_w_per_k + p.tank_flow_w_per_k * opening) * (coolant_c - tank_c) * dt
    radiator = (p.radiator_w_per_k + p.radiator_w_per_k_per_ms * air_ms) * opening**0.31 * (tank_c - ambient_c) * dt
    oil_heat = converter_j + clutch_j + pump_j + spin_j + shift_j + mesh_j

    return State(
        we1,
        v1,
        t1,
        pressure,
        slip,
        drive_n,
        oil_c + (oil_heat - oil_case - oil_tank - oil_air) / p.oil_j_per_k,
        case_c + (oil_case - case_air) / p.case_j_per_k,
        tank_c + (coolant_tank + oil_tank - radiator) / p.tank_j_per_k,
        coolant_c + (block_coolant - coolant_tank) / p.coolant_j_per_k,
        block_c + (engine_heat - block_coolant - block_air) / p.block_j_per_k,
    ), Books(
        indicated_nm * work_e,
        starter_nm * work_e,
        friction * work_e,
        fan * work_e,
        pump_j,
        converter_j,
        clutch_j,
        spin_j,
        shift_j,
        mesh_j,
        after_gears - at_rim,
        drive_n * (rim_ms - v) * dt,
        roll_n * v * dt,
        air_n * v * dt,
        grade_n * v * dt,
        brake_n * v * dt,
        hold_n * v * dt,
        engine_heat,
        oil_case,
        oil_tank,
        oil_air,
        case_air,
        block_coolant,
        block_air,
        coolant_tank,
        radiator,
        clutch_nm,
        input_nm,
    )
