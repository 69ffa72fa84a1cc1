"""The tables of a fit."""

from __future__ import annotations

from typing import TYPE_CHECKING

from bench.logs.oil_model import OIL_KEYS
from bench.logs.show_tables import number
from bench.pages.markup import Table
from bench.tables import NOTHING
from bench.verdict import clock

if TYPE_CHECKING:
    from bench.logs.fit import Fit
    from bench.pages.markup import Cell


def changes_table(done: Fit) -> Table:
    """Return every value of the file that is changed."""
    rows = [
        [one.place, _values(one.before), _values(one.after), f"{100.0 * one.error_share:.2f}",
         "told" if one.is_told else "not told, as near the file as the rest allows"]
        for one in done.changes
    ]  # fmt: skip
    return Table("Fitted values", ("", "file", "fitted", "± %", ""), rows, "± is one standard error.")


def _values(values: tuple[float, ...]) -> str:
    return ", ".join(f"{one:.5g}" for one in values)


def gearing_table(done: Fit) -> Table:
    """Return the measured gearing of each gear."""
    rows = [
        [each.log.map.title, str(gear.gear), f"{gear.share:.4f}", f"{gear.error:.4f}", number(gear.seconds, 0), gear.by]
        for each, one in zip(done.shown, done.gearing, strict=True)
        for gear in one.gears
    ]
    return Table("Gearing: share of the file's", ("", "gear", "share", "±", "s", "by"), rows)


def converter_table(done: Fit) -> Table:
    """Return the measured capacity by speed ratio."""
    rows = [
        [each.log.map.title, f"{one.low:g} to {one.high:g}", f"{one.share:.3f}", f"{one.error:.3f}",
         number(one.seconds, 0)]
        for each, fit in zip(done.shown, done.converter, strict=True)
        for one in fit.bins
    ]  # fmt: skip
    columns = ("", "speed ratio", "share", "±", "s")
    return Table("Converter: torque taken, as a share of the file's table", columns, rows, left=2)


def road_table(done: Fit) -> Table:
    """Return rolling resistance by stretch."""
    rows = [
        [each.log.map.title, clock(one.start_s), clock(one.end_s), number(one.speed_kmh, 0), f"{one.rolling:.3f}",
         f"{one.error:.3f}", one.surface]
        for each, fit in zip(done.shown, done.road, strict=True)
        for one in fit.stretches
    ]  # fmt: skip
    columns = ("", "from", "to", "km/h", "coefficient", "±", "nearest surface")
    return Table("Rolling resistance by stretch", columns, rows)


def oil_table(done: Fit) -> Table:
    """Return the errors of the oil's model and how the fitted values' errors go together."""
    oil = done.oil
    if oil is None:
        return Table("Oil", ("", ""), [])
    rows: list[list[Cell]] = [
        ["error with the file as it was, °C", number(oil.before_rmse_c, 2)],
        ["error with the fit, °C", number(oil.rmse_c, 2) if oil.told[0] else NOTHING],
        ["error on the held-out last part, °C", number(oil.held_out_rmse_c, 2)],
    ]
    for row in range(len(OIL_KEYS)):
        for column in range(row):
            if oil.told[0]:
                value = f"{oil.correlation[row, column]:+.2f}"
                rows.append([f"correlation of {_short(row)} and {_short(column)}", value])
    return Table("Oil", ("", ""), rows, "Root mean square errors. Held out: fitted to the first 70 % of each "
                 "recording, run on freely through the rest.")  # fmt: skip


def _short(at: int) -> str:
    return OIL_KEYS[at].rpartition(".")[2]
