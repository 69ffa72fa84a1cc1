"""Just enough of ELF (32-bit, little-endian) to load a firmware image and to read sizes out of it."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

from controller.errors import UserError

_HEAD = struct.Struct("<16sHHIIIIIHHHHHH")
_SEGMENT = struct.Struct("<IIIIIIII")
_SECTION = struct.Struct("<IIIIIIIIII")
_SYMBOL = struct.Struct("<IIIBBH")
_ARM, _LOAD, _SYMBOL_TABLE, _NO_BITS, _ALLOCATED, _WRITABLE, _EXECUTABLE = 40, 1, 2, 8, 2, 1, 4
_FUNCTION = 2


@dataclass(frozen=True)
class Section:
    """A section: where its content is in the file, how large it is in memory."""

    name: str
    kind: int
    flags: int
    offset: int
    size: int
    link: int


class Elf:
    """An ELF file of an ARM target."""

    def __init__(self, path: Path) -> None:
        self.data = path.read_bytes()
        if self.data[:6] != b"\x7fELF\x01\x01" or len(self.data) < _HEAD.size:
            raise UserError(f"{path}: not a 32-bit little-endian ELF file")
        head = _HEAD.unpack_from(self.data)
        if head[2] != _ARM:
            raise UserError(f"{path}: an ELF file of another machine than ARM")
        self.entry = head[4]
        self._segment_table, self._section_table = head[5], head[6]
        self._segment_count, self._section_count, self._names_at = head[10], head[12], head[13]

    @cached_property
    def sections(self) -> list[Section]:
        """All sections."""
        raw = [_SECTION.unpack_from(self.data, self._section_table + at * _SECTION.size)
               for at in range(self._section_count)]  # fmt: skip
        names_at = raw[self._names_at][4]
        return [Section(self._text(names_at + one[0]), one[1], one[2], one[4], one[5], one[6]) for one in raw]

    @cached_property
    def symbols(self) -> dict[str, tuple[int, int, bool]]:
        """Address, size and whether it is a function, of each named symbol."""
        found: dict[str, tuple[int, int, bool]] = {}
        for table in self.sections:
            if table.kind != _SYMBOL_TABLE:
                continue
            names_at = self.sections[table.link].offset
            for at in range(table.offset, table.offset + table.size, _SYMBOL.size):
                name, value, size, info, _, _ = _SYMBOL.unpack_from(self.data, at)
                if name:
                    found[self._text(names_at + name)] = (value, size, info & 15 == _FUNCTION)
        return found

    def segments(self) -> list[tuple[int, bytes, int]]:
        """Return load address, content and size in memory of each part to be loaded."""
        loaded = []
        for at in range(self._segment_count):
            kind, offset, _, physical, in_file, in_memory, _, _ = _SEGMENT.unpack_from(
                self.data, self._segment_table + at * _SEGMENT.size
            )
            if kind == _LOAD and in_memory:
                loaded.append((physical, self.data[offset : offset + in_file], in_memory))
        return loaded

    def sizes(self) -> dict[str, int]:
        """Return the bytes of text (with constants), data and bss, as `size` counts them."""
        total = {"text": 0, "data": 0, "bss": 0}
        for section in self.sections:
            if not section.flags & _ALLOCATED:
                continue
            if section.kind == _NO_BITS:
                total["bss"] += section.size
            elif section.flags & _WRITABLE and not section.flags & _EXECUTABLE:
                total["data"] += section.size
            elif not section.name.startswith(".ARM"):  # unwinding tables, which firmware drops when it links
                total["text"] += section.size
        return total

    def _text(self, at: int) -> str:
        return self.data[at : self.data.index(b"\0", at)].decode()
