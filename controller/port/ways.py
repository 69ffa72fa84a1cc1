"""The most instructions of a tick over the ways that can exist: what a way has set or found is known later on it.

`controller.port.longest` lets every branch go either way. Here each way carries what it knows: constants in registers
and memory, the state of the chart (each in turn), and how a comparison ended that is made once more. A branch that this
decides goes one way only. What an instruction does that is not understood is forgotten, never guessed, so no input, no
memory in range and no calibration takes more.

The structures that the arguments point to do not overlap: C promises that to the compiler as well.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from functools import reduce
from typing import Any

from controller.errors import UserError
from controller.port.c_text import LOWEST
from controller.port.longest import LongestWay
from controller.port.one_way import (
    EQ,
    NE,
    STACK,
    UNKNOWN,
    Flags,
    Place,
    Value,
    Way,
    fact_about,
    joined,
    overlap,
    worked,
)
from controller.port.thumb import ALWAYS, LINK, SP, Op, Operand, signed

_Node = tuple[tuple[int, ...], int]
"""Where the calls on the way return to, and an address."""

_FLAGS = ("flags",)
"""The flags, where it is said what matters later."""

WIDEST = 5_000
"""How many ways are told apart at one place of the code; ours need about a thousand."""


class Ways:
    """Bounds one function of an image over the ways that can exist."""

    def __init__(self, longest: LongestWay, function: str, arguments: tuple[str, ...]) -> None:
        self.longest = longest
        longest.bound(function)  # refuses what has no bound at all
        self.entry: _Node = ((), longest.elf.symbols[function][0] & ~1)
        self.arguments = arguments
        self.ops: dict[_Node, Op] = {}
        self.depends: dict[_Node, int] = {}
        """On which condition an instruction in an IT block depends."""
        self.next: dict[_Node, tuple[_Node, ...]] = {}
        self.ends: set[_Node] = set()
        self._gather()
        self.order = self._ordered()
        self._reads: dict[_Node, set[Any]] = {node: set() for node in self.order}
        self._stores: dict[_Node, list[Any]] = {}
        self._overview()
        self._live = self._liveness()
        self._live_places = {node: [one for one in live if len(one) == 3] for node, live in self._live.items()}

    # The code ---------------------------------------------------------------------------------------------------

    def _gather(self) -> None:
        steps: dict[int, Any] = {}
        waiting = [self.entry]
        while waiting:
            node = waiting.pop()
            if node in self.next:
                continue
            frames, at = node
            if at not in steps:
                steps.update(self.longest.reachable(at))
            step = steps[at]
            self.ops[node] = step.op
            if step.depends:
                self.depends[node] = step.op.condition
            after: tuple[_Node, ...] = tuple((frames, to) for to in step.to)
            if step.calls is not None:
                into = tuple(((*frames, to), step.calls) for to in step.to)
                after = (*into, *after) if step.depends else into
            if step.returns and frames:
                after = (*after, (frames[:-1], frames[-1]))
            elif step.returns:
                self.ends.add(node)
            self.next[node] = after
            waiting += after

    def _ordered(self) -> list[_Node]:
        done: set[_Node] = set()
        order: list[_Node] = []
        waiting: list[tuple[_Node, bool]] = [(self.entry, False)]
        while waiting:
            node, is_left = waiting.pop()
            if is_left:
                order.append(node)
            elif node not in done:
                done.add(node)
                waiting.append((node, True))
                waiting += [(to, False) for to in self.next[node] if to not in done]
        return order[::-1]

    # What matters later ---------------------------------------------------------------------------------------------

    def _overview(self) -> None:
        """Follow all ways at once, to see what each place of the code reads and compares."""
        ways: dict[_Node, Way] = {self.entry: self._start()}
        for node in self.order:
            if node not in ways:
                continue
            way = ways.pop(node)
            for to, after in self._step(node, way, self._reads[node]):
                ways[to] = joined(ways[to], after) if to in ways else after

    def _liveness(self) -> dict[_Node, set[Any]]:
        """Return what a later branch hangs on, at each place: registers, places in memory, comparisons."""
        live: dict[_Node, set[Any]] = {}
        for node in reversed(self.order):
            op = self.ops[node]
            after: set[Any] = set().union(*(live[to] for to in self.next[node]))
            here = after.copy()
            written = {("r", register) for register in _writes(op)}
            matters = bool(written & after) or (op.flags and _FLAGS in after)
            if node not in self.depends:
                here -= written
                if op.flags:
                    here.discard(_FLAGS)
            if matters or op.name in ("store", "zero", "nonzero"):
                here |= {("r", register) for register in (op.base, op.third, *op.by.reads)} | self._reads[node]
            if op.name == "store":
                here |= {("r", register) for register, place in zip(op.to, self._stores.get(node, ()), strict=False)
                         if place in after}  # fmt: skip
            elif op.name == "push":
                here |= {("r", register) for register in op.to}
            here |= {one for one in self._reads[node] if one[0] == "fact"}
            if node in self.depends or (op.name == "branch" and op.condition != ALWAYS):
                here.add(_FLAGS)
            live[node] = here
        return live

    # The bound ------------------------------------------------------------------------------------------------------

    def bound(self, known: Mapping[Place, tuple[int, int]]) -> int:
        """Return the most instructions from call to return, with these places in these intervals at the call.

        Raises `UserError` where there are too many ways to tell apart.
        """
        start = self._start()
        start.facts = {("in", *place): interval for place, interval in known.items()}
        ways: dict[_Node, dict[Any, tuple[int, Way]]] = {self.entry: {(): (0, start)}}
        lengths: list[int] = []
        for node in self.order:
            here = ways.pop(node, {})
            if len(here) > WIDEST:
                raise UserError(f"no bound over the ways that exist: more than {WIDEST} to tell apart")
            for spent, way in here.values():
                if node in self.ends:
                    lengths.append(spent + 1)
                for to, follows in self._step(node, way, None):
                    key = self._trimmed(to, follows)
                    there = ways.setdefault(to, {})
                    if key not in there or there[key][0] <= spent:
                        there[key] = (spent + 1, follows)
        return max(lengths, default=0)

    def _trimmed(self, node: _Node, way: Way) -> Any:
        live = self._live[node]
        registers = [value if ("r", at) in live else None for at, value in enumerate(way.registers)]
        registers[SP] = way.registers[SP]
        way.registers = registers
        places = self._live_places[node]
        way.memory = {place: value for place, value in way.memory.items()
                      if place[0] == STACK or any(overlap(place, one) for one in places)}  # fmt: skip
        if _FLAGS not in live:
            way.flags = UNKNOWN
        way.facts = {key: fact for key, fact in way.facts.items() if ("fact", key) in live}
        return way.all_known()

    # What an instruction does ---------------------------------------------------------------------------------------

    def _start(self) -> Way:
        way = Way()
        for register, name in enumerate(self.arguments):
            way.registers[register] = ("at", name, 0)
        way.registers[SP] = ("at", STACK, 0)
        return way

    def _step(self, node: _Node, way: Way, reads: set[Any] | None) -> Iterator[tuple[_Node, Way]]:
        """Yield where the ways go from here and what is known there; `reads` gathers what has been asked."""
        op, after = self.ops[node], self.next[node]
        decides = None
        if op.name in ("zero", "nonzero"):
            decides = Flags(way.number(way.registers[op.base]), 0), EQ if op.name == "zero" else NE
        elif op.name == "branch" and op.condition != ALWAYS:
            decides = way.flags, op.condition
        if decides is not None:
            for truth, went in self._decided(way, *decides, reads):
                yield after[1] if truth else after[0], went
            return
        condition = self.depends.get(node, ALWAYS)
        ways = [(True, way.copy())] if condition == ALWAYS else list(self._decided(way, way.flags, condition, reads))
        if not ways:
            return  # what the way knows contradicts itself: it does not exist
        for truth, went in ways:
            if truth:
                self._does(op, went, node, reads)
        # Ways that part for one instruction go on as one. A conditional return or jump has both ways before it.
        together = reduce(joined, (went for _, went in ways))
        yield from ((to, together.copy()) for to in after)

    def _decided(self, way: Way, flags: Flags, condition: int, reads: set[Any] | None) -> Iterator[tuple[bool, Way]]:
        left, right = flags.left, flags.right
        if reads is not None:
            reads.add(("fact", fact_about(left, right)))
        allowed = way.allowed(condition, flags)
        if allowed is None:
            yield True, way.copy()
            yield False, way.copy()
            return
        now = way.relation(left, right)
        for truth, relations in ((True, now & allowed), (False, now - allowed)):
            if relations:
                went = way.copy()
                went.note(left, right, relations)
                yield truth, went

    def _does(self, op: Op, way: Way, node: _Node, reads: set[Any] | None) -> None:
        registers = way.registers
        name = op.name
        if name in ("nothing", "branch", "return"):
            return
        if name == "call":
            registers[LINK] = None
            return
        if name == "load":
            self._load(op, way, node, reads)
        elif name == "store":
            self._store(op, way, node, reads)
        elif name == "push":
            self._push(op, way)
        elif name == "pop":
            self._pop(op, way)
        elif name in ("cmp", "cmn", "tst"):
            left, right = (way.number(one) for one in (registers[op.base], self._operand(way, op.by)))
            if name == "cmp":
                way.flags = Flags(left, right)
            elif name == "cmn" and isinstance(right, int) and right not in (0, LOWEST):
                # Against 0 the carry is another than that of a comparison; the other number has no counterpart.
                way.flags = Flags(left, -right)
            else:
                way.flags = Flags(worked("and", left, right), 0, True) if name == "tst" else UNKNOWN
        elif name == "other":
            way.forget()
        else:
            self._reckon(op, way)

    def _reckon(self, op: Op, way: Way) -> None:
        registers = way.registers
        right = way.number(self._operand(way, op.by))
        left = way.number(registers[op.base]) if op.base >= 0 else None
        if op.name == "mov":
            value = right
        elif op.name == "literal":
            value = self.longest.word(op.by.number)
        elif op.name == "mvn":
            value = ~right if isinstance(right, int) else None
        elif op.name == "movt":
            value = signed(left & 0xFFFF | right << 16) if isinstance(left, int) else None
        elif op.name in ("mla", "mls"):
            product = worked("mul", left, right)
            value = worked("add" if op.name == "mla" else "sub", way.number(registers[op.third]), product)
        else:
            value = worked(op.name, left, right)
        registers[op.to[0]] = value
        if op.flags:
            is_compared = op.name in ("sub", "rsb")
            pair = (left, right) if op.name == "sub" else (right, left)
            way.flags = Flags(*pair) if is_compared else Flags(value, 0, True)

    def _operand(self, way: Way, by: Operand) -> Value:
        if by.register < 0:
            return by.number
        value = way.registers[by.register]
        return worked(by.shift, way.number(value), by.number) if by.shift else value

    def _places(self, op: Op, way: Way) -> list[Place] | None:
        """Return what a load or a store is of; None where that is not known."""
        base, by = way.registers[op.base], way.number(self._operand(way, op.by))
        if not _is_pointer(base) or not isinstance(by, int):
            return None
        return [(base[1], base[2] + by + at * op.size, op.size) for at in range(len(op.to))]

    def _load(self, op: Op, way: Way, node: _Node, reads: set[Any] | None) -> None:
        places = self._places(op, way)
        if places is None:
            values: list[Value] = [None] * len(op.to)
        else:
            if reads is not None:
                reads.update(places)
            # What nobody is known to ask for is not kept: see `_trimmed`.
            values = [way.read(place) if place in self._reads[node] else None for place in places]
        for register, value in zip(op.to, values, strict=True):
            way.registers[register] = value

    def _store(self, op: Op, way: Way, node: _Node, reads: set[Any] | None) -> None:
        places = self._places(op, way)
        if places is None:
            way.forget_memory()
            return
        if reads is not None:
            self._stores[node] = places
        for place, register in zip(places, op.to, strict=True):
            way.write(place, way.number(way.registers[register]))

    def _push(self, op: Op, way: Way) -> None:
        sp = worked("sub", way.registers[SP], 4 * len(op.to))
        if not _is_pointer(sp):
            way.forget()
            return
        for at, register in enumerate(op.to):
            way.write((sp[1], sp[2] + 4 * at, 4), way.registers[register])
        way.registers[SP] = sp

    def _pop(self, op: Op, way: Way) -> None:
        sp = way.registers[SP]
        if not _is_pointer(sp):
            way.forget()
            return
        for at, register in enumerate(op.to):
            way.registers[register] = way.read((sp[1], sp[2] + 4 * at, 4))
        way.registers[SP] = after = worked("add", sp, 4 * len(op.to))
        # What lies below is nobody's any more.
        way.memory = {place: value for place, value in way.memory.items() if place[0] != STACK or place[1] >= after[2]}


def _is_pointer(value: Value) -> bool:
    return isinstance(value, tuple) and value[0] == "at"


def _writes(op: Op) -> tuple[int, ...]:
    if op.name in ("store", "push", "cmp", "cmn", "tst"):
        return ()
    return op.to
