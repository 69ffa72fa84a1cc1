"""A few lines of C, built for a core."""

from __future__ import annotations

from pathlib import Path

from controller.port.elf import Elf
from controller.port.toolchain import CORES, build_core

_LINKED = "SECTIONS { . = 0x100; .text : { KEEP(*(.text.flat_run)) *(.text .text.*) } }"


def built(folder: Path, core: str, text: str) -> Elf:
    """Return the image of a text whose first function is `flat_run`."""
    (folder / "one.c").write_text(text)
    (folder / "core.ld").write_text(_LINKED)
    return Elf(build_core(folder, CORES[core], ["one.c"], "one.elf", ["-g", "-T", "core.ld"]))
