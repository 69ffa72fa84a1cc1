"""The guard before hardware: an explicit switch, listening first, only declared identifiers, silence after an error."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from itertools import count
from pathlib import Path

import can
import pytest
from bench_parts import bench_of, ours
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

from bench.bus_session import on_line
from bench.cautions import CAUTIONS
from bench.main import main
from bus import open_bus as opening
from bus.binding import load_binding
from bus.candump import LogWriter, read_log
from bus.errors import BusError
from bus.faults import foreign_idents
from bus.frame import EXTENDED, Frame
from bus.hub import Hub
from bus.line import Line
from bus.nodes import ControllerNode, sends, serve_lock_step
from bus.open_bus import open_bus, parse_url
from bus.receive import Receiver
from controller.our_rules import OURS

BINDING = load_binding("powertrain", OURS)
_NUMBERS = count()


def fresh_url() -> str:
    return f"virtual:guard{next(_NUMBERS)}"


@pytest.mark.parametrize(
    ("url", "is_real"),
    [
        ("virtual:x", False),
        ("slcan:socket://127.0.0.1:29536", False),
        ("slcan:socket://10.0.0.7:29536", True),
        ("slcan:/dev/ttyACM0@115200", True),
        ("socketcan:vcan0", False),
        ("socketcan:can0", True),
        ("pcan:PCAN_USBBUS1", True),
    ],
)
def test_what_counts_as_real(url: str, is_real: bool) -> None:
    assert parse_url(url).is_real == is_real


@pytest.mark.parametrize("role", ["vehicle", "controller"])
def test_a_real_interface_needs_the_switch_and_shows_the_cautions(role: str) -> None:
    result = CliRunner().invoke(main, ["node", role, "--bus", "socketcan:can0"])
    assert result.exit_code == 2
    assert result.stderr.count("\n") == 1
    assert "add --send" in result.stderr
    for caution in CAUTIONS:
        assert caution in result.stderr


def real(monkeypatch: pytest.MonkeyPatch, url: str) -> None:
    monkeypatch.setattr(opening.BusUrl, "is_real", property(lambda _self: True))
    monkeypatch.setattr("bench.bus_session.LISTEN_REAL_S", 0.3)
    virtual = opening.parse_url(url)
    monkeypatch.setattr(opening, "parse_url", lambda _url: virtual._replace(interface="socketcan"))
    monkeypatch.setattr("bus.open_bus.open_bus", lambda _url: can.Bus(interface="virtual", channel=virtual.channel))


def test_a_real_interface_is_listened_to_first(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    url = fresh_url()
    real(monkeypatch, url)
    other = can.Bus(interface="virtual", channel=parse_url(url).channel)

    def talk() -> None:
        time.sleep(0.1)
        other.send(can.Message(arbitration_id=0x220, is_extended_id=False, data=bytes(8)))

    talker = threading.Thread(target=talk)
    talker.start()
    with pytest.raises(BusError, match="another node sends 220"), on_line(url, BINDING, "controller", True) as line:
        line.send(Frame(0x220, bytes(8)), 0)
    talker.join()
    assert other.recv(0) is None  # nothing was sent
    other.shutdown()
    shown = capsys.readouterr().err
    assert all(caution in shown for caution in CAUTIONS)


def test_a_quiet_real_interface_is_used_after_listening(monkeypatch: pytest.MonkeyPatch) -> None:
    url = fresh_url()
    real(monkeypatch, url)
    start = time.monotonic()
    with on_line(url, BINDING, "controller", True):
        assert time.monotonic() - start >= 0.3


@given(ident=st.integers(0, 0x7FF) | st.integers(0, 0x1FFFFFFF).map(lambda ident: ident | EXTENDED))
def test_only_declared_identifiers_leave(ident: int) -> None:
    sent: list[can.Message] = []

    class Spy:
        def send(self, message: can.Message) -> None:
            sent.append(message)

    line = Line(Spy(), sends(BINDING, "controller"))  # type: ignore[arg-type]  # only `send` is asked for
    if ident in sends(BINDING, "controller"):
        line.send(Frame(ident, bytes(8)), 0)
        assert len(sent) == 1
    else:
        with pytest.raises(BusError, match="refused to send"):
            line.send(Frame(ident, bytes(8)), 0)
        assert not sent


def test_roles_send_apart() -> None:
    assert not sends(BINDING, "vehicle") & sends(BINDING, "controller")
    assert not foreign_idents(BINDING) & sends(BINDING, "controller")


class Failing:
    """A controller that breaks at its third tick, or is interrupted there."""

    def __init__(self, error: Callable[[], BaseException]) -> None:
        self._own, self._left, self._error = ours(), 3, error
        self.rules = self._own.rules

    def tick(self, inputs: dict[str, int]) -> object:
        self._left -= 1
        if not self._left:
            raise self._error()
        return self._own.tick(inputs)._replace(duty_ppm=500_000, state=2)


@pytest.mark.parametrize("error", [KeyboardInterrupt, ZeroDivisionError, lambda: BusError("x")])
def test_any_error_announces_duty_0_and_falls_silent(error: Callable[[], BaseException]) -> None:
    with bench_of("powertrain", lambda: Failing(error)) as parts:
        node: ControllerNode = parts.controller
        inputs = {one.name: one.default for one in OURS.signals} | {
            "coolant_temp_dc": 800, "grade_permille": 0, "tyre_slip_permille": 0, "fuel_cut_on": 0,
        }  # fmt: skip
        for at_ms in range(0, 60, 10):
            parts.vehicle.send_tick(inputs | {"now_ms": at_ms})
        with pytest.raises(type(error())):
            serve_lock_step(node, 0.1)
        heard = parts.vehicle.line.drain(0)
        receiver = Receiver(parts.binding, "controller")
        duties = []
        for frame in heard:
            receiver.take(frame, 0)
            duties.append(receiver.value("duty_ppm"))
        assert duties == [500_000, 500_000, 0]


def test_the_vehicle_lets_go_when_commands_stop() -> None:
    with bench_of("powertrain") as parts:
        command = {"duty_ppm": 800_000, "state": 2, "reason": 0, "refusal": 0, "warnings": 0, "band": 1}
        parts.controller._announce(command, 0)
        for frame in parts.vehicle.line.drain(0):
            parts.vehicle.hear(frame, 0)
        assert parts.vehicle.decision(50, 0.0).duty == 0.8
        assert parts.vehicle.decision(60, 0.0) == (0.0, False, 0, 0, 0, 0)


def test_logs_are_read_back_by_python_can(tmp_path: Path) -> None:
    path = tmp_path / "bench.log"
    frames = [Frame(0x0A0, b"\x01\x02"), Frame(EXTENDED | 0x0CF00203, bytes(8)), Frame(0x7F0, b"")]
    with path.open("w") as file:
        log = LogWriter(file)
        for at, frame in enumerate(frames):
            log.note(frame, at * 10)
    assert [frame for _, frame in read_log(str(path))] == frames
    with can.LogReader(path) as reader:
        theirs = list(reader)
    assert [(one.arbitration_id, one.is_extended_id, bytes(one.data)) for one in theirs] == [
        (frame.ident & ~EXTENDED, bool(frame.ident & EXTENDED), frame.data) for frame in frames
    ]
    assert [one.timestamp for one in theirs] == [0.0, 0.01, 0.02]


def test_the_hub_serves_python_cans_own_serial_bus_too() -> None:
    hub = Hub()
    thread = threading.Thread(target=hub.serve)
    thread.start()
    try:
        channel = f"socket://127.0.0.1:{hub.port}"
        theirs = can.Bus(interface="slcan", channel=channel, sleep_after_open=0.1)
        mine = open_bus(f"slcan:{channel}")
        time.sleep(0.2)
        for message in (
            can.Message(arbitration_id=0x123, is_extended_id=False, data=b"\x01\x02\x03"),
            can.Message(arbitration_id=0x18FEF100, is_extended_id=True, data=bytes(range(8))),
        ):
            for source, sink in ((theirs, mine), (mine, theirs)):
                source.send(message)
                heard = sink.recv(2.0)
                assert heard is not None
                assert heard.equals(message, timestamp_delta=None, check_channel=False, check_direction=False)
        assert hub.frames == 4
        mine._socket.sendall(b"t12390\rt1\rTFFFFFFFF0\rnonsense\r" + b"x" * 500 + b"\rt1230\r")  # type: ignore[attr-defined]
        heard = theirs.recv(2.0)
        assert heard is not None
        assert (heard.arbitration_id, len(heard.data)) == (0x123, 0)
        assert hub.malformed == 3
        theirs.shutdown()
        mine.shutdown()
    finally:
        hub.stop()
        thread.join()


def test_a_port_in_use_is_one_line() -> None:
    hub = Hub()
    result = CliRunner().invoke(main, ["hub", "--port", str(hub.port)])
    assert result.exit_code == 2
    assert "give another port" in result.stderr
    thread = threading.Thread(target=hub.serve)
    thread.start()
    hub.stop()
    thread.join()
