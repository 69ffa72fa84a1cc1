"""What a rule set is made of: signals, memory, calibration keys, interlocks, rows, properties.

Each is a value with a name, its unit and range, and one line of meaning, so that the file check, the proof, the
port and the documents all read the same declaration. A rule is a plain function of three views:

* `x`: the inputs of this tick, one attribute a signal;
* `k`: the calibration, one attribute a key;
* `m`: the memory, one attribute a field, as it stands at that moment of the tick.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import IntEnum
from functools import cached_property
from typing import Any

# A rule's views and values are Any: the same function runs on Python numbers and on traced terms.
View = Any
Rule = Callable[[View, View, View], Any]

TIMER_MAX_MS = 600_000
"""Every timer stops counting here, so that it never overflows."""

ELAPSED_MAX_MS = 1_000
"""A tick counts for at most this long: after a gap, delays run longer, never shorter."""

AGE_INVALID_MS = 60_000
"""The age of a signal that is invalid or was never received: older than any limit."""


class State(IntEnum):
    """The four states of the chart; their order is their number in firmware."""

    IDLE = 0
    ARMED = 1
    APPLIED = 2
    RELEASED = 3

    @property
    def word(self) -> str:
        """The state's word in tables and diagrams."""
        return self.name.lower()


class Band(IntEnum):
    """Which hold the driver has selected."""

    NONE = 0
    LOW = 1
    HIGH = 2

    @property
    def word(self) -> str:
        """The band's word in tables and files."""
        return self.name.lower()


@dataclass(frozen=True)
class Signal:
    """One input of the rules, a whole number or (`is_flag`) a truth value, in `unit`."""

    name: str
    unit: str
    low: int
    high: int
    default: int
    meaning: str
    is_flag: bool = False


@dataclass(frozen=True)
class Memory:
    """One field that the rules remember from tick to tick, and how it is worked out anew.

    `update` sees the fields declared before it already renewed and itself still as it was.
    """

    name: str
    low: int
    high: int
    initial: int
    update: Rule
    meaning: str
    is_flag: bool = False

    @cached_property
    def start(self) -> int:
        """The initial value, a truth value for a flag."""
        return bool(self.initial) if self.is_flag else self.initial


@dataclass(frozen=True)
class Key:
    """One calibration number: its place in the file, its unit there, and its range in the rules' own unit.

    The file's value times `scale` is the rules' whole number (100 for 0.01 km/h). Keys that share a place are
    entries of one list, in order; entries the file leaves out are 0.
    """

    name: str
    place: str
    scale: int
    low: int
    high: int
    default: int
    meaning: str
    is_flag: bool = False
    entry: int | None = None


@dataclass(frozen=True)
class Relation:
    """What must hold between calibration keys: `holds(k)`, in the rules' vocabulary.

    `where` names the place in the file that an error points at, `text` says what would be right.
    """

    where: str
    text: str
    holds: Callable[[View], Any]


@dataclass(frozen=True)
class Interlock:
    """One ground on which the clutch comes out, or does not go in.

    `trips(x, k, m)` is its condition; for hysteresis it reads its own `m.<reason>_on`. It is on once the condition
    has held for `confirm` ms, and off once it has been false for `settle` ms (each a calibration key or a number),
    unless it `latches` until the ignition cycle. While it is on or its condition holds, the clutch does not go in.
    `out_to` is where a hold goes: released (waits out its delay), idle (as-built schedule takes over), or None
    where it only refuses to engage; `sources` names the states it can come on in, where that is not all. `says` is
    the refusal in words, or a function of x and k that words it (for display only: not in the vocabulary).
    """

    reason: str
    trips: Rule
    out_to: State | None
    meaning: str
    clears: str
    says: str | Callable[[View, View], str]
    confirm: str | int = 0
    settle: str | int = 0
    latches: bool = False
    sources: tuple[State, ...] | None = None

    @property
    def leaves(self) -> tuple[State, ...]:
        """The states it sends on to `out_to`: `sources`, or a hold only, or for idle every other state."""
        if self.out_to is None:
            return ()
        if self.sources is not None:
            return self.sources
        return (State.APPLIED,) if self.out_to is State.RELEASED else (State.APPLIED, State.ARMED, State.RELEASED)

    @cached_property
    def on(self) -> str:
        """Name of its memory field: is it on."""
        return f"{self.reason}_on"

    @cached_property
    def trip(self) -> str:
        """Name of its condition's value, seen by later rules of the same tick only."""
        return f"{self.reason}_trips"

    @cached_property
    def timer(self) -> str:
        """Name of its memory field: how long its condition has differed from `on`, -1 while it does not."""
        return f"{self.reason}_ms"


@dataclass(frozen=True)
class Refusal:
    """A ground for not going in that is not an interlock."""

    reason: str
    holds: Rule
    says: str | Callable[[View, View], str]


@dataclass(frozen=True)
class Row:
    """One row of the chart: in `source`, if `condition` holds, go to `destination` for `reason`.

    `says` is the reason in words where the row opens a hold, or a function of x and k that words it (display only).
    """

    source: State
    destination: State
    name: str
    condition: Rule
    reason: str
    says: str | Callable[[View, View], str] = ""


@dataclass(frozen=True)
class Lamp:
    """One bit of the warning word: its word, when it is lit and what the driver is told."""

    word: str
    lit: Rule
    meaning: str


@dataclass(frozen=True)
class Property:
    """What must never fail, said from raw inputs and outputs.

    `holds(before, x, k, after)` sees the memory before and after a tick and no rule function, or a wrong rule
    would vouch for itself. `is_closed` says that it counts on exactly the interlocks it was written for: a set that
    adds one excuses it while that one stands, a set that removes one leaves it out.
    """

    name: str
    meaning: str
    holds: Callable[[View, View, View, View], Any]
    is_closed: bool = False


@dataclass(frozen=True)
class Observed:
    """One whole number (or, `is_flag`, truth value) that a history keeps beside the rules, within `low` to `high`.

    `update(before, x, k, after)` sees what a property sees; the history's own fields stand in `before` too.
    """

    name: str
    low: int
    high: int
    initial: int
    update: Callable[[View, View, View, View], Any]
    is_flag: bool = False


@dataclass(frozen=True)
class History:
    """A property over many ticks: it watches inputs and outputs with a memory of its own, no field of the rules'.

    `holds(before, x, k, after)` is asked each tick; `before` also has the fields of `keeps` as they stood before the
    tick, and `after` as they stand after it.
    """

    name: str
    meaning: str
    keeps: tuple[Observed, ...]
    holds: Callable[[View, View, View, View], Any]
