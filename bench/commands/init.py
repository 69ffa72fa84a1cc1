"""`tccbench init`: own copies of everything to edit."""

from __future__ import annotations

import click

from bench.options import drive_option, vehicle_option


@click.command(short_help="Own copies of everything, to edit.")
@click.argument("folder", metavar="DIR")
@vehicle_option
@drive_option
@click.option("--calibration", default=None, metavar="NAME|FILE", help="Calibration; without it, the vehicle's own.")
def init(folder: str, vehicle: str, drive: str, calibration: str | None) -> None:
    """Write your own copies into DIR to edit: a vehicle, a calibration, a drive and a rule set, each commented."""
    from bench.starter_files import write_starter_files

    paths = write_starter_files(folder, vehicle, drive, calibration)
    for path in paths:
        click.echo(f"written: {path}")
    vehicle_file, calibration_file, drive_file, rules_file = paths
    click.echo(
        "\nTry them:\n"
        f"  tccbench compare --vehicle {vehicle_file} --drive {drive_file} --calibration {calibration_file}\n"
        f"  tccbench compare --rules {rules_file} --vehicle {vehicle_file} --drive {drive_file} "
        f"--calibration {calibration_file}\n"
        f"  tccbench chart --rules {rules_file}"
    )
