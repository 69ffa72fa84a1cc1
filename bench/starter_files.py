"""Own copies for a user to edit: never over a file that is already there."""

from __future__ import annotations

from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING

from bench.out_files import ready_folder, write_whole
from controller.errors import UserError

if TYPE_CHECKING:
    from sim.vehicle import Vehicle

STARTING_POINT = "station"
"""The calibration that is fitted to a vehicle for which none comes along."""


def write_starter_files(folder_name: str, vehicle: str, drive: str, calibration: str | None) -> list[Path]:
    """Write vehicle, calibration, drive and rule set; return their paths in that order.

    Raises `UserError`, with nothing written, where one of them is already there or cannot be written.
    """
    from sim.drives import load_drive
    from sim.vehicle import load_vehicle

    texts = {
        "my_vehicle.toml": load_vehicle(vehicle).text,
        "my_calibration.toml": _calibration_text(load_vehicle(vehicle), calibration),
        "my_drive.toml": _drive_text(load_drive(drive).text, drive),
        "my_rules.py": (resources.files("controller") / "templates" / "my_rules.py").read_text(encoding="utf-8"),
    }
    there = [name for name in texts if (Path(folder_name) / name).exists()]
    if there:
        raise UserError(f"{Path(folder_name) / there[0]} is already there and may hold your work; give another folder")
    folder = ready_folder(folder_name)
    for name, text in texts.items():
        write_whole(folder / name, [text])
    return [folder / name for name in texts]


def _calibration_text(vehicle: Vehicle, name: str | None) -> str:
    """Return a calibration's text; where none is made for the vehicle's gears and tyres, one that is."""
    from bench.comparison import misfit
    from controller.calibration import calibration_names, calibration_text, load_calibration, write_calibration
    from controller.keys import GEARS
    from controller.our_rules import OURS

    for candidate in [name] if name else calibration_names():
        if not misfit(load_calibration(candidate, OURS), vehicle):
            return calibration_text(candidate)[0]
    values = load_calibration(name or STARTING_POINT, OURS).values
    listed = [round(rpm / vehicle.sensor_speed_factor) for rpm in vehicle.turbine_rpm_at_100_kmh]
    changes = {f"turbine_rpm_at_100_kmh_{gear}": rpm for gear, rpm in enumerate([*listed, *[0] * GEARS][:GEARS], 1)}
    changes["tyre_scale_permille"] = round(1000 / vehicle.sensor_speed_factor)
    for key in ("low_gear_lowest", "low_gear_highest", "high_gear_lowest", "high_gear_highest"):
        changes[key] = min(getattr(values, key), vehicle.gear_count)
    return write_calibration(OURS, values._replace(**changes), f"For {vehicle.name}: speeds still to be set")


def _drive_text(text: str, drive: str) -> str:
    if drive.endswith(".csv"):
        raise UserError(f"--drive {drive}: a recorded trace is a drive already; give a script's name or TOML file")
    return text
