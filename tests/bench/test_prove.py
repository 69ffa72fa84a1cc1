"""`tccbench prove`: exit codes, the tick table, and a drive that shows the failure again."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner

pytest.importorskip("z3", reason="the proof extra is not installed: pip install 'tccbench[proof]'")

from bench.main import main
from controller.calibration import load_calibration
from controller.user_rules import load_rules
from controller.watch import Watch
from sim.drives import load_drive
from sim.loop import simulate
from sim.strategies import Rules
from sim.vehicle import load_vehicle

_WITHOUT_BRAKE = """
from controller.our_rules import OURS
RULES = OURS.removing("brake")
"""


def test_a_proved_property_exits_0() -> None:
    result = CliRunner().invoke(main, ["prove", "--only", "brake_opens", "--only", "brake_settles"])
    assert result.exit_code == 0, result.output
    assert "2 of 2 proved" in result.output


def test_the_names_are_listed_with_what_they_say() -> None:
    result = CliRunner().invoke(main, ["prove", "--list"])
    assert result.exit_code == 0
    for name in ("brake_opens", "delay_by_the_clock", "no_chatter", "whole_numbers_in_int32"):
        assert name in result.output


def test_an_unknown_name_is_one_line() -> None:
    result = CliRunner().invoke(main, ["prove", "--only", "brake_open"])
    assert result.exit_code == 2
    assert "brake_opens" in result.output


def test_a_broken_property_comes_with_a_drive_that_breaks_it_again(tmp_path: Path) -> None:
    file = tmp_path / "wrong.py"
    file.write_text(_WITHOUT_BRAKE, encoding="utf-8")
    out = tmp_path / "out"
    result = CliRunner().invoke(main, ["prove", "--rules", str(file), "--only", "brake_opens", "--out", str(out)])
    assert result.exit_code == 1, result.output
    assert "ticks from power-up" in result.output
    rules = load_rules(str(file))
    calibration = load_calibration(str(out / "brake_opens.calibration.toml"), rules)
    watch = _Watching(Watch(rules, calibration.values))
    drive = load_drive(str(out / "brake_opens.drive.toml"))
    simulate(load_vehicle("pukeko"), drive, Rules(watch, "found"), flexible_jolt=False)
    assert "brake_opens" in watch.broken


class _Watching:
    """A watch that takes a controller's place in the loop."""

    def __init__(self, watch: Watch) -> None:
        self.watch, self.rules, self.calibration = watch, watch.rules, watch.calibration
        self.broken: set[str] = set()

    def tick(self, inputs: dict[str, int]) -> object:
        command, broken = self.watch.tick(inputs)
        self.broken.update(broken)
        return command


def test_without_the_extra_one_line_says_how_to_get_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("bench.optional.find_spec", lambda _name: None)
    result = CliRunner().invoke(main, ["prove"])
    assert result.exit_code == 2
    assert "pip install 'tccbench[proof]'" in result.output
