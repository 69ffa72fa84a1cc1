"""What the converter clutch did: in, slipping or out, from the slip, with a recorded flag where there is one."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from bench.logs.decode import States, likeliest, misfit, weight
from bench.logs.edges import OFFSET_RPM, Slip
from bench.logs.gears import MOVING_KMH, Gears
from bench.logs.grid import Grid, is_read_near
from bench.logs.scatter import LEAST_NOISE_RPM, scatter, stepped, swing
from bench.logs.source import Array
from bench.logs.torque import engine_torque, rate, slip_if_open, smooth
from bench.logs.untold import Mask, settle

if TYPE_CHECKING:
    from bench.logs.reading import Log
    from sim.vehicle import Vehicle

OUT, SLIPPING, IN, UNKNOWN = 0, 1, 2, 3
STATE_WORDS = {OUT: "out", SLIPPING: "slipping", IN: "in", UNKNOWN: "cannot be told"}

CHANGE_PRICE = 5.0
FLAG_COST = 40.0
"""Price of going against a recorded flag; the evidence of slip decides only within what the flag allows."""

BELIED_S, BELIED_PEDAL_PCT = 3.0, 20.0
"""Held for so long under so much pedal while the flag says out, the clutch has another master than the flag's."""

LEAST_SHAFT_NOISE_RPM = 1.4

VOID_WIDTHS, VOID_S = 1.2, 0.5
LONGEST_WAY_IN_S = 3.0
"""Without a flag, slipping is believed for so long beside a hold."""


@dataclass(frozen=True)
class Clutch:
    """Turbine speed and slip of each sample, the clutch's state and how sure it is.

    The state is `UNKNOWN` where no slip is known, and where the slip is known but does not tell: there `untold` is set.
    `by` says what the state was told from: a recorded flag, or the slip. `noise_rpm` is the slip's scatter, `read` the
    slip where it was measured. `flag` is the recorded flag where there is one, a reading each `flag_s`; `is_belied`
    that the clutch holds where the flag says out, as it does where the transmission holds by its own schedule and the
    flag is the command of what was added to it.
    """

    turbine_rpm: Array
    slip_rpm: Array
    slip_pct: Array
    state: States
    sure: Array
    by: str
    noise_rpm: float
    untold: Mask
    read: Slip
    flag: Array | None = None
    flag_s: float = 0.0
    is_belied: bool = False


def clutch_of(log: Log, grid: Grid, gears: Gears, vehicle: Vehicle | None) -> Clutch:
    """Return what the clutch did."""
    engine_rpm = grid.get("engine_rpm")
    turbine_rpm, turbine_error = _turbine(log, grid, gears)
    slip_rpm = engine_rpm - turbine_rpm
    slip_pct = np.where(engine_rpm > 100.0, 100.0 * slip_rpm / np.maximum(engine_rpm, 1.0), np.nan)
    steps_rpm = (stepped(log, "engine_rpm"), stepped(log, "turbine_rpm"))
    noise_rpm = max(scatter(slip_rpm), swing(slip_rpm, grid.step_s), LEAST_NOISE_RPM, math.hypot(*steps_rpm))
    period_s = max(log.readings[name].period_s for name in ("engine_rpm", "turbine_rpm", "road_speed_kmh")
                   if name in log.readings)  # fmt: skip
    # Two shafts read at different moments disagree by their rate of change.
    skew_s = 0.1 * period_s if period_s < 0.5 else 0.25 * period_s
    skew_rpm = skew_s * np.nan_to_num(np.abs(rate(engine_rpm, grid.step_s)))
    width = np.sqrt(noise_rpm**2 + turbine_error**2 + skew_rpm**2)
    expected_rpm = _slip_if_out(grid, vehicle)
    costs = _costs(slip_rpm, width, expected_rpm, grid.step_s)
    flag, flag_s = _flag(log, grid)
    is_belied = flag is not None and _belied(grid, flag, slip_rpm, noise_rpm)
    if flag is not None:
        costs[:, OUT] += np.where(flag > 0.0, FLAG_COST, 0.0)
    if flag is not None and not is_belied:
        costs[:, IN] += np.where(flag == 0.0, FLAG_COST, 0.0)
        costs[:, SLIPPING] += np.where(flag == 0.0, FLAG_COST, 0.0)
    unknown = np.isnan(slip_rpm)
    costs[unknown] = 0.0
    state, sure = likeliest(costs * weight(grid.step_s), CHANGE_PRICE)
    read = _read(log, grid, slip_rpm, noise_rpm, turbine_error, steps_rpm)
    untold = np.zeros(len(state), dtype=np.bool_)
    if flag is None or is_belied:
        state = _engaging_only(state, grid.step_s)
        if expected_rpm is not None:
            state, untold = settle(state, read, expected_rpm, IN)
            untold &= ~unknown if flag is None else ~unknown & (flag == 0.0)
    state = np.where(unknown | untold, UNKNOWN, state)
    return Clutch(turbine_rpm, slip_rpm, slip_pct, state, np.where(state == UNKNOWN, 0.0, sure),
                  "slip" if flag is None else "flag and slip", noise_rpm, untold, read, flag, flag_s,
                  is_belied)  # fmt: skip


def _turbine(log: Log, grid: Grid, gears: Gears) -> tuple[Array, Array]:
    """Return turbine speed, recorded or from gear and road speed, and its likely error in rpm."""
    if grid.has("turbine_rpm"):
        return grid.get("turbine_rpm"), np.zeros(len(grid.time_s))
    speed = grid.get("road_speed_kmh")
    per_kmh = np.full(len(speed), np.nan)
    for gear, one in gears.rpm_per_kmh.items():
        per_kmh[gears.gear == gear] = one
    error = np.nan_to_num(per_kmh) * stepped(log, "road_speed_kmh") + 0.006 * np.nan_to_num(per_kmh * speed)
    standing = (speed < 0.3) & np.isnan(per_kmh)
    return np.where(standing, 0.0, per_kmh * np.where(speed > MOVING_KMH, speed, np.nan)), error


def _read(
    log: Log, grid: Grid, slip_rpm: Array, noise_rpm: float, error_rpm: Array, steps_rpm: tuple[float, float]
) -> Slip:
    """Return the slip where both shafts were read near: a sample is a measurement, no line across a drop-out.

    `steps_rpm` are the errors of engine and turbine by the steps in which they are read.
    """
    shafts = ("engine_rpm", "turbine_rpm" if grid.has("turbine_rpm") else "road_speed_kmh")
    is_read = np.ones(len(grid.time_s), dtype=np.bool_)
    for name in shafts:
        is_read &= is_read_near(log.readings[name], grid.time_s) if name in log.readings else False
    engine_rpm = grid.get("engine_rpm")
    engine_noise_rpm = max(scatter(engine_rpm), swing(engine_rpm, grid.step_s), LEAST_SHAFT_NOISE_RPM, steps_rpm[0])
    read_rpm, read_engine_rpm = (np.where(is_read, one, np.nan) for one in (slip_rpm, engine_rpm))
    offset_rpm = math.hypot(OFFSET_RPM, *steps_rpm)
    return Slip(grid.time_s, read_rpm, noise_rpm, error_rpm, read_engine_rpm, engine_noise_rpm, offset_rpm)


def _flag(log: Log, grid: Grid) -> tuple[Array | None, float]:
    """Return the recorded flag, or the command as one, and the time between two readings of it."""
    if grid.has("lockup_on"):
        return grid.get("lockup_on"), log.readings["lockup_on"].period_s
    if grid.has("duty_pct"):
        duty_pct = grid.get("duty_pct")
        flag = np.where(np.isnan(duty_pct), np.nan, (duty_pct > 0.0).astype(np.float64))
        return flag, log.readings["duty_pct"].period_s
    return None, 0.0


def _belied(grid: Grid, flag: Array, slip_rpm: Array, noise_rpm: float) -> bool:
    """Tell whether the clutch plainly holds for a while where the flag says out."""
    near_rpm = np.abs(smooth(slip_rpm, grid.step_s, VOID_S))
    holds = (flag == 0.0) & (near_rpm < 2.0 * noise_rpm) & (grid.get("throttle_pct") > BELIED_PEDAL_PCT)
    edges = np.flatnonzero(np.diff(np.concatenate(([False], holds, [False])).astype(np.int8)))
    return bool(np.max(edges[1::2] - edges[::2], initial=0) * grid.step_s >= BELIED_S)


def _slip_if_out(grid: Grid, vehicle: Vehicle | None) -> Array | None:
    """Return the slip that the open converter of a vehicle's tables would have; None where that is not known."""
    torque_nm = engine_torque(grid, vehicle) if vehicle is not None else None
    if vehicle is None or torque_nm is None:
        return None
    return smooth(slip_if_open(vehicle, torque_nm, grid.get("engine_rpm")), grid.step_s)


def _costs(slip_rpm: Array, width: Array, expected_rpm: Array | None, step_s: float) -> Array:
    """Return costs of out, slipping and in by the slip, and by what it would be with the clutch out where known."""
    costs = np.empty((len(slip_rpm), 3))
    root = 2.5066
    costs[:, IN] = misfit((slip_rpm / width) ** 2) + np.log(width * root)
    if expected_rpm is None:
        # Without tables a slip of any size speaks for out, slip about nothing for in.
        costs[:, OUT] = np.log(700.0) + np.where(slip_rpm < -200.0, 3.0, 0.0)
        costs[:, SLIPPING] = np.log(700.0) + 6.0
        return costs
    expected = np.where(np.isnan(expected_rpm), slip_rpm, expected_rpm)
    spread = width + 6.0 + 0.2 * np.abs(expected)
    near = np.exp(-0.5 * ((slip_rpm - expected) / spread) ** 2) / (spread * root)
    costs[:, OUT] = -np.log(0.95 * near + 0.05 / 2500.0)
    # Where nothing is pulled an open converter does not slip either: that tells nothing, and the state stays.
    near_rpm = smooth(slip_rpm, step_s, VOID_S)
    idle = (np.abs(expected) < VOID_WIDTHS * width) & (np.abs(near_rpm) < VOID_WIDTHS * width)
    costs[idle, OUT] = costs[idle, IN]
    # A slipping clutch takes part of the torque, so the slip lies between none and the open converter's.
    share = slip_rpm / np.where(np.abs(expected) < 1.0, 1.0, expected)
    between = (share > 0.0) & (share < 0.85) & (np.abs(slip_rpm) > 2.5 * width)
    costs[:, SLIPPING] = np.log(np.maximum(np.abs(expected), 60.0)) + np.where(between, 1.0, 7.0)
    return costs


def _engaging_only(state: States, step_s: float) -> States:
    """Keep a slipping clutch only on its way in or out: elsewhere less slip than expected may be the table's error."""
    starts = np.flatnonzero(np.diff(state, prepend=-1) != 0)
    ends = np.append(starts[1:], len(state))
    found = state.copy()
    for at, (start, end) in enumerate(zip(starts.tolist(), ends.tolist(), strict=True)):
        if state[start] != SLIPPING:
            continue
        beside_in = (at > 0 and state[starts[at - 1]] == IN) or (end < len(state) and state[end] == IN)
        seconds = (end - start) * step_s
        if not beside_in or seconds > LONGEST_WAY_IN_S:
            found[start:end] = OUT
    return found
