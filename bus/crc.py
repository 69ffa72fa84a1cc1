"""The three checksums that the protection profiles use, by table.

CRC-8 SAE J1850 (polynomial 1D), CRC-8 with polynomial 2F and CRC-16 CCITT-FALSE (1021), as AUTOSAR's CRC library
names them; none of them reflects bits.
"""

from __future__ import annotations

from collections.abc import Iterable


def _table(polynomial: int, bits: int) -> tuple[int, ...]:
    top, mask = 1 << (bits - 1), (1 << bits) - 1
    table = []
    for byte in range(256):
        value = byte << (bits - 8)
        for _ in range(8):
            value = ((value << 1) ^ polynomial) & mask if value & top else (value << 1) & mask
        table.append(value)
    return tuple(table)


_TABLE_1D = _table(0x1D, 8)
_TABLE_2F = _table(0x2F, 8)
_TABLE_1021 = _table(0x1021, 16)


def crc8_1d(data: Iterable[int], start: int = 0xFF) -> int:
    """Return the CRC-8 of polynomial 1D without a final inversion; `start` is the register's first value."""
    table, crc = _TABLE_1D, start
    for byte in data:
        crc = table[crc ^ byte]
    return crc


def crc8_2f(data: Iterable[int], start: int = 0xFF) -> int:
    """Return the CRC-8 of polynomial 2F without a final inversion."""
    table, crc = _TABLE_2F, start
    for byte in data:
        crc = table[crc ^ byte]
    return crc


def crc16_1021(data: Iterable[int], start: int = 0xFFFF) -> int:
    """Return the CRC-16 of polynomial 1021; there is no final inversion."""
    table, crc = _TABLE_1021, start
    for byte in data:
        crc = ((crc << 8) & 0xFFFF) ^ table[(crc >> 8) ^ byte]
    return crc
