"""What the bus tests share: a bench in this process, and the demonstration calibration."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from itertools import count
from pathlib import Path
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

ROOT = Path(__file__).parents[2]
MAIN = (sys.executable, "-c", "from bench.main import main; main()")
SHORT = """title = "Short"
about = "Up to the low band's hold and on."
ambient_c = 20.0
oil_c = 70.0
coolant_c = 85.0
[[point]]
at_s = 0.0
speed_kmh = 0.0
surface = "track"
[[point]]
at_s = 12.0
speed_kmh = 45.0
[[point]]
at_s = 40.0
speed_kmh = 45.0
[[event]]
at_s = 1.0
band = "low"
"""
"""A drive of 40 s that holds in the low band from 12 s on."""

CALIBRATION = load_calibration("station", OURS).values
_NUMBERS = count()


def start(*arguments: str) -> subprocess.Popen[str]:
    """Start a command as a process of its own."""
    return subprocess.Popen([*MAIN, *arguments], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
                            env=os.environ | {"PYTHONPATH": str(ROOT)})  # fmt: skip


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
