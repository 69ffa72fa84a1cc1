"""A test rig: the reference controller with inputs that stay until changed, and every property checked each tick."""

from __future__ import annotations

from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

from controller.calibration import default_values
from controller.declare import Property, State
from controller.explain import explain, lamps_lit
from controller.our_rules import OURS
from controller.ruleset import COMMAND_FIELDS, RuleSet
from controller.step import Command, Reference
from controller.straight import Straight

Change = Callable[["Rig"], None]


def calibration(rules: RuleSet = OURS, **changes: int) -> Any:
    """Return the declared defaults with some keys changed; the result must keep the declared relations."""
    values = default_values(rules)._replace(**changes)
    for relation in rules.relations:
        assert relation.holds(values), f"{relation.where} must be {relation.text}"
    return values


def failing(
    rules: RuleSet, before: tuple[int, ...], x: Any, k: Any, after: tuple[int, ...], command: Command
) -> list[str]:
    """Return the names of the properties that do not hold for a tick."""
    names = [field.name for field in rules.memory]
    was = SimpleNamespace(**dict(zip(names, before, strict=True)))
    now = SimpleNamespace(**dict(zip(names, after, strict=True)), **_outputs(command))
    return [prop.name for prop in rules.properties if not _holds(prop, was, x, k, now)]


def _outputs(command: Command) -> dict[str, int]:
    # state, reason, duty and band are memory fields, too; only these two are not.
    return {name: getattr(command, name) for name in COMMAND_FIELDS if name in ("refusal", "warnings")}


def _holds(prop: Property, was: Any, x: Any, k: Any, now: Any) -> bool:
    return bool(prop.holds(was, x, k, now))


class Rig:
    """Reference and straight-line controller side by side on the same inputs."""

    def __init__(self, rules: RuleSet = OURS, k: Any = None, **changes: int) -> None:
        self.rules = rules
        self.k = calibration(rules, **changes) if k is None else k
        self.reference, self.straight = Reference(rules, self.k), Straight(rules, self.k)
        self.inputs: dict[str, int] = {signal.name: signal.default for signal in rules.signals}
        self.set(oil_temp_dc=800, gear=2, throttle_permille=200)
        self.inputs["now_ms"] = 1_000
        self.command = self.tick(0)

    # Inputs ------------------------------------------------------------------------------------------------

    def set(self, **inputs: int) -> None:
        """Change inputs from the next tick on."""
        unknown = set(inputs) - set(self.inputs)
        assert not unknown, unknown
        self.inputs |= {name: int(value) for name, value in inputs.items()}

    def rolling(self, speed_ckmh: int, gear: int | None = None) -> None:
        """Roll at that speed of the sensor, the gearbox input turning as the gear says, the engine 20 rpm faster."""
        if gear is not None:
            self.set(gear=gear)
        rpm_at_100 = getattr(self.k, f"turbine_rpm_at_100_kmh_{self.inputs['gear']}")
        turbine_rpm = speed_ckmh * rpm_at_100 // 10_000
        self.set(road_speed_ckmh=speed_ckmh, turbine_rpm=turbine_rpm, engine_rpm=turbine_rpm + 20)

    # Time --------------------------------------------------------------------------------------------------

    def tick(self, ms: int = 10, **inputs: int) -> Command:
        """Change inputs, let `ms` pass and take one tick; both controllers must agree and every property hold."""
        self.set(**inputs)
        self.inputs["now_ms"] += ms
        before = self.reference.memory
        self.command = self.reference.tick(self.inputs)
        assert self.straight.tick(self.inputs) == self.command
        assert self.straight.memory == self.reference.memory
        x = SimpleNamespace(**self.inputs)
        bad = failing(self.rules, before, x, self.k, self.reference.memory, self.command)
        assert not bad, (bad, self.inputs, self.command)
        return self.command

    def run(self, ms: int, tick_ms: int = 10, **inputs: int) -> Command:
        """Take ticks for `ms`."""
        self.set(**inputs)
        for _ in range(ms // tick_ms):
            self.tick(tick_ms)
        return self.command

    def until(self, state: State, limit_ms: int = 60_000, tick_ms: int = 10, **inputs: int) -> int:
        """Take ticks until the chart is in `state`; return the time it took in ms."""
        self.set(**inputs)
        for passed in range(tick_ms, limit_ms + tick_ms, tick_ms):
            if self.tick(tick_ms).state == state:
                return passed
        raise AssertionError(f"not {state.word} within {limit_ms} ms: {self.why}")

    def holding(self, band: int = 1, speed_ckmh: int = 4_000, gear: int = 2) -> Rig:
        """Go from a start to a full hold at that speed."""
        self.rolling(speed_ckmh, gear)
        self.tick(band_switch=0)
        self.tick(band_switch=band)
        self.until(State.APPLIED)
        for _ in range(3_000):
            if self.command.duty_ppm == self.k.end_duty_ppm:
                return self
            self.tick()
        raise AssertionError("the ramp does not end")

    def ready(self, band: int = 1, speed_ckmh: int = 2_000, gear: int = 2) -> Rig:
        """Go from a start to armed, under the engage speed and with every wait over."""
        self.rolling(speed_ckmh, gear)
        self.tick(band_switch=0)
        self.run(2_000, 100, band_switch=band)
        assert self.state == "armed", self.why
        return self

    # What it says ------------------------------------------------------------------------------------------

    @property
    def state(self) -> str:
        return State(self.command.state).word

    @property
    def reason(self) -> str:
        return self.rules.reasons[self.command.reason]

    @property
    def refusal(self) -> str:
        return self.rules.reasons[self.command.refusal]

    @property
    def why(self) -> str:
        return explain(self.rules, self.command, SimpleNamespace(**self.inputs), self.k)

    @property
    def lamps(self) -> list[str]:
        return lamps_lit(self.rules, self.command.warnings)

    def memory(self, name: str) -> int:
        """Return a memory field."""
        names = [field.name for field in self.rules.memory]
        return self.reference.memory[names.index(name)]
