"""A classic CAN data frame as the bench handles it."""

from __future__ import annotations

from typing import NamedTuple

EXTENDED = 1 << 31
"""Set in `Frame.ident` for a 29-bit identifier, as Linux does."""

MOST_BYTES = 8


class Frame(NamedTuple):
    """Identifier (with `EXTENDED` for 29 bits) and 0 to 8 data bytes."""

    ident: int
    data: bytes


def ident_text(ident: int) -> str:
    """Return an identifier as people write it: 3 hexadecimal digits, or 8 for 29 bits."""
    return f"{ident & ~EXTENDED:08X}" if ident & EXTENDED else f"{ident:03X}"
