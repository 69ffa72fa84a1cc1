from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import pytest

from sim.drives import Drive, DrivePoint
from sim.strategies import APPLIED, IDLE, Decision
from sim.vehicle import Vehicle, load_vehicle


@pytest.fixture(scope="session")
def pukeko() -> Vehicle:
    return load_vehicle("pukeko")


@pytest.fixture(scope="session")
def takahe() -> Vehicle:
    return load_vehicle("takahe")


class HoldAbove:
    """Holds above one speed and lets go under another; no interlocks at all, so it can stall the engine."""

    name = "hold"
    kind = "rules"
    reason_words = ("none", "engage", "release")
    signals: tuple[Any, ...] = ()
    told: tuple[Any, ...] = ()

    def __init__(self, engage_kmh: float, release_kmh: float, ramp_s: float = 0.8) -> None:
        self._engage, self._release = engage_kmh * 100, release_kmh * 100
        self._step = 0.01 / ramp_s
        self._duty = 0.0
        self._reason = 0

    def tick(self, inputs: Mapping[str, int], as_built_duty: float) -> Decision:  # noqa: ARG002 - the protocol's
        speed = inputs["road_speed_ckmh"]
        if self._duty > 0.0 and speed < self._release:
            self._duty, self._reason = 0.0, 2
        elif self._duty > 0.0 or speed >= self._engage:
            if self._duty == 0.0:
                self._reason = 1
            self._duty = min(self._duty + self._step, 1.0)
        on = self._duty > 0.0
        return Decision(self._duty, on, APPLIED if on else IDLE, self._reason, 0, 0)


@pytest.fixture(scope="session")
def hold_above() -> type[HoldAbove]:
    return HoldAbove


@pytest.fixture(scope="session")
def make_drive() -> Callable[..., Drive]:
    def make(points: list[tuple[Any, ...]], **over: Any) -> Drive:
        values: dict[str, Any] = {"ambient_c": 25.0, "oil_c": 80.0, "coolant_c": 86.0}
        values.update(over)
        return Drive("test", "test", "made by a test", points=tuple(DrivePoint(*p) for p in points), **values)

    return make
