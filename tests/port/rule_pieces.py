"""Small rule sets, put together piece by piece: what is written from them is quick to build, to run and to read."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from controller.declare import Interlock, Key, Lamp, Memory, Refusal, Relation, Row, Signal, State
from controller.ruleset import RuleSet
from controller.words import minimum, not_, select

FLAGS = ("a", "b", "c", "d")
"""Signals that interlocks go by; an interlock's condition may be `x.a`."""

SIGNALS = (
    Signal("now_ms", "ms", 0, 2**31 - 1, 0, "time"),
    Signal("ignition_on", "", 0, 1, 1, "ignition", is_flag=True),
    Signal("choice", "", 0, 2, 1, "band that is asked for"),
    *(Signal(name, "", 0, 1, 0, f"flag {name}", is_flag=True) for name in FLAGS),
    Signal("level", "0.1 °C", -20, 20, 0, "a level"),
)

KEYS = (
    Key("confirm_ms", "wait.confirm_ms", 1, 0, 40, 20, "before it comes on"),
    Key("settle_ms", "wait.settle_ms", 1, 0, 40, 30, "before it goes off"),
    Key("level_high", "level.high", 1, -20, 20, 5, "a high level"),
    Key("eager", "level.eager", 1, 0, 1, 0, "goes by the level", is_flag=True),
)


def is_a(x: Any, _k: Any, _m: Any) -> Any:
    return x.a


def is_b(x: Any, _k: Any, _m: Any) -> Any:
    return x.b


def is_c(x: Any, _k: Any, _m: Any) -> Any:
    return x.c


def is_d(x: Any, _k: Any, _m: Any) -> Any:
    return x.d


def lock(reason: str, trips: Any, out_to: State | None = State.RELEASED, **more: Any) -> Interlock:
    return Interlock(reason, trips, out_to, f"what {reason} means", "by itself", reason, **more)


def _no_band(_x: Any, _k: Any, m: Any) -> Any:
    return m.band == 0


def _duty(_x: Any, _k: Any, m: Any) -> Any:
    return select(m.state == int(State.APPLIED), minimum(m.duty_ppm + m.elapsed_ms, 100), 0)


BAND = Memory("band", 0, 2, 0, lambda x, _k, _m: x.choice, "selected band")
DUTY = Memory("duty_ppm", 0, 1_000_000, 0, _duty, "duty")
OUT_ROWS = tuple(
    Row(source, State.IDLE, f"{source.word}_no_band", _no_band, "no_band")
    for source in (State.ARMED, State.APPLIED, State.RELEASED)
)
IN_ROWS = (
    Row(State.IDLE, State.ARMED, "band_on", lambda _x, _k, m: (m.band > 0) & not_(m.bars_idle), "band_on"),
    Row(State.RELEASED, State.ARMED, "ready", lambda _x, _k, m: not_(m.bars_released), "ready"),
    Row(State.ARMED, State.APPLIED, "goes_in", lambda _x, _k, m: not_(m.refused), "goes_in"),
)


def small(
    *interlocks: Interlock,
    name: str = "small",
    signals: Iterable[Signal] = (),
    keys: Iterable[Key] = KEYS,
    relations: Iterable[Relation] = (),
    early: Iterable[Memory] = (),
    late: Iterable[Memory] = (),
    lamps: Iterable[Lamp] = (),
    first_rows: Iterable[Row] = OUT_ROWS,
    last_rows: Iterable[Row] = IN_ROWS,
    first_refusals: Iterable[Refusal] = (Refusal("no_band", _no_band, "no band"),),
    last_refusals: Iterable[Refusal] = (),
) -> RuleSet:
    """Return a rule set of these interlocks, with bands, a ramp and a chart that goes round."""
    return RuleSet(
        name=name, version="1", signals=(*SIGNALS, *signals), keys=tuple(keys), relations=tuple(relations),
        early=(BAND, *early), interlocks=interlocks, late=(*late, DUTY), first_refusals=tuple(first_refusals),
        last_refusals=tuple(last_refusals), first_rows=tuple(first_rows), last_rows=tuple(last_rows),
        lamps=tuple(lamps), properties=(),
    )  # fmt: skip  # one call
