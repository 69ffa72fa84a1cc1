"""Every time the converter clutch was commanded in: when, how hard, how much work, and why it came out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sim.record import Array, Record
from sim.vehicle import RPM_PER_RADS

HELD_SLIP_RPM = 5.0


@dataclass(frozen=True)
class Engagement:
    """One engagement. `held_s` and `duration_s` are None when the slip never came to nothing.

    `energy_kj` is what the clutch turned to heat up to the hold (or its end), `peak_torque_nm` its largest
    torque in that time, `rpm_drop` the engine speed lost. `jolt_ms3` is the peak jerk of the vehicle and
    `shaft_peak_nm` the peak torque of the half shafts, both from the flexible driveline; None when that was
    not asked for. `by` is who commanded: "rules" or "as_built".
    """

    start_s: float
    held_s: float | None
    end_s: float | None
    reason_in: str
    reason_out: str
    speed_kmh: float
    energy_kj: float
    peak_torque_nm: float
    duration_s: float | None
    rpm_drop: float
    jolt_ms3: float | None
    shaft_peak_nm: float | None
    by: str


@dataclass(frozen=True)
class Span:
    """Tick numbers of an engagement: commanded in, slip gone (or None), commanded out (or None)."""

    start: int
    held: int | None
    end: int | None


def find_spans(duty: Array, slip_rpm: Array) -> list[Span]:
    """Return the engagements of a run, from the command and the slip of every tick."""
    on = duty > 0.0
    edges = np.diff(np.concatenate(([False], on, [False])).astype(np.int8))
    starts, ends = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    spans = []
    for start, end in zip(starts.tolist(), ends.tolist(), strict=True):
        small = np.flatnonzero(np.abs(slip_rpm[start:end]) < HELD_SLIP_RPM)
        # The slip may pass through zero by chance with an empty clutch: ask for half the duty too.
        small = small[duty[start:end][small] >= 0.5 * duty[start:end].max()]
        held = start + int(small[0]) if len(small) else None
        spans.append(Span(start, held, end if end < len(duty) else None))
    return spans


def describe(
    record: Record,
    span: Span,
    reason_in: str,
    reason_out: str,
    by: str,
    jolt: tuple[float, float] | None,
) -> Engagement:
    """Return an engagement's figures from the run's record."""
    sub, ticks = record.substeps, (len(record.values) - 1) // record.substeps
    last = span.held if span.held is not None else span.end if span.end is not None else ticks
    # The tick in which the slip vanishes belongs to the work.
    steps = slice(span.start * sub, max(last * sub, span.start * sub + 1))
    engine_rpm = record.ticks("engine_rads") * RPM_PER_RADS
    return Engagement(
        start_s=span.start / 100.0,
        held_s=None if span.held is None else span.held / 100.0,
        end_s=None if span.end is None else span.end / 100.0,
        reason_in=reason_in,
        reason_out=reason_out,
        speed_kmh=float(record.ticks("speed_ms")[span.start]) * 3.6,
        energy_kj=float(np.sum(record.book("clutch")[steps])) / 1000.0,
        peak_torque_nm=float(np.max(np.abs(record.book("clutch_nm")[steps]))),
        duration_s=None if span.held is None else (span.held - span.start) / 100.0,
        rpm_drop=float(engine_rpm[span.start] - engine_rpm[min(last, ticks - 1)]),
        jolt_ms3=None if jolt is None else jolt[0],
        shaft_peak_nm=None if jolt is None else jolt[1],
        by=by,
    )
