"""The search for the dearest tick, on a machine that only counts what it is asked."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from controller.our_rules import OURS
from controller.port.stimulus import Ticks
from controller.port.worst import Search
from controller.step import initial_memory

_NAMES = [signal.name for signal in OURS.signals]
_BUT_TIME = [at for at, name in enumerate(_NAMES) if name != "now_ms"]
_LOW, _HIGH = (
    np.array([getattr(OURS.signals[at], end) for at in _BUT_TIME], dtype=np.int64) for end in ("low", "high")
)


class _Counting:
    """A machine on which each input costs the more the higher it is; a calibration costs by its numbers, too."""

    def __init__(self) -> None:
        self.rules = OURS
        self.asked: list[Ticks] = []
        self.costs: list[Any] = []

    def cost(self, ticks: Ticks) -> Any:
        self.asked.append(ticks)
        tenths = (ticks.inputs[:, _BUT_TIME] - _LOW) * 10 // (_HIGH - _LOW)
        instructions = tenths.sum(axis=1) + int(ticks.calibration.sum()) % 17
        self.costs.append(instructions)
        return SimpleNamespace(instructions=instructions)


def _searched(what: str, rounds: int, seed: int = 1) -> tuple[int, _Counting]:
    machine = _Counting()
    return getattr(Search(machine, seed), what)(rounds), machine  # type: ignore[arg-type]


@pytest.mark.parametrize("what", ["anywhere", "from_start"])
@pytest.mark.parametrize("rounds", [1, 3])
def test_the_dearest_tick_that_was_tried_is_what_is_found(what: str, rounds: int) -> None:
    for seed in range(3):
        found, machine = _searched(what, rounds, seed)
        assert found == max(one.max() for one in machine.costs)


@pytest.mark.parametrize("what", ["anywhere", "from_start"])
def test_children_of_the_dearest_are_dearer(what: str) -> None:
    found, machine = _searched(what, 8)
    first = max(one.max() for one in machine.costs[:12])
    assert found >= first + 20
    assert _searched(what, 8)[0] == found


@pytest.mark.parametrize("what", ["anywhere", "from_start"])
def test_a_short_search_starts_from_few_calibrations_and_a_long_one_goes_on_with_the_best(what: str) -> None:
    _, short = _searched(what, 1)
    _, long = _searched(what, 5)
    calibrations = [{one.calibration.tobytes() for one in machine.asked} for machine in (short, long)]
    assert len(calibrations[0]) < len(calibrations[1])
    for of_one, machine in zip(calibrations, (short, long), strict=True):
        assert len(of_one) <= len(machine.asked) / 2  # no more is spent on starting than on going on
    gone_on = {one.calibration.tobytes() for one in long.asked[len(calibrations[1]) :]}
    firsts = list(zip(long.asked, long.costs, strict=True))[: len(calibrations[1])]
    best = sorted(firsts, key=lambda one: -int(one[1].max()))[: len(gone_on)]
    assert 1 < len(gone_on) < len(calibrations[1])
    assert {one.calibration.tobytes() for one, _ in best} == gone_on


def test_from_power_up_each_run_starts_anew_with_the_ignition_on_and_one_clock() -> None:
    _, machine = _searched("from_start", 3)
    start = [int(value) for value in initial_memory(OURS)]
    steps = set()
    for ticks in machine.asked:
        inputs = ticks.inputs.reshape(-1, ticks.ticks, len(_NAMES))
        assert ticks.ticks > 1
        assert ticks.starts.tolist() == [start] * len(inputs)
        assert (inputs[:, :, _NAMES.index("ignition_on")] == 1).all()
        times = inputs[:, :, _NAMES.index("now_ms")]
        steps |= set(np.diff(times, axis=1, prepend=0).ravel().tolist())
    assert min(steps) == 0
    assert 10 in steps
    assert max(steps) > 1_000  # longer than any tick counts for
    assert len({ticks.inputs.tobytes() for ticks in machine.asked}) == len(machine.asked)


def test_anywhere_each_tick_has_a_memory_of_its_own() -> None:
    _, machine = _searched("anywhere", 3)
    for ticks in machine.asked:
        assert ticks.ticks == 1
        assert len(ticks.starts) == len(ticks.inputs) > 100
        assert len({row.tobytes() for row in ticks.starts}) > 100
        for at, field in enumerate(OURS.memory):
            assert ((field.low <= ticks.starts[:, at]) & (ticks.starts[:, at] <= field.high)).all()
        for at, signal in enumerate(OURS.signals):
            assert ((signal.low <= ticks.inputs[:, at]) & (ticks.inputs[:, at] <= signal.high)).all()


def test_a_child_has_most_from_one_parent_some_from_another_and_little_that_is_new() -> None:
    machine = _Counting()
    search = Search(machine, 4)  # type: ignore[arg-type]
    asked: list[Any] = []

    def fresh(_calibration: Any) -> Any:
        # Every number tells where it comes from: new ones are from 10 000.
        return np.full((120, 400), 10_000)

    def cost(_calibration: Any, genes: Any) -> Any:
        asked.append(genes)
        return np.zeros(len(genes), dtype=np.int64)

    parents = np.arange(120)[:, None].repeat(400, axis=1)
    search.evolved(None, parents, np.arange(120), fresh, cost, 1)
    (children,) = asked
    new = children == 10_000
    assert 0.02 < new.mean() < 0.06
    shares = []
    for child, is_new in zip(children, new, strict=True):
        names, counts = np.unique(child[~is_new], return_counts=True)
        assert len(names) <= 2
        assert set(names.tolist()) <= set(range(105, 120))  # the dearest of them
        shares.append(counts.max() / 400)
    assert 0.7 < np.median(shares) < 0.85
    assert len(np.unique(children)) == 16  # each of the dearest has a part
