"""traces.csv: every trace of every run, a row each 10 ms, runs one below the other."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sim.result import RunResult

COLUMNS: tuple[tuple[str, str], ...] = (
    ("time_s", "%.2f"),
    ("speed_kmh", "%.3f"),
    ("sensor_kmh", "%.3f"),
    ("target_kmh", "%.3f"),
    ("engine_rpm", "%.1f"),
    ("turbine_rpm", "%.1f"),
    ("slip_pct", "%.2f"),
    ("throttle_pct", "%.2f"),
    ("brake_pct", "%.2f"),
    ("gear", "%d"),
    ("band", "%d"),
    ("state", "%d"),
    ("reason", "%d"),
    ("refusal", "%d"),
    ("warnings", "%d"),
    ("duty_pct", "%.3f"),
    ("clutch_torque_nm", "%.1f"),
    ("clutch_heat_kw", "%.3f"),
    ("converter_heat_kw", "%.3f"),
    ("oil_c", "%.3f"),
    ("case_c", "%.3f"),
    ("coolant_c", "%.3f"),
    ("grade_pct", "%.2f"),
    ("surface", "%d"),
    ("fuel_lph", "%.3f"),
)
"""Each column with its format; the unit is in the name. Words for the numbers are in result.json."""

HEADER = "run," + ",".join(name for name, _ in COLUMNS) + "\n"


def trace_rows(result: RunResult) -> str:
    """Return a run's rows as text."""
    name = result.strategy_name.replace('"', '""').replace("%", "%%")
    if any(mark in name for mark in ',"\n'):
        name = f'"{name}"'
    row = f"{name}," + ",".join(form for _, form in COLUMNS) + "\n"
    columns = [result.traces[column].tolist() for column, _ in COLUMNS]
    return "".join([row % cells for cells in zip(*columns, strict=True)])
