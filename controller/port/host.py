"""The port as a library of this machine: a controller like the others, and runs of ticks on arrays."""

from __future__ import annotations

import ctypes
from collections.abc import Mapping
from operator import itemgetter
from pathlib import Path
from typing import Any

import numpy as np

from controller.errors import UserError
from controller.port.stimulus import Ticks
from controller.port.toolchain import build_shared
from controller.ruleset import COMMAND_FIELDS, RuleSet
from controller.step import Command, initial_memory

SOURCES = ("rules.c", "checks.c", "calibration_image.c", "device.c", "flat.c")


class HostLibrary:
    """`flat.c` of a written port, compiled and loaded."""

    def __init__(self, folder: Path, rules: RuleSet) -> None:
        self.rules = rules
        self.width = len(rules.memory) + len(COMMAND_FIELDS)
        library = build_shared(folder, SOURCES, "rules_host.so")
        self._library = ctypes.CDLL(str(library.resolve()))
        array = np.ctypeslib.ndpointer(dtype=np.int32, flags="C_CONTIGUOUS")
        self._library.flat_run.argtypes = [array, array, array, array, ctypes.c_uint32, ctypes.c_uint32]
        self._library.flat_run.restype = None

    def run(self, ticks: Ticks) -> Any:
        """Return memory and command after each tick, one row a tick."""
        rows = np.empty((len(ticks.inputs), self.width), dtype=np.int32)
        runs = len(ticks.starts)
        self._library.flat_run(ticks.calibration, ticks.starts, ticks.inputs, rows, runs, ticks.ticks)
        return rows


class HostController:
    """A controller whose rules run as compiled C; takes the place of `controller.step.Reference`."""

    def __init__(self, library: HostLibrary, calibration: Any) -> None:
        self.rules, self.calibration = library.rules, calibration
        self._library = library
        self._k = np.array([int(value) for value in calibration], dtype=np.int32)
        if len(self._k) != len(self.rules.keys):
            raise UserError(f"port: {len(self._k)} calibration values for {len(self.rules.keys)} keys")
        self.memory: tuple[int, ...] = tuple(map(int, initial_memory(self.rules)))
        self._in_order = itemgetter(*(signal.name for signal in self.rules.signals))

    def tick(self, inputs: Mapping[str, int]) -> Command:
        """Take one tick's inputs by signal name and return the command."""
        row = np.array([self._in_order(inputs)], dtype=np.int32)
        start = np.array([self.memory], dtype=np.int32)
        after = self._library.run(Ticks(self._k, start, row, 1))[0].tolist()
        self.memory = tuple(after[: len(self.rules.memory)])
        return Command._make(after[len(self.rules.memory) :])
