"""What a report shows, as values: channels, runs, markers and the page that holds them."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from bench.pages.codec import FloatArray
from bench.pages.markup import Judgement, Table


@dataclass(frozen=True)
class Channel:
    """One quantity that is drawn. Channels of the same panel and unit share a strip.

    A `step` channel holds its value from sample to sample and is kept exactly; `names` gives its whole numbers words
    and a strip of its own.
    """

    key: str
    label: str
    unit: str
    panel: str
    kind: Literal["line", "step"]
    names: dict[int, str] | None = None


@dataclass(frozen=True)
class Marker:
    """Something that happened at `time_s` of the run with index `run`; `text` is its reason."""

    run: int
    time_s: float
    kind: Literal["in", "out", "event"]
    text: str


@dataclass(frozen=True)
class Run:
    """The traces of one strategy: `time_s` of shape (samples,) in uniform steps, and as many values for each key.

    NaN means no value; a channel that a run does not have may be left out of `data`.
    """

    name: str
    time_s: FloatArray
    data: dict[str, FloatArray]


@dataclass(frozen=True)
class Page:
    """Everything that one report shows. Texts are plain and may come from the user's files."""

    title: str
    subtitle: str
    verdict: Sequence[tuple[Judgement, str]]
    tables: Sequence[Table]
    channels: Sequence[Channel]
    runs: Sequence[Run]
    markers: Sequence[Marker]
    cautions: Sequence[str]
    settings: Sequence[tuple[str, str]]
