"""End-to-end protection of a frame's data: AUTOSAR E2E profiles 1, 2 and 5.

A profile writes a counter and a checksum over data and a data ID that is not sent, and checks both. Whether a
counter follows the one before it is judged by `bus.counter`, not here.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, Protocol

from bus.crc import crc8_1d, crc8_2f, crc16_1021

IdMode = Literal["both", "alternating", "low", "nibble"]

BAD_CHECKSUM = -1
"""What `read` returns instead of a counter."""


class Protection(Protocol):
    """What sender and receiver ask of a profile."""

    @property
    def counter_values(self) -> int:
        """How many counter values there are before it starts over at 0."""

    @property
    def used_bits(self) -> frozenset[int]:
        """Places that belong to the profile: byte × 8 + bit, bit 0 the lowest."""

    def write(self, data: bytearray, counter: int) -> None:
        """Write counter and checksum into `data`."""

    def read(self, data: bytes) -> int:
        """Return the counter, or `BAD_CHECKSUM`."""


def _bits(byte: int, low: int = 0, count: int = 8) -> frozenset[int]:
    return frozenset(byte * 8 + bit for bit in range(low, low + count))


@dataclass(frozen=True)
class Profile1:
    """Profile 1: CRC-8 (1D) in the byte at `offset`, counter 0 to 14 in the low half of the next.

    `id_mode` says how the 16-bit data ID enters the checksum: both bytes, the low or high byte by the counter's
    parity, the low byte only, or the low byte with the ID's third nibble sent beside the counter.
    """

    data_id: int
    id_mode: IdMode = "both"
    offset: int = 0

    @property
    def counter_values(self) -> int:
        """Fifteen: 15 is never sent."""
        return 15

    @property
    def used_bits(self) -> frozenset[int]:
        """The checksum's byte and the counter's half; with the ID nibble the whole second byte."""
        return _bits(self.offset) | _bits(self.offset + 1, 0, 8 if self.id_mode == "nibble" else 4)

    def write(self, data: bytearray, counter: int) -> None:
        """Write counter and checksum into `data`."""
        place = self.offset + 1
        high = (self.data_id >> 8 & 0x0F) << 4 if self.id_mode == "nibble" else data[place] & 0xF0
        data[place] = high | counter
        data[self.offset] = self._checksum(data, counter)

    def read(self, data: bytes) -> int:
        """Return the counter, or `BAD_CHECKSUM`; 15 is not a counter, and a foreign ID nibble is not ours."""
        byte = data[self.offset + 1]
        counter = byte & 0x0F
        if counter == 15 or self._checksum(data, counter) != data[self.offset]:
            return BAD_CHECKSUM
        if self.id_mode == "nibble" and byte >> 4 != self.data_id >> 8 & 0x0F:
            return BAD_CHECKSUM
        return counter

    def _checksum(self, data: bytes | bytearray, counter: int) -> int:
        low, high = self.data_id & 0xFF, self.data_id >> 8
        mode = self.id_mode
        if mode == "both":
            crc = crc8_1d((low, high), 0)
        elif mode == "alternating":
            crc = crc8_1d((high if counter & 1 else low,), 0)
        elif mode == "low":
            crc = crc8_1d((low,), 0)
        else:
            crc = crc8_1d((low, 0), 0)
        at = self.offset
        if at:
            crc = crc8_1d(data[:at], crc)
        return crc8_1d(data[at + 1 :], crc)


@dataclass(frozen=True)
class Profile2:
    """Profile 2: CRC-8 (2F) in byte 0, counter 0 to 15 in the low half of byte 1, sixteen data IDs by counter."""

    data_ids: tuple[int, ...]

    @property
    def counter_values(self) -> int:
        """Sixteen."""
        return 16

    @property
    def used_bits(self) -> frozenset[int]:
        """Byte 0 and the low half of byte 1."""
        return _bits(0) | _bits(1, 0, 4)

    def write(self, data: bytearray, counter: int) -> None:
        """Write counter and checksum into `data`."""
        data[1] = data[1] & 0xF0 | counter
        data[0] = self._checksum(data, counter)

    def read(self, data: bytes) -> int:
        """Return the counter, or `BAD_CHECKSUM`."""
        counter = data[1] & 0x0F
        return counter if self._checksum(data, counter) == data[0] else BAD_CHECKSUM

    def _checksum(self, data: bytes | bytearray, counter: int) -> int:
        return crc8_2f((self.data_ids[counter],), crc8_2f(data[1:])) ^ 0xFF


@dataclass(frozen=True)
class Profile5:
    """Profile 5: CRC-16 (1021), low byte first, at `offset`, an 8-bit counter after it, a 16-bit data ID."""

    data_id: int
    offset: int = 0

    @property
    def counter_values(self) -> int:
        """All of a byte."""
        return 256

    @property
    def used_bits(self) -> frozenset[int]:
        """Three bytes."""
        return _bits(self.offset) | _bits(self.offset + 1) | _bits(self.offset + 2)

    def write(self, data: bytearray, counter: int) -> None:
        """Write counter and checksum into `data`."""
        at = self.offset
        data[at + 2] = counter
        crc = self._checksum(data)
        data[at], data[at + 1] = crc & 0xFF, crc >> 8

    def read(self, data: bytes) -> int:
        """Return the counter, or `BAD_CHECKSUM`."""
        at = self.offset
        return data[at + 2] if self._checksum(data) == data[at] | data[at + 1] << 8 else BAD_CHECKSUM

    def _checksum(self, data: bytes | bytearray) -> int:
        at = self.offset
        crc = crc16_1021(data[:at]) if at else 0xFFFF
        return crc16_1021((self.data_id & 0xFF, self.data_id >> 8), crc16_1021(data[at + 2 :], crc))
