"""The page on drives names every drive, key, signal group, CSV column and surface, with what the code has."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

from controller.signals import SIGNALS
from sim.drive_file import DriveFile, Event, Point, Table, Trailer
from sim.drives import CSV_COLUMNS, drive_names, load_drive
from sim.road import SURFACES
from sim.sensors import GROUPS

PAGE = (Path(__file__).parents[2] / "docs" / "drives.md").read_text(encoding="utf-8")


def section(heading: str) -> str:
    """Return the text under a heading, up to the next heading of any level."""
    found = re.search(
        rf"^#+ {re.escape(heading)}$(.*?)(?=^#|\Z)", re.sub(r"```.*?```", "", PAGE, flags=re.S), re.M | re.S
    )
    assert found, heading
    return found[1]


def rows(text: str) -> dict[str, list[str]]:
    """Return the rows of a section's tables by the word in their first cell."""
    table: dict[str, list[str]] = {}
    for line in text.splitlines():
        cells = [cell.strip() for cell in line.strip("|").split("|")]
        if line.startswith("| `"):
            name = cells[0].strip("`")
            assert name not in table, name
            table[name] = cells[1:]
    return table


def test_every_embedded_drive_has_its_row_with_its_minutes() -> None:
    table = rows(section("The drives that come along"))
    assert sorted(table) == drive_names()
    for name, (minutes, shows) in table.items():
        assert minutes == f"{load_drive(name).duration_s / 60.0:.1f}", name
        assert len(shows) > 20, name


@pytest.mark.parametrize(
    ("heading", "models"),
    [
        ("The whole drive", (DriveFile, Trailer)),
        ("`[[point]]`: places in the script", (Point,)),
        ("`[[event]]`: what happens on the way", (Event,)),
    ],
)
def test_every_key_has_its_row_and_its_default(heading: str, models: tuple[type[Table], ...]) -> None:
    table = rows(section(heading))
    fields = {name: field for model in models for name, field in model.model_fields.items()}
    assert list(table) == list(fields), "the keys in the file's order"
    for name, field in fields.items():
        unit, _, left_out, meaning = table[name]
        assert field.is_required() == left_out.startswith("needed"), name
        if isinstance(field.default, float):
            assert float(left_out) == field.default, name
        suffix = name.rsplit("_", 1)[-1]
        unit_of = {"s": "s", "kmh": "km/h", "pct": "%", "c": "°C", "kg": "kg", "m": "m", "m2": "m²"}.get(suffix, "")
        assert unit.startswith(unit_of), name
        assert meaning, name


def test_every_signal_group_says_what_it_holds() -> None:
    table = rows(section("Faults"))
    assert list(table) == list(GROUPS)
    for group, (signals, age) in table.items():
        assert signals == ", ".join(f"`{name}`" for name in GROUPS[group])
        assert age.strip("`") in {signal.name for signal in SIGNALS}


def test_every_csv_column_is_named() -> None:
    text = section("A recorded trace in CSV")
    for column in CSV_COLUMNS:
        assert column in text


def test_every_surface_has_its_values() -> None:
    table = rows(section("Adding a surface"))
    assert list(table) == list(SURFACES)
    for name, (rolling, slip, force) in table.items():
        surface = SURFACES[name]
        assert float(rolling) == surface.rolling
        assert float(slip.removesuffix(" %")) == pytest.approx(surface.slip_most * 100.0)
        assert float(force.removesuffix(" of weight")) == surface.slip_force_share


def test_the_examples_are_drives(tmp_path: Path) -> None:
    examples = re.findall(r"```toml\n(.*?)```", PAGE, flags=re.S)
    assert len(examples) == 2
    whole, faults = examples
    path = tmp_path / "example.toml"
    path.write_text(whole + faults, encoding="utf-8")
    drive = load_drive(str(path))
    known = {signal.name for signal in SIGNALS}
    assert len(drive.events) == len(tomllib.loads(whole)["event"]) + 3
    assert all(set(event.signals) <= known for event in drive.events)
