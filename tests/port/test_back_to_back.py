"""Back-to-back runs: what differs is found, counted and named; and each side does run what it is given."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from own_rules import PLAIN, RULES, WIDTH

from controller.calibration import default_values
from controller.our_rules import OURS
from controller.port import back_to_back
from controller.port.back_to_back import Comparison, compare, lanes_runner, reference_runner
from controller.port.stimulus import Stimulus, Ticks
from controller.ruleset import COMMAND_FIELDS
from controller.step import Reference, initial_memory


class _Counting:
    """A backend that puts out the number of the tick in every field, and keeps what it was given."""

    def __init__(self, change: Callable[[Any, int], None] = lambda _rows, _block: None, more: int = 0) -> None:
        self.given: list[Ticks] = []
        self._change, self._more = change, more

    def __call__(self, ticks: Ticks) -> Any:
        rows = np.tile(np.arange(len(ticks.inputs), dtype=np.int32)[:, None], (1, WIDTH + self._more))
        self._change(rows, len(self.given))
        self.given.append(ticks)
        return rows


# What a comparison finds -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("at", "field", "named"),
    [
        ((0, 0, 0), 1, f"memory {PLAIN.memory[0].name} after tick 0 of run 0: 0 and 1"),
        ((0, 7, len(PLAIN.memory) - 1), -1, f"memory {PLAIN.memory[-1].name} after tick 7 of run 0: 7 and 6"),
        ((1, 3, len(PLAIN.memory)), 5, "command duty_ppm after tick 3 of run 1: 3 and 8"),
        ((19, 49, WIDTH - 1), 1, "command band after tick 49 of run 19: 49 and 50"),
    ],
)
def test_one_field_that_differs_in_one_tick_is_found_and_named(
    at: tuple[int, int, int], field: int, named: str
) -> None:
    block, tick, place = at

    def change(rows: Any, number: int) -> None:
        if number == block:
            rows[tick, place] += field

    result = compare(PLAIN, "any", _Counting(), _Counting(change), ticks=1_000, seed=1)
    assert (result.ticks, result.mismatches, result.first) == (1_000, 1, named)
    assert result.seen(PLAIN) == f"1,000 ticks, 1 mismatches; first: {named}"


def test_every_tick_that_differs_counts_once_and_the_first_of_them_is_named() -> None:
    def change(rows: Any, number: int) -> None:
        if number > 2:
            rows[10:13, 2:5] = -1

    result = compare(PLAIN, "any", _Counting(change), _Counting(), ticks=1_000, seed=1)
    assert result.mismatches == 17 * 3
    assert result.first == f"memory {PLAIN.memory[2].name} after tick 10 of run 3: -1 and 10"


def test_equal_sides_have_no_mismatch_and_a_column_more_is_no_field() -> None:
    def row_of_the_chart(rows: Any, number: int) -> None:
        rows[:, WIDTH] = 0
        rows[:3, WIDTH] = (1, 2, 2) if number else (len(PLAIN.rows), 2, 2)

    for left, right in ((_Counting(), _Counting(row_of_the_chart, 1)), (_Counting(row_of_the_chart, 1), _Counting())):
        result = compare(PLAIN, "any", left, right, ticks=100, seed=1)
        assert (result.mismatches, result.first) == (0, "")
        assert result.rows == {0: 94, 1: 1, 2: 4, len(PLAIN.rows): 1}
        assert result.seen(PLAIN) == f"100 ticks, 0 mismatches, 3 of {len(PLAIN.rows)} chart rows fired, 6 moves"


def test_nothing_is_claimed_before_anything_ran() -> None:
    assert Comparison("any").seen(PLAIN) == "0 ticks, 0 mismatches"


# What it runs ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("ticks", "blocks"),
    [
        (1, [1]),
        (50, [1]),
        (51, [1, 1]),
        (500, [1] * 10),
        (1_999, [1] * 40),
        (2_000, [2] * 20),
        (20_000, [20] * 20),
    ],
)
def test_at_least_so_many_ticks_run_under_twenty_calibrations_or_more(ticks: int, blocks: list[int]) -> None:
    left, right = _Counting(), _Counting()
    result = compare(PLAIN, "any", left, right, ticks=ticks, seed=3)
    assert [len(sample.starts) for sample in left.given] == blocks
    assert result.ticks == 50 * sum(blocks)
    assert [len(sample.inputs) for sample in left.given] == [50 * runs for runs in blocks]
    assert all(one is other for one, other in zip(left.given, right.given, strict=True))
    assert len({sample.calibration.tobytes() for sample in left.given}) == len(blocks)


def test_so_many_runs_at_once_fit_the_memory_of_a_core(monkeypatch: pytest.MonkeyPatch) -> None:
    sizes: list[tuple[int, int]] = []

    class Sizes:
        def __init__(self, _rules: Any, _seed: int) -> None: ...
        def calibration(self) -> None: ...
        def runs(self, _calibration: None, runs: int, ticks: int) -> Any:
            sizes.append((runs, ticks))
            return SimpleNamespace(inputs=range(runs * ticks))

    monkeypatch.setattr(back_to_back, "Stimulus", Sizes)
    nothing = np.zeros((1, WIDTH))
    assert compare(PLAIN, "any", lambda _: nothing, lambda _: nothing, ticks=3_000_000, seed=1).ticks == 3_000_000
    assert sizes == [(1_000, 50)] * 60


def test_the_ticks_are_those_of_the_seed() -> None:
    left = _Counting()
    compare(PLAIN, "any", left, _Counting(), ticks=100, seed=9)
    stimulus = Stimulus(PLAIN, 9)
    for given in left.given:
        sample = stimulus.runs(stimulus.calibration(), 1, 50)
        assert (given.inputs == sample.inputs).all()
        assert (given.starts == sample.starts).all()


# The two sides that need no compiler -------------------------------------------------------------------------


def test_the_reference_side_is_the_reference_from_each_runs_own_memory() -> None:
    stimulus = Stimulus(RULES, 4)
    k = default_values(RULES)
    sample = stimulus.runs(np.array(list(map(int, k)), dtype=np.int32), 3, 20)
    start = np.array(list(map(int, initial_memory(RULES))), dtype=np.int32)
    rows = reference_runner(RULES)(replace(sample, starts=np.tile(start, (3, 1))))
    assert rows.dtype == np.int32
    for run in range(3):
        controller = Reference(RULES, k)
        for at in range(20 * run, 20 * run + 20):
            values = zip(RULES.signals, sample.inputs[at].tolist(), strict=True)
            command = controller.tick({one.name: bool(value) if one.is_flag else value for one, value in values})
            assert rows[at].tolist() == [*map(int, controller.memory), *command]


def test_the_reference_side_sees_truth_values_and_whole_numbers_as_the_rules_do(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    seen = []

    def step(_rules: Any, _chart: Any, memory: tuple[int, ...], x: Any, k: Any) -> Any:
        seen.append((list(map(type, memory)), {name: type(value) for name, value in vars(x).items()},
                     {name: type(value) for name, value in vars(k).items()}))  # fmt: skip  # one record
        return memory, (0,) * len(COMMAND_FIELDS)

    monkeypatch.setattr(back_to_back, "step", step)
    stimulus = Stimulus(OURS, 4)
    sample = stimulus.runs(stimulus.calibration(), 3, 2)
    rows = reference_runner(OURS)(sample)
    # Each run keeps the memory that it starts with here: the third and fourth tick have the second start.
    assert rows[:, : len(OURS.memory)].tolist() == np.repeat(sample.starts, 2, axis=0).tolist()
    for memory, x, k in seen:
        assert memory == [bool if one.is_flag else int for one in OURS.memory]
        assert x == {one.name: bool if one.is_flag else int for one in OURS.signals}
        assert k == {one.name: bool if one.is_flag else int for one in OURS.keys}


def test_the_lanes_side_agrees_with_the_reference_and_names_the_row_that_fired(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    numba = pytest.importorskip("numba", reason="needs numba: pip install '.[lanes]'")
    monkeypatch.setattr(numba, "njit", lambda function: function)  # the same text as plain Python: nothing to wait for
    rules = replace(OURS, name="uncompiled")
    width = len(rules.memory) + len(COMMAND_FIELDS)
    stimulus = Stimulus(rules, 6)
    moves = 0
    run = lanes_runner(rules)
    for _ in range(4):
        sample = stimulus.runs(stimulus.calibration(), 3, 50)
        rows = run(sample)
        assert rows.dtype == np.int32
        assert rows.shape == (150, width + 1)
        assert (rows[:, :width] == reference_runner(rules)(sample)).all()
        state, reason = (rules.memory_names.index(name) for name in ("state", "reason"))
        ignition = [signal.name for signal in rules.signals].index("ignition_on")
        for at, row in enumerate(rows.tolist()):
            before = rows[at - 1].tolist() if at % 50 else sample.starts[at // 50].tolist()
            if not sample.inputs[at, ignition]:
                continue
            if fired := row[width]:
                moves += 1
                one = rules.rows[fired - 1]
                assert (one.source, one.destination) == (before[state], row[state])
                assert one.reason == rules.reasons[row[reason]]
            else:
                assert (row[state], row[reason]) == (before[state], before[reason])
    assert moves > 5


def test_a_tuple_that_is_returned_is_written_place_by_place() -> None:
    scope: dict[str, Any] = {}
    text = "def tick(x, m):\n    one = x + m\n    return (one, one * 2, -m)"
    exec(compile(back_to_back._writing(text), "<written>", "exec"), scope)
    row = [0, 0, 0]
    assert scope["tick"](3, 4, row) is None
    assert row == [7, 14, -4]


@pytest.mark.parametrize("text", ["a = 1", "def tick():\n    a = 1, 2", "def tick():\n    return 1", "return 1, 2"])
def test_a_text_of_another_shape_is_not_taken_for_a_tick(text: str) -> None:
    with pytest.raises(AssertionError, match="one function that ends in a return of a tuple"):
        back_to_back._writing(text)
