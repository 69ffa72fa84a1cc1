"""The oil's heat balance by itself: heat into the oil, coolant, air and road speed in, oil temperature out.

The plant's own network (docs/plant.md) with two simplifications that the steps of a second allow: the cooler's tank
follows at once (its own time constant is a second or two), and heat is taken as recorded or as simulated.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from sim.heat import fan_engagement, radiator_opening

if TYPE_CHECKING:
    from bench.logs.source import Array
    from sim.vehicle import Vehicle

OIL_KEYS = ("heat.oil_kj_per_k", "heat.oil_case_w_per_k", "heat.case_kj_per_k", "heat.oil_tank_w_per_k")
"""What a recording can tell of the network, each relative to the heat that goes in."""


class OilDrive(NamedTuple):
    """What acts on the oil, one value a step: heat W, coolant °C, air over the cooler m/s, engine rad/s, air °C."""

    step_s: float
    heat_w: Array
    coolant_c: Array
    speed_ms: Array
    engine_rads: Array
    ambient_c: float


class Sinks(NamedTuple):
    """Per step: conductance from oil to all that cools it beside the case, W/K, times nothing and temperatures."""

    tank_share: Array
    tank_source_c: Array
    air_w_per_k: Array


def sinks_of(drive: OilDrive, vehicle: Vehicle, tank_w_per_k: float) -> Sinks:
    """Return how the cooler's tank answers: its temperature is `source` + `share` · (oil − source)."""
    p = vehicle.params
    count = len(drive.heat_w)
    opening = np.array([radiator_opening(c, p.thermostat_opens_c, p.thermostat_open_c) for c in drive.coolant_c])
    fan = np.array([fan_engagement(c, p.fan_starts_c, p.fan_full_c) for c in drive.coolant_c])
    air_ms = np.maximum(drive.speed_ms, 0.0) + p.fan_air_ms_per_rads * fan * drive.engine_rads
    flow = p.tank_flow_min_w_per_k + p.tank_flow_w_per_k * opening
    radiator = (p.radiator_w_per_k + p.radiator_w_per_k_per_ms * air_ms) * opening**0.31
    all_w_per_k = flow + radiator + tank_w_per_k
    source_c = (flow * drive.coolant_c + radiator * drive.ambient_c) / (flow + radiator)
    air = p.oil_air_w_per_k + p.oil_air_w_per_k_per_ms * air_ms
    return Sinks(np.full(count, tank_w_per_k) / all_w_per_k, source_c, air)


def oil_temperature(
    drive: OilDrive, vehicle: Vehicle, factors: Array, oil_c: float, case_c: float
) -> tuple[Array, Array]:
    """Return oil and case temperature at the start of each step, °C.

    `factors` multiply the vehicle's values of `OIL_KEYS`. The pair of linear equations is stepped by the trapezoidal
    rule, which is stable at any step.
    """
    p = vehicle.params
    oil_j, case_w = p.oil_j_per_k * factors[0], p.oil_case_w_per_k * factors[1]
    case_j, tank_w = p.case_j_per_k * factors[2], p.oil_tank_w_per_k * factors[3]
    sinks = sinks_of(drive, vehicle, tank_w)
    half = 0.5 * drive.step_s
    # Oil to tank: tank_w · (oil − tank) = tank_w · (1 − share) · (oil − source).
    tank = tank_w * (1.0 - sinks.tank_share)
    own_w_per_k = case_w + tank + sinks.air_w_per_k
    in_w = drive.heat_w + tank * sinks.tank_source_c + sinks.air_w_per_k * drive.ambient_c
    a11 = -own_w_per_k / oil_j
    a12 = case_w / oil_j
    a21 = case_w / case_j
    a22 = -(case_w + p.case_air_w_per_k) / case_j
    b1 = (in_w / oil_j).tolist()
    b2 = p.case_air_w_per_k * drive.ambient_c / case_j
    oil, case = float(oil_c), float(case_c)
    oils, cases = [oil], [case]
    for slope, source in zip(a11.tolist()[:-1], b1[:-1], strict=True):
        r1 = oil + half * (slope * oil + a12 * case) + 2.0 * half * source
        r2 = case + half * (a21 * oil + a22 * case) + 2.0 * half * b2
        m11, m12, m21, m22 = 1.0 - half * slope, -half * a12, -half * a21, 1.0 - half * a22
        det = m11 * m22 - m12 * m21
        oil, case = (r1 * m22 - m12 * r2) / det, (m11 * r2 - m21 * r1) / det
        oils.append(oil)
        cases.append(case)
    return np.array(oils), np.array(cases)
