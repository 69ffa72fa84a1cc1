"""Who commands the converter clutch: nobody, the transmission as built, or a controller's rules."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple, Protocol

STATE_WORDS = ("idle", "armed", "applied", "released")
IDLE, APPLIED = 0, 2


class Decision(NamedTuple):
    """A tick's command. `reason` and `refusal` are places in the strategy's `reason_words`."""

    duty: float
    hold: bool
    state: int
    reason: int
    refusal: int
    warnings: int


class Strategy(Protocol):
    """What the loop asks of whoever commands the clutch."""

    name: str
    kind: str
    reason_words: tuple[str, ...]
    signals: tuple[Any, ...]

    def tick(self, inputs: Mapping[str, int], as_built_duty: float) -> Decision:
        """Return the command for this tick's inputs; `as_built_duty` is what the transmission would do."""


class Open:
    """Never locked."""

    name = "open"
    kind = "open"
    reason_words: tuple[str, ...] = ("none",)
    signals: tuple[Any, ...] = ()
    _DECISION = Decision(0.0, False, IDLE, 0, 0, 0)

    def tick(self, inputs: Mapping[str, int], as_built_duty: float) -> Decision:  # noqa: ARG002 - the protocol's
        """Return duty 0."""
        return self._DECISION


class AsBuilt:
    """The transmission's own schedule; its reasons are filled in by the loop that runs the schedule."""

    name = "as-built"
    kind = "as_built"
    signals: tuple[Any, ...] = ()

    def __init__(self) -> None:
        from sim.lock_schedule import REASONS

        self.reason_words: tuple[str, ...] = REASONS

    def tick(self, inputs: Mapping[str, int], as_built_duty: float) -> Decision:  # noqa: ARG002 - the protocol's
        """Return the schedule's duty."""
        return Decision(as_built_duty, False, APPLIED if as_built_duty > 0.0 else IDLE, 0, 0, 0)


class CommandLike(Protocol):
    """The command of a controller."""

    duty_ppm: int
    state: int
    reason: int
    refusal: int
    warnings: int


class ControllerLike(Protocol):
    """A controller with its memory, stepped tick by tick."""

    rules: Any

    def tick(self, inputs: Mapping[str, int]) -> Any:
        """Return the command for this tick's inputs."""


class Rules:
    """A controller's rules. While they are idle the as-built schedule is in charge."""

    kind = "rules"

    def __init__(self, controller: ControllerLike, name: str) -> None:
        self.name = name
        self._tick = controller.tick
        self.reason_words: tuple[str, ...] = tuple(controller.rules.reasons)
        self.signals: tuple[Any, ...] = tuple(controller.rules.signals)

    def tick(self, inputs: Mapping[str, int], as_built_duty: float) -> Decision:
        """Return the rules' command, or the schedule's while the rules are idle."""
        duty_ppm, state, reason, refusal, warnings = self._tick(inputs)[:5]
        if state == IDLE:
            return Decision(as_built_duty, False, IDLE, reason, refusal, warnings)
        return Decision(duty_ppm / 1e6, True, state, reason, refusal, warnings)
