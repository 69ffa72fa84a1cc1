"""CAN recordings as a source: frames from text, from python-can's formats or from MDF, decoded with a DBC."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator

import numpy as np

from bench.logs.can_decode import Decoder, group_of
from bench.logs.can_frames import EXTENDED, Frames
from bench.logs.findings import LogFinding, times
from bench.logs.map_file import LogMap
from bench.logs.source import Channel, Chunk, Notes, Progress
from bus.dbc import load_dbc
from controller.errors import UserError

FrameReader = Callable[[str, Notes, Progress], Iterator[Frames]]


class CanSource:
    """A CAN recording. Without a DBC the SAE J1939 subset that comes along is tried, and OBD-II answers are read."""

    kind = "can"

    def __init__(self, path: str, frames: FrameReader, dbc: str | None = None) -> None:
        self.path = path
        self._frames = frames
        self.dbc, self.identifiers = dbc, "exact"
        if dbc is None or dbc == "j1939":
            self.identifiers = "pgn"

    def channels(self) -> list[Channel]:
        """Return the channels that can be decoded, with their values."""
        decoder = self._decoder(self.dbc or "j1939", self.identifiers)
        found: dict[str, tuple[str, list[np.ndarray[tuple[int, ...], np.dtype[np.float64]]]]] = {}
        count, idents = 0, set()
        for frames in self._frames(self.path, Notes(), lambda _share: None):
            count += len(frames.time_s)
            idents.update(np.unique(frames.ident).tolist())
            for one in decoder.decode(frames):
                if one.value.size:
                    found.setdefault(one.channel, (one.unit, []))[1].append(one.value)
        if not count:
            raise UserError(f"{self.path}: no CAN frame in this recording; candump -L writes one a line")
        if not found:
            raise UserError(f"{self.path}: {times(count, 'frame')} of {times(len(idents), 'identifier')}, "
                            f"none of which {self._what()} can read; give the bus's own file with --dbc")  # fmt: skip
        # The parameter group's name is used only where one was met: OBD-II alone needs no DBC.
        if self.dbc is None and any(not name.startswith("OBD.") for name in found):
            self.dbc = "j1939"
        return [Channel(name, unit, np.concatenate(values)) for name, (unit, values) in found.items()]

    def _what(self) -> str:
        return f"the DBC {self.dbc}" if self.dbc else "the SAE J1939 subset that comes along, nor OBD-II,"

    def _decoder(self, dbc: str | None, identifiers: str) -> Decoder:
        return Decoder(load_dbc(dbc) if dbc else None, identifiers == "pgn")

    def read(self, log_map: LogMap, notes: Notes, progress: Progress) -> Iterator[Chunk]:
        """Yield the mapped signals block by block; see `Source`."""
        decoder = self._decoder(log_map.dbc, log_map.identifiers)
        by_channel: dict[str, list[str]] = defaultdict(list)
        for name, one in log_map.signal.items():
            by_channel[one.channel].append(name)
        absent: dict[tuple[str, int], int] = defaultdict(int)
        present: dict[tuple[str, int], int] = defaultdict(int)
        for frames in self._frames(self.path, notes, progress):
            for part in decoder.decode(frames, set(by_channel)):
                absent[part.channel, part.ident] += part.absent
                present[part.channel, part.ident] += len(part.value)
                for name in by_channel[part.channel]:
                    yield Chunk(name, _ident_text(part.ident), part.time_s, part.value)
        notes.findings += self._findings(by_channel, absent, present)

    def _findings(
        self,
        by_channel: dict[str, list[str]],
        absent: dict[tuple[str, int], int],
        present: dict[tuple[str, int], int],
    ) -> list[LogFinding]:
        found = []
        silent: dict[int, list[str]] = defaultdict(list)
        for channel, names in by_channel.items():
            idents = [ident for known, ident in present if known == channel]
            if not idents:
                found.append(LogFinding("missing", "note", f"{names[0]}: no frame carries {channel}"))
            for ident in idents:
                if absent[channel, ident] and not present[channel, ident]:
                    silent[ident].append(channel)
                elif absent[channel, ident]:
                    found.append(LogFinding(
                        "not_available", "note", f"{names[0]}: {times(absent[channel, ident], 'frame')} of "
                        f"{_ident_text(ident)} outside the declared range (not available); left out"))  # fmt: skip
        for ident, channels in silent.items():
            found.append(LogFinding("not_available", "note", f"sender {_ident_text(ident)} sends "
                                    f"{', '.join(channels)} only as not available; left out"))  # fmt: skip
        return found


def _ident_text(ident: int) -> str:
    if not ident & EXTENDED:
        return f"{ident:03X}"
    plain = ident & ~EXTENDED
    return f"{plain:08X} (group {group_of(plain)}, address {plain & 0xFF:02X})"
