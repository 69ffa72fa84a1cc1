"""What must never happen, said from raw inputs, memory and outputs; shared by the property tests and the proof.

Nothing here calls a rule: thresholds are written out again, so that a wrong rule cannot vouch for itself.
"""

from __future__ import annotations

from typing import Any

from controller.declare import Property, State
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
)  # fmt: skip  # a property a paragraph: name, meaning, formula
