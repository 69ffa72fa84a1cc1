"""Fitting the oil's heat capacity and conductances, relative to the heat that goes in, with honest errors."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from bench.logs.grid import on_times
from bench.logs.oil_model import OIL_KEYS, OilDrive, oil_temperature
from controller.errors import UserError

if TYPE_CHECKING:
    from bench.logs.source import Array
    from bench.logs.summary import Shown
    from sim.vehicle import Vehicle

STEP_S = 1.0
LEAST_S = 180.0
LEAST_RANGE_C = 4.0
MOST_ERROR = 0.15
"""A value whose standard error is larger than this share cannot be told."""

TRAIN_SHARE = 0.7
LEAST_READINGS = 60
BLOCK_S = 60.0
"""Residuals this near are alike where the model is a little wrong; errors are taken over blocks of this length."""

HEAT_DOUBTS = {"converter_kw": 0.02, "pump_kw": 0.05, "spin_kw": 0.05, "mesh_kw": 0.05}
"""How well each source of heat is known, as a share; a doubt about all of it together is in "relative to heat"."""

COOLANT_DOUBT_C, AIR_DOUBT_C = 0.5, 2.0

FILE_DOUBT = 0.3
"""The vehicle file's own values are believed to this share; what a recording does not tell stays near them."""

FILE_WEIGHT_C = 0.2


@dataclass(frozen=True)
class OilRecord:
    """One recording as the fit sees it: what acts on the oil, and the oil's readings at times of the steps."""

    name: str
    drive: OilDrive
    at: Array
    oil_c: Array
    doubts: tuple[OilDrive, ...]


@dataclass(frozen=True)
class OilFit:
    """Factors on the vehicle's values of `OIL_KEYS`, their standard errors as shares, and how the errors go together.

    A refused value stays at its factor 1; `why` says in plain words what the recording could not tell.
    """

    factors: Array
    error_share: Array
    correlation: Array
    told: tuple[bool, ...]
    rmse_c: float
    held_out_rmse_c: float | None
    before_rmse_c: float
    why: list[str]


def oil_record(shown: Shown, ambient_c: float | None) -> OilRecord | str:
    """Return a recording for the fit, or in words why it cannot serve."""
    log, grid = shown.log, shown.grid
    for name, words in (("oil_temp_c", "the oil's temperature"), ("engine_rpm", "engine speed"),
                        ("coolant_temp_c", "the coolant's temperature, which the cooler's sink is"),
                        ("road_speed_kmh", "road speed")):  # fmt: skip
        if not log.has(name):
            return f"{words} was not recorded"
    if log.duration_s < LEAST_S:
        return f"it is {log.duration_s:.0f} s long; at least {LEAST_S:.0f} s are needed"
    if shown.heat is None:
        return "no heat could be worked out"
    heat_kw = shown.heat.total_kw
    if np.isnan(heat_kw).mean() > 0.1:
        return f"heat into the oil is unknown for {np.isnan(heat_kw).mean():.0%} of the time"
    steps = int(log.duration_s / STEP_S)
    time_s = np.arange(steps) * STEP_S
    air = log.readings.get("ambient_temp_c")
    if ambient_c is None and air is None:
        return "air temperature was neither recorded nor given with --ambient"
    ambient = float(np.median(air.value)) if ambient_c is None and air is not None else float(ambient_c or 0.0)
    one = log.readings["oil_temp_c"]
    inside = (one.time_s >= 0.0) & (one.time_s <= time_s[-1])
    if inside.sum() < LEAST_READINGS:
        return f"the oil's temperature has {int(inside.sum())} readings; at least {LEAST_READINGS} are needed"
    drive = OilDrive(
        STEP_S,
        1000.0 * _mean_by_step(heat_kw, grid.step_s, steps),
        _filled(on_times("coolant_temp_c", log.readings["coolant_temp_c"], time_s)),
        _mean_by_step(grid.get("road_speed_kmh"), grid.step_s, steps) / 3.6,
        _mean_by_step(grid.get("engine_rpm"), grid.step_s, steps) * np.pi / 30.0,
        ambient,
    )
    # Readings more often than each second say nothing new.
    picked = np.unique(np.round(one.time_s[inside] / STEP_S).astype(np.int64), return_index=True)[1]
    doubts = []
    for part, share in HEAT_DOUBTS.items():
        part_w = 1000.0 * _mean_by_step(getattr(shown.heat, part), grid.step_s, steps)
        doubts.append(drive._replace(heat_w=drive.heat_w + share * part_w))
    doubts += [drive._replace(coolant_c=drive.coolant_c + COOLANT_DOUBT_C),
               drive._replace(ambient_c=drive.ambient_c + AIR_DOUBT_C)]  # fmt: skip
    return OilRecord(log.map.title, drive, one.time_s[inside][picked], one.value[inside][picked], tuple(doubts))


def _mean_by_step(value: Array, step_s: float, steps: int) -> Array:
    filled = _filled(value)
    at = np.minimum((np.arange(len(filled)) * step_s / STEP_S + 1e-9).astype(np.int64), steps - 1)
    count = np.bincount(at, minlength=steps)
    total = np.bincount(at, weights=filled, minlength=steps)
    return _filled(np.where(count > 0, total / np.maximum(count, 1), np.nan))


def _filled(value: Array) -> Array:
    known = ~np.isnan(value)
    return np.interp(np.arange(len(value)), np.flatnonzero(known), value[known]) if known.any() else value


def fit_oil(records: Sequence[OilRecord], vehicle: Vehicle) -> OilFit:
    """Fit all recordings together. Raises `UserError` without the extra packages."""
    try:
        import scipy.optimize  # noqa: F401 - only to say so before any work
    except ImportError:
        raise UserError("fitting needs the extra packages: pip install 'tccbench[logs]'") from None
    before, _, _ = _solve(records, vehicle, ())
    before_rmse = _rmse(records, vehicle, before)
    ranges = [float(np.ptp(_smoothed(one.oil_c))) for one in records]
    if max(ranges) < LEAST_RANGE_C:
        why = [f"the oil moved only {max(ranges):.1f} °C: a steady run tells neither its heat capacity nor its "
               "conductances; drive with the clutch out and in, slow and fast"]  # fmt: skip
        return _refused(before_rmse, why)
    every = tuple(range(len(OIL_KEYS)))
    values, jacobian, rest = _solve(records, vehicle, every)
    errors, together = _errors(records, vehicle, every, values, jacobian, rest)
    told = tuple(bool(error <= MOST_ERROR) for error in errors)
    why = [f"{key} is not told by the recording: ±{100.0 * error:.0f} %; it stays near the file's value"
           for key, error, is_told in zip(OIL_KEYS, errors, told, strict=True) if not is_told]  # fmt: skip
    if not told[0]:
        why = [
            "the drive is too even to tell the oil's heat capacity from its conductances: it needs heat that comes "
            f"and goes (clutch out and in, slow and fast); heat capacity only to ±{100.0 * errors[0]:.0f} %"
        ]
        return _refused(before_rmse, why)
    count = sum(len(record.at) for record in records)
    return OilFit(np.exp(values[: len(every)]), errors, together, told, float(np.sqrt(np.mean(rest[:count] ** 2))),
                  _held_out(records, vehicle, every), before_rmse, why)  # fmt: skip


def _refused(before_rmse: float, why: list[str]) -> OilFit:
    count = len(OIL_KEYS)
    return OilFit(np.ones(count), np.zeros(count), np.eye(count), (False,) * count, before_rmse, None, before_rmse, why)


def _smoothed(value: Array) -> Array:
    return np.convolve(value, np.ones(9) / 9.0, mode="valid") if len(value) > 9 else value


def _residuals(
    values: Array, records: Sequence[OilRecord], vehicle: Vehicle, kept: tuple[int, ...], share: float
) -> Array:
    """Model less measurement of every recording; `values` are logs of the kept factors, then oil and case starts."""
    factors = np.ones(len(OIL_KEYS))
    factors[list(kept)] = np.exp(np.clip(values[: len(kept)], -3.0, 3.0))
    parts = []
    for number, record in enumerate(records):
        oil_c, case_c = values[len(kept) + 2 * number : len(kept) + 2 * number + 2]
        model, _ = oil_temperature(record.drive, vehicle, factors, oil_c, case_c)
        until = record.at <= share * record.at[-1]
        times = np.arange(len(model)) * record.drive.step_s
        parts.append((np.interp(record.at, times, model) - record.oil_c)[until])
    parts.append(values[: len(kept)] * (FILE_WEIGHT_C / FILE_DOUBT))
    return np.concatenate(parts)


def _solve(
    records: Sequence[OilRecord], vehicle: Vehicle, kept: tuple[int, ...], share: float = 1.0
) -> tuple[Array, Array, Array]:
    """Return (values, Jacobian, residuals) of the least-squares fit."""
    from scipy.optimize import least_squares

    start = [0.0] * len(kept)
    for record in records:
        first = float(np.mean(record.oil_c[:3]))
        start += [first, first - 0.2 * max(first - record.drive.ambient_c, 0.0)]
    found = least_squares(
        _residuals, np.array(start), args=(records, vehicle, kept, share), x_scale="jac", diff_step=1e-4
    )
    return found.x, found.jac, found.fun


def _errors(
    records: Sequence[OilRecord],
    vehicle: Vehicle,
    kept: tuple[int, ...],
    values: Array,
    jacobian: Array,
    rest: Array,
) -> tuple[Array, Array]:
    """Return standard errors and correlations of the kept factors.

    Scatter is summed over blocks, as neighbouring residuals are alike; to it comes what the doubts about each source
    of heat and about the sinks' temperatures would move.
    """
    count, size = len(kept), jacobian.shape[1]
    square = jacobian.T @ jacobian
    # A direction that nothing depends on has no finite error; a tiny ridge keeps it merely huge.
    inverse = np.linalg.inv(square + 1e-12 * np.trace(square) * np.eye(size))
    data = slice(0, sum(len(record.at) for record in records))
    blocks = np.concatenate([number * 10_000 + (record.at / BLOCK_S).astype(np.int64)
                             for number, record in enumerate(records)])  # fmt: skip
    middle = np.zeros((size, size))
    scatter = float((rest[data] ** 2).mean())
    for block in np.unique(blocks):
        rows, own_rest = jacobian[data][blocks == block], rest[data][blocks == block]
        score = rows.T @ own_rest
        middle += np.outer(score, score) + scatter * rows.T @ rows
    # Where only the file holds a value, its error is the file's doubt.
    weight = (FILE_WEIGHT_C / FILE_DOUBT) ** 2
    middle[:count, :count] += np.eye(count) * (weight * FILE_DOUBT) ** 2
    covariance = inverse @ middle @ inverse
    for doubt in range(len(records[0].doubts)):
        moved = [record if doubt >= len(record.doubts) else _with(record, record.doubts[doubt]) for record in records]
        # What acts is doubted, the readings are not: the fit would follow by this much.
        shift = inverse @ jacobian.T @ (_residuals(values, moved, vehicle, kept, 1.0) - rest)
        covariance = covariance + np.outer(shift, shift)
    own = covariance[:count, :count]
    errors = np.sqrt(np.maximum(np.diag(own), 0.0))
    scale = np.where(errors > 0.0, errors, 1.0)
    return errors, np.clip(own / scale[:, None] / scale[None, :], -1.0, 1.0)


def _with(record: OilRecord, drive: OilDrive) -> OilRecord:
    return OilRecord(record.name, drive, record.at, record.oil_c, ())


def _rmse(records: Sequence[OilRecord], vehicle: Vehicle, values: Array) -> float:
    rest = _residuals(values, records, vehicle, (), 1.0)
    return float(np.sqrt(np.mean(rest**2)))


def _held_out(records: Sequence[OilRecord], vehicle: Vehicle, kept: tuple[int, ...]) -> float | None:
    """Fit the beginning of each recording and return the error on the rest, run on freely from there, °C."""
    values, _, _ = _solve(records, vehicle, kept, TRAIN_SHARE)
    rest = []
    factors = np.ones(len(OIL_KEYS))
    factors[list(kept)] = np.exp(values[: len(kept)])
    for number, record in enumerate(records):
        oil_c, case_c = values[len(kept) + 2 * number : len(kept) + 2 * number + 2]
        model, _ = oil_temperature(record.drive, vehicle, factors, oil_c, case_c)
        after = record.at > TRAIN_SHARE * record.at[-1]
        times = np.arange(len(model)) * record.drive.step_s
        rest.append((np.interp(record.at, times, model) - record.oil_c)[after])
    together = np.concatenate(rest)
    return float(np.sqrt(np.mean(together**2))) if together.size else None
