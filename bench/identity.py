"""What was run, told exactly: rules, calibration, map and tools by version and checksum."""

from __future__ import annotations

import hashlib
import platform
import shutil
import subprocess
import zlib
from collections.abc import Sequence
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from controller.ruleset import RuleSet


def rules_text(rules: RuleSet) -> str:
    """Return name, version and layout signature of a rule set."""
    from controller.port.signature import layout_signature

    return f"{rules.name}, version {rules.version}, signature {layout_signature(rules):08X}"


def image_checksum(image: bytes) -> str:
    """Return the CRC-32 that a calibration image carries, as the port's README prints it."""
    return f"{zlib.crc32(image[:-4]):08X}"


def file_checksum(path: str) -> str:
    """Return a file's SHA-256."""
    return hashlib.sha256(Path(path).read_bytes()).hexdigest()


def tool_versions(names: Sequence[str]) -> list[tuple[str, str]]:
    """Return the version of each tool: a Python package by its name, or one of python, C compiler and QEMU."""
    return [(name, _version(name)) for name in names]


def _version(name: str) -> str:
    if name == "python":
        return platform.python_version()
    if name == "C compiler":
        from controller.port.toolchain import host_compiler

        return _first_line([*host_compiler(), "--version"])
    if name == "QEMU":
        from controller.port.qemu import PROGRAM

        return _first_line([shutil.which(PROGRAM) or PROGRAM, "--version"])
    try:
        return version(name)
    except PackageNotFoundError:  # run from its folder, without being installed
        return "not installed"


def _first_line(command: list[str]) -> str:
    said = subprocess.run(command, capture_output=True, text=True, check=False)
    return next(iter((said.stdout or said.stderr).splitlines()), "no version told")
