"""What every kind of recording offers: samples of its channels to propose a map from, and its readings in batches."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, NamedTuple, Protocol

from numpy.typing import NDArray

if TYPE_CHECKING:
    from bench.logs.findings import LogFinding
    from bench.logs.map_file import LogMap

Array = NDArray[Any]
"""Columns of numbers, flags or whole numbers; the function that takes or gives one says which."""

Progress = Callable[[float], None]


class Channel(NamedTuple):
    """A channel as found: its name, the unit that the file itself states (or ""), and values of its beginning."""

    name: str
    unit: str
    values: Array
    texts: tuple[str, ...] = ()


class Chunk(NamedTuple):
    """Readings of one quantity in the recording's own unit. `sender` tells several senders of a message apart."""

    quantity: str
    sender: str
    time_s: Array
    value: Array


@dataclass
class Notes:
    """What a source noticed while it read; `rows` counts rows or frames."""

    rows: int = 0
    findings: list[LogFinding] = field(default_factory=list)


class Source(Protocol):
    """A recording of one kind."""

    kind: str
    path: str

    def channels(self) -> list[Channel]:
        """Return the channels that the recording's beginning holds."""

    def read(self, log_map: LogMap, notes: Notes, progress: Progress) -> Iterator[Chunk]:
        """Yield the mapped readings in the order of time. `progress` is told the share done."""
