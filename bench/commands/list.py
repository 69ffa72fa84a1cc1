"""`tccbench list`: what comes with the workbench."""

from __future__ import annotations

import click


@click.command("list", short_help="Vehicles, drives and calibrations that come along.")
def list_() -> None:
    """List the vehicles, drives and calibrations that come along. All are invented."""
    from bench.pages.markup import Table
    from bench.terminal import print_table
    from controller.calibration import calibration_names, load_calibration
    from controller.our_rules import OURS
    from sim.drives import drive_names, load_drive
    from sim.vehicle import load_vehicle, vehicle_names

    vehicles = [load_vehicle(name) for name in vehicle_names()]
    drives = [load_drive(name) for name in drive_names()]
    calibrations = [load_calibration(name, OURS) for name in calibration_names()]
    for table in (
        Table("Vehicles", ("name", "what it is"), [(one.key, f"{one.name}: {one.about}") for one in vehicles], left=2),
        Table(
            "Drives",
            ("name", "what it is", "min"),
            [(one.name, f"{one.title}. {one.about}", f"{one.duration_s / 60:.1f}") for one in drives],
            left=2,
        ),
        Table("Calibrations", ("name", "what it is"), [(one.name, one.title) for one in calibrations], left=2),
    ):
        print_table(table)
