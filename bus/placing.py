"""Where a signal lies in a frame, and its whole-number conversion between the DBC's scale and ours.

Everything is exact: raw counts and our counts are whole numbers, and the conversion is one multiplication, one
addition and one floor division by numbers worked out once from fractions.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction


def rounded(value: Fraction) -> int:
    """Return the nearest whole number, halves up."""
    return (2 * value.numerator + value.denominator) // (2 * value.denominator)


@dataclass(frozen=True)
class Place:
    """A signal's bits. `shift` counts from the lowest bit of the data read as one number in its byte order."""

    shift: int
    bits: int
    is_big_endian: bool
    is_signed: bool

    @property
    def mask(self) -> int:
        """All of the signal's bits, unshifted."""
        return (1 << self.bits) - 1

    def raw(self, little: int, big: int) -> int:
        """Return the raw count from the data as one little-endian and one big-endian number."""
        field = (big if self.is_big_endian else little) >> self.shift & self.mask
        return field - (1 << self.bits) if self.is_signed and field >> (self.bits - 1) else field


def place(start: int, bits: int, is_big_endian: bool, is_signed: bool, length: int) -> Place:
    """Return the place of a DBC signal: `start` as DBC files count it, `length` the frame's in bytes."""
    if not is_big_endian:
        return Place(start, bits, False, is_signed)
    # DBC gives the highest bit of a big-endian signal; bit 7 of byte 0 is the number's top.
    from_top = (start // 8) * 8 + 7 - start % 8
    return Place(length * 8 - from_top - bits, bits, True, is_signed)


@dataclass(frozen=True)
class Scaling:
    """`ours = (raw·scale + offset)·per_unit`, rounded; `per_unit` is how many of our counts make the DBC's unit."""

    scale: Fraction
    offset: Fraction
    per_unit: Fraction

    def ours(self, raw: int) -> int:
        """Return our count of a raw one."""
        return rounded((raw * self.scale + self.offset) * self.per_unit)

    def raw(self, ours: int) -> int:
        """Return the raw count nearest to ours."""
        return rounded((ours / self.per_unit - self.offset) / self.scale)

    @property
    def to_ours(self) -> tuple[int, int, int]:
        """`(a, b, c)` such that `(raw·a + b) // c` equals `ours(raw)`."""
        return _line(self.scale * self.per_unit, self.offset * self.per_unit)

    @property
    def to_raw(self) -> tuple[int, int, int]:
        """`(a, b, c)` such that `(ours·a + b) // c` equals `raw(ours)`."""
        return _line(1 / (self.per_unit * self.scale), -self.offset / self.scale)


def _line(slope: Fraction, offset: Fraction) -> tuple[int, int, int]:
    # floor(slope·n + offset + 1/2) over a common denominator.
    offset += Fraction(1, 2)
    common = slope.denominator * offset.denominator
    return int(slope * common), int(offset * common), common
