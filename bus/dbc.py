"""Reading a DBC file with cantools, for the bench and for recordings; whatever is wrong with one is one line."""

from __future__ import annotations

from importlib.resources import files
from typing import TYPE_CHECKING

from controller.errors import UserError

if TYPE_CHECKING:
    from cantools.database.can import Database


EXAMPLES = ("powertrain", "j1939")
"""DBC files that come along, by name."""


def load_dbc(path: str) -> Database:
    """Return the database of a DBC file, or of an example by name.

    Raises `UserError`: package missing, unreadable, not a DBC, or without messages. Overlapping signals are let pass
    here, as vehicles' own files have them; a map may not bind two of them.
    """
    try:
        from cantools.database import load_string
    except ImportError:
        raise UserError("reading CAN frames needs cantools; install it with: pip install 'tccbench[bus]'") from None
    if path in EXAMPLES:
        text = files("dbc_examples").joinpath(f"{path}.dbc").read_text(encoding="cp1252")
    else:
        text = _text(path)
    if not text.strip():
        raise UserError(f"{path}: this DBC file is empty; it must begin with VERSION, BU_ and BO_ lines")
    try:
        database = load_string(text, database_format="dbc", strict=False)
    except Exception as error:  # the parser raises errors of many kinds; the file is at fault in all of them
        first = str(error).splitlines()[0] if str(error) else type(error).__name__
        raise UserError(f"{path}: not a DBC file that can be read: {first.removeprefix('DBC: ').strip()}") from None
    if not getattr(database, "messages", None):
        raise UserError(f"{path}: this DBC file declares no message (BO_ line); nothing can be read with it")
    return database  # type: ignore[return-value]  # the format given makes it a CAN database


def _text(path: str) -> str:
    try:
        # DBC files are written in the Windows code page; bytes it does not have can only be in comments.
        with open(path, encoding="cp1252", errors="replace") as file:
            return file.read()
    except OSError as error:
        raise UserError(f"{path}: cannot read this DBC file: {error.strerror or error}") from None
