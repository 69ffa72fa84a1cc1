"""The smaller commands."""

import re
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import Result

from bench.gear_speeds import gear_speed
from controller.calibration import calibration_text
from controller.user_rules import template_text
from sim.vehicle import load_vehicle

Tccbench = Callable[..., Result]


def test_chart_prints_diagram_and_every_row(tccbench: Tccbench) -> None:
    from controller.our_rules import OURS

    output = tccbench("chart").output
    assert output.startswith("stateDiagram-v2\n    [*] --> idle\n")
    for row in OURS.rows:
        assert re.search(rf"{row.source.word} +{row.destination.word} +{row.name} +{row.reason}", output)


def test_list_names_what_comes_along(tccbench: Tccbench) -> None:
    output = tccbench("list").output
    for name in ("pukeko", "riverbed", "station"):
        assert name in output


def test_locked_speed_is_the_turbines_and_unlocked_is_higher() -> None:
    vehicle = load_vehicle("pukeko")
    for gear in range(1, vehicle.gear_count + 1):
        for speed_kmh in (30.0, 60.0):
            at = gear_speed(vehicle, gear, speed_kmh, "sealed")
            assert at.locked_rpm == pytest.approx(vehicle.turbine_rpm_at_100_kmh[gear - 1] * speed_kmh / 100, rel=1e-3)
            assert at.unlocked_rpm is None or at.unlocked_rpm > at.locked_rpm


def test_soft_ground_slips_as_in_the_simulator() -> None:
    """42 km/h on sand in second gear: the simulator's turbine turns about 2060 rpm, 8 % over rolling speed."""
    assert gear_speed(load_vehicle("pukeko"), 2, 42.0, "sand").locked_rpm == pytest.approx(2060, rel=0.005)


def test_unlocked_speed_is_none_where_the_converter_cannot_hold_it() -> None:
    vehicle = load_vehicle("pukeko")
    assert gear_speed(vehicle, 1, 100.0, "sealed").unlocked_rpm is None
    assert gear_speed(vehicle, 6, 60.0, "sand").unlocked_rpm is None


def test_sheet_flags_lugging_and_writes_the_customers_page(tccbench: Tccbench, tmp_path: Path) -> None:
    result = tccbench("sheet", "--for", "<b>Tui & Co</b>", "--out", tmp_path)
    assert result.exit_code == 0, result.output
    assert "816 refused" in result.output
    page = (tmp_path / "sheet.html").read_text()
    assert "&lt;b&gt;Tui &amp; Co&lt;/b&gt;" in page
    assert "A simulation is not a road test" in page
    assert "begins with the switch" in page


def test_the_customers_page_tells_the_grounds_of_these_rules(tccbench: Tccbench, tmp_path: Path) -> None:
    assert tccbench("sheet", "--out", tmp_path).exit_code == 0
    assert "when you press the brake" in (tmp_path / "sheet.html").read_text()
    own = tmp_path / "own.py"
    own.write_text(template_text() + '\nRULES = RULES.removing("brake")\n')
    result = tccbench("sheet", "--rules", own, "--out", tmp_path)
    assert result.exit_code == 0, result.output
    page = (tmp_path / "sheet.html").read_text()
    assert "brake" not in page
    assert "when the coolant is under its minimum" in page


def test_sheet_says_what_other_tyres_need(tccbench: Tccbench, tmp_path: Path) -> None:
    path = tmp_path / "tall.toml"
    path.write_text(
        load_vehicle("pukeko").text.replace("sensor_rolling_radius_m = 0.40", "sensor_rolling_radius_m = 0.38", 1)
    )
    gears = [round(rpm * 0.40 / 0.38) for rpm in load_vehicle("pukeko").turbine_rpm_at_100_kmh]
    calibration = tmp_path / "tall_calibration.toml"
    text = re.sub(
        r"turbine_rpm_at_100_kmh = \[.*\]", f"turbine_rpm_at_100_kmh = {gears}", calibration_text("station")[0]
    )
    calibration.write_text(text)
    wrong = tccbench("sheet", "--vehicle", path, "--calibration", calibration, "--out", tmp_path)
    assert "write speed_scale = 1.053" in " ".join(wrong.output.split())
    calibration.write_text(text.replace("speed_scale = 1", "speed_scale = 1.053"))
    right = tccbench("sheet", "--vehicle", path, "--calibration", calibration, "--out", tmp_path)
    assert "answers that" in " ".join(right.output.split())


def test_init_writes_files_that_run_and_never_overwrites(tccbench: Tccbench, tmp_path: Path, short_drive: Path) -> None:
    mine = tmp_path / "mine"
    assert tccbench("init", mine, "--drive", short_drive).exit_code == 0
    result = tccbench(
        "compare", "--vehicle", mine / "my_vehicle.toml", "--drive", mine / "my_drive.toml",
        "--calibration", mine / "my_calibration.toml", "--rules", mine / "my_rules.py", "--out", tmp_path / "out",
    )  # fmt: skip
    assert result.exit_code == 0, result.output
    before = (mine / "my_drive.toml").read_text()
    again = tccbench("init", mine)
    assert again.exit_code == 2
    assert "is already there" in again.stderr
    assert (mine / "my_drive.toml").read_text() == before
