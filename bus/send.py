"""From our signals to protected frames."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping

from bus.binding import BoundMessage, BoundSignal
from bus.frame import Frame
from bus.known import age_name


class Sender:
    """Writes one role's messages and keeps a counter for each."""

    def __init__(self, messages: Iterable[BoundMessage], unused_bits: int) -> None:
        self._writers = {one.name: MessageWriter(one, unused_bits) for one in messages}

    def frame(self, message: str, values: Mapping[str, int]) -> Frame | None:
        """Return the message's next frame, or None where nothing in it can be said truthfully.

        A signal whose age in `values` is above 0 is old and goes out as not available; where a message has no
        way to say that, it is withheld.
        """
        return self._writers[message].frame(values)

    def writer(self, message: str) -> MessageWriter:
        """Return the writer of one message."""
        return self._writers[message]


class MessageWriter:
    """Writes one message."""

    def __init__(self, message: BoundMessage, unused_bits: int) -> None:
        self.message = message
        self.counter = 0
        protection = message.protection
        self._protect = None if protection is None else protection.write
        self._counter_values = 1 if protection is None else protection.counter_values
        self._length, self._ident = message.length, message.ident
        self._base = unused_field(message, unused_bits)
        self._has_big = any(one.place.is_big_endian for one in message.signals)
        self._fields = [(one.name, *_field(one)) for one in message.signals]
        # Only the rules' inputs have an age; the command's own fields never do.
        ages = ((at, age_name(one.name)) for at, one in enumerate(message.signals))
        self._ages = [(at, age) for at, age in ages if age is not None]

    def frame(self, values: Mapping[str, int]) -> Frame | None:
        """Return the next frame, or None where it is withheld; the counter moves only with a frame."""
        old = [at for at, age in self._ages if values.get(age, 0) > 0]
        little, big = self._base, 0
        for at, (name, shift, is_big, encode, invalid) in enumerate(self._fields):
            if old and at in old:
                if invalid is None:
                    return None
                raw = invalid
            else:
                raw = encode(values[name])
            if is_big:
                big |= raw << shift
            else:
                little |= raw << shift
        return self.protected(little, big)

    def protected(self, little: int, big: int = 0) -> Frame:
        """Return a frame of these data with the next counter and a right checksum."""
        if self._has_big:
            little |= int.from_bytes(big.to_bytes(self._length, "big"), "little")
        if self._protect is None:
            return Frame(self._ident, little.to_bytes(self._length, "little"))
        data = bytearray(little.to_bytes(self._length, "little"))
        self._protect(data, self.counter)
        self.counter = (self.counter + 1) % self._counter_values
        return Frame(self._ident, bytes(data))


def unused_field(message: BoundMessage, unused_bits: int) -> int:
    """Return a frame's data as one little-endian number before any signal is written: the unused bits set, or 0."""
    if not unused_bits:
        return 0
    field = (1 << message.length * 8) - 1
    for one in message.signals:
        field &= ~_as_little(one, message.length)
    return field


def _as_little(one: BoundSignal, length: int) -> int:
    field = one.place.mask << one.place.shift
    return int.from_bytes(field.to_bytes(length, "big"), "little") if one.place.is_big_endian else field


def _field(one: BoundSignal) -> tuple[int, bool, Callable[[int], int], int | None]:
    mask = one.place.mask
    invalid = None if one.invalid_raw is None else one.invalid_raw & mask
    return one.place.shift, one.place.is_big_endian, encoder(one), invalid


def encoder(one: BoundSignal) -> Callable[[int], int]:
    """Return the function from our count to the field's bits.

    A value that the field cannot carry goes out as its nearest; one without a word of the DBC as not available,
    where the field can say that.
    """
    mask = one.place.mask
    if one.codes is not None:
        codes: dict[int, int] = {}
        for ours, raw in one.codes:
            codes.setdefault(ours, raw & mask)
        spare = one.raw_low if one.invalid_raw is None else one.invalid_raw
        other = spare & mask
        return lambda value: codes.get(value, other)
    slope, offset, divisor = one.scaling.to_raw
    low, high = one.raw_low, one.raw_high

    def encode(value: int) -> int:
        raw = (value * slope + offset) // divisor
        return (low if raw < low else high if raw > high else raw) & mask

    return encode
