"""Engine: torque demand from the pedal, idle governor, rev limit, friction."""

from sim.tables import lookup

# Grid positions per rad/s in the full-load table: 5 rad/s a step.
FULL_LOAD_GRID = 0.2


def torque_demand_nm(
    full_load: tuple[float, ...],
    friction_nm: float,
    idle_rads: float,
    idle_gain: float,
    limit_rads: float,
    limit_band_rads: float,
    throttle: float,
    engine_rads: float,
) -> float:
    """Return the indicated torque (N·m, friction included) that pedal, governor and rev limiter ask for.

    Under the idle speed the governor asks for fuel in proportion, on top of the engine's own friction, and
    the pedal commands the rest up to full load; a closed throttle above idle therefore asks for nothing,
    which is the fuel cut on overrun. The limiter fades the torque to nothing over `limit_band_rads` up to
    the rev limit.
    """
    most_nm = lookup(full_load, engine_rads * FULL_LOAD_GRID) + friction_nm
    governor_nm = friction_nm + idle_gain * (idle_rads - engine_rads)
    if governor_nm <= 0.0:
        demand_nm = throttle * most_nm
    elif governor_nm < most_nm:
        demand_nm = governor_nm + throttle * (most_nm - governor_nm)
    else:
        demand_nm = most_nm
    over = (limit_rads - engine_rads) / limit_band_rads
    if over < 1.0:
        demand_nm *= over if over > 0.0 else 0.0
    return demand_nm
