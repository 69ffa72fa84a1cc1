"""One way through compiled code: what is known on it of registers, memory and flags, and how values compare.

A value is known as a number or by where it comes from. What is not known is None; nothing here guesses.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from controller.port.c_text import HIGHEST, LOWEST
from controller.port.thumb import signed

Value = Any
"""A number, a tuple (what a place held at the call, a pointer, an operation on values), or None: unknown."""

Place = tuple[str, int, int]
"""A structure, an offset into it and a size in bytes."""

STACK = "stack"
"""The structure that the stack is: what the way has not written there is not known."""

EQ, NE, CS, CC, MI, PL, HI, LS, GE, LT, GT, LE = 0, 1, 2, 3, 4, 5, 8, 9, 10, 11, 12, 13
_RELATIONS = {EQ: {0}, NE: {-1, 1}, GE: {0, 1}, LT: {-1}, GT: {1}, LE: {-1, 0}}
_UNSIGNED = {HI: GT, LS: LE, CS: GE, CC: LT}
_SIGNS = {MI: LT, PL: GE}

_ANY = frozenset((-1, 0, 1))

DEEPEST = 6
"""How many operations on each other's results a value is followed through; beyond, it is unknown."""


@dataclass(frozen=True)
class Flags:
    """What the flags came from: `left` compared with `right`, or a result (`right` is 0, the sign and zero only)."""

    left: Value
    right: Value
    is_result: bool = False


UNKNOWN = Flags(None, None)


@dataclass
class Way:
    """What is known on a way."""

    registers: list[Value] = field(default_factory=lambda: [None] * 16)
    memory: dict[Place, Value] = field(default_factory=dict)
    """By structure, offset and size: what the way has written."""
    flags: Flags = UNKNOWN
    facts: dict[Any, Any] = field(default_factory=dict)
    """An interval of a value, or how two values compare."""
    is_lost: bool = False
    """Whether it has written somewhere unknown: then only what it has written since is known of the memory."""

    def copy(self) -> Way:
        """Return a way of its own that knows the same."""
        return Way(self.registers.copy(), self.memory.copy(), self.flags, self.facts.copy(), self.is_lost)

    def all_known(self) -> Any:
        """Return what is known as one value: the same for two ways that know the same."""
        return (tuple(self.registers), frozenset(self.memory.items()), self.flags, frozenset(self.facts.items()),
                self.is_lost)  # fmt: skip  # one value

    def forget(self) -> None:
        """Know nothing more of registers, memory and flags."""
        self.registers, self.flags = Way().registers, UNKNOWN
        self.forget_memory()

    def forget_memory(self) -> None:
        """Know nothing more of the memory: something was written somewhere."""
        self.memory, self.is_lost = {}, True

    # Memory ---------------------------------------------------------------------------------------------------------

    def read(self, place: Place) -> Value:
        """Return what a place holds."""
        if place in self.memory:
            return self.memory[place]
        if self.is_lost or place[0] == STACK or any(overlap(place, one) for one in self.memory):
            return None
        return ("in", *place)

    def write(self, place: Place, value: Value) -> None:
        """Let a place hold the low bytes of a value."""
        if place[2] != 4 and not (isinstance(value, int) and 0 <= value < 1 << 8 * place[2]):
            value = None
        # What is overwritten in part is known no more, and what is not known stays marked as written.
        for one in self.memory:
            if overlap(place, one):
                self.memory[one] = None
        self.memory[place] = value

    # Values ---------------------------------------------------------------------------------------------------------

    def interval(self, value: Value) -> tuple[int, int]:
        """Return the least and the greatest that a value can be."""
        if isinstance(value, int):
            return value, value
        if value in self.facts:
            low, high = self.facts[value]
            return low, high
        if isinstance(value, tuple) and value[0] == "in" and value[3] != 4:
            return 0, (1 << 8 * value[3]) - 1
        return LOWEST, HIGHEST

    def number(self, value: Value) -> Value:
        """Return a value as a number where it can be one only."""
        low, high = self.interval(value)
        return low if low == high else value

    def relation(self, left: Value, right: Value) -> frozenset[int]:
        """Return how two values can compare: -1 less, 0 equal, 1 greater."""
        if left == right:
            return frozenset((0,))
        (a_low, a_high), (b_low, b_high) = self.interval(left), self.interval(right)
        found = {sign for sign, can in ((-1, a_low < b_high), (0, a_low <= b_high and b_low <= a_high),
                                        (1, a_high > b_low)) if can}  # fmt: skip
        turned, pair = _in_order(left, right)
        known = self.facts.get(("pair", *pair), _ANY)
        return frozenset(found & ({-sign for sign in known} if turned else known))

    def note(self, left: Value, right: Value, relations: frozenset[int]) -> None:
        """Know from here on that two values compare in one of these ways."""
        if isinstance(left, int) and isinstance(right, int):
            return
        if isinstance(left, int):
            left, right, relations = right, left, frozenset(-sign for sign in relations)
        if isinstance(right, int):
            low, high = self.interval(left)
            if 1 not in relations:
                high = min(high, right)
            if -1 not in relations:
                low = max(low, right)
            if 0 not in relations:
                low += low == right
                high -= high == right
            self.facts[left] = (low, high)
            return
        turned, pair = _in_order(left, right)
        self.facts[("pair", *pair)] = frozenset(-sign for sign in relations) if turned else relations

    def allowed(self, condition: int, flags: Flags) -> frozenset[int] | None:
        """Return how the values that made the flags compare where a condition holds; None where that says nothing."""
        if flags.left is None or flags.right is None:
            return None
        if condition in _RELATIONS and (not flags.is_result or condition in (EQ, NE)):
            return frozenset(_RELATIONS[condition])
        if condition in _SIGNS and flags.is_result:
            return frozenset(_RELATIONS[_SIGNS[condition]])
        if condition in _UNSIGNED and not flags.is_result:
            # Numbers from 0 compare alike with and without a sign.
            low, other = self.interval(flags.left)[0], self.interval(flags.right)[0]
            if low >= 0 and other >= 0:
                return frozenset(_RELATIONS[_UNSIGNED[condition]])
        return None


def joined(one: Way, other: Way) -> Way:
    """Return what is known on both of two ways."""
    registers = [a if a == b else None for a, b in zip(one.registers, other.registers, strict=True)]
    places = one.memory.keys() | other.memory.keys()
    memory = {place: one.memory.get(place) if one.memory.get(place) == other.memory.get(place) else None
              for place in places}  # fmt: skip
    facts = {key: fact for key, fact in one.facts.items() if other.facts.get(key) == fact}
    flags = one.flags if one.flags == other.flags else UNKNOWN
    return Way(registers, memory, flags, facts, one.is_lost or other.is_lost)


def overlap(one: Place, other: Place) -> bool:
    """Return whether two places have a byte in common."""
    return one[0] == other[0] and one[1] < other[1] + other[2] and other[1] < one[1] + one[2]


def fact_about(left: Value, right: Value) -> Any:
    """Return under which name of `Way.facts` it is noted how two values compare, which are not both numbers."""
    if isinstance(right, int):
        return left
    if isinstance(left, int):
        return right
    return ("pair", *_in_order(left, right)[1])


def _in_order(left: Value, right: Value) -> tuple[bool, tuple[Value, Value]]:
    first, second = sorted((left, right), key=repr)
    return first != left, (first, second)


_NUMBERS: dict[str, Callable[[int, int], int]] = {
    "add": lambda a, b: a + b,
    "sub": lambda a, b: a - b,
    "rsb": lambda a, b: b - a,
    "mul": lambda a, b: a * b,
    "and": lambda a, b: a & b,
    "orr": lambda a, b: a | b,
    "eor": lambda a, b: a ^ b,
    "bic": lambda a, b: a & ~b,
    "lsl": lambda a, b: a << b,
    "lsr": lambda a, b: (a & 0xFFFFFFFF) >> b,
    "asr": lambda a, b: a >> b,
}
_SHIFTED = ("lsl", "lsr", "asr")


def worked(name: str, left: Value, right: Value) -> Value:
    """Return the result of an operation on two values."""
    if left is None or right is None or name not in _NUMBERS:
        return None
    if isinstance(left, int) and isinstance(right, int):
        # A core looks at the low byte of an amount only; none of more than 32 comes of a compiler.
        return None if name in _SHIFTED and not 0 <= right <= 32 else signed(_NUMBERS[name](left, right))
    if isinstance(left, tuple) and left[0] == "at":
        if isinstance(right, int) and name in ("add", "sub"):
            return ("at", left[1], left[2] + (right if name == "add" else -right))
        return None
    if isinstance(right, tuple) and right[0] == "at":
        return None
    if name in ("add", "mul", "orr", "and", "eor"):
        left, right = sorted((left, right), key=repr)
    value = (name, left, right)
    return value if _depth(value) <= DEEPEST else None


def _depth(value: Value) -> int:
    if not isinstance(value, tuple) or value[0] == "in":
        return 0
    return 1 + max(_depth(value[1]), _depth(value[2]))
