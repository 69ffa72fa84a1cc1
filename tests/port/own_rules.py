"""Rule sets of a user's own: ours with more of everything, kinds of interlocks mixed, and none at all."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from controller.declare import Interlock, Key, Lamp, Memory, Relation, Signal, State
from controller.our_rules import OURS
from controller.ruleset import COMMAND_FIELDS
from controller.words import maximum, minimum, not_, select


def _steep(x: Any, k: Any, m: Any) -> Any:
    return x.grade_permille > select(m.steep_on, k.steep_permille - 20, k.steep_permille)


def _next_peak(x: Any, _k: Any, m: Any) -> Any:
    return maximum(minimum(x.grade_permille, 400), m.peak_permille - 1)


def _alarm(x: Any, k: Any, m: Any) -> Any:
    return (m.peak_permille > k.steep_permille) & m.steep_trips & not_(x.brake_on)


RULES = OURS.adding(
    name="own",
    signals=[Signal("grade_permille", "permille", -500, 500, 0, "grade of the road, uphill positive")],
    keys=[
        Key("steep_permille", "grade.steep_permille", 1, 50, 400, 200, "a steeper road lets go"),
        Key("steep_settle_ms", "grade.steep_settle_ms", 1, 0, 10_000, 700, "wait after the grade"),
        Key("alarm_confirm_ms", "grade.alarm_confirm_ms", 1, 0, 10_000, 300, "peak over the limit this long"),
    ],
    relations=[
        Relation("grade.alarm_confirm_ms", "at most grade.steep_settle_ms",
                 lambda k: k.alarm_confirm_ms <= k.steep_settle_ms),
    ],
    early=[Memory("peak_permille", -500, 400, 0, _next_peak, "highest grade of late")],
    interlocks=[
        Interlock("steep", _steep, State.RELEASED, "the road is steep", "by itself", "steep", settle="steep_settle_ms"),
        Interlock("alarm", _alarm, State.IDLE, "steep for long", "at the next ignition cycle", "alarm",
                  confirm="alarm_confirm_ms", latches=True),
    ],
)  # fmt: skip  # an interlock a paragraph


def _floored(x: Any, _k: Any, m: Any) -> Any:
    return x.throttle_permille > select(m.floored_on, 800, 900)


MIXED = replace(
    OURS,
    name="mixed",
    interlocks=(
        Interlock("floored", _floored, State.RELEASED, "floored", "by itself", "floored",
                  confirm="kickdown_confirm_ms", settle="kickdown_settle_ms"),
        Interlock("shifts", lambda x, _k, _m: x.shift_on, State.IDLE, "a shift", "by itself", "shift",
                  confirm="closed_confirm_ms"),
        Interlock("braking", lambda x, _k, _m: x.brake_on, State.RELEASED, "brake", "by itself", "brake"),
        Interlock("hot_brake", lambda x, _k, m: x.brake_on & m.hot, None, "hot", "by itself", "hot", settle=200),
        Interlock("reverse", lambda x, _k, _m: x.gear < 0, State.RELEASED, "reverse", "at the next start", "reverse",
                  latches=True),
        Interlock("neutral", lambda x, _k, _m: x.gear == 0, None, "neutral", "by itself", "neutral"),
    ),
    lamps=(
        Lamp("shifting", lambda _x, _k, m: m.shifts_trips | m.bars_idle, "reads how an interlock stands in this tick"),
        Lamp("running", lambda x, _k, m: x.ignition_on & (m.elapsed_ms > 0), "reads the clock"),
    ),
    properties=(),
    histories=(),
)  # fmt: skip  # an interlock a paragraph
"""Kinds and destinations mixed: no kind speaks first or last, and the command needs more than the memory."""

BARE = replace(OURS, name="bare", interlocks=(), lamps=(), properties=(), histories=())
"""No interlock at all."""

PLAIN = replace(BARE, name="plain", relations=())
"""Rules whose random ticks are quickly made: for tests that run none of them."""

WIDTH = len(PLAIN.memory) + len(COMMAND_FIELDS)
"""Numbers that a backend puts out a tick."""
