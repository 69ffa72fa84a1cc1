"""Text recordings: one row a time, one column a channel, in whatever way a logger writes them.

A file is read in blocks of whole lines; only the mapped columns are turned into numbers, so that a gigabyte needs no
more memory than a block.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Sequence
from datetime import datetime
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from bench.logs.findings import LogFinding, times
from bench.logs.source import Array, Channel, Chunk, Notes, Progress
from controller.errors import UserError

if TYPE_CHECKING:
    from bench.logs.map_file import LogMap, TextTable

BLOCK_BYTES = 4 << 20
SNIFF_BYTES = 256 << 10
DELIMITERS = (",", ";", "\t", "|")
HEADER_WITHIN = 40
"""The header must stand in the first rows; what is above it is a comment."""

_NUMBER = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?$")
_CLOCK = re.compile(r"\d{1,2}:\d{2}:\d{2}([.,]\d+)?$")
_DATE = re.compile(r"\d{4}-\d{2}-\d{2}[T ]\d{2}:\d{2}")
_RESTART_ROWS = 20
"""A clock that runs on from an earlier time for this many rows has been started again; fewer are stray rows."""

DAY_S = 86_400.0


class Layout(NamedTuple):
    """How a text file is written: what its map says of it, its header and the first cells below."""

    text: TextTable
    header: list[str]
    rows: list[list[str]]
    repaired: bool


class CsvSource:
    """A text recording."""

    kind = "csv"

    def __init__(self, path: str) -> None:
        self.path = path
        self.layout = _layout(path)

    def channels(self) -> list[Channel]:
        """Return the columns, with the values of the file's beginning."""
        rows, decimal = self.layout.rows, self.layout.text.decimal
        found = []
        for at, name in enumerate(self.layout.header):
            cells = [row[at].strip() for row in rows if at < len(row)]
            found.append(Channel(name, "", _floats(cells, decimal)[0], tuple(cells)))
        return found

    def read(self, log_map: LogMap, notes: Notes, progress: Progress) -> Iterator[Chunk]:
        """Yield the mapped columns block by block; see `Source`."""
        if log_map.time is None:  # the map's own check has refused this
            raise UserError(f"{self.path}: the map has no [time]")
        if self.layout.repaired:
            notes.findings.append(LogFinding("header", "note", "the header's ° was encoded twice; read as °"))
        header, text = _header_by_map(self.path, log_map), log_map.text
        places = {name: _place(self.path, header, one.channel) for name, one in log_map.signal.items()}
        clock = _Clock(log_map.time.unit, text.decimal)
        time_place = _place(self.path, header, log_map.time.channel)
        run = (_place(self.path, header, log_map.run.channel), log_map.run.name) if log_map.run else None
        wanted = sorted({time_place, *places.values(), *([run[0]] if run else [])})
        order, bad = _Order(), _BadRows()
        for number, lines in _blocks(self.path, text, notes, progress):
            columns = _cells(lines, len(header), text.delimiter, wanted, number, bad)
            if run:
                is_wanted = [cell.strip() == run[1] for cell in columns[run[0]]]
                if not any(is_wanted):
                    continue
                columns = {at: [c for c, yes in zip(column, is_wanted, strict=True) if yes]
                           for at, column in columns.items()}  # fmt: skip
            time_s, wrong = clock.seconds(columns[time_place])
            bad.times += wrong
            keep = order.keep(time_s, number)
            notes.rows += len(lines)
            for name, at in places.items():
                values, texts = _floats(columns[at], text.decimal)
                bad.texts.update({name: texts} if texts else {})
                yield Chunk(name, "", time_s[keep], values[keep])
        if run and notes.rows == 0:
            raise UserError(f"{self.path}: no row has {run[1]!r} in column {log_map.run.channel!r}"
                            if log_map.run else "")  # fmt: skip
        notes.findings += [*order.findings(), *bad.findings()]


# Layout ----------------------------------------------------------------------------------------------------


def _layout(path: str) -> Layout:
    from bench.logs.map_file import TextTable

    try:
        with open(path, "rb") as file:
            head = file.read(SNIFF_BYTES)
    except OSError as error:
        raise UserError(f"{path}: cannot read this recording: {error.strerror or error}") from None
    if not head.strip():
        raise UserError(f"{path}: this recording is empty; it must hold a header and rows of readings")
    if b"\0" in head:
        raise UserError(f"{path}: not a text recording: it holds zero bytes; a recording is CSV, MDF 4 (.mf4) or a "
                        "candump log")  # fmt: skip
    encoding = "utf-8"
    try:
        text = head.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        # A block may end inside a letter; anything earlier is another encoding.
        if error.start > len(head) - 4:
            text = head[: error.start].decode("utf-8-sig")
        else:
            text, encoding = head.decode("latin-1"), "latin-1"
    if text.lstrip()[:1] in "{[" and '"' in text[:200]:
        told = "its values carry no time" if '"timestamp"' not in text[:2000] else "a value a line"
        raise UserError(f"{path}: JSON, not a table ({told}); export a CSV with a time column")
    lines = text.splitlines()
    if len(head) == SNIFF_BYTES:
        lines.pop()
    delimiter = _delimiter(lines)
    split = [line.split(delimiter) for line in lines]
    at = _header_row(split)
    if at is None:
        raise UserError(f"{path}: no header found: none of its first {min(len(lines), HEADER_WITHIN)} rows names "
                        "columns above rows of numbers; the first row must name the columns")  # fmt: skip
    header = [_clean(cell) for cell in split[at]]
    repaired = any("Â°" in cell for cell in split[at])
    rows = [row for row in split[at + 1 :] if any(cell.strip() for cell in row)]
    decimal = "," if delimiter != "," and _uses_comma(rows) else "."
    encoded = TextTable.model_validate(
        {"delimiter": delimiter, "decimal": decimal, "encoding": encoding, "header_row": at + 1,
         "repeats": _repeats(rows)}
    )  # fmt: skip
    return Layout(encoded, header, rows, repaired)


def _clean(cell: str) -> str:
    return cell.strip().strip('"').replace("Â°", "°")


def _delimiter(lines: Sequence[str]) -> str:
    """Return the sign that cuts most lines into the same number of cells, more than one."""
    best, best_score = ",", 0.0
    for sign in DELIMITERS:
        counts = Counter(line.count(sign) for line in lines[:400] if line.strip())
        counts.pop(0, None)
        if counts:
            cells, lines_of = counts.most_common(1)[0]
            score = lines_of * min(cells, 4)
            # A decimal comma cuts numbers: the sign that a header row has wins over one it has not.
            if score > best_score and any(line.count(sign) == cells for line in lines[:HEADER_WITHIN]):
                best, best_score = sign, score
    if best == "," and all(";" in line for line in lines[1:20] if line.strip()) and len(lines) > 2:
        return ";"
    return best


def _is_number(cell: str) -> bool:
    return bool(_NUMBER.match(cell.strip().strip('"')))


def _header_row(split: Sequence[Sequence[str]]) -> int | None:
    """Return the place of the last row of names that has a row of numbers of its length below it."""
    for at, row in enumerate(split[:HEADER_WITHIN]):
        names = [cell for cell in row if cell.strip() and not _is_number(cell)]
        if len(row) < 2 or len(names) < 0.6 * len(row) or any(_CLOCK.match(cell.strip()) for cell in row):
            continue
        # A row of units may stand between the names and the numbers.
        for below in split[at + 1 : at + 3]:
            numbers = [cell for cell in below if _is_number(cell) or _CLOCK.match(cell.strip())]
            if len(below) == len(row) and numbers:
                return at
    return None


def _uses_comma(rows: Sequence[Sequence[str]]) -> bool:
    cells = [cell.strip() for row in rows[:50] for cell in row]
    return any(re.match(r"-?\d+,\d+$", cell) for cell in cells) and not any(
        re.match(r"-?\d+\.\d+$", cell) for cell in cells
    )


def _repeats(rows: Sequence[Sequence[str]]) -> bool:
    """Tell whether nearly every row changes one cell at most beside its time: values polled in turn and repeated."""
    changed = [
        sum(a != b for a, b in zip(before[1:], after[1:], strict=True))
        for before, after in pairwise(rows)
        if len(before) == len(after)
    ]
    # A single column changes one cell at most in any file.
    if len(changed) < 50 or len(rows[0]) < 4:
        return False
    moving = sum(one > 0 for one in changed)
    return moving > 10 and sum(one > 1 for one in changed) < 0.02 * moving


def _header_by_map(path: str, log_map: LogMap) -> list[str]:
    with open(path, encoding=_codec(log_map.text), errors="replace") as file:
        line = ""
        for _ in range(log_map.text.header_row):
            line = file.readline()
    return [_clean(cell) for cell in line.rstrip("\r\n").split(log_map.text.delimiter)]


def _codec(text: TextTable) -> str:
    return "utf-8-sig" if text.encoding == "utf-8" else text.encoding


def _place(path: str, header: list[str], name: str) -> int:
    from controller.suggest import nearest

    if name not in header:
        raise UserError(f"{path}: column {name!r} of the map is not in its header; {nearest(name, header)}")
    if header.count(name) > 1:
        raise UserError(f"{path}: column {name!r} stands {header.count(name)} times in the header; "
                        "give each column a name of its own")  # fmt: skip
    return header.index(name)


# Blocks of rows --------------------------------------------------------------------------------------------


def _blocks(path: str, text: TextTable, notes: Notes, progress: Progress) -> Iterator[tuple[int, list[str]]]:
    """Yield (row number of the first, lines) of each block; a last line without an end is left out and said."""
    size, done, rest, number, cut = Path(path).stat().st_size, 0, b"", 1, False
    codec = "utf-8" if text.encoding == "utf-8" else text.encoding
    with open(path, "rb") as file:
        while block := file.read(BLOCK_BYTES):
            done += len(block)
            end = block.rfind(b"\n")
            if end < 0:
                rest += block
                continue
            lines = (rest + block[:end]).decode(codec, errors="replace").replace("\r", "").split("\n")
            rest = block[end + 1 :]
            first, number = number, number + len(lines)
            if first <= text.header_row:
                lines, first = lines[text.header_row + 1 - first :], text.header_row + 1
            yield first, lines
            progress(done / size)
    last = rest.decode(codec, errors="replace").rstrip("\r")
    if last.strip():
        # A file may simply lack its last line end; a short row shows that it was cut.
        cells = last.split(text.delimiter)
        cut = len(cells) != _cells_a_row(path, text) or not cells[-1].strip()
        if not cut:
            yield number, [last]
    if cut:
        notes.findings.append(LogFinding("cut", "note", f"the file is cut in the middle of row {number}; "
                                         "read up to there"))  # fmt: skip


def _cells_a_row(path: str, text: TextTable) -> int:
    with open(path, encoding=_codec(text), errors="replace") as file:
        for _ in range(text.header_row - 1):
            file.readline()
        return file.readline().count(text.delimiter) + 1


class _BadRows:
    """Counts what had to be left out of a file."""

    def __init__(self) -> None:
        self.rows: list[int] = []
        self.count = 0
        self.times = 0
        self.texts: dict[str, str] = {}

    def findings(self) -> list[LogFinding]:
        """Return what was counted, in words."""
        found = []
        if self.count:
            found.append(LogFinding("rows", "note", f"{times(self.count, 'row')} of another length than the header's, "
                                    f"first row {self.rows[0]}; left out"))  # fmt: skip
        if self.times:
            found.append(LogFinding("time_text", "note", f"{times(self.times, 'row')} without a readable time; "
                                    "left out"))  # fmt: skip
        for name, text in self.texts.items():
            found.append(LogFinding("text", "note", f"{name}: cells that are no number, such as {text!r}; "
                                    "taken as no reading"))  # fmt: skip
        return found


def _cells(
    lines: list[str], width: int, delimiter: str, wanted: Sequence[int], number: int, bad: _BadRows
) -> dict[int, list[str]]:
    """Return the wanted columns as lists of cells; rows of another length are counted and left out."""
    if '"' not in (flat := delimiter.join(lines)):
        cells = flat.split(delimiter)
        # Cutting the whole block at once is fastest; only where every row has its length does it come out even.
        if len(cells) == len(lines) * width and all(
            line.count(delimiter) == width - 1 for line in (lines[0], lines[len(lines) // 2], lines[-1])
        ):
            return {at: cells[at::width] for at in wanted}
    columns: dict[int, list[str]] = {at: [] for at in wanted}
    for at_line, line in enumerate(lines):
        row = line.split(delimiter)
        if len(row) != width:
            if line.strip() and not line.startswith("#"):
                bad.count += 1
                bad.rows = bad.rows or [number + at_line]
            continue
        for at in wanted:
            columns[at].append(row[at].strip('"'))
    return columns


_NOTHING = {"", "nan", "null", "none", "n/a", "na", "-", "--", "---"}


def _floats(cells: Sequence[str], decimal: str) -> tuple[Array, str]:
    """Return the cells as numbers, NaN where there is none, and the first text that is not a way to say nothing."""
    # The quick ways first: all numbers, then numbers and empty cells.
    for attempt in (cells, None):
        try:
            return np.array([cell or "nan" for cell in cells] if attempt is None else attempt, dtype=np.float64), ""
        except ValueError:
            continue
    values, strange = np.empty(len(cells)), ""
    for at, cell in enumerate(cells):
        try:
            values[at] = float(cell)
        except ValueError:
            plain = cell.strip().strip('"')
            if decimal == ",":
                plain = plain.replace(",", ".")
            try:
                values[at] = float(plain)
            except ValueError:
                values[at] = np.nan
                if plain.lower() in ("true", "on", "yes"):
                    values[at] = 1.0
                elif plain.lower() in ("false", "off", "no"):
                    values[at] = 0.0
                elif plain.lower() not in _NOTHING and not strange:
                    strange = plain
    return values, strange


# Time ------------------------------------------------------------------------------------------------------

_SECONDS = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "min": 60.0}


class _Clock:
    """Turns time cells into seconds; a time of day runs on past midnight."""

    def __init__(self, unit: str, decimal: str) -> None:
        self._unit, self._decimal = unit, decimal
        self._days_s, self._last_s = 0.0, -1.0

    def seconds(self, cells: Sequence[str]) -> tuple[Array, int]:
        """Return seconds, NaN where a cell is no time, and how many those are."""
        if self._unit in _SECONDS:
            time_s = _floats(cells, self._decimal)[0] * _SECONDS[self._unit]
        elif self._unit == "clock":
            time_s = np.array([_clock_s(cell) for cell in cells], dtype=np.float64)
            time_s = self._past_midnight(time_s)
        else:
            time_s = np.array([_date_s(cell) for cell in cells], dtype=np.float64)
        return time_s, int(np.isnan(time_s).sum())

    def _past_midnight(self, time_s: Array) -> Array:
        known = time_s[~np.isnan(time_s)]
        if not known.size:
            return time_s
        steps = np.diff(known, prepend=self._last_s if self._last_s >= 0.0 else known[0])
        days = self._days_s + np.cumsum(steps < -0.5 * DAY_S) * DAY_S
        self._days_s, self._last_s = float(days[-1]), float(known[-1])
        out = time_s.copy()
        out[~np.isnan(time_s)] = known + days
        return out


def _clock_s(cell: str) -> float:
    try:
        hours, minutes, seconds = cell.strip().strip('"').replace(",", ".").split(":")
        return int(hours) * 3600.0 + int(minutes) * 60.0 + float(seconds)
    except ValueError:
        return float("nan")


def _date_s(cell: str) -> float:
    try:
        when = datetime.fromisoformat(cell.strip().strip('"'))
    except ValueError:
        return float("nan")
    # A zone changes nothing in differences, and without one the machine's own must not come in.
    return (when.replace(tzinfo=None) - datetime(1970, 1, 1)).total_seconds()


class _Order:
    """Keeps rows whose time runs forward; counts the others."""

    def __init__(self) -> None:
        self._top_s = -np.inf
        self._same = self._back = 0
        self._first_back: tuple[int, float] | None = None
        self._back_span_s = 0.0

    def keep(self, time_s: Array, number: int) -> NDArrayBool:
        """Return which rows come after all before them."""
        known = np.where(np.isnan(time_s), -np.inf, time_s)
        before = np.maximum.accumulate(np.concatenate(([self._top_s], known)))[:-1]
        keep = known > before
        same = (known == before) & np.isfinite(known)
        back = (known < before) & np.isfinite(known)
        self._same += int(same.sum())
        if back.any():
            at = int(np.argmax(back))
            if self._first_back is None:
                self._first_back = (number + at, float(before[at] - known[at]))
            self._back += int(back.sum())
            self._back_span_s = max(self._back_span_s, float(np.max(before[back] - known[back])))
        self._top_s = float(max(self._top_s, known.max(initial=-np.inf)))
        return keep

    def findings(self) -> list[LogFinding]:
        """Return what was left out, in words."""
        found = []
        if self._same:
            found.append(LogFinding("same_time", "note", f"{times(self._same, 'row')} with the time of a row before; "
                                    "left out"))  # fmt: skip
        if self._first_back and self._back > _RESTART_ROWS:
            row, back_s = self._first_back
            found.append(LogFinding("restart", "bad", f"the clock falls back by {back_s:.1f} s at row {row} and runs "
                                    f"on from there: {times(self._back, 'row')} left out; cut the file at that row "
                                    "and read the parts one by one"))  # fmt: skip
        elif self._first_back:
            row, back_s = self._first_back
            found.append(LogFinding("backward", "note", f"{times(self._back, 'row')} back in time, first row {row} by "
                                    f"{back_s:.2f} s; left out"))  # fmt: skip
        return found


NDArrayBool = np.ndarray[tuple[int, ...], np.dtype[np.bool_]]
