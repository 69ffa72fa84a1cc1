"""Rule sets with one fault each, as a hurried change might leave it; every check must find those of its own."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

from controller.declare import Interlock, Lamp, Memory, Refusal, Row, State
from controller.interlocks import of_band
from controller.our_rules import OURS
from controller.ruleset import RuleSet
from controller.words import maximum, minimum, not_, select

APPLIED = int(State.APPLIED)


def interlock(reason: str) -> Interlock:
    return next(one for one in OURS.interlocks if one.reason == reason)


def field(name: str) -> Memory:
    return next(one for one in OURS.memory if one.name == name)


def tripping(reason: str, trips: Callable[[Any, Any, Any], Any]) -> RuleSet:
    return OURS.replacing(replace(interlock(reason), trips=trips))


def disarmed(reason: str) -> RuleSet:
    return tripping(reason, lambda x, _k, _m: x.brake_on & not_(x.brake_on))


def settling_at_once(reason: str) -> RuleSet:
    return OURS.replacing(replace(interlock(reason), settle=0))


def forgetting(reason: str) -> RuleSet:
    return OURS.replacing(replace(interlock(reason), latches=False))


def renewing(name: str, update: Callable[[Any, Any, Any], Any], **changes: Any) -> RuleSet:
    return OURS.replacing(replace(field(name), update=update, **changes))


def without_row(name: str, source: State = State.APPLIED) -> RuleSet:
    def kept(rows: tuple[Row, ...]) -> tuple[Row, ...]:
        return tuple(row for row in rows if not (row.name == name and row.source is source))

    return replace(OURS, first_rows=kept(OURS.first_rows), last_rows=kept(OURS.last_rows))


def row_asking(name: str, condition: Callable[[Any, Any, Any], Any]) -> RuleSet:
    rows = tuple(replace(row, condition=condition) if row.name == name else row for row in OURS.last_rows)
    return replace(OURS, last_rows=rows)


def without_refusal(reason: str) -> RuleSet:
    def kept(refusals: tuple[Refusal, ...]) -> tuple[Refusal, ...]:
        return tuple(one for one in refusals if one.reason != reason)

    return replace(OURS, first_refusals=kept(OURS.first_refusals), last_refusals=kept(OURS.last_refusals))


def refusing(reason: str, holds: Callable[[Any, Any, Any], Any]) -> RuleSet:
    refusals = tuple(replace(one, holds=holds) if one.reason == reason else one for one in OURS.last_refusals)
    return replace(OURS, last_refusals=refusals)


def _some_signal_old(x: Any, k: Any, _m: Any) -> Any:
    return (x.road_speed_age_ms > k.road_speed_limit_ms) | (x.engine_rpm_age_ms > k.engine_rpm_limit_ms)


def _under(x: Any, k: Any, limit_ckmh: Any) -> Any:
    return x.road_speed_ckmh * k.tyre_scale_permille < limit_ckmh * 1_000


def _steep_duty(_x: Any, k: Any, m: Any) -> Any:
    steep = minimum(m.duty_ppm + (k.slew_limit_permille_per_s + 1) * m.elapsed_ms, k.end_duty_ppm)
    return select(m.state == APPLIED, steep, 0)


def _slow_out(_x: Any, k: Any, m: Any) -> Any:
    right = field("duty_ppm").update(_x, k, m)
    return select(m.state == APPLIED, right, maximum(m.duty_ppm - 50 * m.elapsed_ms, 0))


def _band_by_switch(x: Any, _k: Any, _m: Any) -> Any:
    return select(x.ignition_on, x.band_switch, 0)


def _high_reads_low(x: Any, k: Any, m: Any) -> Any:
    turned = (x.band_switch_age_ms <= k.band_switch_limit_ms) & (m.switch_seen >= 0) & x.ignition_on
    return select(turned & (x.band_switch != m.switch_seen), minimum(x.band_switch, 1), m.band)


def _double_time(_x: Any, _k: Any, m: Any) -> Any:
    return select(m.state == APPLIED, 0, minimum(m.since_out_ms + 2 * m.elapsed_ms, 600_000))


def _endless_time(_x: Any, _k: Any, m: Any) -> Any:
    return select(m.state == APPLIED, 0, m.since_out_ms + m.elapsed_ms)


def _stale_speeds_disagree(x: Any, k: Any, _m: Any) -> Any:
    rpm: Any = 0
    for gear in range(1, 11):
        rpm = select(x.gear == gear, getattr(k, f"turbine_rpm_at_100_kmh_{gear}"), rpm)
    gap = x.turbine_rpm * 10_000 - x.road_speed_ckmh * rpm
    judged = (rpm > 0) & (x.road_speed_ckmh >= k.plausible_minimum_ckmh) & not_(x.shift_on)
    return judged & (maximum(gap, 0 - gap) > k.plausible_tolerance_rpm * 10_000)


def _hot_oil_opens() -> RuleSet:
    too_hot = Interlock("too_hot", lambda x, k, _m: x.oil_temp_dc > k.oil_hot_dc, State.RELEASED,
                        "the oil is hot", "by itself", "the oil is hot")  # fmt: skip  # one interlock
    # Put in by hand: `adding` would leave out what is said of our own interlocks only.
    return replace(OURS, interlocks=(*OURS.interlocks, too_hot))


def _wide_lamp() -> RuleSet:
    return OURS.adding(lamps=[Lamp("wide", lambda x, _k, _m: x.engine_rpm * x.turbine_rpm * 100 > 7, "never mind")])


def _dead_row() -> RuleSet:
    below = next(row for row in OURS.last_rows if row.name == "below_release")
    return replace(OURS, last_rows=(*OURS.last_rows, replace(below, destination=State.IDLE)))


def _engine_under(margin_rpm: int) -> Callable[[Any, Any, Any], Any]:
    return lambda x, k, m: (
        x.engine_rpm
        < select(m.stall_guard_on, k.stall_guard_rpm + k.stall_guard_gap_rpm, k.stall_guard_rpm - margin_rpm)
    )


FAULTS: dict[str, Callable[[], RuleSet]] = {
    "brake_opens": lambda: disarmed("brake"),
    "wrong_gear_opens": lambda: tripping(
        "gear", lambda x, k, _m: (x.gear < k.low_gear_lowest) | (x.gear > k.low_gear_highest)),
    "shift_opens": lambda: disarmed("shift"),
    "band_none_opens": lambda: without_row("no_band"),
    "stall_guard_opens": lambda: tripping("stall_guard", _engine_under(1)),
    "cold_oil_opens": lambda: disarmed("cold_oil"),
    "lost_signal_opens": lambda: tripping("signal_lost", _some_signal_old),
    "ignition_off_opens": lambda: renewing(
        "duty_ppm", lambda x, k, m: select(x.ignition_on, field("duty_ppm").update(x, k, m), 1)),
    "never_in_below_release": lambda: without_row("below_release"),
    "in_only_at_engage_speed": lambda: without_refusal("below_engage"),
    "cool_oil_engages_at_engage_speed": lambda: renewing("hot", lambda x, _k, _m: x.oil_temp_dc > -1_000),
    "band_change_drops": lambda: without_row("band_changed_under_engage"),
    "no_lugging_in": lambda: disarmed("lugging"),
    "delay_between_engagements": lambda: without_refusal("delay"),
    "duty_rises_by_slew": lambda: renewing("duty_ppm", _steep_duty),
    "duty_falls_at_once": lambda: renewing("duty_ppm", _slow_out),
    "implausible_stays": lambda: forgetting("implausible"),
    "not_holding_stays": lambda: forgetting("not_holding"),
    "stuck_in_stays": lambda: forgetting("stuck_in"),
    "lost_signal_judges_nothing": lambda: tripping("implausible", _stale_speeds_disagree),
    "throttle_alone_keeps": lambda: tripping(
        "kickdown", lambda x, k, m: x.throttle_permille > select(
            m.kickdown_on, k.kickdown_clear_permille, k.kickdown_above_permille)),
    "refusal_or_in": lambda: without_refusal("arming"),
    "out_only_on_a_ground": lambda: row_asking(
        "below_release", lambda x, k, m: _under(x, k, of_band(k, m, "engage_ckmh"))),
    "hot_oil_keeps": _hot_oil_opens,
    "gap_changes_nothing": lambda: refusing(
        "below_engage", lambda x, k, m: _under(x, k, of_band(k, m, "release_ckmh"))),
    "in_when_free": lambda: tripping("lugging", lambda x, k, _m: x.turbine_rpm < 2 * k.lugging_rpm),
    "in_is_seen_in_duty": lambda: renewing("duty_ppm", lambda _x, _k, m: select(m.state == APPLIED, m.duty_ppm, 0)),
    "start_is_idle": lambda: renewing("switch_seen", field("switch_seen").update, initial=0),
    "band_only_by_turning": lambda: renewing("band", _band_by_switch),
    "band_is_the_one_chosen": lambda: renewing("band", _high_reads_low),
    "delay_by_the_clock": lambda: renewing("since_out_ms", _double_time),
    "brake_settles": lambda: settling_at_once("brake"),
    "shift_settles": lambda: settling_at_once("shift"),
    "gear_settles": lambda: settling_at_once("gear"),
    "stall_guard_settles": lambda: settling_at_once("stall_guard"),
    "cold_oil_settles": lambda: settling_at_once("cold_oil"),
    "lost_signal_settles": lambda: settling_at_once("signal_lost"),
    "memory_in_range": lambda: renewing("since_out_ms", _endless_time),
    "whole_numbers_in_int32": _wide_lamp,
    "every_row_can_fire": _dead_row,
    "no_chatter": lambda: row_asking("below_release", lambda x, k, m: _under(x, k, of_band(k, m, "engage_ckmh") + 200)),
}  # fmt: skip  # a fault a line or two
"""By the name of the property that is there to find it."""
