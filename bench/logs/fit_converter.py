"""The converter's capacity against the vehicle file's table, by speed ratio, while the clutch is out."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from bench.logs.clutch import OUT
from bench.logs.fit_gearing import settled
from bench.logs.torque import converter_torques, engine_torque, rate

if TYPE_CHECKING:
    from bench.logs.source import Array
    from bench.logs.summary import Shown
    from sim.vehicle import Vehicle

BINS = (0.3, 0.5, 0.6, 0.7, 0.8, 0.85, 0.9, 0.94)
"""Above this the pump's torque hangs on the last per cent of slip and tells nothing."""

LEAST_S, LEAST_NM, MOST_RATE_RPM_S = 3.0, 40.0, 150.0
BLOCK_S = 2.0
NOTICED_SHARE = 0.04
"""A table that is off by less than this is called right: engine torque is seldom known better."""

SHAPE_SHARE = 0.08


@dataclass(frozen=True)
class RatioFit:
    """Measured capacity as a share of the table's between two speed ratios, with its standard error."""

    low: float
    high: float
    share: float
    error: float
    seconds: float


@dataclass(frozen=True)
class ConverterFit:
    """All bins, their common share and its error; `is_wrong` where the table does not fit, `why` in words."""

    bins: list[RatioFit]
    share: float | None
    error: float | None
    is_wrong: bool
    why: list[str]


def fit_converter(shown: Shown, vehicle: Vehicle) -> ConverterFit:
    """Compare torque over engine speed squared with the table, where the engine runs steadily."""
    grid, clutch = shown.grid, shown.clutch
    torque_nm = engine_torque(grid, vehicle)
    if torque_nm is None:
        return ConverterFit([], None, None, False, ["neither engine torque nor pedal was recorded: nothing is told of "
                                                    "the converter's table"])  # fmt: skip
    engine_rpm = grid.get("engine_rpm")
    ratio = clutch.turbine_rpm / np.maximum(engine_rpm, 1.0)
    pump_nm, _ = converter_torques(vehicle, engine_rpm, clutch.turbine_rpm)
    usable = (
        (clutch.state == OUT) & (torque_nm > LEAST_NM) & (pump_nm > 0.5 * LEAST_NM) & (engine_rpm > 900.0)
        & (np.abs(rate(engine_rpm, grid.step_s, 0.5)) < MOST_RATE_RPM_S) & settled(shown.gears.gear, grid.step_s)
        & (np.abs(rate(torque_nm, grid.step_s, 0.5)) < 150.0)
    )  # fmt: skip
    found = []
    for low, high in pairwise(BINS):
        fit = _bin(torque_nm, pump_nm, usable & (ratio >= low) & (ratio < high), grid.step_s)
        if fit is not None:
            found.append(RatioFit(low, high, *fit))
    if not found:
        return ConverterFit([], None, None, False, ["the clutch was never out long enough under steady pull: nothing "
                                                    "is told of the converter's table"])  # fmt: skip
    weights = np.array([one.seconds / (one.error**2 + 0.01**2) for one in found])
    shares = np.array([one.share for one in found])
    share = float((weights * shares).sum() / weights.sum())
    spread = float(np.sqrt((weights * (shares - share) ** 2).sum() / weights.sum()))
    error = max(spread / np.sqrt(len(found)), min(one.error for one in found), 0.005)
    why = [] if grid.has("engine_torque_nm") else ["engine torque was not recorded: it is taken from the pedal by the "
                                                   "file's engine, so an engine that differs looks the same as a "
                                                   "converter that does"]  # fmt: skip
    is_off = abs(share - 1.0) > max(NOTICED_SHARE, 2.0 * error)
    is_bent = spread > SHAPE_SHARE
    if is_off:
        why.insert(0, f"the converter takes {share:.2f} of the table's torque at the recorded slip "
                   f"(±{error:.2f}): its capacity factor K is {1.0 / np.sqrt(share):.3f} of the file's")  # fmt: skip
    if is_bent:
        why.insert(
            0,
            "the table's shape does not fit: from "
            + ", ".join(f"{one.share:.2f} at speed ratio {one.low:g} to {one.high:g}" for one in found),
        )
    return ConverterFit(found, share, float(error), is_off or is_bent, why)


def _bin(torque_nm: Array, pump_nm: Array, usable: Array, step_s: float) -> tuple[float, float, float] | None:
    at = np.flatnonzero(usable)
    if len(at) * step_s < LEAST_S:
        return None
    blocks = (at * step_s / BLOCK_S).astype(np.int64)
    names = np.unique(blocks)[:3000]
    means = np.array([torque_nm[at][blocks == one].sum() / pump_nm[at][blocks == one].sum() for one in names])
    value = float(np.median(means))
    scatter = float(np.median(np.abs(means - value))) * 1.4826
    return value, max(scatter / np.sqrt(len(means)), 0.003), len(at) * step_s
