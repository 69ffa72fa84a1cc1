"""One C function of the port: statements over traced terms, with a local for each term that is used twice."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from itertools import count
from typing import Any

from controller.port.c_text import number, statement
from controller.port.folding import Folder
from controller.ruleset import RuleSet
from controller.terms import Graph, Term

_DEEPEST = 14
"""A nested expression is cut here: a reader, and a compiler's limits."""

_INFIX = {"&": "&&", "|": "||"}

_DONE_AGAIN = ("<", "<=", "==", "!=", "*")

Write = Callable[[], None]


class Places:
    """The terms of one port and the C place of each variable; all functions of the file share it."""

    def __init__(self, rules: RuleSet) -> None:
        self.rules = rules
        self.graph = Graph()
        declared = (("x", rules.signals), ("k", rules.keys), ("m", rules.memory))
        self.folder = Folder(
            self.graph, {f"{root}.{one.name}": (one.low, one.high) for root, parts in declared for one in parts}
        )
        self.helpers: set[str] = set()
        self.of: dict[str, str] = {f"x.{one.name}": f"x->{one.name}" for one in rules.signals}
        self.of |= {f"k.{one.name}": f"k->{one.name}" for one in rules.keys}
        self.of |= {f"m.{one.name}": f"m->{one.name}" for one in rules.memory}

    def variable(self, name: str, kind: Any, place: str) -> Term:
        """Return a variable that stands for a C place from now on."""
        self.of[name] = place
        return self.graph.variable(name, kind)

    def fold(self, value: Any) -> Term:
        """Return any value of a rule as a folded term."""
        return self.folder.fold(self.graph.lift(value))


class Scope:
    """Statements of a C function: gathered first, then written with each shared term as a local.

    Scopes that follow each other in one function take the numbers of their locals from one count.
    """

    def __init__(self, places: Places, numbers: Iterator[int] | None = None) -> None:
        self.places = places
        self._numbers = numbers or count(1)
        self.lines: list[str] = []
        self._steps: list[tuple[list[Term], Write, frozenset[Term]]] = []
        self._indent = "    "
        self._uses: Counter[Term] = Counter()
        self._names: dict[Term, str] = {}

    def add(self, terms: Sequence[Term], write: Write, later: Sequence[Term] = ()) -> None:
        """Add a step that needs these terms; `write` appends its lines. It binds what the ones for `later` need."""
        self._steps.append(([*terms, *later], write, frozenset(later)))

    def say(self, text: str) -> None:
        """Append a wrapped statement."""
        self.lines.append(statement(text, self._indent))

    @contextmanager
    def block(self) -> Iterator[None]:
        """Write the lines of a block of its own; what is bound in it is known in it only."""
        outside, names = self._indent, self._names.copy()
        self.lines.append(f"{outside}{{")
        self._indent = f"{outside}    "
        yield
        self._indent, self._names = outside, names
        self.lines.append(f"{outside}}}")

    def finish(self) -> list[str]:
        """Write all steps and return the lines."""
        seen: set[Term] = set()
        for terms, _, _ in self._steps:
            self._count(terms, seen)
        for terms, write, later in self._steps:
            for term in terms:
                if term not in later:
                    self.name_shared(term)
            write()
        return self.lines

    def _count(self, roots: Sequence[Term], seen: set[Term]) -> None:
        self._uses.update(roots)
        waiting = [root for root in roots if root not in seen]
        while waiting:
            term = waiting.pop()
            if term in seen:
                continue
            seen.add(term)
            self._uses.update(term.parts)
            waiting += term.parts

    def missing_locals(self, root: Term) -> set[Term]:
        """Return what has to be bound as a local before a term can be written."""
        return {term for term in self._below(root) if term.op not in ("var", "const") and self._is_kept(term)}

    def is_needed_here_only(self, terms: set[Term], root: Term) -> bool:
        """Say whether nothing but `root` uses any of these terms."""
        within: Counter[Term] = Counter([root])
        for term in self._below(root):
            within.update(term.parts)
        return all(within[term] == self._uses[term] for term in terms)

    def _below(self, root: Term) -> set[Term]:
        below: set[Term] = set()
        waiting = [root]
        while waiting:
            term = waiting.pop()
            if term not in below and term not in self._names:
                below.add(term)
                waiting += term.parts
        return below

    def name_shared(self, root: Term) -> None:
        """Bind what a term needs more than once, or is too deep for, as locals."""
        # In the order of need and without recursion; a shared term is a local before its first statement.
        order: list[Term] = []
        waiting: list[tuple[Term, bool]] = [(root, False)]
        seen: set[Term] = set()
        while waiting:
            term, parts_done = waiting.pop()
            if parts_done:
                order.append(term)
            elif term not in seen and term not in self._names:
                seen.add(term)
                waiting.append((term, True))
                waiting += [(part, False) for part in reversed(term.parts)]
        depth: dict[Term, int] = {}
        for term in order:
            if term.op in ("var", "const"):
                continue
            depth[term] = 1 + max(depth.get(part, 0) for part in term.parts)
            if term is not root and (self._is_kept(term) or depth[term] > _DEEPEST):
                self.bind(term)
                depth[term] = 0
        if root.op not in ("var", "const") and root not in self._names and self._is_kept(root):
            self.bind(root)

    def _is_kept(self, term: Term) -> bool:
        # A comparison or a product of two places is done again sooner than kept in a register that others need.
        is_short = term.op in _DONE_AGAIN and all(part.op in ("var", "const") for part in term.parts)
        return self._uses[term] > 1 and not is_short

    def is_named(self, term: Term) -> bool:
        """Say whether a term is a local already."""
        return term in self._names

    def name(self, term: Term, name: str) -> None:
        """Let a name that has been written stand for a term."""
        self._names[term] = name

    def bind(self, term: Term, name: str = "") -> None:
        """Write a term as a local of its own."""
        text = self.text(term)
        self._names[term] = name or f"t{next(self._numbers)}"
        self.say(f"const {c_type(term.kind)} {self._names[term]} = {bare(text)};")

    def text(self, term: Term) -> str:
        """Return a term as a C expression, in brackets unless it is a name or a number."""
        if term in self._names:
            return self._names[term]
        if term.op == "const":
            return ("true" if term.value else "false") if term.kind == "bool" else number(int(term.value))
        if term.op == "var":
            return self.places.of[str(term.value)]
        parts = [self.text(part) for part in term.parts]
        if term.op == "-" and parts[0] == "0":
            return f"(-{parts[1]})"
        if term.op == "not":
            return f"(!{parts[0]})"
        if term.op == "select":
            return f"({parts[0]} ? {parts[1]} : {parts[2]})"
        if term.op in ("min", "max"):
            self.places.helpers.add(f"rules_{term.op}")
            return f"rules_{term.op}({bare(parts[0])}, {bare(parts[1])})"
        return f"({parts[0]} {_INFIX.get(term.op, term.op)} {parts[1]})"


def c_type(kind: str) -> str:
    """Return the C type of a term's kind."""
    return "bool" if kind == "bool" else "int32_t"


def bare(text: str) -> str:
    """Return an expression without its outermost brackets."""
    if not text.startswith("(") or text == "(-2147483647 - 1)":
        return text
    depth = 0
    for at, sign in enumerate(text):
        depth += (sign == "(") - (sign == ")")
        if depth == 0:
            return text[1:-1] if at == len(text) - 1 else text
    return text
