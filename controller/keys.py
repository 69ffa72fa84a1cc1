"""The calibration of our rules: every key with its place in the file, unit, range, default and meaning.

The file check, the proof and the calibration reference read these declarations; nothing repeats a range. The
defaults are a demonstration for an invented utility. They are nobody's recommendation.
"""

from __future__ import annotations

from typing import Any

from controller.declare import Key, Relation
from controller.signals import AGED

GEARS = 10
"""Forward gears that the rules know."""

SPEED_GAP_CKMH = 100
"""Least gap between an engage and its release speed: 1 km/h, ten times the noise of a wheel sensor."""


def _kmh(name: str, place: str, low: int, high: int, default: int, meaning: str) -> Key:
    return Key(name, place, 100, low * 100, high * 100, default * 100, meaning)


def _celsius(name: str, place: str, low: int, high: int, default: int, meaning: str) -> Key:
    return Key(name, place, 10, low * 10, high * 10, default * 10, meaning)


def _percent(name: str, place: str, low: int, high: int, default: int, meaning: str) -> Key:
    return Key(name, place, 10, low * 10, high * 10, default * 10, meaning)


def _duty(name: str, place: str, low: int, default: int, meaning: str) -> Key:
    return Key(name, place, 10_000, low * 10_000, 1_000_000, default * 10_000, meaning)


def _plain(name: str, place: str, low: int, high: int, default: int, meaning: str) -> Key:
    return Key(name, place, 1, low, high, default, meaning)


def _flag(name: str, place: str, default: bool, meaning: str) -> Key:
    return Key(name, place, 1, 0, 1, int(default), meaning, is_flag=True)


def _band(word: str, engage: int, release: int, gears: tuple[int, int]) -> tuple[Key, ...]:
    return (
        _kmh(f"{word}_engage_ckmh", f"{word}.engage_kmh", 5, 160, engage, "the clutch goes in at or above this speed"),
        _kmh(f"{word}_release_ckmh", f"{word}.release_kmh", 3, 158, release, "the clutch comes out under this speed"),
        _plain(f"{word}_gear_lowest", f"{word}.gear_lowest", 1, GEARS, gears[0], "lowest gear that may be held"),
        _plain(f"{word}_gear_highest", f"{word}.gear_highest", 1, GEARS, gears[1], "highest gear that may be held"),
    )


_GEAR_RPM = (9002, 4513, 3385, 2401, 1800, 1440, 0, 0, 0, 0)

# Limits by how often a vehicle's bus usually carries the signal: ten of its periods or so.
_AGE_LIMIT_MS = {
    "band_switch": 500, "road_speed": 200, "engine_rpm": 200, "turbine_rpm": 200,
    "oil_temp": 3_000, "throttle": 200, "brake": 100, "gear": 300,
}  # fmt: skip  # two short rows read better than eight

KEYS = (
    Key("tyre_scale_permille", "tyre.speed_scale", 1_000, 500, 2_000, 1_000,
        "true road speed over the speed sensor's, for tyres that differ from its calibration"),
    *_band("low", 34, 31, (2, 6)),
    *_band("high", 72, 66, (4, 6)),
    _celsius("oil_minimum_dc", "oil.minimum_c", -40, 60, 20, "colder oil never holds"),
    _celsius("oil_minimum_gap_dc", "oil.minimum_gap_c", 1, 20, 4, "how much warmer than the minimum it must get again"),
    _celsius("oil_hot_dc", "oil.hot_c", 80, 150, 110, "hotter oil lights the lamp and lets a band engage earlier"),
    _celsius("oil_hot_gap_dc", "oil.hot_gap_c", 1, 20, 5, "how much cooler than hot it must get again"),
    _celsius("oil_critical_dc", "oil.critical_c", 90, 170, 130, "hotter oil tells the driver to stop"),
    _kmh("hot_engage_offset_ckmh", "oil.hot_engage_earlier_kmh", 0, 20, 1, "how much earlier a band engages when hot"),
    _plain("stall_guard_rpm", "engine.stall_guard_rpm", 400, 2_500, 900, "under this engine speed the clutch is out"),
    _plain("stall_guard_gap_rpm", "engine.stall_guard_gap_rpm", 10, 1_000, 100,
           "how far above the guard the engine must get again"),
    _plain("lugging_rpm", "engine.lugging_rpm", 500, 4_000, 1_250,
           "refuses to engage where the locked engine would turn slower than this"),
    _plain("stall_settle_ms", "engine.stall_settle_ms", 0, 10_000, 1_000, "wait after the guard has cleared"),
    _plain("reengage_delay_ms", "delays.reengage_ms", 100, 30_000, 1_500, "from any coming out to the next going in"),
    _plain("brake_settle_ms", "delays.brake_settle_ms", 0, 10_000, 500, "wait after the brake is let go"),
    _plain("gear_settle_ms", "delays.gear_settle_ms", 0, 10_000, 200, "wait in a permitted gear"),
    _plain("shift_settle_ms", "delays.shift_settle_ms", 0, 10_000, 300, "wait after a shift"),
    _plain("cold_settle_ms", "delays.cold_settle_ms", 0, 60_000, 1_000, "wait after the oil has warmed"),
    _plain("signal_settle_ms", "delays.signal_settle_ms", 0, 30_000, 1_000, "all signals good again for this long"),
    _flag("hold_through_shifts", "shift.hold_through", False, "the hold stays in while the gearbox shifts"),
    _flag("closed_throttle_opens", "throttle.closed_opens", False, "a closed throttle opens the hold"),
    _percent("closed_below_permille", "throttle.closed_below_pct", 0, 50, 2, "closed under this pedal"),
    _percent("closed_clear_permille", "throttle.closed_clear_pct", 0, 60, 5, "open again at this pedal"),
    _plain("closed_confirm_ms", "throttle.closed_confirm_ms", 0, 10_000, 400, "closed for this long"),
    _plain("closed_settle_ms", "throttle.closed_settle_ms", 0, 10_000, 300, "open for this long"),
    _flag("kickdown_opens", "throttle.kickdown_opens", False, "a floored throttle opens the hold"),
    _percent("kickdown_above_permille", "throttle.kickdown_above_pct", 50, 100, 92, "floored above this pedal"),
    _percent("kickdown_clear_permille", "throttle.kickdown_clear_pct", 10, 99, 80, "let up at this pedal"),
    _plain("kickdown_confirm_ms", "throttle.kickdown_confirm_ms", 0, 10_000, 200, "floored for this long"),
    _plain("kickdown_settle_ms", "throttle.kickdown_settle_ms", 0, 10_000, 500, "let up for this long"),
    *(
        _plain(f"{name}_limit_ms", f"signals.{name}_limit_ms", 20, 5_000, _AGE_LIMIT_MS[name],
            f"an older {name.replace('_', ' ')} counts as lost")
        for name in AGED
    ),
    *(
        Key(f"turbine_rpm_at_100_kmh_{gear}", "plausible.turbine_rpm_at_100_kmh", 1, 0, 20_000, _GEAR_RPM[gear - 1],
            f"gearbox input speed in gear {gear} at 100 km/h of the speed sensor; 0: no such gear", entry=gear - 1)
        for gear in range(1, GEARS + 1)
    ),
    _plain("plausible_tolerance_rpm", "plausible.tolerance_rpm", 50, 2_000, 250, "how far the two speeds may differ"),
    _kmh("plausible_minimum_ckmh", "plausible.minimum_kmh", 2, 50, 10, "slower is not judged"),
    _plain("plausible_confirm_ms", "plausible.confirm_ms", 50, 10_000, 800, "differs for this long"),
    _plain("holding_slip_rpm", "faults.holding_slip_rpm", 20, 1_000, 80, "a full hold slips no more than this"),
    _plain("holding_confirm_ms", "faults.holding_confirm_ms", 100, 20_000, 2_500, "slips for this long"),
    _plain("stuck_slip_rpm", "faults.stuck_slip_rpm", 0, 50, 3, "an open converter under load slips more than this"),
    _percent("stuck_throttle_permille", "faults.stuck_throttle_pct", 10, 100, 30, "load: at least this pedal"),
    _plain("stuck_turbine_rpm", "faults.stuck_turbine_rpm", 200, 4_000, 800, "load: at least this gearbox input speed"),
    _plain("stuck_confirm_ms", "faults.stuck_confirm_ms", 100, 20_000, 3_000, "no slip for this long"),
    _plain("fill_permille_per_s", "ramp.fill_permille_per_s", 100, 10_000, 3_000, "rate up to the kiss duty"),
    _duty("kiss_duty_ppm", "ramp.kiss_duty_pct", 0, 22, "duty at which the plates touch"),
    _plain("apply_permille_per_s", "ramp.apply_permille_per_s", 100, 10_000, 700, "rate from kiss to knee duty"),
    _duty("knee_duty_ppm", "ramp.knee_duty_pct", 0, 70, "duty at which the slip is gone"),
    _plain("finish_permille_per_s", "ramp.finish_permille_per_s", 100, 10_000, 1_500, "rate from knee to end duty"),
    _duty("end_duty_ppm", "ramp.end_duty_pct", 30, 100, "duty of a full hold"),
    _plain("slew_limit_permille_per_s", "ramp.slew_limit_permille_per_s", 100, 10_000, 4_000,
           "no part of the ramp is steeper"),
)  # fmt: skip  # a key a line reads as a table


def _gap(k: Any, word: str) -> Any:
    return getattr(k, f"{word}_engage_ckmh") - getattr(k, f"{word}_release_ckmh")


def _band_relations(word: str) -> tuple[Relation, ...]:
    lowest, highest = f"{word}_gear_lowest", f"{word}_gear_highest"
    return (
        Relation(f"{word}.release_kmh", f"at least 1 km/h under {word}.engage_kmh",
                 lambda k: _gap(k, word) >= SPEED_GAP_CKMH),
        Relation("oil.hot_engage_earlier_kmh",
                 f"so small that {word}.engage_kmh less it stays 1 km/h above {word}.release_kmh",
                 lambda k: _gap(k, word) - k.hot_engage_offset_ckmh >= SPEED_GAP_CKMH),
        Relation(f"{word}.gear_lowest", f"at most {word}.gear_highest",
                 lambda k: getattr(k, lowest) <= getattr(k, highest)),
    )  # fmt: skip  # as the table below


def _gear_falls(gear: int) -> Relation:
    this, following = f"turbine_rpm_at_100_kmh_{gear}", f"turbine_rpm_at_100_kmh_{gear + 1}"
    return Relation(
        "plausible.turbine_rpm_at_100_kmh",
        f"falling from gear to gear: entry {gear + 1} under entry {gear}",
        lambda k: (getattr(k, following) < getattr(k, this)) | (getattr(k, following) == 0),
    )


def _gear_listed(word: str, gear: int) -> Relation:
    entry, highest = f"turbine_rpm_at_100_kmh_{gear}", f"{word}_gear_highest"
    return Relation(
        "plausible.turbine_rpm_at_100_kmh",
        f"long enough for {word}.gear_highest: each gear up to it needs an entry above 0, gear {gear} has none",
        lambda k: (getattr(k, entry) > 0) | (getattr(k, highest) < gear),
    )


def _rate_in_limit(name: str) -> Relation:
    rate = f"{name}_permille_per_s"
    return Relation(f"ramp.{rate}", "at most ramp.slew_limit_permille_per_s",
                    lambda k: getattr(k, rate) <= k.slew_limit_permille_per_s)  # fmt: skip


def _outlasts(name: str, place: str, signals: tuple[str, ...]) -> tuple[Relation, ...]:
    # A signal that is old but not yet lost stands still while the vehicle moves on: that alone must not latch.
    def relation(signal: str) -> Relation:
        limit = f"{signal}_limit_ms"
        return Relation(place, f"at least signals.{limit}: an old signal alone must not latch a fault",
                        lambda k: getattr(k, limit) <= getattr(k, name))  # fmt: skip  # as the table below

    return tuple(relation(signal) for signal in signals)


RELATIONS = (
    *_band_relations("low"),
    *_band_relations("high"),
    Relation("low.engage_kmh", "at most high.engage_kmh", lambda k: k.low_engage_ckmh <= k.high_engage_ckmh),
    Relation("oil.critical_c", "above oil.hot_c", lambda k: k.oil_hot_dc < k.oil_critical_dc),
    Relation("engine.lugging_rpm",
             "at least engine.stall_guard_rpm and its gap, or a hold would drop as soon as it is in",
             lambda k: k.stall_guard_rpm + k.stall_guard_gap_rpm <= k.lugging_rpm),
    Relation("throttle.closed_clear_pct", "above throttle.closed_below_pct",
             lambda k: k.closed_below_permille < k.closed_clear_permille),
    Relation("throttle.kickdown_clear_pct", "under throttle.kickdown_above_pct",
             lambda k: k.kickdown_clear_permille < k.kickdown_above_permille),
    Relation("ramp.knee_duty_pct", "at least ramp.kiss_duty_pct", lambda k: k.kiss_duty_ppm <= k.knee_duty_ppm),
    Relation("ramp.end_duty_pct", "at least ramp.knee_duty_pct", lambda k: k.knee_duty_ppm <= k.end_duty_ppm),
    *(_rate_in_limit(name) for name in ("fill", "apply", "finish")),
    *_outlasts("plausible_confirm_ms", "plausible.confirm_ms", ("road_speed", "turbine_rpm", "gear")),
    *_outlasts("holding_confirm_ms", "faults.holding_confirm_ms", ("engine_rpm", "turbine_rpm")),
    *_outlasts("stuck_confirm_ms", "faults.stuck_confirm_ms", ("engine_rpm", "turbine_rpm", "throttle")),
    *(_gear_falls(gear) for gear in range(1, GEARS)),
    *(_gear_listed(word, gear) for word in ("low", "high") for gear in range(1, GEARS + 1)),
)  # fmt: skip  # a relation a paragraph reads as a table
