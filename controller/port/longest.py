"""The most instructions that compiled Thumb code can take: the longest way through its branches, without running it.

Every branch counts as if it could go either way, so no input and no memory takes more; that no way may exist which
is that long only makes the figure larger. Code that this cannot follow (a loop, a jump through a register or a
table) is refused: there is a bound or there is none.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from graphlib import CycleError, TopologicalSorter

from controller.errors import UserError
from controller.port.elf import Elf
from controller.port.thumb import ALWAYS, MOST_BYTES, PROGRAM_COUNTER, Op, operations


@dataclass(frozen=True)
class Step:
    """An instruction: what it does, where the run may go from it, and the function it calls on the way."""

    op: Op
    to: tuple[int, ...]
    """Of a branch that may not be taken, what follows it comes first."""
    calls: int | None
    returns: bool
    depends: bool
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
        try:
            # What a step leads to comes before it.
            for at in TopologicalSorter({at: step.to for at, step in steps.items()}).static_order():
                called = steps[at].calls
                longest[at] = 1 + max((longest[to] for to in steps[at].to), default=0)
                longest[at] += 0 if called is None else self._of(called)
        except CycleError as error:
            raise _unbounded(min(error.args[1]), "a loop") from error
        self._open.remove(entry)
        self._known[entry] = longest[entry]
        return longest[entry]

    def reachable(self, entry: int) -> dict[int, Step]:
        """Return every instruction of a function by its address."""
        steps: dict[int, Step] = {}
        depending: dict[int, Op] = {}
        waiting = [entry]
        while waiting:
            at = waiting.pop()
            if at in steps:
                continue
            if at in depending:
                op = depending[at]
            else:
                op, *others = operations(at, self._bytes(at, MOST_BYTES))
                behind = at + op.length
                for other in others:
                    depending[behind] = other
                    behind += other.length
            steps[at] = _step(at, op, at in depending)
            waiting += steps[at].to
        return steps

    def word(self, at: int) -> int:
        """Return the constant that the code keeps at an address, as a signed number."""
        word = self._bytes(at, 4)
        if len(word) != 4:
            raise _unbounded(at, "a way out of the image")
        return int.from_bytes(word, "little", signed=True)

    def _bytes(self, at: int, most: int) -> bytes:
        for address, content in self._code:
            if address <= at < address + len(content):
                return content[at - address : at - address + most]
        raise _unbounded(at, "a way out of the image")


def instructions(code: bytes) -> int:
    """Return how many instructions a piece of straight code has."""
    count = at = 0
    while at < len(code):
        # What begins from 0xE800 on has a second halfword; little-endian, the high byte comes second.
        at += 4 if code[at + 1] >= 0xE8 else 2
        count += 1
    return count


def _unbounded(at: int, what: str) -> UserError:
    return UserError(f"no bound on the instructions: {what} at address {at:#x}")


def _step(at: int, op: Op, depends: bool) -> Step:
    if op.stop:
        raise _unbounded(at, op.stop)
    following = at + op.length
    returns = op.name == "return" or (op.name == "pop" and PROGRAM_COUNTER in op.to)
    if returns:
        to: tuple[int, ...] = ()
    elif op.name == "branch" and op.condition == ALWAYS:
        to = (op.target,)
    elif op.name in ("branch", "zero", "nonzero"):
        to = (following, op.target)
    else:
        to = (following,)
    if depends and following not in to:
        to = (*to, following)
    return Step(op, to, op.target if op.name == "call" else None, returns, depends)
