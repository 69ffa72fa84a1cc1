"""Figures and findings at their lines: just below, at and just above."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from short_drive import SHORT_DRIVE

from bench.comparison import Settings, compare
from bench.figures import HUNTING_WINDOW_S, Figures, figures_of, is_hunting, steepest_rise
from bench.runs import Plan, run_plan
from bench.verdict import LUGGING_S, OIL_CRITICAL_C, OIL_MATTERS_C, OIL_WARM_C, STALL_MARGIN_RPM, clock, verdict
from controller.calibration import calibration_text
from sim.result import RunResult
from sim.vehicle import load_vehicle


@pytest.fixture(scope="module")
def pair(tmp_path_factory: pytest.TempPathFactory) -> tuple[list[Figures], list[RunResult]]:
    """Never locked and our rules on a short drive without any fault."""
    path = tmp_path_factory.mktemp("drive") / "short.toml"
    path.write_text(SHORT_DRIVE)
    comparison = compare(Settings("pukeko", str(path), ("open", "station")))
    return comparison.figures, comparison.results


def findings(pair: tuple[list[Figures], list[RunResult]], **changes: object) -> list[tuple[str, str]]:
    """The verdict with our run's figures changed."""
    (open_run, ours), results = pair
    return [tuple(one) for one in verdict([open_run, replace(ours, **changes)], results)]  # type: ignore[arg-type]


@pytest.mark.parametrize(("last_s", "hunts"), [(-0.01, True), (0.0, True), (0.01, False)])
def test_hunting_is_three_cycles_in_its_window(last_s: float, hunts: bool) -> None:
    assert is_hunting([5.0, 20.0, 5.0 + HUNTING_WINDOW_S + last_s]) is hunts


def test_two_cycles_are_not_hunting() -> None:
    assert not is_hunting([1.0, 2.0])


def test_steepest_rise_is_taken_over_a_minute() -> None:
    oil_c = np.concatenate([np.full(6000, 80.0), np.linspace(80.0, 86.0, 6001), np.full(6000, 86.0)])
    rise, span_s = steepest_rise(oil_c, 0.01)
    assert rise == pytest.approx(6.0)
    assert span_s == 60.0


def test_steepest_rise_of_a_short_run_takes_it_whole() -> None:
    rise, span_s = steepest_rise(np.array([80.0, 81.0, 82.0]), 10.0)
    assert (rise, span_s) == (pytest.approx(6.0), 20.0)


def test_cooler_than_warm_oil_is_no_gain(pair: tuple[list[Figures], list[RunResult]]) -> None:
    (open_run, ours), results = pair
    for peak_c, judgement in ((OIL_WARM_C, "note"), (OIL_WARM_C + 0.1, "good")):
        found = verdict([replace(open_run, oil_peak_c=peak_c), replace(ours, oil_peak_c=peak_c - 5.0)], results)
        assert found[0][0] == judgement


@pytest.mark.parametrize(
    ("below_c", "judgement"), [(OIL_MATTERS_C + 0.1, "good"), (OIL_MATTERS_C - 0.1, "note"), (-2.1, "bad")]
)
def test_cooler_same_hotter(pair: tuple[list[Figures], list[RunResult]], below_c: float, judgement: str) -> None:
    assert findings(pair, oil_peak_c=pair[0][0].oil_peak_c - below_c)[0][0] == judgement


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"hunting": True, "shortest_gap_s": 1.5}, "hunting"),
        ({"held_low_rpm": 600.0, "stall_margin_rpm": STALL_MARGIN_RPM - 1}, "above the stall"),
        ({"oil_peak_c": OIL_CRITICAL_C + 0.1}, "oil over 130"),
    ],
)
def test_a_fault_makes_it_do_not_use(
    pair: tuple[list[Figures], list[RunResult]], changes: dict[str, object], said: str
) -> None:
    found = findings(pair, **changes)
    assert found[0][0] == "bad"
    assert "do not use" in found[0][1]
    assert any(said in text for judgement, text in found if judgement == "bad")


@pytest.mark.parametrize(
    "changes", [{"stall_margin_rpm": STALL_MARGIN_RPM}, {"lugging_s": LUGGING_S}, {"jolt_most_ms3": 12.0}]
)
def test_at_the_line_nothing_is_said(pair: tuple[list[Figures], list[RunResult]], changes: dict[str, object]) -> None:
    words = " ".join(text for _, text in findings(pair, **changes))
    assert "do not use" not in words
    assert "labours" not in words
    assert "hardest jolt" not in words


def test_a_clutch_that_never_went_in_says_why(pair: tuple[list[Figures], list[RunResult]]) -> None:
    found = findings(pair, by_rules=0, refusal_s={"cold_oil": 40.0, "delay": 1.0})
    assert "never held" in found[0][1]
    assert "cold_oil" in found[0][1]


def test_a_narrow_gap_on_a_hovering_speed_hunts(tmp_path: Path) -> None:
    """A gap of 1 km/h and next to no delay, at a speed that sways about it: the clutch cycles, and it is said."""
    calibration = tmp_path / "narrow.toml"
    text = calibration_text("station")[0]
    for before, after in (
        ("release_kmh = 31", "release_kmh = 33"),
        ("hot_engage_earlier_kmh = 1", "hot_engage_earlier_kmh = 0"),
        ("reengage_ms = 1500", "reengage_ms = 100"),
    ):
        assert before in text
        text = text.replace(before, after, 1)
    calibration.write_text(text)
    sway = "".join(f"[[point]]\nat_s = {20 + 7 * at}.0\nspeed_kmh = {31.0 if at % 2 else 37.0}\n" for at in range(12))
    drive = tmp_path / "sway.toml"
    drive.write_text(
        'title = "Sway"\nabout = "x"\nambient_c = 20.0\noil_c = 80.0\ncoolant_c = 85.0\n'
        '[[point]]\nat_s = 0.0\nspeed_kmh = 0.0\nsurface = "track"\ngear_limit = 2\n'
        f'[[event]]\nat_s = 1.0\nband = "low"\n{sway}'
    )
    result = run_plan(Plan("pukeko", str(drive), str(calibration), "narrow")).result
    figures = figures_of(result, load_vehicle("pukeko"))
    assert figures.hunting
    assert any("hunting" in text for judgement, text in verdict([figures], [result]) if judgement == "bad")


def test_clock() -> None:
    assert clock(61.25) == "1:01.2"
    assert clock(600.0) == "10:00.0"
