"""Two processes over the loopback hub: lock-step, no lost frame, identical logs, and a clear end when one dies."""

from __future__ import annotations

import signal
import subprocess
import time
from pathlib import Path

import pytest
from bench_parts import SHORT, start

from bus.candump import read_log
from bus.hub import Hub


@pytest.fixture
def url(hub: Hub) -> str:
    return f"slcan:socket://127.0.0.1:{hub.port}"


@pytest.fixture
def drive(tmp_path: Path) -> str:
    path = tmp_path / "short.toml"
    path.write_text(SHORT)
    return str(path)


def pair(url: str, drive: str, log: Path, *more: str) -> tuple[subprocess.Popen[str], subprocess.Popen[str]]:
    controller = start("node", "controller", "--bus", url, *more)
    return start("node", "vehicle", "--bus", url, "--drive", drive, "--log", str(log), *more), controller


@pytest.mark.parametrize("map_name", ["powertrain", "j1939"])
def test_whole_drive_without_a_lost_frame_and_twice_the_same(
    url: str, drive: str, tmp_path: Path, map_name: str
) -> None:
    logs = []
    for run in ("one", "two"):
        log = tmp_path / f"{run}.log"
        vehicle, controller = pair(url, drive, log, "--map", map_name)
        said, complained = vehicle.communicate(timeout=60)
        assert (vehicle.returncode, complained) == (0, "")
        assert "0 lost, 0 refused, 0 garbled" in said
        said, complained = controller.communicate(timeout=60)
        assert (controller.returncode, complained) == (0, "")
        assert "ended its drive at 39.99 s; the duty is 0" in said
        assert "0 lost, 0 refused, 0 garbled" in said
        logs.append(log.read_bytes())
    assert logs[0] == logs[1]
    # 4000 ticks: each closes with the bench's time, and each has its command.
    idents = [frame.ident for _, frame in read_log(str(tmp_path / "one.log"))]
    command = 0x220 if map_name == "powertrain" else 0x98FF1127
    assert idents.count(command) == 4000


@pytest.mark.parametrize("moment_s", [pytest.param(0.05, marks=pytest.mark.long), 0.4,
                                      pytest.param(0.8, marks=pytest.mark.long)])  # fmt: skip
@pytest.mark.parametrize("victim", ["vehicle", "controller"])
@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGINT, pytest.param(signal.SIGTERM, marks=pytest.mark.long)])
def test_the_end_of_one_ends_the_other(
    url: str, drive: str, tmp_path: Path, victim: str, moment_s: float, how: signal.Signals
) -> None:
    log = tmp_path / "killed.log"
    vehicle, controller = pair(url, drive, log)
    deadline = time.monotonic() + 20
    while not (log.exists() and log.stat().st_size) and time.monotonic() < deadline:
        time.sleep(0.02)
    time.sleep(moment_s)
    killed, other = (vehicle, controller) if victim == "vehicle" else (controller, vehicle)
    killed.send_signal(how)
    at = time.monotonic()
    assert other.stderr is not None
    complained = other.stderr.readline()
    # The node has stopped and left the bus; what follows is the interpreter taking itself down.
    took_s = time.monotonic() - at
    said, more = other.communicate(timeout=60)
    complained += more
    print(f"{victim} ended by {how.name}: line after {took_s:.2f} s, process gone after {time.monotonic() - at:.2f} s")
    killed.communicate(timeout=60)
    # The limit of 0.4 s and the room that a busy machine needs; the line above tells what it took.
    assert took_s <= 5.0
    assert other.returncode == 1
    assert complained.startswith(f"stopped: the {victim} fell silent at ")
    assert complained.endswith("of the drive; the duty is 0\n")
    assert complained.count("\n") == 1
    if victim == "vehicle":
        assert "Traceback" not in said
    if how is not signal.SIGKILL:
        assert killed.returncode == 130


def test_a_second_vehicle_is_refused_before_it_sends(url: str, drive: str, tmp_path: Path) -> None:
    vehicle, controller = pair(url, drive, tmp_path / "first.log", "--clock", "real")
    deadline = time.monotonic() + 20
    while not (tmp_path / "first.log").exists() and time.monotonic() < deadline:
        time.sleep(0.05)
    time.sleep(1.0)
    second = start("node", "vehicle", "--bus", url, "--drive", drive)
    _, complained = second.communicate(timeout=60)
    assert second.returncode == 1
    assert complained.startswith("stopped: another node sends ")
    vehicle.send_signal(signal.SIGINT)
    vehicle.communicate(timeout=60)
    _, complained = controller.communicate(timeout=60)
    assert complained.startswith("stopped: the vehicle fell silent")


def test_real_time_reports_its_lateness(url: str, tmp_path: Path) -> None:
    path = tmp_path / "brief.toml"
    path.write_text(SHORT.replace("at_s = 12.0", "at_s = 1.0").replace("at_s = 40.0", "at_s = 2.0"))
    vehicle, controller = pair(url, str(path), tmp_path / "real.log", "--clock", "real")
    said, complained = vehicle.communicate(timeout=60)
    assert (vehicle.returncode, complained) == (0, "")
    assert "lateness of " in said
    said, _ = controller.communicate(timeout=60)
    assert controller.returncode == 0
    assert "lateness of " in said


def test_nobody_there_is_one_line(url: str, drive: str) -> None:
    for role, text in (("vehicle", "no controller answered within 0.5 s"), ("controller", "no vehicle started within")):
        extra = ("--drive", drive) if role == "vehicle" else ()
        lonely = start("node", role, "--bus", url, "--wait", "0.5", *extra)
        _, complained = lonely.communicate(timeout=60)
        assert lonely.returncode == 1
        assert complained.startswith(f"stopped: {text}")
        assert complained.count("\n") == 1
