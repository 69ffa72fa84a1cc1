"""The world that a fuzz campaign draws from. Every range stands here, once; docs/proof.md states them from here."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from random import Random
from typing import Any

from controller.calibration import default_values, values_type
from controller.ruleset import RuleSet
from sim import lane_kernel as kernel
from sim.drives import Drive, DriveEvent, DrivePoint
from sim.lanes import NOISY, Lane, Place, events_of, place
from sim.road import SURFACE_NAMES
from sim.vehicle import Vehicle, load_vehicle, vehicle_names, vehicle_of

VEHICLE_RANGES: dict[str, tuple[float, float]] = {
    "body.mass_kg": (0.85, 1.25),
    "body.drag_area_m2": (0.9, 1.3),
    "body.rolling_radius_m": (0.94, 1.08),
    "body.brake_n": (0.8, 1.2),
    "engine.full_load_nm": (0.85, 1.15),
    "engine.inertia_kgm2": (0.8, 1.3),
    "engine.lag_s": (0.7, 1.5),
    "converter.capacity_factor_rpm_per_sqrt_nm": (0.92, 1.08),
    "clutch.full_nm": (0.9, 1.2),
    "clutch.fill_s": (0.7, 1.6),
    "clutch.dump_s": (0.7, 1.6),
    "gearbox.shift_s": (0.7, 1.4),
    "heat.oil_kj_per_k": (0.8, 1.2),
    "heat.oil_tank_w_per_k": (0.7, 1.2),
}
"""Factors on the embedded vehicles' values."""

DURATION_S = (40, 110)
SPEED_KMH = (12.0, 105.0)
GRADE_PCT = (-8.0, 9.0)
HEADWIND_KMH = (-15.0, 40.0)
TRAILER_KG = (0.0, 2_200.0)
AMBIENT_C = (-10.0, 45.0)
OIL_C = (-15.0, 135.0)
COOLANT_C = (20.0, 98.0)

NOISE = {"road_speed_ckmh": 25, "engine_rpm": 20, "turbine_rpm": 20, "oil_temp_dc": 8, "throttle_permille": 6}
"""Largest sensor error, in each signal's own unit."""

SOFT = tuple(name for name in SURFACE_NAMES if name in ("shingle", "riverbed", "sand"))

PLAIN_NAMES = frozenset({"low_engage_ckmh", "low_release_ckmh", "high_engage_ckmh", "high_release_ckmh"})
"""Keys that a plain lane changes, with its vehicle's own gear speeds; all others stay at their defaults."""


@dataclass(frozen=True)
class Batch:
    """Places and lanes of a batch; `plain` lanes are judged by the plant too, `pairs` are (held, never held)."""

    places: tuple[Place, ...]
    lanes: tuple[Lane, ...]
    drives: tuple[Drive, ...]
    plain: tuple[int, ...]
    pairs: tuple[tuple[int, int], ...]


def draw_batch(rules: RuleSet, seed: int, number: int, places: int, lanes_a_place: int) -> Batch:
    """Return batch `number` of a campaign: the same for the same seed, whatever ran before."""
    rng = Random(f"{seed}/{number}")
    where: list[Place] = []
    lanes: list[Lane] = []
    drives: list[Drive] = []
    plain: list[int] = []
    pairs: list[tuple[int, int]] = []
    for at in range(places):
        aim = _Aim(rng)
        vehicle = draw_vehicle(rng)
        drive = draw_drive(rng, vehicle, aim, f"fuzz_{seed}_{number}_{at}")
        where.append(place(vehicle, drive))
        calibrations = [draw_calibration(rng, rules, vehicle, aim, wild=n % 2 == 1) for n in range(6)]
        for n in range(lanes_a_place):
            is_plain = n % 4 == 0
            calibration = calibrations[0 if is_plain else n % len(calibrations)]
            full = _with_events(drive, draw_events(rng, rules, calibration, drive, aim, is_plain))
            noise = (0,) * len(NOISY) if is_plain or rng.random() < 0.4 else tuple(
                rng.randint(0, NOISE[name]) for name in NOISY)  # fmt: skip
            if is_plain:
                plain.append(len(lanes))
            lanes.append(Lane(at, calibration, kernel.BY_RULES, events_of(full, rules), noise, rng.randrange(1, 2**31)))
            drives.append(full)
        if drive.points[0].surface in SOFT:
            held = _with_events(drive, (DriveEvent(at_s=0.5, band=1),))
            pairs.append((len(lanes), len(lanes) + 1))
            lanes.append(Lane(at, calibrations[0], kernel.BY_RULES, events_of(held, rules)))
            lanes.append(Lane(at, calibrations[0], kernel.BY_NOBODY))
            drives += [held, drive]
    return Batch(tuple(where), tuple(lanes), tuple(drives), tuple(plain), tuple(pairs))


class _Aim:
    """The speeds about which a place's calibrations and targets lie, so that thresholds are met often."""

    def __init__(self, rng: Random) -> None:
        self.low_kmh = round(rng.uniform(14.0, 60.0), 1)
        self.high_kmh = round(rng.uniform(self.low_kmh + 4.0, 100.0), 1)
        self.gap_kmh = round(rng.uniform(1.5, 8.0), 1)

    def pick(self, rng: Random) -> float:
        """Return a speed at, just off or far off a threshold, km/h."""
        near = rng.choice((self.low_kmh, self.low_kmh - self.gap_kmh, self.high_kmh, self.high_kmh - self.gap_kmh))
        shift = rng.choice((0.0, 0.1, -0.1, 1.0, -1.0, rng.uniform(-6.0, 6.0), rng.uniform(-25.0, 25.0)))
        return min(max(near + shift, 0.0), SPEED_KMH[1])


def draw_vehicle(rng: Random) -> Vehicle:
    """Return an embedded vehicle with its values moved within `VEHICLE_RANGES`."""
    base = load_vehicle(rng.choice(vehicle_names()))
    data = tomllib.loads(base.text)
    for path, (least, most) in VEHICLE_RANGES.items():
        table, key = path.split(".")
        factor = rng.uniform(least, most)
        value = data[table][key]
        data[table][key] = [one * factor for one in value] if isinstance(value, list) else value * factor
    return vehicle_of(data, "fuzz", _toml(data))


def draw_drive(rng: Random, vehicle: Vehicle, aim: _Aim, name: str) -> Drive:
    """Return a drive that starts rolling, hovers about the place's thresholds and crosses them."""
    duration_s = rng.randint(*DURATION_S)
    surface = rng.choice(SURFACE_NAMES)
    is_soft = surface in SOFT
    points: list[DrivePoint] = []
    at_s = 0.0
    speed_kmh = aim.pick(rng)
    while at_s < duration_s:
        grade = 0.0 if rng.random() < 0.4 else rng.uniform(*GRADE_PCT) * (0.4 if is_soft else 1.0)
        points.append(
            DrivePoint(
                at_s,
                round(min(speed_kmh, 55.0) if is_soft else speed_kmh, 2),
                round(grade, 1),
                surface,
                rng.choice((99, 99, 99, rng.randint(2, vehicle.gear_count))),
                round(rng.uniform(*HEADWIND_KMH), 1),
            )
        )
        at_s += rng.choice((2.0, 5.0, 8.0, 12.0, 20.0))
        if rng.random() < 0.6:
            speed_kmh = aim.pick(rng)
    points.append(DrivePoint(float(max(duration_s, int(at_s))), points[-1].speed_kmh, 0.0, surface))
    trailer_kg = 0.0 if rng.random() < 0.6 else rng.uniform(*TRAILER_KG)
    return Drive(
        name=name,
        title=f"Drawn by the fuzz campaign: {name}",
        about="Random drive about a calibration's thresholds.",
        ambient_c=round(rng.uniform(*AMBIENT_C), 1),
        oil_c=round(rng.choice((rng.uniform(*OIL_C), rng.uniform(60.0, 100.0))), 1),
        coolant_c=round(rng.uniform(*COOLANT_C), 1),
        points=tuple(points),
        trailer_kg=round(trailer_kg),
        trailer_drag_area_m2=0.6,
    )


def draw_calibration(rng: Random, rules: RuleSet, vehicle: Vehicle, aim: _Aim, wild: bool) -> Any:
    """Return a calibration within the file check: the vehicle's gears, the place's speeds; `wild` moves the rest."""
    names = {key.name for key in rules.keys}
    values: dict[str, int] = default_values(rules)._asdict()

    def accept(changes: dict[str, int]) -> None:
        tried = {**values, **{name: value for name, value in changes.items() if name in names}}
        k = values_type(rules)(**tried)
        if all(key.low <= tried[key.name] <= key.high for key in rules.keys) and all(
            relation.holds(k) for relation in rules.relations
        ):
            values.update(tried)

    rpms = vehicle.turbine_rpm_at_100_kmh
    accept(
        {f"turbine_rpm_at_100_kmh_{gear}": rpms[gear - 1] if gear <= len(rpms) else 0 for gear in range(1, 11)}
        | {"high_gear_highest": len(rpms), "low_gear_highest": len(rpms)}
    )
    # The sensor's factor is part of what it reads: gear speeds are those of the indicated speed.
    factor = vehicle.sensor_speed_factor
    accept({f"turbine_rpm_at_100_kmh_{gear}": round(rpms[gear - 1] / factor) for gear in range(1, len(rpms) + 1)})
    low, high, gap = (round(100 * kmh) for kmh in (aim.low_kmh, aim.high_kmh, aim.gap_kmh))
    accept({"hot_engage_offset_ckmh": 0})
    accept({"low_engage_ckmh": low, "low_release_ckmh": low - gap, "high_engage_ckmh": high,
            "high_release_ckmh": high - gap})  # fmt: skip  # the four speeds
    if not wild:
        return values_type(rules)(**values)
    for key in rules.keys:
        if key.name in PLAIN_NAMES or key.entry is not None:
            continue
        chance = rng.random()
        if key.is_flag:
            accept({key.name: chance < 0.5})
        elif key.name.endswith("_ms") and not key.name.endswith("_limit_ms"):
            # Short times: a drive of a minute is to see many of them run out.
            accept({key.name: min(max(round(rng.choice((0, 20, 100, 300, 1_000, 3_000))), key.low), key.high)})
        elif chance < 0.15:
            accept({key.name: rng.choice((key.low, key.high))})
        elif chance < 0.35:
            spread = (key.high - key.low) // 6
            accept({key.name: min(max(key.default + rng.randint(-spread, spread), key.low), key.high)})
    return values_type(rules)(**values)


def draw_events(
    rng: Random, rules: RuleSet, calibration: Any, drive: Drive, aim: _Aim, is_plain: bool
) -> tuple[DriveEvent, ...]:
    """Return a lane's presses at and off the thresholds and, unless it is plain, taps, faults and lost signals."""
    end_s = drive.duration_s
    events = [DriveEvent(at_s=round(rng.uniform(0.02, 2.0), 2), band=rng.choice((1, 1, 2)))]

    def when() -> dict[str, Any]:
        if rng.random() < 0.5:
            return {"at_s": round(rng.uniform(0.5, end_s), 2)}
        return {"at_speed_kmh": round(max(aim.pick(rng), 1.0), 2), "rising": rng.random() < 0.5,
                "after_s": round(rng.uniform(0.0, end_s / 2), 1)}  # fmt: skip

    for _ in range(rng.randint(0, 2) if is_plain else rng.randint(0, 3)):
        events.append(DriveEvent(**when(), band=rng.choice((0, 1, 2, 1, 2))))
    if rng.random() < 0.3:
        events.append(DriveEvent(**when(), brake=0.2, for_s=round(rng.uniform(0.05, 3.0), 2)))
    if rng.random() < 0.3:
        pedal, for_s = rng.choice((1.0, 0.4, -1.0)), round(rng.uniform(0.1, 6.0), 2)
        events.append(DriveEvent(**when(), throttle_add=pedal, for_s=for_s))
    if is_plain:
        return tuple(events)
    makers = (_lost, _forced, _forced, _slipping, _sticking, _disagreeing, _ignition)
    for _ in range(rng.randint(0, 3)):
        events += rng.choice(makers)(rng, rules, when)
    if rng.random() < 0.15:
        events += _pressing_as_it_slips(rng, calibration, end_s)
    return tuple(events)


def _lost(rng: Random, rules: RuleSet, when: Any) -> list[DriveEvent]:
    groups = [signal.name.removesuffix("_age_ms") for signal in rules.signals if signal.name.endswith("_age_ms")]
    return [DriveEvent(**when(), lose=(rng.choice(groups),), for_s=round(rng.uniform(0.03, 6.0), 2))]


def _forced(rng: Random, rules: RuleSet, when: Any) -> list[DriveEvent]:
    """Hold a signal of the rules at a value somewhere in its range."""
    signal = rng.choice([one for one in rules.signals if one.name not in ("now_ms", "ignition_on", "band_switch")])
    value = rng.choice((signal.low, signal.high, rng.randint(signal.low, signal.high), signal.default))
    return [DriveEvent(**when(), signals={signal.name: value}, for_s=round(rng.uniform(0.02, 5.0), 2))]


def _slipping(rng: Random, rules: RuleSet, when: Any) -> list[DriveEvent]:
    return _speeds(rules, when(), engine_rpm=rng.randint(3_500, 4_500), seconds=rng.uniform(2.0, 8.0))


def _pressing_as_it_slips(rng: Random, calibration: Any, end_s: float) -> list[DriveEvent]:
    """Turn the switch at the very tick that makes a slipping hold a fault: two grounds in one tick."""
    at_s = round(rng.uniform(end_s / 3, end_s - 5.0), 2)
    confirm_s = getattr(calibration, "holding_confirm_ms", 1_000) / 1_000
    return [DriveEvent(at_s=at_s, signals={"engine_rpm": 4_500}, for_s=confirm_s + 1.0),
            DriveEvent(at_s=round(at_s + confirm_s, 2), band=rng.choice((1, 2, 2, 2)))]  # fmt: skip


def _sticking(rng: Random, rules: RuleSet, when: Any) -> list[DriveEvent]:
    rpm = rng.randint(900, 2_600)
    return _speeds(rules, when(), engine_rpm=rpm, turbine_rpm=rpm, road_speed_ckmh=0, throttle_permille=600,
                   seconds=rng.uniform(2.0, 8.0))  # fmt: skip  # no slip under load; standing still is not judged


def _disagreeing(rng: Random, rules: RuleSet, when: Any) -> list[DriveEvent]:
    return _speeds(rules, when(), turbine_rpm=rng.randint(1_200, 8_000),
                   road_speed_ckmh=rng.choice((None, 9_000)), seconds=rng.uniform(0.3, 4.0))  # fmt: skip


def _speeds(rules: RuleSet, at: dict[str, Any], seconds: float, **signals: int | None) -> list[DriveEvent]:
    known = {signal.name for signal in rules.signals}
    forced = {name: value for name, value in signals.items() if value is not None and name in known}
    return [DriveEvent(**at, signals=forced, for_s=round(seconds, 2))]


def _ignition(rng: Random, _rules: RuleSet, when: Any) -> list[DriveEvent]:
    off_s = when().get("at_s", 5.0)
    on_s = round(off_s + rng.choice((0.01, 0.5, 3.0)), 2)
    return [DriveEvent(at_s=off_s, ignition=0), DriveEvent(at_s=on_s, ignition=1),
            DriveEvent(at_s=round(on_s + 1.0, 2), band=0), DriveEvent(at_s=round(on_s + 1.5, 2), band=1)]  # fmt: skip


def _with_events(drive: Drive, events: Sequence[DriveEvent]) -> Drive:
    from dataclasses import replace

    return replace(drive, events=tuple(events))


def _toml(data: dict[str, Any]) -> str:
    """Return a vehicle's data as TOML: plain values, then one table after another."""
    lines = [f"{key} = {_cell(value)}" for key, value in data.items() if not isinstance(value, dict)]
    for table, cells in data.items():
        if isinstance(cells, dict):
            lines += ["", f"[{table}]", *(f"{key} = {_cell(value)}" for key, value in cells.items())]
    return "\n".join(lines) + "\n"


def _cell(value: Any) -> str:
    import json

    return json.dumps(value, ensure_ascii=False)
