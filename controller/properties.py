"""What must never happen, said from raw inputs, memory and outputs; shared by the property tests and the proof.

Nothing here calls a rule: thresholds are written out again, so that a wrong rule cannot vouch for itself.
"""

from __future__ import annotations

from typing import Any

from controller.declare import TIMER_MAX_MS, History, Observed, Property, State
from controller.words import maximum, minimum, not_, select

_APPLIED = int(State.APPLIED)


def _implies(ground: Any, consequence: Any) -> Any:
    return not_(ground) | consequence


def _goes_in(before: Any, after: Any) -> Any:
    return (before.state != _APPLIED) & (after.state == _APPLIED)


def _true_speed(x: Any, k: Any) -> Any:
    return x.road_speed_ckmh * k.tyre_scale_permille


def _engage_at_least(k: Any, after: Any) -> Any:
    # The lowest speed at which the band may ever go in: its engage speed less the hot offset.
    speed = select(after.band == 2, k.high_engage_ckmh, k.low_engage_ckmh)
    return (speed - k.hot_engage_offset_ckmh) * 1_000


def _release(k: Any, after: Any) -> Any:
    return select(after.band == 2, k.high_release_ckmh, k.low_release_ckmh) * 1_000


def _out(after: Any) -> Any:
    return after.duty_ppm == 0


def _lost(x: Any, k: Any) -> Any:
    return (
        (x.band_switch_age_ms > k.band_switch_limit_ms)
        | (x.road_speed_age_ms > k.road_speed_limit_ms)
        | (x.engine_rpm_age_ms > k.engine_rpm_limit_ms)
        | (x.turbine_rpm_age_ms > k.turbine_rpm_limit_ms)
        | (x.oil_temp_age_ms > k.oil_temp_limit_ms)
        | (x.throttle_age_ms > k.throttle_limit_ms)
        | (x.brake_age_ms > k.brake_limit_ms)
        | (x.gear_age_ms > k.gear_limit_ms)
    )


def _wrong_gear(x: Any, k: Any, after: Any) -> Any:
    lowest = select(after.band == 2, k.high_gear_lowest, k.low_gear_lowest)
    highest = select(after.band == 2, k.high_gear_highest, k.low_gear_highest)
    return (x.gear < lowest) | (x.gear > highest)


def _elapsed(before: Any, x: Any) -> Any:
    return minimum(maximum(x.now_ms - before.now_ms, 0), 1_000)


def _raw_ground(x: Any, k: Any, after: Any) -> Any:
    # Every ground on which a hold may come out, but for what the throttle and the latched faults confirm first.
    return (
        not_(x.ignition_on)
        | (after.band == 0)
        | x.brake_on
        | (x.shift_on & not_(k.hold_through_shifts))
        | _wrong_gear(x, k, after)
        | (x.engine_rpm < k.stall_guard_rpm)
        | (x.oil_temp_dc < k.oil_minimum_dc)
        | _lost(x, k)
        | (_true_speed(x, k) < _release(k, after))
    )


def _slip_size(x: Any) -> Any:
    slip_rpm = x.engine_rpm - x.turbine_rpm
    return maximum(slip_rpm, 0 - slip_rpm)


def _speeds_far_apart(x: Any, k: Any) -> Any:
    rpm_at_100: Any = 0
    for gear in range(1, 11):
        rpm_at_100 = select(x.gear == gear, getattr(k, f"turbine_rpm_at_100_kmh_{gear}"), rpm_at_100)
    gap = x.turbine_rpm * 10_000 - x.road_speed_ckmh * rpm_at_100
    size = maximum(gap, 0 - gap)
    return (x.road_speed_ckmh >= k.plausible_minimum_ckmh) & (size > k.plausible_tolerance_rpm * 10_000)


def _confirmed_ground(before: Any, x: Any, k: Any) -> Any:
    return (
        (k.kickdown_opens & (x.throttle_permille > k.kickdown_above_permille))
        | (k.closed_throttle_opens & (x.throttle_permille < k.closed_below_permille))
        | _speeds_far_apart(x, k)
        | ((before.duty_ppm == k.end_duty_ppm) & (_slip_size(x) > k.holding_slip_rpm))
    )


def _holds_on(before: Any, x: Any, k: Any, after: Any) -> Any:
    # In before, the same band, and no ground at all.
    return (
        (before.state == _APPLIED)
        & (after.band == before.band)
        & not_(_raw_ground(x, k, after) | _confirmed_ground(before, x, k))
    )


def _interlock_on(after: Any) -> Any:
    return (
        after.implausible_on | after.not_holding_on | after.stuck_in_on | after.signal_lost_on | after.cold_oil_on
        | after.brake_on | after.stall_guard_on | after.gear_on | after.shift_on | after.kickdown_on
        | after.closed_throttle_on
    )  # fmt: skip  # a list of fields


def _free_to_go_in(before: Any, x: Any, k: Any, after: Any) -> Any:
    return (
        (before.state == int(State.ARMED))
        & not_(_raw_ground(x, k, after) | _interlock_on(after) | _speeds_far_apart(x, k))
        & not_(k.kickdown_opens & (x.throttle_permille > k.kickdown_above_permille))
        & not_(k.closed_throttle_opens & (x.throttle_permille < k.closed_below_permille))
        & (_slip_size(x) > k.stuck_slip_rpm)
        & (x.turbine_rpm >= k.lugging_rpm)
        & (before.since_out_ms >= k.reengage_delay_ms)
        & (_true_speed(x, k) >= (_engage_at_least(k, after) + k.hot_engage_offset_ckmh * 1_000))
    )


def _latched_fault_stays(reason: str) -> Property:
    on = f"{reason}_on"
    return Property(
        f"{reason}_stays",
        f"a latched {reason} stays until the ignition cycle, and nothing goes in meanwhile",
        lambda b, x, _k, a: _implies(getattr(b, on) & x.ignition_on, _out(a) & getattr(a, on)),
    )


PROPERTIES = (
    Property("brake_opens", "brake pressed: no duty in the same tick",
             lambda _b, x, _k, a: _implies(x.brake_on, _out(a))),
    Property("wrong_gear_opens", "a gear the band does not permit: no duty in the same tick",
             lambda _b, x, k, a: _implies(_wrong_gear(x, k, a), _out(a))),
    Property("shift_opens", "a shift under way, unless held through by calibration: no duty in the same tick",
             lambda _b, x, k, a: _implies(x.shift_on & not_(k.hold_through_shifts), _out(a))),
    Property("band_none_opens", "no band selected: no duty in the same tick",
             lambda _b, _x, _k, a: _implies(a.band == 0, _out(a))),
    Property("stall_guard_opens", "engine under the stall guard: no duty in the same tick",
             lambda _b, x, k, a: _implies(x.engine_rpm < k.stall_guard_rpm, _out(a))),
    Property("cold_oil_opens", "oil under its minimum: no duty in the same tick",
             lambda _b, x, k, a: _implies(x.oil_temp_dc < k.oil_minimum_dc, _out(a))),
    Property("lost_signal_opens", "a needed signal older than its limit or invalid: no duty in the same tick",
             lambda _b, x, k, a: _implies(_lost(x, k), _out(a))),
    Property("ignition_off_opens", "ignition off: no duty, idle, no band",
             lambda _b, x, _k, a: x.ignition_on | (_out(a) & (a.state == int(State.IDLE)) & (a.band == 0))),
    Property("never_in_below_release", "the clutch is never in under the band's release speed",
             lambda _b, x, k, a: _implies(_true_speed(x, k) < _release(k, a), _out(a))),
    Property("in_only_at_engage_speed", "the clutch goes in only at its band's engage speed or above, band on",
             lambda b, x, k, a: _implies(
                 _goes_in(b, a), (a.band != 0) & (_true_speed(x, k) >= _engage_at_least(k, a)))),
    Property("cool_oil_engages_at_engage_speed", "with oil that is not hot the hot offset does not count",
             lambda b, x, k, a: _implies(
                 _goes_in(b, a) & (x.oil_temp_dc <= k.oil_hot_dc - k.oil_hot_gap_dc),
                 _true_speed(x, k) >= _engage_at_least(k, a) + k.hot_engage_offset_ckmh * 1_000)),
    Property("band_change_drops", "another band: out at once, unless the new band's engage speed is reached",
             lambda b, x, k, a: _implies(
                 (b.state == _APPLIED) & (a.band != b.band) & (_true_speed(x, k) < _engage_at_least(k, a)), _out(a))),
    Property("no_lugging_in", "never goes in where the locked engine would turn slower than the lugging speed",
             lambda b, x, k, a: _implies(_goes_in(b, a), x.turbine_rpm >= k.lugging_rpm)),
    Property("delay_between_engagements", "never goes in before the re-engage delay is over",
             lambda b, x, k, a: _implies(_goes_in(b, a), b.since_out_ms + _elapsed(b, x) >= k.reengage_delay_ms)),
    Property("duty_rises_by_slew", "duty rises no faster than the slew limit",
             lambda b, x, k, a: a.duty_ppm <= b.duty_ppm + k.slew_limit_permille_per_s * _elapsed(b, x)),
    Property("duty_falls_at_once", "duty is zero in every state but applied, and never over the end duty",
             lambda _b, _x, k, a: select(a.state == _APPLIED, a.duty_ppm <= k.end_duty_ppm, _out(a))),
    _latched_fault_stays("implausible"),
    _latched_fault_stays("not_holding"),
    _latched_fault_stays("stuck_in"),
    Property("lost_signal_judges_nothing", "a lost speed or gear signal never turns into a latched disagreement",
             lambda b, x, k, a: _implies(
                 ((x.road_speed_age_ms > k.road_speed_limit_ms) | (x.turbine_rpm_age_ms > k.turbine_rpm_limit_ms)
                  | (x.gear_age_ms > k.gear_limit_ms)) & not_(b.implausible_on),
                 not_(a.implausible_on))),
    Property("throttle_alone_keeps", "no throttle position opens a hold unless the calibration asks for it",
             lambda b, _x, k, a: _implies(
                 (b.state == _APPLIED) & not_(k.closed_throttle_opens) & not_(k.kickdown_opens)
                 & not_(b.kickdown_on) & not_(b.closed_throttle_on),
                 not_(a.kickdown_on) & not_(a.closed_throttle_on))),
    Property("refusal_or_in", "while the clutch is out there is a stated ground, and none while it is in",
             lambda _b, _x, _k, a: select(a.state == _APPLIED, a.refusal == 0, a.refusal != 0)),
    Property("out_only_on_a_ground", "a hold in the same band comes out only on one of the stated grounds",
             lambda b, x, k, a: _implies(_holds_on(b, x, k, a), a.state == _APPLIED), is_closed=True),
    Property("hot_oil_keeps", "hot oil never opens the clutch: holding is what cools it",
             lambda b, x, k, a: _implies(
                 _holds_on(b, x, k, a) & (x.oil_temp_dc > k.oil_hot_dc), a.state == _APPLIED), is_closed=True),
    Property("gap_changes_nothing", "a cool-oil speed between release and engage neither opens a hold nor starts one",
             lambda b, x, k, a: _implies(
                 (_true_speed(x, k) >= _release(k, a)) & (_true_speed(x, k) < _engage_at_least(k, a)),
                 not_(_goes_in(b, a)) & _implies(_holds_on(b, x, k, a), a.state == _APPLIED)), is_closed=True),
    Property("in_when_free", "armed, at the engage speed, delay over and no ground against it: goes in at this tick",
             lambda b, x, k, a: _implies(_free_to_go_in(b, x, k, a), a.state == _APPLIED), is_closed=True),
    Property("in_is_seen_in_duty", "duty starts with the hold and never stands still below its end",
             lambda b, x, k, a: _implies(
                 (a.state == _APPLIED) & (x.now_ms > b.now_ms) & (b.duty_ppm != k.end_duty_ppm)
                 & (b.duty_ppm != k.kiss_duty_ppm) & (b.duty_ppm != k.knee_duty_ppm) & (k.kiss_duty_ppm > 0),
                 a.duty_ppm > b.duty_ppm)),
)  # fmt: skip  # a property a paragraph: name, meaning, formula


# Over many ticks: each keeps a memory of its own, worked out from raw inputs and outputs -----------------------


def _clock(before: Any, x: Any) -> Any:
    return minimum(maximum(x.now_ms - before.now_ms, 0), TIMER_MAX_MS)


def _settled(word: str, ground: Any, settle_key: str, meaning: str) -> History:
    """Say that the clutch goes in only once `ground(x, k, after)` has been gone for a calibrated time."""

    def gone_ms(before: Any, x: Any, k: Any, after: Any) -> Any:
        counted = minimum(before.gone_ms + _clock(before, x), TIMER_MAX_MS)
        return select(x.ignition_on, select(ground(x, k, after), 0, counted), TIMER_MAX_MS)

    return History(
        f"{word}_settles",
        meaning,
        (Observed("gone_ms", 0, TIMER_MAX_MS, TIMER_MAX_MS, gone_ms),),
        lambda b, _x, k, a: _implies(_goes_in(b, a), a.gone_ms >= getattr(k, settle_key)),
    )


def _out_ms(before: Any, x: Any, _k: Any, after: Any) -> Any:
    came_out = (before.state == _APPLIED) & (after.state != _APPLIED)
    counted = minimum(before.out_ms + _clock(before, x), TIMER_MAX_MS)
    return select(x.ignition_on, select(came_out, 0, counted), TIMER_MAX_MS)


def _position(before: Any, x: Any, k: Any, _after: Any) -> Any:
    good = x.band_switch_age_ms <= k.band_switch_limit_ms
    return select(x.ignition_on, select(good, x.band_switch, before.position), -1)


def _turned(before: Any, x: Any, k: Any, _after: Any) -> Any:
    good = x.band_switch_age_ms <= k.band_switch_limit_ms
    moved = good & (before.position >= 0) & (x.band_switch != before.position)
    return x.ignition_on & (before.turned | moved)


def _chosen(before: Any, x: Any, k: Any, _after: Any) -> Any:
    good = x.band_switch_age_ms <= k.band_switch_limit_ms
    moved = good & (before.position >= 0) & (x.band_switch != before.position)
    return select(x.ignition_on, select(moved, x.band_switch, before.chosen), 0)


HISTORIES = (
    History("start_is_idle", "the first tick after a start is idle, with no band and no duty",
            (Observed("running", 0, 1, 0, lambda _b, x, _k, _a: x.ignition_on, is_flag=True),),
            lambda b, _x, _k, a: b.running | ((a.state == int(State.IDLE)) & (a.band == 0) & _out(a))),
    History("band_only_by_turning", "a band is on only after the driver has turned the switch since the start",
            (Observed("position", -1, 2, -1, _position), Observed("turned", 0, 1, 0, _turned, is_flag=True)),
            lambda _b, _x, _k, a: (a.band == 0) | a.turned),
    History("band_is_the_one_chosen", "the band is the position that the driver turned to last",
            (Observed("position", -1, 2, -1, _position), Observed("chosen", 0, 2, 0, _chosen)),
            lambda _b, _x, _k, a: a.band == a.chosen),
    History("delay_by_the_clock", "two engagements are at least the re-engage delay apart by the clock",
            (Observed("out_ms", 0, TIMER_MAX_MS, TIMER_MAX_MS, _out_ms),),
            lambda b, x, k, a: _implies(_goes_in(b, a), b.out_ms + _clock(b, x) >= k.reengage_delay_ms)),
    _settled("brake", lambda x, _k, _a: x.brake_on, "brake_settle_ms", "goes in only the settle time after the brake"),
    _settled("shift", lambda x, k, _a: x.shift_on & not_(k.hold_through_shifts), "shift_settle_ms",
             "goes in only the settle time after a shift"),
    _settled("gear", _wrong_gear, "gear_settle_ms", "goes in only the settle time into a permitted gear"),
    _settled("stall_guard", lambda x, k, _a: x.engine_rpm < k.stall_guard_rpm, "stall_settle_ms",
             "goes in only the settle time after the stall guard"),
    _settled("cold_oil", lambda x, k, _a: x.oil_temp_dc < k.oil_minimum_dc, "cold_settle_ms",
             "goes in only the settle time after the oil was cold"),
    _settled("lost_signal", lambda x, k, _a: _lost(x, k), "signal_settle_ms",
             "goes in only with all signals good for the settle time"),
)  # fmt: skip  # as above
