"""Each wrong input: one clear line on standard error, exit code 2, nothing written."""

from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import Result

from controller.calibration import calibration_text
from sim.vehicle import load_vehicle

Tccbench = Callable[..., Result]

CALIBRATION = calibration_text("station")[0]
VEHICLE = load_vehicle("pukeko").text


def refused(result: Result) -> str:
    """Assert one line, exit 2 and no traceback; return the line."""
    assert result.exit_code == 2, result.output
    lines = [line for line in result.stderr.splitlines() if line]
    assert "Traceback" not in result.output
    assert len(lines) == 1, lines
    return lines[0]


@pytest.mark.parametrize(
    ("before", "after", "said"),
    [
        ("engage_kmh = 34", "engage_kph = 34", "unknown key low.engage_kph; did you mean 'low.engage_kmh'?"),
        ("engage_kmh = 34", "engage_kmh = 500", "low.engage_kmh = 500 is out of range; it must be from 5 to 160"),
        ("engage_kmh = 34", 'engage_kmh = "34"', "low.engage_kmh = '34' is not a number"),
        ("release_kmh = 31", "release_kmh = 34", "low.release_kmh = 34 must be at least 1 km/h under low.engage_kmh"),
        ("[9002, 4513, 3385, 2401, 1800, 1440]", "[9002, 4513]", "must be long enough for low.gear_highest"),
        ("[9002, 4513, 3385,", "[9002, 4513, 4600,", "must be falling from gear to gear"),
        ("hold_through = false", "hold_through = 0", "is not true or false"),
    ],
)
def test_calibration(tccbench: Tccbench, tmp_path: Path, before: str, after: str, said: str) -> None:
    path, out = tmp_path / "mine.toml", tmp_path / "out"
    assert before in CALIBRATION
    path.write_text(CALIBRATION.replace(before, after, 1))
    line = refused(tccbench("compare", "--calibration", path, "--out", out))
    assert line.startswith(f"error: {path}: ")
    assert said in line
    assert not (out / "result.json").exists()


@pytest.mark.parametrize(
    ("before", "after", "said"),
    [
        ("ratios = [3.75, 1.88, 1.41,", "ratios = [3.75, 1.88, 1.95,", "ratios must fall from gear to gear"),
        ("mass_kg = 2850.0", 'mass_kg = "heavy"', "body.mass_kg"),
        ("mass_kg = 2850.0", "mass_kg = -1.0", "body.mass_kg"),
        ("mass_kg = 2850.0", "mass_lb = 6283.0", "body.mass"),
        ("torque_ratio_at = [0.0, 0.4,", "torque_ratio_at = [0.0, 0.9,", "torque_ratio_at must rise"),
    ],
)  # fmt: skip  # a case a line
def test_vehicle(tccbench: Tccbench, tmp_path: Path, before: str, after: str, said: str) -> None:
    path = tmp_path / "mine.toml"
    assert before in VEHICLE
    path.write_text(VEHICLE.replace(before, after, 1))
    line = refused(tccbench("compare", "--vehicle", path, "--out", tmp_path / "out"))
    assert line.startswith(f"error: {path}: ")
    assert said in line


def test_drive_with_negative_time(tccbench: Tccbench, short_drive: Path, tmp_path: Path) -> None:
    short_drive.write_text(short_drive.read_text().replace("at_s = 15.0", "at_s = -15.0"))
    line = refused(tccbench("compare", "--drive", short_drive, "--out", tmp_path / "out"))
    assert "point[2].at_s" in line or "at_s" in line


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("time_s,speed_kmh\n0,0\n1,fast\n2,3\n", "row 3"),
        ("time_s,speed_kmh\n0,0\n5,10\n4,12\n", "row 4"),
        ("time_s,speed_mph\n0,0\n1,1\n", "speed_kmh"),
        ("time_s,speed_kmh\n-1,0\n1,1\n", "row 2"),
        ("", "time_s"),
    ],
)
def test_recorded_trace(tccbench: Tccbench, tmp_path: Path, text: str, said: str) -> None:
    path = tmp_path / "trace.csv"
    path.write_text(text)
    line = refused(tccbench("compare", "--drive", path, "--out", tmp_path / "out"))
    assert said in line
    assert str(path) in line


@pytest.mark.parametrize("option", ["--vehicle", "--drive", "--calibration", "--rules"])
def test_missing_file(tccbench: Tccbench, tmp_path: Path, option: str) -> None:
    path = tmp_path / ("gone.py" if option == "--rules" else "gone.toml")
    line = refused(tccbench("compare", option, path, "--out", tmp_path / "out"))
    assert str(path) in line
    assert "no such file" in line.lower()


@pytest.mark.parametrize(
    ("option", "name", "nearest"),
    [("--vehicle", "pukeku", "pukeko"), ("--drive", "riverbank", "riverbed"), ("--calibration", "staton", "station")],
)
def test_unknown_name_suggests_the_nearest(
    tccbench: Tccbench, tmp_path: Path, option: str, name: str, nearest: str
) -> None:
    line = refused(tccbench("compare", option, name, "--out", tmp_path / "out"))
    assert f"did you mean {nearest!r}?" in line


def test_unwritable_out(tccbench: Tccbench, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("kept")
    line = refused(tccbench("compare", "--out", tmp_path / "file" / "out"))
    assert "--out" in line
    assert (tmp_path / "file").read_text() == "kept"


def test_calibration_of_another_vehicle(tccbench: Tccbench, tmp_path: Path) -> None:
    line = refused(tccbench("compare", "--vehicle", "takahe", "--calibration", "station", "--out", tmp_path / "out"))
    assert "for this vehicle write [" in line


def test_flag_out_of_range(tccbench: Tccbench, tmp_path: Path) -> None:
    result = tccbench("compare", "--ambient", "300", "--out", tmp_path / "out")
    assert result.exit_code == 2
    assert "-40" in result.stderr


def test_a_data_file_runs_no_code_and_the_help_says_which_does(tccbench: Tccbench) -> None:
    text = " ".join(tccbench("compare", "--help").output.split())
    assert "This runs the file as Python code" in text
    assert "All other files are data and run nothing" in text


def test_rules_outside_the_vocabulary(tccbench: Tccbench, tmp_path: Path) -> None:
    path = tmp_path / "mine.py"
    path.write_text(
        "from controller.declare import Interlock, State\n"
        "from controller.our_rules import OURS\n"
        "def slow(x, k, m):\n"
        "    return x.engine_rpm < 900 and x.gear > 2\n"
        "RULES = OURS.adding(interlocks=[Interlock('slow', slow, State.RELEASED, 'x', 'y', 'z')])\n"
    )
    line = refused(tccbench("compare", "--rules", path, "--out", tmp_path / "out"))
    assert f"{path}:4" in line
    assert "`and`" in line
    assert "use &" in line


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--ambient", "nan"), "nan is not a number from -40 to 55"),
        (("--trailer", "heavy"), "heavy is not a number from 0 to 6000"),
        (("--band", "medium"), "'medium' is not one of"),
        (("--colour", "red"), "No such option"),
    ],
)
def test_options(tccbench: Tccbench, tmp_path: Path, arguments: tuple[str, str], said: str) -> None:
    assert said in refused(tccbench("compare", *arguments, "--out", tmp_path / "out"))
    assert not (tmp_path / "out").exists()


def test_a_strategy_misspelt(tccbench: Tccbench, tmp_path: Path) -> None:
    assert "did you mean 'as-built'?" in refused(tccbench("run", "asbuilt", "--out", tmp_path / "out"))


@pytest.mark.parametrize("last_s", ["0.01", "0.99", "14400.5", "1e12"])
def test_drives_too_short_or_too_long(tccbench: Tccbench, tmp_path: Path, last_s: str) -> None:
    path = tmp_path / "trace.csv"
    path.write_text(f"time_s,speed_kmh\n0,0\n{last_s},0\n")
    assert "a drive lasts from 1 s to 14400 s" in refused(
        tccbench("run", "open", "--drive", path, "--out", tmp_path / "o")
    )


@pytest.mark.parametrize(
    ("event", "said"),
    [
        ('at_s = 9999.0\nband = "none"', "after the end of the drive at 60 s"),
        ("at_s = 5.0\nsignals = { turbine_rmp = 6000 }", "did you mean 'turbine_rpm'?"),
        ("at_s = 5.0\nsignals = { gear = 5000 }", "gear = 5000 is out of range; it must be from -1 to 10"),
    ],
)
def test_events(tccbench: Tccbench, short_drive: Path, tmp_path: Path, event: str, said: str) -> None:
    short_drive.write_text(f"{short_drive.read_text()}\n[[event]]\n{event}\n")
    assert said in refused(tccbench("compare", "--drive", short_drive, "--out", tmp_path / "out"))


def test_ignition_off_in_a_hold_ends_in_words(tccbench: Tccbench, short_drive: Path, tmp_path: Path) -> None:
    short_drive.write_text(f"{short_drive.read_text()}\n[[event]]\nat_s = 40.0\nignition = false\n")
    result = tccbench("run", "station", "--drive", short_drive, "--out", tmp_path / "out")
    assert result.exit_code == 0, result.output
    assert "out, ignition_off: ignition off" in result.output
