"""Reading a DBC file with cantools for a recording; whatever is wrong with one is one line."""

from __future__ import annotations

from typing import TYPE_CHECKING

from controller.errors import UserError

if TYPE_CHECKING:
    from cantools.database.can import Database

EXAMPLES = ("j1939",)
"""DBC files that come along, by name."""


def load_dbc(name_or_path: str) -> Database:
    """Return the database of a DBC file, or of an example by name. Raises `UserError` with one line.

    Overlapping signals are let pass: a recording is only read, and vehicles' own files have them.
    """
    from importlib.resources import files

    try:
        from cantools.database import load_string
    except ImportError:
        raise UserError("reading CAN frames needs the extra packages: pip install 'tccbench[logs]'") from None
    if name_or_path in EXAMPLES:
        text = files("dbc_examples").joinpath(f"{name_or_path}.dbc").read_text(encoding="cp1252")
    else:
        try:
            # DBC files are written in the Windows code page; bytes it does not have can only be in comments.
            with open(name_or_path, encoding="cp1252", errors="replace") as file:
                text = file.read()
        except OSError as error:
            raise UserError(f"{name_or_path}: cannot read this DBC file: {error.strerror or error}") from None
    if not text.strip():
        raise UserError(f"{name_or_path}: this DBC file is empty; it must begin with VERSION, BU_ and BO_ lines")
    try:
        database = load_string(text, database_format="dbc", strict=False)
    except Exception as error:  # the parser raises errors of many kinds; the file is at fault in all of them
        first = str(error).splitlines()[0] if str(error) else type(error).__name__
        raise UserError(f"{name_or_path}: not a DBC file that can be read: "
                        f"{first.removeprefix('DBC: ').strip()}") from None  # fmt: skip
    if not getattr(database, "messages", None):
        raise UserError(f"{name_or_path}: this DBC file declares no message (BO_ line); nothing can be read with it")
    return database  # type: ignore[return-value]  # the format given makes it a CAN database
