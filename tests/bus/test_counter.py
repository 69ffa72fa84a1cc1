"""The counter policy: a whole table, replayed row by row."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bus.counter import POLICY, CounterWatch, Step, Verdict, Watch

FIRST, NEXT, LOST = Verdict.BELIEVED, Verdict.BELIEVED, Verdict.BELIEVED_SOME_LOST


def test_the_table_answers_everything() -> None:
    assert set(POLICY) == {(watch, step) for watch in Watch for step in Step}


@pytest.mark.parametrize("key", list(POLICY))
def test_a_refused_frame_never_moves_the_baseline_of_a_good_sequence(key: tuple[Watch, Step]) -> None:
    row = POLICY[key]
    if key[0] in (Watch.FOLLOWING, Watch.SYNCING) and not row.verdict.is_believed:
        assert not row.moves_baseline
    if row.verdict.is_believed:
        assert row.moves_baseline
        assert row.watch is Watch.FOLLOWING


REPLAY = [
    # counter, periods since the last believed frame, verdict, baseline after
    (7, 1, Verdict.BELIEVED, 7),
    (8, 1, Verdict.BELIEVED, 8),
    (8, 1, Verdict.REPEATED, 8),
    (7, 1, Verdict.WRONG_COUNTER, 8),
    (9, 1, Verdict.BELIEVED, 9),
    (11, 1, Verdict.BELIEVED_SOME_LOST, 11),
    (14, 1, Verdict.WRONG_COUNTER, 11),
    (14, 2, Verdict.BELIEVED_SOME_LOST, 14),
    (0, 1, Verdict.BELIEVED, 0),
    (8, 30, Verdict.WRONG_COUNTER, 0),
    (7, 30, Verdict.BELIEVED_SOME_LOST, 7),
]


def test_replay() -> None:
    watch = CounterWatch(15)
    for counter, periods, verdict, baseline in REPLAY:
        assert (watch.judge(counter, periods), watch.baseline) == (verdict, baseline)


def test_after_a_loss_two_in_sequence_are_needed() -> None:
    watch = CounterWatch(15)
    watch.judge(3)
    watch.lose()
    assert watch.judge(9) is Verdict.NOT_YET
    assert watch.judge(9) is Verdict.REPEATED
    assert watch.judge(10) is Verdict.BELIEVED
    watch.lose()
    assert watch.judge(2) is Verdict.NOT_YET
    assert watch.judge(12) is Verdict.WRONG_COUNTER
    assert watch.judge(13) is Verdict.NOT_YET
    assert watch.judge(14) is Verdict.BELIEVED


@given(st.lists(st.integers(0, 14), max_size=60))
def test_a_stray_never_pulls_the_receiver_along(strays: list[int]) -> None:
    """Between any two good frames, strays of any counter: the good sequence is believed frame by frame."""
    watch = CounterWatch(15)
    counter = 0
    assert watch.judge(counter).is_believed
    for stray in strays:
        ahead = (stray - counter) % 15
        if not 1 <= ahead <= 2:
            assert not watch.judge(stray).is_believed
        counter = (counter + 1) % 15
        assert watch.judge(counter).is_believed
