"""The port on real Cortex-M code in this process: zig compiles it, unicorn runs it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from operator import itemgetter
from pathlib import Path
from typing import Any

import numpy as np

from controller.port.elf import Elf
from controller.port.longest import instructions
from controller.port.stimulus import Ticks
from controller.port.toolchain import Core, build_core
from controller.ruleset import COMMAND_FIELDS, RuleSet
from controller.step import Command, initial_memory

_SOURCES = ("rules.c", "flat.c")
_FLASH, _FLASH_BYTES = 0x0000_0000, 0x0010_0000
_RAM, _RAM_BYTES = 0x2000_0000, 0x0200_0000
_STACK_BYTES = 0x1000
_STACK_BOTTOM, _STACK_TOP = _RAM, _RAM + _STACK_BYTES
_DATA = _STACK_TOP
_PAINT = 0xA5


@dataclass(frozen=True)
class TickCost:
    """Instructions of `rules_tick` and all it calls, one entry a tick, and the deepest stack in bytes.

    An instruction whose condition fails counts too: the core has fetched it and passes over it.
    """

    instructions: Any
    stack_bytes: int


class CoreMachine:
    """The rules on an emulated core.

    Raises `UserError` where the compiler is missing or fails.
    """

    def __init__(self, folder: Path, rules: RuleSet, core: Core) -> None:
        import unicorn
        from unicorn import arm_const

        self.rules, self.core = rules, core
        self.width = len(rules.memory) + len(COMMAND_FIELDS)
        linked = ["-g", "-T", "core.ld"]
        self.elf = Elf(build_core(folder, core, _SOURCES, f"rules_{core.name}.elf", linked))
        # Only the model named here: the mode for microcontrollers forces another core.
        self._machine = unicorn.Uc(unicorn.UC_ARCH_ARM, unicorn.UC_MODE_THUMB)
        models = {
            "m4": arm_const.UC_CPU_ARM_CORTEX_M4,
            "m3": arm_const.UC_CPU_ARM_CORTEX_M3,
            "m0": arm_const.UC_CPU_ARM_CORTEX_M0,
        }
        self._machine.ctl_set_cpu_model(models[core.name])
        self._machine.mem_map(_FLASH, _FLASH_BYTES, unicorn.UC_PROT_READ | unicorn.UC_PROT_EXEC)
        self._machine.mem_map(_RAM, _RAM_BYTES, unicorn.UC_PROT_READ | unicorn.UC_PROT_WRITE)
        for address, content, _ in self.elf.segments():
            self._machine.mem_write(address, content)
        # A loop to itself stands where the run returns to.
        self._stop = _FLASH + 0x40
        self._machine.mem_write(self._stop, b"\xfe\xe7")
        self._registers = arm_const
        self._unicorn = unicorn

    def run(self, ticks: Ticks) -> Any:
        """Return memory and command after each tick, one row a tick."""
        arrays = [ticks.calibration, ticks.starts, ticks.inputs]
        address, places = _DATA, []
        for array in arrays:
            raw = np.ascontiguousarray(array, dtype="<i4").tobytes()
            self._machine.mem_write(address, raw)
            places.append(address)
            address += len(raw)
        size = 4 * len(ticks.inputs) * self.width
        if address + size > _RAM + _RAM_BYTES:
            raise ValueError(f"{len(ticks.inputs)} ticks do not fit the emulated memory")
        self._call("flat_run", [*places, address], [len(ticks.starts), ticks.ticks])
        rows = np.frombuffer(bytes(self._machine.mem_read(address, size)), dtype="<i4")
        return rows.reshape(len(ticks.inputs), self.width).astype(np.int32)

    def cost(self, ticks: Ticks) -> TickCost:
        """Count the instructions of each tick, and the stack that the deepest of them needs."""
        start, _, _ = self.elf.symbols["rules_tick"]
        entry = start & ~1
        counts: list[int] = []
        sizes: dict[tuple[int, int], int] = {}
        back = sp = deepest = 0

        def count(machine: Any, address: int, size: int, _data: Any) -> None:
            nonlocal back, sp, deepest
            if address == entry:
                counts.append(0)
                back = machine.reg_read(self._registers.UC_ARM_REG_LR) & ~1
                sp = machine.reg_read(self._registers.UC_ARM_REG_SP)
                machine.mem_write(_STACK_BOTTOM, bytes([_PAINT]) * (sp - _STACK_BOTTOM))
            elif address == back:
                below = bytes(machine.mem_read(_STACK_BOTTOM, sp - _STACK_BOTTOM))
                deepest = max(deepest, len(below.lstrip(bytes([_PAINT]))))
                back = 0
            if back:
                if (address, size) not in sizes:
                    sizes[address, size] = instructions(bytes(machine.mem_read(address, size)))
                counts[-1] += sizes[address, size]

        # A block runs from its first instruction to its last: a call back each is a fifth of one each instruction.
        hook = self._machine.hook_add(self._unicorn.UC_HOOK_BLOCK, count)
        # Code that has run before was translated without the hook.
        self._machine.ctl_flush_tb()
        self.run(ticks)
        self._machine.hook_del(hook)
        self._machine.ctl_flush_tb()
        return TickCost(np.array(counts), deepest)

    def _call(self, name: str, arguments: list[int], on_stack: list[int]) -> None:
        names = self._registers
        sp = _STACK_TOP - 4 * len(on_stack)
        self._machine.mem_write(sp, b"".join(one.to_bytes(4, "little") for one in on_stack))
        self._machine.reg_write(names.UC_ARM_REG_SP, sp)
        self._machine.reg_write(names.UC_ARM_REG_LR, self._stop | 1)
        for at, argument in enumerate(arguments):
            self._machine.reg_write(names.UC_ARM_REG_R0 + at, argument)
        self._machine.emu_start(self.elf.symbols[name][0] | 1, self._stop)


class CoreController:
    """A controller whose rules run on the emulated core; takes the place of `controller.step.Reference`."""

    def __init__(self, machine: CoreMachine, calibration: Any) -> None:
        self.rules, self.calibration = machine.rules, calibration
        self._machine = machine
        self._k = np.array([int(value) for value in calibration], dtype=np.int32)
        self.memory: tuple[int, ...] = tuple(map(int, initial_memory(self.rules)))
        self._in_order = itemgetter(*(signal.name for signal in self.rules.signals))

    def tick(self, inputs: Mapping[str, int]) -> Command:
        """Take one tick's inputs by signal name and return the command."""
        row = np.array([self._in_order(inputs)], dtype=np.int32)
        start = np.array([self.memory], dtype=np.int32)
        after = self._machine.run(Ticks(self._k, start, row, 1))[0].tolist()
        self.memory = tuple(after[: len(self.rules.memory)])
        return Command._make(after[len(self.rules.memory) :])
