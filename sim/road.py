"""Road: surfaces, air, and what they ask of the vehicle, laid out tick by tick before the run."""

from __future__ import annotations

from typing import NamedTuple

GRAVITY_MS2 = 9.81


class Surface(NamedTuple):
    """Rolling resistance coefficient, most tyre slip, and the drive force (share of weight) that gives it."""

    rolling: float
    slip_most: float
    slip_force_share: float


# Coefficients lie in the ranges that handbooks print for each kind of ground (tests/published).
SURFACES: dict[str, Surface] = {
    "sealed": Surface(0.014, 0.004, 0.20),
    "gravel": Surface(0.022, 0.012, 0.20),
    "track": Surface(0.030, 0.015, 0.20),
    "shingle": Surface(0.115, 0.050, 0.15),
    "riverbed": Surface(0.150, 0.065, 0.18),
    "sand": Surface(0.197, 0.080, 0.20),
}
SURFACE_NAMES = tuple(SURFACES)
BLEND_S = 1.0


def air_density_kg_m3(ambient_c: float, altitude_m: float = 0.0) -> float:
    """Return the density of dry air: ideal gas at the ISA pressure of the altitude (ISO 2533)."""
    pressure_pa = 101325.0 * (1.0 - 2.25577e-5 * altitude_m) ** 5.25588
    return float(pressure_pa / (287.05 * (ambient_c + 273.15)))
