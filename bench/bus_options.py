"""Options that the bus commands share."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

import click

from bench.options import Within

_Command = TypeVar("_Command", bound=Callable[..., Any])


def bus_option(default: str | None = None) -> Callable[[_Command], _Command]:
    """`--bus`: where the frames go."""
    return click.option(
        "--bus", "url", default=default, required=default is None, show_default=True, metavar="URL",
        help="virtual:NAME, slcan:socket://127.0.0.1:PORT (see `tccbench hub`), slcan:/dev/ttyACM0@115200, "
        "socketcan:vcan0, or any python-can INTERFACE:CHANNEL; ?bitrate=500000 may follow.",
    )  # fmt: skip  # an option a paragraph


def map_options(command: _Command) -> _Command:
    """`--map` and `--dbc`: how signals are bound."""
    command = click.option(
        "--dbc", "dbc_path", default=None, metavar="FILE", help="DBC file in place of the one that the map names.",
    )(command)  # fmt: skip
    return click.option(
        "--map", "map_name", default="powertrain", show_default=True, metavar="NAME|FILE",
        help="Map: powertrain, j1939, or a TOML file.",
    )(command)  # fmt: skip


def send_option(command: _Command) -> _Command:
    """`--send`: the explicit switch for a real interface."""
    return click.option(
        "--send", "may_send", is_flag=True, help="Permit sending on a real interface, after you have read the cautions."
    )(command)  # fmt: skip


def clock_option(command: _Command) -> _Command:
    """`--clock`: simulated or real time."""
    return click.option(
        "--clock", type=click.Choice(["lock-step", "real"]), default="lock-step", show_default=True,
        help="lock-step: simulated time, as fast as it goes, the same every time. real: 100 ticks a second.",
    )(command)  # fmt: skip


def wait_option(command: _Command) -> _Command:
    """`--wait`: how long to wait for the other end."""
    return click.option(
        "--wait", "wait_s", type=Within(0.1, 3600), default=10.0, show_default=True, metavar="S",
        help="How long to wait for the other end to appear.",
    )(command)  # fmt: skip


def calibration_option(command: _Command) -> _Command:
    """`--calibration`, once."""
    return click.option(
        "--calibration", default="station", show_default=True, metavar="NAME|FILE",
        help="Calibration: a name from `tccbench list`, or a TOML file.",
    )(command)  # fmt: skip
