"""Shell scripts that stand for a compiler or a checker."""

from __future__ import annotations

from pathlib import Path


def program(folder: Path, name: str, does: str = "echo $*") -> Path:
    """Write a program of that name into a folder and return it."""
    path = folder / name
    path.write_text(f"#!/bin/sh\n{does}\n")
    path.chmod(0o755)
    return path
