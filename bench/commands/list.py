"""`tccbench list`: what comes with the workbench."""

from __future__ import annotations

import click


@click.command("list", short_help="Vehicles, drives and calibrations that come along.")
def list_() -> None:
    """List the vehicles, drives and calibrations that come along. All are invented."""
    from bench.terminal import print_table
    from controller.calibration import calibration_names, load_calibration
    from controller.our_rules import OURS
    from sim.drives import drive_names, load_drive
    from sim.vehicle import load_vehicle, vehicle_names

    vehicles = [load_vehicle(name) for name in vehicle_names()]
    print_table(
        "Vehicles",
        ("name", "what it is"),
        [(vehicle.key, f"{vehicle.name}: {vehicle.about}") for vehicle in vehicles],
        left=2,
    )
    drives = [load_drive(name) for name in drive_names()]
    print_table(
        "Drives",
        ("name", "min", "what it is"),
        [(drive.name, f"{drive.duration_s / 60:.1f}", f"{drive.title}. {drive.about}") for drive in drives],
        left=3,
    )
    calibrations = [load_calibration(name, OURS) for name in calibration_names()]
    print_table("Calibrations", ("name", "what it is"), [(one.name, one.title) for one in calibrations], left=2)
