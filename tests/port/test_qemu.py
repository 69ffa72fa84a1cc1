"""Starting an emulated board and ending it: a small program speaks for QEMU, so that each of its answers is known."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from controller.errors import UserError
from controller.port import qemu
from controller.port.qemu import BOARD_FILES, MACHINES, Board, board_text, build_firmware
from controller.port.toolchain import CORES

_GREETS = '{"QMP": {}}'
_KNOWS = '{"return": {}}'
_TOLD = '{"return": [{"label": "line", "filename": "disconnected:tcp:127.0.0.1:PORT,server=on"}]}'


@pytest.fixture
def started(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Any]:
    """Return what makes a board of a program that says one line after another, each to a line that it hears."""
    monkeypatch.setenv("PATH", f"{tmp_path}:/bin:/usr/bin")

    def start(*says: str, firmware: str = "x.elf", core: str = "m3", **given: int) -> Board:
        first, *others = says
        script = f"#!/bin/sh\necho $* > {tmp_path}/called\n{first}\n"
        script += "".join(f"read heard; echo $heard >> {tmp_path}/heard\n{one}\n" for one in others)
        program = tmp_path / "qemu-system-arm"
        program.write_text(script)
        program.chmod(0o755)
        return Board(Path(firmware), core, **given)

    return start


def _say(*lines: str) -> str:
    return "; ".join(f"echo '{line}'" for line in lines)


class _Line:
    """A serial line: what comes of each of its reads."""

    def __init__(self, reads: list[bytes | None]) -> None:
        self.reads, self.sent = reads, b""

    def __enter__(self) -> _Line:
        return self

    def __exit__(self, *_: object) -> None:
        return

    def sendall(self, data: bytes) -> None:
        self.sent += data

    def recv(self, _size: int) -> bytes:
        heard = self.reads.pop(0)
        if heard is None:
            raise TimeoutError
        return heard


def _connects(monkeypatch: pytest.MonkeyPatch, line: _Line | None) -> list[tuple[str, int]]:
    asked: list[tuple[str, int]] = []

    def connect(address: tuple[str, int], timeout: float) -> _Line:
        assert 0 < timeout < 10
        asked.append(address)
        if line is None:
            raise ConnectionRefusedError
        return line

    monkeypatch.setattr(qemu.socket, "create_connection", connect)
    return asked


_GOOD = (_say(_GREETS), _say('{"event": "RESUME"}', _KNOWS), _say(_TOLD.replace("PORT", "40123")) + "; read never")


def test_a_board_knows_its_port_from_the_emulator_and_answers(
    started: Any, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    asked = _connects(monkeypatch, _Line([b"\r"]))
    board = started(*_GOOD, firmware="some/x.elf")
    assert (board.port, board.url, asked) == (40_123, "slcan:socket://127.0.0.1:40123", [("127.0.0.1", 40_123)])
    assert (tmp_path / "heard").read_text() == '{"execute": "qmp_capabilities"}\n{"execute": "query-chardev"}\n'
    called = (tmp_path / "called").read_text()
    assert "-machine emcraft-sf2 -kernel some/x.elf -nodefaults -display none -monitor none" in called
    assert "socket,id=line,host=127.0.0.1,port=0,server=on,wait=off,nodelay=on" in called
    assert board.process.poll() is None
    board.close()
    assert board.process.poll() is not None


def test_a_port_and_a_core_may_be_asked_for(started: Any, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    _connects(monkeypatch, _Line([b"\r"]))
    started(*_GOOD, core="m4", port=4_711).close()
    called = (tmp_path / "called").read_text()
    assert "-machine mps2-an386 " in called
    assert ",port=4711," in called


def test_it_is_asked_sixty_times_before_it_counts_as_silent(started: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    line = _Line([None] * 59 + [b"\r"])
    _connects(monkeypatch, line)
    started(*_GOOD).close()
    assert line.sent == b"\r" * 60
    line = _Line([None] * 60 + [b"\r"])
    _connects(monkeypatch, line)
    with pytest.raises(UserError, match=r"^port: the firmware on qemu-system-arm does not answer on its serial line$"):
        started(*_GOOD)
    assert line.sent == b"\r" * 60


@pytest.mark.parametrize("line", [_Line([b""]), None])
def test_a_line_that_ends_or_refuses_is_no_answer(
    started: Any, monkeypatch: pytest.MonkeyPatch, line: _Line | None
) -> None:
    _connects(monkeypatch, line)
    with pytest.raises(UserError, match="does not answer on its serial line"):
        started(*_GOOD)


@pytest.mark.parametrize(
    ("says", "told"),
    [
        (["echo no such machine >&2; echo use another >&2; exit 1"], "no such machine"),
        (["exit 1"], "no message"),
        ([_say("what?")], "no message"),
        ([_say(_GREETS), "echo bad kernel >&2; exit 1"], "bad kernel"),
        ([_say(_GREETS), _say(_KNOWS), _say('{"return": []}')], "no message"),
        ([_say(_GREETS), _say(_KNOWS), _say('{"return": [{"label": "line", "filename": "unix:x"}]}')], "no message"),
    ],
)
def test_an_emulator_that_does_not_start_is_one_clear_line(started: Any, says: list[str], told: str) -> None:
    with pytest.raises(UserError) as error:
        started(*says)
    assert str(error.value) == f"port: qemu-system-arm did not start: {told}"


def test_no_emulator_is_one_clear_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(UserError, match=r"^port: qemu-system-arm is not installed \(package qemu-system-arm\)"):
        Board(Path("x.elf"), "m3")


@pytest.mark.parametrize("core", list(MACHINES))
def test_firmware_is_built_of_the_boards_own_sources_by_its_linker_script(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, core: str
) -> None:
    asked: list[Any] = []
    monkeypatch.setattr(qemu, "build_core", lambda *given: asked.append(given) or tmp_path)
    assert build_firmware(tmp_path, core, ("own.c",), "own.elf") == tmp_path
    own = {"m3": "sf2.c", "m4": "an386.c"}[core]
    sources = ("slcan.c", own, "cortex.c", "startup.c", "own.c")
    assert asked == [(tmp_path, CORES[core], sources, "own.elf", ["-g", "-T", "emulated.ld"])]
    assert {*sources[:-1], "emulated.ld"} <= set(BOARD_FILES)
    assert all(board_text(name).isascii() for name in BOARD_FILES)
