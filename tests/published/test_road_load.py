"""Road load against published figures."""

from __future__ import annotations

from math import atan, degrees, sin
from pathlib import Path

import numpy as np
import pytest

from sim.course import lay_out
from sim.drives import Drive, DrivePoint, load_drive
from sim.road import GRAVITY_MS2, SURFACES, air_density_kg_m3
from sim.vehicle import load_vehicle

MPH_MS, POUND_N = 0.44704, 4.4482216152605
UDDS = Path(__file__).parents[1] / "data" / "udds.csv"


@pytest.mark.parametrize(("mph", "newton", "kilowatt"), [(50.0, 568.53, 12.708), (65.0, 858.25, 24.939)])
def test_coast_down_force_and_power(mph: float, newton: float, kilowatt: float) -> None:
    """EPA 2022 test-car data, a half-ton two-wheel-drive pickup: A 25.30 lbf, B 0.2872 lbf/mph, C 0.03526 lbf/mph²."""
    v = mph * MPH_MS
    a, b, c = 25.30 * POUND_N, 0.2872 * POUND_N / MPH_MS, 0.03526 * POUND_N / MPH_MS**2
    assert a == pytest.approx(112.54, abs=5e-3)
    assert b == pytest.approx(2.8578, abs=5e-5)
    assert c == pytest.approx(0.78483, abs=5e-6)
    force = a + b * v + c * v * v
    assert force == pytest.approx(newton, abs=6e-3)
    assert force * v / 1000.0 == pytest.approx(kilowatt, abs=6e-4)


def test_our_road_load_is_of_the_size_of_a_pickup() -> None:
    """The same EPA coast-down target: our heavier utility on a sealed road lies within a half of it at 80 km/h."""
    vehicle = load_vehicle("pukeko")
    course = lay_out(vehicle, _drive([DrivePoint(0, 80), DrivePoint(10, 80)]), 20.0, 0.0)
    v = 80.0 / 3.6
    ours = float(course.roll_n[0]) + course.air_n_per_ms2 * v * v
    theirs = 112.54 + 2.8578 * v + 0.78483 * v * v
    assert theirs < ours < 1.5 * theirs


@pytest.mark.parametrize(
    ("surface", "low", "high", "source"),
    [
        ("sealed", 0.008, 0.02, "Marks (Moyer): hard road 0.008; Carvill: worn asphalt 0.02"),
        ("gravel", 0.012, 0.04, "Marks (Moyer): packed gravel 0.012; Carvill: loose gravel 0.04"),
        ("track", 0.02, 0.05, "Bosch Automotive Handbook, from memory: rolled gravel 0.02, unpaved 0.05"),
        ("shingle", 0.06, 0.2, "Marks (Moyer): wet loose gravel 0.06; Carvill: sand 0.1 to 0.2"),
        ("riverbed", 0.06, 0.2, "Marks (Moyer): wet loose gravel 0.06; Carvill: sand 0.1 to 0.2"),
        ("sand", 0.1, 0.4, "Carvill: sand 0.1 to 0.2; lecture notes: sand 0.30; a reference page: 0.2 to 0.4"),
    ],
)
def test_rolling_resistance_lies_in_published_ranges(surface: str, low: float, high: float, source: str) -> None:
    """Ranges that handbooks print for each kind of ground; the source stands beside each."""
    assert low <= SURFACES[surface].rolling <= high, source


def test_a_twelve_per_cent_grade() -> None:
    """Geometry: sin 0.119145, 6.843°; the grade on which SAE J2807 asks for a launch, as summaries give it."""
    assert sin(atan(0.12)) == pytest.approx(0.119145, abs=5e-7)
    assert degrees(atan(0.12)) == pytest.approx(6.843, abs=5e-4)
    course = lay_out(load_vehicle("pukeko"), _drive([DrivePoint(0, 0, 12.0), DrivePoint(10, 0, 12.0)]), 20.0, 0.0)
    assert course.grade_n[0] / (course.gravity_kg * GRAVITY_MS2) == pytest.approx(0.119145, abs=5e-7)


def test_air_density() -> None:
    """ISA sea level 1.225 kg/m³ at 15 °C (ISO 2533, from memory); 40 CFR 1066.805(c): 20 °C and 98.21 kPa, 1.167."""
    assert air_density_kg_m3(15.0) == pytest.approx(1.225, abs=5e-4)
    altitude_m = (1.0 - (98.21 / 101.325) ** (1.0 / 5.25588)) / 2.25577e-5
    assert air_density_kg_m3(20.0, altitude_m) == pytest.approx(1.167, abs=6e-4)


def test_road_load_energies_on_udds() -> None:
    """Energies of the independent package fastsim 2.1.5 on UDDS, computed with it beforehand.

    Mass 1553.4758 kg, CdA 0.30 · 2.574 m², C_rr 0.01, ρ 1.2 kg/m³: drag 1217.551 kJ, rolling 1827.294 kJ with
    the mean speed of each one-second step. Our forces integrate the cube of a speed that runs straight
    between the seconds, which is a little more than the cube of the mean: 0.2 % here.
    """
    table = np.loadtxt(UDDS, delimiter=",", skiprows=1)
    mean_ms = 0.5 * (table[1:, 1] + table[:-1, 1]) / 3.6
    assert 0.5 * 1.2 * 0.30 * 2.574 * np.sum(mean_ms**3) / 1000.0 == pytest.approx(1217.551, abs=1e-3)
    assert 1553.4758 * 9.81 * 0.01 * np.sum(mean_ms) / 1000.0 == pytest.approx(1827.294, abs=1e-3)
    vehicle = load_vehicle("pukeko")
    body = vehicle.file.body.model_copy(update={"mass_kg": 1553.4758, "drag_area_m2": 0.30 * 2.574})
    from dataclasses import replace

    other = replace(vehicle, file=vehicle.file.model_copy(update={"body": body}))
    course = lay_out(other, load_drive(str(UDDS)), 25.0, 0.0)
    v = course.target_ms
    rolling_kj = float(np.sum(course.roll_n * v)) * 0.01 / 1000.0 * (0.01 / SURFACES["sealed"].rolling)
    drag_kj = float(np.sum(course.air_n_per_ms2 * v**3)) * 0.01 / 1000.0 * (1.2 / air_density_kg_m3(25.0))
    assert rolling_kj == pytest.approx(1827.294, rel=1e-4)
    assert drag_kj == pytest.approx(1217.551, rel=3e-3)


def test_road_load_energies_on_udds_by_the_library_itself() -> None:
    """The same energies asked of fastsim 2.1.5 now, second by second against ½ρ·CdA·v̄³ and m·g·C_rr·v̄ of our trace."""
    simdrive = pytest.importorskip("fastsim.simdrive", reason="the package fastsim 2.1 is not installed")
    from fastsim import cycle, vehicle  # type: ignore[import-not-found]  # optional, its 2.1 line only

    run = simdrive.SimDrive(cycle.Cycle.from_file("udds"), vehicle.Vehicle.from_vehdb(1))
    run.sim_drive()
    table = np.loadtxt(UDDS, delimiter=",", skiprows=1)
    mean_ms = 0.5 * (table[1:, 1] + table[:-1, 1]) / 3.6
    assert np.asarray(run.drag_kw)[1:] * 1000.0 == pytest.approx(0.5 * 1.2 * 0.30 * 2.574 * mean_ms**3, abs=1e-6)
    assert np.asarray(run.rr_kw)[1:] * 1000.0 == pytest.approx(1553.4758391698 * 9.81 * 0.01 * mean_ms, abs=1e-6)
    assert float(np.sum(run.drag_kw)) == pytest.approx(1217.551, abs=1e-3)
    assert float(np.sum(run.rr_kw)) == pytest.approx(1827.294, abs=1e-3)
    assert float(np.sum(run.accel_kw)) == pytest.approx(0.0, abs=1e-9)


def test_speed_on_gearing_of_the_same_pickup() -> None:
    """EPA 2022, the same pickup: 24.5 rpm for each mph; with axle 3.55 and a top ratio of 0.636 (from memory),
    its rolling radius comes to 0.393 m, a nominal 33-inch tyre's within 3 %."""
    radius_m = 0.636 * 3.55 * MPH_MS / (24.5 / RPM)
    assert radius_m == pytest.approx(0.393, abs=2e-3)
    assert load_vehicle("pukeko").file.body.rolling_radius_m == pytest.approx(radius_m, rel=0.03)


RPM = 9.549296585513721


def _drive(points: list[DrivePoint]) -> Drive:
    return Drive("t", "t", "t", 20.0, 80.0, 85.0, tuple(points))
