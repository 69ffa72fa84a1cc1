# ruff: noqa: ARG001, ARG005  # a rule takes all its views, whatever it reads
"""Rule sets as values: adding, replacing, removing, ordering; every declaration that cannot work is refused."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import pytest
from rig import Rig

from controller.declare import TIMER_MAX_MS, History, Interlock, Key, Lamp, Memory, Observed, Property, Signal, State
from controller.errors import UserError
from controller.interlocks import INTERLOCKS
from controller.language import check
from controller.our_rules import OURS
from controller.ruleset import RuleSet
from controller.suggest import nearest


def _never(x: Any, k: Any, m: Any) -> Any:
    return x.gear > 10


def _interlock(reason: str = "mine", **more: Any) -> Interlock:
    return Interlock(reason, _never, **({"out_to": None, "meaning": "a", "clears": "b", "says": "c"} | more))


_ZERO: Callable[..., Any] = lambda x, k, m: 0  # noqa: E731  # one short rule for every memory field


def _history(field: str, initial: int = 0) -> History:
    return History("mine", "a", (Observed(field, 0, 9, initial, lambda b, x, k, a: 0),), lambda b, x, k, a: a.band >= 0)


_REFUSED: list[tuple[Callable[[], RuleSet], str]] = [
    (lambda: OURS.adding(histories=[_history("band")]), "field 'band' of history 'mine' is a memory field"),
    (lambda: OURS.adding(histories=[_history("seen", 10)]), "field 'seen' of history 'mine' starts outside 0 to 9"),
    (lambda: OURS.adding(signals=[OURS.signals[3]]), "signal 'road_speed_ckmh' is declared twice"),
    (lambda: OURS.adding(keys=[OURS.keys[0]]), "calibration key 'tyre_scale_permille' is declared twice"),
    (lambda: OURS.adding(interlocks=[_interlock("brake")]), "interlock 'brake' is declared twice"),
    (lambda: OURS.adding(properties=[OURS.properties[0]]), "property 'brake_opens' is declared twice"),
    (lambda: OURS.adding(lamps=[OURS.lamps[0]]), "lamp 'hot_oil' is declared twice"),
    (lambda: OURS.adding(late=[Memory("band", 0, 1, 0, _ZERO, "a")]), "memory field 'band' is declared twice"),
    (lambda: OURS.adding(late=[Memory("brake_on", 0, 1, 0, _ZERO, "a")]), "memory field 'brake_on' is declared twice"),
    (lambda: OURS.adding(late=[Memory("refused", 0, 1, 0, _ZERO, "a")]), "'refused' is set by the tick itself"),
    (lambda: OURS.adding(late=[Memory("brake_trips", 0, 1, 0, _ZERO, "a")]), "'brake_trips' is set by the tick itself"),
    (lambda: OURS.adding(late=[Memory("mine", 0, 1, 2, _ZERO, "a")]), "'mine' starts at 2; must be from 0 to 1"),
    (lambda: OURS.adding(signals=[Signal("my signal", "", 0, 1, 0, "a")]), "signal 'my signal' is not a plain name"),
    (lambda: OURS.adding(signals=[Signal("_mine", "", 0, 1, 0, "a")]), "signal '_mine' is not a plain name"),
    (lambda: OURS.adding(signals=[Signal("größe", "", 0, 1, 0, "a")]), "signal 'größe' is not a plain name"),
    (lambda: OURS.adding(keys=[Key("class", "a.b", 1, 0, 1, 0, "a")]), "calibration key 'class' is not a plain name"),
    (lambda: OURS.adding(signals=[Signal("mine", "", 0, 9, 10, "a")]), "'mine' has the default 10; it must be from 0"),
    (lambda: OURS.adding(keys=[Key("mine", "a.b", 1, 5, 9, 4, "a")]), "'mine' has the default 4; it must be from 5 to"),
    (lambda: OURS.adding(keys=[Key("mine", "a b", 1, 0, 9, 4, "a")]), "'mine' cannot stand at 'a b'; write table.name"),
    (lambda: OURS.adding(keys=[Key("mine", "title", 1, 0, 9, 4, "a")]), "'mine' cannot stand at 'title'"),
    (lambda: OURS.adding(keys=[Key("mine", "a.b", 0, 0, 9, 4, "a")]), "'mine' has the scale 0; it must be at least 1"),
    (lambda: OURS.adding(keys=[Key("mine", "low.engage_kmh", 1, 0, 9, 4, "a")]), "two calibration keys stand at 'low"),
    (lambda: OURS.adding(interlocks=[_interlock(confirm="mine_ms")]), "confirm='mine_ms' is not a calibration key"),
    (lambda: OURS.adding(interlocks=[_interlock(settle="gear_setle_ms")]), "did you mean 'gear_settle_ms'?"),
    (lambda: OURS.adding(interlocks=[_interlock(settle=-1)]), "settle=-1 is under 0; write a time in ms"),
    (lambda: OURS.adding(interlocks=[_interlock(out_to=State.APPLIED)]), "use State.RELEASED, IDLE or None"),
    (
        lambda: OURS.adding(lamps=[Lamp(f"lamp{at}", _never, "a") for at in range(26)]),
        "32 lamps; the warning word has 31",
    ),
    (lambda: OURS.adding(interlocks=[_interlock()], before="brakes"), "before='brakes' is not one of its interlocks"),
    (lambda: OURS.replacing(_interlock("breaks")), "nothing named 'breaks' to replace; did you mean 'brake'?"),
    (lambda: OURS.removing("braek"), "no interlock or property 'braek' to remove; did you mean 'brake'?"),
    (lambda: OURS.ordering("braek"), "no interlock 'braek' to move; did you mean 'brake'?"),
]


@pytest.mark.parametrize("number", range(len(_REFUSED)))
def test_what_cannot_work_is_one_clear_line(number: int) -> None:
    make, said = _REFUSED[number]
    with pytest.raises(UserError) as caught:
        make()
    assert said in str(caught.value)
    assert str(caught.value).startswith("rule set")


def test_31_lamps_are_fine() -> None:
    rules = OURS.adding(lamps=[Lamp(f"lamp{at}", lambda x, k, m: x.gear > 1, "a") for at in range(25)])
    rig = Rig(rules)
    assert len(rig.lamps) == 25


def test_adding_puts_interlocks_last_or_before_another() -> None:
    reasons = [one.reason for one in INTERLOCKS]
    assert [one.reason for one in OURS.adding(interlocks=[_interlock()]).interlocks] == [*reasons, "mine"]
    at = reasons.index("brake")
    moved = OURS.adding(interlocks=[_interlock()], before="brake").interlocks
    assert [one.reason for one in moved] == [*reasons[:at], "mine", *reasons[at:]]
    assert OURS.adding(name="mine").name == "mine"
    assert OURS.adding().name == "ours"


def test_adding_leaves_ours_as_it_is() -> None:
    OURS.adding(interlocks=[_interlock()])
    assert [one.reason for one in OURS.interlocks] == [one.reason for one in INTERLOCKS]


def test_replacing_each_kind_of_part() -> None:
    signal = replace(OURS.signals[3], high=20_000)
    key = replace(OURS.keys[0], high=1_500)
    prop = replace(OURS.properties[0], meaning="mine")
    early, late = replace(OURS.early[0], meaning="mine"), replace(OURS.late[0], meaning="mine")
    lazy = replace(next(one for one in INTERLOCKS if one.reason == "brake"), settle=60_000)
    rules = OURS.replacing(signal, key, prop, early, late, lazy)
    assert signal in rules.signals
    assert key in rules.keys
    assert prop in rules.properties
    assert early in rules.early
    assert late in rules.late
    check(rules)
    rig = Rig(rules).holding()
    rig.tick(brake_on=1)
    rig.run(50_000, 100, brake_on=0)
    assert rig.refusal == "brake"


def test_removing_an_interlock_takes_its_lamp_and_leaves_its_properties() -> None:
    rules = OURS.removing("stall_guard")
    assert "stall_guard_opens" in [one.name for one in rules.properties]
    rig = Rig(rules).holding()
    with pytest.raises(AssertionError, match="stall_guard_opens"):
        rig.tick(engine_rpm=500)
    # A property that reads the removed interlock's own memory goes with it only when it is named.
    rules = OURS.removing("implausible", "implausible_stays", "lost_signal_judges_nothing")
    check(rules)
    assert "implausible" not in [one.word for one in rules.lamps]


# Properties that read the interlock's own memory.
_THEIR_OWN = {
    "implausible": ("implausible_stays", "lost_signal_judges_nothing"),
    "not_holding": ("not_holding_stays",),
    "stuck_in": ("stuck_in_stays",),
    "kickdown": ("throttle_alone_keeps",),
    "closed_throttle": ("throttle_alone_keeps",),
}


def test_removing_a_property_leaves_what_counts_on_the_interlocks() -> None:
    rules = OURS.removing("brake_opens")
    assert [one.name for one in rules.properties] == [one.name for one in OURS.properties if one.name != "brake_opens"]
    assert any(one.is_closed for one in rules.properties)
    assert rules.histories == OURS.histories
    kept = [one.name for one in OURS.removing("brake_settles").histories]
    assert kept == [one.name for one in OURS.histories if one.name != "brake_settles"]


def test_a_ground_more_counts_from_the_first_tick_of_its_condition() -> None:
    never = Property("never", "a", lambda b, x, k, a: a.band < 0, is_closed=True)
    (beside,) = replace(OURS, properties=(never,)).adding(interlocks=[_interlock()]).properties

    def says(**mine: int) -> bool:
        return bool(beside.holds(None, None, None, SimpleNamespace(band=0, **mine)))

    assert not says(mine_on=False, mine_ms=-1)
    assert says(mine_on=False, mine_ms=0)
    assert says(mine_on=True, mine_ms=-1)
    assert beside.meaning == "a; or a ground of mine"


@pytest.mark.parametrize("reason", [one.reason for one in INTERLOCKS])
def test_every_interlock_of_ours_can_be_removed(reason: str) -> None:
    rules = OURS.removing(reason, *_THEIR_OWN.get(reason, ()))
    check(rules)
    assert reason not in [row.reason for row in rules.rows]


def test_ordering_moves_to_the_front() -> None:
    rules = OURS.ordering("lugging", "brake")
    reasons = [one.reason for one in rules.interlocks]
    assert reasons[:2] == ["lugging", "brake"]
    assert sorted(reasons) == sorted(one.reason for one in INTERLOCKS)
    rig = Rig(rules).holding()
    rig.tick(brake_on=1, oil_temp_dc=0)
    assert (rig.state, rig.reason) == ("released", "brake")


def test_reasons_are_numbered_once() -> None:
    assert OURS.reasons[:2] == ("none", "start")
    assert len(set(OURS.reasons)) == len(OURS.reasons)
    assert OURS.reason_numbers["start"] == 1
    assert {row.reason for row in OURS.rows} | {one.reason for one in OURS.refusals} <= set(OURS.reasons)


def test_what_the_tick_itself_keeps_has_the_range_that_it_needs() -> None:
    ranges = {one.name: (one.low, one.high) for one in OURS.memory}
    assert ranges["state"] == (min(State), max(State))
    assert ranges["reason"] == (0, max(OURS.reason_numbers.values()))
    assert ranges["now_ms"] == (0, 2**31 - 1)
    assert ranges["brake_on"] == (0, 1)
    assert ranges["brake_ms"] == (-1, TIMER_MAX_MS)


def test_where_an_interlock_sends_from() -> None:
    assert _interlock().leaves == ()
    assert _interlock(out_to=State.RELEASED).leaves == (State.APPLIED,)
    assert _interlock(out_to=State.IDLE).leaves == (State.APPLIED, State.ARMED, State.RELEASED)
    assert _interlock(out_to=State.IDLE, sources=(State.ARMED,)).leaves == (State.ARMED,)


def test_fields_of_the_tick_itself_have_no_rule() -> None:
    with pytest.raises(AssertionError, match="the step itself renews this field"):
        OURS.memory[0].update(None, None, None)


def test_the_first_refusal_of_own_rules_is_explained() -> None:
    rig = Rig(
        OURS.adding(
            interlocks=[Interlock("mine", lambda x, k, m: x.gear > 1, None, "a", "b", "because")], before="lugging"
        )
    )
    rig.ready()
    assert rig.why == "refused, mine: because"


def test_property_of_ones_own_is_asked() -> None:
    never = Property("never", "a", lambda b, x, k, a: a.state < 1)
    with pytest.raises(AssertionError, match="never"):
        Rig(OURS.adding(properties=[never])).ready()


def test_nearest_name_or_all_names() -> None:
    assert nearest("gaer", ["gear", "brake"]) == "did you mean 'gear'?"
    assert nearest("qqqq", ["gear", "brake"]) == "known: gear, brake"
    assert nearest("gaer", ["gearx", "gear"]) == "did you mean 'gear'?"


def test_many_names_are_listed_by_their_tables() -> None:
    few = ["z", *(f"oil.{at}" for at in range(19))]
    assert nearest("qqqq", few) == f"known: {', '.join(few)}"
    assert nearest("qqqq", [*few, "oil.19"]) == "known: z, oil.…"
