"""The fuzz campaign: drawn alike for the same seed, covered, resumed, and small where something fails."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from random import Random

import pytest
from click.testing import CliRunner

pytest.importorskip("numba", reason="the lanes extra is not installed: pip install 'tccbench[lanes]'")

sys.path.insert(0, str(Path(__file__).parent.parent / "controller"))

from planted import FAULTS

from bench.fuzzing import campaign, world
from bench.fuzzing.found import changes_in, drive_toml, make_small
from bench.main import main
from controller.calibration import parse_calibration, write_calibration
from controller.errors import UserError
from controller.our_rules import OURS
from controller.ruleset import RuleSet
from sim import lane_kernel as kernel
from sim.drives import load_drive

TEN = ("brake_opens", "wrong_gear_opens", "band_none_opens", "never_in_below_release", "band_change_drops",
       "in_only_at_engage_speed", "delay_between_engagements", "implausible_stays", "hot_oil_keeps",
       "band_is_the_one_chosen")  # fmt: skip  # rules and chart, of every kind


@pytest.fixture(scope="module")
def batch() -> world.Batch:
    return world.draw_batch(OURS, 5, 0, 4, 12)


def test_a_seed_draws_the_same_batch_whatever_ran_before(batch: world.Batch) -> None:
    world.draw_batch(OURS, 6, 3, 2, 3)
    again = world.draw_batch(OURS, 5, 0, 4, 12)
    assert again.drives == batch.drives
    assert [lane.calibration for lane in again.lanes] == [lane.calibration for lane in batch.lanes]
    assert world.draw_batch(OURS, 5, 1, 4, 12).drives != batch.drives


def test_every_drawn_calibration_passes_the_file_check(batch: world.Batch) -> None:
    for values in {lane.calibration for lane in batch.lanes}:
        text = write_calibration(OURS, values, "drawn")
        assert parse_calibration(text, "drawn", OURS).values == values


def test_a_drawn_vehicle_stays_within_its_stated_ranges() -> None:
    rng = Random(3)
    for _ in range(10):
        vehicle = world.draw_vehicle(rng)
        base = {"pukeko": 2850.0}.get(vehicle.key)
        if base is not None:
            least, most = world.VEHICLE_RANGES["body.mass_kg"]
            assert base * least <= vehicle.file.body.mass_kg <= base * most


def test_a_plain_drive_survives_being_written(batch: world.Batch, tmp_path: Path) -> None:
    path = tmp_path / "drive.toml"
    for lane in batch.plain:
        drive = batch.drives[lane]
        path.write_text(drive_toml(drive), encoding="utf-8")
        again = load_drive(str(path))
        assert again.points == drive.points
        assert len(again.events) == len(drive.events)
        for one, other in zip(again.events, drive.events, strict=True):
            assert (one.at_s, one.at_speed_kmh, one.band, one.for_s) == (
                other.at_s, other.at_speed_kmh, other.band, other.for_s)  # fmt: skip


def test_our_rules_pass_a_batch_and_the_count_adds_up(tmp_path: Path) -> None:
    progress = campaign.begin(OURS, 2, tmp_path, fresh=True)
    drawn, failures = campaign.run_batch(OURS, progress)
    assert failures == []
    ticks = sum(drawn.places[lane.place].course.ticks for lane in drawn.lanes)
    ruled = sum(drawn.places[lane.place].course.ticks for lane in drawn.lanes if lane.who == 0)
    assert progress.lane_ticks == ticks
    assert sum(progress.rows) == ruled
    assert sum(progress.refusals) == ruled


def test_a_campaign_goes_on_where_it_was_left(tmp_path: Path) -> None:
    progress = campaign.begin(OURS, 9, tmp_path, fresh=False)
    campaign.run_batch(OURS, progress)
    campaign.keep(progress, tmp_path)
    again = campaign.begin(OURS, 9, tmp_path, fresh=False)
    assert again == progress
    assert again.next_batch == 1
    assert campaign.begin(OURS, 10, tmp_path, fresh=False).next_batch == 0
    assert campaign.begin(FAULTS["brake_opens"](), 9, tmp_path, fresh=False).next_batch == 0
    assert campaign.begin(OURS, 9, tmp_path, fresh=True).next_batch == 0


def test_a_spoilt_state_file_is_one_line(tmp_path: Path) -> None:
    (tmp_path / campaign.STATE_FILE).write_text("{", encoding="utf-8")
    with pytest.raises(UserError, match=r"fuzz\.json"):
        campaign.begin(OURS, 1, tmp_path, fresh=False)


def test_what_was_never_seen_is_named(tmp_path: Path) -> None:
    progress = campaign.begin(OURS, 1, tmp_path, fresh=True)
    missing = campaign.uncovered(OURS, progress)
    assert len(missing) == len(OURS.rows) + len({one.reason for one in OURS.refusals})
    progress.rows = [1] * len(progress.rows)
    progress.refusals = [1] * len(progress.refusals)
    assert campaign.uncovered(OURS, progress) == []


def _find(rules: RuleSet, folder: Path, batches: int) -> tuple[list[campaign.Failure], world.Batch]:
    progress = campaign.begin(rules, 1, folder, fresh=True)
    for _ in range(batches):
        drawn, failures = campaign.run_batch(rules, progress)
        if failures:
            return failures, drawn
    raise AssertionError("the planted fault was not found")


def test_a_planted_fault_is_found_and_made_small(tmp_path: Path) -> None:
    rules = FAULTS["brake_opens"]()
    failures, drawn = _find(rules, tmp_path, 2)
    failure = next(one for one in failures if one.check == "brake_opens")
    found = make_small(rules, drawn, failure, 1, tmp_path)
    assert found.run is not None
    assert "brake_opens" in found.run.replayed()[-1][2]
    assert found.events == changes_in(found.run) <= 4
    assert load_drive(str(found.paths[0])).events


@pytest.mark.long
@pytest.mark.parametrize("name", TEN)
def test_each_of_ten_planted_faults_is_found(name: str, tmp_path: Path) -> None:
    rules = FAULTS[name]()
    failures, drawn = _find(rules, tmp_path, 12)
    found = make_small(rules, drawn, failures[0], 1, tmp_path)
    assert found.events <= 10


def test_a_failure_of_the_plant_is_made_small_in_the_closed_loop(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(campaign, "CLUTCH_MOST_KJ", 0.5)
    progress = campaign.begin(OURS, 1, tmp_path, fresh=True)
    drawn, failures = campaign.run_batch(OURS, progress)
    failure = next(one for one in failures if one.check == "clutch_work_in_limit")
    found = make_small(OURS, drawn, failure, 1, tmp_path)
    before = drawn.drives[failure.lane]
    assert found.events <= len(before.events) + len(before.points) - 1
    assert [path.name.split(".")[-2] for path in found.paths] == ["drive", "vehicle", "calibration"]
    small = load_drive(str(found.paths[0]))
    assert len(small.events) <= len(before.events)


@pytest.mark.parametrize(
    ("held_ticks", "warmer_c", "duration_s", "fails"),
    [(3_000, 0.21, 60.0, True), (3_000, 0.19, 60.0, False), (2_999, 5.0, 60.0, False), (500, 0.3, 5.0, True),
     (499, 0.3, 5.0, False), (6_000, -3.0, 60.0, False)],
)  # fmt: skip  # a case a line would be longer
def test_oil_is_compared_where_a_hold_lasts_for_most_of_a_drive(
    held_ticks: int, warmer_c: float, duration_s: float, fails: bool
) -> None:
    held, never = [0.0] * kernel.COUNTS, [0.0] * kernel.COUNTS
    held[kernel.HELD_TICKS], held[kernel.OIL_END], never[kernel.OIL_END] = held_ticks, 90.0 + warmer_c, 90.0
    assert campaign.warmer_by_hold(held, never, duration_s) is fails


def test_the_command_runs_shows_coverage_and_keeps_its_state(tmp_path: Path) -> None:
    result = CliRunner().invoke(main, ["fuzz", "--minutes", "0.05", "--seed", "3", "--out", str(tmp_path)])
    assert result.exit_code in (0, 1), result.output
    assert "Rows of the chart" in result.output
    assert "million lane-ticks" in result.output
    kept = json.loads((tmp_path / campaign.STATE_FILE).read_text(encoding="utf-8"))
    assert kept["next_batch"] >= 1


def test_the_document_states_the_ranges_that_are_drawn_from() -> None:
    text = (Path(__file__).parent.parent.parent / "docs" / "proof.md").read_text(encoding="utf-8")
    rows = {name: (f"{least:g}", f"{most:g}") for name, (least, most) in world.VEHICLE_RANGES.items()}
    rows |= {name: (f"{-most}", f"{most}") for name, most in world.NOISE.items()}
    for name, (least, most) in rows.items():
        line = next(one for one in text.splitlines() if f"`{name}`" in one)
        assert line.endswith(f"| {least} | {most} |"), name
    for name, says in campaign.PLANT_CHECKS.items():
        assert f"| `{name}` | {says} |" in text
