"""Each history at its own edge: no to the first run that is wrong, nothing against the last that is right.

The proof shows that the rules keep the histories. That none of them is too weak to notice is shown here: each is given
short runs by hand, as rules would leave them that forget one thing.
"""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from rig import calibration

from controller.declare import AGE_INVALID_MS, TIMER_MAX_MS, History
from controller.our_rules import OURS
from controller.signals import AGED

IDLE, ARMED, APPLIED, RELEASED = range(4)
NONE, LOW, HIGH = range(3)

_BY_NAME = {one.name: one for one in OURS.histories}
_INPUTS = {"now_ms": 0, "ignition_on": True, "band_switch": 0, "road_speed_ckmh": 4_000, "engine_rpm": 1_825,
           "turbine_rpm": 1_805, "oil_temp_dc": 800, "throttle_permille": 200, "brake_on": False, "gear": 2,
           "shift_on": False} | {f"{one}_age_ms": 0 for one in AGED}  # fmt: skip  # a drive in second gear
_MEMORY = {"now_ms": 0, "state": IDLE, "band": NONE, "duty_ppm": 0}

Ticks = list[dict[str, Any]]


class _Run:
    """A history beside a run by hand: each tick names what differs from the tick before."""

    def __init__(self, history: History, k: dict[str, Any]) -> None:
        self._history, self._k = history, calibration(**k)
        self.fields = {one.name: one.initial for one in history.keeps}
        self._x, self._memory = dict(_INPUTS), dict(_MEMORY)

    def tick(self, changes: dict[str, Any]) -> bool:
        before = SimpleNamespace(**self._memory, **self.fields)
        self._x |= {key: value for key, value in changes.items() if key in self._x}
        self._memory = self._memory | {"now_ms": self._x["now_ms"]} | {
            key: value for key, value in changes.items() if key in _MEMORY}  # fmt: skip  # one memory
        assert not changes.keys() - self._x.keys() - self._memory.keys()
        x, after = SimpleNamespace(**self._x), SimpleNamespace(**self._memory)
        for one in self._history.keeps:
            value = one.update(before, x, self._k, after)
            assert one.low <= value <= one.high
            self.fields[one.name] = bool(value) if one.is_flag else value
        for name, value in self.fields.items():
            setattr(after, name, value)
        return bool(self._history.holds(before, x, self._k, after))


def _says_yes(name: str, ticks: Ticks, k: dict[str, Any] | None = None) -> bool:
    """Say yes where a history holds at the last tick; at all before it must."""
    run = _Run(_BY_NAME[name], k or {})
    *first, last = [run.tick(one) for one in ticks]
    assert all(first), f"{name} fails before the last tick"
    return last


OFF = {"ignition_on": False, "state": IDLE, "band": NONE, "duty_ppm": 0}
ON = {"ignition_on": True}
LATE = {"band_switch_age_ms": calibration().band_switch_limit_ms + 1}
JUST = {"band_switch_age_ms": calibration().band_switch_limit_ms}
GOOD = {"band_switch_age_ms": 0}
TO_LOW = {"band_switch": 1, "band": LOW}
TO_HIGH = {"band_switch": 2, "band": HIGH}

_SWITCHED: list[tuple[str, Ticks, Ticks]] = [
    # history, a run that is wrong at its last tick, one that is right
    ("start_is_idle", [{"state": ARMED}], [{"state": IDLE}]),
    ("start_is_idle", [{"band": LOW}], [{"band": NONE}]),
    ("start_is_idle", [{"duty_ppm": 1}], [{"duty_ppm": 0}]),
    ("start_is_idle", [{}, OFF, ON | {"state": ARMED}], [{}, ON | {"state": ARMED}]),
    ("start_is_idle", [{}, OFF, OFF, ON | {"band": LOW}], [{}, OFF, ON, {"band": LOW}]),
    # As the switch is found, it has not been turned.
    ("band_only_by_turning", [TO_LOW], [{"band_switch": 1}]),
    ("band_only_by_turning", [{"band_switch": 1}, {"band": LOW}],
     [{"band_switch": 1}, {"band_switch": 2, "band": LOW}]),
    ("band_only_by_turning", [{}, {"band": LOW}], [{}, TO_LOW]),
    ("band_only_by_turning", [{}, LATE | TO_LOW], [{}, JUST | TO_LOW]),
    ("band_only_by_turning", [LATE | {"band_switch": 2}, GOOD | TO_LOW],
     [JUST | {"band_switch": 2}, GOOD | TO_LOW]),
    ("band_only_by_turning", [{}, LATE | {"band_switch": 1}, GOOD | {"band_switch": 0, "band": LOW}],
     [{}, LATE | {"band_switch": 1}, GOOD | {"band": LOW}]),
    ("band_only_by_turning", [{}, {"band_switch": 1}, OFF, ON | {"band": LOW}],
     [{}, {"band_switch": 1}, {"band": LOW}]),
    ("band_only_by_turning", [{}, OFF | {"band_switch": 1}, ON | {"band": LOW}], [{}, OFF, ON, TO_LOW]),
    ("band_only_by_turning", [{}, OFF, ON | TO_LOW], [{}, {"band_switch": 1}, {"band": LOW}]),
    # The band is where the switch was turned to last.
    ("band_is_the_one_chosen", [{}, {"band_switch": 1, "band": HIGH}], [{}, TO_LOW]),
    ("band_is_the_one_chosen", [{}, {"band_switch": 1, "band": NONE}], [{}, TO_HIGH]),
    ("band_is_the_one_chosen", [TO_LOW], [{"band_switch": 1, "band": NONE}]),
    ("band_is_the_one_chosen", [{"band_switch": 1}, {"band_switch": 0, "band": LOW}],
     [{"band_switch": 1}, TO_HIGH]),
    ("band_is_the_one_chosen", [{}, LATE | TO_LOW], [{}, JUST | TO_LOW]),
    ("band_is_the_one_chosen", [{}, TO_LOW, LATE | TO_HIGH],
     [{}, TO_LOW, LATE | {"band_switch": 2}]),
    ("band_is_the_one_chosen", [{}, TO_LOW, {"band": NONE}], [{}, TO_LOW, {}]),
    ("band_is_the_one_chosen", [{}, TO_LOW, OFF, ON | {"band": LOW}],
     [{}, TO_LOW, OFF, ON]),
    ("band_is_the_one_chosen", [{}, TO_LOW, OFF, ON | TO_HIGH],
     [{}, TO_LOW, OFF, ON | {"band_switch": 2}]),
]  # fmt: skip  # a table


@pytest.mark.parametrize(("name", "wrong", "right"), _SWITCHED)
def test_of_starts_and_the_switch(name: str, wrong: Ticks, right: Ticks) -> None:
    assert not _says_yes(name, wrong)
    assert _says_yes(name, right)


def _at(now_ms: int, **changes: Any) -> dict[str, Any]:
    return {"now_ms": now_ms} | changes


DELAY_MS = calibration().reengage_delay_ms


@pytest.mark.parametrize("back_in_ms", [DELAY_MS - 1, DELAY_MS])
@pytest.mark.parametrize(
    "between",
    [
        [],
        [_at(10_000)],  # a tick at the same time counts nothing
        [_at(9_999), _at(10_000 - 1)],  # time that runs back counts nothing
        [_at(10_001), _at(10_700)],
        [_at(10_500, state=ARMED), _at(11_000, state=IDLE)],  # only a hold comes out
    ],
)
def test_the_delay_counts_by_the_clock(back_in_ms: int, between: Ticks) -> None:
    last_ms = between[-1]["now_ms"] if between else 10_000
    gone_ms = sum(max(0, b - a) for a, b in zip(*_steps(10_000, between), strict=True))
    ticks = [_at(0, state=APPLIED), _at(10_000, state=RELEASED), *between,
             _at(last_ms + back_in_ms - gone_ms, state=APPLIED)]  # fmt: skip  # one run
    assert _says_yes("delay_by_the_clock", ticks) is (back_in_ms >= DELAY_MS)


def _steps(begin_ms: int, ticks: Ticks) -> tuple[list[int], list[int]]:
    times = [begin_ms, *(one["now_ms"] for one in ticks)]
    return times[:-1], times[1:]


def test_the_delay_is_over_at_power_up_after_an_off_and_after_very_long() -> None:
    assert _says_yes("delay_by_the_clock", [_at(0, state=APPLIED)])
    assert not _says_yes("delay_by_the_clock", [_at(0, state=APPLIED), _at(10, state=IDLE), _at(20, state=APPLIED)])
    assert _says_yes("delay_by_the_clock", [_at(0, state=APPLIED), _at(10, **OFF), _at(20, **ON, state=APPLIED)])
    run = _Run(_BY_NAME["delay_by_the_clock"], {})
    for tick in (_at(0, state=APPLIED), _at(10, state=IDLE), _at(TIMER_MAX_MS + 9)):
        run.tick(tick)
    assert run.fields["out_ms"] == TIMER_MAX_MS - 1
    run.tick(_at(TIMER_MAX_MS + 11))
    assert run.fields["out_ms"] == TIMER_MAX_MS
    run.tick(_at(2**31 - 1))
    assert run.fields["out_ms"] == TIMER_MAX_MS


_GROUNDS: list[tuple[str, str, dict[str, Any], dict[str, Any]]] = [
    # history, its settle time, the first value that is a ground, the last that is none
    ("brake_settles", "brake_settle_ms", {"brake_on": True}, {"brake_on": False}),
    ("shift_settles", "shift_settle_ms", {"shift_on": True}, {"shift_on": False}),
    ("gear_settles", "gear_settle_ms", {"gear": 1}, {"gear": 2}),
    ("gear_settles", "gear_settle_ms", {"gear": 7}, {"gear": 6}),
    ("gear_settles", "gear_settle_ms", {"band": HIGH, "gear": 3}, {"band": HIGH, "gear": 4}),
    ("stall_guard_settles", "stall_settle_ms", {"engine_rpm": 899}, {"engine_rpm": 900}),
    ("cold_oil_settles", "cold_settle_ms", {"oil_temp_dc": 199}, {"oil_temp_dc": 200}),
    *(("lost_signal_settles", "signal_settle_ms",
       {f"{one}_age_ms": getattr(calibration(), f"{one}_limit_ms") + 1},
       {f"{one}_age_ms": getattr(calibration(), f"{one}_limit_ms")}) for one in AGED),
    ("lost_signal_settles", "signal_settle_ms", {"gear_age_ms": AGE_INVALID_MS}, {"gear_age_ms": 0}),
]  # fmt: skip  # a table


@pytest.mark.parametrize(("name", "key", "ground", "none"), _GROUNDS)
def test_goes_in_only_once_a_ground_has_been_gone(
    name: str, key: str, ground: dict[str, Any], none: dict[str, Any]
) -> None:
    settle_ms = 1_200
    k = {key: settle_ms}
    begins = [_at(0, band=LOW), _at(1_000, **ground)]
    assert not _says_yes(name, [*begins, _at(1_000 + settle_ms - 1, **none, state=APPLIED)], k)
    assert _says_yes(name, [*begins, _at(1_000 + settle_ms, **none, state=APPLIED)], k)
    # It stands until the last tick on which it stood, and a tick at the same time counts nothing.
    begins += [_at(1_500), _at(1_500)]
    assert not _says_yes(name, [*begins, _at(1_500 + settle_ms - 1, **none, state=APPLIED)], k)
    assert _says_yes(name, [*begins, _at(1_500 + settle_ms, **none, state=APPLIED)], k)
    begins += [_at(2_000, **none), _at(2_000)]
    assert not _says_yes(name, [*begins, _at(1_500 + settle_ms - 1, state=APPLIED)], k)
    assert _says_yes(name, [*begins, _at(1_500 + settle_ms, state=APPLIED)], k)
    # Nothing is said of a hold that goes on, of power-up, nor across an ignition cycle.
    assert _says_yes(name, [_at(0, state=APPLIED), _at(10, **ground)], k)
    assert _says_yes(name, [_at(0, **none, state=APPLIED)], k)
    assert not _says_yes(name, [_at(0, **ground, state=APPLIED)], k)
    assert _says_yes(name, [_at(0, **ground), _at(10, **OFF), _at(20, **ON, **none, state=APPLIED)], k)
    run = _Run(_BY_NAME[name], k)
    for tick in (_at(0, **ground), _at(10, **none), _at(TIMER_MAX_MS - 1)):
        run.tick(tick)
    assert run.fields["gone_ms"] == TIMER_MAX_MS - 1
    run.tick(_at(2**31 - 1))
    assert run.fields["gone_ms"] == TIMER_MAX_MS


def test_a_shift_that_is_held_through_is_no_ground() -> None:
    ticks = [_at(0), _at(10, shift_on=True, state=APPLIED)]
    assert not _says_yes("shift_settles", ticks)
    assert _says_yes("shift_settles", ticks, {"hold_through_shifts": True})


def test_fields_take_no_more_values_than_they_need() -> None:
    kept = [one for history in OURS.histories for one in history.keeps]
    timer = (0, TIMER_MAX_MS, TIMER_MAX_MS)
    assert {(one.name, one.low, one.high, one.initial) for one in kept} == {
        ("running", 0, 1, 0), ("position", -1, HIGH, -1), ("turned", 0, 1, 0), ("chosen", NONE, HIGH, NONE),
        ("out_ms", *timer), ("gone_ms", *timer)}  # fmt: skip  # one set
    assert {one.name for one in kept if one.is_flag} == {"running", "turned"}


def test_every_history_is_asked_here() -> None:
    text = Path(__file__).read_text(encoding="utf-8")
    assert [one for one in _BY_NAME if f'"{one}"' not in text] == []
