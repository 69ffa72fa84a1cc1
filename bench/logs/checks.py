"""What readings themselves show to be wrong: silences, stuck values, units that cannot be, too little of anything."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from bench.logs.findings import LogFinding, times
from bench.logs.quantities import BY_NAME

if TYPE_CHECKING:
    from bench.logs.collect import Readings
    from bench.logs.map_file import LogMap

GAP_PERIODS, GAP_LEAST_S = 5.0, 1.0
"""A silence of this many usual periods, and of this many seconds, is a gap."""

STUCK_S, STUCK_OTHERS = 10.0, 20
"""A shaft or road speed that stays on one value this long while another takes this many values is stuck."""

SHORT_S = 5.0
HOT_OIL_C, HOT_COOLANT_C = 145.0, 128.0
SLOW_ROW_S = 20.0


def gap_limit_s(period_s: float) -> float:
    """Return the silence of a quantity from which on nothing is known of it, s."""
    return max(GAP_PERIODS * period_s, GAP_LEAST_S)


def check_readings(readings: dict[str, Readings], log_map: LogMap, duration_s: float) -> list[LogFinding]:
    """Return the findings of a whole recording."""
    findings: list[LogFinding] = []
    for name, one in readings.items():
        findings += _gaps(name, one, duration_s)
    findings += _stuck(readings)
    findings += _units(readings, log_map)
    if duration_s < SHORT_S:
        findings.append(LogFinding("short", "bad", f"only {duration_s:.2f} s long; nothing can be judged from it"))
    findings += _engine(readings)
    for name, why in (
        ("engine_rpm", "no slip, no engagement and no heat can be worked out"),
        ("road_speed_kmh", "no gear can be told"),
    ):
        if name not in readings:
            findings.append(LogFinding("missing", "bad", f"{name} is not in the recording: {why}"))
    for name, why in (
        ("turbine_rpm", "slip is worked out from road speed and gear, as well as those tell"),
        ("oil_temp_c", "nothing can be said of the oil's heat"),
    ):
        if name not in readings:
            findings.append(LogFinding("missing", "note", f"{name} is not in the recording: {why}"))
    slow = [f"{name} {one.period_s:.1f} s" for name, one in readings.items()
            if name in ("engine_rpm", "turbine_rpm", "road_speed_kmh") and one.period_s > 0.5]  # fmt: skip
    if slow:
        findings.append(LogFinding("slow", "note", f"recorded slowly ({', '.join(slow)}): an engagement is placed no "
                                   "better than that, and what passes between two readings is not seen"))  # fmt: skip
    return findings


def _gaps(name: str, one: Readings, duration_s: float) -> list[LogFinding]:
    limit_s = gap_limit_s(one.period_s)
    edges = np.clip(np.concatenate(([0.0], one.time_s, [duration_s])), 0.0, duration_s)
    steps = np.diff(edges)
    wide = np.flatnonzero(steps > limit_s)
    if not wide.size:
        return []
    longest = int(np.argmax(steps))
    return [LogFinding("gap", "note", f"{name}: {times(len(wide), 'gap')}, the longest {steps[longest]:.1f} s from "
                       f"{edges[longest]:.1f} s on; nothing is put in their place")]  # fmt: skip


def _stuck(readings: dict[str, Readings]) -> list[LogFinding]:
    findings = []
    moving = [name for name in ("engine_rpm", "turbine_rpm", "output_rpm", "road_speed_kmh") if name in readings]
    for name in moving:
        one = readings[name]
        if one.value.size < 3:
            continue
        starts = np.flatnonzero(np.diff(one.value, prepend=np.nan) != 0.0)
        ends = np.append(starts[1:], len(one.value)) - 1
        spans = one.time_s[ends] - one.time_s[starts]
        # A value of nothing is a standing shaft, and a silence is a gap, not a stuck value.
        for at in np.flatnonzero((spans > STUCK_S) & (one.value[starts] > 0.0)).tolist():
            begin_s, end_s = float(one.time_s[starts[at]]), float(one.time_s[ends[at]])
            if (ends[at] - starts[at]) * one.period_s < 0.5 * (end_s - begin_s):
                continue
            if any(_distinct(readings[other], begin_s, end_s) >= STUCK_OTHERS for other in moving if other != name):
                findings.append(LogFinding(
                    "stuck", "bad", f"{name}: stays at {one.value[starts[at]]:g} {BY_NAME[name].unit} for "
                    f"{end_s - begin_s:.1f} s from {begin_s:.1f} s on while others move"))  # fmt: skip
                break
    return findings


def _distinct(one: Readings, begin_s: float, end_s: float) -> int:
    at = slice(*np.searchsorted(one.time_s, [begin_s, end_s]).tolist())
    values = one.value[at]
    # Jitter of a standing value is no movement: at least a twentieth must lie between its ends.
    if not values.size or np.ptp(values) < 0.05 * max(float(np.max(values)), 1.0):
        return 0
    return len(np.unique(values))


def _units(readings: dict[str, Readings], log_map: LogMap) -> list[LogFinding]:
    findings = []
    for name, limit_c in (("oil_temp_c", HOT_OIL_C), ("coolant_temp_c", HOT_COOLANT_C)):
        one = readings.get(name)
        if one is not None and float(np.median(one.value)) > limit_c and log_map.signal[name].unit == "°C":
            findings.append(LogFinding("unit", "bad", f"{name}: {float(np.median(one.value)):.0f} °C for half of the "
                                       "time cannot be; it looks like °F: write unit = \"°F\" in the map"))  # fmt: skip
    speed, true = readings.get("road_speed_kmh"), readings.get("true_speed_kmh")
    if speed is not None and true is not None:
        share = _speed_share(speed, true)
        if share is not None and abs(share * 1.609344 - 1.0) < 0.05:
            findings.append(LogFinding("unit", "bad", "road_speed_kmh: 0.62 of the speed over ground; it looks like "
                                       "mph: write unit = \"mph\" in the map"))  # fmt: skip
    steps = [one.period_s for one in readings.values()]
    if min(steps) > SLOW_ROW_S:
        findings.append(LogFinding("time_unit", "bad", f"readings come every {min(steps):.0f} s; if that is ms, write "
                                   "unit = \"ms\" under [time] in the map"))  # fmt: skip
    if max(float(one.time_s[-1]) for one in readings.values()) < 1.0 and min(steps) < 2e-4:
        findings.append(LogFinding("time_unit", "bad", "readings come every fraction of a millisecond; is the "
                                   "time's unit right in the map?"))  # fmt: skip
    return findings


def _speed_share(speed: Readings, true: Readings) -> float | None:
    there = np.interp(true.time_s, speed.time_s, speed.value)
    fast = true.value > 20.0
    return float(np.median(there[fast] / true.value[fast])) if fast.sum() > 20 else None


def _engine(readings: dict[str, Readings]) -> list[LogFinding]:
    engine, speed = readings.get("engine_rpm"), readings.get("road_speed_kmh")
    if engine is not None and float(np.max(engine.value)) < 100.0:
        moves = speed is not None and float(np.max(speed.value)) > 3.0
        return [LogFinding("engine_off", "bad", "the engine never turns in this recording"
                           + ("" if moves else " and the vehicle stands"))]  # fmt: skip
    if speed is not None and float(np.max(speed.value)) < 3.0:
        return [LogFinding("standing", "bad", "the vehicle never moves in this recording: no gear, no engagement")]
    return []
