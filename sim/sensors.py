"""From what the sensors read to the rules' inputs: each with the age of its last reading, some lost or forced."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Protocol

from controller.declare import AGE_INVALID_MS
from sim.tick import Seen

_NAMES = Seen._fields

GROUPS: dict[str, tuple[str, ...]] = {
    "band_switch": ("band_switch",),
    "road_speed": ("road_speed_ckmh",),
    "engine_rpm": ("engine_rpm",),
    "turbine_rpm": ("turbine_rpm",),
    "oil_temp": ("oil_temp_dc",),
    "throttle": ("throttle_permille",),
    "brake": ("brake_on",),
    "gear": ("gear", "shift_on"),
}
"""Which signals arrive together, and therefore age together."""


class SignalLike(Protocol):
    """What a rule set says of a signal that it wants."""

    @property
    def name(self) -> str:
        """Name of the signal."""

    @property
    def default(self) -> int:
        """Value when nothing provides it."""


class Sensors:
    """Reads the plant once a tick. A lost group keeps its last values while its age grows."""

    def __init__(self, wanted: tuple[SignalLike, ...] = ()) -> None:
        self._base = {signal.name: signal.default for signal in wanted} | {f"{group}_age_ms": 0 for group in GROUPS}
        self._lost_since: dict[str, int] = {}
        self._held: dict[str, dict[str, int]] = {}
        self._last: dict[str, int] = {}

    def read(self, seen: Seen, lost: tuple[str, ...], forced: Mapping[str, int]) -> dict[str, int]:
        """Return the inputs by signal name. `lost` names groups that do not arrive, `forced` values set."""
        inputs = self._base.copy()
        inputs.update(zip(_NAMES, seen, strict=True))
        if forced:
            inputs.update(forced)
        if lost or self._lost_since:
            self._lose(seen.now_ms, inputs, lost)
        self._last = inputs
        return inputs

    def _lose(self, now_ms: int, inputs: dict[str, int], lost: tuple[str, ...]) -> None:
        for group in [name for name in self._lost_since if name not in lost]:
            del self._lost_since[group]
            del self._held[group]
        for group in lost:
            if group not in self._lost_since:
                last = self._last or inputs
                self._lost_since[group] = last["now_ms"]
                self._held[group] = {name: last[name] for name in GROUPS[group]}
            inputs.update(self._held[group])
            inputs[f"{group}_age_ms"] = min(now_ms - self._lost_since[group], AGE_INVALID_MS)
