"""Torque converter in the terms of SAE J643: speed ratio ν, torque ratio μ, capacity factor K."""

# Grid positions per unit of speed ratio: 0.005 a step keeps every corner of a usual table.
GRID = 200.0


def converter_torques(
    capacity: tuple[float, ...],
    torque_ratio: tuple[float, ...],
    overrun_share: float,
    engine_rads: float,
    turbine_rads: float,
) -> tuple[float, float]:
    """Return (pump torque taken from the engine, turbine torque given to the gearbox), both N·m.

    Pump torque is C(ν)·ω², turbine torque μ(ν) times that. C = 1/K² is interpolated, never K: C reaches
    zero at ν = 1 where K has no value. When the turbine runs faster the converter works mirrored: the
    turbine drives the pump with `overrun_share` of the capacity and no multiplication.

    `capacity` is C in N·m/(rad/s)² and `torque_ratio` is μ, both over ν at 1/`GRID` with one spare value.
    """
    if engine_rads >= turbine_rads:
        if engine_rads <= 0.0:
            return 0.0, 0.0
        position = turbine_rads / engine_rads * GRID
        i = int(position)
        share = position - i
        pump_nm = (capacity[i] + share * (capacity[i + 1] - capacity[i])) * engine_rads * engine_rads
        return pump_nm, pump_nm * (torque_ratio[i] + share * (torque_ratio[i + 1] - torque_ratio[i]))
    position = engine_rads / turbine_rads * GRID
    i = int(position)
    share = position - i
    back_nm = overrun_share * (capacity[i] + share * (capacity[i + 1] - capacity[i])) * turbine_rads * turbine_rads
    return -back_nm, -back_nm
