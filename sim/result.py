"""A run's result: traces every 10 ms, engagements, events, heat, energy, fuel and oil life."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sim import flexible
from sim.course import TICKS_PER_S, Course
from sim.drives import Drive
from sim.energy import Energy, balance
from sim.engagements import Engagement, describe, find_spans
from sim.ignition import Ignition
from sim.lock_schedule import REASONS as SCHEDULE_REASONS
from sim.record import Array, Record
from sim.strategies import Strategy, Told
from sim.vehicle import RPM_PER_RADS, Vehicle

HEAT_SOURCES = ("converter", "clutch", "pump", "spin", "mesh", "shift")
FULL_THROTTLE = 0.98
BEHIND_KMH = 3.0
CAUGHT_UP_KMH = 1.0


@dataclass(frozen=True)
class RunEvent:
    """Something worth telling.

    `kind` is `stall`, `restart`, `cannot_follow`, `interlock` (opened a hold), `refusal` or `lamp`.
    `end_s` is set for intervals; `text` says it in words; `value` is the shortfall in km/h for `cannot_follow`.
    """

    time_s: float
    kind: str
    reason: str
    text: str
    speed_kmh: float
    end_s: float | None = None
    value: float | None = None


@dataclass(frozen=True)
class RunResult:
    """Everything that happened on a run. Arrays have one value every 10 ms."""

    vehicle_name: str
    drive_name: str
    strategy_name: str
    strategy_kind: str
    ambient_c: float
    total_mass_kg: float
    traces: dict[str, Array]
    reason_words: tuple[str, ...]
    as_built_reason_words: tuple[str, ...]
    surface_words: tuple[str, ...]
    engagements: list[Engagement]
    events: list[RunEvent]
    heat_kj: dict[str, float]
    energy: Energy
    fuel_l: float
    oil_life_used: float
    distance_km: float
    duration_s: float


def summarise(
    vehicle: Vehicle,
    drive: Drive,
    course: Course,
    record: Record,
    strategy: Strategy,
    ignition: Ignition,
    flexible_jolt: bool,
) -> RunResult:
    """Return the result of a recorded run."""
    from sim.road import SURFACE_NAMES

    traces = _traces(vehicle, course, record)
    speed_ms = record.ends("speed_ms")
    metres = 0.5 * (speed_ms[1:] + speed_ms[:-1]) * record.dt_s
    oil_c = record.steps("oil_c")
    return RunResult(
        vehicle_name=vehicle.name,
        drive_name=drive.name,
        strategy_name=strategy.name,
        strategy_kind=strategy.kind,
        ambient_c=course.ambient_c,
        total_mass_kg=course.gravity_kg,
        traces=traces,
        reason_words=strategy.reason_words,
        as_built_reason_words=SCHEDULE_REASONS,
        surface_words=SURFACE_NAMES,
        engagements=_engagements(vehicle, record, traces, strategy.kind, strategy.reason_words, flexible_jolt),
        events=_events(traces, strategy.told, ignition),
        heat_kj={source: record.total(source) / 1000.0 for source in HEAT_SOURCES},
        energy=balance(vehicle, record),
        fuel_l=float(np.sum(traces["fuel_lph"])) / TICKS_PER_S / 3600.0,
        oil_life_used=float(np.sum(metres / oil_life_m(oil_c))),
        distance_km=float(np.sum(metres)) / 1000.0,
        duration_s=course.ticks / TICKS_PER_S,
    )


def oil_life_m(oil_c: Array) -> Array:
    """Return the distance an oil lasts at a temperature, m: 100 000 miles at 175 °F, halved every 20 °F.

    The law follows the fluid-life chart that workshops hang up; see tests/published.
    """
    fahrenheit = oil_c * 1.8 + 32.0
    miles: Array = 100_000.0 * np.exp2(-(fahrenheit - 175.0) / 20.0)
    return miles * 1609.344


def _traces(vehicle: Vehicle, course: Course, record: Record) -> dict[str, Array]:
    engine_rads = record.ticks("engine_rads")
    turbine_rads = record.ticks("ratio_start") * record.ticks("speed_ms") / (1.0 - record.ticks("tyre_slip"))
    engine_rpm, turbine_rpm = engine_rads * RPM_PER_RADS, turbine_rads * RPM_PER_RADS
    slip_rpm = engine_rpm - turbine_rpm
    # Slip as a share of engine speed; a stopped engine has none.
    slip_pct = np.where(engine_rpm > 1.0, 100.0 * slip_rpm / np.maximum(engine_rpm, 1.0), 0.0)
    per_tick_kw = record.substeps * record.dt_s * 1000.0

    def power_kw(book: str) -> Array:
        work: Array = record.book(book).reshape(-1, record.substeps).sum(axis=1)
        return work / per_tick_kw

    engine = vehicle.file.engine
    efficiency = np.interp(engine_rpm, engine.efficiency_rpm, engine.indicated_efficiency)
    joules_per_l = engine.fuel_mj_per_kg * 1e6 * engine.fuel_kg_per_l
    # A Willans line at every speed: fuel follows indicated work, so idle and friction cost fuel too.
    fuel_lph = np.maximum(power_kw("indicated"), 0.0) * 1000.0 / efficiency / joules_per_l * 3600.0
    return {
        "time_s": np.arange(course.ticks) / TICKS_PER_S,
        "speed_kmh": record.ticks("speed_ms") * 3.6,
        "sensor_kmh": record.ticks("speed_ms") / (1.0 - record.ticks("tyre_slip")) * 3.6 * vehicle.sensor_speed_factor,
        "target_kmh": course.target_ms * 3.6,
        "engine_rpm": engine_rpm,
        "turbine_rpm": turbine_rpm,
        "slip_rpm": slip_rpm,
        "slip_pct": slip_pct,
        "throttle_pct": record.ticks("throttle") * 100.0,
        "brake_pct": record.ticks("brake") * 100.0,
        "gear": record.ticks("gear"),
        "shift_on": record.ticks("shifting"),
        "duty_pct": record.ticks("duty") * 100.0,
        "pressure_pct": record.ticks("pressure") * 100.0,
        "clutch_torque_nm": record.ticks("book_clutch_nm"),
        "engine_torque_nm": record.ticks("indicated_nm") - (
            vehicle.params.friction_nm + vehicle.params.friction_nm_per_rads * engine_rads
        ),
        "clutch_heat_kw": power_kw("clutch"),
        "converter_heat_kw": power_kw("converter"),
        "oil_heat_kw": sum((power_kw(source) for source in HEAT_SOURCES), np.zeros(course.ticks)),
        "oil_c": record.ticks("oil_c"),
        "case_c": record.ticks("case_c"),
        "coolant_c": record.ticks("coolant_c"),
        "tyre_slip_pct": record.ticks("tyre_slip") * 100.0,
        "grade_pct": course.grade_pct,
        "surface": course.surface,
        "state": record.ticks("rule_state"),
        "reason": record.ticks("reason"),
        "refusal": record.ticks("refusal"),
        "as_built_reason": record.ticks("schedule_reason"),
        "band": record.ticks("band"),
        "warnings": record.ticks("warnings"),
        "rules_hold": record.ticks("hold"),
        "fuel_lph": fuel_lph,
    }  # fmt: skip


def _engagements(
    vehicle: Vehicle,
    record: Record,
    traces: dict[str, Array],
    kind: str,
    words: tuple[str, ...],
    flexible_jolt: bool,
) -> list[Engagement]:
    found = []
    for span in find_spans(traces["duty_pct"], traces["slip_rpm"]):
        by_rules = kind == "rules" and bool(traces["rules_hold"][span.start])
        column, names = ("reason", words) if by_rules else ("as_built_reason", SCHEDULE_REASONS)
        reason_in = names[int(traces[column][span.start])]
        if span.end is not None and kind == "rules" and traces["rules_hold"][span.end]:
            column, names = "reason", words  # the rules have taken over and cut the schedule's engagement short
        reason_out = "end" if span.end is None else names[int(traces[column][span.end])]
        jolt = flexible.jolt(vehicle, record, span.start, span.held) if flexible_jolt else None
        found.append(describe(record, span, reason_in, reason_out, "rules" if by_rules else "as_built", jolt))
    return found


def _events(traces: dict[str, Array], told: Sequence[Told], ignition: Ignition) -> list[RunEvent]:
    events = [
        RunEvent(time_s, "stall", why, f"engine stalled: {why}", speed_kmh)
        for time_s, speed_kmh, why in ignition.stalls
    ]
    speed = traces["speed_kmh"]
    events += [
        RunEvent(time_s, "restart", "starter", "engine started again", float(speed[round(time_s * TICKS_PER_S)]))
        for time_s in ignition.restarts
    ]
    events += _cannot_follow(traces)
    events += [
        RunEvent(one.now_ms / 1000.0, one.kind, one.reason, one.text, float(speed[one.now_ms * TICKS_PER_S // 1000]))
        for one in told
    ]
    return sorted(events, key=lambda event: (event.time_s, event.kind))


def _cannot_follow(traces: dict[str, Array]) -> list[RunEvent]:
    """Return the intervals in which the driver is behind with the pedal on the floor, until caught up."""
    behind = traces["target_kmh"] - traces["speed_kmh"]
    floored = traces["throttle_pct"] >= FULL_THROTTLE * 100.0
    seeds = floored & (behind > CAUGHT_UP_KMH)
    lagging = behind > CAUGHT_UP_KMH
    edges = np.diff(np.concatenate(([False], lagging, [False])).astype(np.int8))
    events = []
    for start, end in zip(np.flatnonzero(edges == 1).tolist(), np.flatnonzero(edges == -1).tolist(), strict=True):
        worst = float(np.max(behind[start:end]))
        if worst > BEHIND_KMH and bool(np.any(seeds[start:end])):
            text = f"full throttle, up to {worst:.1f} km/h short of the target"
            events.append(
                RunEvent(
                    start / TICKS_PER_S,
                    "cannot_follow",
                    "full_throttle",
                    text,
                    float(traces["speed_kmh"][start]),
                    end / TICKS_PER_S,
                    worst,
                )
            )
    return events
