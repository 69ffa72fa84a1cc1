"""Recorded schedules: distances and durations as measured from the traces themselves.

The values are those of the files of fastsim 2.1.5 (EPA and UNECE schedules); often-quoted rounded figures differ.
"""

from __future__ import annotations

import csv
import os
from pathlib import Path

import numpy as np
import pytest

from sim.drives import load_drive

UDDS = Path(__file__).parents[1] / "data" / "udds.csv"
OPEN_DATA = os.environ.get("TCCBENCH_OPEN_DATA")


def test_udds() -> None:
    """UDDS: 1370 samples, 1369 s, 11 990.4 m by trapezoid, 91.25 km/h at most."""
    drive = load_drive(str(UDDS))
    speeds = np.array([point.speed_kmh for point in drive.points]) / 3.6
    times = np.array([point.time_s for point in drive.points])
    assert len(speeds) == 1370
    assert drive.duration_s == 1369.0
    assert np.trapezoid(speeds, times) == pytest.approx(11990.4, abs=0.05)
    assert speeds.max() * 3.6 == pytest.approx(91.25, abs=0.005)


@pytest.mark.skipif(not OPEN_DATA, reason="TCCBENCH_OPEN_DATA names no folder with recorded schedules")
@pytest.mark.parametrize(
    ("name", "samples", "end_s", "metres", "top_kmh"),
    [
        ("udds", 1370, 1369.0, 11990.4, 91.25),
        ("hwfet", 766, 765.0, 16506.8, 96.40),
        ("us06", 601, 600.0, 12887.6, 129.23),
        ("wltc_3a", 1801, 1800.0, 23193.6, 131.3),
    ],
)
def test_other_schedules(name: str, samples: int, end_s: float, metres: float, top_kmh: float) -> None:
    """HWFET, US06 and WLTC class 3a of the same package."""
    path = Path(str(OPEN_DATA)) / "cycles" / f"{name}.csv"
    if not path.exists():
        pytest.skip(f"{path} is not there")
    with path.open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.DictReader(file))
    times = np.array([float(row["cycSecs"]) for row in rows])
    speeds = np.array([float(row["cycMps"]) for row in rows])
    assert len(rows) == samples
    assert times[-1] == end_s
    assert np.trapezoid(speeds, times) == pytest.approx(metres, abs=0.06)
    assert speeds.max() * 3.6 == pytest.approx(top_kmh, abs=0.06)


def test_wltc_class_3b_by_an_independent_package() -> None:
    """WLTC class 3b of the package wltp: 23 266.3 m, sum of speeds 83 758.6 km/h."""
    class3 = pytest.importorskip("wltp.cycles.class3", reason="the package wltp is not installed")
    speeds = np.asarray(class3.class_data_b()["cycle"], dtype=float)
    assert len(speeds) == 1801
    assert speeds.sum() == pytest.approx(83758.6, abs=0.05)
    assert np.trapezoid(speeds / 3.6) == pytest.approx(23266.3, abs=0.06)
