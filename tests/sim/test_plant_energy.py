"""The books close on every drive, and the step is short enough."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from sim.drives import Drive, drive_names, load_drive
from sim.loop import simulate
from sim.record import COLUMNS, Record
from sim.strategies import AsBuilt, Strategy
from sim.vehicle import Vehicle

SCHEME, INDEPENDENT = 1e-9, 1e-3


def check(vehicle: Vehicle, drive: Drive, strategy: Strategy) -> None:
    energy = simulate(vehicle, drive, strategy, flexible_jolt=False).energy
    assert energy.scheme_residual <= SCHEME
    assert energy.thermal_residual <= SCHEME
    assert energy.independent_residual <= INDEPENDENT
    assert energy.engine_kj > 1000.0


@pytest.mark.parametrize("name", drive_names())
def test_books_close_as_built(pukeko: Vehicle, name: str) -> None:
    check(pukeko, load_drive(name), AsBuilt())


@pytest.mark.parametrize("name", ["riverbed", "pass_climb", "long_descent", "shift_at_hold"])
def test_books_close_held_through_everything(pukeko: Vehicle, hold_above: Callable[..., Strategy], name: str) -> None:
    check(pukeko, load_drive(name), hold_above(20.0, 12.0))


@pytest.mark.parametrize("name", ["town", "long_descent"])
def test_books_close_for_the_other_vehicle(takahe: Vehicle, name: str) -> None:
    check(takahe, load_drive(name), AsBuilt())


def test_a_missing_loss_would_show(pukeko: Vehicle, make_drive: Callable[..., Drive]) -> None:
    from sim import energy

    captured: list[Record] = []
    keep = energy.balance

    def spy(vehicle: Vehicle, record: Record) -> energy.Energy:
        captured.append(record)
        return keep(vehicle, record)

    drive = make_drive([(0, 0), (2, 0), (20, 50), (30, 50)])
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("sim.result.balance", spy)
        simulate(pukeko, drive, AsBuilt(), flexible_jolt=False)
    record = captured[0]
    for name in ("converter", "spin", "tyre", "axle"):
        broken = record.values.copy()
        broken[:, COLUMNS.index(f"book_{name}")] = 0.0
        assert keep(pukeko, Record(broken, record.dt_s, record.substeps)).scheme_residual > 1e-4
    broken = record.values.copy()
    broken[:, COLUMNS.index("engine_rads")] *= 1.01
    assert keep(pukeko, Record(broken, record.dt_s, record.substeps)).independent_residual > 1e-3


def test_independent_residual_falls_with_the_step(pukeko: Vehicle, make_drive: Callable[..., Drive]) -> None:
    drive = make_drive([(0, 0), (2, 0), (14, 60), (18, 60), (24, 20), (26, 20)])
    coarse, fine = (
        simulate(pukeko, drive, AsBuilt(), dt_s=dt, flexible_jolt=False).energy.independent_residual
        for dt in (0.01, 0.001)
    )
    assert fine < 0.3 * coarse


def test_close_to_a_reference_at_a_tenth_of_a_millisecond(
    pukeko: Vehicle, make_drive: Callable[..., Drive], hold_above: Callable[..., Strategy]
) -> None:
    drive = make_drive(
        [(0, 0, 0, "sand", 2), (1, 0, 0, "sand", 2), (12, 42, 0, "sand", 2), (22, 42, 0, "sand", 2)], oil_c=86.0
    )
    run, reference = (
        simulate(pukeko, drive, hold_above(38.0, 20.0), dt_s=dt, flexible_jolt=False) for dt in (0.01, 0.0001)
    )
    assert np.max(np.abs(run.traces["oil_c"] - reference.traces["oil_c"])) < 0.05
    assert len(run.engagements) == len(reference.engagements) == 1
    ours, theirs = run.engagements[0], reference.engagements[0]
    assert ours.energy_kj > 1.0
    assert ours.energy_kj == pytest.approx(theirs.energy_kj, rel=0.02)
    assert ours.peak_torque_nm == pytest.approx(theirs.peak_torque_nm, rel=0.02)


def test_same_input_same_output(pukeko: Vehicle, make_drive: Callable[..., Drive]) -> None:
    drive = make_drive([(0, 0), (15, 60), (30, 30)])
    one, two = (simulate(pukeko, drive, AsBuilt()) for _ in range(2))
    assert all(one.traces[name].tobytes() == two.traces[name].tobytes() for name in one.traces)
    assert (one.energy, one.fuel_l, one.engagements) == (two.energy, two.fuel_l, two.engagements)


def test_step_must_divide_the_tick(pukeko: Vehicle, make_drive: Callable[..., Drive]) -> None:
    with pytest.raises(ValueError, match="does not divide"):
        simulate(pukeko, make_drive([(0, 0), (1, 0)]), AsBuilt(), dt_s=0.003)


@pytest.fixture(scope="module")
def everything(pukeko: Vehicle, hold_above: Callable[..., Strategy], make_drive: Callable[..., Drive]) -> Record:
    """A hot hill with the fan on, a launch on a slowly applied clutch, a stall in a hold and the starter after it."""
    from sim import energy

    captured: list[Record] = []
    keep = energy.balance

    def spy(vehicle: Vehicle, record: Record) -> energy.Energy:
        captured.append(record)
        return keep(vehicle, record)

    points = [(0, 0, 6, "gravel"), (3, 0, 6, "gravel"), (25, 40, 6, "gravel"), (45, 40, 6, "gravel"),
              (50, 0, 6, "gravel"), (60, 0, 6, "gravel"), (75, 30, 6, "gravel"), (80, 30, 6, "gravel")]  # fmt: skip
    drive = make_drive(points, ambient_c=45.0, oil_c=95.0, coolant_c=104.0)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("sim.result.balance", spy)
        run = simulate(pukeko, drive, hold_above(4.0, 0.5, ramp_s=12.0), flexible_jolt=False)
    assert {"stall", "restart"} <= {event.kind for event in run.events}
    return captured[0]


def test_every_book_is_filled_closes_and_is_missed_when_left_out(pukeko: Vehicle, everything: Record) -> None:
    from sim.energy import _LOSSES, balance

    whole = balance(pukeko, everything)
    assert whole.scheme_residual <= SCHEME
    assert whole.independent_residual <= INDEPENDENT
    for name in (*_LOSSES, "starter"):
        assert abs(everything.total(name)) > 100.0, name
        broken = everything.values.copy()
        broken[:, COLUMNS.index(f"book_{name}")] = 0.0
        left_out = balance(pukeko, Record(broken, everything.dt_s, everything.substeps))
        assert left_out.scheme_residual > 1e-5, name


@pytest.mark.parametrize("column", ["starter_nm", "pressure", "coolant_c", "engine_rads", "roll_n", "grade_n"])
def test_the_independent_residual_rests_on_each_of_its_readings(
    pukeko: Vehicle, everything: Record, column: str
) -> None:
    """Without the starter, the clutch's torque, a coolant that drives the fan … it no longer closes."""
    from sim.energy import balance

    right = balance(pukeko, everything).independent_residual
    broken = everything.values.copy()
    broken[:, COLUMNS.index(column)] *= 0.5
    wrong = balance(pukeko, Record(broken, everything.dt_s, everything.substeps)).independent_residual
    assert wrong > 3.0 * right
