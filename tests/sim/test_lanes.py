"""Lanes run what a single run runs: rules bit for bit, the plant to 1e-9."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pytest

pytest.importorskip("numba", reason="the lanes extra is not installed: pip install 'tccbench[lanes]'")

from controller.calibration import load_calibration
from controller.our_rules import OURS
from controller.step import Command, Reference
from controller.straight import Straight
from sim import lane_kernel as kernel
from sim.drives import load_drive
from sim.lanes import NOISY, Lane, events_of, place, run
from sim.loop import simulate
from sim.strategies import AsBuilt, Open, Rules
from sim.vehicle import load_vehicle

STATION = load_calibration("station", OURS).values
WIDTH = len(OURS.signals)


class Listening:
    """A controller that keeps its inputs and commands."""

    def __init__(self, controller: Straight | Reference) -> None:
        self.controller, self.rules, self.calibration = controller, controller.rules, controller.calibration
        self.seen: list[list[int]] = []

    def tick(self, inputs: Mapping[str, int]) -> Command:
        command = self.controller.tick(inputs)
        self.seen.append([int(inputs[signal.name]) for signal in OURS.signals] + [int(one) for one in command])
        return command


@pytest.mark.parametrize(
    ("vehicle", "drive"),
    [("pukeko", "signal_loss"), ("pukeko", "switch_at_threshold"), ("takahe", "brake_tap"), ("takahe", "hovering")],
)
def test_a_lane_equals_a_single_run(vehicle: str, drive: str) -> None:
    truck, way = load_vehicle(vehicle), load_drive(drive)
    listening = Listening(Straight(OURS, STATION))
    result = simulate(truck, way, Rules(listening, "station"), flexible_jolt=False)
    outcome = run(OURS, [place(truck, way)], [Lane(0, STATION, events=events_of(way, OURS))], traced=1)
    single, lane = np.array(listening.seen), outcome.traces[0]
    assert np.array_equal(single, lane[:, : single.shape[1]])
    plant = lane[:, WIDTH + 8 :]
    for name, column in (("oil_c", 6), ("case_c", 7), ("coolant_c", 9)):
        assert np.max(np.abs(result.traces[name][: len(plant)] - plant[:, column])) < 1e-9
    assert np.max(np.abs(result.traces["engine_rpm"][: len(plant)] - plant[:, 0] * 9.549296585513721)) < 1e-9 * 10_000
    assert outcome.broken[0, kernel.BITS] == 0


@pytest.mark.parametrize(("strategy", "who"), [(Open(), kernel.BY_NOBODY), (AsBuilt(), kernel.BY_SCHEDULE)])
def test_a_lane_without_rules_equals_a_single_run(strategy: Open | AsBuilt, who: int) -> None:
    truck, way = load_vehicle("pukeko"), load_drive("hovering")
    result = simulate(truck, way, strategy, flexible_jolt=False)
    outcome = run(OURS, [place(truck, way)], [Lane(0, STATION, who, events_of(way, OURS))], traced=1)
    oil_c = outcome.traces[0][:, WIDTH + 8 + 6]
    assert np.max(np.abs(result.traces["oil_c"][: len(oil_c)] - oil_c)) < 1e-9


def test_lanes_are_independent_of_their_neighbours() -> None:
    truck = load_vehicle("pukeko")
    places = [place(truck, load_drive(name)) for name in ("brake_tap", "hovering")]
    lanes = [
        Lane(at % 2, STATION, events=events_of(places[at % 2].drive, OURS), noise=(at, at, at, 0, at), seed=at + 1)
        for at in range(6)
    ]
    together = run(OURS, places, lanes)
    for at, lane in enumerate(lanes):
        alone = run(OURS, places, [lane])
        assert np.array_equal(alone.counts[0], together.counts[at])
        assert np.array_equal(alone.rows[0], together.rows[at])


def test_noise_stays_within_its_size() -> None:
    truck = load_vehicle("pukeko")
    where = [place(truck, load_drive("hovering"))]
    quiet, loud = (
        run(OURS, where, [Lane(0, STATION, kernel.BY_NOBODY, noise=noise, seed=7)], traced=1).traces[0]
        for noise in ((0, 0, 0, 0, 0), (20, 15, 10, 3, 5))
    )
    for name, most in zip(NOISY, (20, 15, 10, 3, 5), strict=True):
        at = [signal.name for signal in OURS.signals].index(name)
        error = loud[:, at] - quiet[:, at]
        assert error.min() >= -most
        assert error.max() <= most
        assert len(np.unique(error)) > most


def test_lanes_equal_the_reference_chart() -> None:
    truck, way = load_vehicle("pukeko"), load_drive("brake_tap")
    trace = run(OURS, [place(truck, way)], [Lane(0, STATION, events=events_of(way, OURS))], traced=1).traces[0]
    names = [signal.name for signal in OURS.signals]
    flags = {signal.name for signal in OURS.signals if signal.is_flag}
    again = Reference(OURS, STATION)
    for row in trace[:4_000].astype(int).tolist():
        x = {name: bool(value) if name in flags else value for name, value in zip(names, row[:WIDTH], strict=True)}
        assert [int(one) for one in again.tick(x)] == row[WIDTH : WIDTH + 6]
