"""The page on the plant names every key of the vehicle file."""

from __future__ import annotations

import re
from pathlib import Path

from sim.vehicle_file import Table, VehicleFile

PAGE = (Path(__file__).parents[2] / "docs" / "plant.md").read_text(encoding="utf-8")


def test_every_key_of_a_vehicle_file_stands_beside_its_table() -> None:
    listed: dict[str, set[str]] = {}
    for line in PAGE.splitlines():
        head = re.match(r"\| (?:`\[(\w+)\]`|\((top)\))[^|]*\|(.*)\|$", line)
        if head:
            listed.setdefault(head[1] or head[2], set()).update(re.findall(r"`(\w+)`", head[3]))
    tables = {"top": VehicleFile}
    for name, field in VehicleFile.model_fields.items():
        if isinstance(field.annotation, type) and issubclass(field.annotation, Table):
            tables[name] = field.annotation  # type: ignore[assignment]  # its own model, as the file's
    assert set(listed) == set(tables)
    for table, model in tables.items():
        keys = {key for key in model.model_fields if table != "top" or key not in tables}
        assert listed[table] == keys, table
