"""`tccbench compare`: what do these rules do on this run, against as built and against never locking?"""

from __future__ import annotations

import click

from bench.options import (
    calibrations_option,
    conditions_options,
    drive_option,
    out_option,
    rules_option,
    vehicle_option,
)


@click.command(short_help="Rules against as built and never locked, on one drive.")
@vehicle_option
@drive_option
@calibrations_option
@rules_option
@conditions_options
@out_option
def compare(
    vehicle: str,
    drive: str,
    calibrations: tuple[str, ...],
    rules_file: str | None,
    ambient_c: float | None,
    trailer_kg: float | None,
    band: str | None,
    out_dir: str,
) -> None:
    """Compare rules with the transmission as built and with never locking, on one drive.

    Prints the verdict first, then the figures, and writes result.json, traces.csv and report.html.
    """
    from bench.comparison import Settings, default_calibration
    from bench.runs import AS_BUILT, OPEN
    from bench.show import show

    chosen = calibrations or (default_calibration(vehicle, rules_file),)
    show(Settings(vehicle, drive, (OPEN, AS_BUILT, *chosen), rules_file, ambient_c, trailer_kg, band), out_dir)
