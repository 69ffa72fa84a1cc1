"""Drive files: scripts and recorded traces, and what is said of a wrong one."""

from __future__ import annotations

from pathlib import Path

import pytest

from controller.errors import UserError
from sim.drives import drive_names, load_drive

HEAD = 'title = "t"\nabout = "a"\nambient_c = 20.0\noil_c = 80.0\ncoolant_c = 85.0\n'
POINTS = "[[point]]\nat_s = 0.0\nspeed_kmh = 0.0\n[[point]]\nat_s = 9.0\nspeed_kmh = 9.0\n"


@pytest.mark.parametrize("name", drive_names())
def test_embedded_drives_load_and_last_some_minutes(name: str) -> None:
    drive = load_drive(name)
    assert drive.duration_s >= 240.0
    assert drive.title
    assert drive.about


def test_there_are_enough_and_the_demonstration_is_long() -> None:
    assert len(drive_names()) >= 11
    assert load_drive("riverbed").duration_s >= 480.0
    surfaces = {point.surface for point in load_drive("riverbed").points}
    assert {"shingle", "sand", "track"} <= surfaces


def test_points_keep_what_they_leave_out(tmp_path: Path) -> None:
    path = tmp_path / "d.toml"
    path.write_text(
        HEAD
        + "[trailer]\nmass_kg = 900.0\n"
        + '[[point]]\nat_s = 0.0\nspeed_kmh = 0.0\nsurface = "sand"\ngear_limit = 2\ngrade_pct = 3.0\n'
        + "[[point]]\nat_s = 9.0\nspeed_kmh = 9.0\nheadwind_kmh = 20.0\n",
        encoding="utf-8",
    )
    drive = load_drive(str(path))
    last = drive.points[1]
    assert (last.surface, last.gear_limit, last.grade_pct, last.wind_kmh) == ("sand", 2, 3.0, 20.0)
    assert (drive.name, drive.trailer_kg) == ("d", 900.0)


@pytest.mark.parametrize(
    ("body", "says"),
    [
        (POINTS.replace("at_s = 0.0", "at_s = -1.0"), "point[1].at_s: input should be greater than or equal to 0"),
        (POINTS.replace("at_s = 0.0", "at_s = 1.0"), "the first point must be at_s = 0.0"),
        (POINTS.replace("at_s = 9.0", "at_s = 0.0"), "points must rise in time"),
        (POINTS.replace("speed_kmh = 9.0", "speed_kmh = -9.0"), "point[2].speed_kmh"),
        (POINTS + 'surface = "lava"\n', "surface 'lava' is not known; there are: sealed"),
        (POINTS + "sped_kmh = 3.0\n", "point[2].sped_kmh: unknown key; did you mean 'speed_kmh'?"),
        (POINTS + "[[event]]\nat_s = 1.0\n", "an event must do something"),
        (POINTS + '[[event]]\nband = "low"\n', "exactly one of at_s and at_speed_kmh"),
        (POINTS + '[[event]]\nat_s = 1.0\nband = "middle"\n', "event[1].band"),
        (POINTS + "[[event]]\nat_s = 1.0\nbrake_pct = 5.0\n", "need for_s"),
        (POINTS + '[[event]]\nat_s = 1.0\nlose = ["radio"]\n', "event[1]: lose: 'radio' is no signal group"),
        ("[[point]]\nat_s = 0.0\nspeed_kmh = 0.0\n", "point: tuple should have at least 2 items"),
    ],
)
def test_wrong_scripts(tmp_path: Path, body: str, says: str) -> None:
    path = tmp_path / "wrong.toml"
    path.write_text(HEAD + body, encoding="utf-8")
    with pytest.raises(UserError) as caught:
        load_drive(str(path))
    assert says in str(caught.value)
    assert str(caught.value).startswith(f"{path}: ")
    assert "\n" not in str(caught.value)


def test_recorded_trace(tmp_path: Path) -> None:
    path = tmp_path / "way_home.CSV"
    path.write_text("\ufefftime_s,speed_kmh, grade_pct\n0,0,0\n1.5,10,2.5\n\n3,20,-1\n", encoding="utf-8")
    drive = load_drive(str(path))
    assert (drive.name, drive.duration_s) == ("way_home", 3.0)
    assert [point.grade_pct for point in drive.points] == [0.0, 2.5, -1.0]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "row 1: the header must be time_s,speed_kmh[,grade_pct], but it is nothing"),
        ("t,v\n0,0\n", "row 1: the header must be time_s,speed_kmh[,grade_pct], but it is t,v"),
        ("time_s,speed_kmh\n0,0\n1,fast\n", "row 3, column speed_kmh: 'fast' is not a number"),
        ("time_s,speed_kmh\n0,0\n1,nan\n", "row 3, column speed_kmh: 'nan' is not a finite number"),
        ("time_s,speed_kmh\n0,0\n1,inf\n", "row 3, column speed_kmh: 'inf' is not a finite number"),
        ("time_s,speed_kmh\n0,0\n1\n", "row 3: 1 cells where the header has 2"),
        ("time_s,speed_kmh\n-1,0\n1,2\n", "row 2, column time_s: time must not be negative"),
        ("time_s,speed_kmh\n2,0\n3,2\n", "row 2, column time_s: a drive starts at time 0"),
        ("time_s,speed_kmh\n0,0\n2,1\n2,3\n", "row 4, column time_s: time must rise, but 2 follows 2"),
        ("time_s,speed_kmh\n0,0\n2,-1\n", "row 3, column speed_kmh: speed must be 0 to 250 km/h"),
        ("time_s,speed_kmh,grade_pct\n0,0,0\n2,1,90\n", "row 3, column grade_pct: grade must be -40 to 40 %"),
        ("time_s,speed_kmh\n0,0\n", "at least two rows"),
    ],
)
def test_wrong_traces_name_row_and_column(tmp_path: Path, text: str, says: str) -> None:
    path = tmp_path / "wrong.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(UserError) as caught:
        load_drive(str(path))
    assert str(caught.value).startswith(f"{path}: ")
    assert says in str(caught.value)
    assert "\n" not in str(caught.value)


def test_unknown_drive_suggests_the_nearest() -> None:
    with pytest.raises(UserError, match="unknown drive 'riverbet'; did you mean 'riverbed'"):
        load_drive("riverbet")


def test_published_schedules_are_read_as_they_come(tmp_path: Path) -> None:
    path = tmp_path / "schedule.csv"
    path.write_text("\ufeffcycSecs,cycMps,cycGrade,cycRoadType\n0,0,0,0\n1,2.5,0.02,0\n", encoding="utf-8")
    points = load_drive(str(path)).points
    assert [(point.time_s, point.speed_kmh, point.grade_pct) for point in points] == [(0.0, 0.0, 0.0), (1.0, 9.0, 2.0)]
