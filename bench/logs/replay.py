"""What the rules would have commanded on the recorded signals, beside what the vehicle did.

The recording answers for the clutch that was driven, not for the one that the rules command. Where the two differ the
engine's speed is therefore taken as it would be: the turbine's where the rules hold at full duty, clear of it where
they open a clutch that was in. Road speed, pedal and temperatures stay as recorded.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import numpy as np

from bench.comparison import GEAR_LIST_SHARE
from bench.logs.clutch import IN, OUT
from bench.logs.findings import LogFinding
from bench.logs.grid import on_times
from bench.logs.quantities import BY_NAME
from controller.declare import AGE_INVALID_MS, Band, State
from controller.errors import UserError
from controller.explain import explain
from controller.straight import Straight

if TYPE_CHECKING:
    from bench.logs.collect import Readings
    from bench.logs.source import Array
    from bench.logs.summary import Shown
    from controller.calibration import Calibration
    from controller.ruleset import RuleSet

TICK_MS = 10
PRESS_AT_MS = 200
"""The band asked for is selected so long after the start: rules want to see the switch turn."""

SLOW_S = 0.05
"""A quantity recorded more slowly is taken straight between its readings; its age counts from its own period on."""

LEAST_DIFFERENCE_S = 0.3
CLEAR_OF_RPM = 20
PROGRESS_TICKS = 4000

_FROM = {
    "road_speed_ckmh": ("road_speed_kmh", 100.0),
    "engine_rpm": ("engine_rpm", 1.0),
    "turbine_rpm": ("turbine_rpm", 1.0),
    "oil_temp_dc": ("oil_temp_c", 10.0),
    "throttle_permille": ("throttle_pct", 10.0),
    "brake_on": ("brake_on", 1.0),
    "gear": ("gear", 1.0),
    "shift_on": ("shift_on", 1.0),
    "band_switch": ("band", 1.0),
    "coolant_temp_dc": ("coolant_temp_c", 10.0),
    "grade_permille": ("grade_pct", 10.0),
}
"""Which quantity an input of the rules is, and its scale there."""

_AGED = {"road_speed": "road_speed_kmh", "engine_rpm": "engine_rpm", "turbine_rpm": "turbine_rpm",
         "oil_temp": "oil_temp_c", "throttle": "throttle_pct", "brake": "brake_on", "gear": "gear",
         "band_switch": "band"}  # fmt: skip


@dataclass(frozen=True)
class Difference:
    """A stretch in which the rules would hold and the clutch was out (`rules_in`), or the other way round."""

    start_s: float
    end_s: float
    rules_in: bool
    speed_kmh: float
    gear: int
    why: str


@dataclass(frozen=True)
class Replay:
    """Every tick of the rules on a recording; `assumed` says in words what was not recorded.

    `charge_share` is the share of the time in which a band is selected, `agree_share` of that in which rules and
    vehicle do the same.
    """

    time_s: Array
    duty_pct: Array
    state: Array
    reason: Array
    refusal: Array
    band: Array
    vehicle_in: Array
    differences: list[Difference]
    assumed: list[LogFinding]
    reason_words: tuple[str, ...]
    agree_share: float
    charge_share: float


def replay(
    shown: Shown,
    rules: RuleSet,
    calibration: Calibration,
    band: int,
    strict_ages: bool,
    progress: Callable[[float], None] = lambda _share: None,
) -> Replay:
    """Step the rules over a recording. `band` is selected at the start where no switch was recorded.

    With `strict_ages` each input is as old as its last reading; without, a quantity recorded more slowly than the
    rules want ages only from its own usual period on.
    """
    log = shown.log
    ticks = int(log.duration_s * 1000.0 / TICK_MS)
    if ticks < 1:
        raise UserError(f"{log.path}: only {log.duration_s:.3f} s long; nothing to replay rules on")
    time_s = np.arange(ticks) * (TICK_MS / 1000.0)
    inputs, assumed = _inputs(shown, calibration, time_s, band, strict_ages)
    at = np.clip((time_s / shown.grid.step_s + 1e-6).astype(np.int64), 0, len(shown.grid.time_s) - 1)
    vehicle_in = shown.clutch.state[at] == IN
    vehicle_out = shown.clutch.state[at] == OUT
    assumed += _gear_list(shown, calibration)
    controller = Straight(rules, calibration.values)
    names = [signal.name for signal in rules.signals]
    defaults = {signal.name: signal.default for signal in rules.signals}
    missing = [name for name in names if name not in inputs and not name.endswith("_age_ms") and name != "now_ms"]
    if missing:
        assumed.append(LogFinding("assumed", "note", "not recorded, at its default: " + ", ".join(missing)))
    lists = {name: column.tolist() for name, column in inputs.items() if name in defaults}
    full_ppm = int(calibration.values.end_duty_ppm) if hasattr(calibration.values, "end_duty_ppm") else 1_000_000
    is_in, is_out = vehicle_in.tolist(), vehicle_out.tolist()
    out = np.zeros((ticks, 5), dtype=np.int64)
    last_duty, last_state = 0, int(State.IDLE)
    whys: dict[int, str] = {}
    was = (-1, -1)
    for tick in range(ticks):
        x: dict[str, Any] = dict(defaults)
        for name, column in lists.items():
            x[name] = column[tick]
        if last_duty >= full_ppm and is_out[tick]:
            x["engine_rpm"] = x["turbine_rpm"]
        elif last_state in (State.ARMED, State.RELEASED) and is_in[tick]:
            x["engine_rpm"] = max(x["engine_rpm"], x["turbine_rpm"] + CLEAR_OF_RPM)
        command = controller.tick(x)
        last_duty, last_state = command.duty_ppm, command.state
        out[tick] = command.duty_ppm, command.state, command.reason, command.refusal, command.band
        now = (command.state, command.refusal if command.state != State.APPLIED else command.reason)
        if now != was:
            whys[tick] = explain(rules, command, SimpleNamespace(**x), calibration.values)
            was = now
        if tick % PROGRESS_TICKS == 0:
            progress(tick / max(ticks, 1))
    progress(1.0)
    rules_in = out[:, 0] > 0
    # With no band selected the transmission's own schedule is in charge, and nothing of it is the rules' to differ.
    in_charge = out[:, 4] != int(Band.NONE)
    judged = (vehicle_in | vehicle_out) & in_charge
    agree = (rules_in == vehicle_in)[judged]
    return Replay(
        time_s, out[:, 0] / 1e4, out[:, 1], out[:, 2], out[:, 3], out[:, 4], vehicle_in.astype(np.float64),
        _differences(shown, at, rules_in, vehicle_in, judged, whys), assumed, tuple(rules.reasons),
        float(agree.mean()) if agree.size else 1.0, float(in_charge.mean()),
    )  # fmt: skip


def _inputs(
    shown: Shown, calibration: Calibration, time_s: Array, band: int, strict_ages: bool
) -> tuple[dict[str, Array], list[LogFinding]]:
    """Return the rules' inputs as whole numbers a tick, and what had to be assumed."""
    log = shown.log
    now_ms = np.round(time_s * 1000.0).astype(np.int64)
    found: dict[str, Array] = {"now_ms": now_ms, "ignition_on": np.ones(len(time_s), dtype=np.int64)}
    assumed: list[LogFinding] = []
    for name, (quantity, scale) in _FROM.items():
        one = log.readings.get(quantity)
        if one is not None:
            found[name] = _whole(quantity, one, time_s, scale, strict_ages)
    grid_at = np.clip((time_s / shown.grid.step_s + 1e-6).astype(np.int64), 0, len(shown.grid.time_s) - 1)
    if "gear" not in found:
        found["gear"] = shown.gears.gear[grid_at]
        assumed.append(LogFinding("assumed", "note", f"gear not recorded: as told from {shown.gears.by}"))
    if "shift_on" not in found:
        found["shift_on"] = _shifting(found["gear"])
        assumed.append(LogFinding("assumed", "note", "shifts not recorded: a quarter of a second about each change of "
                                  "gear"))  # fmt: skip
    if "turbine_rpm" not in found:
        turbine = _held(shown.clutch.turbine_rpm[grid_at])
        found["turbine_rpm"] = np.rint(turbine).astype(np.int64)
        assumed.append(LogFinding("assumed", "note", "turbine speed not recorded: as told from road speed and gear, so "
                                  "`implausible` cannot fire"))  # fmt: skip
    if "band_switch" not in found:
        found["band_switch"] = np.where(now_ms >= PRESS_AT_MS, band, 0)
        word = {0: "none", 1: "low", 2: "high"}[band]
        assumed.append(LogFinding("assumed", "note", f"band switch not recorded: {word} from the start (--band)"))
    for name in ("brake_on", "throttle_permille", "oil_temp_dc"):
        if name not in found:
            value = 0 if name != "oil_temp_dc" else 800
            found[name] = np.full(len(time_s), value, dtype=np.int64)
            words = {"brake_on": "brake not recorded: never pressed", "throttle_permille": "pedal not recorded: let up",
                     "oil_temp_dc": "oil temperature not recorded: 80 °C"}  # fmt: skip
            assumed.append(LogFinding("assumed", "note", words[name]))
    slow = []
    for name, quantity in _AGED.items():
        one = log.readings.get(quantity)
        if one is None:
            found[f"{name}_age_ms"] = np.zeros(len(time_s), dtype=np.int64)
            continue
        # One reading may drop out of a recording without having been missed on the bus.
        allowed_s = 0.0 if strict_ages else 2.0 * one.period_s
        limit_ms = int(getattr(calibration.values, f"{name}_limit_ms", 10**9))
        if not strict_ages and one.period_s * 1000.0 > limit_ms:
            slow.append(f"{BY_NAME[quantity].label} ({one.period_s * 1000.0:.0f} ms, limit {limit_ms} ms)")
        found[f"{name}_age_ms"] = _age_ms(one, time_s, allowed_s)
    if slow:
        assumed.append(LogFinding("assumed", "note", "recorded more slowly than the rules want, taken as fresh between "
                                  f"readings: {', '.join(slow)}; --strict-ages counts them as lost"))  # fmt: skip
    return found, assumed


def _gear_list(shown: Shown, calibration: Calibration) -> list[LogFinding]:
    """Say where the calibration's gear list is not the recorded vehicle's: its rules would trip at once."""
    for gear, per_kmh in sorted(shown.gears.rpm_per_kmh.items()):
        listed = getattr(calibration.values, f"turbine_rpm_at_100_kmh_{gear}", 0)
        if shown.gears.is_numbered and listed and abs(100.0 * per_kmh / listed - 1.0) > GEAR_LIST_SHARE:
            return [LogFinding("gear_list", "bad", f"{calibration.source}: its gear list is another vehicle's: gear "
                               f"{gear} at 100 km/h is {listed} rpm there, {100.0 * per_kmh:.0f} rpm here; what the "
                               "rules say below is about that mismatch")]  # fmt: skip
    return []


def _whole(quantity: str, one: Readings, time_s: Array, scale: float, strict_ages: bool) -> Array:
    if strict_ages or BY_NAME[quantity].held or one.period_s <= SLOW_S:
        before = np.maximum(np.searchsorted(one.time_s, time_s, side="right") - 1, 0)
        value = one.value[before]
    else:
        value = _held(on_times(quantity, one, time_s))
    return np.rint(value * scale).astype(np.int64)


def _held(value: Array) -> Array:
    """Return a column with the last known value in every gap, as a receiver keeps it."""
    known = ~np.isnan(value)
    if not known.any():
        return np.zeros(len(value))
    last = np.maximum.accumulate(np.where(known, np.arange(len(value)), -1))
    return np.asarray(value[np.where(last < 0, int(np.argmax(known)), last)])


def _age_ms(one: Readings, time_s: Array, allowed_s: float) -> Array:
    before = np.searchsorted(one.time_s, time_s + 1e-9, side="right") - 1
    age_s = np.where(before >= 0, time_s - one.time_s[np.maximum(before, 0)], AGE_INVALID_MS / 1000.0)
    return np.clip(np.rint((age_s - allowed_s) * 1000.0), 0, AGE_INVALID_MS).astype(np.int64)


def _shifting(gear: Array) -> Array:
    changed = np.flatnonzero(np.diff(gear) != 0)
    shift = np.zeros(len(gear), dtype=np.int64)
    reach = 125 // TICK_MS
    for at in changed.tolist():
        shift[max(at - reach, 0) : at + reach] = 1
    return shift


def _differences(
    shown: Shown, at: Array, rules_in: Array, vehicle_in: Array, judged: Array, whys: dict[int, str]
) -> list[Difference]:
    kind = np.where(judged & (rules_in != vehicle_in), np.where(rules_in, 1, 2), 0)
    starts = np.flatnonzero(np.diff(kind, prepend=-1) != 0)
    ends = np.append(starts[1:], len(kind))
    ticks = sorted(whys)
    found = []
    seconds = TICK_MS / 1000.0
    for start, end in zip(starts.tolist(), ends.tolist(), strict=True):
        if kind[start] == 0 or (end - start) * seconds < LEAST_DIFFERENCE_S:
            continue
        # The reason that stood longest within the stretch explains it.
        inside = [one for one in ticks if start < one < end]
        before = [one for one in ticks if one <= start]
        marks = [*before[-1:], *inside]
        spans = [(min(later, end) - max(one, start), one)
                 for one, later in zip(marks, [*marks[1:], end], strict=True)]  # fmt: skip
        why = whys[max(spans)[1]] if spans else ""
        speed = shown.grid.get("road_speed_kmh")[at[start]]
        found.append(Difference(start * seconds, end * seconds, bool(kind[start] == 1),
                                0.0 if np.isnan(speed) else float(speed), int(shown.gears.gear[at[start]]),
                                why))  # fmt: skip
    return found
