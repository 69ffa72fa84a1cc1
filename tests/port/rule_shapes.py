"""Small rule sets of every shape that the port writes in a way of its own."""

from __future__ import annotations

from collections.abc import Callable
from itertools import product
from random import Random
from typing import Any

from rule_pieces import IN_ROWS, OUT_ROWS, is_a, is_b, is_c, is_d, lock, small

from controller.declare import Interlock, Lamp, Memory, Refusal, Row, State
from controller.ruleset import RuleSet
from controller.words import maximum, minimum, not_, select

_IDLE, _ARMED, _APPLIED, _RELEASED = State
_PLAIN = (is_a, is_b, is_c, is_d)


def _level_for(reason: str) -> Callable[[Any, Any, Any], Any]:
    """Return a condition with hysteresis: it goes by whether its own interlock is on."""
    return lambda x, k, m: x.level > select(getattr(m, f"{reason}_on"), k.level_high - 4, k.level_high)


# Every way to wait: before it comes on, before it goes off, for good; with hysteresis and without -------------------

_WAYS = list(product((0, 20, "confirm_ms"), (0, 30, "settle_ms"), (False, True), (False, True)))


def _waiting(number: int) -> list[Interlock]:
    locks = []
    for at, (confirm, settle, latches, has_hysteresis) in enumerate(_WAYS[number::6]):
        name = f"lock_{at}"
        trips = _level_for(name) if has_hysteresis else _PLAIN[at % 4]
        out_to = (_IDLE, _RELEASED, None, _RELEASED, _IDLE, None)[(at + number) % 6]
        locks.append(lock(name, trips, out_to, confirm=confirm, settle=settle, latches=latches))
    return locks


WAITS = {f"waits_{number}": small(*_waiting(number)) for number in range(6)}


# Shapes by name -----------------------------------------------------------------------------------------------------

OWN = {
    "no_interlock": small(),
    "all_refuse_only": small(lock("one", is_a, None), lock("two", is_b, None), lock("three", is_c, None)),
    "refuse_only_and_wait": small(
        lock("one", is_a, None, confirm=20), lock("two", is_b, None, latches=True), lock("three", is_c, None, settle=30)
    ),
    "refuses_only_but_above_one_that_opens": small(
        lock("one", is_a, None), lock("two", is_b), lock("three", is_c, None)
    ),
    "one_that_opens": small(lock("one", is_a)),
    "one_that_opens_to_idle": small(lock("one", is_a, _IDLE, confirm=20)),
    "idle_above_released": small(
        lock("one", is_a, _IDLE, confirm="confirm_ms"), lock("two", is_b, _IDLE, settle="settle_ms"),
        lock("three", is_c), lock("four", is_d, settle=30),
    ),
    "released_above_idle": small(
        lock("one", is_a, confirm="confirm_ms"), lock("two", is_b), lock("three", is_c, _IDLE, latches=True)
    ),
    "idle_between_released": small(
        lock("one", is_a, confirm="confirm_ms"), lock("two", is_b, _IDLE), lock("three", is_c, confirm=20),
        lock("four", is_d, None),
    ),
    "released_between_idle": small(
        lock("one", is_a, _IDLE, confirm=20), lock("two", is_b, latches=True), lock("three", is_c, _IDLE, settle=30)
    ),
    "states_that_it_can_come_on_in": small(
        lock("one", is_a, _IDLE, sources=(_APPLIED, _RELEASED)),
        lock("two", is_b, sources=(_ARMED, _APPLIED), confirm=20), lock("three", is_c, sources=()),
        lock("four", is_d, _IDLE, sources=tuple(State)),
    ),
    "states_that_are_the_same_for_the_last": small(
        lock("one", is_a, _IDLE, sources=(_ARMED,)), lock("two", is_b, sources=(_APPLIED,)),
        lock("three", is_c, sources=(_APPLIED,), settle=30), lock("four", is_d, sources=(_APPLIED,), confirm=20),
    ),
    "one_that_opens_under_one_to_idle": small(lock("one", is_a, _IDLE, latches=True), lock("two", is_b, settle=30)),
    "all_come_on_in_the_same_states": small(lock("one", is_a), lock("two", is_b, settle=30), lock("three", is_c)),
}  # fmt: skip  # a shape a paragraph

READING = {
    "reads_the_one_above": small(lock("one", is_a, _IDLE, confirm=20), lock("two", lambda x, _k, m: x.b & m.one_on)),
    "reads_the_one_below": small(lock("one", lambda x, _k, m: x.a & m.two_on), lock("two", is_b, settle=30)),
    "reads_the_condition_above": small(
        lock("one", is_a, _IDLE, confirm=20), lock("two", lambda x, _k, m: x.b | m.one_trips, settle=30)
    ),
    "reads_the_time_above": small(
        lock("one", is_a, confirm=20), lock("two", lambda x, _k, m: x.b & (m.one_ms >= 10), _IDLE, latches=True)
    ),
    "reads_only_its_own_time": small(
        lock("one", lambda x, _k, m: x.a & (m.one_ms < 20), confirm=30), lock("two", is_b, _IDLE, confirm=20)
    ),
    "reads_its_own_and_another": small(
        lock("one", lambda x, _k, m: x.a | (m.one_on & m.two_on), settle=30), lock("two", is_b, _IDLE, confirm=20)
    ),
    "reads_what_bars_idle": small(
        lock("one", is_a, _IDLE, confirm=20), lock("two", lambda x, _k, m: x.b & m.bars_idle, settle=30)
    ),
    "reads_what_bars_released": small(
        lock("one", is_a, _RELEASED), lock("two", lambda x, _k, m: x.b & not_(m.bars_released), _IDLE, confirm=20),
        lock("three", lambda x, _k, m: x.c & m.bars_released, None),
    ),
    "reads_what_bars_before_any_does": small(
        lock("one", lambda x, _k, m: x.a | m.bars_released, _IDLE), lock("two", is_b, settle=30), lock("three", is_c)
    ),
    "reads_another_and_refuses_only": small(
        lock("one", is_a, None, settle=30), lock("two", lambda x, _k, m: x.b & m.one_on, None), lock("three", is_c)
    ),
}  # fmt: skip  # a shape a paragraph


def _far(x: Any, k: Any) -> Any:
    """Return what takes some working out and is wanted twice."""
    return maximum((x.level - k.level_high) * 7, (k.level_high - x.level) * 5)


LONG = {
    "one_condition_has_the_opposites_of_another": small(
        lock("one", lambda x, _k, _m: x.a & not_(x.b) & not_(x.c), _IDLE, confirm=20),
        lock("two", lambda x, _k, _m: x.b | x.c | x.d, settle=30),
    ),
    "one_condition_has_some_opposites_of_another": small(
        lock("one", lambda x, k, _m: (x.level > k.level_high) | x.b | not_(x.d), _RELEASED),
        lock("two", lambda x, k, _m: (x.level <= k.level_high) & x.c & x.d, _IDLE),
        lock("three", lambda x, _k, _m: x.a & x.b, None),
    ),
    "a_condition_that_takes_working_out": small(
        lock("one", lambda x, k, _m: x.a & not_(x.b) & (_far(x, k) > 40), _IDLE, confirm=20, latches=True),
        lock("two", lambda x, k, _m: x.c & (_far(x, k) <= 12), settle=30),
    ),
    "one_condition_has_one_opposite_of_another_and_two_of_a_third": small(
        lock("one", lambda x, _k, _m: x.a & not_(x.b) & not_(x.c), _IDLE, confirm=20),
        lock("two", lambda x, _k, _m: x.b | x.c | x.d, settle=30),
        lock("three", lambda x, _k, _m: x.a & not_(x.d), None, latches=True),
    ),
    "a_condition_whose_working_out_is_its_own": small(
        lock("one", lambda x, k, _m: x.a & not_(x.b) & (_far(x, k) * _far(x, k) > 400), confirm="confirm_ms"),
        lock("two", is_c, _IDLE, confirm=20),
    ),
    "a_condition_whose_working_out_is_anothers_too": small(
        lock("one", lambda x, k, _m: x.a & not_(x.b) & (_far(x, k) * _far(x, k) > 400), confirm="confirm_ms"),
        lock("two", lambda x, k, _m: _far(x, k) * _far(x, k) > 100, _IDLE, confirm=20),
    ),
    "a_condition_that_always_takes_working_out": small(
        lock("one", lambda x, k, _m: (_far(x, k) * _far(x, k) > 400) & (_far(x, k) < 90), _IDLE, latches=True),
        lock("two", is_b, confirm=20),
    ),
}


def _late(name: str, update: Any, high: int = 1_000, is_flag: bool = False) -> Memory:
    return Memory(name, 0, high, 0, update, name, is_flag=is_flag)


_LOCKS = (
    lock("one", is_a, _IDLE, confirm=20, latches=True),
    lock("two", is_b, settle="settle_ms"),
    lock("three", is_c),
)

ELSEWHERE = {
    "lamps_of_what_is_remembered": small(
        *_LOCKS,
        lamps=(Lamp("one_lit", lambda _x, _k, m: m.one_on, "one"),
               Lamp("applied", lambda _x, _k, m: m.state == 2, "in"),
               Lamp("level_lit", lambda x, k, _m: x.level > k.level_high, "level")),
    ),
    "a_lamp_of_this_tick_only": small(
        *_LOCKS, lamps=(Lamp("quick", lambda _x, _k, m: m.elapsed_ms > 10, "long tick"),
                        Lamp("trips", lambda x, _k, m: m.two_trips | x.d, "condition")),
    ),
    "a_lamp_of_what_bars": small(
        *_LOCKS, lamps=(Lamp("bars", lambda _x, _k, m: m.bars_idle, "idle"),
                        Lamp("refused", lambda _x, _k, m: m.refused, "refused")),
    ),
    "a_row_that_asks_for_a_condition": small(
        *_LOCKS,
        last_rows=(Row(_APPLIED, _RELEASED, "sharp", lambda x, _k, m: m.three_trips & x.d, "sharp"), *IN_ROWS),
    ),
    "conditions_wanted_later_of_each_kind": small(
        lock("one", is_a, _IDLE, confirm=20), lock("two", is_b, settle=30),
        lock("three", _level_for("three"), None, settle=30), lock("four", is_d), lock("five", is_c, latches=True),
        late=(_late("seen", lambda _x, _k, m: select(m.one_trips, 1, 0) + select(m.two_trips, 2, 0)
                    + select(m.three_trips, 4, 0) + select(m.four_trips, 8, 0) + select(m.five_trips, 16, 0)),),
    ),
    "rows_that_stand_together": small(
        *_LOCKS,
        first_rows=(
            *OUT_ROWS,
            Row(_APPLIED, _RELEASED, "d_in", is_d, "dee"), Row(_ARMED, _RELEASED, "d_armed", is_d, "dee"),
            Row(_APPLIED, _RELEASED, "d_again", is_d, "other"), Row(_RELEASED, _IDLE, "d_out", is_d, "other"),
        ),
    ),
    "rows_that_go_the_same_way_on_other_conditions": small(
        *_LOCKS,
        first_rows=(*OUT_ROWS, Row(_APPLIED, _RELEASED, "d_in", is_d, "dee"),
                    Row(_ARMED, _RELEASED, "a_in", is_a, "dee")),
    ),
    "rows_that_always_fire": small(
        *_LOCKS,
        last_rows=(*IN_ROWS, Row(_RELEASED, _IDLE, "always", lambda _x, _k, _m: True, "always"),
                   Row(_APPLIED, _IDLE, "never", lambda _x, _k, _m: False, "never")),
    ),
    "refusals_before_and_after": small(
        *_LOCKS, lock("four", is_d, None),
        first_refusals=(Refusal("far", lambda x, k, _m: _far(x, k) > 50, "far"),
                        Refusal("never", lambda _x, _k, _m: False, "never")),
        last_refusals=(Refusal("eager", lambda x, k, _m: k.eager & (x.level > 3), "eager"),
                       Refusal("slow", lambda _x, _k, m: m.elapsed_ms > 10, "slow")),
    ),
    "memory_before_and_after": small(
        *_LOCKS,
        early=(Memory("top", -20, 20, -20, lambda x, _k, m: maximum(x.level, m.top), "highest level"),
               Memory("held", -20, 20, 3, lambda x, _k, m: select(x.d, x.level, m.held), "level at the last d"),
               Memory("not_held", -20, 20, 3, lambda x, _k, m: select(x.d, m.not_held, x.level), "level off d"),
               Memory("past", 0, 1, 1, lambda x, _k, _m: not_(x.d), "d was off", is_flag=True),
               Memory("same", 0, 50, 7, lambda _x, _k, m: m.same, "never changes")),
        late=(_late("rest_ms", lambda _x, _k, m: select(m.state == 2, 0, minimum(m.rest_ms + m.elapsed_ms, 1_000))),
              _late("was_refused", lambda _x, _k, m: m.refused, 1, is_flag=True)),
    ),
    "memory_that_moves_at_a_start": small(
        *_LOCKS,
        early=(Memory("counted", 0, 9, 0, lambda _x, _k, m: minimum(m.counted + 1, 9), "ticks since the start"),
               Memory("long_tick", 0, 1, 0, lambda _x, _k, m: m.elapsed_ms > 10, "a long tick", is_flag=True),
               Memory("waited_ms", 0, 9_000, 0, lambda _x, _k, m: minimum(m.waited_ms + m.elapsed_ms, 9_000), "time")),
    ),
    "a_command_of_all_that_is_remembered": small(lamps=(Lamp("late", lambda _x, _k, m: m.now_ms > 5_000, "late"),)),
    "memory_that_a_start_keeps": small(
        *_LOCKS,
        early=(Memory("kept", -20, 20, 0, lambda x, _k, m: m.kept + select(x.level > m.kept, 1, 0), "rises"),
               Memory("twice", -40, 40, 0, lambda _x, _k, m: m.kept + m.kept, "of the new one")),
    ),
}  # fmt: skip  # a shape a paragraph


# Mixtures -----------------------------------------------------------------------------------------------------------


def _mixture(seed: int) -> RuleSet:
    random = Random(seed)
    count = random.randint(2, 5)
    names = [f"lock_{at}" for at in range(count)]
    reads = random.random() < 0.4
    locks = []
    for name in names:
        other, plain, second = random.choice(names), random.choice(_PLAIN), random.choice(_PLAIN)
        conditions: list[Any] = [
            plain,
            _level_for(name),
            lambda x, k, m, one=plain, two=second: one(x, k, m) & not_(two(x, k, m)),
            lambda x, k, m, one=plain, two=second: not_(one(x, k, m)) | two(x, k, m),
            lambda x, k, m, one=plain: one(x, k, m) & (_far(x, k) > 20),
        ]
        if reads:
            conditions += [lambda x, k, m, one=plain, other=other: one(x, k, m) & not_(getattr(m, f"{other}_on"))]
            conditions += [lambda x, k, m, one=plain: one(x, k, m) & not_(m.bars_idle)]
        sources = random.choice((None, None, tuple(random.sample(list(State), random.randint(0, 4)))))
        locks.append(
            lock(name, random.choice(conditions), random.choice((_IDLE, _RELEASED, None)), sources=sources,
                 confirm=random.choice((0, 0, 20, "confirm_ms")), settle=random.choice((0, 0, 30, "settle_ms")),
                 latches=random.random() < 0.2)
        )  # fmt: skip  # one interlock
    lamp = random.choice(
        (lambda _x, _k, m: m.lock_0_on, lambda _x, _k, m: m.lock_1_trips, lambda _x, _k, m: m.bars_released)
    )
    return small(*locks, name=f"mixture_{seed}", lamps=(Lamp("lit", lamp, "lamp"),))


MIXTURES = {f"mixture_{seed}": _mixture(seed) for seed in range(16)}
"""Interlocks drawn at random, as a user might put them together."""

SHAPES = WAITS | OWN | READING | LONG | ELSEWHERE
