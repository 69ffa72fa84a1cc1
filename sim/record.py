"""What the loop writes down of every plant step, as one array with named columns."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.plant import Books, Inputs, State

Array = NDArray[np.float64]

COLUMNS: tuple[str, ...] = (
    *State._fields,
    *Inputs._fields,
    *(f"book_{name}" for name in Books._fields),
    "brake",
    "gear",
    "shifting",
    "rule_state",
    "reason",
    "refusal",
    "band",
    "warnings",
    "hold",
    "schedule_reason",
)
_PLACE = {name: index for index, name in enumerate(COLUMNS)}


class Record(NamedTuple):
    """One row a plant step: state at its start, inputs and books over it. The last row is the end state."""

    values: Array
    dt_s: float
    substeps: int

    def ends(self, name: str) -> Array:
        """Return a state column at every step's start and at the run's end."""
        return self.values[:, _PLACE[name]]

    def steps(self, name: str) -> Array:
        """Return a column of every step."""
        return self.values[:-1, _PLACE[name]]

    def ticks(self, name: str) -> Array:
        """Return a column at every tick's start."""
        return np.ascontiguousarray(self.values[: -1 : self.substeps, _PLACE[name]])

    def book(self, name: str) -> Array:
        """Return a booked work of every step, J."""
        return self.steps(f"book_{name}")

    def total(self, name: str) -> float:
        """Return a booked work of the whole run, J."""
        return float(np.sum(self.book(name)))
