"""Every kind of device on the bench: the same frames as our own controller, and the record of it."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from threading import Thread

import pytest
from bench_parts import SHORT
from click.testing import CliRunner
from device_parts import IMAGE, POWERTRAIN, duty

from bench.main import main
from bus.beside import Beside
from bus.device.choice import Choice
from bus.device.running import BoardDevice, HostDevice, start_device
from bus.errors import BusError
from bus.frame import Frame
from bus.hub import listen
from bus.known import PHASE_SIGNAL, TIME_SIGNAL
from bus.send import Sender
from controller.errors import UserError
from controller.port.signature import layout_signature
from controller.step import Command

BRIEF = SHORT.replace("at_s = 12.0", "at_s = 7.0").replace("at_s = 40.0", "at_s = 8.0")
_needs_qemu = pytest.mark.skipif(
    shutil.which("qemu-system-arm") is None, reason="needs QEMU: apt-get install qemu-system-arm"
)
KINDS = [("core", "m4"), pytest.param("core", "m0+", marks=pytest.mark.long),
         pytest.param("board", "m3", marks=_needs_qemu),
         pytest.param("board", "m4", marks=(_needs_qemu, pytest.mark.long))]  # fmt: skip
ROOT = str(Path(__file__).parents[3])


@pytest.fixture
def drive(tmp_path: Path) -> str:
    path = tmp_path / "brief.toml"
    path.write_text(BRIEF)
    return str(path)


def bench(out: Path, *arguments: str) -> tuple[int, str]:
    result = CliRunner().invoke(main, ["bench", "--out", str(out), *arguments])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result.exit_code, result.output


def _of(kind: str, core: str | None) -> list[str]:
    return ["--device", kind, *(["--core", core] if core else [])]


@contextmanager
def started(*arguments: str) -> Iterator[tuple[subprocess.Popen[str], str, str]]:
    """Run `tccbench device start` and give it, its URL and what it said before."""
    process = subprocess.Popen(
        [sys.executable, "-c", "from bench.main import main; main()", "device", "start", *arguments],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=os.environ | {"PYTHONPATH": ROOT},
    )  # fmt: skip  # a command line
    try:
        assert process.stdout is not None
        said = ""
        while "device on " not in said:
            line = process.stdout.readline()
            assert line, process.communicate()
            said += line
        yield process, said.split("device on ")[1].split(";")[0], said
    finally:
        process.terminate()
        process.communicate(timeout=60)


@pytest.mark.parametrize(("kind", "core"), KINDS)
def test_a_drive_gives_our_own_controllers_frames(tmp_path: Path, drive: str, kind: str, core: str | None) -> None:
    code, said = bench(tmp_path, *_of(kind, core), "--drive", drive, "--no-sweep")
    assert code == 0, said
    assert "equals the direct run, tick for tick" in said
    assert "800 command frames equal our own controller's, byte for byte and tick for tick" in said
    record = (tmp_path / "conformity.html").read_text()
    assert f"signature {layout_signature(POWERTRAIN.rules):08X}" in record
    assert "drives or faults were left out" in record


def test_two_runs_write_the_same_bytes(tmp_path: Path, drive: str) -> None:
    for name in ("one", "two"):
        code, said = bench(tmp_path / name, "--device", "host", "--drive", drive, "--no-sweep")
        assert code == 0, said
        assert "800 command frames equal our own controller's, byte for byte and tick for tick" in said
    for file in ("conformity.html", "bench.html", "junit.xml", "bench.log"):
        assert (tmp_path / "one" / file).read_bytes() == (tmp_path / "two" / file).read_bytes()


def test_the_record_holds_what_was_run(tmp_path: Path, drive: str) -> None:
    code, said = bench(tmp_path, "--device", "host", "--drive", drive, "--fault", "stuck-brake")
    assert code == 0, said
    record = (tmp_path / "conformity.html").read_text()
    for text in ("Conforms in every drive and every fault case", "host, a program of this machine", "CRC-32",
                 "DBC, SHA-256", "cantools", "C compiler", "stuck-brake of DriverInputs in applied", "Released by",
                 "A simulation is not a road test",
                 "<dt>Frames lost, refused in drives</dt><dd>0, 0</dd>"):  # fmt: skip
        assert text in record
    assert "<script" not in record
    assert "http" not in record.replace("http-equiv", "")


def test_rules_and_a_map_of_a_users_own(tmp_path: Path, drive: str) -> None:
    examples = Path(ROOT) / "dbc_examples"
    (tmp_path / "own.dbc").write_text((examples / "powertrain.dbc").read_text())
    text = (examples / "powertrain.toml").read_text().replace('"powertrain.dbc"', '"other.dbc"')
    (tmp_path / "own.toml").write_text(
        text.replace("\n[message.", "\n[constant]\ngrade_permille = 150\n\n[message.", 1)
    )
    rules = str(Path(ROOT) / "tests" / "port" / "own_rules.py")
    code, said = bench(tmp_path, "--device", "host", "--rules", rules, "--map", str(tmp_path / "own.toml"), "--dbc",
                       str(tmp_path / "own.dbc"), "--drive", drive, "--no-sweep")  # fmt: skip
    assert code == 0, said
    assert "800 command frames equal our own controller's" in said
    record = (tmp_path / "conformity.html").read_text()
    assert "own, version 1, signature" in record
    assert "Rules file, SHA-256" in record


def test_a_device_by_its_url_alone(tmp_path: Path, drive: str) -> None:
    with started("--kind", "host", "--keep", str(tmp_path / "kept")) as (process, url, said):
        assert "kind: host, a program of this machine" in said
        assert "calibration: station, CRC-32 " in said
        code, told = bench(tmp_path / "out", "--device", "external", "--bus", url, "--drive", drive, "--no-sweep",
                           "--describe", "board 7 <on the desk>")  # fmt: skip
        assert code == 0, told
        record = (tmp_path / "out" / "conformity.html").read_text()
        assert f"external, on {url}: board 7 &lt;on the desk&gt;" in record
        assert "C compiler" not in record
        process.send_signal(signal.SIGTERM)
        _, complained = process.communicate(timeout=60)
        assert (process.returncode, complained) == (130, "stopped: the device is off\n")
    assert (tmp_path / "kept" / "can_map.c").exists()
    # Nothing answers any more: the child has ended with its starter.
    code, told = bench(tmp_path / "out", "--device", "external", "--bus", url, "--no-sweep", "--drive", drive)
    assert code == 2
    assert "nothing answers" in told


def test_a_device_with_another_calibration_fails_by_its_frames(tmp_path: Path, drive: str) -> None:
    with started("--kind", "core", "--calibration", "station_early") as (_, url, _said):
        code, said = bench(tmp_path, "--device", "external", "--bus", url, "--drive", drive, "--no-sweep")
    assert code == 1
    assert "differs from the direct run at" in said
    assert "command frames differ from our own controller's; the first at " in said
    assert "Does not conform" in (tmp_path / "conformity.html").read_text()


def test_a_bad_image_is_told_in_one_line_and_the_bench_sees_no_hold(tmp_path: Path, drive: str) -> None:
    image = tmp_path / "bad.bin"
    image.write_bytes(IMAGE[:40] + bytes([IMAGE[40] ^ 1]) + IMAGE[41:])
    with started("--kind", "host", "--image", str(image)) as (process, url, said):
        assert f"calibration: {image}, refused" in said
        code, told = bench(tmp_path, "--device", "external", "--bus", url, "--drive", drive, "--no-sweep")
        assert code == 1
        assert "command frames differ from our own controller's; the first at " in told
        process.terminate()
        _, complained = process.communicate(timeout=60)
    assert complained.startswith(f"error: {image}: its checksum does not match")
    assert complained.splitlines()[0].endswith("; the duty stays 0")
    assert complained.count("\n") == 2
    log = (tmp_path / "bench.log").read_text()
    commands = [bytes.fromhex(text.removeprefix("220#")) for text in log.split() if text.startswith("220#")]
    assert len(commands) == 800
    assert {duty(data) for data in commands} == {0}


def test_a_process_that_ends_by_itself_is_one_clear_line(tmp_path: Path) -> None:
    with start_device(Choice.checked("host", None), POWERTRAIN, IMAGE, tmp_path) as device:
        heard: list[str] = []

        def serve() -> None:
            with pytest.raises(BusError) as caught:
                device.serve()
            heard.append(str(caught.value))

        thread = Thread(target=serve)
        thread.start()
        os.kill(device.process.pid, signal.SIGKILL)  # type: ignore[attr-defined]  # this kind is a process
        thread.join(10)
    assert heard == ["the device's process has ended by itself, exit code -9"]


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("device", "start", "--kind", "host", "--core", "m4"), "--core: host runs on this machine's own core"),
        (("device", "start", "--kind", "board", "--core", "m0+"), "no emulated board has this core, they have m4, m3"),
        (("device", "start", "--image", "none.bin"), "--image none.bin: no such file"),
        (("bench", "--core", "m4"), "only --device core and board have one"),
        (("bench", "--describe", "x"), "--describe: only of an external device"),
    ],
)
def test_what_does_not_go_together_is_one_line(arguments: tuple[str, ...], says: str) -> None:
    result = CliRunner().invoke(main, arguments)
    assert result.exit_code == 2
    assert says in result.stderr
    assert result.stderr.count("\n") == 1


def test_a_port_that_is_taken_is_one_clear_line(tmp_path: Path) -> None:
    with listen(0) as taken:
        port = taken.getsockname()[1]
        with pytest.raises(UserError, match=rf"^--port {port}: cannot be used \(Address already in use\)"):
            HostDevice(tmp_path / "any", port)
        if shutil.which("qemu-system-arm"):
            with pytest.raises(UserError, match=r"did not start: .*Address already in use"):
                BoardDevice(tmp_path / "any", "m3", port)


def test_the_comparison_can_fail() -> None:
    class Still:
        rules, calibration = POWERTRAIN.rules, None

        def tick(self, _inputs: object) -> Command:
            return Command(0, 0, 1, 2, 0, 0)

    beside = Beside(POWERTRAIN, Still)
    vehicle = Sender(POWERTRAIN.sent_by("vehicle"), 0)
    device = Sender(POWERTRAIN.sent_by("controller"), 0)
    right = {"duty_ppm": 0, "state": 0, "reason": 1, "refusal": 2, "warnings": 0, "band": 0}
    for at, command in enumerate((right, right, right | {"reason": 2}, right)):
        frame = vehicle.frame("BenchTime", {TIME_SIGNAL: 10 * at, PHASE_SIGNAL: 1})
        assert frame is not None
        beside.hear(frame)
        answer = device.frame("HoldCommand", command)
        assert isinstance(answer, Frame)
        beside.compare(answer, 10 * at)
    compared = beside.take()
    assert (compared.frames, compared.differing) == (4, 1)
    assert compared.first.startswith("at 0.02 s 220#")
    assert beside.take() == (0, 0, "")


@pytest.mark.long
@pytest.mark.parametrize("map_name", ["powertrain", "j1939"])
@pytest.mark.parametrize(("kind", "core"), [("host", None), ("core", "m4"), ("core", "m0+"),
                                            pytest.param("board", "m3", marks=_needs_qemu)])  # fmt: skip
def test_every_drive_and_every_fault(tmp_path: Path, kind: str, core: str | None, map_name: str) -> None:
    code, said = bench(tmp_path, *_of(kind, core), "--map", map_name)
    print(said)
    assert code == 0
    assert "11 drives over the bus: as expected" in said
    assert "command frames equal our own controller's" in said
    assert "0 failed" in said


@pytest.mark.long
@pytest.mark.parametrize(
    ("kind", "core"), [("host", None), ("core", "m4"), pytest.param("board", "m3", marks=_needs_qemu)]
)
def test_free_running_in_real_time(tmp_path: Path, drive: str, kind: str, core: str | None) -> None:
    code, said = bench(tmp_path, *_of(kind, core), "--clock", "real", "--drive", drive, "--fault", "stuck-brake")
    print(said)
    assert code == 0
    assert "the clutch as the rules have it" in said
