"""ASAM MDF 4 recordings, read with asammdf: physical channels by name, or CAN frames logged as they came."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import numpy as np

from bench.logs.can_frames import EXTENDED, Frames
from bench.logs.map_file import LogMap
from bench.logs.source import Channel, Chunk, Notes, Progress
from controller.errors import UserError

SAMPLE = 2000


def open_mdf(path: str) -> Any:
    """Return an open MDF file. Raises `UserError` where it is none, or damaged."""
    import logging

    try:
        from asammdf import MDF
    except ImportError:
        raise UserError(f"{path}: an MDF recording needs the extra packages: pip install 'tccbench[logs]'") from None
    logging.getLogger("asammdf").setLevel(logging.CRITICAL)  # what is wrong is said by us, in one line
    try:
        return MDF(path)
    except Exception as error:  # a damaged file raises whatever the place of the damage leads to
        first = str(error).splitlines()[0] if str(error) else type(error).__name__
        _drop_quietly(error)
        raise UserError(f"{path}: not an MDF 4 recording that can be read, or cut short: {first}") from None


@contextmanager
def opened(path: str) -> Iterator[Any]:
    """Give an open MDF file and close it; whatever its reading raises is one line about the file."""
    mdf = open_mdf(path)
    try:
        yield mdf
    except UserError:
        raise
    except Exception as error:  # see open_mdf
        raise UserError(f"{path}: this MDF recording is damaged: {error}") from None
    finally:
        mdf.close()


def _drop_quietly(error: BaseException) -> None:
    """Let go of the half-opened file that an error holds: asammdf's own clean-up fails on it, and would say so."""
    import gc
    import sys

    before = sys.unraisablehook
    sys.unraisablehook = lambda _told: None
    try:
        error.__traceback__ = None
        gc.collect()
    finally:
        sys.unraisablehook = before


def _is_frame_group(group: Any) -> bool:
    return any(channel.name == "CAN_DataFrame" for channel in group.channels)


def holds_frames(mdf: Any) -> bool:
    """Tell whether the file holds CAN frames rather than physical channels."""
    return any(_is_frame_group(group) and group.channel_group.cycles_nr for group in mdf.groups)


def mdf_frames(path: str, notes: Notes, progress: Progress) -> Iterator[Frames]:
    """Yield the CAN frames of the file, group by group merged in the order of time."""
    parts: list[Frames] = []
    with opened(path) as mdf:
        for at, group in enumerate(mdf.groups):
            if not _is_frame_group(group) or not group.channel_group.cycles_nr:
                continue
            if any(channel.name == "CAN_DataFrame.Dir" for channel in group.channels) and _is_own(mdf, at):
                continue
            parts.append(_group_frames(mdf, at, group))
            progress((at + 1) / len(mdf.groups))
    if not parts:
        return
    columns: list[Any] = [np.concatenate(column) for column in zip(*parts, strict=True)]
    order = np.argsort(columns[0], kind="stable")
    notes.rows += len(order)
    yield Frames(*(column[order] for column in columns))


def _is_own(mdf: Any, at: int) -> bool:
    """Tell whether a group holds frames that the logger sent itself, such as its requests."""
    sent = mdf.get("CAN_DataFrame.Dir", group=at, raw=True).samples
    return bool(len(sent)) and sent.dtype.kind in "ui" and bool(np.all(sent == 1))


def _group_frames(mdf: Any, at: int, group: Any) -> Frames:
    ident = mdf.get("CAN_DataFrame.ID", group=at, raw=True)
    names = {channel.name for channel in group.channels}
    wide = np.zeros(len(ident.samples), dtype=bool)
    if "CAN_DataFrame.IDE" in names:
        wide = mdf.get("CAN_DataFrame.IDE", group=at, raw=True).samples.astype(bool)
    raw = np.atleast_2d(mdf.get("CAN_DataFrame.DataBytes", group=at, raw=True).samples)
    length = mdf.get("CAN_DataFrame.DataLength", group=at, raw=True).samples.astype(np.int64)
    data = np.full((len(raw), 8), 0xFF, dtype=np.uint8)
    width = min(raw.shape[1], 8)
    data[:, :width] = raw[:, :width]
    numbers = ident.samples.astype(np.int64) & 0x1FFFFFFF
    # Some loggers set the mark of 29 bits on every frame; a number of 11 bits is none in practice.
    numbers |= np.where(wide & (numbers > 0x7FF), EXTENDED, 0)
    return Frames(ident.timestamps.astype(np.float64), numbers, np.minimum(length, 8), data)


class MdfSource:
    """An MDF recording of physical channels."""

    kind = "mdf"

    def __init__(self, path: str) -> None:
        self.path = path

    def channels(self) -> list[Channel]:
        """Return the channels with values of their beginning."""
        with opened(self.path) as mdf:
            found = []
            for at, group in enumerate(mdf.groups):
                for index, channel in enumerate(group.channels):
                    if group.channel_group.cycles_nr == 0 or index == mdf.masters_db.get(at):
                        continue
                    signal = mdf.get(group=at, index=index, record_count=SAMPLE)
                    if signal.samples.ndim == 1 and signal.samples.dtype.kind in "iufb":
                        found.append(Channel(channel.name, signal.unit or "", signal.samples.astype(np.float64)))
            return found

    def read(self, log_map: LogMap, notes: Notes, progress: Progress) -> Iterator[Chunk]:
        """Yield the mapped channels; see `Source`."""
        from controller.suggest import nearest

        with opened(self.path) as mdf:
            for number, (name, one) in enumerate(log_map.signal.items(), start=1):
                if one.channel not in mdf.channels_db:
                    known = sorted(mdf.channels_db)
                    raise UserError(f"{self.path}: channel {one.channel!r} of the map is not in it; "
                                    f"{nearest(one.channel, known)}")  # fmt: skip
                for at, index in mdf.channels_db[one.channel]:
                    signal = mdf.get(group=at, index=index)
                    if not len(signal.samples):
                        continue
                    value = signal.samples.astype(np.float64)
                    if signal.invalidation_bits is not None:
                        value = np.where(signal.invalidation_bits, np.nan, value)
                    notes.rows = max(notes.rows, len(value))
                    yield Chunk(name, "", signal.timestamps.astype(np.float64), value)
                    break
                progress(number / len(log_map.signal))
