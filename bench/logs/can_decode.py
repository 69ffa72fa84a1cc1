"""Frames to readings: signals of a DBC, by identifier or by parameter group, and polled OBD-II values.

Decoding goes by whole blocks: all frames of an identifier at once.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from bench.logs.can_frames import EXTENDED, Frames
from bench.logs.source import Array

if TYPE_CHECKING:
    from cantools.database.can import Database, Message
    from cantools.database.can.signal import Signal

PROPRIETARY_B = 0xFF

Bytes = np.ndarray[tuple[int, ...], np.dtype[np.uint8]]


class Decoded(NamedTuple):
    """Readings of one channel (`MESSAGE.SIGNAL`) from one identifier; `absent` counts "not available"."""

    channel: str
    unit: str
    ident: int
    time_s: Array
    value: Array
    absent: int


def group_of(ident: int) -> int:
    """Return the SAE J1939 parameter group of a 29-bit identifier; the address is no part of it."""
    group = (ident >> 8) & 0x3FFFF
    return group & 0x3FF00 if (group >> 8) & 0xFF < 240 else group


class Decoder:
    """Decodes blocks of frames. `by_group` takes every sender of a parameter group, as SAE J1939 has it."""

    def __init__(self, database: Database | None, by_group: bool) -> None:
        self._by_group = by_group
        self._messages: dict[int, Message] = {}
        for message in database.messages if database else ():
            # What a proprietary group means depends on who sends it.
            if by_group and message.is_extended_frame and (group_of(message.frame_id) >> 8) & 0xFF != PROPRIETARY_B:
                self._messages[group_of(message.frame_id)] = message
            else:
                self._messages[message.frame_id | (EXTENDED if message.is_extended_frame else 0)] = message

    def message_of(self, ident: int) -> Message | None:
        """Return the message that an identifier carries, or None."""
        exact = self._messages.get(ident)
        if exact is None and self._by_group and ident & EXTENDED:
            return self._messages.get(group_of(ident & ~EXTENDED))
        return exact

    def decode(self, frames: Frames, wanted: set[str] | None = None) -> Iterator[Decoded]:
        """Yield every channel of a block, or the wanted ones."""
        for ident in np.unique(frames.ident).tolist():
            at = frames.ident == ident
            if is_obd_response(ident):
                yield from _obd(ident, frames.time_s[at], frames.data[at], wanted)
            message = self.message_of(ident)
            if message is None:
                continue
            long_enough = at & (frames.length >= min(message.length, 8))
            yield from _signals(message, ident, frames.time_s[long_enough], frames.data[long_enough], wanted)


def _signals(message: Message, ident: int, time_s: Array, data: Bytes, wanted: set[str] | None) -> Iterator[Decoded]:
    if not time_s.size:
        return
    for signal in message.signals:
        channel = f"{message.name}.{signal.name}"
        if (wanted is not None and channel not in wanted) or signal.is_float or signal.length > 32:
            continue
        raw = _raw(signal, data)
        keep = np.ones(len(raw), dtype=bool)
        if signal.multiplexer_ids and signal.multiplexer_signal:
            selector = message.get_signal_by_name(signal.multiplexer_signal)
            keep = np.isin(_raw(selector, data), list(signal.multiplexer_ids))
        value = raw[keep] * float(signal.scale) + float(signal.offset)
        is_there = _in_declared_range(signal, value)
        yield Decoded(channel, signal.unit or "", ident, time_s[keep][is_there], value[is_there],
                      int((~is_there).sum()))  # fmt: skip


def _in_declared_range(signal: Signal, value: Array) -> np.ndarray[tuple[int, ...], np.dtype[np.bool_]]:
    """Tell which values lie in the range that the DBC declares; SAE J1939 puts "not available" beyond it."""
    low, high = signal.minimum, signal.maximum
    if low is None or high is None or high <= low:
        return np.ones(len(value), dtype=bool)
    edge = 1e-6 * (abs(float(high)) + 1.0)
    return (value >= float(low) - edge) & (value <= float(high) + edge)


def _raw(signal: Signal, data: Bytes) -> Array:
    length = int(signal.length)
    if signal.byte_order == "little_endian":
        words = data.copy().view("<u8").reshape(-1)
        shift = int(signal.start)
    else:
        words = data.copy().view(">u8").reshape(-1).astype(np.uint64)
        # A DBC counts a big-endian signal from its highest bit: byte, then bit 7 down to 0.
        first = 8 * (int(signal.start) // 8) + (7 - int(signal.start) % 8)
        shift = 64 - first - length
    cut = (words >> np.uint64(shift)) & np.uint64((1 << length) - 1)
    number = cut.astype(np.float64)
    if signal.is_signed:
        number = np.where(number >= 2.0 ** (length - 1), number - 2.0**length, number)
    return number


# OBD-II polled values: mode 01 of SAE J1979, answers in single frames of ISO 15765-4 -------------------------

_OBD: dict[int, tuple[str, str, Callable[[Bytes], Array]]] = {
    0x05: ("CoolantTemperature", "°C", lambda d: d[:, 3].astype(np.float64) - 40.0),
    0x0C: ("EngineSpeed", "rpm", lambda d: (d[:, 3] * 256.0 + d[:, 4]) / 4.0),
    0x0D: ("VehicleSpeed", "km/h", lambda d: d[:, 3].astype(np.float64)),
    0x11: ("ThrottlePosition", "%", lambda d: d[:, 3] / 2.55),
    0x46: ("AmbientTemperature", "°C", lambda d: d[:, 3].astype(np.float64) - 40.0),
    0x49: ("AcceleratorPedalPosition", "%", lambda d: d[:, 3] / 2.55),
}


def is_obd_response(ident: int) -> bool:
    """Tell whether an identifier answers OBD-II requests: 7E8 to 7EF, or 29 bits to the tester F1."""
    if ident & EXTENDED:
        return (ident & ~EXTENDED & 0x1FFFFF00) == 0x18DAF100
    return 0x7E8 <= ident <= 0x7EF


def _obd(ident: int, time_s: Array, data: Bytes, wanted: set[str] | None) -> Iterator[Decoded]:
    for parameter, (name, unit, value_of) in _OBD.items():
        channel = f"OBD.{name}"
        if wanted is not None and channel not in wanted:
            continue
        # A single frame: its length, service 01 + 40 hex, the parameter.
        at = (data[:, 0] >= 3) & (data[:, 0] <= 7) & (data[:, 1] == 0x41) & (data[:, 2] == parameter)
        if at.any():
            yield Decoded(channel, unit, ident, time_s[at], value_of(data[at]), 0)
