"""`tccbench run`: one strategy on one drive."""

from __future__ import annotations

import click

from bench.options import conditions_options, drive_option, out_option, rules_option, vehicle_option


@click.command(short_help="One strategy on one drive.")
@click.argument("strategy", metavar="STRATEGY")
@vehicle_option
@drive_option
@rules_option
@conditions_options
@out_option
def run(
    strategy: str,
    vehicle: str,
    drive: str,
    rules_file: str | None,
    ambient_c: float | None,
    trailer_kg: float | None,
    band: str | None,
    out_dir: str,
) -> None:
    """Run one STRATEGY on a drive: `open` (never locked), `as-built`, or a calibration's name or file."""
    from bench.comparison import Settings
    from bench.show import show

    show(Settings(vehicle, drive, (strategy,), rules_file, ambient_c, trailer_kg, band), out_dir)
