"""A cold start warms the way one does: plausibility, from experience with no source."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from sim.drives import Drive
from sim.loop import simulate
from sim.strategies import Open, Strategy
from sim.vehicle import Vehicle

COLD = {"ambient_c": -2.0, "oil_c": -2.0, "coolant_c": -2.0}
COLD_POINTS: list[tuple[float, ...]] = [(0, 0), (20, 0), (35, 30), (200, 45), (300, 60), (330, 80), (780, 84)]


@pytest.mark.parametrize("name", ["pukeko", "takahe"])
def test_coolant_reaches_its_thermostat_in_about_ten_minutes_and_warms_the_oil_after_it(
    request: pytest.FixtureRequest, make_drive: Callable[..., Drive], name: str
) -> None:
    """Mixed driving at −2 °C: thermostat in 8 to 12 minutes, the oil well on its way but behind the coolant."""
    vehicle = request.getfixturevalue(name)
    run = simulate(vehicle, make_drive(COLD_POINTS, **COLD), Open(), flexible_jolt=False)
    oil, coolant = run.traces["oil_c"], run.traces["coolant_c"]
    opens = int(np.argmax(coolant >= vehicle.file.heat.thermostat_opens_c))
    assert 480.0 <= opens / 100.0 <= 720.0
    assert 45.0 <= oil[opens] <= 70.0
    assert np.all(np.diff(coolant[:opens:1000]) > -0.1)


def test_on_soft_ground_an_open_converter_warms_cold_oil_faster_than_a_held_one(
    pukeko: Vehicle, make_drive: Callable[..., Drive], hold_above: Callable[..., Strategy]
) -> None:
    drive = make_drive([(0, 0, 0, "shingle", 2), (20, 42, 0, "shingle", 2), (300, 42, 0, "shingle", 2)], **COLD)
    open_c, held_c = (
        simulate(pukeko, drive, strategy, flexible_jolt=False).traces["oil_c"][-1]
        for strategy in (Open(), hold_above(30.0, 25.0))
    )
    assert open_c > held_c + 10.0
