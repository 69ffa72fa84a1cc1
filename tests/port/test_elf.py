"""ELF files built here byte by byte, as the System V ABI (its chapter on object files) lays them out."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from pathlib import Path

import pytest

from controller.errors import UserError
from controller.port.elf import Elf, Section

_HEAD_BYTES = 52
_ARM = 40
_PROGRAM, _SYMBOLS, _STRINGS, _NOTE, _NO_BITS, _REL = 1, 2, 3, 7, 8, 9
_WRITE, _ALLOCATE, _EXECUTE = 1, 2, 4


def _head(
    machine: int = _ARM, segments: tuple[int, int] = (0, 0), sections: tuple[int, int] = (0, 0), names: int = 0
) -> bytes:
    """Return a file header; of both tables where they are and how many entries they have."""
    return struct.pack(
        "<4sBBBB8xHHIIIIIHHHHHH",
        b"\x7fELF", 1, 1, 1, 0,  # 32 bits, little-endian, version
        2, machine, 1, 0x1234, segments[0], sections[0], 0x0500_0200,
        _HEAD_BYTES, 32, segments[1], 40, sections[1], names,
    )  # fmt: skip  # as the table of the standard


@dataclass
class _Part:
    name: str
    kind: int
    flags: int
    content: bytes = b""
    size: int | None = None
    link: int = 0


def _strings(names: list[str]) -> tuple[bytes, list[int]]:
    """Return a string table, and where each name stands in it."""
    table, places = b"\0", []
    for name in names:
        places.append(len(table))
        table += name.encode() + b"\0"
    return table, places


def _file(parts: list[_Part], segments: list[tuple[int, ...]] = []) -> bytes:  # noqa: B006 - only read
    parts = [_Part("", 0, 0), *parts, _Part(".shstrtab", _STRINGS, 0)]
    parts[-1].content, places = _strings([part.name for part in parts])
    at = _HEAD_BYTES + 32 * len(segments)
    table, body = b"", b""
    for part, name in zip(parts, places, strict=True):
        size = len(part.content) if part.size is None else part.size
        table += struct.pack(
            "<IIIIIIIIII", name, part.kind, part.flags, 0x9000, at + len(body), size, part.link, 77, 4, 16
        )
        body += part.content
    head = _head(_ARM, (_HEAD_BYTES, len(segments)), (at + len(body), len(parts)), len(parts) - 1)
    return head + b"".join(struct.pack("<IIIIIIII", *one) for one in segments) + body + table


def _elf(folder: Path, data: bytes) -> Elf:
    (folder / "a.elf").write_bytes(data)
    return Elf(folder / "a.elf")


def test_a_file_of_a_header_alone_has_an_entry_and_nothing_to_load(tmp_path: Path) -> None:
    elf = _elf(tmp_path, _head())
    assert (elf.entry, elf.segments()) == (0x1234, [])


@pytest.mark.parametrize(
    "data",
    [
        b"",
        _head()[: _HEAD_BYTES - 1],
        b"\x7fELG" + _head()[4:],
        _head()[:4] + b"\x02" + _head()[5:],  # 64 bits
        _head()[:5] + b"\x02" + _head()[6:],  # big-endian
        b"MZ" + bytes(200),
    ],
)
def test_what_is_no_32_bit_little_endian_elf_file_is_refused(tmp_path: Path, data: bytes) -> None:
    with pytest.raises(UserError, match=r"a\.elf: not a 32-bit little-endian ELF file"):
        _elf(tmp_path, data)


@pytest.mark.parametrize("machine", [39, 41, 62, 243])
def test_a_file_of_another_machine_is_refused(tmp_path: Path, machine: int) -> None:
    with pytest.raises(UserError, match="of another machine than ARM"):
        _elf(tmp_path, _head(machine))


def test_each_section_has_its_name_kind_flags_place_size_and_link(tmp_path: Path) -> None:
    data = _file([_Part(".text", _PROGRAM, _ALLOCATE | _EXECUTE, b"code"), _Part(".tab", 0x70, 9, b"other", link=6)])
    sections = _elf(tmp_path, data).sections
    assert sections[0] == Section("", 0, 0, _HEAD_BYTES, 0, 0)
    assert sections[1] == Section(".text", 1, 6, data.index(b"code"), 4, 0)
    assert sections[2] == Section(".tab", 0x70, 9, data.index(b"other"), 5, 6)
    assert [one.name for one in sections[3:]] == [".shstrtab"]


def test_symbols_have_address_size_and_whether_they_are_functions(tmp_path: Path) -> None:
    strings, places = _strings(["start", "table", "part", "weak"])
    # Address, size, type (1 data, 2 function, 3 section); binding global or weak in the upper half.
    rows = [(0x101, 20, 0x12), (0x2000_0000, 64, 0x11), (0x400, 0, 0x03), (0x201, 8, 0x22)]
    symbols = struct.pack("<IIIBBH", 0, 0x55, 0x66, 2, 0, 0)  # the first entry of every table has no name
    for name, (value, size, info) in zip(places, rows, strict=True):
        symbols += struct.pack("<IIIBBH", name, value, size, info, 0, 1)
    parts = [
        _Part(".strtab", _STRINGS, 0, strings),
        _Part(".symtab", _SYMBOLS, 0, symbols, link=1),
        _Part(".text", _PROGRAM, _ALLOCATE | _EXECUTE, b"code" * 4),
    ]
    assert _elf(tmp_path, _file(parts)).symbols == {
        "start": (0x101, 20, True),
        "table": (0x2000_0000, 64, False),
        "part": (0x400, 0, False),
        "weak": (0x201, 8, True),
    }


def test_segments_are_what_is_loaded_at_its_load_address(tmp_path: Path) -> None:
    def segment(kind: int, offset: int, physical: int, in_file: int, in_memory: int) -> tuple[int, ...]:
        return kind, offset, 0x7000_0000, physical, in_file, in_memory, 5, 4

    data = _file([_Part(".text", _PROGRAM, 6, b"0123456789")])
    at = 4 * 32 + data.index(b"0123456789")
    segments = [
        segment(1, at, 0x0, 6, 6),
        segment(2, at, 0x100, 4, 4),  # for a dynamic linker, which is not here
        segment(1, at + 6, 0x2000_0000, 4, 16),  # the rest is zero in memory
        segment(1, at, 0x200, 0, 0),
    ]
    loaded = _elf(tmp_path, _file([_Part(".text", _PROGRAM, 6, b"0123456789")], segments)).segments()
    assert loaded == [(0x0, b"012345", 6), (0x2000_0000, b"6789", 16)]


def test_sizes_are_counted_as_text_data_and_bss(tmp_path: Path) -> None:
    parts = [
        _Part(".text", _PROGRAM, _ALLOCATE | _EXECUTE, size=1),
        _Part(".rodata", _PROGRAM, _ALLOCATE, size=2),
        _Part(".ramcode", _PROGRAM, _ALLOCATE | _EXECUTE | _WRITE, size=4),
        _Part(".note", _NOTE, _ALLOCATE, size=8),
        _Part(".rel", _REL, _ALLOCATE, size=16),
        _Part(".ARM.exidx", 0x7000_0001, _ALLOCATE, size=32),
        _Part(".data", _PROGRAM, _ALLOCATE | _WRITE, size=64),
        _Part(".bss", _NO_BITS, _ALLOCATE | _WRITE, size=128),
        _Part(".heap", _NO_BITS, _ALLOCATE | _WRITE, size=256),
        _Part(".comment", _PROGRAM, 0x30, size=512),
        _Part(".unloaded", _PROGRAM, _WRITE | _EXECUTE, size=1024),
    ]
    assert _elf(tmp_path, _file(parts)).sizes() == {"text": 1 + 2 + 4 + 8 + 16, "data": 64, "bss": 128 + 256}
