"""Real recordings that nobody here wrote; they are not ours to pass on, so the tests skip where they are absent."""

from pathlib import Path

import numpy as np
import pytest

pytest.importorskip("asammdf")
pytest.importorskip("cantools")

from bench.logs.reading import read_log
from bench.logs.summary import Shown, take_apart
from controller.errors import UserError

READABLE = (
    "truck/drive_lockup_30s.log", "truck/neutral_cold_65s.txt", "sedan/trip04.csv", "sedan/trip07.csv",
    "sedan/trip20.csv", "sedan/trip40.csv", "car/one_signal_per_row.csv", "car/one_signal_per_row_bad_header.csv",
    "mf4/j1939_engine_off.mf4", "mf4/obd_2hz.mf4", "mf4/obd_7s_cycle.mf4", "bad/engine_off_rpm0_28s.log",
    "bad/hybrid_idle_rpm0.csv", "bad/truck_66frames_not_available.log", "bad/truck_random_payloads.log",
)  # fmt: skip


def _shown(folder: Path, name: str) -> Shown:
    return take_apart(read_log(str(folder / name)))


@pytest.mark.parametrize("name", READABLE)
def test_each_reads_without_hand_work(open_data: Path, name: str) -> None:
    shown = _shown(open_data, name)
    assert shown.log.has("engine_rpm")
    assert shown.findings


@pytest.mark.parametrize(
    ("name", "said"), [("no_timestamp.json", "no time"), ("two_column_blocks.csv", "no time column")]
)
def test_what_cannot_be_read_is_one_line(open_data: Path, name: str, said: str) -> None:
    with pytest.raises(UserError, match=said):
        read_log(str(open_data / "bad" / name))


@pytest.mark.parametrize(
    ("name", "code"),
    [
        ("engine_off_rpm0_28s.log", "engine_off"),
        ("hybrid_idle_rpm0.csv", "engine_off"),
        ("truck_66frames_not_available.log", "short"),
        ("truck_random_payloads.log", "standing"),
    ],
)
def test_what_is_wrong_is_named(open_data: Path, name: str, code: str) -> None:
    assert code in {one.code for one in _shown(open_data, f"bad/{name}").findings}


def test_truck_locks_up(open_data: Path) -> None:
    """The heavy vehicle's flag rises at 1.21 s; unlocked slip is some 287 rpm in the median, locked 1 rpm."""
    shown = _shown(open_data, "truck/drive_lockup_30s.log")
    (one,) = shown.summary.engagements
    assert one.start_s == pytest.approx(1.21, abs=0.03)
    slip = shown.clutch.slip_rpm
    out = shown.grid.time_s < 1.2
    assert np.nanmedian(slip[out]) == pytest.approx(287.0, abs=30.0)
    assert abs(np.nanmedian(slip[shown.clutch.state == 2])) < 3.0


def test_truck_by_slip_alone(open_data: Path) -> None:
    """Without its flag, the same hold is found from the slip."""
    log = read_log(str(open_data / "truck/drive_lockup_30s.log"))
    del log.readings["lockup_on"]
    shown = take_apart(log)
    flagged = _shown(open_data, "truck/drive_lockup_30s.log")
    assert (shown.clutch.state == flagged.clutch.state).mean() > 0.99
    # Its flag rises when the slip is gone; the slip itself begins to go half a second before.
    (one,) = shown.summary.engagements
    # The driveline swings by 11 rpm, so that no single sample of the hold's beginning is claimed.
    assert one.start is not None
    assert one.start.at_s == pytest.approx(0.69, abs=0.05)
    assert one.held is not None
    assert not one.held.is_told
    assert one.held.low_s <= 1.21 <= one.held.high_s
    assert one.held.high_s - one.held.low_s < 0.2
    assert shown.clutch.by == "slip"


def test_truck_gears_without_its_gear(open_data: Path) -> None:
    log = read_log(str(open_data / "truck/drive_lockup_30s.log"))
    recorded = take_apart(log).gears.gear
    del log.readings["gear"]
    told = take_apart(log).gears.gear
    names = {told_as: np.bincount(recorded[told == told_as]).argmax() for told_as in np.unique(told) if told_as}
    right = np.array([names.get(one, -1) for one in told.tolist()]) == recorded
    assert right.mean() > 0.96


def test_sedan_holds_in_the_upper_gears(open_data: Path) -> None:
    shown = _shown(open_data, "sedan/trip40.csv")
    assert {4, 5, 6} <= set(shown.gears.rpm_per_kmh)
    assert len(shown.summary.engagements) > 5
    assert {"slow", "untold"} <= {one.code for one in shown.findings}


def test_negative_control_shows_no_converter(open_data: Path) -> None:
    shown = _shown(open_data, "car/one_signal_per_row.csv")
    assert "turbine_rpm" not in shown.log.readings
    assert {"missing", "no_slip"} <= {one.code for one in shown.findings}
    assert len(shown.gears.rpm_per_kmh) == 5
