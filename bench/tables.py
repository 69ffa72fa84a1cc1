"""The tables of a comparison, once for the terminal and the report: what is measured down, the runs across."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from typing import TYPE_CHECKING

from bench.figures import HUNTING_COUNT, HUNTING_WINDOW_S, OIL_LEVELS_C, SLIP_FROM_KMH
from bench.pages.markup import Flag, Table
from bench.verdict import OIL_CRITICAL_C, STALL_MARGIN_RPM, clock

if TYPE_CHECKING:
    from bench.figures import Figures
    from bench.pages.markup import Cell
    from sim.result import RunResult

NOTHING = "–"


def _number(value: float | None, places: int, bad: bool = False) -> Cell:
    if value is None:
        return NOTHING
    text = f"{value:.{places}f}"
    return Flag("bad", text) if bad else text


def _seconds_over(level: int, run: Figures) -> Cell:
    return _number(run.oil_over_s[level], 0)


def _stall_margin(run: Figures) -> Cell:
    margin_rpm = run.stall_margin_rpm
    return _number(margin_rpm, 0, margin_rpm is not None and margin_rpm < STALL_MARGIN_RPM)


def _heat(source: str, run: Figures) -> Cell:
    return _number(run.oil_heat_kj.get(source), 0)


def figures_table(figures: Sequence[Figures]) -> Table:
    """Return the one table that a comparison prints."""
    rows: list[list[Cell]] = []

    def row(label: str, cell: Callable[[Figures], Cell]) -> None:
        rows.append([label, *(cell(run) for run in figures)])

    row("oil, peak, °C", lambda run: _number(run.oil_peak_c, 1, run.oil_peak_c > OIL_CRITICAL_C))
    if any(run.oil_peak_error_c is not None for run in figures):
        row("oil, peak, standard error of the fitted vehicle, °C", lambda run: _number(run.oil_peak_error_c, 1))
    row("oil, end, °C", lambda run: _number(run.oil_end_c, 1))
    for at, level in enumerate(OIL_LEVELS_C):
        row(f"oil over {level:.0f} °C, s", partial(_seconds_over, at))
    row("oil, steepest rise in a minute, °C/min", lambda run: _number(run.oil_rise_c_per_min, 1))
    for source in dict.fromkeys(source for run in figures for source in run.oil_heat_kj):
        row(f"heat into the oil, {source}, kJ", partial(_heat, source))
    row("heat into the oil, all, kJ", lambda run: _number(sum(run.oil_heat_kj.values()), 0))
    row("oil life used, %", lambda run: _number(run.oil_life_used_pct, 4))
    row(f"slip above {SLIP_FROM_KMH:.0f} km/h, mean, %", lambda run: _number(run.slip_mean_pct, 1))
    row(f"slip above {SLIP_FROM_KMH:.0f} km/h, peak, %", lambda run: _number(run.slip_peak_pct, 1))
    row("clutch held, s", lambda run: _number(run.held_s, 0))
    row("engine while held, lowest, rpm", lambda run: _number(run.held_low_rpm, 0))
    row("engine while held, highest, rpm", lambda run: _number(run.held_high_rpm, 0))
    row("lowest margin to stall while held, rpm", _stall_margin)
    row("labouring while held, s", lambda run: _number(run.lugging_s, 0))
    row("engine stalls", lambda run: _number(run.stalls, 0, run.stalls > 0))
    row("engagements", lambda run: _number(run.engagements, 0))
    row("engagements by the rules", lambda run: NOTHING if run.kind != "rules" else _number(run.by_rules, 0))
    row("shortest gap out to in, s", lambda run: _number(run.shortest_gap_s, 1))
    row("hunting", lambda run: Flag("bad", "yes") if run.hunting else "no")
    row("clutch energy, most in one, kJ", lambda run: _number(run.clutch_energy_most_kj, 2))
    row("clutch energy, all, kJ", lambda run: _number(run.clutch_energy_total_kj, 2))
    row("clutch torque going in, peak, N·m", lambda run: _number(run.clutch_torque_peak_nm, 0))
    row("hardest jolt, m/s³", lambda run: _number(run.jolt_most_ms3, 1))
    row("driveshaft torque going in, peak, N·m", lambda run: _number(run.shaft_peak_nm, 0))
    row("distance, km", lambda run: _number(run.distance_km, 2))
    row("fuel, l", lambda run: _number(run.fuel_l, 3))
    row("fuel, l/100 km", lambda run: _number(run.fuel_l_per_100_km, 1))
    row("furthest off the target speed, km/h", lambda run: _number(run.speed_error_most_kmh, 1))
    return Table(
        "Run beside run", ("", *(run.name for run in figures)), rows,
        f"Hunting: out by a threshold of its own and in again in the same gear, {HUNTING_COUNT} times within "
        f"{HUNTING_WINDOW_S:.0f} s. Jolt and driveshaft torque are judged on a flexible driveline at 1 ms around each "
        "engagement. Of a run of rules only the rules' own holds count.",
    )  # fmt: skip


def _sensor_kmh(result: RunResult, time_s: float) -> str:
    times_s = result.traces["time_s"]
    at = round((time_s - float(times_s[0])) / float(times_s[1] - times_s[0]))
    return f"{result.traces['sensor_kmh'][at]:.1f}"


def engagements_table(results: Sequence[RunResult]) -> Table:
    """Return every engagement of every run."""
    rows: list[list[Cell]] = []
    for result in results:
        for number, one in enumerate(result.engagements, 1):
            rows.append([
                f"{result.strategy_name} {number}", clock(one.start_s),
                NOTHING if one.end_s is None else clock(one.end_s),
                one.by.replace("_", " "), one.reason_in, one.reason_out, f"{one.speed_kmh:.1f}",
                _sensor_kmh(result, one.start_s),
                _number(one.duration_s, 2), _number(one.rpm_drop, 0), _number(one.energy_kj, 2),
                _number(one.peak_torque_nm, 0), _number(one.jolt_ms3, 1),
            ])  # fmt: skip
    return Table(
        "Engagements",
        (
            "",
            "in at",
            "out at",
            "by",
            "in for",
            "out for",
            "ground km/h",
            "sensor km/h",
            "slips s",
            "drop rpm",
            "kJ",
            "N·m",
            "jolt m/s³",
        ),
        rows,
        left=6,
    )


def interlocks_table(results: Sequence[RunResult]) -> Table:
    """Return every interlock that opened a hold, lamp that came on and stall, with time and reason."""
    rows: list[list[Cell]] = [
        [result.strategy_name, clock(event.time_s), event.kind, event.reason, event.text, f"{event.speed_kmh:.1f}"]
        for result in results
        for event in result.events
        if event.kind in ("interlock", "lamp", "stall")
    ]
    return Table(
        "Interlocks that fired, lamps that came on, and stalls",
        ("", "at", "what", "reason", "in words", "ground km/h"),
        rows,
        left=5,
    )


def refusals_table(figures: Sequence[Figures]) -> Table:
    """Return how long each ground refused a hold while a band was on; the traces show when."""
    rules = [run for run in figures if run.kind == "rules"]
    words = sorted({word for run in rules for word in run.refusal_s})
    rows: list[list[Cell]] = [[word, *(_number(run.refusal_s.get(word), 1) for run in rules)] for word in words]
    return Table("Why the clutch was not in while a band was on, s", ("", *(run.name for run in rules)), rows)


def energy_table(results: Sequence[RunResult]) -> Table:
    """Return the energy residuals: how far the simulation's own books are out."""
    rows: list[list[Cell]] = [
        ["engine work, kJ", *(_number(one.energy.engine_kj, 0) for one in results)],
        ["scheme ledger, share of it", *(f"{one.energy.scheme_residual:.1e}" for one in results)],
        ["independent residual, share of it", *(f"{one.energy.independent_residual:.1e}" for one in results)],
        ["heat ledger, share of heat to coolant", *(f"{one.energy.thermal_residual:.1e}" for one in results)],
    ]
    return Table(
        "Energy books", ("", *(one.strategy_name for one in results)), rows,
        "The scheme ledger closes to rounding; the independent residual shows what the step length costs.",
    )  # fmt: skip
