"""Drives: a script of target speed, ground and events, from TOML or from a recorded speed trace."""

from __future__ import annotations

import csv
from dataclasses import dataclass, field
from pathlib import Path

from controller.declare import Band
from controller.errors import UserError
from sim.files import embedded_names, looks_like_path, parse, read_text, read_toml

FOLDER = "drives"
SHORTEST_S, LONGEST_S = 1.0, 14_400.0
BANDS = {band.word: int(band) for band in Band}
# A recorded trace says nothing of the day it was driven on: a mild one and a warm vehicle.
CSV_COLUMNS = {
    "time_s": 1.0, "speed_kmh": 1.0, "grade_pct": 1.0,
    "cycSecs": 1.0, "cycMps": 3.6, "cycGrade": 100.0, "cycRoadType": 0.0,
}  # fmt: skip
"""Columns of a recorded trace and what makes s, km/h and per cent of them; 0 where nothing is read."""

CSV_AMBIENT_C, CSV_OIL_C, CSV_COOLANT_C = 25.0, 80.0, 85.0


@dataclass(frozen=True)
class DrivePoint:
    """A place in the script; between points speed, grade and wind run straight, the rest holds."""

    time_s: float
    speed_kmh: float
    grade_pct: float = 0.0
    surface: str = "sealed"
    gear_limit: int = 99
    wind_kmh: float = 0.0


@dataclass(frozen=True)
class DriveEvent:
    """Something that happens at `at_s`, or when road speed crosses `at_speed_kmh` after `after_s`.

    `for_s` is how long it lasts; None means for good. `lose` names signal groups that stop arriving.
    """

    at_s: float | None = None
    at_speed_kmh: float | None = None
    rising: bool = True
    after_s: float = 0.0
    for_s: float | None = None
    band: int | None = None
    ignition: int | None = None
    throttle_add: float = 0.0
    brake: float = 0.0
    gear_limit: int | None = None
    lose: tuple[str, ...] = ()
    signals: dict[str, int] = field(default_factory=dict)


@dataclass(frozen=True)
class Drive:
    """A drive. Temperatures are at the start; trailer and load come on top of the vehicle's mass."""

    name: str
    title: str
    about: str
    ambient_c: float
    oil_c: float
    coolant_c: float
    points: tuple[DrivePoint, ...]
    events: tuple[DriveEvent, ...] = ()
    altitude_m: float = 0.0
    load_kg: float = 0.0
    trailer_kg: float = 0.0
    trailer_drag_area_m2: float = 0.0
    trailer_rolling: float = 0.014
    text: str = ""

    @property
    def duration_s(self) -> float:
        """Length of the drive, s."""
        return self.points[-1].time_s


def drive_names() -> list[str]:
    """Return the names of the embedded drives."""
    return embedded_names(FOLDER)


def load_drive(name_or_path: str) -> Drive:
    """Return an embedded drive by name, or one from a TOML or CSV file.

    A CSV has the columns `time_s,speed_kmh[,grade_pct]`, or those of the published schedules that come with the
    FASTSim library: `cycSecs,cycMps[,cycGrade][,cycRoadType]`. Raises `UserError` with one line that names the
    file, the key or row, what is wrong and what would be right.
    """
    is_csv = looks_like_path(name_or_path) and name_or_path.lower().endswith(".csv")
    drive = _from_csv(name_or_path) if is_csv else _from_toml(name_or_path)
    if not SHORTEST_S <= drive.duration_s <= LONGEST_S:
        raise UserError(
            f"{name_or_path}: the last time is {drive.duration_s:g} s; a drive lasts from {SHORTEST_S:g} s to "
            f"{LONGEST_S:g} s ({LONGEST_S / 3600:g} h): cut a longer one into parts"
        )
    for number, event in enumerate(drive.events, 1):
        if event.at_s is not None and event.at_s > drive.duration_s:
            raise UserError(
                f"{name_or_path}: event[{number}].at_s = {event.at_s:g} is after the end of the drive at "
                f"{drive.duration_s:g} s"
            )
    return drive


def _from_toml(name_or_path: str) -> Drive:
    from sim.drive_file import DriveFile

    source, text, data = read_toml(name_or_path, FOLDER, "drive")
    file = parse(DriveFile, data, source)
    points: list[DrivePoint] = []
    last = DrivePoint(0.0, 0.0)
    for point in file.point:
        last = DrivePoint(
            point.at_s,
            point.speed_kmh,
            last.grade_pct if point.grade_pct is None else point.grade_pct,
            last.surface if point.surface is None else point.surface,
            last.gear_limit if point.gear_limit is None else point.gear_limit,
            last.wind_kmh if point.headwind_kmh is None else point.headwind_kmh,
        )
        points.append(last)
    events = tuple(
        DriveEvent(
            event.at_s,
            event.at_speed_kmh,
            event.direction == "rising",
            event.after_s,
            event.for_s,
            None if event.band is None else BANDS[event.band],
            None if event.ignition is None else int(event.ignition),
            (event.throttle_add_pct or 0.0) / 100.0,
            (event.brake_pct or 0.0) / 100.0,
            event.gear_limit,
            event.lose,
            event.signals,
        )
        for event in file.event
    )
    trailer = file.trailer
    return Drive(
        name=Path(source).stem if looks_like_path(source) else source,
        title=file.title,
        about=file.about,
        ambient_c=file.ambient_c,
        oil_c=file.oil_c,
        coolant_c=file.coolant_c,
        points=tuple(points),
        events=events,
        altitude_m=file.altitude_m,
        load_kg=file.load_kg,
        trailer_kg=trailer.mass_kg if trailer else 0.0,
        trailer_drag_area_m2=trailer.drag_area_m2 if trailer else 0.0,
        trailer_rolling=trailer.rolling if trailer else 0.014,
        text=text,
    )


def _from_csv(path: str) -> Drive:
    text = read_text(path, "drive")
    rows = list(csv.reader(text.splitlines()))
    header = [cell.strip() for cell in rows[0]] if rows else []
    if header[:2] not in (["time_s", "speed_kmh"], ["cycSecs", "cycMps"]) or not set(header) <= set(CSV_COLUMNS):
        given = ",".join(header) or "nothing"
        raise UserError(f"{path}: row 1: the header must be time_s,speed_kmh[,grade_pct], but it is {given}")
    read = [(at, name, CSV_COLUMNS[name]) for at, name in enumerate(header) if CSV_COLUMNS[name]]
    points: list[DrivePoint] = []
    for number, row in enumerate(rows[1:], start=2):
        if not any(cell.strip() for cell in row):
            continue
        if len(row) != len(header):
            raise UserError(f"{path}: row {number}: {len(row)} cells where the header has {len(header)}")
        values = [_number(path, number, name, row[at]) * factor for at, name, factor in read]
        _check_row(path, number, values, points)
        points.append(DrivePoint(values[0], values[1], values[2] if len(values) > 2 else 0.0))
    if len(points) < 2:
        raise UserError(f"{path}: a drive needs at least two rows of values, but there are {len(points)}")
    name = Path(path).stem
    return Drive(
        name, name, f"Recorded speed trace {name}.", CSV_AMBIENT_C, CSV_OIL_C, CSV_COOLANT_C, tuple(points),
        text=text,
    )  # fmt: skip


def _number(path: str, row: int, column: str, cell: str) -> float:
    try:
        value = float(cell)
    except ValueError:
        raise UserError(f"{path}: row {row}, column {column}: {cell.strip()!r} is not a number") from None
    if value - value != 0.0:
        raise UserError(f"{path}: row {row}, column {column}: {cell.strip()!r} is not a finite number")
    return value


def _check_row(path: str, row: int, values: list[float], points: list[DrivePoint]) -> None:
    time_s, speed_kmh = values[0], values[1]
    if time_s < 0.0:
        raise UserError(f"{path}: row {row}, column time_s: time must not be negative, but it is {time_s:g}")
    if not points and time_s != 0.0:
        raise UserError(f"{path}: row {row}, column time_s: a drive starts at time 0, but it is {time_s:g}")
    if points and time_s <= points[-1].time_s:
        raise UserError(
            f"{path}: row {row}, column time_s: time must rise, but {time_s:g} follows {points[-1].time_s:g}"
        )
    if not 0.0 <= speed_kmh <= 250.0:
        raise UserError(f"{path}: row {row}, column speed_kmh: speed must be 0 to 250 km/h, but it is {speed_kmh:g}")
    if len(values) > 2 and not -40.0 <= values[2] <= 40.0:
        raise UserError(f"{path}: row {row}, column grade_pct: grade must be -40 to 40 %, but it is {values[2]:g}")
