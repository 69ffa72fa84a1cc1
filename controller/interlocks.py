"""Our interlocks, in their order: every ground on which the clutch comes out or does not go in.

Hot oil is not among them: holding is what cools it.
"""

from __future__ import annotations

from typing import Any

from controller.declare import AGE_INVALID_MS, Band, Interlock, State
from controller.keys import GEARS
from controller.signals import AGED
from controller.words import maximum, not_, select

DRAIN_MS = 300
"""A clutch that has just come out still drains; only after this time may it be called stuck."""


def slip_size_rpm(x: Any) -> Any:
    """Return the size of the converter's slip, engine less turbine, rpm."""
    slip_rpm = x.engine_rpm - x.turbine_rpm
    return maximum(slip_rpm, 0 - slip_rpm)


def of_band(k: Any, m: Any, key: str) -> Any:
    """Return `low_<key>` or `high_<key>` of the calibration by the selected band; low stands in for none."""
    return select(m.band == int(Band.HIGH), getattr(k, f"high_{key}"), getattr(k, f"low_{key}"))


_RPM_KEYS = tuple((gear, f"turbine_rpm_at_100_kmh_{gear}") for gear in range(1, GEARS + 1))
_AGES = tuple((f"{name}_age_ms", f"{name}_limit_ms") for name in AGED)


def _rpm_at_100_kmh(x: Any, k: Any) -> Any:
    rpm: Any = 0
    for gear, key in _RPM_KEYS:
        rpm = select(x.gear == gear, getattr(k, key), rpm)
    return rpm


def _speeds_disagree(x: Any, k: Any, _m: Any) -> Any:
    # turbine = speed · rpm_at_100 / 100 km/h; both sides times 10 000, so that no division is needed.
    rpm_at_100 = _rpm_at_100_kmh(x, k)
    gap = x.turbine_rpm * 10_000 - x.road_speed_ckmh * rpm_at_100
    # A lost signal keeps its last value: that clears by itself and must not latch as a disagreement.
    fresh = (
        (x.road_speed_age_ms <= k.road_speed_limit_ms)
        & (x.turbine_rpm_age_ms <= k.turbine_rpm_limit_ms)
        & (x.gear_age_ms <= k.gear_limit_ms)
    )
    judged = fresh & (rpm_at_100 > 0) & (x.road_speed_ckmh >= k.plausible_minimum_ckmh) & not_(x.shift_on)
    return judged & (maximum(gap, 0 - gap) > k.plausible_tolerance_rpm * 10_000)


def _hold_slips(x: Any, k: Any, m: Any) -> Any:
    full = (m.state == int(State.APPLIED)) & (m.duty_ppm == k.end_duty_ppm)
    return full & (slip_size_rpm(x) > k.holding_slip_rpm)


def _open_clutch_sticks(x: Any, k: Any, m: Any) -> Any:
    commanded_out = (m.state == int(State.ARMED)) | (m.state == int(State.RELEASED))
    drained = m.since_out_ms >= DRAIN_MS
    loaded = (x.throttle_permille >= k.stuck_throttle_permille) & (x.turbine_rpm >= k.stuck_turbine_rpm)
    return commanded_out & drained & loaded & (slip_size_rpm(x) <= k.stuck_slip_rpm)


def _any_signal_old(x: Any, k: Any, _m: Any) -> Any:
    old: Any = False
    for age, limit in _AGES:
        old = old | (getattr(x, age) > getattr(k, limit))
    return old


def _say_signal(x: Any, k: Any) -> str:
    for name, (age, limit) in zip(AGED, _AGES, strict=True):
        age_ms, limit_ms = getattr(x, age), getattr(k, limit)
        if age_ms > limit_ms:
            what = "invalid" if age_ms >= AGE_INVALID_MS else f"{age_ms} ms old"
            return f"{name.replace('_', ' ')} {what}, limit {limit_ms} ms"
    return "signals good again, waiting out the settle time"


def _cold(x: Any, k: Any, m: Any) -> Any:
    warm_enough = select(m.cold_oil_on, k.oil_minimum_dc + k.oil_minimum_gap_dc, k.oil_minimum_dc)
    return x.oil_temp_dc < warm_enough


def _engine_slow(x: Any, k: Any, m: Any) -> Any:
    fast_enough = select(m.stall_guard_on, k.stall_guard_rpm + k.stall_guard_gap_rpm, k.stall_guard_rpm)
    return x.engine_rpm < fast_enough


def _gear_not_permitted(x: Any, k: Any, m: Any) -> Any:
    return (x.gear < of_band(k, m, "gear_lowest")) | (x.gear > of_band(k, m, "gear_highest"))


def _throttle_closed(x: Any, k: Any, m: Any) -> Any:
    open_from = select(m.closed_throttle_on, k.closed_clear_permille, k.closed_below_permille)
    return k.closed_throttle_opens & (x.throttle_permille < open_from)


def _throttle_floored(x: Any, k: Any, m: Any) -> Any:
    floored_from = select(m.kickdown_on, k.kickdown_clear_permille, k.kickdown_above_permille)
    return k.kickdown_opens & (x.throttle_permille > floored_from)


INTERLOCKS = (
    Interlock(
        "implausible", _speeds_disagree, State.IDLE,
        "road speed and turbine speed disagree through the gear ratio",
        "at the next ignition cycle", "road speed and turbine speed disagree through the gear ratio",
        confirm="plausible_confirm_ms", latches=True,
    ),
    Interlock(
        "not_holding", _hold_slips, State.IDLE,
        "full duty, and the slip stays above its limit",
        "at the next ignition cycle",
        "a full hold slips; if it goes on, no hold until the clutch is seen to and the ignition cycled",
        confirm="holding_confirm_ms", latches=True, sources=(State.APPLIED, State.RELEASED),
    ),
    Interlock(
        "stuck_in", _open_clutch_sticks, State.IDLE,
        "no duty, and the slip stays at zero under load",
        "at the next ignition cycle",
        "no slip without duty; if it goes on, no hold until the clutch is seen to and the ignition cycled",
        confirm="stuck_confirm_ms", latches=True, sources=(State.ARMED, State.RELEASED),
    ),
    Interlock(
        "signal_lost", _any_signal_old, State.IDLE,
        "a needed signal is invalid or older than its limit: same tick",
        "by itself, once all are good for the settle time", _say_signal,
        settle="signal_settle_ms",
    ),
    Interlock(
        "cold_oil", _cold, State.IDLE,
        "the oil is under its minimum",
        "by itself, once it is its own gap warmer for the settle time",
        lambda x, k: (
            f"oil {x.oil_temp_dc / 10:.1f} °C, minimum {k.oil_minimum_dc / 10:.1f} °C, "
            f"again from {(k.oil_minimum_dc + k.oil_minimum_gap_dc) / 10:.1f} °C"
        ),
        settle="cold_settle_ms",
    ),
    Interlock(
        "brake", lambda x, _k, _m: x.brake_on, State.RELEASED,
        "brake pedal pressed: same tick",
        "by itself, after the settle time and the re-engage delay, at the engage speed",
        lambda x, k: "brake pedal pressed" if x.brake_on else f"brake let go, waits {k.brake_settle_ms} ms",
        settle="brake_settle_ms",
    ),
    Interlock(
        "stall_guard", _engine_slow, State.RELEASED,
        "engine speed under the guard: same tick",
        "by itself, once it is its own gap faster for the settle time",
        lambda x, k: (
            f"engine {x.engine_rpm} rpm, guard {k.stall_guard_rpm} rpm, "
            f"again from {k.stall_guard_rpm + k.stall_guard_gap_rpm} rpm"
        ),
        settle="stall_settle_ms",
    ),
    Interlock(
        "gear", _gear_not_permitted, State.RELEASED,
        "not in a forward gear that the band permits",
        "by itself, in a permitted gear for the settle time",
        lambda x, k: f"gear {x.gear} may not be held, or not for {k.gear_settle_ms} ms yet",
        settle="gear_settle_ms",
    ),
    Interlock(
        "shift", lambda x, k, _m: x.shift_on & not_(k.hold_through_shifts), State.RELEASED,
        "a shift is under way, unless the calibration holds through shifts",
        "by itself, the settle time after the shift",
        lambda x, k: "a shift is under way" if x.shift_on else f"shift over, waits {k.shift_settle_ms} ms",
        settle="shift_settle_ms",
    ),
    Interlock(
        "kickdown", _throttle_floored, State.RELEASED,
        "throttle floored, if the calibration asks for it",
        "by itself, once let up for the settle time",
        lambda x, k: f"throttle {x.throttle_permille / 10:.1f} %, let up at {k.kickdown_clear_permille / 10:.1f} %",
        confirm="kickdown_confirm_ms", settle="kickdown_settle_ms",
    ),
    Interlock(
        "closed_throttle", _throttle_closed, State.RELEASED,
        "throttle closed, if the calibration asks for it",
        "by itself, once opened for the settle time",
        lambda x, k: f"throttle {x.throttle_permille / 10:.1f} %, open at {k.closed_clear_permille / 10:.1f} %",
        confirm="closed_confirm_ms", settle="closed_settle_ms",
    ),
    Interlock(
        "lugging", lambda x, k, _m: x.turbine_rpm < k.lugging_rpm, None,
        "the locked engine would turn slower than the lugging speed: refuses to engage",
        "by itself", lambda x, k: f"locked, the engine would turn {x.turbine_rpm} rpm, limit {k.lugging_rpm} rpm",
    ),
)  # fmt: skip  # an interlock a paragraph: condition, where to, meaning, how it clears, what it says
"""Most severe first; where several hold, the first gives the reason."""
