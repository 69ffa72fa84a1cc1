"""Malformed DBC, map and log files and wrong bus URLs: one clear line each, exit code 2, no traceback."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner

from bench.main import main

EXAMPLES = Path("dbc_examples")
MAP = (EXAMPLES / "powertrain.toml").read_text().replace('"powertrain.dbc"', '"bus.dbc"')
DBC = (EXAMPLES / "powertrain.dbc").read_text()


def run(*arguments: str) -> tuple[int, str]:
    result = CliRunner().invoke(main, list(arguments))
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result.exit_code, result.stderr


def only_line(code_and_text: tuple[int, str]) -> str:
    code, text = code_and_text
    assert code == 2
    assert text.count("\n") == 1
    assert text.startswith("error: ")
    return text


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "is empty"),
        ("hello\nworld\n", "not a DBC file that can be read"),
        (DBC.replace("8 Vehicle", "eight Vehicle", 1), "not a DBC file that can be read"),
        (DBC.replace("BU_:", "BU_", 1), "not a DBC file that can be read"),
        ('VERSION ""\nBU_: A\n', "declares no message"),
        (DBC.replace("(0.25,0)", "(a quarter,0)", 1), "not a DBC file that can be read"),
    ],
)
def test_dbc(tmp_path: Path, text: str, says: str) -> None:
    path = tmp_path / "bus.dbc"
    path.write_text(text)
    line = only_line(run("map", "check", str(path), "powertrain"))
    assert str(path) in line
    assert says in line


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('title = "Powertrain', "title = Powertrain", "not valid TOML"),
        ("[message.EngineState]", "[message.EngineStat]", "no message 'EngineStat'; did you mean 'EngineState'"),
        ("length = 8", "length = 7", "length = 7, but the DBC says 8 bytes"),
        ("signal.engine_rpm", "signal.engine_speed", "no signal 'engine_speed' that the vehicle sends"),
        ('"EngineSpeed", scale = 0.25', '"EngineSped", scale = 0.25', "did you mean 'EngineSpeed'"),
        ('"EngineSpeed", scale = 0.25', '"EngineSpeed", scale = 0.5', "scale = 0.5, but the DBC says 0.25 rpm"),
        ('"RoadSpeed", scale = 0.01, per_unit = 100', '"RoadSpeed", scale = 0.01, per_unit = 10', "ours is 0 to 30000"),
        ("Reverse = -1", "Backward = -1", "no word 'Backward' for GearInUse"),
        ("None = 0, ", "", "no word for band_switch = 0"),
        ('signal.brake_on = { name = "BrakePedal", scale = 1 }\n', "", "brake_on is not bound"),
        ("profile = 1, data_id = 0x0A0", "profile = 1, data_ids = [1]", "profile 1 needs data_id"),
        ("profile = 1, data_id = 0x0A0", "profile = 4, data_id = 0x0A0", "profile"),
        ("period_ms = 10", "period_ms = 15", "multiple of 10"),
        ("timeout_ms = 200", "timeout_ms = 0", "timeout_ms"),
        ('id_mode = "both"', 'id_mode = "both", offset = 2', "shares bits with the protection's counter"),
    ],
)
def test_map(tmp_path: Path, old: str, new: str, says: str) -> None:
    assert old in MAP
    (tmp_path / "bus.dbc").write_text(DBC)
    path = tmp_path / "mine.toml"
    path.write_text(MAP.replace(old, new, 1))
    (tmp_path / "x.log").write_text("(1.0) can0 0A0#00\n")
    line = only_line(run("map", "log", str(path), str(tmp_path / "x.log")))
    assert str(path) in line
    assert says in line


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "holds no frame"),
        ("can0  0A0   [8]  00 11 22 33 44 55 66 77\n", "row 1: not of the form"),
        ("(1.000000) can0 0A0#00\n(0.500000) can0 0A0#00\n", "row 2: time runs backwards"),
        ("(1.000000) can0 0A0#0\n", "row 1: 1 hexadecimal digits"),
        ("(1.000000) can0 0A0#001122334455667788\n", "row 1: 18 hexadecimal digits"),
        ("(1.000000) can0 FFF#00\n", "row 1: identifier FFF is out of range"),
        ("(1.000000) can0 0A0#00\n(1.01) can0 0A\n", "row 2: not of the form"),
        ("(1,000000) can0 0A0#00\n", "row 1: not of the form"),
        ("\x00\x01\xff\xfe", "not a text log"),
    ],
)
def test_log(tmp_path: Path, text: str, says: str) -> None:
    path = tmp_path / "drive.log"
    path.write_bytes(text.encode("latin-1"))
    line = only_line(run("map", "log", "powertrain", str(path)))
    assert str(path) in line
    assert says in line


@pytest.mark.parametrize(
    ("url", "says"),
    [
        ("vcan0", "not a bus; write one of virtual:NAME"),
        ("socketcn:vcan0", "no interface 'socketcn'; did you mean 'socketcan'"),
        ("slcan:/dev/ttyNOWHERE@115200", "there is no device /dev/ttyNOWHERE"),
        ("slcan:socket://127.0.0.1:1", "nothing answers at 127.0.0.1:1"),
        ("slcan:socket://127.0.0.1", "the port 1 to 65535"),
        ("socketcan:vcan77", "vcan77"),
        ("virtual:x?bitrate=fast", "only ?bitrate="),
        ("slcan:socket://127.0.0.1:1?bitrate=123456", "nothing answers"),
    ],
)
def test_bus_url(url: str, says: str) -> None:
    line = only_line(run("node", "controller", "--bus", url, "--send"))
    assert url in line
    assert says in line


def test_missing_files(tmp_path: Path) -> None:
    assert "cannot read this DBC file" in only_line(run("map", "check", str(tmp_path / "no.dbc"), "powertrain"))
    assert "cannot read this map file" in only_line(run("map", "log", str(tmp_path / "no.toml"), "x.log"))
    assert "cannot read this log" in only_line(run("map", "log", "powertrain", str(tmp_path / "no.log")))
    assert "did you mean 'powertrain'" in only_line(run("map", "log", "powertrian", "x.log"))
    assert "did you mean 'drop'" in only_line(run("bench", "--fault", "drp", "--out", str(tmp_path)))


def test_a_cut_dbc_lacks_messages(tmp_path: Path) -> None:
    """The parser takes a cut file for a shorter one; the binding does not."""
    (tmp_path / "bus.dbc").write_text(DBC[: DBC.index("[0|16383]") + 4])
    (tmp_path / "mine.toml").write_text(MAP)
    line = only_line(run("map", "log", str(tmp_path / "mine.toml"), "x.log"))
    assert "message" in line
    assert "has no signal 'EngineSpeed'" in line


def test_a_bad_map_is_told_check_by_check(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(MAP.replace("scale = 0.25", "scale = 0.5").replace("length = 8", "length = 6", 1))
    dbc = tmp_path / "bus.dbc"
    dbc.write_text(DBC)
    result = CliRunner().invoke(main, ["map", "check", str(dbc), str(path)])
    assert result.exit_code == 1
    assert "length = 6, but the DBC says 8 bytes" in result.output.replace("\n", " ")
    assert "bad" in result.output


def test_the_examples_are_good() -> None:
    for name in ("powertrain", "j1939"):
        result = CliRunner().invoke(main, ["map", "check", f"dbc_examples/{name}.dbc", name])
        assert result.exit_code == 0
        assert "the map can be used" in result.output
