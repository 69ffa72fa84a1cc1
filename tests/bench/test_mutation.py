"""Mutants are wrong in one place, named for good, and judged without taking a crash for a kill."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

pytest.importorskip("z3", reason="the proof extra is not installed: pip install 'tccbench[proof]'")

from bench.mutation import campaign
from bench.mutation.rule_edits import edits_of
from bench.mutation.source_mutants import Mutant, mutants_of
from controller.our_rules import OURS

_SOURCE = '''
def rule(x, k, m):
    """Say so."""
    late = select(m.on, k.low + 10, k.low)
    return (x.speed < late) & not_(x.brake)
'''


def test_each_mutant_differs_in_one_way_and_has_its_own_name() -> None:
    made = list(mutants_of("sample", _SOURCE))
    whole = ast.unparse(ast.parse(_SOURCE))
    names = [one.name for one in made]
    assert len(set(names)) == len(names)
    assert all(one.text() != whole for one in made)
    assert {text for one in made for text in (one.what.split(": ", 1)[1],)} >= {
        "x.speed < late → x.speed <= late",
        "not_(x.brake) → x.brake",
        "10 → 11",
        "10 → 9",
        "k.low + 10 → k.low - 10",
        "(x.speed < late) & not_(x.brake) → (x.speed < late) | not_(x.brake)",
    }


def test_every_part_of_the_declarations_is_edited() -> None:
    names = list(edits_of(OURS))
    for beginning in (
        "row ",
        "rows ",
        "interlock ",
        "interlocks ",
        "refusal ",
        "memory ",
        "lamp ",
        "key ",
        "relation ",
    ):
        assert any(name.startswith(beginning) for name in names), beginning
    assert len(names) > 250


def test_a_name_does_not_depend_on_its_line() -> None:
    later = "\n\n\n" + _SOURCE
    assert [one.name for one in mutants_of("sample", _SOURCE)] == [one.name for one in mutants_of("sample", later)]


def _judged(mutants: list[Mutant], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> dict[str, campaign.Result]:
    monkeypatch.chdir(Path(__file__).parent.parent.parent)
    results = campaign.run(mutants, ("tests",), ["tests/controller/test_terms.py"], [], tmp_path / "kept.jsonl", 1,
                           lambda *_: None)  # fmt: skip  # one call
    return {one.name: one for one in results}


def test_kill_survival_and_crash_are_told_apart(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(Path(__file__).parent.parent.parent)
    text = Path("controller/terms.py").read_text(encoding="utf-8")
    mutants = [
        Mutant("terms", "as it is", lambda: text),
        Mutant(
            "terms",
            "sums are differences",
            lambda: text.replace('self._number(other, "+")', 'self._number(other, "-")'),
        ),
        Mutant("terms", "ends the process", lambda: f"{text}\nimport os\nos._exit(7)\n"),
    ]
    found = _judged(mutants, tmp_path, monkeypatch)
    assert found["terms: as it is"].outcome == "survived"
    assert found["terms: sums are differences"].outcome == "killed"
    assert found["terms: ends the process"].outcome == "unknown"
    counts = campaign.tally(list(found.values()), ("tests",))
    assert (counts["killed by tests alone"], counts["survived"], counts["unknown"]) == (1, 1, 1)
    assert campaign.survivors(list(found.values())) == ["terms: as it is", "terms: ends the process"]
    # A second run judges nothing again.
    again = campaign.run(mutants, ("tests",), ["no/such/file.py"], [], tmp_path / "kept.jsonl", 1, lambda *_: None)
    assert {one.name: one.outcome for one in again} == {name: one.outcome for name, one in found.items()}


def test_a_cut_line_of_the_results_is_left_out(tmp_path: Path) -> None:
    kept = tmp_path / "kept.jsonl"
    whole = '{"name": "a", "judge": "tests", "outcome": "killed", "note": "", "seconds": 1.0}'
    kept.write_text(f'{whole}\n{{"name": "b', encoding="utf-8")
    assert [one.name for one in campaign.read_results(kept)] == ["a"]


def test_every_explained_survivor_is_a_mutant_of_today() -> None:
    root = Path(__file__).parent.parent.parent
    reasons = campaign.reasons_in(root / "docs" / "mutation_survivors.toml")
    assert all(reason.strip() for reason in reasons.values())
    names = {f"our_rules: declared {name}" for name in edits_of(OURS)}
    for module in {name.split(": ")[0] for name in reasons}:
        path = root / "controller" / f"{module}.py"
        names |= {one.name for one in mutants_of(path.stem, path.read_text(encoding="utf-8"))}
    assert set(reasons) <= names
