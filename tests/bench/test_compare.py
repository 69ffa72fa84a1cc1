"""The main command, end to end on a short drive."""

import csv
import io
import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from click.testing import Result

from bench.comparison import Settings, _labels, compare
from bench.pages.report import decode
from bench.runs import AS_BUILT, OPEN
from bench.traces_file import COLUMNS

Tccbench = Callable[..., Result]


@pytest.fixture
def files(tccbench: Tccbench, short_drive: Path, tmp_path: Path) -> Path:
    out = tmp_path / "out"
    result = tccbench("compare", "--drive", short_drive, "--out", out)
    assert result.exit_code == 0, result.output
    return out


def test_the_verdict_stands_before_the_figures(tccbench: Tccbench, short_drive: Path, tmp_path: Path) -> None:
    output = tccbench("compare", "--drive", short_drive, "--out", tmp_path / "out").output
    assert output.index("✓ station: cooler than open and as-built") < output.index("oil, peak, °C")
    assert "A simulation is not a road test" in output


def test_every_named_figure_is_printed(tccbench: Tccbench, short_drive: Path, tmp_path: Path) -> None:
    output = tccbench("compare", "--drive", short_drive, "--out", tmp_path / "out").output
    for label in (
        "oil, peak, °C", "oil, end, °C", "oil over 100 °C, s", "oil over 110 °C, s", "oil over 120 °C, s",
        "steepest rise", "heat into the oil, converter", "oil life used", "slip above 10 km/h, mean",
        "slip above 10 km/h, peak", "engine while held, lowest", "engine while held, highest",
        "lowest margin to stall", "engagements", "shortest gap", "hunting", "clutch energy", "clutch torque",
        "hardest jolt", "fuel, l",
    ):  # fmt: skip
        assert label in output


def test_two_runs_write_the_same_bytes(tccbench: Tccbench, files: Path, short_drive: Path, tmp_path: Path) -> None:
    again = tmp_path / "again"
    assert tccbench("compare", "--drive", short_drive, "--out", again).exit_code == 0
    for name in ("result.json", "traces.csv", "report.html"):
        assert (files / name).read_bytes() == (again / name).read_bytes(), name


def test_the_report_carries_the_traces_of_the_csv(files: Path) -> None:
    rows = list(csv.DictReader(io.StringIO((files / "traces.csv").read_text())))
    runs = decode((files / "report.html").read_text())
    assert [run.name for run in runs] == ["open", "as-built", "station"]
    decimals = {name: int(form[2]) if form.startswith("%.") else 0 for name, form in COLUMNS}
    for run in runs:
        written = [row for row in rows if row["run"] == run.name]
        assert len(written) == run.time_s.size == 6000
        for key, values in run.data.items():
            if key not in decimals:
                continue
            column = np.array([float(row[key]) for row in written])
            # 12 bits over the trace's own range, and the rounding of the CSV.
            step = (column.max() - column.min()) / 4095
            assert np.abs(column - values).max() <= 0.51 * step + 0.51 * 10.0 ** -decimals[key], key


def test_result_json_repeats_the_raw_traces(files: Path) -> None:
    result = json.loads((files / "result.json").read_text())
    rows = list(csv.DictReader(io.StringIO((files / "traces.csv").read_text())))
    for run in result["runs"]:
        figures = run["figures"]
        oil_c = [float(row["oil_c"]) for row in rows if row["run"] == figures["name"]]
        assert figures["oil_peak_c"] == pytest.approx(max(oil_c), abs=6e-4)
        assert run["energy"]["scheme_residual"] < 1e-9
        assert run["energy"]["independent_residual"] < 1e-3


def test_names_from_files_are_escaped(tccbench: Tccbench, short_drive: Path, tmp_path: Path) -> None:
    nasty = "<script>alert(1)</script>"
    drive = tmp_path / "nasty.toml"
    drive.write_text(short_drive.read_text().replace('"Short"', f'"{nasty}"').replace("A minute", nasty))
    out = tmp_path / "nasty"
    assert tccbench("compare", "--drive", drive, "--out", out).exit_code == 0
    assert nasty not in (out / "report.html").read_text()


def test_several_calibrations_stand_side_by_side(short_drive: Path) -> None:
    settings = Settings("pukeko", str(short_drive), (OPEN, AS_BUILT, "station", "station_early", "station"))
    names = [run.name for run in compare(settings).figures]
    assert names == ["open", "as-built", "station", "station_early", "station 2"]


def test_ambient_and_trailer_replace_the_drives_own(short_drive: Path) -> None:
    plain = compare(Settings("pukeko", str(short_drive), (OPEN,))).figures[0]
    hot = compare(Settings("pukeko", str(short_drive), (OPEN,), ambient_c=45.0)).figures[0]
    heavy = compare(Settings("pukeko", str(short_drive), (OPEN,), trailer_kg=1500.0)).figures[0]
    assert hot.oil_peak_c > plain.oil_peak_c
    assert heavy.fuel_l > plain.fuel_l


def test_run_takes_one_strategy(tccbench: Tccbench, short_drive: Path, tmp_path: Path) -> None:
    result = tccbench("run", "as-built", "--drive", short_drive, "--out", tmp_path / "one")
    assert result.exit_code == 0, result.output
    assert "as-built" in result.output
    assert "station" not in result.output


def test_a_squeeze_opens_the_as_built_clutch_and_never_ours() -> None:
    """Throttle alone never opens a hold unless the calibration asks for it; both are shown in one report."""
    comparison = compare(Settings("pukeko", "highway_trailer", (AS_BUILT, "station")))
    as_built, ours = comparison.results
    assert sum(one.reason_out in ("throttle_squeeze", "throttle_level") for one in as_built.engagements) >= 2
    assert not {one.reason_out for one in ours.engagements if one.by == "rules"} & {"kickdown", "closed_throttle"}


@pytest.mark.parametrize("switch", ["kickdown", "closed_throttle"])
def test_throttle_opens_a_hold_where_the_calibration_asks_for_it(switch: str, tmp_path: Path) -> None:
    from bench.runs import Plan, run_plan
    from controller.calibration import calibration_text

    key = {"kickdown": "kickdown_opens", "closed_throttle": "closed_opens"}[switch]
    text = calibration_text("station")[0].replace(f"{key} = false", f"{key} = true")
    calibration = tmp_path / "mine.toml"
    calibration.write_text(text)
    drive = tmp_path / "pedal.toml"
    pedal = 100.0 if switch == "kickdown" else -100.0
    drive.write_text(
        'title = "Pedal"\nabout = "x"\nambient_c = 20.0\noil_c = 80.0\ncoolant_c = 85.0\n'
        '[[point]]\nat_s = 0.0\nspeed_kmh = 0.0\nsurface = "track"\ngear_limit = 2\n'
        "[[point]]\nat_s = 15.0\nspeed_kmh = 40.0\n[[point]]\nat_s = 40.0\nspeed_kmh = 45.0\n"
        '[[event]]\nat_s = 1.0\nband = "low"\n'
        f"[[event]]\nat_s = 25.0\nfor_s = 1.5\nthrottle_add_pct = {pedal}\n"
    )
    reasons = [
        [one.reason_out for one in run_plan(Plan("pukeko", str(drive), strategy, "it")).result.engagements]
        for strategy in ("station", str(calibration))
    ]
    assert switch not in reasons[0]
    assert switch in reasons[1]


def test_calibrations_of_one_name_are_told_apart_by_their_folders() -> None:
    names = ("open", "station", "a/soft.toml", "b/soft.toml", "x/hard.toml", "x/hard.toml")
    assert _labels(names) == ["open", "station", "a/soft", "b/soft", "hard", "hard 2"]
    assert _labels(("soft.toml", "b/soft.toml", "b/c/soft.toml")) == ["soft", "b/soft", "c/soft"]
