"""Gear, clutch and engagements of recordings whose truth is known: the simulator's."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from synthetic import moments_of, run, truth_of

from bench.logs import holds
from bench.logs.clutch import IN, OUT, UNKNOWN, Clutch
from bench.logs.decode import likeliest
from bench.logs.edges import Slip, comes_out, goes_in, is_gone
from bench.logs.engagements import LogEngagement, hunts
from bench.logs.gears import Gears
from bench.logs.holds import NO_SLIP, SELDOM
from bench.logs.moments import Moment, moment_of
from bench.logs.reading import read_log
from bench.logs.scatter import STEPS_SEEN
from bench.logs.show_tables import engagements_table
from bench.logs.summary import Shown, take_apart
from sim.vehicle import load_vehicle

Take = Callable[..., Shown]
DRIVES = [
    ("pukeko", "riverbed", "station"),
    ("pukeko", "town", "station"),
    ("pukeko", "highway_trailer", "as-built"),
    ("takahe", "riverbed", "as-built"),
]
FROM_KMH = 5.0


def _judged(shown: Shown, vehicle: str, drive: str, strategy: str) -> dict[str, np.ndarray]:
    result = run(vehicle, drive, strategy)
    truth = truth_of(result, load_vehicle(vehicle))
    at = np.clip(np.round(shown.grid.time_s * 100.0).astype(int), 0, len(truth.gear) - 1)
    moving = (result.traces["speed_kmh"][at] > FROM_KMH) & (result.traces["engine_rpm"][at] > 300.0)
    return {"gear": truth.gear[at], "state": truth.state[at], "moving": moving, "steady": moving & ~truth.shifting[at]}


@pytest.mark.parametrize(("vehicle", "drive", "strategy"), DRIVES)
@pytest.mark.parametrize("rate_hz", [10, 50])
def test_gear_and_clutch(shown: Take, vehicle: str, drive: str, strategy: str, rate_hz: int) -> None:
    taken = shown(vehicle, drive, strategy, rate_hz=rate_hz)
    truth = _judged(taken, vehicle, drive, strategy)
    assert (taken.gears.gear == truth["gear"])[truth["steady"]].mean() >= 0.99
    told = truth["moving"] & (taken.clutch.state != UNKNOWN)
    assert (taken.clutch.state == truth["state"])[told].mean() >= 0.985
    assert told.sum() >= 0.99 * truth["moving"].sum()


@pytest.mark.parametrize(
    ("vehicle", "drive", "strategy"), [("pukeko", "town", "station"), ("takahe", "long_descent", "as-built")]
)
def test_less_noise_tells_no_less(shown: Take, vehicle: str, drive: str, strategy: str) -> None:
    """In these a hold begins with a sample that still slips, and an open converter hardly slips for seconds."""
    taken = shown(vehicle, drive, strategy, noise_rpm=0.5, step_rpm=0.125)
    truth = _judged(taken, vehicle, drive, strategy)
    told = truth["moving"] & (taken.clutch.state != UNKNOWN)
    assert (taken.clutch.state == truth["state"])[told].mean() >= 0.985
    assert told.sum() >= 0.99 * truth["moving"].sum()


@pytest.mark.parametrize("drop", [(), ("turbine_rpm",)])
def test_minutes_at_a_stand_before_the_drive_hide_nothing(
    recorded: Callable[..., Path], tmp_path: Path, drop: tuple[str, ...]
) -> None:
    """Speeds that do not change say nothing of the steps in which they are read."""
    sound = recorded("pukeko", "town", "station", drop=drop)
    header, *rows = sound.read_text().splitlines()
    jitter_rpm = np.random.default_rng(1).normal(0.0, 4.0, STEPS_SEEN)
    stand = []
    for at, rpm in enumerate(jitter_rpm.tolist(), start=-STEPS_SEEN):
        slow = {"oil_c": "60", "coolant_c": "70"} if at % 10 == 0 else {"oil_c": "", "coolant_c": ""}
        idle = {"time_s": f"{at / 10:.1f}", "engine_rpm": f"{750.0 + rpm:.0f}", **slow}
        stand.append(",".join(idle.get(name, "0") for name in header.split(",")))
    standing_first = tmp_path / "stand.csv"
    standing_first.write_text("\n".join([header, *stand, *rows]) + "\n")
    true, found = (take_apart(read_log(str(one)), load_vehicle("pukeko")).summary for one in (sound, standing_first))
    assert found.in_s == pytest.approx(true.in_s, abs=0.5)
    assert len(found.engagements) == len(true.engagements)


@pytest.mark.parametrize(("vehicle", "drive", "strategy"), [*DRIVES, ("takahe", "switch_at_threshold", "as-built")])
def test_coarse_steps_make_nothing_up(shown: Take, vehicle: str, drive: str, strategy: str) -> None:
    """Two shafts read in steps of 25 rpm round alike for seconds: that is no clutch that holds."""
    taken = shown(vehicle, drive, strategy, noise_rpm=1.0, step_rpm=25.0)
    truth = _judged(taken, vehicle, drive, strategy)
    told = truth["moving"] & (taken.clutch.state != UNKNOWN)
    assert (taken.clutch.state == truth["state"])[told].mean() >= 0.98
    held_s = [one.held_s for one in run(vehicle, drive, strategy).engagements if one.held_s is not None]
    for one in taken.summary.engagements:
        first_s = one.start.low_s if one.start else 0.0
        last_s = one.end.high_s if one.end else np.inf
        assert any(first_s - 0.5 <= at_s <= last_s + 0.5 for at_s in held_s), one


@pytest.mark.parametrize(("vehicle", "drive", "strategy"), DRIVES)
def test_gears_without_a_vehicle(recorded: Callable[..., object], vehicle: str, drive: str, strategy: str) -> None:
    taken = take_apart(read_log(str(recorded(vehicle, drive, strategy))))
    truth = _judged(taken, vehicle, drive, strategy)
    # Numbered from the lowest gear seen; these drives all begin in first.
    assert (taken.gears.gear == truth["gear"])[truth["steady"]].mean() >= 0.985
    assert not taken.gears.is_numbered
    assert "gearing" in {one.code for one in taken.findings}


def test_gears_by_engine_speed_alone(shown: Take) -> None:
    taken = shown("pukeko", "riverbed", "station", drop=("turbine_rpm",))
    truth = _judged(taken, "pukeko", "riverbed", "station")
    assert taken.gears.by == "engine"
    assert (taken.gears.gear == truth["gear"])[truth["steady"]].mean() >= 0.98
    assert (taken.clutch.state == truth["state"])[truth["moving"]].mean() >= 0.98


@pytest.mark.parametrize(("vehicle", "drive", "strategy"), DRIVES)
@pytest.mark.parametrize("rate_hz", [10, 50])
def test_engagements_within_a_sample_by_the_command(
    shown: Take, vehicle: str, drive: str, strategy: str, rate_hz: int
) -> None:
    taken = shown(vehicle, drive, strategy, rate_hz=rate_hz, keep=("duty_pct",))
    true = [one for one in run(vehicle, drive, strategy).engagements if one.held_s is not None]
    found = [one for one in taken.summary.engagements if one.held_s is not None and one.duration_s is not None]
    assert len(found) >= len(true)
    for one in true:
        match = min(found, key=lambda other: abs((other.start_s or 0.0) - one.start_s))
        assert match.start_s == pytest.approx(one.start_s, abs=1.01 / rate_hz)
        if one.end_s is not None and match.end_s is not None:
            assert match.end_s == pytest.approx(one.end_s, abs=1.01 / rate_hz)


@pytest.mark.parametrize(("vehicle", "drive", "strategy"), DRIVES)
@pytest.mark.parametrize("rate_hz", [10, 50])
def test_engagements_by_slip_alone(shown: Take, vehicle: str, drive: str, strategy: str, rate_hz: int) -> None:
    """Each moment as the slip has it: told to one sample it is so, else it lies in its stretch; most are told."""
    taken = shown(vehicle, drive, strategy, rate_hz=rate_hz)
    true = moments_of(truth_of(run(vehicle, drive, strategy), load_vehicle(vehicle)))
    found = taken.summary.engagements
    assert len(found) == len(true)
    pairs = [
        (own_s, moment)
        for one, match in zip(true, found, strict=True)
        for own_s, moment in ((one.begins_s, match.start), (one.held_s, match.held), (one.ends_s, match.end))
        if own_s is not None and moment is not None
    ]
    told = [(moment.at_s - own_s) * rate_hz for own_s, moment in pairs if moment.is_told]
    # One end of the riverbed is told wrong: let go as the pedal is let up, its slip just touches 5 rpm before it turns.
    assert np.sum(np.abs(told) > 1.01) <= 1
    assert len(told) / len(pairs) >= 0.75
    outside = [max(moment.low_s - own_s, own_s - moment.high_s) for own_s, moment in pairs if not moment.is_told]
    assert max(outside, default=0.0) <= 0.1
    assert taken.summary.moments_told == sum(moment.is_told for one in found for moment in one.moments)


def test_samples_far_apart_tell_no_moment_to_one(shown: Take) -> None:
    taken = shown("pukeko", "highway_trailer", "as-built", rate_hz=1)
    true = moments_of(truth_of(run("pukeko", "highway_trailer", "as-built"), load_vehicle("pukeko")))
    moments = [moment for one in taken.summary.engagements for moment in one.moments]
    assert moments
    assert {one.why for one in moments} == {SELDOM, NO_SLIP}
    assert taken.summary.moments_told == 0
    for one in taken.summary.engagements:
        assert one.start is not None
        assert any(one.start.low_s <= other.begins_s <= one.start.high_s for other in true)


@pytest.mark.parametrize(("step_s", "whys"), [(0.2, {""}), (0.5, {NO_SLIP})])
def test_one_untold_sample_leaves_a_moment_told_where_samples_are_near(step_s: float, whys: set[str]) -> None:
    state = np.array([OUT] * 10 + [UNKNOWN] + [IN] * 10 + [UNKNOWN] + [OUT] * 10)
    nothing, untold = np.zeros(len(state)), state == UNKNOWN
    slip = Slip(np.arange(len(state)) * step_s, nothing, 2.0, nothing, nothing, 2.0)
    clutch = Clutch(nothing, nothing, nothing, state, nothing, "slip", 2.0, untold, slip)
    gears = Gears(np.ones(len(state), dtype=np.int64), nothing, {}, "none", False)
    (found,) = holds.moments_of(clutch, gears, holds.holds_of(clutch, step_s))
    assert {one.why for one in found if one is not None} == whys


def test_a_clutch_that_the_slip_does_not_tell(shown: Take) -> None:
    """The pedal just carries the engine as the clutch lets go: the state is said to be unknown, and told else right."""
    taken = shown("takahe", "switch_at_threshold", "allroad", rate_hz=10)
    truth = _judged(taken, "takahe", "switch_at_threshold", "allroad")
    told = truth["moving"] & (taken.clutch.state != UNKNOWN)
    assert (taken.clutch.state == truth["state"])[told].mean() >= 0.99
    assert 0.02 <= taken.summary.untold_share <= 0.12
    assert any(one.code == "in_or_out" for one in taken.findings)
    hidden = [one.end for one in taken.summary.engagements if one.end is not None and one.end.why == NO_SLIP]
    assert hidden
    true = moments_of(truth_of(run("takahe", "switch_at_threshold", "allroad"), load_vehicle("takahe")))
    ends_s = [one.ends_s for one in true if one.ends_s is not None]
    assert all(any(one.low_s <= end_s <= one.high_s for end_s in ends_s) for one in hidden)
    assert "no slip in or out" in str(engagements_table(taken.summary).rows)


def test_a_flag_leaves_nothing_untold(shown: Take) -> None:
    taken = shown("takahe", "switch_at_threshold", "allroad", rate_hz=10, keep=("duty_pct",))
    assert not taken.clutch.untold.any()
    assert all(one.start.is_told and one.end.is_told for one in taken.summary.engagements if one.start and one.end)


def _slip(time_s: np.ndarray, rpm: np.ndarray, noise_rpm: float) -> Slip:
    """A slip over a turbine that turns evenly."""
    return Slip(time_s, rpm, noise_rpm, np.zeros(len(time_s)), 1500.0 + rpm, noise_rpm)


@pytest.mark.parametrize("step_s", [0.02, 0.1])
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_edges_of_a_ramp(step_s: float, sign: float) -> None:
    """Slip of 300 rpm that goes as a growing torque takes it, from 3.03 s, and comes back from 6.07 s at 300 rpm/s."""
    time_s = np.arange(0.0, 9.0, step_s)
    clean = np.where(time_s < 5.0, np.clip(300.0 - 3333.3 * np.maximum(time_s - 3.03, 0.0) ** 2, 0.0, 300.0), 0.0)
    clean = clean + np.clip(300.0 * (time_s - 6.07), 0.0, 250.0)
    held, true_s = int(np.argmax((clean < 5.0) & (time_s > 3.0))), (3.03 + 0.0387, 3.33 - 0.0025, 6.07 + 5.0 / 300.0)
    draw = np.random.default_rng(7)
    told = right = inside = 0
    for _ in range(20):
        slip = _slip(time_s, sign * clean + draw.normal(0.0, 4.0, len(time_s)), 4.0)
        begins = goes_in(slip, held - round(0.3 / step_s), held, 0)
        assert begins is not None
        found = (moment_of(begins, step_s), is_gone(slip, held, 0, len(time_s)),
                 comes_out(slip, held, round(6.2 / step_s), len(time_s)))  # fmt: skip
        for own_s, one in zip(true_s, found, strict=True):
            assert one is not None
            told += one.is_told
            right += one.is_told and abs(one.at_s - own_s) <= step_s
            inside += one.low_s <= own_s <= one.high_s
    assert told >= 25
    assert right >= told - 1
    assert inside >= 59


def test_a_slow_return_in_noise_is_given_as_a_stretch() -> None:
    """At 60 rpm/s in 8 rpm of noise a sample of 20 ms cannot be told, and is not claimed."""
    time_s = np.arange(0.0, 6.0, 0.02)
    clean = np.clip(60.0 * (time_s - 3.0), 0.0, 200.0)
    draw = np.random.default_rng(11)
    for _ in range(20):
        slip = _slip(time_s, clean + draw.normal(0.0, 8.0, len(time_s)), 8.0)
        one = comes_out(slip, 0, 160, len(time_s))
        assert one is not None
        assert not one.is_told
        assert one.why == "noise"
        assert one.low_s <= 3.0 + 5.0 / 60.0 <= one.high_s
        assert one.high_s - one.low_s < 0.8


def test_a_drop_out_over_an_edge_widens_it() -> None:
    """No line is drawn across what was not read: the moment may be anywhere in there."""
    time_s = np.arange(0.0, 6.0, 0.02)
    rpm = np.where(time_s < 3.0, 0.0, 300.0) + np.random.default_rng(5).normal(0.0, 4.0, len(time_s))
    whole = _slip(time_s, rpm, 4.0)
    one = comes_out(whole, 0, 151, len(time_s))
    assert one is not None
    assert one.is_told
    holed = rpm.copy()
    holed[(time_s > 2.91) & (time_s < 3.09)] = np.nan
    wide = comes_out(_slip(time_s, holed, 4.0), 0, 155, len(time_s))
    assert wide is not None
    assert not wide.is_told
    assert wide.low_s <= 2.93
    assert wide.high_s >= 3.07


def test_edges_that_are_not_there() -> None:
    time_s = np.arange(0.0, 9.0, 0.1)
    draw = np.random.default_rng(7)
    still = _slip(time_s, draw.normal(0.0, 4.0, len(time_s)), 4.0)
    silent = _slip(time_s, np.full(len(time_s), np.nan), 4.0)
    assert comes_out(still, 40, 60, 90) is None
    for one in (silent, _slip(time_s * 5.0, still.rpm, 4.0)):
        # Samples so far apart are as good as anything worked out from them.
        assert goes_in(one, 40, 40, 0) is None
        assert is_gone(one, 40, 0, 60) is None
        assert comes_out(one, 40, 60, 90) is None


def test_a_command_that_is_not_the_only_one(recorded: Callable[..., Path]) -> None:
    """The command of what was added stands at none while the transmission holds by itself: the slip tells those."""
    path = recorded("pukeko", "riverbed", "station", keep=("duty_pct", "rules_hold"))
    rows = [line.split(",") for line in path.read_text().splitlines()]
    duty, by_rules = rows[0].index("duty_pct"), rows[0].index("rules_hold")
    for row in rows[1:]:
        row[duty] = row[duty] if float(row[by_rules]) > 0.0 else "0"
    path.write_text("\n".join(",".join(row) for row in rows) + "\n")
    taken = take_apart(read_log(str(path)), load_vehicle("pukeko"))
    truth = _judged(taken, "pukeko", "riverbed", "station")
    assert (taken.clutch.state == truth["state"])[truth["moving"]].mean() >= 0.98
    assert any("the transmission holds by itself, too" in one.text for one in taken.findings)
    true = run("pukeko", "riverbed", "station").engagements
    assert len(taken.summary.engagements) == len(true)
    for one, match in zip(true, taken.summary.engagements, strict=True):
        late_s = 0.101 if one.by == "rules" else 0.3  # the rules' by the command, the transmission's by the slip
        assert match.start_s == pytest.approx(one.start_s, abs=late_s)


def test_evidence_for_none_leaves_the_state() -> None:
    costs = np.array([[0.0, 3.0]] * 20 + [[1.0, 1.0]] * 30 + [[3.0, 0.0]] * 20)
    assert np.flatnonzero(likeliest(costs, price=2.0)[0]).tolist() == list(range(50, 70))


def test_a_converter_is_not_taken_for_none(shown: Take) -> None:
    for drive, strategy in (("riverbed", "station"), ("highway_trailer", "as-built")):
        assert "no_slip" not in {one.code for one in shown("pukeko", drive, strategy).findings}


def _engagement(
    start_s: float, end_s: float, gear: int = 4, braked: bool = False, switched: bool = False
) -> LogEngagement:
    begins, ends = (Moment(at_s, at_s, at_s) for at_s in (start_s, end_s))
    return LogEngagement(begins, begins, ends, 60.0, 30.0, gear, gear, 200.0, 0.5, None, braked, switched, 0.9)


def test_hunting_is_counted_as_in_compare() -> None:
    """Three cycles in the same gear within a minute; the brake, another gear or more time make it none."""
    often = [_engagement(at * 15.0, at * 15.0 + 10.0) for at in range(4)]
    assert hunts(often)
    assert not hunts(often[:3])
    assert not hunts([_engagement(at * 40.0, at * 40.0 + 10.0) for at in range(4)])
    assert not hunts([_engagement(at * 15.0, at * 15.0 + 10.0, braked=True) for at in range(4)])
    assert not hunts([_engagement(at * 15.0, at * 15.0 + 10.0, switched=True) for at in range(4)])
    assert not hunts([_engagement(at * 15.0, at * 15.0 + 10.0, gear=2 + at) for at in range(4)])


def test_heat_is_the_simulators(shown: Take) -> None:
    for strategy in ("station", "as-built"):
        taken = shown("pukeko", "riverbed", strategy)
        true = run("pukeko", "riverbed", strategy).heat_kj
        assert sum(taken.summary.heat_kj.values()) == pytest.approx(sum(true.values()), rel=0.01)
        assert taken.summary.heat_kj["converter"] == pytest.approx(true["converter"], rel=0.01)


def test_a_flag_that_lies_is_named(recorded: Callable[..., object]) -> None:
    path = recorded("pukeko", "riverbed", "as-built")
    lines = path.read_text().splitlines()
    path.write_text("\n".join([lines[0] + ",lockup", *(line + ",1" for line in lines[1:])]) + "\n")
    taken = take_apart(read_log(str(path)), load_vehicle("pukeko"))
    assert any(one.code == "flag" and one.judgement == "bad" for one in taken.findings)


def test_viterbi_needs_evidence_to_change() -> None:
    costs = np.array([[0.0, 1.0]] * 20 + [[1.0, 0.0]] * 3 + [[0.0, 1.0]] * 20)
    found, sure = likeliest(costs, price=2.0)
    assert not found.any()
    assert sure.min() > 0.5
    long, _ = likeliest(np.array([[0.0, 1.0]] * 20 + [[1.0, 0.0]] * 9 + [[0.0, 1.0]] * 20), price=2.0)
    assert long[20:29].all()
    assert not long[:20].any()
    assert not long[29:].any()
    assert likeliest(np.zeros((0, 2)), 1.0)[0].size == 0


def test_viterbi_is_the_cheapest_path() -> None:
    """Against every path of a short sequence; where the evidence's favourite changes each sample it is exact."""
    from itertools import pairwise, product

    draw = np.random.default_rng(3)
    for _ in range(20):
        costs = draw.random((7, 3)) * 3.0
        favoured = costs.argmin(axis=1)
        if (np.diff(favoured) == 0).any():
            continue
        paths = list(product(range(3), repeat=7))
        price = 0.7
        totals = [sum(costs[at, state] for at, state in enumerate(path))
                  + price * sum(a != b for a, b in pairwise(path)) for path in paths]  # fmt: skip
        assert likeliest(costs, price)[0].tolist() == list(paths[int(np.argmin(totals))])
