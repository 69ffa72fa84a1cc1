"""Calibration files: read, checked against the declarations, and turned into the rules' whole numbers."""

from __future__ import annotations

import json
import tomllib
from collections import namedtuple
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from functools import lru_cache
from importlib import resources
from pathlib import Path
from typing import Any

from controller.declare import Key
from controller.errors import UserError
from controller.ruleset import RuleSet
from controller.suggest import nearest


@dataclass(frozen=True)
class Calibration:
    """A checked calibration: `values` holds one whole number a key, by attribute, in the rules' own units."""

    name: str
    title: str
    source: str
    values: Any


def calibration_names() -> list[str]:
    """Return the names of the calibrations that come with the workbench."""
    folder = resources.files("controller") / "calibrations"
    return sorted(entry.name.removesuffix(".toml") for entry in folder.iterdir() if entry.name.endswith(".toml"))


def calibration_text(name_or_path: str) -> tuple[str, str]:
    """Return the text of an embedded calibration or of a file, and its name for error lines."""
    path = Path(name_or_path)
    if path.suffix != ".toml":
        names = calibration_names()
        if name_or_path not in names:
            raise UserError(f"calibration {name_or_path!r} is not known; {nearest(name_or_path, names)} "
                            "(a file of your own ends in .toml)")  # fmt: skip
        file = resources.files("controller") / "calibrations" / f"{name_or_path}.toml"
        return file.read_text("utf-8"), name_or_path
    try:
        return path.read_text(encoding="utf-8-sig"), name_or_path
    except OSError as error:
        raise UserError(f"{name_or_path}: {(error.strerror or 'cannot be read').lower()}; "
                        "give a calibration file (.toml) or a name from `tccbench list`") from None  # fmt: skip
    except UnicodeDecodeError:
        raise UserError(f"{name_or_path}: not UTF-8 text; a calibration is a TOML file") from None


def load_calibration(name_or_path: str, rules: RuleSet) -> Calibration:
    """Read and check a calibration for a rule set.

    Raises `UserError` naming file, key, value and rule for the first thing that is wrong.
    """
    text, source = calibration_text(name_or_path)
    return parse_calibration(text, source, rules)


def parse_calibration(text: str, source: str, rules: RuleSet) -> Calibration:
    """Check a calibration's text; `source` names it in error lines."""
    try:
        content = tomllib.loads(text, parse_float=Decimal)
    except (ValueError, RecursionError) as error:  # ValueError: also a whole number of thousands of digits
        raise UserError(f"{source}: not TOML: {error}") from None
    title = content.pop("title", Path(source).stem)
    if not isinstance(title, str):
        raise UserError(f'{source}: title = {title!r} is not a text; write title = "…"')
    flat = _flatten(content, source)
    places = {key.place for key in rules.keys}
    tables = {place.rpartition(".")[0] for place in places}
    for place, cell in flat.items():
        if place not in places and not (place in tables and cell == {}):
            shown = place if place.isprintable() else repr(place)
            raise UserError(f"{source}: unknown key {shown}; {_nearest_place(place, places)}")
    values = {key.name: _value(key, flat, source) for key in rules.keys}
    for place, cell in flat.items():
        entries = [key for key in rules.keys if key.place == place and key.entry is not None]
        if entries and len(cell) > len(entries):
            raise UserError(f"{source}: {place} has {len(cell)} entries; at most {len(entries)} are known")
    k = values_type(rules)(**values)
    for relation in rules.relations:
        if not relation.holds(k):
            shown = _shown_at(relation.where, rules, k)
            left_out = "" if relation.where in flat else " (the default)"
            raise UserError(f"{source}: {relation.where} = {shown}{left_out} must be {relation.text}")
    return Calibration(Path(source).stem, title, source, k)


@lru_cache(maxsize=8)
def values_type(rules: RuleSet) -> Any:
    """Return the named tuple that holds one value a key of this rule set."""
    return namedtuple("CalibrationValues", [key.name for key in rules.keys])


def default_values(rules: RuleSet) -> Any:
    """Return the declared defaults as values."""
    return values_type(rules)(*(bool(key.default) if key.is_flag else key.default for key in rules.keys))


def _shown_at(place: str, rules: RuleSet, k: Any) -> str:
    cells = [in_file_units(key, getattr(k, key.name)) for key in rules.keys if key.place == place]
    entries = [key for key in rules.keys if key.place == place and key.entry is not None]
    return _list_text(cells) if entries else cells[0]


def _list_text(cells: Sequence[str]) -> str:
    entries = list(cells)
    while entries and entries[-1] == "0":
        entries.pop()
    return f"[{', '.join(entries)}]"


def _nearest_place(place: str, places: set[str]) -> str:
    table = place.split(".")[0]
    inside = sorted(one for one in places if one.startswith(f"{table}."))
    return nearest(place, sorted(places)) if not inside else nearest(place, inside)


def _flatten(content: Mapping[str, Any], source: str, prefix: str = "") -> dict[str, Any]:
    flat: dict[str, Any] = {}
    for name, cell in content.items():
        if isinstance(cell, dict) and cell:
            flat |= _flatten(cell, source, f"{prefix}{name}.")
        else:
            flat[f"{prefix}{name}"] = cell
    return flat


def _value(key: Key, flat: Mapping[str, Any], source: str) -> int:
    if key.place not in flat:
        return bool(key.default) if key.is_flag else key.default
    cell = flat[key.place]
    if key.entry is not None:
        if not isinstance(cell, list):
            raise UserError(f"{source}: {key.place} = {_show(cell)} is not a list; write [first, second, …]")
        if key.entry >= len(cell):
            return 0
        return _number(key, cell[key.entry], f"{key.place}[{key.entry + 1}]", source)
    if key.is_flag:
        if not isinstance(cell, bool):
            raise UserError(f"{source}: {key.place} = {_show(cell)} is not true or false")
        return cell
    return _number(key, cell, key.place, source)


def _number(key: Key, cell: Any, place: str, source: str) -> int:
    low, high = in_file_units(key, key.low), in_file_units(key, key.high)
    if isinstance(cell, bool) or not isinstance(cell, int | Decimal) or not Decimal(cell).is_finite():
        raise UserError(f"{source}: {place} = {_show(cell)} is not a number; write one from {low} to {high}")
    cell = Decimal(cell)
    # Compared first: a product of a huge cell would overflow, one of a long fraction would be rounded.
    if not Decimal(key.low) / key.scale <= cell <= Decimal(key.high) / key.scale:
        raise UserError(f"{source}: {place} = {cell} is out of range; it must be from {low} to {high}")
    whole = int((cell * key.scale).to_integral_value())
    if Decimal(whole) / key.scale != cell:
        raise UserError(f"{source}: {place} = {cell} is finer than the rules can tell; steps are of "
                        f"{Decimal(1) / key.scale}")  # fmt: skip
    return whole


def _show(cell: Any) -> str:
    if isinstance(cell, list):
        return f"[{', '.join(map(_show, cell))}]"
    return repr(cell) if isinstance(cell, str) else str(cell)


def in_file_units(key: Key, value: int) -> str:
    """Return a whole number of the rules as the file writes it."""
    if key.is_flag:
        return "true" if value else "false"
    if key.scale == 1:
        return str(value)
    return f"{Decimal(value) / key.scale:f}".rstrip("0").rstrip(".") if value % key.scale else str(value // key.scale)


def write_calibration(rules: RuleSet, values: Sequence[int], title: str) -> str:
    """Return a calibration as a commented TOML text; each comment gives meaning and range."""
    by_table: dict[str, list[tuple[Key, int]]] = {}
    for key, value in zip(rules.keys, values, strict=True):
        by_table.setdefault(key.place.rpartition(".")[0], []).append((key, value))
    lines = [f"title = {_toml_text(title)}"]
    # A key without a table can only stand before the first of them.
    for table, pairs in sorted(by_table.items(), key=lambda item: item[0] != ""):
        lines += ["", f"[{table}]"] if table else [""]
        written: set[str] = set()
        for key, _ in pairs:
            if key.place in written:
                continue
            written.add(key.place)
            cells = [(one, value) for one, value in pairs if one.place == key.place]
            name = key.place.rpartition(".")[2]
            if key.entry is None:
                lines.append(f"# {key.meaning}{'' if key.is_flag else _range_text(key)}")
                lines.append(f"{name} = {in_file_units(key, cells[0][1])}")
            else:
                entries = _list_text([in_file_units(one, value) for one, value in cells])
                lines.append(f"# {key.meaning}; the list goes on for the next ones{_range_text(key)}")
                lines.append(f"{name} = {entries}")
    return "\n".join(lines) + "\n"


def _toml_text(text: str) -> str:
    # JSON's escapes are TOML's; the delete character is the one that only TOML wants escaped.
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007F")


def _range_text(key: Key) -> str:
    return f" ({in_file_units(key, key.low)} to {in_file_units(key, key.high)})"
