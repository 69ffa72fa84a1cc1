"""Thumb instructions as operations on registers and memory: what each reads, writes, decides, and where it leads.

capstone reads the encodings; this says what the instructions that compiled rules use mean. Any other is `Op("other")`,
of which a reader has to expect everything. Meanings: Arm v6-M and v7-M Architecture Reference Manuals.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from typing import Any

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
    tst`), `movt`, `literal` (the word at that address), `load`, `store`, `push`, `pop`, `branch`, `zero` and `nonzero`
    (a branch where `base` is that), `call`, `return`, `nothing` or `other`.
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
    """Bytes of what is loaded or stored in or from each register."""
    condition: int = ALWAYS
    """As the encoding numbers them: of a branch, of an IT and of what depends on it."""
    target: int = -1
    """Where a branch or a call leads."""
    stop: str = ""
    """Why nobody can see from the code what comes next, where that is so."""
    length: int = 0
    """Bytes of the instruction itself."""


def signed(value: int, bits: int = 32) -> int:
    """Return the low bits of a value as a signed number."""
    value &= (1 << bits) - 1
    return value - (1 << bits) if value >> (bits - 1) else value


_NAMES = ("r0", "r1", "r2", "r3", "r4", "r5", "r6", "r7", "r8", "sb", "sl", "fp", "ip", "sp", "lr", "pc")
_REGISTERS = {name: number for number, name in enumerate(_NAMES)}
_OTHER = Op("other")
_TRAPS = ("svc", "udf", "bkpt", "trap")
_BRANCHES = {"b": "branch", "cbz": "zero", "cbnz": "nonzero"}
_SIZES = {"ldr": 4, "ldrh": 2, "ldrb": 1, "ldrd": 4, "ldm": 4, "str": 4, "strh": 2, "strb": 1, "strd": 4, "stm": 4}
_COMPARISONS = ("cmp", "cmn", "tst")
_MOVES = {"mov": "mov", "movs": "mov", "mvn": "mvn"}
_RECKONED = {
    *_COMPARISONS, *_MOVES, "movt", "add", "sub", "rsb", "and", "orr", "eor", "bic", "mul", "lsl", "lsr", "asr", "mla",
    "mls", "uxtb",
}  # fmt: skip

MOST_BYTES = 18
"""Of the longest IT block: an IT and four instructions of four bytes."""


def operations(at: int, code: bytes) -> list[Op]:
    """Return the operation that code begins with; behind that of an IT, those that depend on its condition.

    More code than `MOST_BYTES` changes nothing.
    """
    from capstone import arm

    found = list(_reader().disasm(code, at))
    # An IT has a letter for itself, and one for each that depends: it, itt, ite and so on.
    count = len(found[0].mnemonic) - 1 if found and found[0].insn_name() == "it" else 0
    ops = [replace(_meaning(one), condition=one.cc - arm.ARM_CC_EQ, length=one.size) for one in found[: count + 1]]
    return ops if len(ops) > count else [*ops, Op("other", stop="an instruction that cannot be read")]


@cache
def _reader() -> Any:
    import capstone

    reader = capstone.Cs(capstone.CS_ARCH_ARM, capstone.CS_MODE_THUMB | capstone.CS_MODE_MCLASS)
    reader.detail = True
    return reader


def _meaning(one: Any) -> Op:
    from capstone import arm

    name, parts = one.insn_name(), one.operands
    names = [one.reg_name(part.reg) for part in parts if part.type == arm.ARM_OP_REG]
    registers = tuple(_REGISTERS[register] for register in names if register in _REGISTERS)
    if name in ("hint", "it"):
        return Op("nothing")
    if name in _TRAPS:
        return Op("other", stop="a trap")
    if name in _BRANCHES:
        return Op(_BRANCHES[name], base=registers[0] if registers else -1, target=parts[-1].imm)
    if name == "bl":
        return Op("call", (LINK,), target=parts[-1].imm)
    if name == "bx" and registers == (LINK,):
        return Op("return")
    stacked = _stacked(one, name, registers)
    if stacked:
        return stacked
    if name in ("tbb", "tbh"):
        return Op("other", stop="a jump through a table")
    if name.startswith(("bx", "blx")) or "pc" in map(one.reg_name, one.regs_access()[1]):
        return Op("other", stop="a jump through memory" if name.startswith("ld") else "a jump through a register")
    if name in _SIZES:
        return _OTHER if one.writeback else _moved(one, name, registers)
    return _reckoned(one, name, registers)


def _stacked(one: Any, name: str, registers: tuple[int, ...]) -> Op | None:
    if name in ("push", "pop"):
        return Op(name, registers)
    if not one.writeback:
        return None
    if name in ("stmdb", "ldm") and registers[0] == SP:
        return Op("push" if name == "stmdb" else "pop", registers[1:])
    if name in ("str", "ldr"):
        # One register: stored a word further down, or loaded before the address moves up a word.
        _, place, *moved = one.operands
        is_word = place.mem.disp == -4 if name == "str" else bool(moved) and moved[0].imm == 4
        if is_word and one.reg_name(place.mem.base) == "sp":
            return Op("push" if name == "str" else "pop", registers)
    return None


def _moved(one: Any, name: str, registers: tuple[int, ...]) -> Op:
    word, size = "load" if name.startswith("ld") else "store", _SIZES[name]
    if name in ("ldm", "stm"):
        return Op(word, registers[1:], registers[0], size=size)
    place = one.operands[-1]
    base = _REGISTERS[one.reg_name(place.mem.base)]
    if base == PROGRAM_COUNTER:
        # It reads as the address four bytes on, here rounded down to a whole word.
        address = one.address // 4 * 4 + 4 + place.mem.disp
        return Op("literal", registers, by=Operand(number=address)) if name == "ldr" else _OTHER
    by = Operand(number=place.mem.disp)
    if place.mem.index:
        amount = place.shift.value
        by = Operand(_REGISTERS[one.reg_name(place.mem.index)], amount, "lsl" if amount else "")
    return Op(word, registers, base, by, size=size)


def _reckoned(one: Any, name: str, registers: tuple[int, ...]) -> Op:
    if name not in _RECKONED or PROGRAM_COUNTER in registers:
        return _OTHER
    if name in ("mla", "mls"):
        to, base, other, third = registers
        return Op(name, (to,), base, Operand(other), third)
    by, before = _second(one, registers)
    if by is None:
        return _OTHER
    if name in _COMPARISONS:
        return Op(name, base=before[-1], by=by, flags=True)
    if name in _MOVES:
        return Op(_MOVES[name], before, by=by, flags=one.update_flags)
    if name == "uxtb":
        return Op("and", before, by.register, Operand(number=0xFF))
    # What is both result and first operand may stand there once.
    return Op(name, before[:1], before[-1], by, flags=one.update_flags)


def _second(one: Any, registers: tuple[int, ...]) -> tuple[Operand | None, tuple[int, ...]]:
    """Return the second operand, and the registers that stand before it."""
    from capstone import arm

    last = one.operands[-1]
    if last.type == arm.ARM_OP_IMM:
        return Operand(number=signed(last.imm)), registers
    shifts = {arm.ARM_SFT_INVALID: "", arm.ARM_SFT_LSL: "lsl", arm.ARM_SFT_LSR: "lsr", arm.ARM_SFT_ASR: "asr"}
    if last.shift.type not in shifts:
        return None, registers
    return Operand(registers[-1], last.shift.value, shifts[last.shift.type]), registers[:-1]
