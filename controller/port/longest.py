"""The most instructions that compiled Thumb code can take: the longest way through its branches, without running it.

Every branch counts as if it could go either way, so no input and no memory takes more; that no way may exist which
is that long only makes the figure larger. Code that this cannot follow (a loop, a jump through a register or a
table) is refused: there is a bound or there is none. Encodings: Arm v6-M and v7-M Architecture Reference Manuals,
chapters "Thumb instruction set encoding".
"""

from __future__ import annotations

import struct
from dataclasses import dataclass, field, replace

from controller.errors import UserError
from controller.port.elf import Elf

_LINK, _PROGRAM_COUNTER = 14, 15


@dataclass(frozen=True)
class _Step:
    """An instruction: where the run may go from it, and the function it calls on the way."""

    to: tuple[int, ...]
    calls: int | None = None
    returns: bool = False
    depends: bool = False
    """Whether it stands in an IT block: it may as well do nothing."""


@dataclass
class LongestWay:
    """Bounds of the functions of one image."""

    elf: Elf
    _known: dict[int, int] = field(default_factory=dict)
    _open: set[int] = field(default_factory=set)

    def __post_init__(self) -> None:
        """Take the code out of the image."""
        self._code = [(address, content) for address, content, _ in self.elf.segments()]

    def bound(self, function: str) -> int:
        """Return the most instructions from the call of a function to its return.

        Raises `UserError` where the code has no bound that can be seen in it.
        """
        return self._of(self.elf.symbols[function][0] & ~1)

    def _of(self, entry: int) -> int:
        if entry in self._known:
            return self._known[entry]
        if entry in self._open:
            raise _unbounded(entry, "a function that calls itself")
        self._open.add(entry)
        steps = self.reachable(entry)
        longest: dict[int, int] = {}
        # Depth first; what stands on the way here and comes again is a loop.
        waiting, on_the_way = [entry], set[int]()
        while waiting:
            at = waiting[-1]
            step = steps[at]
            missing = [to for to in step.to if to not in longest]
            if missing:
                if at in on_the_way or not on_the_way.isdisjoint(missing):
                    raise _unbounded(at, "a loop")
                on_the_way.add(at)
                waiting += missing
                continue
            waiting.pop()
            on_the_way.discard(at)
            called = 0 if step.calls is None else self._of(step.calls)
            longest[at] = 1 + called + max((longest[to] for to in step.to), default=0)
        self._open.remove(entry)
        self._known[entry] = longest[entry]
        return longest[entry]

    def reachable(self, entry: int) -> dict[int, _Step]:
        """Return every instruction of a function by its address."""
        steps: dict[int, _Step] = {}
        conditional: set[int] = set()
        waiting = [entry]
        while waiting:
            at = waiting.pop()
            if at in steps:
                continue
            first = self._halfword(at)
            if first >> 8 == 0xBF and first & 0xF:
                # IT: as many instructions that follow depend on a condition as its mask says.
                size = 4 - (first & -first & 0xF).bit_length() + 1
                behind = at + 2
                for _ in range(size):
                    conditional.add(behind)
                    behind += _bytes(self._halfword(behind))
            step = _read_wide(at, first, self._halfword(at + 2)) if _bytes(first) == 4 else _read_narrow(at, first)
            step = replace(step, returns=not step.to, depends=at in conditional)
            if at in conditional and at + _bytes(first) not in step.to:
                step = replace(step, to=(*step.to, at + _bytes(first)))
            steps[at] = step
            waiting += step.to
        return steps

    def halfwords(self, at: int) -> tuple[int, int]:
        """Return the first halfword of an instruction, and the second of one that has it, else 0."""
        first = self._halfword(at)
        return first, self._halfword(at + 2) if _bytes(first) == 4 else 0

    def word(self, at: int) -> int:
        """Return the constant that the code keeps at an address, as a signed number."""
        word = self._halfword(at) | self._halfword(at + 2) << 16
        return _signed(word, 32)

    def _halfword(self, at: int) -> int:
        for address, content in self._code:
            if address <= at <= address + len(content) - 2:
                return int(struct.unpack_from("<H", content, at - address)[0])
        raise _unbounded(at, "a way out of the image")


def instructions(code: bytes) -> int:
    """Return how many instructions a piece of straight code has."""
    count = at = 0
    while at < len(code):
        at += _bytes(int.from_bytes(code[at : at + 2], "little"))
        count += 1
    return count


def _unbounded(at: int, what: str) -> UserError:
    return UserError(f"no bound on the instructions: {what} at address {at:#x}")


def _bytes(first: int) -> int:
    return 4 if first >> 11 in (0b11101, 0b11110, 0b11111) else 2


def _signed(value: int, bits: int) -> int:
    return value - (1 << bits) if value >> (bits - 1) else value


def _read_narrow(at: int, code: int) -> _Step:
    following = at + 2
    if code >> 12 == 0b1101:
        condition = code >> 8 & 0xF
        if condition >= 14:
            raise _unbounded(at, "a trap")
        return _Step((following, at + 4 + 2 * _signed(code & 0xFF, 8)))
    if code >> 11 == 0b11100:
        return _Step((at + 4 + 2 * _signed(code & 0x7FF, 11),))
    if code & 0xF500 == 0xB100:  # compare with zero and branch
        return _Step((following, at + 4 + 2 * ((code >> 9 & 1) << 5 | code >> 3 & 0x1F)))
    if code & 0xFF00 == 0xBD00:  # pop with the program counter
        return _Step(())
    if code & 0xFF00 == 0x4700:
        if code & 0x80 or code >> 3 & 0xF != _LINK:
            raise _unbounded(at, "a jump through a register")
        return _Step(())
    if code & 0xFC00 == 0x4400 and (code >> 8 & 3) != 1 and (code >> 4 & 8 | code & 7) == _PROGRAM_COUNTER:
        raise _unbounded(at, "a jump through a register")
    if code >> 8 == 0xBE:
        raise _unbounded(at, "a trap")
    return _Step((following,))


def _read_wide(at: int, first: int, second: int) -> _Step:
    following = at + 4
    if first >> 11 == 0b11110 and second >> 15:
        return _read_branch(at, first, second)
    if first & 0xFFF0 == 0xE8D0 and second & 0xFFE0 == 0xF000:
        raise _unbounded(at, "a jump through a table")
    if first & 0xFE50 == 0xE810 and second >> 15:  # load of several registers, the program counter among them
        return _stack_only(at, first)
    if first & 0xFF70 == 0xF850 and second >> 12 == _PROGRAM_COUNTER:
        return _stack_only(at, first)
    return _Step((following,))


def _stack_only(at: int, first: int) -> _Step:
    # Only what comes off the stack is a return.
    if first & 0xF != 13:
        raise _unbounded(at, "a jump through memory")
    return _Step(())


def _read_branch(at: int, first: int, second: int) -> _Step:
    following = at + 4
    sign, one, two = first >> 10 & 1, second >> 13 & 1, second >> 11 & 1
    low = (second & 0x7FF) << 1
    if second & 0x5000 == 0:
        if first >> 7 & 7 == 7:
            return _Step((following,))  # barriers, special registers
        return _Step((following, at + 4 + _signed(sign << 20 | two << 19 | one << 18 | (first & 0x3F) << 12 | low, 21)))
    far = sign << 24 | (1 - (one ^ sign)) << 23 | (1 - (two ^ sign)) << 22 | (first & 0x3FF) << 12 | low
    to = at + 4 + _signed(far, 25)
    if second & 0x5000 == 0x1000:
        return _Step((to,))
    if second & 0x5000 == 0x5000:
        return _Step((following,), to)
    raise _unbounded(at, "a change of instruction set")
