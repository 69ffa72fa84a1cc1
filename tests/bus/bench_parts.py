"""What the bus tests share: a bench in this process, and the demonstration calibration."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from itertools import count
from typing import Any, NamedTuple

from bus.binding import Binding, load_binding
from bus.clock import LockStep
from bus.faults import FaultyPost, foreign_idents
from bus.line import Line
from bus.nodes import ControllerNode, SameProcess, VehicleNode, sends
from bus.open_bus import open_bus
from bus.scheduler import Scheduler
from controller.calibration import load_calibration
from controller.our_rules import OURS
from controller.straight import Straight

CALIBRATION = load_calibration("station", OURS).values
_NUMBERS = count()


def ours() -> Straight:
    return Straight(OURS, CALIBRATION)


class Parts(NamedTuple):
    binding: Binding
    vehicle: VehicleNode
    controller: ControllerNode
    post: FaultyPost
    link: SameProcess


@contextmanager
def bench_of(map_name: str, make: Callable[[], Any] = ours) -> Iterator[Parts]:
    binding = load_binding(map_name, OURS)
    url = f"virtual:test{next(_NUMBERS)}"
    lines = [
        Line(open_bus(url), sends(binding, "vehicle"), is_forged_at=True),
        Line(open_bus(url), sends(binding, "controller")),
        Line(open_bus(url), foreign_idents(binding), is_forged_at=True),
    ]
    post = FaultyPost(binding, lines[0], lines[2])
    vehicle = VehicleNode(binding, lines[0], Scheduler(LockStep()), post)
    controller = ControllerNode(binding, lines[1], make)
    try:
        yield Parts(binding, vehicle, controller, post, SameProcess(vehicle, controller))
    finally:
        for line in lines:
            line.close()
