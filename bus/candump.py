"""Logs in candump's log format (`candump -L`), which python-can reads back; stamped with the bench's own time."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple, TextIO

from bus.frame import EXTENDED, MOST_BYTES, Frame, ident_text
from controller.errors import UserError

CHANNEL = "bench0"

_LINE = re.compile(r"\((\d+)\.(\d{1,9})\) +(\S+) +([0-9A-Fa-f]+)#(R\d?|#[0-9A-Fa-f]*|[0-9A-Fa-f]*)( [RT])?\s*")


class LogWriter:
    """Writes frames as they pass."""

    def __init__(self, file: TextIO) -> None:
        self._write = file.write
        self.frames = 0

    def note(self, frame: Frame, now_ms: int) -> None:
        """Write one frame."""
        self.frames += 1
        seconds, ms = divmod(now_ms, 1000)
        self._write(f"({seconds}.{ms:03d}000) {CHANNEL} {ident_text(frame.ident)}#{frame.data.hex().upper()}\n")


class Logged(NamedTuple):
    """A frame of a log and its time since the log's first frame, microseconds."""

    at_us: int
    frame: Frame


def read_log(path: str) -> Iterator[Logged]:
    """Yield the data frames of a log; remote and CAN FD frames are passed over.

    Raises `UserError` with file and row for the first line that is not of the format, for a time that runs
    backwards and for a log without a frame.
    """
    first_us = last_us = -1
    try:
        with Path(path).open(encoding="ascii") as file:
            for row, line in enumerate(file, start=1):
                if not line.strip():
                    continue
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
    seconds, fraction, _, ident, data, _ = match.groups()
    at_us = int(seconds) * 1_000_000 + int(fraction.ljust(6, "0")[:6])
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
