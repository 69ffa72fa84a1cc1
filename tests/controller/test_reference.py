"""The generated reference: documents are current, every declaration stands in them, the example in them works."""

from __future__ import annotations

import re
import runpy
from pathlib import Path

import pytest

from controller import reference
from controller.errors import UserError
from controller.our_rules import OURS
from controller.user_rules import load_rules, template_text

_DOCS = Path(__file__).parents[2] / "docs"


@pytest.mark.parametrize("name", ["rules.md", "calibration.md"])
def test_documents_are_current(name: str) -> None:
    text = (_DOCS / name).read_text(encoding="utf-8")
    assert text == reference.renewed(text), f"run: python -m controller.reference docs/{name}"
    assert "<!-- generated: " in text


def test_every_section_stands_in_a_document() -> None:
    text = "".join((_DOCS / name).read_text(encoding="utf-8") for name in ("rules.md", "calibration.md"))
    assert set(re.findall(r"<!-- generated: (\w+) -->", text)) == set(reference.SECTIONS)


def test_an_old_document_is_renewed_in_place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = tmp_path / "old.md"
    file.write_text("before\n<!-- generated: lamps -->\nold\n<!-- end -->\nafter\n", encoding="utf-8")
    monkeypatch.setattr("sys.argv", ["reference", str(file)])
    with pytest.warns(RuntimeWarning, match="found in sys.modules"):
        runpy.run_module("controller.reference", run_name="__main__")
    text = file.read_text(encoding="utf-8")
    assert text.startswith("before\n")
    assert text.endswith("after\n")
    assert reference.lamps(OURS) in text
    assert "\nold\n" not in text


def test_an_unknown_section_is_named() -> None:
    with pytest.raises(UserError, match="no generated section 'lamp'; did you mean 'lamps'"):
        reference.renewed("<!-- generated: lamp -->\n<!-- end -->")


@pytest.mark.parametrize(
    ("section", "names"),
    [
        ("interlocks", [one.reason for one in OURS.interlocks]),
        ("refusals", [one.reason for one in OURS.refusals]),
        ("lamps", [one.word for one in OURS.lamps]),
        ("signals", [one.name for one in OURS.signals]),
        ("memory", [one.name for one in OURS.memory]),
        ("properties", [one.name for one in OURS.properties]),
        ("calibration", [one.place.rpartition(".")[2] for one in OURS.keys]),
        ("relations", [one.where for one in OURS.relations]),
    ],
)
def test_every_declaration_has_its_line(section: str, names: list[str]) -> None:
    text = reference.SECTIONS[section](OURS)
    for name in names:
        assert f"| `{name}` |" in text


def test_every_key_has_a_unit_or_is_a_flag() -> None:
    assert all(reference.unit_of(key) for key in OURS.keys if not key.is_flag)
    assert reference.unit_of(next(key for key in OURS.keys if key.is_flag)) == ""
    by_name = {key.name: reference.unit_of(key) for key in OURS.keys}
    assert (by_name["turbine_rpm_at_100_kmh_1"], by_name["low_engage_ckmh"], by_name["oil_hot_dc"]) == (
        "rpm", "km/h", "°C")  # fmt: skip


def test_a_bar_in_a_cell_does_not_split_it() -> None:
    assert reference.table(("a",), [("x | y",)]).splitlines()[-1] == "| x \\| y |"


def test_rules_of_ones_own_are_documented_alike(tmp_path: Path) -> None:
    file = tmp_path / "my_rules.py"
    file.write_text(template_text(), encoding="utf-8")
    mine = load_rules(str(file))
    assert "| `cold_coolant` | the coolant is under its minimum | idle | 0 ms | 1000 ms |" in reference.interlocks(mine)
    assert "### `[coolant]`" in reference.calibration(mine)


def test_the_example_in_the_document_works(tmp_path: Path) -> None:
    text = (_DOCS / "rules.md").read_text(encoding="utf-8")
    file = tmp_path / "example.py"
    file.write_text(re.findall(r"```python\n(.*?)```", text, re.DOTALL)[0], encoding="utf-8")
    assert [one.reason for one in load_rules(str(file)).interlocks][-1] == "hard_pull"
