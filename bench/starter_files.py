"""Own copies for a user to edit: never over a file that is already there."""

from __future__ import annotations

from importlib import resources
from pathlib import Path

from bench.out_files import ready_folder, write_whole
from controller.errors import UserError


def write_starter_files(folder_name: str, vehicle: str, drive: str, calibration: str | None) -> list[Path]:
    """Write vehicle, calibration, drive and rule set; return their paths in that order.

    Raises `UserError`, with nothing written, where one of them is already there or cannot be written.
    """
    from bench.comparison import default_calibration
    from controller.calibration import calibration_text, load_calibration
    from controller.our_rules import OURS
    from sim.drives import load_drive
    from sim.vehicle import load_vehicle

    chosen = calibration or default_calibration(vehicle, None)
    load_calibration(chosen, OURS)
    texts = {
        "my_vehicle.toml": load_vehicle(vehicle).text,
        "my_calibration.toml": calibration_text(chosen)[0],
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


def _drive_text(text: str, drive: str) -> str:
    if drive.endswith(".csv"):
        raise UserError(f"--drive {drive}: a recorded trace is a drive already; give a script's name or TOML file")
    return text
