"""What the plant step needs, as flat values: no names to look up, nothing numba could not compile."""

from math import exp
from typing import NamedTuple


class Params(NamedTuple):
    """A vehicle as the step sees it. SI units; tables on the even grids of the modules that read them."""

    # Engine.
    engine_kgm2: float
    full_load_nm: tuple[float, ...]
    friction_nm: float
    friction_nm_per_rads: float
    idle_rads: float
    idle_gain_nm_per_rads: float
    rev_limit_rads: float
    rev_band_rads: float
    # Converter and clutch.
    turbine_kgm2: float
    capacity_nm_per_rads2: tuple[float, ...]
    torque_ratio: tuple[float, ...]
    overrun_share: float
    clutch_nm: float
    kiss_share: float
    clutch_friction: tuple[float, ...]
    # Gearbox.
    gearbox_efficiency: float
    axle_efficiency: float
    pump_nm: float
    pump_nm_per_rads: float
    spin_nm: float
    spin_nm_per_rads: float
    oil_drag: tuple[float, ...]
    # Heat.
    oil_j_per_k: float
    case_j_per_k: float
    tank_j_per_k: float
    coolant_j_per_k: float
    block_j_per_k: float
    oil_case_w_per_k: float
    oil_tank_w_per_k: float
    oil_air_w_per_k: float
    oil_air_w_per_k_per_ms: float
    case_air_w_per_k: float
    block_coolant_w_per_k: float
    block_air_w_per_k: float
    radiator_w_per_k: float
    radiator_w_per_k_per_ms: float
    thermostat_opens_c: float
    thermostat_open_c: float
    tank_flow_min_w_per_k: float
    tank_flow_w_per_k: float
    coolant_base_w: float
    coolant_share: float
    fan_starts_c: float
    fan_full_c: float
    fan_nm_per_rads2: float
    fan_air_ms_per_rads: float


class Stepping(NamedTuple):
    """A step length and the shares that first-order lags move in it (exact for an input held constant)."""

    dt_s: float
    torque_share: float
    fill_share: float
    dump_share: float
    tyre_share: float


class Lags(NamedTuple):
    """Time constants, s."""

    torque_s: float
    fill_s: float
    dump_s: float
    tyre_s: float


def stepping(lags: Lags, dt_s: float) -> Stepping:
    """Return the lag shares of a step of `dt_s` seconds."""
    return Stepping(
        dt_s,
        1.0 - exp(-dt_s / lags.torque_s),
        1.0 - exp(-dt_s / lags.fill_s),
        1.0 - exp(-dt_s / lags.dump_s),
        1.0 - exp(-dt_s / lags.tyre_s),
    )
