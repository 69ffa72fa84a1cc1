"""A drive over the bus equals the same drive without one, a tick later."""

from __future__ import annotations

import time

import numpy as np
import pytest
from bench_parts import bench_of, ours

from bus.carried import Carried, Late
from bus.nodes import OverBus
from sim.drives import drive_names, load_drive
from sim.loop import simulate
from sim.strategies import Rules
from sim.vehicle import load_vehicle

QUICK = ("signal_loss",)
SPEED_LEAST = 15.0


@pytest.mark.parametrize("map_name", ["powertrain", "j1939"])
@pytest.mark.parametrize(
    "name", [name if name in QUICK else pytest.param(name, marks=pytest.mark.long) for name in drive_names()]
)
def test_equals_the_direct_run_tick_for_tick(map_name: str, name: str) -> None:
    truck, drive = load_vehicle("pukeko"), load_drive(name)
    with bench_of(map_name) as parts:
        # The 11-bit bus carries every input as it is: there the direct run sees nothing of a bus but the delay.
        carried = None if map_name == "powertrain" else Carried(parts.binding)
        direct = simulate(truck, drive, Late(Rules(ours(), "direct"), carried), flexible_jolt=False)
        start = time.process_time()
        over = simulate(truck, drive, OverBus(parts.vehicle, parts.link, "over"), flexible_jolt=False)
        speed = drive.duration_s / (time.process_time() - start)
        assert parts.controller.receiver.lost_frames == parts.controller.receiver.refused_frames == 0
    assert direct.engagements
    for key, values in direct.traces.items():
        assert np.array_equal(values, over.traces[key], equal_nan=True), key
    print(f"{map_name} {name}: {speed:.0f} times real time")
    assert speed >= SPEED_LEAST


def test_a_command_that_is_a_tick_late_is_not_the_same_as_none() -> None:
    """The comparison can fail: without the delay the runs differ."""
    truck, drive = load_vehicle("pukeko"), load_drive("switch_at_threshold")
    with bench_of("powertrain") as parts:
        over = simulate(truck, drive, OverBus(parts.vehicle, parts.link, "over"), flexible_jolt=False)
    at_once = simulate(truck, drive, Rules(ours(), "direct"), flexible_jolt=False)
    assert not np.array_equal(at_once.traces["duty_pct"], over.traces["duty_pct"])
