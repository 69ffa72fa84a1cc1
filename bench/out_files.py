"""Writing a command's files: all or nothing, and an error before the work where they cannot be written."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterable
from pathlib import Path

from controller.errors import UserError


def ready_folder(out_dir: str) -> Path:
    """Make the folder and prove that a file can be written to it. Raises `UserError` where it cannot."""
    folder = Path(out_dir)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.NamedTemporaryFile(dir=folder):
            pass
    except OSError as error:
        raise UserError(f"--out {out_dir}: {(error.strerror or 'cannot be written').lower()}; "
                        "give a folder that you may write to") from None  # fmt: skip
    return folder


def write_whole(path: Path, parts: Iterable[str]) -> None:
    """Write a text file under a temporary name and put it in place once it is complete."""
    temporary: str | None = None
    try:
        handle, temporary = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
        with open(handle, "w", encoding="utf-8", errors="replace", newline="\n") as file:
            file.writelines(parts)
        Path(temporary).chmod(0o644)  # a temporary file is private; these are made to be passed on
        os.replace(temporary, path)
    except BaseException as error:
        if temporary is not None:
            Path(temporary).unlink(missing_ok=True)
        if isinstance(error, OSError):
            raise UserError(f"{path}: {(error.strerror or 'cannot be written').lower()}; "
                            "make room or give another folder") from None  # fmt: skip
        raise
