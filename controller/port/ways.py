"""The most instructions of a tick over the ways that can exist: what a way has set or found is known later on it.

`controller.port.longest` lets every branch go either way. Here each way carries what it knows: constants in registers
and memory, the state of the chart (each in turn), and how a comparison ended that is made once more. A branch that this
decides goes one way only. What an instruction does that is not understood is forgotten, never guessed, so no input, no
memory in range and no calibration takes more.

The four structures of a tick do not overlap, and a truth value is 0 or 1: C promises that to the compiler as well.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from controller.errors import UserError
from controller.port.longest import LongestWay
from controller.port.thumb import ALWAYS, LINK, PROGRAM_COUNTER, SP, Op, Operand, signed

Value = Any
"""A number, a tuple (a place, a pointer, an operation on values), or None: unknown."""

Place = tuple[str, int, int]
"""A structure, an offset into it and a size in bytes."""

_Node = tuple[tuple[int, ...], int]
"""Where the calls on the way return to, and an address."""

_EQ, _NE, _MI, _PL, _HI, _LS, _GE, _LT, _GT, _LE, _CS, _CC = 0, 1, 4, 5, 8, 9, 10, 11, 12, 13, 2, 3
_RELATIONS = {_EQ: {0}, _NE: {-1, 1}, _GE: {0, 1}, _LT: {-1}, _GT: {1}, _LE: {-1, 0}}
_UNSIGNED = {_HI: _GT, _LS: _LE, _CS: _GE, _CC: _LT}
_SIGNS = {_MI: _LT, _PL: _GE}
_WIDEST = 5_000
"""How many ways are told apart at one place of the code; ours need about a thousand."""

_LOWEST, _HIGHEST = -(2**31), 2**31 - 1
_ANY = frozenset((-1, 0, 1))


@dataclass(frozen=True)
class _Flags:
    """What the flags came from: `left` compared with `right`, or a result (`right` is 0, the sign and zero only)."""

    left: Value
    right: Value
    is_result: bool = False


@dataclass
class _Way:
    """What is known on a way."""

    registers: list[Value]
    memory: dict[Place, Value]
    """By structure, offset and size: what the way has written."""
    flags: _Flags | None
    facts: dict[Any, Any]
    """An interval of a value, or how two values compare."""

    def copy(self) -> _Way:
        return _Way(self.registers.copy(), self.memory.copy(), self.flags, self.facts.copy())

    def forget(self) -> None:
        self.registers = [None] * 16
        self.memory = {("any", 0, 0): None}
        self.flags, self.facts = None, {}


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
        ways: dict[_Node, _Way] = {self.entry: self._start()}
        for node in self.order:
            if node not in ways:
                continue
            way = ways.pop(node)
            for to, after in self._step(node, way, self._reads[node]):
                ways[to] = _joined(ways[to], after) if to in ways else after

    def _liveness(self) -> dict[_Node, set[Any]]:
        """Return what a later branch hangs on, at each place: registers, places in memory, comparisons."""
        live: dict[_Node, set[Any]] = {}
        for node in reversed(self.order):
            op = self.ops[node]
            after: set[Any] = set().union(*(live[to] for to in self.next[node]))
            here = after.copy()
            written = {("r", register) for register in _writes(op)}
            matters = bool(written & after) or (op.flags and "flags" in after)
            if node not in self.depends:
                here -= written
                if op.flags:
                    here.discard("flags")
            if op.name in ("load", "store", "zero", "nonzero"):
                here.add(("r", op.base))
                here |= {("r", register) for register in op.by.reads}
            if op.name == "store":
                here |= {("r", register) for register, place in zip(op.to, self._stores.get(node, ()), strict=False)
                         if place in after}  # fmt: skip
            elif op.name == "push":
                here |= {("r", register) for register in op.to}
            elif matters and op.name != "pop":
                here |= {("r", register) for register in _uses(op)}
                here |= self._reads[node]
            here |= {one for one in self._reads[node] if one[0] == "fact"}
            if node in self.depends or (op.name == "branch" and op.condition != ALWAYS):
                here.add("flags")
            live[node] = here
        return live

    # The bound ------------------------------------------------------------------------------------------------------

    def bound(self, known: Mapping[Place, tuple[int, int]]) -> int:
        """Return the most instructions from call to return, with these places in these intervals at the call.

        Raises `UserError` where there are too many ways to tell apart.
        """
        start = self._start()
        start.facts = {("in", *place): interval for place, interval in known.items()}
        ways: dict[_Node, dict[Any, tuple[int, _Way]]] = {self.entry: {(): (0, start)}}
        most = 0
        for node in self.order:
            here = ways.pop(node, {})
            if len(here) > _WIDEST:
                raise UserError(f"no bound over the ways that exist: more than {_WIDEST} to tell apart")
            for spent, way in here.values():
                if node in self.ends:
                    most = max(most, spent + 1)
                for to, follows in self._step(node, way, None):
                    key = self._trimmed(to, follows)
                    there = ways.setdefault(to, {})
                    if key not in there or there[key][0] <= spent:
                        there[key] = (spent + 1, follows)
        return most

    def _trimmed(self, node: _Node, way: _Way) -> Any:
        live = self._live[node]
        registers = [value if ("r", at) in live else None for at, value in enumerate(way.registers)]
        registers[SP] = way.registers[SP]
        way.registers = registers
        way.memory = {
            place: value for place, value in way.memory.items()
            if place in live or place[0] in ("stack", "any") or self._overlaps_live(place, live)
        }  # fmt: skip
        if "flags" not in live:
            way.flags = None
        way.facts = {key: fact for key, fact in way.facts.items() if ("fact", key) in live}
        return (tuple(way.registers), frozenset(way.memory.items()), way.flags, frozenset(way.facts.items()))

    @staticmethod
    def _overlaps_live(place: Place, live: set[Any]) -> bool:
        base, offset, size = place
        return any(
            isinstance(one, tuple) and len(one) == 3 and one[0] == base and one[1] < offset + size
            and offset < one[1] + one[2] for one in live
        )  # fmt: skip

    # What an instruction does ---------------------------------------------------------------------------------------

    def _start(self) -> _Way:
        registers: list[Value] = [("at", name, 0) for name in self.arguments]
        registers += [None] * (16 - len(registers))
        registers[SP] = ("at", "stack", 0)
        return _Way(registers, {}, None, {})

    def _step(self, node: _Node, way: _Way, reads: set[Any] | None) -> Iterator[tuple[_Node, _Way]]:
        """Yield where the ways go from here and what is known there; `reads` gathers what has been asked."""
        op, after = self.ops[node], self.next[node]
        condition = self.depends.get(node)
        if condition is None and op.name == "branch" and len(after) == 2:
            condition = op.condition
        if op.name in ("zero", "nonzero"):
            flags = _Flags(self._known(way, way.registers[op.base]), 0)
            for truth, went in self._decided(way, flags, _EQ if op.name == "zero" else _NE, reads):
                yield after[1] if truth else after[0], went
            return
        if condition is not None and condition != ALWAYS:
            ways = list(self._decided(way, way.flags, condition, reads))
            if op.name == "branch" and node not in self.depends:
                yield from ((after[1 if truth else 0], went) for truth, went in ways)
                return
            if not ways:
                return  # what the way knows contradicts itself: it does not exist
            for truth, went in ways:
                if truth:
                    self._does(op, went, node, reads)
            # Ways that part for a few instructions only, and are as long, go on as one.
            together = ways[0][1] if len(ways) == 1 else _joined(ways[0][1], ways[1][1])
            # A conditional return or jump has both ways; everything else goes on.
            yield from ((to, together.copy()) for to in after)
            return
        went = way.copy()
        self._does(op, went, node, reads)
        yield from ((to, went.copy()) for to in after)

    def _decided(
        self, way: _Way, flags: _Flags | None, condition: int, reads: set[Any] | None
    ) -> Iterator[tuple[bool, _Way]]:
        if flags is None:
            yield True, way.copy()
            yield False, way.copy()
            return
        allowed = self._allowed(condition, flags, way)
        if allowed is None:
            yield True, way.copy()
            yield False, way.copy()
            return
        left, right = flags.left, flags.right
        now = self._relation(way, left, right)
        if reads is not None and not (isinstance(left, int) and isinstance(right, int)):
            reads.add(("fact", _key(left, right)))
        for truth, relations in ((True, now & allowed), (False, now - allowed)):
            if relations:
                went = way.copy()
                _note(went, left, right, frozenset(relations))
                yield truth, went

    def _allowed(self, condition: int, flags: _Flags, way: _Way) -> frozenset[int] | None:
        left, right = flags.left, flags.right
        if left is None or right is None:
            return None
        if condition in _RELATIONS and (not flags.is_result or condition in (_EQ, _NE)):
            return frozenset(_RELATIONS[condition])
        if condition in _SIGNS and flags.is_result:
            return frozenset(_RELATIONS[_SIGNS[condition]])
        if condition in _UNSIGNED and not flags.is_result:
            low, _ = self._interval(way, left)
            other, _ = self._interval(way, right)
            if low >= 0 and other >= 0:
                return frozenset(_RELATIONS[_UNSIGNED[condition]])
        return None

    def _interval(self, way: _Way, value: Value) -> tuple[int, int]:
        if isinstance(value, int):
            return value, value
        if value in way.facts:
            low, high = way.facts[value]
            return low, high
        if isinstance(value, tuple) and value[0] == "in" and value[3] == 1:
            return 0, 1
        return _LOWEST, _HIGHEST

    def _relation(self, way: _Way, left: Value, right: Value) -> frozenset[int]:
        if left == right:
            return frozenset((0,))
        (a_low, a_high), (b_low, b_high) = self._interval(way, left), self._interval(way, right)
        found = {sign for sign, can in ((-1, a_low < b_high), (0, a_low <= b_high and b_low <= a_high),
                                        (1, a_high > b_low)) if can}  # fmt: skip
        if not isinstance(left, int) and not isinstance(right, int):
            turned, key = _turned(left, right)
            known = way.facts.get(("pair", *key), _ANY)
            found &= {-sign for sign in known} if turned else known
        return frozenset(found)

    def _known(self, way: _Way, value: Value) -> Value:
        if isinstance(value, tuple):
            low, high = self._interval(way, value)
            if low == high:
                return low
        return value

    def _does(self, op: Op, way: _Way, node: _Node, reads: set[Any] | None) -> None:
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
            left, right = (self._known(way, one) for one in (registers[op.base], self._operand(way, op.by)))
            if name == "cmp":
                way.flags = _Flags(left, right)
            elif name == "cmn" and isinstance(right, int) and right != _LOWEST:
                way.flags = _Flags(left, -right)
            else:
                way.flags = _Flags(_worked("and", left, right), 0, True) if name == "tst" else None
        elif name == "other":
            way.forget()
        else:
            self._reckon(op, way)

    def _reckon(self, op: Op, way: _Way) -> None:
        registers = way.registers
        right = self._known(way, self._operand(way, op.by))
        left = self._known(way, registers[op.base]) if op.base >= 0 else None
        if op.name == "mov":
            value = right
        elif op.name == "literal":
            value = self.longest.word(op.by.number)
        elif op.name == "mvn":
            value = ~right if isinstance(right, int) else None
        elif op.name == "movt":
            value = signed(left & 0xFFFF | right << 16) if isinstance(left, int) else None
        elif op.name in ("mla", "mls"):
            product = _worked("mul", left, right)
            value = _worked("add" if op.name == "mla" else "sub", self._known(way, registers[op.third]), product)
        else:
            value = _worked(op.name, left, right)
        registers[op.to[0]] = value
        if op.flags:
            is_compared = op.name in ("sub", "rsb")
            pair = (left, right) if op.name == "sub" else (right, left)
            way.flags = _Flags(*pair) if is_compared else _Flags(value, 0, True)

    def _operand(self, way: _Way, by: Operand) -> Value:
        if by.register < 0:
            return by.number
        value = way.registers[by.register]
        return _worked(by.shift, self._known(way, value), by.number) if by.shift else value

    def _address(self, op: Op, way: _Way) -> Value:
        base, by = way.registers[op.base], self._known(way, self._operand(way, op.by))
        if isinstance(base, tuple) and base[0] == "at" and isinstance(by, int):
            return (base[1], base[2] + by)
        return None

    def _load(self, op: Op, way: _Way, node: _Node, reads: set[Any] | None) -> None:
        address = self._address(op, way)
        values: list[Value] = []
        for at in range(len(op.to)):
            if address is None:
                values.append(None)
                continue
            place = (address[0], address[1] + at * op.size, op.size)
            if reads is not None:
                reads.add(place)
            elif place[0] != "stack" and place not in self._reads[node]:
                values.append(None)
                continue
            values.append(_read(way, place))
        for register, value in zip(op.to, values, strict=True):
            way.registers[register] = value

    def _store(self, op: Op, way: _Way, node: _Node, reads: set[Any] | None) -> None:
        address = self._address(op, way)
        values = [self._known(way, way.registers[register]) for register in op.to]
        if address is None:
            way.memory = {("any", 0, 0): None}
            way.facts = {}
            return
        places = [(address[0], address[1] + at * op.size, op.size) for at in range(len(values))]
        if reads is not None:
            self._stores[node] = places
        for place, value in zip(places, values, strict=True):
            _write(way, place, value)

    def _push(self, op: Op, way: _Way) -> None:
        sp = way.registers[SP]
        if sp is None:
            way.forget()
            return
        low = sp[2] - 4 * len(op.to)
        for at, register in enumerate(op.to):
            _write(way, ("stack", low + 4 * at, 4), way.registers[register])
        way.registers[SP] = ("at", "stack", low)

    def _pop(self, op: Op, way: _Way) -> None:
        sp = way.registers[SP]
        if sp is None:
            way.forget()
            return
        for at, register in enumerate(op.to):
            if register != PROGRAM_COUNTER:
                way.registers[register] = _read(way, ("stack", sp[2] + 4 * at, 4))
        high = sp[2] + 4 * len(op.to)
        way.registers[SP] = ("at", "stack", high)
        # What lies below is nobody's any more.
        way.memory = {place: value for place, value in way.memory.items() if place[0] != "stack" or place[1] >= high}


def _overlap(one: Place, other: Place) -> bool:
    return one[0] == other[0] and one[1] < other[1] + other[2] and other[1] < one[1] + one[2]


def _read(way: _Way, place: Place) -> Value:
    if place in way.memory:
        return way.memory[place]
    if ("any", 0, 0) in way.memory or place[0] == "stack" or any(_overlap(place, one) for one in way.memory):
        return None
    return ("in", *place)


def _write(way: _Way, place: Place, value: Value) -> None:
    if place[2] < 4 and not (isinstance(value, int) and 0 <= value < 1 << 8 * place[2]):
        value = None
    # What is overwritten in part is known no more, and what is not known stays marked as written.
    for one in [one for one in way.memory if one != place and _overlap(place, one)]:
        way.memory[one] = None
    way.memory[place] = value


def _turned(left: Value, right: Value) -> tuple[bool, tuple[Value, Value]]:
    return (True, (right, left)) if repr(right) < repr(left) else (False, (left, right))


def _key(left: Value, right: Value) -> Any:
    if isinstance(right, int):
        return left
    if isinstance(left, int):
        return right
    return ("pair", *_turned(left, right)[1])


def _note(way: _Way, left: Value, right: Value, relations: frozenset[int]) -> None:
    if isinstance(left, int) and isinstance(right, int):
        return
    if isinstance(left, int):
        left, right, relations = right, left, frozenset(-sign for sign in relations)
    if isinstance(right, int):
        low, high = way.facts.get(left, (0, 1) if left[0] == "in" and left[3] == 1 else (_LOWEST, _HIGHEST))
        if 1 not in relations:
            high = min(high, right)
        if -1 not in relations:
            low = max(low, right)
        if 0 not in relations:
            low += low == right
            high -= high == right
        way.facts[left] = (low, high)
        return
    turned, key = _turned(left, right)
    way.facts[("pair", *key)] = frozenset(-sign for sign in relations) if turned else relations


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
_DEEPEST = 6


def _worked(name: str, left: Value, right: Value) -> Value:
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
    if name in ("add", "mul", "orr", "and", "eor") and repr(right) < repr(left):
        left, right = right, left
    value = (name, left, right)
    return value if _depth(value) <= _DEEPEST else None


def _depth(value: Value) -> int:
    if not isinstance(value, tuple) or value[0] in ("in", "at"):
        return 0
    return 1 + max(_depth(value[1]), _depth(value[2]))


def _joined(one: _Way, other: _Way) -> _Way:
    registers = [a if a == b else None for a, b in zip(one.registers, other.registers, strict=True)]
    places = one.memory.keys() | other.memory.keys()
    memory = {place: one.memory.get(place) if place in one.memory and place in other.memory
              and one.memory[place] == other.memory[place] else None for place in places}  # fmt: skip
    facts = {key: fact for key, fact in one.facts.items() if other.facts.get(key) == fact}
    return _Way(registers, memory, one.flags if one.flags == other.flags else None, facts)


def _writes(op: Op) -> tuple[int, ...]:
    if op.name in ("store", "push", "cmp", "cmn", "tst"):
        return ()
    return op.to


def _uses(op: Op) -> set[int]:
    uses = {op.base, op.third, *op.by.reads}
    if op.name in ("store", "push"):
        uses |= set(op.to)
    return uses - {-1}
