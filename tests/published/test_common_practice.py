"""Facts of the trade that concern the plant: common practice, no source.

They are check values, with wide tolerances; none of them is demonstration data.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pytest

from sim.drives import Drive, DrivePoint, load_drive
from sim.loop import simulate
from sim.result import RunResult
from sim.strategies import APPLIED, IDLE, AsBuilt, Decision, Open
from sim.vehicle import load_vehicle

PUKEKO = load_vehicle("pukeko")


class Held:
    """Full duty above walking pace."""

    name = "held"
    kind = "rules"
    reason_words = ("none",)
    signals: tuple[Any, ...] = ()
    told: tuple[Any, ...] = ()

    def tick(self, inputs: Mapping[str, int], as_built_duty: float) -> Decision:  # noqa: ARG002 - the protocol's
        on = inputs["road_speed_ckmh"] > 3500
        return Decision(1.0 if on else 0.0, on, APPLIED if on else IDLE, 0, 0, 0)


def drive(points: list[DrivePoint], ambient_c: float, oil_c: float, coolant_c: float) -> Drive:
    return Drive("t", "t", "t", ambient_c, oil_c, coolant_c, tuple(points))


def sand(oil_c: float) -> Drive:
    points = [DrivePoint(t, v, 0.0, "sand", 2) for t, v in ((0, 0), (3, 0), (15, 42), (330, 42))]
    return drive(points, 32.0, oil_c, 88.0)


@pytest.fixture(scope="module")
def open_sand() -> RunResult:
    return simulate(PUKEKO, sand(79.0), Open(), flexible_jolt=False)


def seconds_between(run: RunResult, low_c: float, high_c: float) -> float:
    oil = run.traces["oil_c"]
    return float((np.argmax(oil >= high_c) - np.argmax(oil >= low_c)) / 100.0)


def test_slip_in_soft_sand(open_sand: RunResult) -> None:
    """Common practice, no source: soft sand, second gear, 42 km/h, clutch out: about 22 % (18 to 26 %)."""
    assert 18.0 <= open_sand.traces["slip_pct"][6000] <= 26.0


def test_oil_in_soft_sand(open_sand: RunResult) -> None:
    """Common practice, no source: from the low 80s past 95 °C in about two minutes, past 100 °C in about four,
    coolant about 92 °C; ±30 % on the times."""
    oil = open_sand.traces["oil_c"]
    assert oil.max() > 100.0
    assert 84.0 <= seconds_between(open_sand, 82.0, 95.0) <= 156.0
    assert 168.0 <= seconds_between(open_sand, 82.0, 100.0) <= 312.0
    assert open_sand.traces["coolant_c"][-1] == pytest.approx(92.0, abs=3.0)


def test_held_in_the_same_sand() -> None:
    """Common practice, no source: oil at 86 to 87 °C, coolant 88 °C; the rise all but stops: ≤ 2 °C in 4 min."""
    run = simulate(PUKEKO, sand(86.5), Held(), flexible_jolt=False)
    oil = run.traces["oil_c"][2500:26500]
    assert oil.max() - oil[0] <= 2.0
    assert run.traces["coolant_c"][-1] == pytest.approx(88.0, abs=3.0)


def test_easy_return_run_cools_the_oil() -> None:
    """Common practice, no source: an easy run on a firm track cools from just over 100 to 80–86 °C (±3 °C) within
    ten minutes."""
    points = [DrivePoint(t, v, 0.0, "track") for t, v in ((0, 0), (15, 45), (600, 45))]
    run = simulate(PUKEKO, drive(points, 32.0, 101.0, 92.0), AsBuilt(), flexible_jolt=False)
    assert 77.0 <= run.traces["oil_c"][-1] <= 89.0


@pytest.mark.parametrize(("kmh", "rpm"), [(100.0, 1800.0), (110.0, 2000.0)])
def test_engine_speed_held_in_fifth(kmh: float, rpm: float) -> None:
    """Common practice, no source: fifth of six on 33-inch tyres, clutch in: 100 km/h about 1800 rpm, 110 about
    2000; ±3 %."""
    assert PUKEKO.turbine_rpm_at_100_kmh[4] * kmh / 100.0 == pytest.approx(rpm, rel=0.03)


def test_engine_speed_falls_when_the_clutch_goes_in() -> None:
    """Common practice, no source: about 250 rpm at 100 km/h (180 to 320 rpm)."""
    points = [DrivePoint(t, v, 0.0, "sealed", 5) for t, v in ((0, 0), (40, 100), (80, 100))]
    run = simulate(PUKEKO, drive(points, 25.0, 80.0, 86.0), Open(), flexible_jolt=False)
    assert 180.0 <= run.traces["engine_rpm"][-1] - run.traces["turbine_rpm"][-1] <= 320.0


def test_sixth_labours_at_100() -> None:
    """Common practice, no source: sixth at 100 km/h on that gearing lies below 1500 rpm."""
    assert PUKEKO.turbine_rpm_at_100_kmh[5] < 1500


def test_light_squeeze_pops_the_as_built_clutch_out() -> None:
    """Common practice, no source: on the highway a light squeeze of the throttle pops the clutch out."""
    run = simulate(PUKEKO, load_drive("highway_trailer"), AsBuilt(), flexible_jolt=False)
    popped = [e for e in run.engagements if e.reason_out in ("throttle_squeeze", "throttle_level")]
    assert len(popped) >= 3


def test_nominal_33_inch_tyre() -> None:
    """Common practice, no source: rolling radius about 0.40 m (±3 %)."""
    assert PUKEKO.fitted_tyre == "33-inch"
    assert PUKEKO.file.body.rolling_radius_m == pytest.approx(0.40, rel=0.03)
