"""A test rig: the reference controller with inputs that stay until changed, and every property checked each tick."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

from controller.calibration import default_values
from controller.declare import Property, State
from controller.explain import explain, lamps_lit
from controller.our_rules import OURS
from controller.ruleset import COMMAND_FIELDS, RuleSet
from controller.step import Command, Reference
from controller.straight import Straight
from controller.watch import Watch

# Fixed here, so that no test follows the demonstration's tuning.
CALIBRATION: dict[str, int] = {
    "tyre_scale_permille": 1000, "low_engage_ckmh": 3400, "low_release_ckmh": 3100, "low_gear_lowest": 2,
    "low_gear_highest": 6, "high_engage_ckmh": 7200, "high_release_ckmh": 6600, "high_gear_lowest": 4,
    "high_gear_highest": 6, "oil_minimum_dc": 200, "oil_minimum_gap_dc": 40, "oil_hot_dc": 1100, "oil_hot_gap_dc": 50,
    "oil_critical_dc": 1300, "hot_engage_offset_ckmh": 200, "stall_guard_rpm": 900, "stall_guard_gap_rpm": 100,
    "lugging_rpm": 1150, "stall_settle_ms": 1000, "reengage_delay_ms": 1500, "brake_settle_ms": 500,
    "gear_settle_ms": 200, "shift_settle_ms": 300, "cold_settle_ms": 1000, "signal_settle_ms": 1000,
    "hold_through_shifts": False, "closed_throttle_opens": False, "closed_below_permille": 20,
    "closed_clear_permille": 50, "closed_confirm_ms": 400, "closed_settle_ms": 300, "kickdown_opens": False,
    "kickdown_above_permille": 920, "kickdown_clear_permille": 800, "kickdown_confirm_ms": 200,
    "kickdown_settle_ms": 500, "band_switch_limit_ms": 500, "road_speed_limit_ms": 200, "engine_rpm_limit_ms": 200,
    "turbine_rpm_limit_ms": 200, "oil_temp_limit_ms": 3000, "throttle_limit_ms": 200, "brake_limit_ms": 100,
    "gear_limit_ms": 300, "turbine_rpm_at_100_kmh_1": 9002, "turbine_rpm_at_100_kmh_2": 4513,
    "turbine_rpm_at_100_kmh_3": 3385, "turbine_rpm_at_100_kmh_4": 2401, "turbine_rpm_at_100_kmh_5": 1800,
    "turbine_rpm_at_100_kmh_6": 1440, "turbine_rpm_at_100_kmh_7": 0, "turbine_rpm_at_100_kmh_8": 0,
    "turbine_rpm_at_100_kmh_9": 0, "turbine_rpm_at_100_kmh_10": 0, "plausible_tolerance_rpm": 250,
    "plausible_minimum_ckmh": 1000, "plausible_confirm_ms": 800, "holding_slip_rpm": 80, "holding_confirm_ms": 2500,
    "stuck_slip_rpm": 3, "stuck_throttle_permille": 300, "stuck_turbine_rpm": 800, "stuck_confirm_ms": 3000,
    "fill_permille_per_s": 3000, "kiss_duty_ppm": 220000, "apply_permille_per_s": 700, "knee_duty_ppm": 700000,
    "finish_permille_per_s": 1500, "end_duty_ppm": 1000000, "slew_limit_permille_per_s": 4000,
}  # fmt: skip  # a line holds what fits


def calibration(rules: RuleSet = OURS, **changes: int) -> Any:
    """Return the tests' calibration with some keys changed; the result must keep the declared relations."""
    values = default_values(rules)._replace(**CALIBRATION)._replace(**changes)
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
        self.watch = Watch(rules, self.k)
        self.inputs: dict[str, int] = {signal.name: signal.default for signal in rules.signals}
        self.set(oil_temp_dc=800, gear=2, throttle_permille=200, engine_rpm=1_500)
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
        bad += [name for name in self.watch.tick(self.inputs)[1] if name not in bad]
        assert not bad, (bad, self.inputs, self.command)
        fired = self.reference._chart.fired
        assert self.watch.row == (0 if fired is None else 1 + self.rules.rows.index(fired))
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
        self.set(engine_rpm=max(self.inputs["turbine_rpm"] + 400, 1_500))  # the open converter slips
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
        return [lamp.word for lamp in lamps_lit(self.rules, self.command.warnings)]

    def memory(self, name: str) -> int:
        """Return a memory field."""
        names = [field.name for field in self.rules.memory]
        return self.reference.memory[names.index(name)]
