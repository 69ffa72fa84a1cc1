"""Rule files of a user's own, and the one that the workbench writes for a start."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from rig import Rig

from controller.calibration import load_calibration, parse_calibration, write_calibration
from controller.declare import State
from controller.errors import UserError
from controller.our_rules import OURS
from controller.ruleset import RuleSet
from controller.user_rules import load_rules, template_text

_HEAD = "from controller.declare import *\nfrom controller.our_rules import OURS\n"


def _error(tmp_path: Path, text: str) -> str:
    file = tmp_path / "rules.py"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(UserError) as caught:
        load_rules(str(file))
    line = str(caught.value)
    assert "\n" not in line
    assert line.startswith(str(file))
    return line.removeprefix(str(file))


def test_no_file_is_ours() -> None:
    assert load_rules(None) is OURS


def test_a_good_file(tmp_path: Path) -> None:
    file = tmp_path / "rules.py"
    file.write_text(_HEAD + "RULES = OURS.removing('lugging', 'no_lugging_in')\n", encoding="utf-8")
    assert "lugging" not in [one.reason for one in load_rules(str(file)).interlocks]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", ": leaves no rule set; end it with RULES = OURS.adding(…)"),
        ("RULES = 3\n", ": leaves no rule set; end it with RULES = OURS.adding(…)"),
        ("x = 1\nRULES = (\n", ":2: '(' was never closed"),
        ("\nRULES = 1 / 0\n", ":2: ZeroDivisionError: division by zero"),
        ("import nothing_of_that_name\n", ":1: ModuleNotFoundError: No module named 'nothing_of_that_name'"),
        ("def f():\n    raise KeyError('a')\n\nf()\n", ":2: KeyError: 'a'"),
        ("import sys\nsys.exit(3)\n", ":2: SystemExit: 3"),
        ("raise ValueError('one\\n  two')\n", ":1: ValueError: one two"),
        (_HEAD + "RULES = OURS.removing('brakes')\n", ":3: rule set: no interlock or property 'brakes' to remove"),
        (_HEAD + "RULES = OURS.adding(signals=[Signal('gear', '', 0, 1, 0, 'a')])\n", ":3: rule set 'ours': signal"),
        (_HEAD + "RULES = OURS.adding(interlocks=[Interlock('a', lambda x, k, m: x.gaer > 1, None, '', '', '')])\n",
         ":3: 'gaer' is not a signal; did you mean 'gear'?"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_one_clear_line(tmp_path: Path, text: str, said: str) -> None:
    assert said in _error(tmp_path, text)


def test_missing_file_and_folder(tmp_path: Path) -> None:
    with pytest.raises(UserError, match=r"none\.py: no such file or directory; give a Python file"):
        load_rules(str(tmp_path / "none.py"))
    with pytest.raises(UserError, match="is a directory; give a Python file"):
        load_rules(str(tmp_path))


def test_not_text(tmp_path: Path) -> None:
    file = tmp_path / "rules.py"
    # What no line is told for is said of the first.
    for text in (b"RULES = '\xff'\n", b"RULES = 1\0\n"):
        file.write_bytes(text)
        with pytest.raises(UserError, match=r"rules\.py:1: "):
            load_rules(str(file))


# The file to start from ------------------------------------------------------------------------------------


TEMPLATE = Path(__file__).parents[2] / "controller" / "templates" / "my_rules.py"


@pytest.fixture(scope="module")
def mine() -> RuleSet:
    # The file itself: a mutation run puts its changes there.
    return load_rules(str(TEMPLATE))


def test_the_template_is_what_a_user_is_given() -> None:
    assert template_text() == TEMPLATE.read_text(encoding="utf-8")


def test_the_templates_numbers_are_those_of_its_comments(mine: RuleSet) -> None:
    signal, key = mine.signals[-1], mine.keys[-1]
    assert (signal.low, signal.high, signal.default) == (-600, 1_500, 200)
    assert (key.low, key.high, key.default, key.scale) == (-400, 800, 400, 10)
    # In front of our brake, behind our cold oil: the first that holds gives the reason.
    reasons = [one.reason for one in mine.interlocks]
    at = reasons.index("cold_coolant")
    assert reasons[at - 1] == OURS.interlocks[at - 1].reason
    assert reasons[at + 1] == "brake"


def test_the_template_adds_one_of_each(mine: RuleSet) -> None:
    for what in ("signals", "keys", "interlocks"):
        assert len(getattr(mine, what)) == len(getattr(OURS, what)) + 1
    assert [one.name for one in mine.properties] == [*(one.name for one in OURS.properties), "cold_coolant_opens"]
    assert mine.name == "mine"


def test_what_counts_the_grounds_takes_a_new_interlock_as_one_more_and_leaves_with_an_old_one(mine: RuleSet) -> None:
    for ours, theirs in zip(OURS.properties, mine.properties, strict=False):
        assert (theirs.meaning == ours.meaning) is not ours.is_closed
    closed = {one.name for one in OURS.properties if one.is_closed}
    assert "hot_oil_keeps" in closed
    assert {one.name for one in OURS.properties} - {one.name for one in OURS.removing("brake").properties} == closed
    # A rule that opens the clutch on hot oil and says it is another interlock's doing is found out.
    brake = next(one for one in mine.interlocks if one.reason == "brake")
    hot = replace(brake, trips=lambda x, k, _m: x.brake_on | (x.oil_temp_dc > k.oil_hot_dc))
    rig = Rig(mine.replacing(hot))
    rig.set(coolant_temp_dc=800)
    rig.holding()
    with pytest.raises(AssertionError, match="hot_oil_keeps"):
        rig.tick(oil_temp_dc=1_200)


def test_the_template_opens_a_hold_on_cold_coolant(mine: RuleSet) -> None:
    rig = Rig(mine)
    rig.run(1_100, coolant_temp_dc=430)
    rig.holding()
    rig.tick(coolant_temp_dc=400)
    assert rig.state == "applied"
    rig.tick(coolant_temp_dc=399)
    assert (rig.state, rig.reason, rig.refusal) == ("idle", "cold_coolant", "cold_coolant")
    assert rig.why == "refused, cold_coolant: coolant 39.9 °C, minimum 40.0 °C"
    rig.run(5_000, 100, coolant_temp_dc=429)
    assert rig.refusal == "cold_coolant"
    rig.tick(1, coolant_temp_dc=430)
    rig.tick(999)
    assert rig.refusal == "cold_coolant"
    rig.tick(1)
    assert rig.refusal != "cold_coolant"
    assert rig.until(State.APPLIED) <= 2_000


def test_the_templates_property_judges_its_rule(mine: RuleSet) -> None:
    rig = Rig(mine.removing("cold_coolant"))
    rig.set(coolant_temp_dc=800)
    rig.holding()
    with pytest.raises(AssertionError, match="cold_coolant_opens"):
        rig.tick(coolant_temp_dc=300)


def test_a_calibration_for_the_template(mine: RuleSet) -> None:
    text = write_calibration(mine, load_calibration("station", mine).values, "My first")
    assert "[coolant]\n# with colder coolant nothing is held (-40 to 80)\nminimum_c = 40\n" in text
    found = parse_calibration(text, "my_calibration.toml", mine)
    assert found.values[:-1] == load_calibration("station", OURS).values
    with pytest.raises(UserError, match=r"unknown key coolant\.minimum_c"):
        parse_calibration(text, "my_calibration.toml", OURS)
