"""Replay of rules on recordings, and runs laid over recordings."""

import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from click.testing import Result
from synthetic import run

from bench.logs.replay import replay
from bench.logs.summary import Shown
from controller.calibration import load_calibration
from controller.our_rules import OURS

Take = Callable[..., Shown]
Tccbench = Callable[..., Result]
Write = Callable[..., Path]


def test_rules_that_drove_agree_with_themselves(shown: Take) -> None:
    taken = shown("pukeko", "riverbed", "station", rate_hz=50, drop_share=0.0, keep=("gear", "band"))
    done = replay(taken, OURS, load_calibration("station", OURS), 0, False)
    assert done.agree_share > 0.99
    true = run("pukeko", "riverbed", "station").traces
    duty = done.duty_pct[: len(true["duty_pct"])] > 0.0
    selected = true["band"][: len(duty)] > 0
    assert (duty == (true["duty_pct"][: len(duty)] > 0.0))[selected].mean() > 0.99
    assert done.charge_share == pytest.approx(selected.mean(), abs=0.01)


def test_what_the_rules_would_have_done_on_an_as_built_drive(shown: Take) -> None:
    taken = shown("pukeko", "riverbed", "as-built", rate_hz=50, drop_share=0.0)
    done = replay(taken, OURS, load_calibration("station", OURS), 1, False)
    sand = next(one for one in done.differences if one.rules_in and one.end_s - one.start_s > 200.0)
    assert sand.why == "in since engage_speed"
    # The recorded clutch was out all along: that must not count as a hold that slips.
    words = {done.reason_words[int(code)] for code in np.unique(done.reason)}
    assert not words & {"not_holding", "stuck_in", "implausible"}
    assert {one.code for one in done.assumed} == {"assumed"}


def test_no_band_no_hold(shown: Take) -> None:
    taken = shown("pukeko", "riverbed", "as-built")
    done = replay(taken, OURS, load_calibration("station", OURS), 0, False)
    assert not (done.duty_pct > 0.0).any()


def test_strict_ages_count_slow_signals_as_lost(shown: Take) -> None:
    taken = shown("pukeko", "riverbed", "as-built", rate_hz=2)
    lenient = replay(taken, OURS, load_calibration("station", OURS), 1, False)
    strict = replay(taken, OURS, load_calibration("station", OURS), 1, True)
    assert (lenient.duty_pct > 0.0).mean() > 0.5
    lost = strict.reason_words.index("signal_lost")
    assert (strict.refusal == lost).mean() > 0.5


def test_a_silence_is_a_lost_signal(recorded: Write) -> None:
    from bench.logs.reading import read_log
    from bench.logs.summary import take_apart
    from sim.vehicle import load_vehicle

    path = recorded("pukeko", "riverbed", "station", rate_hz=50, drop_share=0.0)
    lines = path.read_text().splitlines()
    at = lines[0].split(",").index("throttle_pct")
    for row in range(1 + 200 * 50, 1 + 203 * 50):
        cells = lines[row].split(",")
        cells[at] = ""
        lines[row] = ",".join(cells)
    path.write_text("\n".join(lines) + "\n")
    taken = take_apart(read_log(str(path)), load_vehicle("pukeko"))
    done = replay(taken, OURS, load_calibration("station", OURS), 1, False)
    inside = (done.time_s > 200.5) & (done.time_s < 202.9)
    assert (done.refusal[inside] == done.reason_words.index("signal_lost")).all()
    assert any("throttle" in one.why and not one.rules_in for one in done.differences)


def test_another_vehicles_calibration_is_named(shown: Take) -> None:
    taken = shown("takahe", "riverbed", "as-built", keep=("gear",))
    done = replay(taken, OURS, load_calibration("station", OURS), 1, False)
    assert any(one.code == "gear_list" and one.judgement == "bad" for one in done.assumed)


def test_replay_command(tccbench: Tccbench, recorded: Write, tmp_path: Path) -> None:
    path = recorded("pukeko", "riverbed", "as-built")
    result = tccbench("log", "replay", path, "--calibration", "station", "--vehicle", "pukeko", "--out", tmp_path / "o")
    assert result.exit_code == 0, result.output
    assert "only the rules hold" in result.output
    assert json.loads((tmp_path / "o" / "replay.json").read_text())["differences"]
    assert (tmp_path / "o" / "report.html").stat().st_size > 10_000


@pytest.fixture
def compared(tccbench: Tccbench, tmp_path: Path) -> Path:
    out = tmp_path / "run"
    assert tccbench("run", "as-built", "--drive", "riverbed", "--out", out).exit_code == 0
    return out


def test_a_run_agrees_with_its_own_recording(
    tccbench: Tccbench, recorded: Write, compared: Path, tmp_path: Path
) -> None:
    path = recorded("pukeko", "riverbed", "as-built")
    result = tccbench("log", "check", path, "--against", compared, "--vehicle", "pukeko", "--out", tmp_path / "o")
    assert result.exit_code == 0, result.output
    assert "the prediction holds" in result.output
    found = json.loads((tmp_path / "o" / "check.json").read_text())
    assert abs(found["shift_s"]) <= 0.1
    oil = next(one for one in found["errors"] if one["line"]["name"] == "oil_temp_c")
    assert oil["rmse"] < 0.2


def test_a_recording_that_began_later_is_laid_in_place(
    tccbench: Tccbench, recorded: Write, compared: Path, tmp_path: Path
) -> None:
    path = recorded("pukeko", "riverbed", "as-built")
    lines = path.read_text().splitlines()
    path.write_text("\n".join([lines[0], *lines[1 + 123 :]]) + "\n")
    tccbench("log", "check", path, "--against", compared, "--vehicle", "pukeko", "--out", tmp_path / "o")
    assert json.loads((tmp_path / "o" / "check.json").read_text())["shift_s"] == pytest.approx(-12.3, abs=0.11)


def test_another_drive_is_named(tccbench: Tccbench, recorded: Write, compared: Path, tmp_path: Path) -> None:
    path = recorded("pukeko", "town", "as-built")
    result = tccbench("log", "check", path, "--against", compared, "--vehicle", "pukeko", "--out", tmp_path / "o")
    assert "is another drive" in result.output


@pytest.mark.parametrize(
    ("against", "said"), [("nowhere", "no traces.csv there"), ("{run}:statoin", "no run 'statoin' in it")]
)
def test_wrong_against(
    tccbench: Tccbench, recorded: Write, compared: Path, tmp_path: Path, against: str, said: str
) -> None:
    path = recorded("pukeko", "town", "as-built")
    result = tccbench("log", "check", path, "--against", against.format(run=compared), "--out", tmp_path / "o")
    assert result.exit_code == 2
    assert said in result.stderr
