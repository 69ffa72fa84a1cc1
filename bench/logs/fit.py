"""Fitting a vehicle file to recordings: gearing, converter, ground and oil, in that order, each told or refused."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from bench.logs.findings import LogFinding
from bench.logs.fit_converter import ConverterFit, fit_converter
from bench.logs.fit_gearing import LEAST_SHARE, GearingFit, fit_gearing
from bench.logs.fit_oil import OilFit, OilRecord, fit_oil, oil_record
from bench.logs.fit_road import RoadFit, fit_road
from bench.logs.fitted_file import Change, fitted_text
from bench.logs.oil_model import OIL_KEYS
from bench.logs.summary import Shown, take_apart
from controller.errors import UserError
from sim.vehicle import vehicle_from_text

if TYPE_CHECKING:
    from bench.logs.reading import Log
    from bench.pages.markup import Judgement
    from sim.vehicle import Vehicle

SURE_SHARE = 0.005
"""One gear's ratio is changed by itself where it is off the others by more than this and three standard errors."""


@dataclass(frozen=True)
class Fit:
    """What recordings told of a vehicle. `text` is the fitted file, "" where nothing could be told."""

    vehicle: Vehicle
    fitted: Vehicle
    text: str
    shown: list[Shown]
    gearing: list[GearingFit]
    converter: list[ConverterFit]
    road: list[RoadFit]
    oil: OilFit | None
    changes: list[Change]
    findings: list[LogFinding]


SEVERAL_OFF = 3
"""From so many gears on, ratios off one by one are put to the user as a question."""


def fit(logs: Sequence[Log], vehicle: Vehicle, ambient_c: float | None, total_kg: float | None) -> Fit:
    """Fit a vehicle to recordings. Raises `UserError` where not one thing can be told from them."""
    shown = [take_apart(log, vehicle) for log in logs]
    findings: list[LogFinding] = []
    bad = [LogFinding(one.code, one.judgement, f"{each.log.map.title}: {one.text}")
           for each in shown for one in each.findings if one.judgement == "bad"]  # fmt: skip
    # Gears that do not fit are what a fit is for.
    findings += [one for one in bad if one.code != "other_vehicle"]
    units = [one for one in bad if one.code == "unit"]
    if units:
        raise UserError(f"{units[0].text}; a fit to it would be wrong")
    gearing = [fit_gearing(each, vehicle) for each in shown]
    changes = _gearing_changes(vehicle, gearing, findings)
    text = _changed(vehicle.text, changes)
    geared = vehicle_from_text(text, vehicle.key) if changes else vehicle
    if changes:
        shown = [take_apart(log, geared) for log in logs]
    converter = [fit_converter(each, geared) for each in shown]
    converter_changes = _converter_changes(geared, converter, findings)
    changes += converter_changes
    text = _changed(vehicle.text, changes)
    fitted = vehicle_from_text(text, vehicle.key) if changes else vehicle
    if converter_changes:
        shown = [take_apart(log, fitted) for log in logs]
    road = [fit_road(each, fitted, total_kg, _ambient(each, ambient_c)) for each in shown]
    findings += [LogFinding("road", "note", why) for why in dict.fromkeys(why for one in road for why in one.why)]
    oil = _oil(shown, fitted, ambient_c, findings)
    if oil is not None and oil.told[0]:
        changes += [_oil_change(fitted, key, at, oil) for at, key in enumerate(OIL_KEYS)]
    text, fitted = _written(vehicle, logs, changes, oil)
    if not text and not any(one.gears for one in gearing) and not any(one.bins for one in converter):
        why = "; ".join(one.text for one in findings if one.code in ("gearing", "converter", "oil", "missing"))
        raise UserError(f"{', '.join(log.path for log in logs)}: nothing can be told of the vehicle: {why}")
    return Fit(vehicle, fitted, text, shown, gearing, converter, road, oil, changes, findings)


def _ambient(shown: Shown, ambient_c: float | None) -> float:
    if ambient_c is not None:
        return ambient_c
    air = shown.log.readings.get("ambient_temp_c")
    return float(np.median(air.value)) if air is not None else 20.0


def _weighted(pairs: Sequence[tuple[float, float]]) -> tuple[float, float]:
    weights = np.array([1.0 / error**2 for _, error in pairs])
    values = np.array([value for value, _ in pairs])
    value = float((weights * values).sum() / weights.sum())
    spread = float(np.sqrt((weights * (values - value) ** 2).sum() / weights.sum()))
    return value, max(float(np.sqrt(1.0 / weights.sum())), spread)


def _gearing_changes(vehicle: Vehicle, fits: Sequence[GearingFit], findings: list[LogFinding]) -> list[Change]:
    findings += [LogFinding("gearing", "note", why) for why in dict.fromkeys(why for one in fits for why in one.why)]
    pairs = [(one.share, one.error) for one in fits if one.share is not None and one.error is not None]
    if not pairs:
        return []
    share, error = _weighted(pairs)
    true_pairs = [one.by_true for one in fits if one.by_true is not None]
    true_share, true_error = _weighted(true_pairs) if true_pairs else (share, error)
    body, changes = vehicle.file.body, []
    if abs(share - 1.0) > max(LEAST_SHARE, 2.0 * error):
        changes.append(Change("body.sensor_rolling_radius_m", (body.sensor_rolling_radius_m,),
                              (round(body.sensor_rolling_radius_m / share, 4),), error))  # fmt: skip
        findings.append(LogFinding("gearing", "note", f"overall gearing is {100.0 * (share - 1.0):+.2f} % "
                                   f"(±{100.0 * error:.2f} %) off the file's: the speed sensor's rolling radius is "
                                   f"{body.sensor_rolling_radius_m / share:.4f} m, or the final drive differs; the "
                                   "recording tells only their quotient"))  # fmt: skip
    if abs(true_share - 1.0) > max(LEAST_SHARE, 2.0 * true_error):
        after_m = round(body.rolling_radius_m / true_share, 4)
        changes.append(
            Change("body.rolling_radius_m", (body.rolling_radius_m,), (after_m,), true_error, bool(true_pairs))
        )
        if not true_pairs:
            findings.append(LogFinding("gearing", "note", "the tyres' own radius is changed alike: the speedometer is "
                                       "taken to be right"))  # fmt: skip
    ratios = list(vehicle.file.gearbox.ratios)
    moved = []
    worst = 0.0
    for gear in range(1, len(ratios) + 1):
        own = [(one.share / (each.share or 1.0), one.error) for each in fits for one in each.gears if one.gear == gear]
        if not own:
            continue
        value, its_error = _weighted(own)
        if abs(value - 1.0) > max(SURE_SHARE, 3.0 * its_error):
            ratios[gear - 1] = round(ratios[gear - 1] * value, 4)
            worst = max(worst, its_error)
            moved.append(f"gear {gear} {100.0 * (value - 1.0):+.1f} %")
    if moved:
        changes.append(Change("gearbox.ratios", vehicle.file.gearbox.ratios, tuple(ratios), worst))
        # One wrong ratio is a slip of the pen; several, each by its own share, are rather another gearbox.
        doubt = ": is it this vehicle?" if len(moved) >= SEVERAL_OFF else ""
        findings.append(LogFinding("gearing", "bad" if doubt else "note", "ratios off the file's, beside the overall "
                                   f"gearing: {', '.join(moved)}{doubt}"))  # fmt: skip
    return changes


def _converter_changes(vehicle: Vehicle, fits: Sequence[ConverterFit], findings: list[LogFinding]) -> list[Change]:
    wrong = any(one.is_wrong for one in fits)
    for why in dict.fromkeys(why for one in fits for why in one.why):
        judgement: Judgement = "bad" if wrong and "table" in why and "nothing" not in why else "note"
        findings.append(LogFinding("converter", judgement, why))
    pairs = [(one.share, one.error) for one in fits if one.share is not None and one.error is not None]
    bent = any("shape" in why for one in fits for why in one.why)
    if not pairs or not wrong:
        return []
    if bent:
        why = "the table is left as it is: its shape is no matter of one factor; correct it by hand"
        findings.append(LogFinding("converter", "note", why))
        return []
    share, error = _weighted(pairs)
    before = vehicle.file.converter.capacity_factor_rpm_per_sqrt_nm
    after = tuple(round(one / float(np.sqrt(share)), 3) for one in before)
    return [Change("converter.capacity_factor_rpm_per_sqrt_nm", before, after, 0.5 * error)]


def _oil(
    shown: Sequence[Shown], vehicle: Vehicle, ambient_c: float | None, findings: list[LogFinding]
) -> OilFit | None:
    records: list[OilRecord] = []
    for each in shown:
        record = oil_record(each, ambient_c)
        if isinstance(record, str):
            why = f"{each.log.map.title} tells nothing of the oil's heat: {record}"
            findings.append(LogFinding("oil", "note", why))
        else:
            records.append(record)
    if not records:
        return None
    oil = fit_oil(records, vehicle)
    findings += [LogFinding("oil", "note", why) for why in oil.why]
    if oil.told[0]:
        findings.append(LogFinding("oil", "note", "heat capacity and conductances are told only relative to the heat "
                                   "that goes in, which is the file's converter's and pump's"))  # fmt: skip
    return oil


def _oil_change(vehicle: Vehicle, key: str, at: int, oil: OilFit) -> Change:
    before = float(getattr(vehicle.file.heat, key.rpartition(".")[2]))
    after = round(before * float(oil.factors[at]), 3)
    return Change(key, (before,), (after,), float(oil.error_share[at]), oil.told[at])


def _changed(text: str, changes: Sequence[Change]) -> str:
    return fitted_text(text, changes, ["a fit under way"], None, (), (), ()) if changes else text


def _written(
    vehicle: Vehicle, logs: Sequence[Log], changes: Sequence[Change], oil: OilFit | None
) -> tuple[str, Vehicle]:
    if not changes:
        return "", vehicle
    has_oil = oil is not None and oil.told[0]
    text = fitted_text(
        vehicle.text,
        changes,
        [source_of(log) for log in logs],
        oil.held_out_rmse_c if oil is not None and has_oil else None,
        OIL_KEYS if has_oil else (),
        oil.error_share.tolist() if oil is not None and has_oil else (),
        oil.correlation.tolist() if oil is not None and has_oil else (),
    )
    return text, vehicle_from_text(text, vehicle.key)


def source_of(log: Log) -> str:
    """Return a recording's name, digest and length, as a fitted file names it."""
    digest = hashlib.sha256()
    with open(log.path, "rb") as file:
        while block := file.read(1 << 20):
            digest.update(block)
    return f"{Path(log.path).name} (sha256 {digest.hexdigest()[:16]}, {log.duration_s:.0f} s)"
