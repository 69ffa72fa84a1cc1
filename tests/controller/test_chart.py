"""The chart: the `transitions` machine and the fold agree on every truth assignment; diagram and table."""

from __future__ import annotations

from dataclasses import replace
from itertools import product
from types import SimpleNamespace
from typing import Any

import pytest

from controller import tick
from controller.chart import Chart, mermaid, row_table
from controller.declare import Row, State
from controller.our_rules import OURS


def _asked(rows: tuple[Row, ...]) -> Any:
    """Rows of the same names and places whose conditions read a table of truths by row number."""
    return SimpleNamespace(
        rows=tuple(
            Row(row.source, row.destination, row.name, lambda _x, _k, m, at=at: m.truths[at], row.reason)
            for at, row in enumerate(rows)
        ),
        reason_numbers=OURS.reason_numbers,
    )


@pytest.mark.parametrize("state", State)
def test_machine_and_fold_agree_on_every_truth_assignment(state: State) -> None:
    rules = _asked(OURS.rows)
    chart = Chart(rules)
    relevant = [at for at, row in enumerate(OURS.rows) if row.source is state]
    reached = set()
    for truths in product((False, True), repeat=len(relevant)):
        table = [False] * len(OURS.rows)
        for at, truth in zip(relevant, truths, strict=True):
            table[at] = truth
        m = SimpleNamespace(state=int(state), reason=-1, truths=table)
        fired = chart.fire(state, lambda row: bool(row.condition(None, None, m)))  # noqa: B023  # asked at once
        expected = next((at for at in relevant if table[at]), None)
        assert (None if fired is None else rules.rows.index(fired)) == expected
        folded = tick.fold(rules, None, None, m)
        assert folded == chart.choose(rules, None, None, m)
        assert folded == (
            (int(state), -1) if fired is None else (int(fired.destination), OURS.reason_numbers[fired.reason])
        )
        reached.add(expected)
    assert reached == {None, *relevant}


def test_a_tick_is_its_only_trigger() -> None:
    assert Chart(OURS).machine.get_triggers(*(state.word for state in State)) == ["next_tick"]


def test_rows_of_other_states_do_not_count() -> None:
    rules = _asked(OURS.rows)
    for state in State:
        table = [row.source is not state for row in OURS.rows]
        m = SimpleNamespace(state=int(state), reason=5, truths=table)
        assert tick.fold(rules, None, None, m) == (int(state), 5)
        assert Chart(rules).choose(rules, None, None, m) == (int(state), 5)


def test_every_state_is_left_and_entered() -> None:
    assert {row.source for row in OURS.rows} == set(State) == {row.destination for row in OURS.rows}


def test_diagram_has_an_arrow_a_pair_and_every_reason() -> None:
    text = mermaid(OURS)
    lines = text.splitlines()
    assert lines[:2] == ["stateDiagram-v2", "    [*] --> idle"]
    arrows = [line.split(":")[0] for line in lines[2:]]
    assert len(arrows) == len(set(arrows)) == len({(row.source, row.destination) for row in OURS.rows})
    for row in OURS.rows:
        arrow = next(line for line in lines if f"{row.source.word} --> {row.destination.word}:" in line)
        assert row.reason in arrow.split(": ")[1].split(", ")


def test_a_reason_of_two_rows_stands_once_on_their_arrow() -> None:
    text = mermaid(replace(OURS, first_rows=(*OURS.first_rows, OURS.first_rows[0])))
    arrow = next(line for line in text.splitlines() if "applied --> idle" in line)
    assert arrow.count("driver_off") == 1


def test_row_table_numbers_the_rows_in_order() -> None:
    table = row_table(OURS)
    assert [line[0] for line in table] == [str(number) for number in range(1, len(OURS.rows) + 1)]
    assert table[0] == ("1", "applied", "idle", "no_band", "driver_off")
    assert table[-1] == (str(len(OURS.rows)), "idle", "armed", "band_on", "band_on")
