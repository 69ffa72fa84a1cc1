"""The map file: which of our signals is which signal of a DBC, checked value by value.

Data only: reading a map runs nothing.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any, Literal, NamedTuple, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from controller.errors import UserError
from controller.suggest import nearest
from sim.files import looks_like_path, parse, read_text

EXAMPLES = ("powertrain", "j1939")
"""Maps that come along, by name."""

Number = Annotated[float, Field(allow_inf_nan=False)]
Milliseconds = Annotated[int, Field(ge=10, le=60_000, multiple_of=10)]
DataId = Annotated[int, Field(ge=0, le=0xFFFF)]


class Table(BaseModel):
    """Base of every table of the file: unknown keys are errors, numbers are numbers."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


class ProtectionTable(Table):
    """End-to-end protection of a message."""

    profile: Literal[1, 2, 5]
    data_id: DataId | None = None
    data_ids: Annotated[tuple[Annotated[int, Field(ge=0, le=255)], ...], Field(strict=False)] | None = None
    id_mode: Literal["both", "alternating", "low", "nibble"] = "both"
    offset: Annotated[int, Field(ge=0, le=7)] = 0

    @model_validator(mode="after")
    def _check(self) -> Self:
        if self.profile == 2:
            if self.data_ids is None or len(self.data_ids) != 16 or self.data_id is not None:
                raise ValueError("profile 2 needs data_ids, a list of 16 bytes, and no data_id")
            if self.offset:
                raise ValueError("profile 2 has its checksum in byte 0: leave offset out")
        elif self.data_id is None or self.data_ids is not None:
            raise ValueError(f"profile {self.profile} needs data_id, one number, and no data_ids")
        if self.id_mode == "nibble" and self.data_id is not None and self.data_id > 0xFFF:
            raise ValueError("id_mode nibble carries 12 bits of data_id: at most 0xFFF")
        return self


class SignalTable(Table):
    """One of our signals in a message: the DBC's name and, once more, the scale that the DBC must have."""

    name: str
    scale: Number
    offset: Number = 0.0
    per_unit: Annotated[float, Field(gt=0, allow_inf_nan=False)] = 1.0
    clip: bool = False
    values: dict[str, int] | None = None
    timeout_ms: Milliseconds | None = None


class MessageTable(Table):
    """One message: who sends it, how long it is, how often it comes and how it is protected."""

    sender: Annotated[Literal["vehicle", "controller"], Field(alias="from")]
    length: Annotated[int, Field(ge=1, le=8)]
    period_ms: Milliseconds
    timeout_ms: Milliseconds
    protection: ProtectionTable | None = None
    signal: Annotated[dict[str, SignalTable], Field(min_length=1)]

    @model_validator(mode="after")
    def _check(self) -> Self:
        for timeout_ms in (self.timeout_ms, *(one.timeout_ms for one in self.signal.values())):
            if timeout_ms is not None and timeout_ms < self.period_ms:
                raise ValueError(f"timeout_ms = {timeout_ms} is shorter than period_ms = {self.period_ms}")
        return self


class MapFile(Table):
    """A whole map file."""

    title: str
    dbc: str
    unused_bits: Literal[0, 1] = 0
    identifiers: Literal["exact", "pgn"] = "exact"
    constant: dict[str, int] = {}
    message: Annotated[dict[str, MessageTable], Field(min_length=1)]


class Map(NamedTuple):
    """A map with where it came from. `dbc_path` is the DBC beside the file, or the one the user gave."""

    source: str
    dbc_path: str
    file: MapFile


def load_map(name_or_path: str, dbc_path: str | None = None) -> Map:
    """Return a map by the name of an example or by path. Raises `UserError` with one line."""
    import tomllib
    from importlib.resources import files

    if looks_like_path(name_or_path):
        text = read_text(name_or_path, "map")
        folder = str(Path(name_or_path).parent)
    elif name_or_path in EXAMPLES:
        text = files("dbc_examples").joinpath(f"{name_or_path}.toml").read_text(encoding="utf-8")
        folder = str(files("dbc_examples"))
    else:
        raise UserError(f"map {name_or_path!r} is not known; {nearest(name_or_path, EXAMPLES)} "
                        "(a file of your own ends in .toml)")  # fmt: skip
    try:
        data: dict[str, Any] = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise UserError(f"{name_or_path}: not valid TOML: {error}") from None
    file = parse(MapFile, data, name_or_path)
    return Map(name_or_path, dbc_path or str(Path(folder) / file.dbc), file)
