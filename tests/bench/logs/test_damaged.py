"""Damaged recordings: each gives its finding, or one clear line and exit code 2."""

import re
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import Result

from bench.logs.reading import read_log
from bench.logs.summary import take_apart
from sim.vehicle import load_vehicle

Write = Callable[..., Path]
Tccbench = Callable[..., Result]


def _codes(path: Path, vehicle: str | None = None) -> set[str]:
    shown = take_apart(read_log(str(path)), load_vehicle(vehicle) if vehicle else None)
    return {one.code for one in shown.findings}


def _text(path: Path, code: str, vehicle: str | None = None) -> str:
    shown = take_apart(read_log(str(path)), load_vehicle(vehicle) if vehicle else None)
    return " | ".join(one.text for one in shown.findings if one.code == code)


@pytest.fixture
def sound(recorded: Write) -> Path:
    return recorded("pukeko", "riverbed", "station")


def _rows(path: Path) -> list[list[str]]:
    return [line.split(",") for line in path.read_text().splitlines()]


def _put(path: Path, rows: list[list[str]]) -> Path:
    path.write_text("\n".join(",".join(row) for row in rows) + "\n")
    return path


def _times(path: Path, column: str, factor: float, offset: float = 0.0) -> Path:
    rows = _rows(path)
    at = rows[0].index(column)
    for row in rows[1:]:
        if row[at]:
            row[at] = f"{float(row[at]) * factor + offset:.3f}"
    return _put(path, rows)


def test_sound_one_has_no_such_finding(sound: Path) -> None:
    assert not _codes(sound, "pukeko") & {
        "cut", "gap", "stuck", "same_time", "backward", "restart", "unit", "range", "rows", "text", "other_vehicle",
        "shafts",
    }  # fmt: skip


def test_1_cut_in_the_middle_of_a_line(sound: Path) -> None:
    sound.write_bytes(sound.read_bytes()[:-9])
    assert "cut in the middle of row 5801" in _text(sound, "cut")
    assert read_log(str(sound)).duration_s > 575.0


def test_2_gap(sound: Path) -> None:
    rows = _rows(sound)
    _put(sound, rows[:2000] + rows[2620:])
    assert "62." in _text(sound, "gap")
    shown = take_apart(read_log(str(sound)), load_vehicle("pukeko"))
    inside = (shown.grid.time_s > 200.5) & (shown.grid.time_s < 261.0)
    assert (shown.clutch.state[inside] == 3).all()


def test_3_stuck_value(sound: Path) -> None:
    rows = _rows(sound)
    at = rows[0].index("turbine_rpm")
    # The pull away, where everything else moves.
    for row in rows[4400:4600]:
        row[at] = "1500"
    assert "turbine_rpm: stays at 1500" in _text(_put(sound, rows), "stuck")


def test_4_duplicate_times(sound: Path) -> None:
    rows = _rows(sound)
    _put(sound, rows[:100] + [rows[99]] * 7 + rows[100:])
    assert "7 rows with the time of a row before" in _text(sound, "same_time")


def test_5_backward_times(sound: Path) -> None:
    rows = _rows(sound)
    _put(sound, rows[:100] + rows[80:85] + rows[100:])
    assert "5 rows back in time, first row 101" in _text(sound, "backward")


def test_6_clock_started_again(sound: Path) -> None:
    rows = _rows(sound)
    _put(sound, rows[:3000] + rows[1:2000])
    assert "falls back by 299.8 s at row 3001" in _text(sound, "restart")


def test_7_speed_in_miles(sound: Path) -> None:
    _times(sound, "speed_kmh", 1 / 1.609344)
    assert 'write unit = "mph"' in _text(sound, "unit", "pukeko")


def test_8_oil_in_fahrenheit(sound: Path) -> None:
    _times(sound, "oil_c", 1.8, 32.0)
    assert "oil_temp_c: 183 °C for half of the time cannot be; it looks like °F" in _text(sound, "unit") or (
        "oil_temp_c" in _text(sound, "unit") and "°F" in _text(sound, "unit")
    )


def test_9_no_turbine_speed(recorded: Write) -> None:
    path = recorded("pukeko", "riverbed", "station", drop=("turbine_rpm",))
    assert "turbine_rpm is not in the recording" in _text(path, "missing")


def test_10_no_time(tccbench: Tccbench, sound: Path) -> None:
    _put(sound, [row[1:] for row in _rows(sound)])
    _refused(
        tccbench("log", "show", sound, "--out", sound.parent / "out"), "no time column among speed_kmh, engine_rpm"
    )


def test_11_empty(tccbench: Tccbench, tmp_path: Path) -> None:
    path = tmp_path / "empty.csv"
    path.write_text("")
    _refused(tccbench("log", "show", path, "--out", tmp_path / "out"), "this recording is empty")


def test_12_zero_bytes(tccbench: Tccbench, tmp_path: Path) -> None:
    path = tmp_path / "zero.csv"
    path.write_bytes(b"time_s,rpm\n1,2\n" + b"\0" * 500)
    _refused(tccbench("log", "show", path, "--out", tmp_path / "out"), "it holds zero bytes")


def test_13_cells_that_are_no_number(sound: Path) -> None:
    rows = _rows(sound)
    rows[50][rows[0].index("engine_rpm")] = "ERR"
    rows[60][rows[0].index("engine_rpm")] = "---"
    assert "engine_rpm: cells that are no number, such as 'ERR'" in _text(_put(sound, rows), "text")


def test_14_rows_of_another_length(sound: Path) -> None:
    rows = _rows(sound)
    rows[50] = rows[50][:3]
    rows[70] = [*rows[70], "9"]
    assert "2 rows of another length than the header's, first row 51" in _text(_put(sound, rows), "rows")


def test_15_spikes(sound: Path) -> None:
    rows = _rows(sound)
    for row in rows[100:104]:
        row[rows[0].index("engine_rpm")] = "65535"
    assert "engine_rpm: 4 readings outside 0 to 10000 rpm, such as 65535" in _text(_put(sound, rows), "range")


def test_16_header_in_the_middle(sound: Path) -> None:
    rows = _rows(sound)
    _put(sound, [*rows[:300], rows[0], *rows[300:]])
    assert "1 row without a readable time" in _text(sound, "time_text")


def test_17_engine_off(tmp_path: Path) -> None:
    path = tmp_path / "off.csv"
    path.write_text("time_s,speed_kmh,engine_rpm\n" + "".join(f"{at / 10},0,0\n" for at in range(200)))
    assert "engine_off" in _codes(path)


def test_18_a_tenth_of_a_second(tmp_path: Path) -> None:
    path = tmp_path / "short.csv"
    path.write_text("time_s,speed_kmh,engine_rpm\n" + "".join(f"{at / 100},20,1500\n" for at in range(10)))
    assert "only 0.09 s long" in _text(path, "short")


def test_19_time_in_ms_said_to_be_s(sound: Path) -> None:
    _times(sound, "time_s", 1000.0)
    assert 'if that is ms, write unit = "ms"' in _text(sound, "time_unit")


def test_20_another_vehicles_recording(sound: Path) -> None:
    assert "other_vehicle" in _codes(sound, "takahe")


def test_21_two_column_names_alike(tccbench: Tccbench, tmp_path: Path) -> None:
    path = tmp_path / "twice.csv"
    path.write_text("time,speed,speed,rpm\n" + "".join(f"{at},1,2,900\n" for at in range(30)))
    _refused(tccbench("log", "show", path, "--out", tmp_path / "out"), "stands 2 times in the header")


def test_22_frames_without_time(tccbench: Tccbench, tmp_path: Path) -> None:
    path = tmp_path / "frames.log"
    path.write_text("can0  18FEF100   [8]  FF 00 64 DF FF FF FF FF\n" * 30)
    _refused(tccbench("log", "show", path, "--out", tmp_path / "out"), "CAN frames without a time")


def test_23_frames_that_no_dbc_reads(tccbench: Tccbench, tmp_path: Path) -> None:
    pytest.importorskip("cantools")
    path = tmp_path / "frames.log"
    path.write_text("".join(f"({at}.000000) can0 123#0011223344556677\n" for at in range(30)))
    _refused(tccbench("log", "show", path, "--out", tmp_path / "out"), "give the bus's own file with --dbc")


def test_24_damaged_mdf(tccbench: Tccbench, tmp_path: Path) -> None:
    pytest.importorskip("asammdf")
    path = tmp_path / "cut.mf4"
    path.write_bytes(b"MDF     4.10    tccbench" + b"\0" * 40)
    _refused(tccbench("log", "show", path, "--out", tmp_path / "out"), "not an MDF 4 recording that can be read")


def test_25_map_of_a_column_that_is_not_there(tccbench: Tccbench, sound: Path, tmp_path: Path) -> None:
    mapped = tmp_path / "m.toml"
    assert tccbench("log", "map", sound, "--write", mapped).exit_code == 0
    mapped.write_text(mapped.read_text().replace('"engine_rpm"', '"engine_rpn"'))
    _refused(tccbench("log", "show", sound, "--map", mapped, "--out", tmp_path / "out"), "did you mean 'engine_rpm'?")


def test_26_map_with_an_unknown_unit(tccbench: Tccbench, sound: Path, tmp_path: Path) -> None:
    mapped = tmp_path / "m.toml"
    tccbench("log", "map", sound, "--write", mapped)
    mapped.write_text(mapped.read_text().replace('"km/h"', '"furlongs"'))
    _refused(tccbench("log", "show", sound, "--map", mapped, "--out", tmp_path / "out"), "unit 'furlongs' is not known")


@pytest.mark.parametrize("name", ["turbine_rpm", "channel"])
def test_26_map_with_an_unknown_key(tccbench: Tccbench, sound: Path, tmp_path: Path, name: str) -> None:
    mapped = tmp_path / "m.toml"
    assert tccbench("log", "map", sound, "--write", mapped).exit_code == 0
    mapped.write_text(mapped.read_text().replace("[signal.turbine_rpm]", f"[signal.{name}]\nlate = 0.1"))
    said = f"signal.{name}.late: unknown key; did you mean 'late_s'?"
    _refused(tccbench("log", "show", sound, "--map", mapped, "--out", tmp_path / "out"), said)


@pytest.mark.parametrize("factor", ["0", "1e308"])
def test_26_map_with_a_factor_that_leaves_nothing(tccbench: Tccbench, sound: Path, tmp_path: Path, factor: str) -> None:
    mapped = tmp_path / "m.toml"
    assert tccbench("log", "map", sound, "--write", mapped).exit_code == 0
    mapped.write_text(mapped.read_text().replace("[signal.turbine_rpm]", f"[signal.turbine_rpm]\nfactor = {factor}"))
    _refused(tccbench("log", "show", sound, "--map", mapped, "--out", tmp_path / "out"), "signal.turbine_rpm: factor")


@pytest.mark.parametrize("rate_hz", [20, 50])
@pytest.mark.parametrize("factor", [0.99, 1.01])
def test_a_shaft_scaled_wrong_is_not_late(recorded: Write, rate_hz: int, factor: float) -> None:
    """While speed changes some time brings a scaled shaft to the other, too."""
    wrong = _times(recorded("pukeko", "riverbed", "station", rate_hz=rate_hz), "turbine_rpm", factor)
    found = [one.text for one in take_apart(read_log(str(wrong))).findings if one.code == "shafts"]
    assert len(found) == 1
    assert "factor = " in found[0]


def test_a_late_shaft_is_not_scaled_wrong(recorded: Write) -> None:
    """Where speed only falls a late shaft keeps one ratio, nearly."""
    path = recorded("takahe", "switch_at_threshold", "allroad", rate_hz=20)
    rows = _rows(path)
    at = rows[0].index("turbine_rpm")
    late = [row[at] for row in rows[1:]]
    for row, value in zip(rows[1:], late[-2:] + late[:-2], strict=True):
        row[at] = value
    found = [one.text for one in take_apart(read_log(str(_put(path, rows)))).findings if one.code == "shafts"]
    assert not any("factor" in text for text in found)


@pytest.mark.parametrize("factor", [0.99, 0.997, 1.004])
def test_27_shaft_scaled_wrong(tccbench: Tccbench, sound: Path, tmp_path: Path, factor: float) -> None:
    held_s = take_apart(read_log(str(sound)), load_vehicle("pukeko")).summary.in_s
    wrong = _times(sound, "turbine_rpm", factor)
    found = [one.text for one in take_apart(read_log(str(wrong))).findings if one.code == "shafts"]
    assert len(found) == 1
    told = re.search(r"factor = ([\d.]+) under \[signal.turbine_rpm\]", found[0])
    assert told is not None
    assert float(told[1]) * factor == pytest.approx(1.0, abs=0.0005)
    # What it says puts it right.
    mapped = tmp_path / "m.toml"
    assert tccbench("log", "map", wrong, "--write", mapped).exit_code == 0
    mapped.write_text(mapped.read_text().replace("[signal.turbine_rpm]", f"[signal.turbine_rpm]\nfactor = {told[1]}"))
    mended = take_apart(read_log(str(wrong), str(mapped)), load_vehicle("pukeko"))
    assert "shafts" not in {one.code for one in mended.findings}
    assert mended.summary.in_s == pytest.approx(held_s, abs=1.0)


@pytest.mark.parametrize("rows", [1, 3, -1])
def test_28_shaft_at_another_time(tccbench: Tccbench, sound: Path, tmp_path: Path, rows: int) -> None:
    true = take_apart(read_log(str(sound)), load_vehicle("pukeko")).summary
    table = _rows(sound)
    at = table[0].index("turbine_rpm")
    column = [row[at] for row in table[1:]]
    for row, value in zip(table[1:], column[-rows:] + column[:-rows], strict=True):
        row[at] = value
    wrong = _put(sound, table)
    found = [one.text for one in take_apart(read_log(str(wrong))).findings if one.code == "shafts"]
    assert len(found) == 1
    told = re.search(r"late_s = (-?[\d.]+) under \[signal.turbine_rpm\]", found[0])
    assert told is not None
    assert float(told[1]) == pytest.approx(0.1 * rows, abs=0.021)
    mapped = tmp_path / "m.toml"
    assert tccbench("log", "map", wrong, "--write", mapped).exit_code == 0
    mapped.write_text(mapped.read_text().replace("[signal.turbine_rpm]", f"[signal.turbine_rpm]\nlate_s = {told[1]}"))
    mended = take_apart(read_log(str(wrong), str(mapped)), load_vehicle("pukeko"))
    assert "shafts" not in {one.code for one in mended.findings}
    assert mended.summary.in_s == pytest.approx(true.in_s, abs=1.5)
    assert len(mended.summary.engagements) == len(true.engagements)
    mapped.write_text(mapped.read_text().replace(f"late_s = {told[1]}", "late_s = 60"))
    _refused(tccbench("log", "show", wrong, "--map", mapped, "--out", tmp_path / "out"), "late_s")


@pytest.mark.parametrize(("late_s", "silent"), [(5.0, ["oil_temp_c"]), (-4.0, [])])
def test_a_slow_sensor_put_back_moves_nothing_else(
    tccbench: Tccbench, sound: Path, tmp_path: Path, late_s: float, silent: list[str]
) -> None:
    """Put back by 5 s the sensor says nothing of the last 5 s; 4 s at the beginning are less than a gap of its own."""
    true = take_apart(read_log(str(sound)), load_vehicle("pukeko"))
    mapped = tmp_path / "m.toml"
    assert tccbench("log", "map", sound, "--write", mapped).exit_code == 0
    mapped.write_text(mapped.read_text().replace("[signal.oil_temp_c]", f"[signal.oil_temp_c]\nlate_s = {late_s}"))
    shown = take_apart(read_log(str(sound), str(mapped)), load_vehicle("pukeko"))
    assert shown.summary.engagements
    assert shown.summary.engagements == true.summary.engagements
    assert shown.log.duration_s == true.log.duration_s
    oil, engine = (shown.log.readings[name] for name in ("oil_temp_c", "engine_rpm"))
    assert oil.time_s[0] == pytest.approx(true.log.readings["oil_temp_c"].time_s[0] - late_s)
    assert (engine.time_s == true.log.readings["engine_rpm"].time_s).all()
    assert [one.text.partition(":")[0] for one in shown.findings if one.code == "gap"] == silent


@pytest.mark.parametrize(("vehicle", "drive"), [("pukeko", "switch_at_threshold"), ("takahe", "hovering")])
def test_a_converter_that_never_holds_is_not_late(recorded: Write, vehicle: str, drive: str) -> None:
    """Its slip passes through nothing as the engine turns up and down."""
    assert "shafts" not in _codes(recorded(vehicle, drive, "as-built"), vehicle)


def test_a_steady_slip_of_an_open_converter_is_no_wrong_scale(recorded: Write) -> None:
    assert "shafts" not in _codes(recorded("takahe", "highway_trailer", "as-built"), "takahe")


def test_without_a_pedal_one_ratio_is_no_wrong_scale(sound: Path) -> None:
    scaled = _times(sound, "turbine_rpm", 0.99)
    assert "shafts" in _codes(scaled)
    rows = _rows(scaled)
    at = rows[0].index("throttle_pct")
    assert "shafts" not in _codes(_put(scaled, [row[:at] + row[at + 1 :] for row in rows]))


def _refused(result: Result, said: str) -> None:
    assert result.exit_code == 2, result.output
    lines = [line for line in result.stderr.splitlines() if line]
    assert len(lines) == 1, lines
    assert "Traceback" not in result.output
    assert said in lines[0], lines[0]
