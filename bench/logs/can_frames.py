"""Frames of a CAN recording: candump text in its log (-L) and its screen format, and what python-can reads."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import numpy as np

from bench.logs.findings import LogFinding, times
from bench.logs.source import Array, Notes, Progress
from controller.errors import UserError

EXTENDED = 1 << 31
"""Set in an identifier of 29 bits, as Linux does."""

BLOCK_FRAMES = 200_000
LIBRARY_ENDINGS = (".asc", ".blf", ".trc")
"""Recordings that python-can reads."""

_LOG = re.compile(r"\s*\((\d+\.\d+)\)\s+(\S+)\s+([0-9A-Fa-f]{3}|[0-9A-Fa-f]{8})#([0-9A-Fa-f]*)(?:\s+[RT])?\s*$")
_SCREEN = re.compile(
    r"\s*\((\d+\.\d+)\)\s+(\S+)\s+(?:[RT]X\s+\S+\s+)?([0-9A-Fa-f]{3}|[0-9A-Fa-f]{8})\s+\[(\d+)\]"
    r"((?:\s+[0-9A-Fa-f]{2})*)\s*(?:'.*)?$"
)
_UNTIMED = re.compile(r"\s*\S+\s+([0-9A-Fa-f]{3}|[0-9A-Fa-f]{8})(#[0-9A-Fa-f]+|\s+\[\d+\](\s+[0-9A-Fa-f]{2})+)\s*$")


class Frames(NamedTuple):
    """Frames in the order of their file: seconds, identifiers (with `EXTENDED`), lengths, bytes (frames, 8)."""

    time_s: Array
    ident: np.ndarray[tuple[int, ...], np.dtype[np.int64]]
    length: np.ndarray[tuple[int, ...], np.dtype[np.int64]]
    data: np.ndarray[tuple[int, ...], np.dtype[np.uint8]]


def looks_like_candump(head: str) -> bool:
    """Tell whether the first lines of a text are candump's."""
    lines = [line for line in head.splitlines() if line.strip()][:20]
    return sum(bool(_LOG.match(line) or _SCREEN.match(line)) for line in lines) * 2 > len(lines)


def without_time(head: str) -> bool:
    """Tell whether the first lines are frames that carry no time."""
    lines = [line for line in head.splitlines() if line.strip()][:20]
    return bool(lines) and all(_UNTIMED.match(line) for line in lines)


def candump_frames(path: str, notes: Notes, progress: Progress) -> Iterator[Frames]:
    """Yield the frames of a candump text in blocks. Lines that are none are counted and named in `notes`."""
    size, done = max(Path(path).stat().st_size, 1), 0
    block = _Block()
    strange, first_strange = 0, 0
    with open(path, encoding="ascii", errors="replace") as file:
        for number, line in enumerate(file, start=1):
            done += len(line)
            is_whole = line.endswith("\n")
            found = _LOG.match(line)
            if found:
                _, hexa = found[2], found[4]
                whole = len(hexa) % 2 == 0 and len(hexa) <= 16
            else:
                found = _SCREEN.match(line)
                hexa = "".join(found[5].split()) if found else ""
                whole = bool(found) and len(hexa) == 2 * int(found[4]) and len(hexa) <= 16 if found else False
            if not is_whole and line.strip():
                # Even a line that reads well may have lost the end of its data.
                notes.findings.append(LogFinding("cut", "note", f"the file is cut in the middle of line {number}; "
                                                 "read up to there"))  # fmt: skip
                continue
            if not found or not whole:
                if line.strip():
                    strange += 1
                    first_strange = first_strange or number
                continue
            ident = int(found[3], 16) | (EXTENDED if len(found[3]) == 8 else 0)
            block.add(float(found[1]), ident, bytes.fromhex(hexa))
            if len(block.time_s) >= BLOCK_FRAMES:
                notes.rows += len(block.time_s)
                progress(done / size)
                yield block.frames()
                block = _Block()
    if strange:
        notes.findings.append(LogFinding("rows", "note", f"{times(strange, 'line')} that are no frame, first line "
                                         f"{first_strange}; left out"))  # fmt: skip
    notes.rows += len(block.time_s)
    progress(1.0)
    yield block.frames()


def library_frames(path: str, notes: Notes, progress: Progress) -> Iterator[Frames]:
    """Yield the frames of a recording that python-can reads."""
    try:
        import can
    except ImportError:
        raise UserError(f"{path}: this recording needs the extra packages: pip install 'tccbench[logs]'") from None
    block = _Block()
    try:
        with can.LogReader(path) as reader:
            for message in reader:
                if message.is_error_frame or message.is_remote_frame or message.is_fd:
                    continue
                ident = message.arbitration_id | (EXTENDED if message.is_extended_id else 0)
                block.add(message.timestamp, ident, bytes(message.data))
    except Exception as error:  # each reader raises its own; what was read before it is kept
        if not block.time_s:
            raise UserError(f"{path}: not a CAN recording that can be read: {error}") from None
        notes.findings.append(LogFinding("cut", "note", f"the file ends early or is damaged after frame "
                                         f"{len(block.time_s)}; read up to there"))  # fmt: skip
    notes.rows += len(block.time_s)
    progress(1.0)
    yield block.frames()


class _Block:
    def __init__(self) -> None:
        self.time_s: list[float] = []
        self._ident: list[int] = []
        self._length: list[int] = []
        self._bytes: list[bytes] = []

    def add(self, time_s: float, ident: int, data: bytes) -> None:
        self.time_s.append(time_s)
        self._ident.append(ident)
        self._length.append(len(data))
        self._bytes.append(data.ljust(8, b"\xff"))

    def frames(self) -> Frames:
        return Frames(
            np.array(self.time_s, dtype=np.float64),
            np.array(self._ident, dtype=np.int64),
            np.array(self._length, dtype=np.int64),
            np.frombuffer(b"".join(self._bytes), dtype=np.uint8).reshape(-1, 8),
        )
