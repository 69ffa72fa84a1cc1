"""Who commands the converter clutch: nobody, the transmission as built, or a controller's rules."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import SimpleNamespace
from typing import Any, NamedTuple, Protocol

from controller.declare import State
from controller.explain import explain, explain_opening, lamps_lit
from controller.ruleset import RuleSet
from controller.step import Command

# Plain numbers: a comparison with a member of an enum costs several times as much, every tick.
IDLE, APPLIED = int(State.IDLE), int(State.APPLIED)


class Decision(NamedTuple):
    """A tick's command. `reason` and `refusal` are places in the strategy's `reason_words`."""

    duty: float
    hold: bool
    state: int
    reason: int
    refusal: int
    warnings: int


class Told(NamedTuple):
    """What a strategy had to say at a tick: `kind` is `interlock`, `refusal` or `lamp`."""

    now_ms: int
    kind: str
    reason: str
    text: str


class Strategy(Protocol):
    """What the loop asks of whoever commands the clutch."""

    name: str
    kind: str
    reason_words: tuple[str, ...]
    signals: tuple[Any, ...]

    @property
    def told(self) -> Sequence[Told]:
        """What it has said so far, in order."""

    def tick(self, inputs: Mapping[str, int], as_built_duty: float) -> Decision:
        """Return the command for this tick's inputs; `as_built_duty` is what the transmission would do."""


class Open:
    """Never locked."""

    name = "open"
    kind = "open"
    reason_words: tuple[str, ...] = ("none",)
    signals: tuple[Any, ...] = ()
    told: tuple[Told, ...] = ()
    _DECISION = Decision(0.0, False, IDLE, 0, 0, 0)

    def tick(self, inputs: Mapping[str, int], as_built_duty: float) -> Decision:  # noqa: ARG002 - the protocol's
        """Return duty 0."""
        return self._DECISION


class AsBuilt:
    """The transmission's own schedule; its reasons are filled in by the loop that runs the schedule."""

    name = "as-built"
    kind = "as_built"
    signals: tuple[Any, ...] = ()
    told: tuple[Told, ...] = ()

    def __init__(self) -> None:
        from sim.lock_schedule import REASONS

        self.reason_words: tuple[str, ...] = REASONS

    def tick(self, inputs: Mapping[str, int], as_built_duty: float) -> Decision:  # noqa: ARG002 - the protocol's
        """Return the schedule's duty."""
        return Decision(as_built_duty, False, APPLIED if as_built_duty > 0.0 else IDLE, 0, 0, 0)


class ControllerLike(Protocol):
    """A controller with its memory, stepped tick by tick."""

    rules: RuleSet
    calibration: Any

    def tick(self, inputs: Mapping[str, int]) -> Command:
        """Return the command for this tick's inputs."""


class Rules:
    """A controller's rules. While they are idle the as-built schedule is in charge.

    `told` keeps, in words, each opening of a hold, each new ground for refusing one, and each lamp that comes on.
    """

    kind = "rules"

    def __init__(self, controller: ControllerLike, name: str) -> None:
        self.name = name
        self._controller = controller
        self._tick = controller.tick
        self.reason_words: tuple[str, ...] = tuple(controller.rules.reasons)
        self.signals: tuple[Any, ...] = tuple(controller.rules.signals)
        self.told: list[Told] = []
        self._last = Command(0, IDLE, 0, 0, 0, 0)

    def tick(self, inputs: Mapping[str, int], as_built_duty: float) -> Decision:
        """Return the rules' command, or the schedule's while the rules are idle."""
        command = self._tick(inputs)
        duty_ppm, state, reason, refusal, warnings, band = command
        last = self._last
        if state != last.state or refusal != last.refusal or warnings != last.warnings or band != last.band:
            self._tell(command, SimpleNamespace(**inputs))
            self._last = command
        if state == IDLE:
            return Decision(as_built_duty, False, IDLE, reason, refusal, warnings)
        return Decision(duty_ppm / 1e6, True, state, reason, refusal, warnings)

    def _tell(self, command: Command, x: SimpleNamespace) -> None:
        rules, k, last = self._controller.rules, self._controller.calibration, self._last
        if last.state == APPLIED != command.state:
            self.told.append(Told(x.now_ms, "interlock", *explain_opening(rules, command, x, k)))
        if (
            command.refusal
            and command.band
            and (command.refusal, bool(command.band)) != (last.refusal, bool(last.band))
        ):
            word = rules.reasons[command.refusal]
            self.told.append(Told(x.now_ms, "refusal", word, explain(rules, command, x, k)))
        for lamp in lamps_lit(rules, command.warnings & ~last.warnings):
            self.told.append(Told(x.now_ms, "lamp", lamp.word, f"lamp {lamp.word}: {lamp.meaning}"))
