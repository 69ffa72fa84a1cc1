"""The error band of a predicted oil temperature, from what a fitted vehicle file says of its values' errors."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from bench.logs.oil_model import OIL_KEYS, OilDrive, oil_temperature

if TYPE_CHECKING:
    from bench.pages.codec import FloatArray
    from sim.result import RunResult
    from sim.vehicle import Vehicle

STEP_S = 1.0


class ErrorBand(NamedTuple):
    """One standard error of the oil's temperature at each sample of the run's traces, and at its peak, °C."""

    error_c: FloatArray
    peak_c: float


def oil_band(result: RunResult, vehicle: Vehicle) -> ErrorBand | None:
    """Return the band of a run, or None where the vehicle is not fitted.

    The run's own heat is put through the oil's balance with each value moved by its error, along the directions in
    which the errors are independent; to that comes the error on held-out recordings.
    """
    fitted = vehicle.file.fitted
    if fitted is None or tuple(fitted.keys) != OIL_KEYS:
        return None
    traces = result.traces
    step_s = float(traces["time_s"][1] - traces["time_s"][0])
    every = round(STEP_S / step_s)
    count = len(traces["time_s"]) // every
    if count < 3:
        return None

    def by_step(name: str) -> FloatArray:
        return np.asarray(traces[name][: count * every].reshape(count, every).mean(axis=1))

    drive = OilDrive(
        STEP_S, 1000.0 * by_step("oil_heat_kw"), by_step("coolant_c"), by_step("speed_kmh") / 3.6,
        by_step("engine_rpm") * np.pi / 30.0, result.ambient_c,
    )  # fmt: skip
    start = float(traces["oil_c"][0]), float(traces["case_c"][0])
    errors = np.array(fitted.error_share)
    covariance = np.array(fitted.correlation) * errors[:, None] * errors[None, :]
    sizes, directions = np.linalg.eigh(covariance)
    nominal, _ = oil_temperature(drive, vehicle, np.ones(len(OIL_KEYS)), *start)
    variance = np.full(count, (fitted.held_out_rmse_c or 0.0) ** 2)
    for size, direction in zip(sizes, directions.T, strict=True):
        moved, _ = oil_temperature(drive, vehicle, np.exp(np.sqrt(max(float(size), 0.0)) * direction), *start)
        variance += (moved - nominal) ** 2
    error_c = np.interp(traces["time_s"], np.arange(count) * STEP_S, np.sqrt(variance))
    return ErrorBand(error_c, float(error_c[int(np.argmax(traces["oil_c"]))]))
