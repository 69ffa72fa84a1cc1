"""Firmware on an emulated Cortex-M core in this process, by unicorn; bytes and time pass through its mailbox."""

from __future__ import annotations

from pathlib import Path
from struct import Struct
from typing import Any

from bus.errors import BusError
from controller.port.elf import Elf

_FLASH, _FLASH_BYTES = 0x0000_0000, 0x0004_0000
_RAM, _RAM_BYTES = 0x2000_0000, 0x0001_0000
_MAILBOX = Struct("<IIII")
_IN_BYTES = 2048
"""Of mailbox.h."""
_MOST_INSTRUCTIONS = 50_000_000


class EmulatedCore:
    """A core that has been reset and runs until it rests. `core` is one of `controller.port.toolchain.CORES`."""

    def __init__(self, firmware: Path, core: str) -> None:
        import unicorn
        from unicorn import arm_const

        elf = Elf(firmware)
        # Only the model named here: the mode for microcontrollers forces another core.
        self._machine: Any = unicorn.Uc(unicorn.UC_ARCH_ARM, unicorn.UC_MODE_THUMB)
        self._machine.ctl_set_cpu_model({
            "m4": arm_const.UC_CPU_ARM_CORTEX_M4, "m3": arm_const.UC_CPU_ARM_CORTEX_M3,
            "m0": arm_const.UC_CPU_ARM_CORTEX_M0,
        }[core])  # fmt: skip
        self._machine.mem_map(_FLASH, _FLASH_BYTES, unicorn.UC_PROT_READ | unicorn.UC_PROT_EXEC)
        self._machine.mem_map(_RAM, _RAM_BYTES, unicorn.UC_PROT_READ | unicorn.UC_PROT_WRITE)
        for address, content, _ in elf.segments():
            self._machine.mem_write(address, content)
        self._error = unicorn.UcError
        self._pc, self._lr = arm_const.UC_ARM_REG_PC, arm_const.UC_ARM_REG_LR
        self._in, self._out, self._mailbox = (elf.symbols[name][0] for name in ("mailbox_in", "mailbox_out", "mailbox"))
        self._rest = elf.symbols["board_rest"][0] & ~1
        stack, reset = Struct("<II").unpack(bytes(self._machine.mem_read(_FLASH, 8)))
        self._machine.reg_write(arm_const.UC_ARM_REG_SP, stack)
        self._go(reset)

    def run(self, received: bytes, now_ms: int) -> bytes:
        """Give the core bytes and the time, let it run until it rests again, and return what it wrote.

        Raises `BusError` where it faults or does not come to rest.
        """
        written = b""
        for at in range(0, max(1, len(received)), _IN_BYTES):
            part = received[at : at + _IN_BYTES]
            self._machine.mem_write(self._in, part)
            self._machine.mem_write(self._mailbox, _MAILBOX.pack(now_ms & 0xFFFF_FFFF, 0, len(part), 0))
            # It rests at the entry of board_rest, which holds nothing: it goes on where that returns to.
            self._go(self._machine.reg_read(self._lr))
            _, _, _, count = _MAILBOX.unpack(bytes(self._machine.mem_read(self._mailbox, _MAILBOX.size)))
            if count:
                written += bytes(self._machine.mem_read(self._out, count))
        return written

    def read(self, address: int, size: int) -> bytes:
        """Return a piece of its memory."""
        return bytes(self._machine.mem_read(address, size))

    def _go(self, start: int) -> None:
        try:
            self._machine.emu_start(start | 1, self._rest, count=_MOST_INSTRUCTIONS)
        except self._error as error:
            raise BusError(f"the emulated core has faulted: {error}") from None
        if self._machine.reg_read(self._pc) & ~1 != self._rest:
            raise BusError("the emulated core does not come to rest")
