"""Compilers of the port: the machine's C compiler or zig's for the host, zig's for Cortex-M; all by the same flags."""

from __future__ import annotations

import importlib.util
import shutil
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from controller.errors import UserError

WARNINGS = ("-std=c99", "-Wall", "-Wextra", "-Wconversion", "-Wsign-conversion", "-pedantic", "-Werror")

# zig adds its undefined-behaviour sanitizer by default, which calls a library the target has not. Small cores get
# functions that stay functions unless they say `inline`: the interlocks, inlined, run out of registers. clang's `-Oz`,
# which zig's driver takes for `-Os` unless it is passed on: smaller still, and the longest tick is shorter too.
CORE_FLAGS = (
    "-Os",
    "-Xclang",
    "-Oz",
    "-fno-sanitize=undefined",
    "-finline-hint-functions",
    "-ffunction-sections",
    "-fno-unwind-tables",
)


@dataclass(frozen=True)
class Core:
    """A Cortex-M core by its name here and in the compiler."""

    name: str
    cpu: str
    title: str


CORES = {
    "m4": Core("m4", "cortex_m4", "Cortex-M4"),
    "m3": Core("m3", "cortex_m3", "Cortex-M3"),
    "m0": Core("m0", "cortex_m0plus", "Cortex-M0+"),
}


def zig() -> list[str] | None:
    """Return the command of zig's C compiler, or None where it is not installed."""
    if importlib.util.find_spec("ziglang") is None:
        return None
    return [sys.executable, "-m", "ziglang", "cc"]


def host_compiler() -> list[str]:
    """Return the machine's C compiler, else zig's.

    Raises `UserError` where there is neither.
    """
    found = shutil.which("gcc") or shutil.which("cc")
    command = [found] if found else zig()
    if command is None:
        raise UserError("port: no C compiler: install gcc, or the extra: pip install 'tccbench[port]'")
    return command


def run_tool(command: Sequence[str], folder: Path) -> str:
    """Run a compiler in a folder and return what it said.

    Raises `UserError` with its first line where it fails.
    """
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)
    said = (done.stderr + done.stdout).strip()
    if done.returncode != 0:
        lines = [line for line in said.splitlines() if "error" in line] or said.splitlines() or ["no message"]
        raise UserError(f"port: {Path(command[0]).name} failed in {folder}: {lines[0]}")
    return said


def build_shared(folder: Path, sources: Sequence[str], output: str) -> Path:
    """Build a shared library for this machine and return its path."""
    run_tool([*host_compiler(), *WARNINGS, "-O2", "-fPIC", "-shared", "-o", output, *sources], folder)
    return folder / output


def build_program(folder: Path, sources: Sequence[str], output: str, flags: Sequence[str] = ("-O2",)) -> Path:
    """Build a program for this machine and return its path."""
    run_tool([*host_compiler(), *WARNINGS, *flags, "-o", output, *sources], folder)
    return folder / output


def build_core(folder: Path, core: Core, sources: Sequence[str], output: str, linked: Sequence[str] = ()) -> Path:
    """Build for a core: one object (`-c`) where `linked` is empty, else an ELF with these linker arguments.

    Raises `UserError` where zig is not installed or the sources do not build.
    """
    command = zig()
    if command is None:
        raise UserError("port: no compiler for Cortex-M; install the extra: pip install 'tccbench[port]'")
    target = ["-target", "thumb-freestanding-eabi", f"-mcpu={core.cpu}"]
    run_tool([*command, *target, *WARNINGS, *CORE_FLAGS, *(linked or ["-c"]), "-o", output, *sources], folder)
    return folder / output
