"""Options that several commands share, so that each reads the same everywhere."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

import click

_Command = TypeVar("_Command", bound=Callable[..., Any])

_Decorator = Callable[[_Command], _Command]


class Within(click.ParamType):  # type: ignore[type-arg]  # older releases of click know no argument
    """A number from `low` to `high`; unlike click's own range it refuses what is no number at all."""

    name = "number"

    def __init__(self, low: float, high: float) -> None:
        self.low, self.high = low, high

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Return the number, or fail with what would be right."""
        try:
            number = float(value)
        except ValueError:
            number = float("nan")
        if not self.low <= number <= self.high:
            self.fail(f"{value} is not a number from {self.low:g} to {self.high:g}", param, ctx)
        return number


def vehicle_option(command: _Command) -> _Command:
    """`--vehicle`: an embedded name or a file."""
    return click.option(
        "--vehicle", default="pukeko", show_default=True, metavar="NAME|FILE",
        help="Vehicle: a name from `tccbench list`, or a TOML file.",
    )(command)  # fmt: skip  # an option a paragraph


def drive_option(command: _Command) -> _Command:
    """`--drive`: an embedded name, a script or a recorded speed trace."""
    return click.option(
        "--drive", default="riverbed", show_default=True, metavar="NAME|FILE",
        help="Drive: a name from `tccbench list`, a TOML script, or a CSV `time_s,speed_kmh[,grade_pct]`.",
    )(command)  # fmt: skip


def calibrations_option(command: _Command) -> _Command:
    """`--calibration`, several times."""
    return click.option(
        "--calibration", "calibrations", multiple=True, metavar="NAME|FILE",
        help="Calibration: a name from `tccbench list`, or a TOML file. May be given several times; "
        "without it, the first that is made for the vehicle.",
    )(command)  # fmt: skip


def rules_option(command: _Command) -> _Command:
    """`--rules`: the one option that runs a user's code."""
    return click.option(
        "--rules", "rules_file", default=None, metavar="FILE.py",
        help="Rule set of your own. This runs the file as Python code: give only files that you trust. "
        "All other files are data and run nothing.",
    )(command)  # fmt: skip


def conditions_options(command: _Command) -> _Command:
    """`--ambient`, `--trailer` and `--band`: what a day and a driver may change about a drive."""
    command = click.option(
        "--ambient", "ambient_c", type=Within(-40, 55), default=None, metavar="°C",
        help="Air temperature; without it, the drive's own.",
    )(command)  # fmt: skip
    command = click.option(
        "--band", type=click.Choice(["low", "high"]), default=None,
        help="Press the driver's switch to this band a second after the start, for drives that press none, such as "
        "a recorded trace. Presses of the drive itself still count.",
    )(command)  # fmt: skip
    return click.option(
        "--trailer", "trailer_kg", type=Within(0, 6000), default=None, metavar="KG",
        help="Trailer mass; without it, the drive's own.",
    )(command)  # fmt: skip


def out_option(command: _Command) -> _Command:
    """`--out`: where files are written."""
    return click.option(
        "--out", "out_dir", default="tccbench-out", show_default=True, metavar="DIR",
        help="Folder that the files are written to; they replace those of an earlier run.",
    )(command)  # fmt: skip
