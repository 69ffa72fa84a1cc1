"""The figures of one run, worked out from its raw traces; every table and verdict reads these and nothing else.

A run of rules answers for the holds of the rules only: what the transmission's own schedule does while they are idle
is the schedule's.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import numpy as np

    from sim.result import RunResult
    from sim.vehicle import Vehicle

SLIP_FROM_KMH = 10.0
"""Slip is averaged above this speed: at a standstill in gear it is 100 % and says nothing."""

FULLY_IN_RPM = 20.0
"""A commanded clutch with less slip than this counts as fully in."""

LUGGING_THROTTLE_PCT = 15.0
"""An engine labours only under load: at least this pedal."""

HUNTING_COUNT, HUNTING_WINDOW_S = 3, 60.0
"""Hunting: this many cycles, out and in again, end within this time."""

NOT_HUNTING = frozenset({"brake", "driver_off", "signal_lost", "end"})
"""Coming out for these is the driver's or a fault's doing, not the clutch's own to and fro."""

OIL_LEVELS_C = (100.0, 110.0, 120.0)


@dataclass(frozen=True)
class Figures:
    """One run in numbers. Units are in the names; None where the run has nothing to measure."""

    name: str
    kind: str
    duration_s: float
    distance_km: float
    oil_peak_c: float
    oil_end_c: float
    oil_over_s: tuple[float, ...]
    oil_rise_c_per_min: float
    oil_rise_span_s: float
    oil_heat_kj: dict[str, float]
    oil_life_used_pct: float
    slip_mean_pct: float
    slip_peak_pct: float
    held_s: float
    held_low_rpm: float | None
    held_high_rpm: float | None
    stall_margin_rpm: float | None
    lugging_s: float
    engagements: int
    by_rules: int
    shortest_gap_s: float | None
    hunting: bool
    clutch_energy_total_kj: float
    clutch_energy_most_kj: float | None
    clutch_torque_peak_nm: float | None
    jolt_most_ms3: float | None
    shaft_peak_nm: float | None
    fuel_l: float
    fuel_l_per_100_km: float | None
    stalls: int
    behind_s: float
    speed_error_most_kmh: float
    refusal_s: dict[str, float]
    oil_peak_error_c: float | None = None


def figures_of(result: RunResult, vehicle: Vehicle) -> Figures:
    """Work out the figures of a run."""
    import numpy as np

    from bench.error_band import oil_band

    traces = result.traces
    band = oil_band(result, vehicle)
    time_s = traces["time_s"]
    step_s = float(time_s[1] - time_s[0])
    oil_c, engine_rpm = traces["oil_c"], traces["engine_rpm"]
    slip_rpm = engine_rpm - traces["turbine_rpm"]
    moving = traces["speed_kmh"] > SLIP_FROM_KMH
    by = "rules" if result.strategy_kind == "rules" else "as_built"
    own = [one for one in result.engagements if one.by == by]
    commanded = traces["duty_pct"] > 0.0
    if by == "rules":
        commanded &= traces["rules_hold"] > 0.0
    fully_in = commanded & (np.abs(slip_rpm) < FULLY_IN_RPM)
    held_rpm = engine_rpm[fully_in]
    slip_pct = traces["slip_pct"][moving]
    rise, span_s = steepest_rise(oil_c, step_s)
    lugging = (
        fully_in & (engine_rpm < vehicle.file.engine.lugging_rpm) & (traces["throttle_pct"] > LUGGING_THROTTLE_PCT)
    )
    pairs = list(zip(result.engagements, result.engagements[1:], strict=False))
    gaps = [later.start_s - earlier.end_s for earlier, later in pairs if earlier.end_s is not None]
    cycles = [
        later.start_s
        for earlier, later in pairs
        if earlier.end_s is not None
        and earlier.by == later.by == by
        and earlier.reason_out not in NOT_HUNTING
        and _gear_at(result, earlier.end_s - step_s, step_s) == _gear_at(result, later.start_s, step_s)
    ]
    return Figures(
        name=result.strategy_name,
        kind=result.strategy_kind,
        duration_s=result.duration_s,
        distance_km=result.distance_km,
        oil_peak_c=float(oil_c.max()),
        oil_end_c=float(oil_c[-1]),
        oil_over_s=tuple(float((oil_c > level).sum() * step_s) for level in OIL_LEVELS_C),
        oil_rise_c_per_min=rise,
        oil_rise_span_s=span_s,
        oil_heat_kj=dict(result.heat_kj),
        oil_life_used_pct=result.oil_life_used * 100.0,
        slip_mean_pct=float(slip_pct.mean()) if slip_pct.size else 0.0,
        slip_peak_pct=float(slip_pct.max()) if slip_pct.size else 0.0,
        held_s=float(commanded.sum() * step_s),
        held_low_rpm=float(held_rpm.min()) if held_rpm.size else None,
        held_high_rpm=float(held_rpm.max()) if held_rpm.size else None,
        stall_margin_rpm=float(held_rpm.min() - vehicle.file.engine.stall_rpm) if held_rpm.size else None,
        lugging_s=float(lugging.sum() * step_s),
        engagements=len(result.engagements),
        by_rules=len(own) if by == "rules" else 0,
        shortest_gap_s=min(gaps, default=None),
        hunting=is_hunting(cycles),
        clutch_energy_total_kj=sum(one.energy_kj for one in own),
        clutch_energy_most_kj=_most(one.energy_kj for one in own),
        clutch_torque_peak_nm=_most(one.peak_torque_nm for one in own),
        jolt_most_ms3=_most(one.jolt_ms3 for one in own),
        shaft_peak_nm=_most(one.shaft_peak_nm for one in own),
        fuel_l=result.fuel_l,
        fuel_l_per_100_km=result.fuel_l / result.distance_km * 100.0 if result.distance_km > 0.1 else None,
        stalls=sum(1 for event in result.events if event.kind == "stall"),
        behind_s=sum(
            (event.end_s or event.time_s) - event.time_s for event in result.events if event.kind == "cannot_follow"
        ),
        speed_error_most_kmh=float(np.abs(traces["speed_kmh"] - traces["target_kmh"]).max()),
        refusal_s=_refusal_times(result, step_s),
        oil_peak_error_c=None if band is None else band.peak_c,
    )


def steepest_rise(oil_c: np.ndarray[Any, Any], step_s: float, span_s: float = 60.0) -> tuple[float, float]:
    """Return the steepest rise of the oil over any `span_s` seconds, °C a minute, and the span it was taken over.

    A run shorter than the span is taken whole.
    """
    steps = min(round(span_s / step_s), len(oil_c) - 1)
    rise_c = oil_c[steps:] - oil_c[:-steps]
    return float(rise_c.max() * 60.0 / (steps * step_s)), steps * step_s


def is_hunting(cycles_s: list[float]) -> bool:
    """Return whether `HUNTING_COUNT` cycles end within `HUNTING_WINDOW_S` seconds of each other.

    A cycle is a coming out by one of the clutch's own thresholds and a going in again in the same gear; changing up
    through the gears, braking and pressing the switch are none.
    """
    last = HUNTING_COUNT - 1
    return any(cycles_s[at + last] - cycles_s[at] <= HUNTING_WINDOW_S for at in range(len(cycles_s) - last))


def _gear_at(result: RunResult, time_s: float, step_s: float) -> int:
    return int(result.traces["gear"][round(time_s / step_s)])


def _most(values: Any) -> float | None:
    return max((value for value in values if value is not None), default=None)


def _refusal_times(result: RunResult, step_s: float) -> dict[str, float]:
    if result.strategy_kind != "rules":
        return {}
    band_on = result.traces["band"] > 0
    counts = Counter(result.traces["refusal"][band_on].astype(int).tolist())
    return {result.reason_words[code]: count * step_s for code, count in sorted(counts.items()) if code != 0}
