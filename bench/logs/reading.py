"""Reading a recording: find out its kind, propose or take a map, collect its readings, check them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from bench.logs.checks import check_readings
from bench.logs.collect import Collector, Readings
from bench.logs.map_file import LogMap, load_map
from bench.logs.propose import propose
from bench.logs.source import Notes
from controller.errors import UserError

if TYPE_CHECKING:
    from bench.logs.findings import LogFinding
    from bench.logs.source import Source

MDF_MARK = b"MDF     "
HEAD_BYTES = 16_384


@dataclass(frozen=True)
class Log:
    """A recording read: readings by quantity, and what was found on the way.

    Times count from its first reading; only what the map's `late_s` puts back may lie before that, or after its end.
    """

    path: str
    map: LogMap
    readings: dict[str, Readings]
    findings: list[LogFinding]
    start_s: float
    duration_s: float
    rows: int
    thin_s: float

    @property
    def speed_is_grounds(self) -> bool:
        """Tell whether the road speed is the ground's: our own traces.csv holds that, not what the wheels turn."""
        one = self.map.signal.get("road_speed_kmh")
        return self.map.run is not None and one is not None and one.channel == "speed_kmh"

    def has(self, *names: str) -> bool:
        """Tell whether all of these quantities were recorded."""
        return all(name in self.readings for name in names)


def open_source(path: str, dbc: str | None = None) -> Source:
    """Return a recording by what its first bytes show. Raises `UserError` for anything that is none."""
    from bench.logs.can_frames import LIBRARY_ENDINGS, candump_frames, library_frames, looks_like_candump, without_time
    from bench.logs.can_source import CanSource
    from bench.logs.csv_source import CsvSource
    from bench.logs.mdf_source import MdfSource, holds_frames, mdf_frames, open_mdf

    try:
        with open(path, "rb") as file:
            head = file.read(HEAD_BYTES)
    except OSError as error:
        raise UserError(f"{path}: cannot read this recording: {error.strerror or error}") from None
    if head.startswith((MDF_MARK, b"UnFinMF ")) or path.lower().endswith((".mf4", ".mdf")):
        mdf = open_mdf(path)
        has_frames = holds_frames(mdf)
        mdf.close()
        return CanSource(path, mdf_frames, dbc) if has_frames else MdfSource(path)
    if path.lower().endswith(LIBRARY_ENDINGS):
        return CanSource(path, library_frames, dbc)
    text = head.decode("utf-8", errors="replace")
    if looks_like_candump(text):
        return CanSource(path, candump_frames, dbc)
    if without_time(text):
        raise UserError(f"{path}: CAN frames without a time; record with candump -L, or candump -t z")
    if dbc:
        raise UserError(f"{path}: --dbc is given, but this is no recording of CAN frames; leave it out")
    return CsvSource(path)


def proposed_map(path: str, dbc: str | None = None) -> LogMap:
    """Return the map that a recording seems to need."""
    return propose(open_source(path, dbc), Path(path).name)


def read_log(
    path: str,
    map_path: str | None = None,
    dbc: str | None = None,
    progress: Callable[[float], None] = lambda _share: None,
    given: LogMap | None = None,
) -> Log:
    """Read a recording with a map (a file, or `given`), or with the one that it seems to need.

    Raises `UserError` with one line where nothing can be read from it.
    """
    log_map = given if given is not None else load_map(map_path) if map_path else None
    source = open_source(path, dbc or (log_map.dbc if log_map else None))
    if log_map is None:
        log_map = propose(source, Path(path).name)
    elif log_map.kind != source.kind:
        raise UserError(f"{map_path or path}: the map is for kind = {log_map.kind!r}, but the recording is "
                        f"{source.kind!r}; tccbench log map {path} proposes one")  # fmt: skip
    notes, collector = Notes(), Collector(log_map)
    for chunk in source.read(log_map, notes, progress):
        collector.add(chunk)
    readings, left_out, thin_s = collector.finish()
    if not readings:
        why = "; ".join(one.text for one in (*notes.findings, *left_out))
        raise UserError(f"{path}: no sound reading of any mapped quantity{': ' + why if why else ''}")
    # Times count from the recording's own first reading: what is put back by `late_s` moves nothing else.
    start_s = min(float(one.time_s[0]) for one in readings.values())
    end_s = max(float(one.time_s[-1]) for one in readings.values())
    shifted = {name: replace(one, time_s=one.time_s - start_s - log_map.signal[name].late_s)
               for name, one in readings.items()}  # fmt: skip
    findings = [*notes.findings, *left_out, *check_readings(shifted, log_map, end_s - start_s)]
    return Log(path, log_map, shifted, findings, start_s, end_s - start_s, notes.rows, thin_s)
