"""The traced tick as straight-line source: the same text runs on plain Python, fast, and compiles for lanes."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping
from functools import lru_cache
from operator import itemgetter
from typing import Any

from controller.intervals import reachable
from controller.ruleset import RuleSet
from controller.step import Command, initial_memory
from controller.terms import Term
from controller.tracer import Program, trace

_DEEPEST = 12
"""A nested expression is cut here, so that no parser runs out of room."""

_INFIX = {"+": "+", "-": "-", "*": "*", "<": "<", "<=": "<=", "==": "==", "!=": "!=", "&": "and", "|": "or"}


def source(program: Program, outputs: tuple[Term, ...] | None = None) -> str:
    """Return a function `tick(x, k, m)` as Python source.

    `x`, `k` and `m` are sequences of whole numbers in the order of the rule set's signals, keys and memory; it
    returns the new memory and then the command, or the given `outputs`, as one tuple. Where these hold fields of
    the histories, the function is `tick(x, k, m, h)` with `h` in the order of histories and their fields. A term
    used once stands inside its user, so that `select` works out only the side it needs.
    """
    rules = program.rules
    watched = outputs is not None
    outputs = program.outputs if outputs is None else outputs
    slots = {f"x.{one.name}": (f"x[{at}]", one.is_flag) for at, one in enumerate(rules.signals)}
    slots |= {f"k.{one.name}": (f"k[{at}]", one.is_flag) for at, one in enumerate(rules.keys)}
    slots |= {f"m.{one.name}": (f"m[{at}]", one.is_flag) for at, one in enumerate(rules.memory)}
    fields = [(f"h.{history.name}.{one.name}", one.is_flag) for history in rules.histories for one in history.keeps]
    slots |= {name: (f"h[{at}]", is_flag) for at, (name, is_flag) in enumerate(fields)}
    uses = Counter(part.index for term in reachable(outputs) for part in term.parts)
    uses.update(term.index for term in outputs)
    names: dict[int, str] = {}
    lines = [f"def tick(x, k, m{', h' if watched else ''}):"]

    def is_own_line(term: Term) -> bool:
        return term.op not in ("var", "const") and uses[term.index] > 1

    def text(term: Term, depth: int = 0) -> str:
        if term.index in names:
            return names[term.index]
        if term.op == "const":
            return str(bool(term.value)) if term.kind == "bool" else str(term.value)
        if term.op == "var":
            slot, is_flag = slots[str(term.value)]
            written = f"({slot} != 0)" if is_flag else slot
            if uses[term.index] == 1:
                return written
        elif not is_own_line(term) and depth < _DEEPEST:
            return f"({operation(term, depth + 1)})"
        else:
            written = operation(term, 0)
        return local(term, written)

    def local(term: Term, written: str) -> str:
        # No name ends in a digit: numba puts the place in the code behind a name, and t1 at 2572 is not t12 at 572.
        names[term.index] = f"t{term.index}_"
        lines.append(f"    {names[term.index]} = {written}")
        return names[term.index]

    def operation(term: Term, depth: int) -> str:
        if term.op in ("min", "max"):
            # Both sides are needed twice, so each gets a name first.
            left, right = (named(part) for part in term.parts)
            return f"{left} if {left} {'<' if term.op == 'min' else '>'} {right} else {right}"
        parts = [text(part, depth) for part in term.parts]
        if term.op == "select":
            return f"{parts[1]} if {parts[0]} else {parts[2]}"
        if term.op == "not":
            return f"not {parts[0]}"
        return f"{parts[0]} {_INFIX[term.op]} {parts[1]}"

    def named(term: Term) -> str:
        if term.op == "const":
            return text(term)
        written = text(term)
        return names[term.index] if term.index in names else local(term, written)

    results = [text(term) for term in outputs]
    lines.append(f"    return ({', '.join(results)})")
    return "\n".join(lines) + "\n"


@lru_cache(maxsize=8)
def compiled(rules: RuleSet) -> Callable[[Any, Any, Any], tuple[int, ...]]:
    """Return the straight-line tick of a rule set as a Python function."""
    scope: dict[str, Any] = {}
    exec(compile(source(trace(rules)), f"<straight {rules.name}>", "exec"), scope)  # the text above, nobody's input
    tick: Callable[[Any, Any, Any], tuple[int, ...]] = scope["tick"]
    return tick


class Straight:
    """A controller with its memory on the straight-line tick; equal to `controller.step.Reference`, and faster."""

    def __init__(self, rules: RuleSet, calibration: Any) -> None:
        self.rules, self.calibration = rules, calibration
        self.memory = initial_memory(rules)
        self._tick = compiled(rules)
        self._in_order = itemgetter(*(signal.name for signal in rules.signals))
        self._size = len(self.memory)

    def tick(self, inputs: Mapping[str, int]) -> Command:
        """Take one tick's inputs by signal name and return the command."""
        out = self._tick(self._in_order(inputs), self.calibration, self.memory)
        self.memory = out[: self._size]
        return Command._make(out[self._size :])
