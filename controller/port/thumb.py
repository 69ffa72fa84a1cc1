"""Thumb instructions as operations on registers and memory: what each reads, writes and decides.

Only what compiled rules use is told apart; any other instruction is `Op("other")`, of which a reader has to expect
everything. Encodings: Arm v6-M and v7-M Architecture Reference Manuals, chapters "Thumb instruction set encoding".
"""

from __future__ import annotations

from dataclasses import dataclass

SP, LINK, PROGRAM_COUNTER = 13, 14, 15
ALWAYS = 14


@dataclass(frozen=True)
class Operand:
    """The second operand: a register, shifted where `shift` says so, or a number where `register` is -1."""

    register: int = -1
    number: int = 0
    shift: str = ""

    @property
    def reads(self) -> tuple[int, ...]:
        """The register it reads, if any."""
        return () if self.register < 0 else (self.register,)


@dataclass(frozen=True)
class Op:
    """One operation.

    `name` is an arithmetic word (`mov mvn add sub rsb and orr eor bic mul lsl lsr asr mla mls`), a comparison (`cmp cmn
    tst`), `movt`, `literal` (the word at that address), `load`, `store`, `push`, `pop`, `it`, `branch` (on
    `condition`), `zero` and `nonzero` (a branch where `base` is that), `nothing` or `other`.
    """

    name: str
    to: tuple[int, ...] = ()
    """Registers written, or the ones stored."""
    base: int = -1
    """First operand, or the address register."""
    by: Operand = Operand()
    third: int = -1
    flags: bool = False
    size: int = 4
    condition: int = ALWAYS
    mask: int = 0


def signed(value: int, bits: int = 32) -> int:
    """Return the low bits of a value as a signed number."""
    value &= (1 << bits) - 1
    return value - (1 << bits) if value >> (bits - 1) else value


_OTHER = Op("other")
_SHIFTS = ("lsl", "lsr", "asr", "ror")


def narrow(at: int, code: int, in_it: bool) -> Op:
    """Return the operation of a 16-bit instruction; in an IT block the short forms leave the flags alone."""
    sets = not in_it
    top = code >> 11
    low, mid, high = code & 7, code >> 3 & 7, code >> 6 & 7
    if top in (0, 1, 2):
        amount = code >> 6 & 31
        if top == 0 and amount == 0:
            return Op("mov", (low,), by=Operand(mid), flags=sets)
        return Op(_SHIFTS[top], (low,), mid, Operand(number=amount or 32), flags=sets)
    if top == 3:
        by = Operand(number=high) if code >> 10 & 1 else Operand(high)
        return Op("sub" if code >> 9 & 1 else "add", (low,), mid, by, flags=sets)
    if top in (4, 5, 6, 7):
        register, by = code >> 8 & 7, Operand(number=code & 0xFF)
        if top == 4:
            return Op("mov", (register,), by=by, flags=sets)
        if top == 5:
            return Op("cmp", base=register, by=by, flags=True)
        return Op("add" if top == 6 else "sub", (register,), register, by, flags=sets)
    if code >> 10 == 0b010000:
        return _narrow_two(code >> 6 & 15, low, mid, sets)
    if code >> 10 == 0b010001:
        to, by = code >> 4 & 8 | low, Operand(code >> 3 & 15)
        kind = code >> 8 & 3
        if kind == 3:
            return Op("branch")
        if kind == 1:
            return Op("cmp", base=to, by=by, flags=True)
        return Op("mov", (to,), by=by) if kind == 2 else Op("add", (to,), to, by)
    return _narrow_memory(at, code)


def _narrow_two(kind: int, low: int, mid: int, sets: bool) -> Op:
    names = {0: "and", 1: "eor", 2: "lsl", 3: "lsr", 4: "asr", 12: "orr", 13: "mul", 14: "bic"}
    if kind in names:
        return Op(names[kind], (low,), low, Operand(mid), flags=sets)
    if kind == 9:
        return Op("rsb", (low,), mid, Operand(number=0), flags=sets)
    if kind == 15:
        return Op("mvn", (low,), by=Operand(mid), flags=sets)
    if kind in (8, 10, 11):
        return Op({8: "tst", 10: "cmp", 11: "cmn"}[kind], base=low, by=Operand(mid), flags=True)
    return _OTHER


def _narrow_memory(at: int, code: int) -> Op:
    low, mid = code & 7, code >> 3 & 7
    offset = code >> 6 & 31
    register, immediate = code >> 8 & 7, code & 0xFF
    top = code >> 11
    if top == 0b01001:
        return Op("literal", (register,), by=Operand(number=(at + 4 & ~3) + 4 * immediate))
    if top in (0b01100, 0b01101, 0b01110, 0b01111):
        size = 1 if top & 2 else 4
        return Op("load" if top & 1 else "store", (low,), mid, Operand(number=offset * size), size=size)
    if code >> 12 == 0b0101:
        kind = code >> 9 & 7
        sizes = {0: ("store", 4), 1: ("store", 2), 2: ("store", 1), 4: ("load", 4), 5: ("load", 2), 6: ("load", 1)}
        if kind in sizes:
            name, size = sizes[kind]
            return Op(name, (low,), mid, Operand(code >> 6 & 7), size=size)
        return _OTHER
    if top in (0b10000, 0b10001):
        return Op("load" if top & 1 else "store", (low,), mid, Operand(number=offset * 2), size=2)
    if top in (0b10010, 0b10011):
        return Op("load" if top & 1 else "store", (register,), SP, Operand(number=4 * immediate))
    if top == 0b10101:
        return Op("add", (register,), SP, Operand(number=4 * immediate))
    if code >> 8 == 0b10110000:
        return Op("sub" if code >> 7 & 1 else "add", (SP,), SP, Operand(number=4 * (code & 0x7F)))
    if code & 0xF500 == 0xB100:
        return Op("nonzero" if code >> 11 & 1 else "zero", base=low)
    if code & 0xFE00 == 0xB400:
        return Op("push", _listed(code & 0xFF | (code >> 8 & 1) << LINK))
    if code & 0xFE00 == 0xBC00:
        return Op("pop", _listed(code & 0xFF | (code >> 8 & 1) << PROGRAM_COUNTER))
    if code & 0xFFC0 == 0xB2C0:
        return Op("and", (low,), mid, Operand(number=0xFF))
    if code >> 8 == 0xBF:
        return Op("it", condition=code >> 4 & 15, mask=code & 15) if code & 15 else Op("nothing")
    if code >> 12 == 0b1101:
        return Op("branch", condition=code >> 8 & 15)
    if top == 0b11100:
        return Op("branch")
    return _OTHER


def _listed(bits: int) -> tuple[int, ...]:
    return tuple(register for register in range(16) if bits >> register & 1)


def wide(at: int, first: int, second: int) -> Op:
    """Return the operation of a 32-bit instruction."""
    if first >> 11 == 0b11110:
        if second >> 15:
            return _wide_branch(first, second)
        return _wide_number(first, second)
    if first >> 9 == 0b1110101:
        return _wide_shifted(first, second)
    if first >> 9 == 0b1110100:
        return _wide_several(first, second)
    if first >> 9 == 0b1111100 and not first >> 8 & 1:
        return _wide_memory(at, first, second)
    if first >> 7 == 0b111110110:
        return _wide_product(first, second)
    if first & 0xFF80 == 0xFA00 and second & 0xF0F0 == 0xF000:
        return Op(_SHIFTS[first >> 5 & 3], (second >> 8 & 15,), first & 15, Operand(second & 15),
                  flags=bool(first >> 4 & 1))  # fmt: skip
    return _OTHER


def _wide_branch(first: int, second: int) -> Op:
    if second & 0x5000 == 0 and first >> 7 & 7 != 7:
        return Op("branch", condition=first >> 6 & 15)
    if second & 0x5000 in (0x1000, 0x5000):
        return Op("branch")
    return _OTHER


_NUMBER_NAMES = {0: "and", 1: "bic", 2: "orr", 4: "eor", 8: "add", 13: "sub", 14: "rsb"}
_COMPARED = {0: "tst", 8: "cmn", 13: "cmp"}


def _two(kind: int, to: int, base: int, by: Operand, flags: bool) -> Op:
    if flags and to == PROGRAM_COUNTER:
        return Op(_COMPARED[kind], base=base, by=by, flags=True) if kind in _COMPARED else _OTHER
    if kind in (2, 3) and base == PROGRAM_COUNTER:
        return Op("mov" if kind == 2 else "mvn", (to,), by=by, flags=flags)
    return Op(_NUMBER_NAMES[kind], (to,), base, by, flags=flags) if kind in _NUMBER_NAMES else _OTHER


def _wide_number(first: int, second: int) -> Op:
    to, base = second >> 8 & 15, first & 15
    bits = (first >> 10 & 1) << 11 | (second >> 12 & 7) << 8 | second & 0xFF
    if first >> 9 & 1 == 0:
        return _two(first >> 5 & 15, to, base, Operand(number=_spread(bits)), bool(first >> 4 & 1))
    kind = first >> 4 & 31
    if kind == 0b00100:
        return Op("mov", (to,), by=Operand(number=base << 12 | bits))
    if kind == 0b01100:
        return Op("movt", (to,), to, Operand(number=base << 12 | bits))
    if kind in (0b00000, 0b01010) and base != PROGRAM_COUNTER:
        return Op("add" if kind == 0 else "sub", (to,), base, Operand(number=bits))
    return _OTHER


def _spread(bits: int) -> int:
    byte, kind = bits & 0xFF, bits >> 8
    if kind < 4:
        return signed((byte, byte * 0x0001_0001, byte * 0x0100_0100, byte * 0x0101_0101)[kind])
    turn, value = bits >> 7, 0x80 | bits & 0x7F
    return signed(value >> turn | value << (32 - turn))


def _wide_shifted(first: int, second: int) -> Op:
    to, base, register = second >> 8 & 15, first & 15, second & 15
    amount, kind = (second >> 12 & 7) << 2 | second >> 6 & 3, second >> 4 & 3
    if kind == 3:
        return _OTHER
    flags = bool(first >> 4 & 1)
    if not amount and kind == 0:
        return _two(first >> 5 & 15, to, base, Operand(register), flags)
    if first >> 5 & 15 == 2 and base == PROGRAM_COUNTER:
        return Op(_SHIFTS[kind], (to,), register, Operand(number=amount or 32), flags=flags)
    return _two(first >> 5 & 15, to, base, Operand(register, amount or 32, _SHIFTS[kind]), flags)


def _wide_several(first: int, second: int) -> Op:
    base = first & 15
    if first >> 6 & 1:
        # Two words at once; only with an offset that is not written back.
        if first >> 8 & 1 == 0 or first >> 5 & 1 or base == PROGRAM_COUNTER:
            return _OTHER
        offset = 4 * (second & 0xFF)
        to = (second >> 12, second >> 8 & 15)
        return Op("load" if first >> 4 & 1 else "store", to, base,
                  Operand(number=offset if first >> 7 & 1 else -offset))  # fmt: skip
    if first == 0xE92D:
        return Op("push", _listed(second))
    if first == 0xE8BD:
        return Op("pop", _listed(second))
    if first >> 7 & 3 == 1 and not first >> 5 & 1:
        return Op("load" if first >> 4 & 1 else "store", _listed(second), base)
    return _OTHER


def _wide_memory(at: int, first: int, second: int) -> Op:
    to, base = second >> 12, first & 15
    kind = first >> 4 & 7
    names = {0: ("store", 1), 1: ("load", 1), 2: ("store", 2), 3: ("load", 2), 4: ("store", 4), 5: ("load", 4)}
    if kind == 5 and base == PROGRAM_COUNTER:
        offset = second & 0xFFF
        return Op("literal", (to,), by=Operand(number=(at + 4 & ~3) + (offset if first >> 7 & 1 else -offset)))
    if kind not in names or base == PROGRAM_COUNTER:
        return _OTHER
    name, size = names[kind]
    if first >> 7 & 1:
        return Op(name, (to,), base, Operand(number=second & 0xFFF), size=size)
    if second >> 6 & 0x3F == 0:
        shift = second >> 4 & 3
        return Op(name, (to,), base, Operand(second & 15, shift, "lsl" if shift else ""), size=size)
    if second >> 8 & 15 == 0b1100:
        return Op(name, (to,), base, Operand(number=-(second & 0xFF)), size=size)
    return _OTHER


def _wide_product(first: int, second: int) -> Op:
    to, base, by, third = second >> 8 & 15, first & 15, Operand(second & 15), second >> 12
    if first >> 4 & 7 or second >> 5 & 7:
        return _OTHER
    if second >> 4 & 1:
        return Op("mls", (to,), base, by, third)
    return Op("mul", (to,), base, by) if third == PROGRAM_COUNTER else Op("mla", (to,), base, by, third)
