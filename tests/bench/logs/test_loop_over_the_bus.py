"""The loop of docs/logs.md as it is printed there: drive, record over the bus, show, fit, compare, drive, check."""

from __future__ import annotations

import json
import os
import re
import shlex
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

pytest.importorskip("can")
pytest.importorskip("cantools")
pytest.importorskip("scipy")

from bench.logs.reading import read_log
from sim.vehicle import Vehicle, load_vehicle

ROOT = Path(__file__).parents[3]
MAIN = (sys.executable, "-c", "from bench.main import main; main()")
GOES_ON = ("hub", "log record", "node controller")
"""Commands that have a terminal of their own: the next line is typed while they run."""

MOST_AGAIN = 4


def _section() -> str:
    text = (ROOT / "docs" / "logs.md").read_text()
    return text.split("## The whole loop, each step a command")[1].split("\n## ")[0]


def _free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


@pytest.fixture
def running() -> Iterator[list[subprocess.Popen[str]]]:
    """Processes that the example has started; what is left of them at the end of the test is ended."""
    found: list[subprocess.Popen[str]] = []
    yield found
    for one in found:
        if one.poll() is None:
            one.terminate()
        one.communicate(timeout=20)


def _hears(port: int) -> bool:
    with socket.socket() as one:
        return one.connect_ex(("127.0.0.1", port)) == 0


def _true(fitted: Vehicle) -> dict[str, float]:
    return {
        "oil_kj_per_k": fitted.file.heat.oil_kj_per_k,
        "oil_case_w_per_k": fitted.file.heat.oil_case_w_per_k,
        "oil_tank_w_per_k": fitted.file.heat.oil_tank_w_per_k,
    }


def _start(command: str, folder: Path) -> subprocess.Popen[str]:
    environment = os.environ | {"PYTHONPATH": os.pathsep.join([str(ROOT), os.environ.get("PYTHONPATH", "")])}
    return subprocess.Popen([*MAIN, *shlex.split(command)], cwd=folder, env=environment, text=True,
                            stdout=subprocess.PIPE, stderr=subprocess.PIPE)  # fmt: skip


def _run(command: str, folder: Path) -> tuple[int, str, str]:
    process = _start(command, folder)
    out, complained = process.communicate(timeout=300)
    return process.returncode, out, complained


def _begin(command: str, port: int, folder: Path, running: list[subprocess.Popen[str]]) -> None:
    """Start a command that goes on, and return once the next line may be typed."""
    process = _start(command, folder)
    running.append(process)
    deadline = time.monotonic() + 30.0
    while command.startswith("hub") and not _hears(port):
        assert time.monotonic() < deadline
        time.sleep(0.05)
    if command.startswith("log record"):
        # It says so once it is on the bus.
        assert process.stderr is not None
        assert process.stderr.readline().startswith("recording ")


def _hide(path: Path, lines: str) -> None:
    text = path.read_text()
    for line in lines.strip().splitlines():
        text, count = re.subn(rf"(?m)^{line.split(' = ')[0]} = .*$", line, text)
        assert count == 1, line
    path.write_text(text)


@pytest.mark.long
def test_the_loop_as_it_is_printed(tmp_path: Path, running: list[subprocess.Popen[str]]) -> None:
    section, port = _section(), _free_port()
    commands = re.findall(r"(?m)^tccbench (.*)$", section.replace("29540", str(port)))
    hidden = re.search(r"```toml\n(.*?)```", section, re.S)
    assert hidden
    said: dict[str, str] = {}
    begun: list[str] = []
    for command in commands:
        if command.startswith(GOES_ON):
            begun.append(command)
            _begin(command, port, tmp_path, running)
            continue
        code, out, complained = _run(command, tmp_path)
        for _ in range(MOST_AGAIN):
            if "fell silent" not in complained:
                break
            # This machine stood still for longer than a node waits for the other: driven again, from the recorder on.
            for process in running[-2:]:
                process.kill()
                process.wait()
            (tmp_path / begun[-2].partition("--out ")[2]).unlink(missing_ok=True)
            for again in begun[-2:]:
                _begin(again, port, tmp_path, running)
            code, out, complained = _run(command, tmp_path)
        assert code == 0, f"{command}: {complained}"
        said[command] = out
        print(f"$ tccbench {command}\n{out}")
        if command.startswith("init"):
            _hide(tmp_path / "theirs" / "my_vehicle.toml", hidden[1])
        elif command.startswith("node vehicle"):
            recorder, controller = running[-2:]
            ended, _ = recorder.communicate(timeout=30)
            print(ended)
            assert recorder.returncode == 0
            assert "the drive is over" in ended
            assert "every identifier is in the map" in ended
            assert controller.wait(timeout=30) == 0
    theirs, ours = load_vehicle(str(tmp_path / "theirs" / "my_vehicle.toml")), load_vehicle("pukeko")
    fitted = load_vehicle(str(tmp_path / "fitted" / "fitted.toml"))
    # What was hidden is found, where the file as it was is far off.
    for key, share in {"oil_kj_per_k": 0.05, "oil_case_w_per_k": 0.10, "oil_tank_w_per_k": 0.10}.items():
        true = _true(theirs)[key]
        assert _true(fitted)[key] == pytest.approx(true, rel=share)
        assert abs(_true(ours)[key] / true - 1.0) > 0.15
    table = fitted.file.converter.capacity_factor_rpm_per_sqrt_nm
    assert table == pytest.approx(theirs.file.converter.capacity_factor_rpm_per_sqrt_nm, rel=0.01)
    # The prediction holds, within the error that it names.
    checked = json.loads((tmp_path / "checked" / "check.json").read_text())
    oil = next(one for one in checked["errors"] if one["line"]["name"] == "oil_temp_c")
    assert oil["rmse"] <= 0.7
    compared = next(text for command, text in said.items() if command.startswith("compare"))
    peak = re.search(r"station: .*?oil peaks at ([\d.]+) ± ([\d.]+) °C", " ".join(compared.split()))
    assert peak
    shown = json.loads((tmp_path / "shown" / "log.json").read_text())
    assert len(shown["summary"]["engagements"]) == 7
    recorded_c = read_log(str(tmp_path / "drive2.log"), dbc="powertrain").readings["oil_temp_c"].value.max()
    assert abs(recorded_c - float(peak[1])) <= 2.0 * float(peak[2])
