"""The tables of `log show`, once for the terminal and the report."""

from __future__ import annotations

from typing import TYPE_CHECKING

from bench.figures import OIL_LEVELS_C, SLIP_FROM_KMH
from bench.logs.quantities import BY_NAME
from bench.pages.markup import Flag, Table
from bench.tables import NOTHING
from bench.verdict import OIL_CRITICAL_C, clock

if TYPE_CHECKING:
    from bench.logs.moments import Moment
    from bench.logs.reading import Log
    from bench.logs.summary import Summary
    from bench.pages.markup import Cell

MOST_ROWS = 60


def number(value: float | None, places: int) -> str:
    """Return a number with its places, or a dash for None."""
    return NOTHING if value is None else f"{value:.{places}f}"


def signals_table(log: Log) -> Table:
    """Return what was recorded, as read."""
    rows = [
        [BY_NAME[name].label, log.map.signal[name].channel, log.map.signal[name].unit or NOTHING, str(len(one.value)),
         f"{one.period_s * 1000.0:.0f}", f"{one.value.min():.1f}", f"{one.value.max():.1f}", BY_NAME[name].unit]
        for name, one in log.readings.items()
    ]  # fmt: skip
    return Table("Recorded", ("", "channel", "its unit", "readings", "every ms", "lowest", "highest", "unit"), rows,
                 left=3)  # fmt: skip


def summary_table(summary: Summary) -> Table:
    """Return the figures of a recording."""
    s = summary
    rows: list[list[Cell]] = [
        ["length, min:s", clock(s.duration_s)],
        ["distance, km", number(s.distance_km, 2)],
        ["moving, s", number(s.moving_s, 0)],
        ["gear told from", s.gear_by],
        ["gear, how sure, %", number(100.0 * s.gear_sure, 1)],
        ["clutch told from", s.clutch_by],
        ["clutch, how sure, %", number(100.0 * s.clutch_sure, 1)],
        ["moving time in which slip is known, %", number(100.0 * s.known_share, 1)],
        ["moving time in which slip does not tell in from out, %", number(100.0 * s.untold_share, 1)],
        ["scatter of the slip, rpm", number(s.noise_rpm, 1)],
        [f"slip with the clutch out above {SLIP_FROM_KMH:.0f} km/h, mean, %", number(s.slip_out_mean_pct, 1)],
        [f"slip with the clutch out above {SLIP_FROM_KMH:.0f} km/h, mean, rpm", number(s.slip_out_mean_rpm, 0)],
        [f"slip above {SLIP_FROM_KMH:.0f} km/h, peak, %", number(s.slip_peak_pct, 1)],
        ["clutch in, s", number(s.in_s, 0)],
        ["clutch out while moving, s", number(s.out_s, 0)],
        ["engine while held, lowest, rpm", number(s.held_low_rpm, 0)],
        [f"labouring while held (under {s.lugging_under_rpm:.0f} rpm), s", number(s.lugging_s, 0)],
        ["engagements", str(len(s.engagements))],
        ["their times told to one sample", f"{s.moments_told} of {s.moments}"],
        ["shortest gap out to in, s", number(s.shortest_gap_s, 1)],
        ["hunting", Flag("bad", "yes") if s.hunting else "no"],
        ["oil, start, °C", number(s.oil_start_c, 1)],
        ["oil, peak, °C", _oil_peak(s)],
        ["oil, end, °C", number(s.oil_end_c, 1)],
        ["oil, steepest rise in a minute, °C/min", number(s.oil_rise_c_per_min, 1)],
    ]
    if s.oil_peak_c is not None:
        rows += [[f"oil over {level:.0f} °C, s", number(over, 0)]
                 for level, over in zip(OIL_LEVELS_C, s.oil_over_s, strict=True)]  # fmt: skip
    rows += [[f"heat into the oil, {source}, kJ", number(heat, 0)] for source, heat in s.heat_kj.items()]
    if s.heat_kj:
        rows.append(["heat into the oil, all, kJ", number(sum(s.heat_kj.values()), 0)])
    return Table("The recording", ("", s.name), rows, f"Worked out every {s.step_s * 1000.0:g} ms.")


def _oil_peak(summary: Summary) -> Cell:
    peak = number(summary.oil_peak_c, 1)
    return Flag("bad", peak) if summary.oil_peak_c is not None and summary.oil_peak_c > OIL_CRITICAL_C else peak


def gears_table(summary: Summary) -> Table:
    """Return the time in each gear and its gearing."""
    rows = [
        ["none told" if gear <= 0 else str(gear), number(seconds, 0), number(summary.rpm_at_100_kmh.get(gear), 0)]
        for gear, seconds in summary.gear_s.items()
    ]
    return Table("Gears while moving", ("gear", "s", "rpm at 100 km/h"), rows)


def engagements_table(summary: Summary) -> Table:
    """Return every engagement; each time with what it may be off, or the stretch in which it lies."""
    rows = [
        [str(at), when(one.start), when(one.held), when(one.end), number(one.speed_kmh, 1),
         str(one.gear) if one.gear > 0 else NOTHING, number(one.throttle_pct, 0), number(one.drop_rpm, 0),
         number(one.duration_s, 2), number(one.gap_s, 1), number(100.0 * one.sure, 0)]
        for at, one in enumerate(summary.engagements[:MOST_ROWS], start=1)
    ]  # fmt: skip
    left = len(summary.engagements) - len(rows)
    notes = ["A time with ± is told to one sample; of a stretch, the words say what hides where in it."]
    notes += [f"{left} more are in log.json."] if left > 0 else []
    return Table("Engagements", ("", "goes in at", "slip gone at", "out at", "km/h", "gear", "pedal %", "drop rpm",
                                 "slips s", "gap s", "sure %"), rows, " ".join(notes))  # fmt: skip


def when(moment: Moment | None) -> str:
    """Return a moment with what it may be off, or the stretch in which it lies and why no more is told."""
    if moment is None:
        return NOTHING
    if moment.is_told:
        # On a page the two stay on one line.
        return f"{_clock(moment.at_s)}\N{NO-BREAK SPACE}±\N{NO-BREAK SPACE}{moment.high_s - moment.at_s:.2f}"
    return f"{_clock(moment.low_s)} to {_clock(moment.high_s)}, {moment.why}"


def _clock(time_s: float) -> str:
    hundredths = round(max(time_s, 0.0) * 100.0)
    return f"{hundredths // 6000}:{hundredths % 6000 / 100.0:05.2f}"


def segments_table(summary: Summary) -> Table:
    """Return the oil's slope of each longer stretch."""
    rows = [
        [clock(one.start_s), clock(one.end_s), one.kind, number(one.speed_kmh, 0), number(one.slip_pct, 1),
         number(one.heat_kw, 1), number(one.from_c, 1), f"{one.slope_c_per_min:+.2f}", number(one.slope_error, 2)]
        for one in summary.segments
    ]  # fmt: skip
    return Table("Oil temperature by stretch", ("from", "to", "", "km/h", "slip %", "heat kW", "oil °C",
                                                "slope °C/min", "±"), rows,
                 "Slope of a straight line with its standard error; stretches of 20 s and more.", left=3)  # fmt: skip
