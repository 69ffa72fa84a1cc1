"""Our rule set: the memory, the rows around the interlocks, the lamps; put together as `OURS`."""

from __future__ import annotations

from typing import Any

from controller.declare import TIMER_MAX_MS, Band, Lamp, Memory, Refusal, Row, State
from controller.interlocks import INTERLOCKS, of_band
from controller.keys import KEYS, RELATIONS
from controller.properties import HISTORIES, PROPERTIES
from controller.ruleset import RuleSet
from controller.signals import SIGNALS
from controller.words import minimum, not_, select

# Speeds are compared in 0.00001 km/h: the sensor's 0.01 km/h times the tyre scale in permille.


def _true_speed(x: Any, k: Any) -> Any:
    return x.road_speed_ckmh * k.tyre_scale_permille


def _engage_speed(k: Any, m: Any) -> Any:
    earlier_ckmh = select(m.hot, k.hot_engage_offset_ckmh, 0)
    return (of_band(k, m, "engage_ckmh") - earlier_ckmh) * 1_000


def _below_engage(x: Any, k: Any, m: Any) -> Any:
    return _true_speed(x, k) < _engage_speed(k, m)


def _below_release(x: Any, k: Any, m: Any) -> Any:
    return _true_speed(x, k) < of_band(k, m, "release_ckmh") * 1_000


# Memory renewed before the interlocks ----------------------------------------------------------------------


def _switch_good(x: Any, k: Any) -> Any:
    return x.band_switch_age_ms <= k.band_switch_limit_ms


def _next_band(x: Any, k: Any, m: Any) -> Any:
    # Only a change of the switch selects: a switch left at a band does nothing at the next start.
    turned = _switch_good(x, k) & (m.switch_seen >= 0) & (x.band_switch != m.switch_seen) & x.ignition_on
    return select(turned, x.band_switch, m.band)


def _next_switch_seen(x: Any, k: Any, m: Any) -> Any:
    return select(_switch_good(x, k) & x.ignition_on, x.band_switch, m.switch_seen)


def _next_hot(x: Any, k: Any, m: Any) -> Any:
    return x.oil_temp_dc > select(m.hot, k.oil_hot_dc - k.oil_hot_gap_dc, k.oil_hot_dc)


def _next_since_out_ms(_x: Any, _k: Any, m: Any) -> Any:
    # The chart moves later in the tick: a hold that ends in this one has been out for 0 ms.
    return select(m.state == int(State.APPLIED), 0, minimum(m.since_out_ms + m.elapsed_ms, TIMER_MAX_MS))


_EARLY = (
    Memory("band_was", 0, 2, int(Band.NONE), lambda _x, _k, m: m.band, "band selected at the tick before"),
    Memory("band", 0, 2, int(Band.NONE), _next_band, "band the driver has selected since the start"),
    Memory("switch_seen", -1, 2, -1, _next_switch_seen, "last good position of the switch, -1 before the first"),
    Memory("hot", 0, 1, 0, _next_hot, "oil is hot, with its own hysteresis", is_flag=True),
    Memory("since_out_ms", 0, TIMER_MAX_MS, TIMER_MAX_MS, _next_since_out_ms, "time since the clutch last came out"),
)


# Memory renewed after the chart ----------------------------------------------------------------------------


def _next_duty_ppm(_x: Any, k: Any, m: Any) -> Any:
    # permille a second times ms is millionths. Each part of the ramp stops at its corner for a tick.
    def toward(corner_ppm: Any, rate_permille_per_s: Any) -> Any:
        return minimum(m.duty_ppm + rate_permille_per_s * m.elapsed_ms, corner_ppm)

    ramp_ppm = select(
        m.duty_ppm < k.kiss_duty_ppm,
        toward(k.kiss_duty_ppm, k.fill_permille_per_s),
        select(
            m.duty_ppm < k.knee_duty_ppm,
            toward(k.knee_duty_ppm, k.apply_permille_per_s),
            toward(k.end_duty_ppm, k.finish_permille_per_s),
        ),
    )
    return select(m.state == int(State.APPLIED), ramp_ppm, 0)


_LATE = (Memory("duty_ppm", 0, 1_000_000, 0, _next_duty_ppm, "duty of the clutch in millionths"),)


# Rows and refusals around the interlocks -------------------------------------------------------------------


def _ignition_off(x: Any, _k: Any, _m: Any) -> Any:
    return not_(x.ignition_on)


def _no_band(_x: Any, _k: Any, m: Any) -> Any:
    return m.band == int(Band.NONE)


def _band_changed_under_engage(x: Any, k: Any, m: Any) -> Any:
    return (m.band != m.band_was) & _below_engage(x, k, m)


def _delay_running(_x: Any, k: Any, m: Any) -> Any:
    return m.since_out_ms < k.reengage_delay_ms


def _nothing_refuses(_x: Any, _k: Any, m: Any) -> Any:
    return not_(m.refused)


def _waited_out(x: Any, k: Any, m: Any) -> Any:
    return not_(m.bars_released | _delay_running(x, k, m))


def _band_on(_x: Any, _k: Any, m: Any) -> Any:
    return (m.band != int(Band.NONE)) & not_(m.bars_idle)


def _not_armed(_x: Any, _k: Any, m: Any) -> Any:
    return m.state != int(State.ARMED)


def _say_speed(x: Any, k: Any) -> str:
    return f"road speed {x.road_speed_ckmh * k.tyre_scale_permille / 100_000:.2f} km/h"


_FIRST_ROWS = (
    Row(State.APPLIED, State.IDLE, "no_band", _no_band, "driver_off", "no band selected"),
    Row(State.ARMED, State.IDLE, "no_band", _no_band, "driver_off"),
    Row(State.RELEASED, State.IDLE, "no_band", _no_band, "driver_off"),
    Row(
        State.APPLIED,
        State.RELEASED,
        "band_changed_under_engage",
        _band_changed_under_engage,
        "driver_off",
        "another band selected, under its engage speed",
    ),
)

_LAST_ROWS = (
    Row(
        State.APPLIED,
        State.RELEASED,
        "below_release",
        _below_release,
        "below_release",
        lambda x, k: f"{_say_speed(x, k)} is under the band's release speed",
    ),
    Row(State.ARMED, State.APPLIED, "nothing_refuses", _nothing_refuses, "engage_speed"),
    Row(State.RELEASED, State.ARMED, "waited_out", _waited_out, "ready"),
    Row(State.IDLE, State.ARMED, "band_on", _band_on, "band_on"),
)

_FIRST_REFUSALS = (
    Refusal("ignition_off", _ignition_off, "ignition off"),
    Refusal("driver_off", _no_band, "no band selected"),
)

_LAST_REFUSALS = (
    Refusal("delay", _delay_running, lambda _x, k: f"re-engage delay of {k.reengage_delay_ms} ms is running"),
    Refusal(
        "below_engage",
        _below_engage,
        lambda x, k: f"{_say_speed(x, k)} is under the band's engage speed",
    ),
    Refusal("arming", _not_armed, "arms at this tick and may go in at the next"),
)


def _lamp(reason: str, meaning: str) -> Lamp:
    return Lamp(reason, lambda _x, _k, m: getattr(m, f"{reason}_on"), meaning)


_LAMPS = (
    Lamp("hot_oil", lambda _x, _k, m: m.hot, "the oil is hot: ease off; holding the clutch in cools it"),
    Lamp("critical_oil", lambda x, k, _m: x.oil_temp_dc > k.oil_critical_dc, "the oil is critically hot: stop"),
    _lamp("implausible", "road speed and turbine speed disagree: no hold until the next start"),
    _lamp("not_holding", "the clutch slipped in a full hold: no hold until the next start"),
    _lamp("stuck_in", "the clutch stayed in without a command: no hold until the next start"),
    _lamp("signal_lost", "a needed signal is lost: no hold while it is"),
)

OURS = RuleSet(
    name="ours",
    version="1",
    signals=SIGNALS,
    keys=KEYS,
    relations=RELATIONS,
    early=_EARLY,
    interlocks=INTERLOCKS,
    late=_LATE,
    first_refusals=_FIRST_REFUSALS,
    last_refusals=_LAST_REFUSALS,
    first_rows=_FIRST_ROWS,
    last_rows=_LAST_ROWS,
    lamps=_LAMPS,
    properties=PROPERTIES,
    histories=HISTORIES,
)
"""The workbench's own rules; a user's set starts from here."""
