"""The calibration as a binary image for firmware: versioned, signed with the rule set's layout, checksummed.

Little-endian: magic `TCBC`, format version (16 bits), bytes before the values (16 bits), layout signature, number of
values, one int32 a key in declared order, CRC-32 (IEEE 802.3) over everything before it.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Sequence
from typing import Any

from controller.calibration import in_file_units, values_type
from controller.errors import UserError
from controller.port.signature import layout_signature
from controller.ruleset import RuleSet

MAGIC = b"TCBC"
FORMAT = 1
_HEAD = struct.Struct("<4sHHII")
HEAD_BYTES = _HEAD.size


def write_image(rules: RuleSet, values: Sequence[int]) -> bytes:
    """Return the image of a calibration's values, in the rules' own units and order."""
    body = _HEAD.pack(MAGIC, FORMAT, HEAD_BYTES, layout_signature(rules), len(rules.keys))
    body += struct.pack(f"<{len(rules.keys)}i", *map(int, values))
    return body + struct.pack("<I", zlib.crc32(body))


def read_image(rules: RuleSet, image: bytes, source: str) -> Any:
    """Return the values of an image, checked as the C side checks it; `source` names it in error lines.

    Raises `UserError` saying what is wrong and what would be right.
    """
    size = HEAD_BYTES + 4 * len(rules.keys) + 4
    if len(image) < HEAD_BYTES:
        raise UserError(f"{source}: {len(image)} bytes are too few for a calibration image; this one has {size}")
    magic, version, head, signature, count = _HEAD.unpack_from(image)
    if magic != MAGIC:
        raise UserError(f"{source}: starts with {magic!r}; a calibration image starts with {MAGIC!r}")
    if version != FORMAT:
        raise UserError(f"{source}: image format {version}; this firmware reads format {FORMAT}")
    if signature != layout_signature(rules):
        raise UserError(
            f"{source}: made for rules of signature {signature:08X}; these have {layout_signature(rules):08X}"
        )
    if (head, count) != (HEAD_BYTES, len(rules.keys)) or len(image) != size:
        raise UserError(f"{source}: {len(image)} bytes and {count} values; it should be {size} and {len(rules.keys)}")
    if zlib.crc32(image[:-4]) != struct.unpack("<I", image[-4:])[0]:
        raise UserError(f"{source}: its checksum does not match; the image is corrupt, write it anew")
    numbers = struct.unpack_from(f"<{len(rules.keys)}i", image, HEAD_BYTES)
    for key, value in zip(rules.keys, numbers, strict=True):
        if key.is_flag and value not in (0, 1):
            raise UserError(f"{source}: {key.place} = {value} is neither 0 nor 1, which are false and true")
        if not key.low <= value <= key.high:
            raise UserError(f"{source}: {key.place} = {in_file_units(key, value)} is out of range; it must be from "
                            f"{in_file_units(key, key.low)} to {in_file_units(key, key.high)}")  # fmt: skip
    k = values_type(rules)(*(bool(value) if key.is_flag else value
                             for key, value in zip(rules.keys, numbers, strict=True)))  # fmt: skip
    for relation in rules.relations:
        if not relation.holds(k):
            raise UserError(f"{source}: {relation.where} must be {relation.text}")
    return k
