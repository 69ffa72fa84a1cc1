"""Opening a candump log for writing, before the work."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from controller.errors import UserError

if TYPE_CHECKING:
    from bus.candump import LogWriter


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
