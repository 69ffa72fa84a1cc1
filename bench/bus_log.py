"""Opening candump logs for writing, before the work; and what of a log a map does not have."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import TYPE_CHECKING

from controller.errors import UserError

if TYPE_CHECKING:
    from bus.candump import LogWriter, WholeLines

MOST_NAMED = 8


def foreign_text(frames_by_ident: Mapping[int, int]) -> str:
    """Return which identifiers a map does not have, and how many frames each sent."""
    from bus.frame import ident_text

    if not frames_by_ident:
        return "every identifier is in the map"
    ordered = sorted(frames_by_ident.items())
    named = ", ".join(f"{ident_text(ident)} ({count} frames)" for ident, count in ordered[:MOST_NAMED])
    more = f" and {len(ordered) - MOST_NAMED} more" if len(ordered) > MOST_NAMED else ""
    return f"not in the map: {named}{more}"


@contextmanager
def log_file(path: str | None) -> Iterator[LogWriter | None]:
    """Open a log for writing, or none for None. What has passed is in it even when the run is stopped."""
    from bus.candump import LogWriter

    if path is None:
        yield None
        return
    try:
        file = open(path, "w", encoding="ascii", newline="\n")  # noqa: SIM115 - closed below
    except OSError as error:
        raise UserError(f"--log {path}: {(error.strerror or 'cannot be written').lower()}; give another file") from None
    with file:
        yield LogWriter(file)


@contextmanager
def whole_lines(path: str, append: bool, overwrite: bool) -> Iterator[tuple[WholeLines, int | None, str]]:
    """Open a log that survives a kill; yield it, the last stamp in µs of what it goes on with, and a note or nothing.

    Raises `UserError` where the file exists and neither is asked for, or is no log to go on with.
    """
    import os
    from pathlib import Path

    from bus.candump import WholeLines, tail_of

    if append and overwrite:
        raise UserError("--append and --overwrite exclude each other; give one")
    tail, note = None, ""
    try:
        if append and Path(path).exists():
            tail = tail_of(path)
            if tail is not None and tail.cut_bytes:
                os.truncate(path, Path(path).stat().st_size - tail.cut_bytes)
                note = f"note: {path} ended in the middle of a line, which is taken away"
        elif overwrite:
            Path(path).unlink(missing_ok=True)
        log = WholeLines(path, is_new=not append)
    except FileExistsError:
        raise UserError(f"--out {path}: exists already; give another name, --append to go on with it, or --overwrite"
                        ) from None  # fmt: skip
    except OSError as error:
        raise UserError(f"--out {path}: {(error.strerror or 'cannot be written').lower()}; give another file") from None
    try:
        yield log, None if tail is None else tail.last_us, note
    finally:
        log.close()
