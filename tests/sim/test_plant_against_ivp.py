"""Converter and clutch against a solution that locates the event: scipy's solve_ivp with a dense solver."""

from __future__ import annotations

import numpy as np
import pytest

from sim.clutch import FRICTION_GRID
from sim.converter import GRID
from sim.engine import FULL_LOAD_GRID
from sim.params import stepping
from sim.plant import Inputs, State, step
from sim.vehicle import Vehicle

scipy_integrate = pytest.importorskip("scipy.integrate")

THROTTLE, MASS, ROLL, GEAR_RATIO = 0.75, 2890.0, 5200.0, 17.02


def reference(vehicle: Vehicle, start: State, duration_s: float) -> tuple[float, float, float, float]:
    """Return (lock time, engine speed, road speed, clutch work) from ordinary differential equations."""
    p, lags = vehicle.params, vehicle.lags
    eta = p.gearbox_efficiency * p.axle_efficiency
    conv_nu = np.arange(len(p.capacity_nm_per_rads2)) / GRID

    def torques(we: float, v: float, indicated: float) -> tuple[float, float, float, float]:
        wt = GEAR_RATIO * v
        nu = min(wt / we, 1.0)
        pump = np.interp(nu, conv_nu, p.capacity_nm_per_rads2) * we * we
        turbine = pump * np.interp(nu, conv_nu, p.torque_ratio)
        friction = p.friction_nm + p.friction_nm_per_rads * we
        load = np.interp(we, np.arange(len(p.full_load_nm)) / FULL_LOAD_GRID, p.full_load_nm)
        engine = indicated - friction - pump - (p.pump_nm + p.pump_nm_per_rads * we)
        return engine, turbine - (p.spin_nm + p.spin_nm_per_rads * wt), THROTTLE * (load + friction), wt

    def capacity(pressure: float, slip: float) -> float:
        friction = np.interp(slip, np.arange(len(p.clutch_friction)) / FRICTION_GRID, p.clutch_friction)
        return float(p.clutch_nm * max(pressure - p.kiss_share, 0.0) / (1.0 - p.kiss_share) * friction)

    def slipping(_t: float, y: np.ndarray) -> list[float]:
        we, v, indicated, pressure, _ = y
        engine, turbine, demand, wt = torques(we, v, indicated)
        clutch = capacity(pressure, we - wt)
        k = GEAR_RATIO * eta
        return [
            (engine - clutch) / p.engine_kgm2,
            (k * (turbine + clutch) - ROLL) / (MASS + k * p.turbine_kgm2 * GEAR_RATIO),
            (demand - indicated) / lags.torque_s,
            (1.0 - pressure) / lags.fill_s,
            clutch * (we - wt),
        ]

    def locked(_t: float, y: np.ndarray) -> list[float]:
        _, v, indicated, pressure, _ = y
        we = GEAR_RATIO * v
        engine, turbine, demand, _ = torques(we, v, indicated)
        k = GEAR_RATIO * eta
        accel = (k * (turbine + engine) - ROLL) / (MASS + k * (p.turbine_kgm2 + p.engine_kgm2) * GEAR_RATIO)
        return [GEAR_RATIO * accel, accel, (demand - indicated) / lags.torque_s, (1.0 - pressure) / lags.fill_s, 0.0]

    def caught(_t: float, y: np.ndarray) -> float:
        return float(y[0] - GEAR_RATIO * y[1])

    caught.terminal = True  # type: ignore[attr-defined]
    y0 = [start.engine_rads, start.speed_ms, start.indicated_nm, start.pressure, 0.0]
    tight = {"rtol": 1e-9, "atol": 1e-9, "max_step": 0.002}
    first = scipy_integrate.solve_ivp(slipping, (0.0, duration_s), y0, events=caught, **tight)
    lock_s = float(first.t[-1])
    assert first.status == 1
    second = scipy_integrate.solve_ivp(locked, (lock_s, duration_s), first.y[:, -1], **tight)
    return lock_s, float(second.y[0, -1]), float(second.y[1, -1]), float(second.y[4, -1])


def test_engagement_within_one_per_cent_of_the_located_event(pukeko: Vehicle) -> None:
    start = State(285.0, 12.0, 350.0, 0.0, 0.0, ROLL, 80.0, 80.0, 70.0, 85.0, 86.0)
    lock_s, engine_rads, speed_ms, work_j = reference(pukeko, start, 1.5)
    h = stepping(pukeko.lags, 0.01)
    u = Inputs(
        THROTTLE, 1.0, 1.0, 0.0, 0.0, 1.0, GEAR_RATIO, GEAR_RATIO, 0.0, MASS, ROLL, 0.0, 0.0, 0.0, 0.0, 1e4, 25.0
    )
    # Spin drag of the reference is taken at 80 °C, where its factor is one.
    state, work, locked_at = start, 0.0, None
    for k in range(150):
        state, books = step(state, u, pukeko.params, h)
        work += books.clutch
        slip = state.engine_rads - GEAR_RATIO * state.speed_ms
        if locked_at is None and abs(slip) < 1e-9:
            locked_at = (k + 1) * 0.01
    assert locked_at is not None
    assert abs(locked_at - lock_s) <= 0.01
    assert state.engine_rads == pytest.approx(engine_rads, rel=0.01)
    assert state.speed_ms == pytest.approx(speed_ms, rel=0.01)
    assert work == pytest.approx(work_j, rel=0.01)
