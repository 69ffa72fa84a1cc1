"""Converter clutch: what torque it can hold, and the projected solution of the two speeds it couples."""

from sim.tables import lookup

# Grid positions per rad/s of slip in the friction table.
FRICTION_GRID = 0.25


def capacity_nm(
    full_nm: float, kiss_share: float, friction: tuple[float, ...], pressure: float, slip_rads: float
) -> float:
    """Return the largest torque the clutch can carry, N·m: pressure beyond the kiss point × friction.

    `pressure` is a share of full pressure; `friction` is relative to the static value, over slip speed.
    """
    if pressure <= kiss_share:
        return 0.0
    slip = slip_rads if slip_rads >= 0.0 else -slip_rads
    return full_nm * (pressure - kiss_share) / (1.0 - kiss_share) * lookup(friction, slip * FRICTION_GRID)


def couple(
    dt_s: float,
    engine_kgm2: float,
    turbine_kgm2: float,
    mass_kg: float,
    efficiency: float,
    force_ratio: float,
    ratio_start: float,
    ratio_end: float,
    engine_rads: float,
    speed_ms: float,
    engine_nm: float,
    turbine_nm: float,
    resist_n: float,
    limit_nm: float,
) -> tuple[float, float, float, float, float]:
    """Return (engine speed, road speed, clutch torque, gear-set input torque, hold force) at the step's end.

    Solves in one linear system, for torques constant over the step,
      Je·(ω1 − ω0)/dt = engine_nm − Tc
      M·(v1 − v0)/dt  = k·Tin − resist_n,  Tin = turbine_nm + Tc − Jt·(r1·v1 − r0·v0)/dt
    where Tc is the torque that brings the slip ω1 − r1·v1 to exactly zero, clipped to ± `limit_nm`, and
    k = force_ratio·η when the engine drives, force_ratio/η when the wheels do. F(Tin) is continuous and
    rises, so exactly one of the two signs is consistent. Ratios are turbine rad/s per m/s.

    Road speed never goes below zero: what brakes, rolling resistance and hill hold must give to keep the
    vehicle standing is the hold force (N, forward positive).
    """
    free_rads = engine_rads + dt_s / engine_kgm2 * engine_nm
    k = force_ratio * efficiency
    mass = mass_kg + k * turbine_kgm2 * ratio_end
    free_ms = ((mass_kg + k * turbine_kgm2 * ratio_start) * speed_ms + dt_s * (k * turbine_nm - resist_n)) / mass
    clutch_nm = (free_rads - ratio_end * free_ms) / (dt_s * (1.0 / engine_kgm2 + ratio_end * k / mass))
    clutch_nm = min(max(clutch_nm, -limit_nm), limit_nm)
    end_ms = free_ms + dt_s * k * clutch_nm / mass
    input_nm = turbine_nm + clutch_nm - turbine_kgm2 * (ratio_end * end_ms - ratio_start * speed_ms) / dt_s
    if input_nm < 0.0:
        k = force_ratio / efficiency
        mass = mass_kg + k * turbine_kgm2 * ratio_end
        free_ms = ((mass_kg + k * turbine_kgm2 * ratio_start) * speed_ms + dt_s * (k * turbine_nm - resist_n)) / mass
        clutch_nm = (free_rads - ratio_end * free_ms) / (dt_s * (1.0 / engine_kgm2 + ratio_end * k / mass))
        clutch_nm = min(max(clutch_nm, -limit_nm), limit_nm)
        end_ms = free_ms + dt_s * k * clutch_nm / mass
        input_nm = turbine_nm + clutch_nm - turbine_kgm2 * (ratio_end * end_ms - ratio_start * speed_ms) / dt_s
    hold_n = 0.0
    if end_ms < 0.0:
        end_ms = 0.0
        clutch_nm = min(max(free_rads * engine_kgm2 / dt_s, -limit_nm), limit_nm)
        input_nm = turbine_nm + clutch_nm + turbine_kgm2 * ratio_start * speed_ms / dt_s
        k = force_ratio * efficiency if input_nm >= 0.0 else force_ratio / efficiency
        hold_n = resist_n - k * input_nm - mass_kg * speed_ms / dt_s
    return free_rads - dt_s / engine_kgm2 * clutch_nm, end_ms, clutch_nm, input_nm, hold_n
