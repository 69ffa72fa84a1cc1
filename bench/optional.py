"""Extras: packages that only some commands need."""

from __future__ import annotations

from importlib.util import find_spec

from controller.errors import UserError


def needed(module: str, *, extra: str, what: str) -> None:
    """Raise `UserError` that says how to get a module which is not installed."""
    if find_spec(module) is None:
        raise UserError(f"{what} needs {module}; install it with: pip install 'tccbench[{extra}]'")
