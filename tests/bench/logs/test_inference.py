"""Gear, clutch and engagements of recordings whose truth is known: the simulator's."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from synthetic import moments_of, run, truth_of

from bench.logs.decode import likeliest
from bench.logs.edges import begins_s, ends_s
from bench.logs.engagements import LogEngagement, hunts
from bench.logs.reading import read_log
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
    assert (taken.clutch.state == truth["state"])[truth["moving"]].mean() >= 0.98


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
    """Each moment as the slip has it, within a sample at 10 Hz; at 50 Hz noise moves some by more."""
    taken = shown(vehicle, drive, strategy, rate_hz=rate_hz)
    true = moments_of(truth_of(run(vehicle, drive, strategy), load_vehicle(vehicle)))
    found = taken.summary.engagements
    assert len(found) == len(true)
    off = [
        (theirs - own) * rate_hz
        for one, match in zip(true, found, strict=True)
        for own, theirs in ((one.begins_s, match.start_s), (one.held_s, match.held_s), (one.ends_s, match.end_s))
        if own is not None and theirs is not None
    ]
    assert np.max(np.abs(off)) <= (1.01 if rate_hz == 10 else 6.0)
    assert np.mean(np.abs(off) <= 1.01) >= (1.0 if rate_hz == 10 else 0.9)


@pytest.mark.parametrize("step_s", [0.02, 0.1])
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_edges_of_a_ramp(step_s: float, sign: float) -> None:
    """Slip of 300 rpm that goes at 1000 rpm/s from 3.03 s, and comes back from 6.07 s at 300 rpm/s."""
    time_s = np.arange(0.0, 9.0, step_s)
    clean = np.where(time_s < 5.0, np.clip(300.0 - 1000.0 * (time_s - 3.03), 0.0, 300.0), 0.0)
    clean = clean + np.clip(300.0 * (time_s - 6.07), 0.0, 250.0)
    draw = np.random.default_rng(7)
    off_s = []
    for _ in range(20):
        slip = sign * clean + draw.normal(0.0, 4.0, len(time_s))
        held = int(np.argmax((clean < 5.0) & (time_s > 3.0)))
        begin = begins_s(time_s, slip, held - round(0.3 / step_s), held, 0, 4.0)
        end = ends_s(time_s, slip, held, round(6.2 / step_s), len(slip), 4.0)
        assert begin is not None
        assert end is not None
        off_s += [begin - 3.03 - 5.0 / 1000.0, end - 6.07 - 5.0 / 300.0]
    assert np.max(np.abs(off_s)) <= 2.0 * step_s
    assert np.mean(np.abs(off_s) <= step_s) >= 0.9


def test_edges_that_are_not_there() -> None:
    time_s = np.arange(0.0, 9.0, 0.1)
    draw = np.random.default_rng(7)
    still = draw.normal(0.0, 4.0, len(time_s))
    assert begins_s(time_s, still, 40, 40, 0, 4.0) is None
    assert ends_s(time_s, still, 40, 60, 90, 4.0) is None
    assert begins_s(time_s, np.full(len(time_s), np.nan), 40, 40, 0, 4.0) is None
    assert ends_s(time_s, np.full(len(time_s), np.nan), 40, 60, 90, 4.0) is None
    # Samples so far apart are as good as anything worked out from them.
    assert begins_s(time_s * 5.0, still, 40, 40, 0, 4.0) is None
    assert ends_s(time_s * 5.0, still, 40, 60, 90, 4.0) is None


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
    return LogEngagement(start_s, start_s, end_s, 60.0, 30.0, gear, gear, 200.0, 0.5, None, braked, switched, 0.9)


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
