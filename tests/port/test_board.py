"""The emulated board: the line firmware carries frames whole, through a serial port on loopback TCP."""

from __future__ import annotations

import shutil
import socket
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.errors import UserError
from controller.port.qemu import MACHINES, Board, build_firmware

_needs_qemu = pytest.mark.skipif(
    shutil.which("qemu-system-arm") is None, reason="needs QEMU: apt-get install qemu-system-arm"
)


@pytest.fixture(scope="module", params=list(MACHINES))
def core(request: pytest.FixtureRequest) -> str:
    return str(request.param)


@pytest.fixture(scope="module")
def firmware(folder: Path, core: str) -> Path:
    return build_firmware(folder / "board", core, ("line_test.c",), f"line_test_{core}.elf")


class _Line:
    def __init__(self, port: int) -> None:
        self.socket = socket.create_connection(("127.0.0.1", port), timeout=60)
        self.socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def ask(self, text: str, answer: str) -> str:
        self.socket.sendall(text.encode())
        return self.read(len(answer))

    def read(self, count: int) -> str:
        heard = b""
        while len(heard) < count:
            heard += self.socket.recv(count - len(heard))
        return heard.decode()


@pytest.fixture(scope="module")
def line(firmware: Path, core: str) -> Iterator[_Line]:
    with closing(Board(firmware, core)) as board:
        assert board.url == f"slcan:socket://127.0.0.1:{board.port}"
        line = _Line(board.port)
        yield line
        line.socket.close()


_DIALOGUE = [
    ("V\r", "V1010\r"), ("N\r", "N0000\r"), ("F\r", "F00\r"), ("S6\r", "\r"), ("\r", "\r"),
    ("t1230\r", "\a"),  # closed
    ("O\r", "\r"), ("t1230\r", "t1240\r"), ("t12320102\r", "t1242FEFD\r"), ("T1FFFFFFF0\r", "T000000000\r"),
    ("t7FF0\r", "t0000\r"), ("t1238ffffffffffffff00\r", "t124800000000000000FF\r"),
    ("T0CF0020381122334455667788\r", "T0CF002048EEDDCCBBAA998877\r"),
    ("t12390\r", "\a"), ("t1239000000000000000000\r", "\a"), ("t1232AA\r", "\a"), ("t1231AABB\r", "\a"),
    ("t8000\r", "\a"), ("T200000000\r", "\a"), ("t12G0\r", "\a"), ("t1231G0\r", "\a"), ("q\r", "\a"), ("t\r", "\a"),
    ("x" * 500 + "\r", "\a"), ("t1230\r", "t1240\r"), ("C\r", "\r"), ("t1230\r", "\a"), ("L\r", "\r"),
]  # fmt: skip  # a dialogue


@_needs_qemu
def test_the_line_speaks_the_serial_adapters_protocol(line: _Line) -> None:
    for said, answer in _DIALOGUE:
        assert (said, line.ask(said, answer)) == (said, answer)


@_needs_qemu
@settings(max_examples=60, deadline=None)
@given(st.text("tTOCVx0123456789ABCDEFabcdef\a \n", max_size=40))
def test_no_noise_stops_the_line(line: _Line, noise: str) -> None:
    line.socket.sendall(f"{noise}\rC\rO\r".encode())
    # Whatever the noise was answered with, an answer to what follows comes in the end.
    line.socket.sendall(b"t3210\r")
    heard = ""
    while not heard.endswith("t3220\r"):
        heard += line.read(1)


@_needs_qemu
def test_no_frame_is_lost(line: _Line) -> None:
    line.ask("C\r", "\r")
    line.ask("O\r", "\r")
    for burst in range(250):
        said = "".join(f"t{0x100 + at:03X}8{burst * 8 + at:016X}\r" for at in range(8))
        answer = "".join(f"t{0x101 + at:03X}8{(burst * 8 + at) ^ (2**64 - 1):016X}\r" for at in range(8))
        assert line.ask(said, answer) == answer


def test_a_machine_without_qemu_is_one_clear_line(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(UserError, match=r"qemu-system-arm is not installed"):
        Board(tmp_path / "x.elf", "m3")


@_needs_qemu
def test_firmware_that_is_none_is_one_clear_line(tmp_path: Path) -> None:
    with pytest.raises(UserError, match=r"did not start: .*x\.elf"):
        Board(tmp_path / "x.elf", "m3")
