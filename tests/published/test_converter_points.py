"""Torque converter against published figures."""

from __future__ import annotations

from math import pi, sqrt

import pytest

from sim.converter import GRID, converter_torques
from sim.tables import even_grid
from sim.vehicle import RPM_PER_RADS

NU = [0.1 * i for i in range(11)]
MU = [1.80, 1.71, 1.61, 1.52, 1.42, 1.33, 1.23, 1.14, 1.04, 0.95, 0.95]
MP1000_NM = [377.80, 365.21, 352.62, 340.02, 327.43, 314.84, 302.24, 264.46, 226.68, 188.90, 0.0]

COUNT = int(GRID) + 2
# MP1000 is the torque at 1000 rpm: C = MP1000/(1000 rpm in rad/s)².
CAPACITY = tuple(nm / (1000.0 / RPM_PER_RADS) ** 2 for nm in even_grid(NU, MP1000_NM, 1 / GRID, COUNT))
RATIO = even_grid(NU, MU, 1 / GRID, COUNT)


def operating_point(turbine_rads: float, power_w: float) -> tuple[float, float]:
    """Return (engine rad/s, pump torque) at which the turbine gives a power, by bisection."""
    wanted_nm = power_w / turbine_rads
    low, high = turbine_rads, 1000.0
    for _ in range(200):
        middle = 0.5 * (low + high)
        if converter_torques(CAPACITY, RATIO, 1.0, middle, turbine_rads)[1] < wanted_nm:
            low = middle
        else:
            high = middle
    return high, converter_torques(CAPACITY, RATIO, 1.0, high, turbine_rads)[0]


@pytest.mark.parametrize(
    ("out_rpm", "out_kw", "in_rads", "in_nm"),
    [
        (30.0, 10.0, 227.8707, 1780.6630),
        (70.0, 30.0, 259.9515, 2306.1578),
        (90.0, 10.0, 134.7344, 610.8267),
        (170.0, 50.0, 220.2397, 1626.0613),
        (190.0, 30.0, 164.3260, 892.7507),
        (190.0, 70.0, 246.4829, 2036.7399),
        (530.517, 1.930, 59.1449, 36.5684),
    ],
)
def test_operating_points(out_rpm: float, out_kw: float, in_rads: float, in_nm: float) -> None:
    """European Commission, public generic vehicle data and verification data for (EU) 2017/2400, read there.

    Table of speed ratio, torque ratio and reference torque at 1000 rpm, straight lines between the rows.
    """
    rads, torque = operating_point(out_rpm / RPM_PER_RADS, out_kw * 1000.0)
    # 1e-3 % of each value, and half a unit of the published last place.
    assert rads == pytest.approx(in_rads, rel=1e-5, abs=5e-5)
    assert torque == pytest.approx(in_nm, rel=1e-5, abs=5e-5)


def test_capacity_factor_and_reference_torque_are_one_thing() -> None:
    """Definition of K in SAE J643 (n/√T) and of MP1000 in (EU) 2017/2400 Annex VI; the rest is algebra."""
    k = 1000.0 / sqrt(377.8)
    assert k == pytest.approx(51.448, abs=5e-4)
    newton_metres_per_pound_foot = 1.3558179483
    assert k * sqrt(newton_metres_per_pound_foot) == pytest.approx(59.906, abs=1e-3)
    pump, _ = converter_torques(CAPACITY, RATIO, 1.0, 1000.0 / RPM_PER_RADS, 0.0)
    assert 1000.0 / sqrt(pump) == pytest.approx(51.448, abs=5e-4)


def test_at_stall_all_input_is_heat() -> None:
    """Energy identity heat = T·ω·(1 − ν·μ), with the same published table: 377.8 N·m at 1000 rpm is 39.563 kW."""
    rads = 1000.0 * 2.0 * pi / 60.0
    pump, turbine = converter_torques(CAPACITY, RATIO, 1.0, rads, 0.0)
    assert (pump * rads - turbine * 0.0) / 1000.0 == pytest.approx(39.563, abs=5e-4)
    pump, turbine = converter_torques(CAPACITY, RATIO, 1.0, rads, 0.9 * rads)
    assert turbine * 0.9 / pump == pytest.approx(0.855, abs=1e-9)


def test_demonstration_converters_are_of_a_usual_kind() -> None:
    """Stall torque ratio 1.8 to 2.8 (general reference page); coupling at 0.85 to 0.90 (textbooks, from memory)."""
    from sim.vehicle import load_vehicle

    for name in ("pukeko", "takahe"):
        converter = load_vehicle(name).file.converter
        assert 1.8 <= converter.torque_ratio[0] <= 2.8
        coupling = next(
            at for at, ratio in zip(converter.torque_ratio_at, converter.torque_ratio, strict=True) if ratio <= 1.0
        )
        assert 0.85 <= coupling <= 0.90
