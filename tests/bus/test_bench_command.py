"""`tccbench bench` from the command line: verdicts, page, JUnit and log."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from pathlib import Path

import can
import pytest
from click.testing import CliRunner
from test_processes import SHORT, start, url  # noqa: F401 - the hub's fixture

from bench.main import main


def bench(out: Path, *arguments: str) -> tuple[int, str]:
    result = CliRunner().invoke(main, ["bench", "--out", str(out), *arguments])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result.exit_code, result.output


@pytest.fixture
def drive(tmp_path: Path) -> str:
    path = tmp_path / "short.toml"
    path.write_text(SHORT)
    return str(path)


def test_ours(tmp_path: Path, drive: str) -> None:
    out = tmp_path / "out"
    code, said = bench(out, "--drive", drive, "--fault", "stuck-brake")
    assert code == 0
    assert "equals the direct run, tick for tick" in said
    root = ET.parse(out / "junit.xml").getroot()
    counts = {suite.get("name"): (suite.get("tests"), suite.get("failures")) for suite in root}
    assert counts == {"drives": ("1", "0"), "faults": ("4", "0")}
    page = (out / "bench.html").read_text()
    assert "stuck-brake of DriverInputs in applied" in page
    assert "A simulation is not a road test" in page
    with can.LogReader(out / "bench.log") as reader:
        idents = {message.arbitration_id for message in reader}
    assert {0x0A0, 0x220, 0x7F0} <= idents


def test_two_runs_write_the_same_bytes(tmp_path: Path, drive: str) -> None:
    for name in ("one", "two"):
        bench(tmp_path / name, "--drive", drive, "--no-sweep")
    for file in ("bench.html", "junit.xml", "bench.log"):
        assert (tmp_path / "one" / file).read_bytes() == (tmp_path / "two" / file).read_bytes()


def test_an_external_device_over_the_hub(tmp_path: Path, drive: str, url: str) -> None:  # noqa: F811 - the fixture
    device = start("node", "controller", "--bus", url, "--stay")
    try:
        code, said = bench(tmp_path / "out", "--bus", url, "--device", "external", "--drive", drive,
                           "--fault", "stuck-brake", "--fault", "bus-off")  # fmt: skip
        assert code == 0, said
        assert "equals the direct run, tick for tick" in said
    finally:
        device.terminate()
        assert device.wait(10) == 130


def test_a_device_with_another_calibration_fails(tmp_path: Path, drive: str, url: str) -> None:  # noqa: F811
    device = start("node", "controller", "--bus", url, "--stay", "--calibration", "station_early")
    try:
        code, said = bench(tmp_path / "out", "--bus", url, "--device", "external", "--drive", drive, "--no-sweep")
        assert code == 1
        assert "differs from the direct run at" in said
        failures = ET.parse(tmp_path / "out" / "junit.xml").getroot().findall("*/testcase/failure")
        assert len(failures) == 1
    finally:
        device.terminate()
        device.wait(10)


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("--bus", "slcan:socket://127.0.0.1:1"), "--device ours needs virtual:NAME"),
        (("--device", "external"), "a virtual bus ends with this process"),
        (("--bus", "slcan:socket://127.0.0.1:1", "--device", "external", "--no-drives"), "nothing answers"),
    ],
)
def test_wrong_pairs_are_one_line(tmp_path: Path, arguments: tuple[str, ...], says: str) -> None:
    result = CliRunner().invoke(main, ["bench", "--out", str(tmp_path), *arguments])
    assert result.exit_code == 2
    assert says in result.stderr
    assert result.stderr.count("error:") == 1
