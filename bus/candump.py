"""Logs in candump's log format (`candump -L`), which python-can reads back."""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path
from typing import NamedTuple, TextIO

from bus.frame import EXTENDED, MOST_BYTES, Frame, ident_text
from controller.errors import UserError

CHANNEL = "bench0"

_LINE = re.compile(r"\((\d+)\.(\d{1,9})\) +(\S+) +([0-9A-Fa-f]+)#(R\d?|#[0-9A-Fa-f]*|[0-9A-Fa-f]*)( [RT])?\s*")


def line_of(frame: Frame, at_us: int, channel: str = CHANNEL) -> str:
    """Return the line of a frame at a time in microseconds."""
    seconds, us = divmod(at_us, 1_000_000)
    return f"({seconds}.{us:06d}) {channel} {ident_text(frame.ident)}#{frame.data.hex().upper()}\n"


class LogWriter:
    """Writes frames as they pass, stamped with the bench's own time."""

    def __init__(self, file: TextIO) -> None:
        self._write = file.write
        self.frames = 0

    def note(self, frame: Frame, now_ms: int) -> None:
        """Write one frame."""
        self.frames += 1
        self._write(line_of(frame, now_ms * 1000))


class WholeLines:
    """A log that survives a kill at any moment: each line goes to the operating system whole, as soon as it is there.

    `is_new` refuses a file that exists; otherwise lines are added to it. Raises `OSError` where that cannot be.
    """

    def __init__(self, path: str, is_new: bool) -> None:
        flags = os.O_WRONLY | os.O_CREAT | os.O_APPEND | (os.O_EXCL if is_new else 0)
        self._handle = os.open(path, flags | getattr(os, "O_CLOEXEC", 0), 0o644)
        self._path, self._is_new = path, is_new
        self.lines = 0

    def write(self, line: str) -> None:
        """Write one line. Raises `OSError`, having taken back what of the line did fit, where there is no room."""
        data = line.encode("ascii")
        done = 0
        try:
            while done < len(data):
                done += os.write(self._handle, data[done:])
        except OSError:
            with suppress(OSError):  # what is no ordinary file cannot be shortened
                os.ftruncate(self._handle, os.fstat(self._handle).st_size - done)
            raise
        self.lines += 1

    def close(self) -> None:
        """Close the log; one that was made here and holds nothing is taken away again."""
        os.close(self._handle)
        if self._is_new and not self.lines:
            Path(self._path).unlink(missing_ok=True)


class Tail(NamedTuple):
    """The end of a log: time of its last whole line in µs, and how many bytes of a cut line follow it."""

    last_us: int
    cut_bytes: int


_TAIL_BYTES = 4096


def tail_of(path: str) -> Tail | None:
    """Return the end of a log that is to be gone on with, None for an empty one.

    Raises `UserError` where the file is none, `OSError` where it cannot be read.
    """
    with open(path, "rb") as file:
        size = file.seek(0, os.SEEK_END)
        if not size:
            return None
        file.seek(max(size - _TAIL_BYTES, 0))
        whole, _, cut = file.read().rpartition(b"\n")
    last = whole.rpartition(b"\n")[2]
    match = _LINE.fullmatch(last.decode("ascii", errors="replace"))
    if match is None:
        raise UserError(f"{path}: does not end as a candump log does, so nothing is added to it; give another name")
    return Tail(_microseconds(match), len(cut))


class Logged(NamedTuple):
    """A frame of a log and its time since the log's first frame, microseconds."""

    at_us: int
    frame: Frame


def read_log(path: str, on_cut: Callable[[int], None] = lambda _row: None) -> Iterator[Logged]:
    """Yield the data frames of a log; remote and CAN FD frames are passed over.

    A last line without its end is left out, as even its data may be cut; `on_cut` is told its number. Raises
    `UserError` with file and row for the first line that is not of the format, for a time that runs backwards and for
    a log without a frame.
    """
    first_us = last_us = -1
    try:
        with Path(path).open(encoding="ascii") as file:
            for row, line in enumerate(file, start=1):
                if not line.strip():
                    continue
                if not line.endswith("\n"):
                    on_cut(row)
                    break
                at_us, frame = _parse(path, row, line)
                if at_us < last_us:
                    raise UserError(f"{path}: row {row}: time runs backwards; a log's times must not fall")
                first_us, last_us = (at_us if first_us < 0 else first_us), at_us
                if frame is not None:
                    yield Logged(at_us - first_us, frame)
    except OSError as error:
        raise UserError(f"{path}: cannot read this log: {error.strerror or error}") from None
    except UnicodeDecodeError:
        raise UserError(f"{path}: not a text log; record one with candump -L") from None
    if first_us < 0:
        raise UserError(f"{path}: this log holds no frame; record one with candump -L")


def _parse(path: str, row: int, line: str) -> tuple[int, Frame | None]:
    match = _LINE.fullmatch(line)
    if match is None:
        raise UserError(f"{path}: row {row}: not of the form (1.000000) can0 123#0011; record with candump -L")
    ident, data = match[4], match[5]
    at_us = _microseconds(match)
    if data.startswith(("R", "#")):
        return at_us, None
    if len(data) % 2 or len(data) > 2 * MOST_BYTES:
        raise UserError(f"{path}: row {row}: {len(data)} hexadecimal digits of data; a frame has up to 8 whole bytes")
    number = int(ident, 16)
    if len(ident) > 8 or (len(ident) > 3 and number >= EXTENDED) or (len(ident) <= 3 and number > 0x7FF):
        raise UserError(f"{path}: row {row}: identifier {ident} is out of range; 3 digits to 7FF or 8 to 1FFFFFFF")
    if len(ident) > 3 and number > 0x1FFFFFFF:
        return at_us, None  # candump marks error frames by a bit above the 29
    return at_us, Frame(number | (EXTENDED if len(ident) > 3 else 0), bytes.fromhex(data))


def _microseconds(match: re.Match[str]) -> int:
    return int(match[1]) * 1_000_000 + int(match[2].ljust(6, "0")[:6])
