"""Figures and findings at their lines: just below, at and just above."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from short_drive import SHORT_DRIVE

from bench.comparison import Settings, compare
from bench.figures import HUNTING_WINDOW_S, Figures, figures_of, is_hunting, steepest_rise
from bench.runs import Plan, run_plan
from bench.verdict import (
    LUGGING_S,
    OIL_CRITICAL_C,
    OIL_MATTERS_C,
    OIL_WARM_C,
    STALL_MARGIN_RPM,
    Finding,
    clock,
    verdict,
)
from controller.calibration import calibration_text
from sim.energy import Energy
from sim.engagements import Engagement
from sim.result import RunEvent, RunResult
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


def by_hand(**changes: object) -> RunResult:
    """A run of ten samples a second apart whose figures can be worked out on paper."""
    traces = {
        "time_s": np.arange(10.0),
        "oil_c": np.array([90.0, 99.0, 100.0, 101.0, 110.0, 111.0, 120.0, 121.0, 105.0, 95.0]),
        "engine_rpm": np.array([800.0, 1500, 1500, 1500, 1240, 1260, 1240, 1500, 1500, 1500]),
        "turbine_rpm": np.array([0.0, 1200, 1200, 1481, 1240, 1260, 1240, 1479, 1500, 1500]),
        "slip_pct": np.array([100.0, 20.0, 20.0, 1.0, 0.0, 0.0, 0.0, 1.4, 0.0, 0.0]),
        "speed_kmh": np.array([0.0, 10.0, 10.1, 40.0, 40.0, 40.0, 40.0, 40.0, 40.0, 40.0]),
        "target_kmh": np.array([0.0, 10.0, 12.6, 40.0, 40.0, 40.0, 40.0, 38.0, 40.0, 40.0]),
        "throttle_pct": np.array([0.0, 30, 30, 30, 16, 16, 14, 30, 30, 30]),
        "duty_pct": np.array([0.0, 0, 0, 50, 100, 100, 100, 100, 100, 0]),
        "rules_hold": np.array([0.0, 0, 0, 1, 1, 1, 1, 1, 0, 0]),
        "gear": np.full(10, 3.0),
        "band": np.array([0.0, 1, 1, 1, 1, 1, 1, 1, 1, 1]),
        "refusal": np.array([2.0, 2, 1, 0, 0, 0, 0, 0, 1, 1]),
    }

    def engagement(start_s: float, end_s: float | None, by: str, size: float) -> Engagement:
        return Engagement(start_s, start_s + 0.5, end_s, "a", "below_release", 40.0, size, 100 * size, 0.5, 50.0,
                          10 * size, 1000 * size, by)  # fmt: skip

    values: dict[str, object] = {
        "vehicle_name": "v", "drive_name": "d", "strategy_name": "s", "strategy_kind": "rules", "ambient_c": 20.0,
        "total_mass_kg": 1.0, "traces": traces, "reason_words": ("none", "brake", "gear"),
        "as_built_reason_words": (), "surface_words": (), "heat_kj": {"pump": 3.0},
        "engagements": [engagement(3.0, 5.0, "rules", 1.0), engagement(6.5, 8.0, "rules", 2.0),
                        engagement(8.0, 9.0, "as_built", 9.0)],
        "events": [RunEvent(1.0, "stall", "x", "x", 0.0), RunEvent(2.0, "restart", "x", "x", 0.0),
                   RunEvent(2.0, "restart", "x", "x", 0.0), RunEvent(4.0, "cannot_follow", "x", "x", 0.0, 6.5, 4.0)],
        "energy": Energy(0.0, 0.0, 0.0, 1.0), "fuel_l": 0.5, "oil_life_used": 0.02, "distance_km": 4.0,
        "duration_s": 10.0,
    }  # fmt: skip
    return RunResult(**{**values, **changes})  # type: ignore[arg-type]


def test_every_figure_as_worked_out_on_paper() -> None:
    figures = figures_of(by_hand(), load_vehicle("pukeko"))
    assert (figures.oil_peak_c, figures.oil_end_c) == (121.0, 95.0)
    assert figures.oil_over_s == (6.0, 3.0, 1.0)
    assert figures.oil_life_used_pct == pytest.approx(2.0)
    assert figures.slip_mean_pct == pytest.approx((20.0 + 1.0 + 1.4) / 8)
    assert figures.slip_peak_pct == 20.0
    assert figures.held_s == 5.0
    # Within 20 rpm of the turbine: four of the five; the stall of this engine is at 420 rpm.
    assert (figures.held_low_rpm, figures.held_high_rpm) == (1240.0, 1500.0)
    assert figures.stall_margin_rpm == 820.0
    assert figures.lugging_s == 1.0, "under 1250 rpm and over 15 % pedal"
    assert (figures.engagements, figures.by_rules) == (3, 2)
    assert figures.shortest_gap_s == 0.0
    assert (figures.clutch_energy_total_kj, figures.clutch_energy_most_kj) == (3.0, 2.0)
    assert figures.clutch_torque_peak_nm == 200.0
    assert (figures.jolt_most_ms3, figures.shaft_peak_nm) == (20.0, 2000.0)
    assert figures.fuel_l_per_100_km == pytest.approx(12.5)
    assert (figures.stalls, figures.behind_s) == (1, 2.5)
    assert figures.speed_error_most_kmh == pytest.approx(2.5)
    assert figures.refusal_s == {"brake": 3.0, "gear": 1.0}
    assert figures.duration_s == 10.0


def test_the_schedules_holds_are_judged_where_the_schedule_is_in_charge() -> None:
    figures = figures_of(by_hand(strategy_kind="as_built"), load_vehicle("pukeko"))
    assert figures.held_s == 6.0
    assert (figures.jolt_most_ms3, figures.by_rules) == (90.0, 0)


def _cycles(reason: str, gear: float = 3.0) -> Figures:
    base = by_hand()
    step = [replace(base.engagements[0], start_s=at, end_s=at + 0.5, reason_out=reason) for at in (1.0, 3.0, 5.0, 7.0)]
    gears = base.traces["gear"].copy()
    gears[3:5] = gear
    return figures_of(by_hand(engagements=step, traces={**base.traces, "gear": gears}), load_vehicle("pukeko"))


@pytest.mark.parametrize(
    ("reason", "hunts"),
    [("below_release", True), ("shift", True), ("brake", False), ("driver_off", False), ("signal_lost", False)],
)
def test_what_counts_as_hunting(reason: str, hunts: bool) -> None:
    assert _cycles(reason).hunting is hunts


def test_in_again_in_another_gear_is_not_hunting() -> None:
    assert not _cycles("shift", gear=4.0).hunting


def _with_event(pair: tuple[list[Figures], list[RunResult]], event: RunEvent, **changes: object) -> list[Finding]:
    (open_run, ours), (open_result, result) = pair
    after = replace(result, events=[*result.events, event])
    return verdict([open_run, replace(ours, **changes)], [open_result, after])  # type: ignore[arg-type]


@pytest.mark.parametrize("kind", ["interlock", "lamp"])
@pytest.mark.parametrize("by_rules", [0, 1])
def test_a_latched_fault_is_said_however_it_came_on(
    pair: tuple[list[Figures], list[RunResult]], kind: str, by_rules: int
) -> None:
    found = _with_event(pair, RunEvent(65.0, kind, "stuck_in", "x", 40.0), by_rules=by_rules)
    assert found[0][0] == "bad"
    assert ("bad", "station: stuck_in at 1:05.0; no hold until the next start.") in found


def test_a_stall_is_said(pair: tuple[list[Figures], list[RunResult]]) -> None:
    found = _with_event(pair, RunEvent(65.0, "stall", "held", "x", 40.0))
    assert found[0][0] == "bad"
    assert ("bad", "station: engine stalled at 1:05.0 (held).") in found


@pytest.mark.parametrize(("changes", "said"), [
    ({"lugging_s": 3.1}, "the engine labours for 3 s"),
    ({"jolt_most_ms3": 12.1}, "hardest jolt 12.1"),
    ({"stall_margin_rpm": 199.0, "held_low_rpm": 619.0}, "held down to 619 rpm, 199 rpm above the stall"),
    ({"oil_peak_c": 130.1}, "oil over 130 °C"),
    ({"behind_s": 6.0}, "6 s behind the target"),
    ({"behind_s": 6.0}, "short of the target: station 6 s"),
    ({"distance_km": 0.1}, "slower, only 0.10 km in the same time"),
    ({"fuel_l_per_100_km": 1.0}, "fuel 1.0 l/100 km, "),
])  # fmt: skip
def test_what_is_worth_a_word_is_said(
    pair: tuple[list[Figures], list[RunResult]], changes: dict[str, object], said: str
) -> None:
    assert said in " ".join(text for _, text in findings(pair, **changes))
