"""Random ticks for back-to-back runs: what they try, and that a seed means the same ticks for ever.

The last is shown with words of a generator that is known: each word is read here in plain whole numbers.
"""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import accumulate
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from controller.calibration import default_values
from controller.declare import Key, Memory, Relation, Signal
from controller.our_rules import OURS
from controller.port.stimulus import Stimulus, Ticks

_NOW = Memory("now_ms", 0, 2**31 - 1, 0, None, "")  # type: ignore[arg-type]  # nothing is worked out here
_CLOCK = Signal("now_ms", "ms", 0, 2**31 - 1, 0, "")


def _key(name: str, low: int, high: int, default: int, is_flag: bool = False) -> Key:
    return Key(name, name, 1, low, high, default, "", is_flag)


def _memory(name: str, low: int, high: int, initial: int = 0, is_flag: bool = False) -> Memory:
    return Memory(name, low, high, initial, None, "", is_flag)  # type: ignore[arg-type]  # nothing is worked out here


@dataclass(eq=False)
class _Rules:
    """As much of a rule set as random ticks are made of."""

    signals: Sequence[Signal] = ()
    memory: Sequence[Memory] = ()
    keys: Sequence[Key] = ()
    relations: Sequence[Relation] = ()


class _Words:
    """Stands for the bit generator: gives the words it was given, and random ones after them."""

    def __init__(self, words: Sequence[int] = ()) -> None:
        self.given: list[int] = []
        self._next = self._endless(words)

    def _endless(self, words: Sequence[int]) -> Iterator[int]:
        yield from words
        source = random.Random(1)
        while True:
            yield source.getrandbits(64)

    def random_raw(self, count: int) -> Any:
        drawn = [next(self._next) for _ in range(count)]
        self.given += drawn
        return np.array(drawn, dtype=np.uint64)


def _with_words(rules: _Rules, monkeypatch: pytest.MonkeyPatch, words: Sequence[int] = ()) -> tuple[Stimulus, _Words]:
    given = _Words(words)
    monkeypatch.setattr(np.random, "PCG64", lambda _seed: given)
    return Stimulus(rules, 0), given  # type: ignore[arg-type]  # enough of one


# What the ticks try ------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def many() -> Ticks:
    stimulus = Stimulus(OURS, 1)
    return stimulus.runs(np.array(list(map(int, default_values(OURS)))), 1_000, 50)


def test_every_input_and_memory_field_lies_in_its_range_and_reaches_both_ends(many: Ticks) -> None:
    assert many.inputs.dtype == many.starts.dtype == np.int32
    assert (many.inputs.shape, many.starts.shape) == ((50_000, len(OURS.signals)), (1_000, len(OURS.memory)))
    columns = zip((*OURS.signals, *OURS.memory), (*many.inputs.T, *many.starts.T), strict=True)
    for one, column in columns:
        assert (one.low <= column.min(), column.max() <= one.high) == (True, True), one.name
        if one.name != "now_ms" and not one.name.endswith("_ms"):
            assert (column.min(), column.max()) == (one.low, one.high), one.name


def test_every_threshold_is_met_and_missed_by_one(many: Ticks) -> None:
    units = {"ckmh", "rpm", "dc", "permille"}
    names = [signal.name for signal in OURS.signals]
    for at, signal in enumerate(OURS.signals):
        drawn = set(many.inputs[:, at].tolist())
        for key in OURS.keys:
            unit = key.name.rpartition("_")[2]
            if unit in units and signal.name.endswith(f"_{unit}"):
                near = set(range(key.default - 1, key.default + 2)) & set(range(signal.low, signal.high + 1))
                assert near <= drawn, (signal.name, key.name)
    assert set(many.inputs[:, names.index("gear")].tolist()) == set(range(-1, 11))


def test_ages_and_timers_meet_their_limits_too() -> None:
    rules = _Rules([Signal("a_age_ms", "ms", 0, 60_000, 0, "")], [_NOW, _memory("a_ms", -1, 600_000, -1)],
                   [_key("limit_ms", 0, 1_000, 500), _key("is_ms", 0, 1, 1, is_flag=True),
                    _key("limit_rpm", 0, 9_000, 7_777)])  # fmt: skip  # two signals
    ticks = Stimulus(rules, 1).runs(np.array([500, 1, 7_777]), 4_000, 50)
    ages = Counter(ticks.inputs[:, 0].tolist())
    assert set(range(16)) | {499, 500, 501, 60_000} <= ages.keys()
    assert 0.98 < sum(ages[age] for age in range(16)) / len(ticks.inputs) < 0.999
    assert max(ages) == 60_000
    assert 7_777 not in ages
    timers = ticks.starts[:, 1]
    assert {-1, 499, 500, 501, 600_000} <= set(timers.tolist())
    assert 0.7 < (timers == -1).mean() < 0.85


def test_inputs_stay_for_a_while_and_flags_are_mostly_as_usual(many: Ticks) -> None:
    runs = many.inputs.reshape(1_000, 50, -1)
    for at, signal in enumerate(OURS.signals):
        if signal.is_flag:
            assert 0.9 < (many.inputs[:, at] == signal.default).mean() < 0.97, signal.name
        elif signal.name != "now_ms" and not signal.name.endswith("_age_ms"):
            stays = (runs[:, 1:, at] == runs[:, :-1, at]).mean()
            assert 0.9 < stays < 0.98, signal.name


def test_time_goes_on_by_usual_and_unusual_steps_and_now_and_then_jumps_back(many: Ticks) -> None:
    at = [signal.name for signal in OURS.signals].index("now_ms")
    times = many.inputs[:, at].reshape(1_000, 50).astype(np.int64)
    steps = Counter(np.diff(times, axis=1).ravel().tolist())
    assert {0, 5, 10, 20, 100, 1_000, 5_000} == {step for step, count in steps.items() if count > 1_000}
    assert 0.45 < steps[10] / 49_000 < 0.55
    others = {step for step in steps if step not in (0, 5, 10, 20, 100, 1_000, 5_000)}
    assert others == {step + by for step in (0, 5, 10, 20, 100, 1_000, 5_000) for by in (-3_000, 3_000)} & steps.keys()
    assert 50 < sum(count for step, count in steps.items() if step < 0) < 150
    starts = many.starts[:, OURS.memory_names.index("now_ms")]
    assert set((times[:, 0] - starts).tolist()) <= {0, 5, 10, 20, 100, 1_000, 5_000} | set(range(-3_000, 2_001))
    assert starts.max() > 2**29


def test_the_clock_stays_within_its_range(monkeypatch: pytest.MonkeyPatch) -> None:
    # Every step is the longest, and the last word is the first that jumps back.
    ticks = 430_000
    rules = _Rules([_CLOCK], [_NOW])
    steps, jumps = [11] * ticks, [1] * ticks
    stimulus, _ = _with_words(rules, monkeypatch, [7, *steps, *jumps])
    times = stimulus.runs(np.array([]), 1, ticks).inputs[:, 0]
    assert times[:3].tolist() == [5_007, 10_007, 15_007]
    assert (times[-1], times[-2]) == (2**31 - 1, 2**31 - 1)
    stimulus, _ = _with_words(rules, monkeypatch, [7, 8, 0])
    assert stimulus.runs(np.array([]), 1, 1).inputs.tolist() == [[0]]


# What a seed means -------------------------------------------------------------------------------------------


def test_the_same_seed_gives_the_same_ticks_and_another_gives_others() -> None:
    def made(seed: int) -> list[bytes]:
        stimulus = Stimulus(OURS, seed)
        calibration = stimulus.calibration()
        sample = stimulus.runs(calibration, 3, 4)
        return [calibration.tobytes(), sample.starts.tobytes(), sample.inputs.tobytes()]

    assert made(5) == made(5)
    assert all(one != other for one, other in zip(made(5), made(6), strict=True))


def _pooled(word: int, low: int, high: int, pool: Sequence[int]) -> int:
    bits = word >> 16
    return low + bits % (high - low + 1) if (word >> 4) % 3 == 0 else pool[bits % len(pool)]


def _held(values: Sequence[int], words: Sequence[int], ticks: int) -> list[int]:
    """Return what stays until a word is a multiple of 16, each run for itself."""
    out: list[int] = []
    for at, (value, word) in enumerate(zip(values, words, strict=True)):
        out.append(value if at % ticks == 0 or word % 16 == 0 else out[-1])
    return out


_LIMITS = [_key("one_rpm", 0, 9_000, 4), _key("two_rpm", 0, 9_000, 8_000), _key("rpm", 0, 9_000, 50),
           _key("on_rpm", 0, 1, 1, is_flag=True), _key("third_dc", 0, 9_000, 60)]  # fmt: skip  # a table
_VALUES = np.array([4, 8_000, 50, 1, 60])
_POOLS: list[tuple[Signal | Memory, list[int]]] = [
    (Signal("speed_rpm", "", 0, 9_000, 700, ""), [0, 3, 4, 5, 49, 50, 51, 700, 7_999, 8_000, 8_001, 9_000]),
    (Signal("speed_rpm", "", 4, 49, 20, ""), [4, 5, 20, 49]),
    (Signal("temp_dc", "", -600, 600, 200, ""), [-600, 59, 60, 61, 200, 600]),
    (Signal("gear", "", -1, 10, 0, ""), list(range(-1, 11))),
    (Signal("sixteen", "", 10, 26, 12, ""), list(range(10, 27))),
    (Signal("seventeen", "", 10, 27, 12, ""), [10, 12, 27]),
    (_memory("last_rpm", 0, 9_000, 1_234), [0, 3, 4, 5, 49, 50, 51, 1_234, 7_999, 8_000, 8_001, 9_000]),
    (_memory("count", -20, 20, 3), [-20, 3, 20]),
    (_memory("kept_ms", 0, 50, 7), [0, 7, 50]),
    (_memory("behind", -1, 50, 7), [-1, 7, 50]),
]
"""What is drawn oftener than anything else in the range: its ends, its start, and about each limit of the same unit."""


@pytest.mark.parametrize(("one", "pool"), _POOLS, ids=lambda one: getattr(one, "name", ""))
def test_numbers_are_drawn_near_limits_or_anywhere(
    monkeypatch: pytest.MonkeyPatch, one: Signal | Memory, pool: list[int]
) -> None:
    is_signal = isinstance(one, Signal)
    rules = _Rules([one] if is_signal else [], [] if is_signal else [one], _LIMITS)
    stimulus, words = _with_words(rules, monkeypatch)
    ticks = 50
    sample = stimulus.runs(_VALUES, 2_000, ticks if is_signal else 1)
    drawn = sample.inputs if is_signal else sample.starts
    count = drawn.size
    expected = [_pooled(word, one.low, one.high, pool) for word in words.given[:count]]
    if is_signal:
        expected = _held(expected, words.given[count:], ticks)
        assert len(words.given) == 2 * count
    assert drawn.ravel().tolist() == expected
    assert set(pool) <= set(expected)


def test_truth_values_are_usual_but_for_one_in_sixteen_and_kept_ones_set_one_time_in_eight(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    rules = _Rules([Signal("on", "", 0, 1, 1, "", True), Signal("off", "", 0, 1, 0, "", True)],
                   [_memory("kept", 0, 1, 1, is_flag=True)])  # fmt: skip  # three flags
    stimulus, words = _with_words(rules, monkeypatch)
    runs, ticks = 500, 10
    sample = stimulus.runs(np.array([]), runs, ticks)
    kept, rest = words.given[:runs], words.given[runs:]
    size = runs * ticks
    on, on_stays, off, off_stays = (rest[size * at : size * (at + 1)] for at in range(4))
    assert sample.starts[:, 0].tolist() == [word % 8 == 0 for word in kept]
    assert sample.inputs[:, 0].tolist() == _held([word % 16 != 0 for word in on], on_stays, ticks)
    assert sample.inputs[:, 1].tolist() == _held([word % 16 == 0 for word in off], off_stays, ticks)


def test_one_age_in_two_hundred_is_not_fresh_and_one_timer_in_four_runs(monkeypatch: pytest.MonkeyPatch) -> None:
    rules = _Rules([Signal("a_age_ms", "", 0, 60_000, 0, "")], [_memory("a_ms", -1, 9_000, -1)],
                   [_key("a_limit_ms", 0, 900, 300)])  # fmt: skip  # an age and a timer
    stimulus, words = _with_words(rules, monkeypatch)
    runs, ticks = 2_000, 20
    sample = stimulus.runs(np.array([300]), runs, ticks)
    timers, rest = words.given[:runs], words.given[runs:]
    ages, stays = rest[: runs * ticks], rest[runs * ticks :]
    assert sample.starts[:, 0].tolist() == [
        _pooled(word, -1, 9_000, [-1, 299, 300, 301, 9_000]) if word % 4 == 0 else -1 for word in timers
    ]
    drawn = [
        word >> 40 & 15 if word % 200 < 199 else _pooled(word, 0, 60_000, [0, 299, 300, 301, 60_000]) for word in ages
    ]
    assert sample.inputs[:, 0].tolist() == _held(drawn, stays, ticks)


def test_the_clock_starts_below_two_to_the_thirty_and_jumps_back_one_time_in_five_hundred(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    stimulus, words = _with_words(_Rules([_CLOCK], [_memory("other", 0, 9), _NOW]), monkeypatch)
    runs, ticks = 300, 20
    sample = stimulus.runs(np.array([]), runs, ticks)
    starts = [word % 2**30 for word in words.given[runs : 2 * runs]]
    assert sample.starts[:, 1].tolist() == starts
    steps = (10, 10, 10, 10, 10, 10, 5, 20, 0, 100, 1_000, 5_000)
    rest = words.given[2 * runs :]
    for run, start in enumerate(starts):
        here = slice(run * ticks, (run + 1) * ticks)
        passed = accumulate(steps[word % 12] for word in rest[: runs * ticks][here])
        back = [3_000 * (word % 500 == 0) for word in rest[runs * ticks :][here]]
        expected = [max(0, start + ms - less) for ms, less in zip(passed, back, strict=True)]
        assert sample.inputs[here, 0].tolist() == expected
    assert sum(word % 500 == 0 for word in rest[runs * ticks :]) > 5


# Calibrations ------------------------------------------------------------------------------------------------


def _anywhere(value: int) -> int:
    return value << 8 | 1


def _by(change: int, near: int) -> int:
    return change + near << 8


_HUNDRED = _key("hundred", 1, 100, 50)  # a fiftieth of its range is 2
_UNDER = _key("under", 1, 99, 50)  # of this one only 1


@pytest.mark.parametrize(
    ("key", "moves", "value"),
    [
        (_HUNDRED, [_by(0, 2)] * 3, 50),
        (_HUNDRED, [_anywhere(0), _by(0, 2), _by(0, 2)], 1),
        (_HUNDRED, [_by(0, 2), _anywhere(99), _by(0, 2)], 100),
        (_HUNDRED, [_by(0, 2), _by(0, 2), _anywhere(100)], 1),
        (_HUNDRED, [_by(-2, 2), _by(0, 2), _by(0, 2)], 48),
        (_HUNDRED, [_by(2, 2), _by(2, 2), _by(2, 2)], 56),
        (_HUNDRED, [_by(3, 2), _by(0, 2), _by(0, 2)], 48),
        (_HUNDRED, [_anywhere(99), _by(2, 2), _by(0, 2)], 100),
        (_HUNDRED, [_anywhere(0), _by(-2, 2), _by(0, 2)], 1),
        (_UNDER, [_by(1, 1), _by(1, 1), _by(0, 1)], 52),
        (_UNDER, [_by(2, 1), _by(0, 1), _by(0, 1)], 49),
        (_key("few", 4, 6, 5), [_by(1, 1), _by(0, 1), _by(0, 1)], 6),
        (_key("few", 4, 6, 5), [_by(2, 1), _by(0, 1), _by(0, 1)], 4),
    ],
)
def test_a_key_moves_anywhere_in_its_range_or_by_a_fiftieth_of_it(
    monkeypatch: pytest.MonkeyPatch, key: Key, moves: list[int], value: int
) -> None:
    stimulus, words = _with_words(_Rules(keys=[key]), monkeypatch, [0, 0, 0, *moves])
    assert stimulus.calibration().tolist() == [value]
    assert len(words.given) == 6


def test_of_several_keys_each_may_move_and_a_move_that_breaks_a_relation_goes_half_as_far(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    seen: set[tuple[type, type]] = set()

    def holds(k: Any) -> bool:
        seen.add((type(k.low_rpm), type(k.on)))
        return bool(k.low_rpm < k.high_rpm)

    keys = [_key("low_rpm", 0, 999, 100), _key("high_rpm", 0, 999, 200), _key("on", 0, 1, 0, is_flag=True)]
    relations = [Relation("", "", holds), Relation("", "", lambda k: k.high_rpm != 500)]
    # Low to 150 and on to 200, which is 175; high to 900 and back to 500, which is 700; on; low on to 899, which is
    # 537; high on to 899 and back to 100: neither that nor 499 may be, but 699.
    places = [0, 0, 4, 1, 2, 0, 1, 1, 2]
    moves = [150, 200, 900, 500, 1, 899, 899, 100, 1]
    words = [*places, *map(_anywhere, moves)]
    stimulus, given = _with_words(_Rules(keys=keys, relations=relations), monkeypatch, words)
    assert stimulus.calibration().tolist() == [537, 699, 1]
    assert len(given.given) == 18
    assert seen == {(int, bool)}


@pytest.mark.parametrize(("move", "value"), [(1, 1), (2, 1), (128, 1), (256, 0), (512, 0)])
def test_a_move_is_tried_eight_times_and_then_not_made(monkeypatch: pytest.MonkeyPatch, move: int, value: int) -> None:
    rules = _Rules(keys=[_key("few", 0, 999, 0)], relations=[Relation("", "", lambda k: k.few < 2)])
    stimulus, _ = _with_words(rules, monkeypatch, [0, 0, 0, _anywhere(move), _by(0, 20), _by(0, 20)])
    assert stimulus.calibration().tolist() == [value]


def test_calibrations_are_valid_and_every_key_moves() -> None:
    stimulus, defaults = Stimulus(OURS, 5), list(map(int, default_values(OURS)))
    rows = [stimulus.calibration() for _ in range(20)]
    for row in rows:
        assert row.dtype == np.int32
        assert all(key.low <= value <= key.high for key, value in zip(OURS.keys, row, strict=True))
        k = SimpleNamespace(**{key.name: bool(value) if key.is_flag else int(value)
                               for key, value in zip(OURS.keys, row, strict=True)})  # fmt: skip
        assert all(relation.holds(k) for relation in OURS.relations)
    moved = (np.array(rows) != defaults).any(axis=0)
    still = [key.name for key, has_moved in zip(OURS.keys, moved, strict=True) if not has_moved]
    assert still == []
