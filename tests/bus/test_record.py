"""Recording from a bus: nothing is sent, stamps are right, and a kill at any moment leaves a log that can be read."""

from __future__ import annotations

import errno
import os
import signal
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from bench_parts import SHORT, start
from click.testing import CliRunner, Result

from bench.logs.can_frames import candump_frames
from bench.logs.source import Notes
from bench.main import main
from bus.binding import Binding, load_binding
from bus.candump import WholeLines, line_of, read_log, tail_of
from bus.clock import Stamps
from bus.errors import BusError
from bus.frame import EXTENDED, Frame
from bus.hub import Hub
from bus.known import PHASE_END, PHASE_SIGNAL, PHASE_START, PHASE_TICK, TIME_SIGNAL
from bus.line import Line
from bus.open_bus import open_bus
from bus.record import ByBenchTime, Recorder, Stamped
from bus.send import Sender
from controller.errors import UserError
from controller.our_rules import OURS

ENGINE, COMMAND, FOREIGN = Frame(0x0A0, bytes(8)), Frame(0x220, bytes(8)), Frame(0x555, b"\x01")


@pytest.fixture
def begin(hub: Hub) -> Iterator[Callable[..., subprocess.Popen[str]]]:
    """Start a command on the hub's bus; what is left of it at the end of the test is ended."""
    running: list[subprocess.Popen[str]] = []

    def on_the_hub(*arguments: str | Path) -> subprocess.Popen[str]:
        running.append(start(*map(str, arguments), "--bus", f"slcan:socket://127.0.0.1:{hub.port}"))
        return running[-1]

    yield on_the_hub
    for one in running:
        if one.poll() is None:
            one.kill()
        one.communicate(timeout=60)


def _until(is_so: Callable[[], bool], what: str) -> None:
    deadline = time.monotonic() + 30
    while not is_so():
        assert time.monotonic() < deadline, what
        time.sleep(0.01)


def _is_recorded(sender: Line, record: Path) -> bool:
    """Send until it is: the hub may have the recorder's connection, but not yet its wish to listen."""
    sender.send(ENGINE, 0)
    return record.exists() and record.stat().st_size > 0


def _tccbench(*arguments: object) -> Result:
    return CliRunner().invoke(main, [str(one) for one in arguments])


def test_a_killed_recorder_leaves_what_it_heard(begin: Any, hub: Hub, tmp_path: Path) -> None:
    """Of a drive of two processes: line for line what the vehicle's own log has, stamps and all, up to the kill."""
    own, record, drive = tmp_path / "own.log", tmp_path / "record.log", tmp_path / "drive.toml"
    drive.write_text(SHORT.replace("at_s = 40.0", "at_s = 60.0"))
    recorder = begin("log", "record", "--out", record, "--map", "powertrain")
    _until(lambda: hub.clients == 1, "the recorder has not come")
    controller = begin("node", "controller", "--wait", "20")
    vehicle = begin("node", "vehicle", "--drive", drive, "--log", own, "--wait", "20")
    _until(lambda: record.exists() and record.stat().st_size > 200_000, "nothing is recorded")
    recorder.send_signal(signal.SIGKILL)
    assert recorder.wait(timeout=60) == -signal.SIGKILL
    # Nobody else notices.
    said, complained = vehicle.communicate(timeout=60)
    assert (vehicle.returncode, complained) == (0, "")
    assert "0 lost, 0 refused, 0 garbled" in said
    assert controller.wait(timeout=60) == 0
    theirs = own.read_text().splitlines()
    mine = record.read_text()
    assert mine.endswith("\n")
    lines = mine.splitlines()
    first = lines.index(theirs[0])
    assert all(line.startswith("(0.000000)") for line in lines[:first])  # the start's messages
    assert lines[first:] == theirs[: len(lines) - first]
    assert 4000 < len(lines) < len(theirs)
    assert len(list(read_log(str(record)))) == len(lines)
    shown = _tccbench("log", "show", record, "--dbc", "powertrain", "--out", tmp_path / "out")
    assert shown.exit_code == 0, shown.output


def test_it_ends_with_the_drive(begin: Any, hub: Hub, tmp_path: Path) -> None:
    own, record, drive = tmp_path / "own.log", tmp_path / "record.log", tmp_path / "drive.toml"
    drive.write_text(SHORT.replace("at_s = 40.0", "at_s = 20.0"))
    recorder = begin("log", "record", "--out", record, "--map", "powertrain")
    _until(lambda: hub.clients == 1, "the recorder has not come")
    begin("node", "controller", "--wait", "20")
    begin("node", "vehicle", "--drive", drive, "--log", own, "--wait", "20").communicate(timeout=60)
    said, complained = recorder.communicate(timeout=60)
    assert recorder.returncode == 0
    assert "the drive is over" in said
    assert "stamped with the bench's time" in said
    assert complained.count("\n") == 1
    assert "every identifier is in the map" in said
    lines, theirs = record.read_text().splitlines(), own.read_text().splitlines()
    first = lines.index(theirs[0])
    # After the vehicle's last frame there is the controller's duty 0, which only a third party hears.
    assert lines[first : first + len(theirs)] == theirs
    assert [line.split()[2][:4] for line in lines[first + len(theirs) :]] == ["220#"]


@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM])
def test_a_request_to_stop_is_no_failure(begin: Any, hub: Hub, tmp_path: Path, how: signal.Signals) -> None:
    record = tmp_path / "record.log"
    recorder = begin("log", "record", "--out", record)
    _until(lambda: hub.clients == 1, "the recorder has not come")
    sender = Line(open_bus(f"slcan:socket://127.0.0.1:{hub.port}"), frozenset({ENGINE.ident}))
    _until(lambda: _is_recorded(sender, record), "nothing is recorded")
    recorder.send_signal(how)
    said, complained = recorder.communicate(timeout=60)
    sender.close()
    assert recorder.returncode == 0
    assert " frames of 1 identifiers" in said
    assert "stamped by the clock" in said
    assert {one.frame for one in read_log(str(record))} == {ENGINE}
    stamp_s = float(record.read_text()[1:].split(")")[0])
    assert abs(stamp_s - time.time()) < 30.0
    assert complained.count("\n") == 1


def test_a_hub_that_goes_is_told_and_the_log_kept(begin: Any, hub: Hub, tmp_path: Path) -> None:
    record = tmp_path / "record.log"
    recorder = begin("log", "record", "--out", record)
    _until(lambda: hub.clients == 1, "the recorder has not come")
    sender = Line(open_bus(f"slcan:socket://127.0.0.1:{hub.port}"), frozenset({ENGINE.ident}))
    _until(lambda: _is_recorded(sender, record), "nothing is recorded")
    hub.stop()
    _until(lambda: hub.clients == 0, "the hub is still there")
    _, complained = recorder.communicate(timeout=60)
    sender.close()
    assert recorder.returncode == 1
    assert (
        "stopped: the bus was lost: the line is closed by its other end; what came before is in the log" in complained
    )
    assert {one.frame for one in read_log(str(record))} == {ENGINE}


# Without processes ----------------------------------------------------------------------------------------------


class _Silent:
    """A bus on which nothing may be sent: what it hears is given."""

    def __init__(self, frames: list[Frame]) -> None:
        import can

        self._left = [can.Message(timestamp=0.0, arbitration_id=one.ident & ~EXTENDED, data=one.data,
                                  is_extended_id=bool(one.ident & EXTENDED)) for one in frames]  # fmt: skip

    def recv(self, _seconds: float) -> Any:
        return self._left.pop(0) if self._left else None

    def send(self, _message: Any) -> None:
        raise AssertionError("a recorder sends nothing")


@pytest.fixture
def binding() -> Binding:
    return load_binding("powertrain", OURS)


def _time(binding: Binding, at_ms: int, phase: int) -> Frame:
    assert binding.time_message is not None
    sender = Sender(binding.sent_by("vehicle"), binding.unused_bits)
    frame = sender.frame(binding.time_message.name, {TIME_SIGNAL: at_ms, PHASE_SIGNAL: phase})
    assert frame is not None
    return frame


def _record(path: Path, frames: list[Frame], stamping: ByBenchTime, after_us: int | None = None) -> Recorder:
    log = WholeLines(str(path), is_new=not path.exists())
    recorder = Recorder(Line(_Silent(frames), frozenset()), log, stamping, "bench0", after_us)  # type: ignore[arg-type]
    recorder.run(0.05, lambda: False, lambda: None)
    log.close()
    return recorder


def test_frames_of_a_tick_get_its_time(binding: Binding, tmp_path: Path) -> None:
    path = tmp_path / "record.log"
    first, second = _time(binding, 0, PHASE_TICK), _time(binding, 10, PHASE_TICK)
    begin, end = _time(binding, 0, PHASE_START), _time(binding, 10, PHASE_END)
    recorder = _record(path, [begin, COMMAND, ENGINE, first, COMMAND, ENGINE, FOREIGN, second, COMMAND, end, COMMAND],
                       ByBenchTime(binding, is_sure=True))  # fmt: skip
    assert recorder.ended == "the drive is over"
    stamps = [(round(float(line[1:].split(")")[0]) * 1000), line.split()[2].split("#")[0])
              for line in path.read_text().splitlines()]  # fmt: skip
    assert stamps == [(0, "7F0"), (0, "220"), (0, "0A0"), (0, "7F0"), (0, "220"), (10, "0A0"), (10, "555"),
                      (10, "7F0"), (10, "220"), (10, "7F0"), (10, "220")]  # fmt: skip


@pytest.mark.parametrize("again", [PHASE_START, PHASE_TICK])
def test_a_second_drive_is_not_joined(binding: Binding, tmp_path: Path, again: int) -> None:
    path = tmp_path / "record.log"
    frames = [_time(binding, 0, PHASE_TICK), _time(binding, 10, PHASE_TICK), _time(binding, 0, again)]
    recorder = _record(path, frames, ByBenchTime(binding, is_sure=False))
    assert recorder.ended.startswith("the vehicle started anew")
    assert recorder.frames == 2


def test_where_the_benchs_time_does_not_come(binding: Binding) -> None:
    unsure = ByBenchTime(binding, is_sure=False)
    assert unsure.take(ENGINE, 5_000_000) == []
    assert unsure.overdue(5_999_999) == []
    assert unsure.overdue(6_000_000) == [Stamped(5_000_000, ENGINE)]
    assert unsure.take(ENGINE, 6_500_000) == [Stamped(6_500_000, ENGINE)]
    assert unsure.words == "stamped by the clock"
    sure = ByBenchTime(binding, is_sure=True)
    sure.take(ENGINE, 5_000_000)
    with pytest.raises(BusError, match="give --clock real"):
        sure.overdue(6_000_000)


def test_what_waits_is_written_when_the_vehicle_stops(binding: Binding) -> None:
    stamping = ByBenchTime(binding, is_sure=True)
    stamping.take(_time(binding, 70, PHASE_TICK), 1_000_000)
    assert stamping.take(FOREIGN, 1_100_000) == []
    assert stamping.overdue(2_099_999) == []
    assert stamping.overdue(2_100_000) == [Stamped(70_000, FOREIGN)]


def test_stamps_by_arrival_never_fall(monkeypatch: pytest.MonkeyPatch) -> None:
    """The machine's clock is set back an hour while the recording runs; the driver's stamps follow it."""
    wall_ns, running_ns = [1_000_000_000_000_000_000], [7_000_000_000]
    monkeypatch.setattr(time, "time_ns", lambda: wall_ns[0])
    monkeypatch.setattr(time, "monotonic_ns", lambda: running_ns[0])
    stamps = Stamps()

    def after(ms: int, waited_ms: int) -> int:
        wall_ns[0] += ms * 1_000_000
        running_ns[0] += ms * 1_000_000
        return stamps.arrived_us((wall_ns[0] - waited_ms * 1_000_000) / 1e9)

    first = after(10, 0)
    assert after(10, 4) - first == pytest.approx(6_000, abs=2)
    before = after(10, 0)
    wall_ns[0] -= 3_600_000_000_000
    assert after(10, 0) - before == pytest.approx(10_000, abs=2)
    # A driver that counts from its own start says nothing of when it was.
    wall_ns[0] += 10_000_000
    running_ns[0] += 10_000_000
    assert stamps.arrived_us(12.5) - before == pytest.approx(20_000, abs=2)


def test_a_cut_at_every_byte_can_be_read(tmp_path: Path) -> None:
    whole, path = tmp_path / "whole.log", tmp_path / "cut.log"
    frames = [ENGINE, Frame(EXTENDED | 0x18FEF100, b"\x01\x02\x03"), COMMAND]
    whole.write_text("".join(line_of(frame, at * 10_000) for at, frame in enumerate(frames)))
    data = whole.read_bytes()
    ends = [at + 1 for at, one in enumerate(data) if one == ord("\n")]
    for size in range(ends[0], len(data) + 1):
        path.write_bytes(data[:size])
        cut: list[int] = []
        found = [one.frame for one in read_log(str(path), cut.append)]
        lines = sum(end <= size for end in ends)
        assert found == frames[:lines]
        assert cut == ([] if size in ends else [lines + 1])
        notes = Notes()
        blocks = list(candump_frames(str(path), notes, lambda _share: None))
        assert sum(len(one.time_s) for one in blocks) == lines
        assert [one.code for one in notes.findings] == ([] if size in ends else ["cut"])


def test_a_cut_log_is_gone_on_with(tmp_path: Path, binding: Binding) -> None:
    path = tmp_path / "record.log"
    path.write_bytes(b"(5.000000) bench0 0A0#00\n(6.500000) bench0 0A0#0011\n(7.0000")
    assert tail_of(str(path)) == (6_500_000, 7)
    result = _tccbench("log", "record", "--bus", "virtual:gone-on", "--seconds", "0.1", "--append", "--out", path)
    assert "ended in the middle of a line" in result.stderr
    assert path.read_bytes().endswith(b"0011\n")
    # The bench's time begins at 0 again: the new stamps follow the old ones.
    recorder = _record(path, [_time(binding, 0, PHASE_TICK), _time(binding, 10, PHASE_TICK)],
                       ByBenchTime(binding, is_sure=True), after_us=6_500_000)  # fmt: skip
    assert recorder.shifted_s == 7.5
    assert [one.at_us for one in read_log(str(path))] == [0, 1_500_000, 2_500_000, 2_510_000]
    path.write_text("title = 1\n")
    with pytest.raises(UserError, match="does not end as a candump log does"):
        tail_of(str(path))


def test_no_room_leaves_whole_lines(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "record.log"
    log = WholeLines(str(path), is_new=True)
    log.write(line_of(ENGINE, 0))
    real = os.write

    def scarce(handle: int, data: bytes) -> int:
        if len(data) < 20:
            raise OSError(errno.ENOSPC, "No space left on device")
        return real(handle, data[:15])

    monkeypatch.setattr(os, "write", scarce)
    with pytest.raises(OSError, match="No space"):
        log.write(line_of(ENGINE, 10_000))
    log.close()
    assert path.read_text() == line_of(ENGINE, 0)


def test_a_file_is_not_overwritten_unasked(tmp_path: Path) -> None:
    path = tmp_path / "record.log"
    path.write_text("mine\n")
    options = ("log", "record", "--bus", "virtual:kept", "--seconds", "0.1", "--out", path)
    for more, said in (((), "exists already; give another name, --append to go on with it, or --overwrite"),
                       (("--append",), "does not end as a candump log does"),
                       (("--append", "--overwrite"), "exclude each other")):  # fmt: skip
        result = _tccbench(*options, *more)
        assert result.exit_code == 2
        assert said in result.stderr
        assert result.stderr.count("\n") == 1
        assert path.read_text() == "mine\n"


def test_a_survey_says_where_a_log_is_cut(tmp_path: Path) -> None:
    path = tmp_path / "cut.log"
    path.write_text("".join(line_of(one, 0) for one in (ENGINE, FOREIGN)) + "(1.0")
    result = _tccbench("map", "log", "powertrain", path)
    assert result.exit_code == 1  # it has no message of the vehicle
    assert "the log is cut in the middle of line 3; read up to there" in result.stdout
    assert "not in the map: 555 (1 frames)" in result.stdout


def test_no_bus_replaces_no_file(tmp_path: Path) -> None:
    path = tmp_path / "record.log"
    path.write_text("mine\n")
    result = _tccbench("log", "record", "--bus", "slcan:socket://127.0.0.1:1", "--overwrite", "--out", path)
    assert result.exit_code == 2
    assert path.read_text() == "mine\n"
    result = _tccbench("log", "record", "--bus", "virtual:new", "--overwrite", "--seconds", "0.1", "--out", path)
    assert result.exit_code == 1
    assert not path.exists()


def test_nothing_heard_leaves_nothing(tmp_path: Path) -> None:
    path = tmp_path / "record.log"
    result = _tccbench("log", "record", "--bus", "virtual:still", "--seconds", "0.1", "--out", path)
    assert result.exit_code == 1
    assert "no frame was heard" in result.stderr
    assert "a virtual bus lives inside one process" in result.stderr
    assert not path.exists()


def test_foreign_identifiers_are_named(tmp_path: Path) -> None:
    path = tmp_path / "record.log"
    sender = Line(open_bus("virtual:mixed"), frozenset({ENGINE.ident, FOREIGN.ident}))
    stop = threading.Event()

    def send() -> None:
        while not stop.wait(0.02):
            sender.send(ENGINE, 0)
            sender.send(FOREIGN, 0)

    thread = threading.Thread(target=send)
    thread.start()
    try:
        result = _tccbench("log", "record", "--bus", "virtual:mixed", "--seconds", "0.3", "--map", "powertrain",
                           "--clock", "real", "--out", path)  # fmt: skip
    finally:
        stop.set()
        thread.join()
        sender.close()
    assert result.exit_code == 0, result.output
    assert "not in the map: 555 (" in result.stdout
    assert "0A0" not in result.stdout
    assert "never heard: RoadMotion, GearboxState, DriverInputs, Temperatures" in result.stdout
    assert {one.frame.ident for one in read_log(str(path))} == {0x0A0, 0x555}


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (("--bus", "nonsense"), "not a bus"),
        (("--bus", "slcan:socket://127.0.0.1:1"), "nothing answers at 127.0.0.1:1"),
        (("--bus", "socketcan:vcan77"), "there is no network interface vcan77"),
        (("--bus", "virtual:a", "--seconds", "0"), "0 is not a number from 0.1"),
        (("--bus", "virtual:a", "--map", "powertrian"), "did you mean 'powertrain'"),
        (("--bus", "virtual:a", "--clock", "lock-step"), "--clock lock-step needs --map"),
        (("--bus", "virtual:a", "--dbc", "x.dbc"), "--dbc needs --map"),
        (("--bus", "virtual:a", "--out", "/no/such/folder/x.log"), "no such file or directory"),
    ],
)
def test_wrong_input_is_one_line(tmp_path: Path, options: tuple[str, ...], said: str) -> None:
    path = tmp_path / "record.log"
    result = _tccbench("log", "record", "--out", path, *options)
    assert result.exit_code == 2
    assert said in result.stderr.lower() or said in result.stderr
    assert result.stderr.count("\n") == 1
    assert not path.exists()


def test_a_thousand_frames_of_another_kind_are_passed_over() -> None:
    import can

    class Foreign:
        left = 5000

        def recv(self, _seconds: float) -> Any:
            Foreign.left -= 1
            return can.Message(is_remote_frame=True) if Foreign.left >= 0 else None

    line = Line(Foreign(), frozenset())  # type: ignore[arg-type]
    assert line.wait(0.0, 0) is None
    assert line.garbled == 5000
