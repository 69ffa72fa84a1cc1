"""The map of a recording: which of its channels is which quantity, in which unit. Data only: reading one runs nothing.

A map is a TOML file. `tccbench log map LOG` proposes one; it may be edited and given with `--map`.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from bench.logs.quantities import BY_NAME, QUANTITIES, UNITS
from controller.suggest import nearest

Number = Annotated[float, Field(allow_inf_nan=False)]
MOST_LATE_S = 5.0
TimeUnit = Literal["s", "ms", "us", "min", "clock", "date"]


class Table(BaseModel):
    """Base of every table of the file: unknown keys are errors, numbers are numbers."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


class TimeTable(Table):
    """Where the time stands. `clock` is hh:mm:ss[.fff], `date` ISO 8601. MDF and CAN recordings have their own."""

    channel: str
    unit: TimeUnit = "s"


class TextTable(Table):
    """How a text file is written. `repeats`: a row repeats the last value of whatever was not polled in it."""

    delimiter: Annotated[str, Field(min_length=1, max_length=1)] = ","
    decimal: Literal[".", ","] = "."
    encoding: Literal["utf-8", "latin-1"] = "utf-8"
    header_row: Annotated[int, Field(ge=1)] = 1
    repeats: bool = False


class RunTable(Table):
    """The run to read of a file that holds several: rows whose `channel` says `name`."""

    channel: str
    name: str


class ChannelTable(Table):
    """One quantity: its channel in the recording and the unit there. `on` is the value that means yes for a flag;
    readings that stand `late_s` after the moment they are of are put back to it."""

    channel: str
    unit: str = ""
    factor: Number = 1.0
    late_s: Annotated[Number, Field(ge=-MOST_LATE_S, le=MOST_LATE_S)] = 0.0
    on: Number | None = None


class LogMap(Table):
    """A whole map."""

    title: str
    kind: Literal["csv", "mdf", "can"]
    dbc: str | None = None
    identifiers: Literal["exact", "pgn"] = "exact"
    time: TimeTable | None = None
    text: TextTable = TextTable()
    run: RunTable | None = None
    signal: Annotated[dict[str, ChannelTable], Field(min_length=1)]

    @model_validator(mode="after")
    def _check(self) -> Self:
        for name, one in self.signal.items():
            if name not in BY_NAME:
                raise ValueError(f"signal.{name} is no quantity of ours; {nearest(name, list(BY_NAME))}")
            units = UNITS[BY_NAME[name].kind]
            if not 1e-9 <= abs(one.factor) <= 1e9:
                raise ValueError(f"signal.{name}: factor {one.factor:g} would leave nothing of it; write one from 1e-9 "
                                 "to 1e9, or its negative")  # fmt: skip  # one sentence
            if one.unit not in units:
                known = ", ".join(units) or "none"
                raise ValueError(f"signal.{name}: unit {one.unit!r} is not known here; write one of: {known}")
        if self.kind == "csv" and self.time is None:
            raise ValueError("a text recording needs [time] with its channel")
        return self


def load_map(path: str) -> LogMap:
    """Return a map from a file. Raises `UserError` with one line that names file and key."""
    import tomllib

    from controller.errors import UserError
    from sim.files import parse, read_text

    text = read_text(path, "map")
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise UserError(f"{path}: not TOML: {error}") from None
    given = parse(LogMap, data, path)
    if given.dbc and given.dbc.endswith(".dbc") and not Path(given.dbc).is_absolute():
        given = given.model_copy(update={"dbc": str(Path(path).parent / given.dbc)})
    return given


def map_text(log_map: LogMap) -> str:
    """Return a map as the text of its file."""
    lines = [f"title = {_quoted(log_map.title)}", f"kind = {_quoted(log_map.kind)}"]
    if log_map.dbc:
        lines += [f"dbc = {_quoted(log_map.dbc)}", f"identifiers = {_quoted(log_map.identifiers)}"]
    if log_map.time:
        lines += ["", "[time]", f"channel = {_quoted(log_map.time.channel)}", f"unit = {_quoted(log_map.time.unit)}"]
    if log_map.kind == "csv":
        text = log_map.text
        lines += ["", "[text]", f"delimiter = {_quoted(text.delimiter)}", f"decimal = {_quoted(text.decimal)}",
                  f"encoding = {_quoted(text.encoding)}", f"header_row = {text.header_row}",
                  f"repeats = {'true' if text.repeats else 'false'}"]  # fmt: skip
    if log_map.run:
        lines += ["", "[run]", f"channel = {_quoted(log_map.run.channel)}", f"name = {_quoted(log_map.run.name)}"]
    for quantity in QUANTITIES:
        one = log_map.signal.get(quantity.name)
        if one is None:
            continue
        lines += ["", f"# {quantity.label}", f"[signal.{quantity.name}]", f"channel = {_quoted(one.channel)}"]
        if one.unit:
            lines.append(f"unit = {_quoted(one.unit)}")
        if one.factor != 1.0:
            lines.append(f"factor = {one.factor!r}")
        if one.late_s:
            lines.append(f"late_s = {one.late_s!r}")
        if one.on is not None:
            lines.append(f"on = {one.on!r}")
    return "\n".join(lines) + "\n"


def _quoted(text: str) -> str:
    # JSON's escapes are TOML's; the delete character is the one that only TOML wants escaped.
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007F")
