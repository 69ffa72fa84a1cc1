"""Recordings of the invented vehicles: simulated drives through noise, quantisation, drop-outs, slow sensors."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np

from bench.runs import Plan, strategy_of
from sim.drives import load_drive
from sim.loop import simulate
from sim.result import RunResult
from sim.vehicle import Vehicle, load_vehicle

Array = np.ndarray


@dataclass(frozen=True)
class Truth:
    """What the simulator knows, every 10 ms."""

    time_s: Array
    gear: Array
    shifting: Array
    slip_rpm: Array
    carries: Array
    oil_c: Array
    clutch_nm: Array
    rpm_per_nm_tick: float
    result: RunResult

    @property
    def state(self) -> Array:
        """0 out, 1 slipping, 2 in: the clutch carries torque or not, and slips or not (5 rpm)."""
        return np.where(self.carries, np.where(np.abs(self.slip_rpm) < 5.0, 2, 1), 0)


@dataclass(frozen=True)
class Moments:
    """When the clutch has taken 5 rpm off the slip, the slip comes under that, and is over it again (None: never)."""

    begins_s: float
    held_s: float
    ends_s: float | None


OFF_RPM = 5.0
SHORTEST_TICKS, SHORTEST_GAP_TICKS = 30, 50
"""A hold shorter than the one is not asked for; a gap shorter than the other is a slip within a hold."""


def moments_of(truth: Truth) -> list[Moments]:
    """What the slip without noise tells of each hold, between ticks by straight lines. It begins when the clutch has
    taken that much off the engine's speed."""
    slip = np.abs(truth.slip_rpm)
    found: list[tuple[float, float, float | None, int]] = []
    engagements = [one for one in truth.result.engagements if one.held_s is not None]
    starts = [round(one.start_s * 100) for one in truth.result.engagements] + [len(slip)]
    for one in engagements:
        start = round(one.start_s * 100)
        carries = start + int(np.argmax(truth.carries[start:]))
        held = start + int(np.argmax(truth.carries[start:] & (slip[start:] < OFF_RPM)))
        stop = len(slip) if one.end_s is None else round(one.end_s * 100)
        following = next(at for at in starts if at > start)
        off = np.flatnonzero(slip[stop:following] >= OFF_RPM)
        end = None if one.end_s is None else _reached(slip, stop + int(off[0])) if off.size else float(following)
        begin = _taken(truth, carries, held)
        if found and found[-1][2] is not None and held - found[-1][2] < SHORTEST_GAP_TICKS:
            found[-1] = (*found[-1][:2], end, stop)
        else:
            found.append((begin, _reached(-slip, held, -OFF_RPM), end, stop))
    return [Moments(begin / 100.0, held / 100.0, None if end is None else end / 100.0)
            for begin, held, end, stop in found if stop - held >= SHORTEST_TICKS]  # fmt: skip


def _reached(value: Array, at: int, level: float = OFF_RPM) -> float:
    """The tick, with its fraction, at which a value reaches a level that it has reached at tick `at`."""
    before, after = (float(value[max(at - 1, 0)]), float(value[at]))
    return float(at) if before >= level or after <= before else at - (after - level) / (after - before)


def _taken(truth: Truth, carries: int, held: int) -> float:
    """The tick, with its fraction, at which the clutch has taken so much off the engine's speed."""
    # The torque of a tick has changed the speed by the next one.
    taken = np.append(0.0, np.cumsum(np.abs(truth.clutch_nm[carries : held + 1]))) * truth.rpm_per_nm_tick
    off = np.flatnonzero(taken >= OFF_RPM)
    return carries + _reached(taken, int(off[0])) if off.size else float(held)


@lru_cache(maxsize=16)
def run(vehicle: str, drive: str, strategy: str) -> RunResult:
    """One simulated drive."""
    chosen = strategy_of(Plan(vehicle, drive, strategy, "run"))
    return simulate(load_vehicle(vehicle), load_drive(drive), chosen, flexible_jolt=False)


def truth_of(result: RunResult, vehicle: Vehicle) -> Truth:
    """What the simulator knows of a run."""
    traces = result.traces
    carries = traces["pressure_pct"] > 100.0 * vehicle.params.kiss_share
    return Truth(traces["time_s"], traces["gear"], traces["shift_on"] > 0, traces["slip_rpm"], carries,
                 traces["oil_c"], traces["clutch_torque_nm"],
                 0.01 / vehicle.params.engine_kgm2 * 30.0 / np.pi, result)  # fmt: skip


def columns(
    result: RunResult,
    vehicle: Vehicle,
    *,
    rate_hz: int = 10,
    seed: int = 1,
    noise_rpm: float = 3.0,
    step_rpm: float = 1.0,
    temp_step_c: float = 0.1,
    drop_share: float = 0.002,
    keep: tuple[str, ...] = (),
) -> dict[str, Array]:
    """The columns of a recording, NaN where a reading dropped out or a slow sensor sends nothing."""
    traces, draw = result.traces, np.random.default_rng(seed)
    every = 100 // rate_hz
    at = slice(None, None, every)
    count = len(traces["time_s"][at])
    rim_kmh = traces["speed_kmh"] / (1.0 - traces["tyre_slip_pct"] / 100.0) * vehicle.sensor_speed_factor

    def noisy(value: Array, scatter: float, step: float) -> Array:
        seen = np.round((value[at] + draw.normal(0.0, scatter, count)) / step) * step
        seen[draw.random(count) < drop_share] = np.nan
        return np.maximum(seen, 0.0)

    def slow(value: Array, scatter: float) -> Array:
        seen = noisy(value, scatter, temp_step_c)
        seen[np.arange(count) % rate_hz != 0] = np.nan
        return seen

    found = {
        "time_s": traces["time_s"][at],
        "speed_kmh": noisy(rim_kmh, 0.05, 0.1),
        "engine_rpm": noisy(traces["engine_rpm"], noise_rpm, step_rpm),
        "turbine_rpm": noisy(traces["turbine_rpm"], noise_rpm, step_rpm),
        "throttle_pct": np.minimum(noisy(traces["throttle_pct"], 0.2, 0.4), 100.0),
        "oil_c": slow(traces["oil_c"], 0.1),
        "coolant_c": slow(traces["coolant_c"], 0.1),
    }
    for name in keep:
        found[name] = traces[name][at].copy()
    return found


def write_csv(path: Path, found: dict[str, Array], drop: tuple[str, ...] = ()) -> Path:
    """Write columns as a CSV; NaN becomes an empty cell."""
    names = [name for name in found if name not in drop]
    lines = [",".join(names)]
    for row in zip(*(found[name].tolist() for name in names), strict=True):
        lines.append(",".join("" if value != value else f"{value:.10g}" for value in row))
    path.write_text("\n".join(lines) + "\n")
    return path
