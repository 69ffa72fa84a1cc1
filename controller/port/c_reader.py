"""Reads the emitted C back as mathematics: each function becomes what it writes, as 32-bit values.

Only the C that the port may emit is understood: straight-line blocks, `if`, calls of functions of the same text,
int32 and bool. Anything else is refused with its line, so that nothing is read as something it is not.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any, TypeVar

import z3
from pycparser import c_ast, c_parser

from controller.port.bits import Bits, Kind, Value
from controller.port.c_text import HIGHEST


class CTextError(Exception):
    """The C text is outside what the port may emit, or would be refused by a compiler."""


_TYPES = "typedef int int32_t; typedef unsigned int uint32_t; typedef _Bool bool;\n"
_KINDS: dict[str, Kind] = {"int32_t": "int", "bool": "bool"}
_TURNED = {">": "<", ">=": "<="}
"""Comparisons that are read with their sides changed over."""


_Made = TypeVar("_Made")


@dataclass(frozen=True)
class Pointer:
    """What a structure's pointer points at, e.g. `m`: its fields are `m.band`, `m.hot`."""

    path: str
    type: str
    is_const: bool


@dataclass
class Program:
    """A parsed text: its structures (field to kind) and functions."""

    structures: dict[str, dict[str, Kind]]
    functions: dict[str, Any]


@dataclass
class _Frame:
    locals: dict[str, Value | Pointer]
    constant: set[str]
    result: Value | None = None


@dataclass
class Machine:
    """Runs functions of a program on symbolic values; `store` holds every structure field by its path."""

    program: Program
    bits: Bits
    store: dict[str, Value]
    calls: list[str] = field(default_factory=list)
    written: list[str] = field(default_factory=list)
    """Every write to a structure so far, by path: shows whether a call had an effect."""

    def call(self, name: str, arguments: list[Value | Pointer]) -> Value | None:
        """Run a function; returns its result, or None for `void`."""
        function = self.program.functions.get(name)
        if function is None:
            raise CTextError(f"function {name!r} is not in the text")
        if name in self.calls:
            raise CTextError(f"function {name!r} calls itself")
        declared = function.decl.type.args
        parameters = [] if declared is None else [one for one in declared.params if isinstance(one, c_ast.Decl)]
        if len(parameters) != len(arguments):
            raise CTextError(f"{name} takes {len(parameters)} arguments, called with {len(arguments)}")
        frame = _Frame({}, set())
        for parameter, argument in zip(parameters, arguments, strict=True):
            frame.locals[parameter.name] = _passed(parameter, argument)
        self.calls.append(name)
        self._block(function.body, frame)
        self.calls.pop()
        if _kind(function.decl.type.type) != (frame.result.kind if frame.result is not None else None):
            raise CTextError(f"{name}: its result is not of its declared type")
        return frame.result

    # Statements ---------------------------------------------------------------------------------------------

    def _block(self, block: Any, frame: _Frame) -> None:
        outside = set(frame.locals)
        for item in block.block_items or []:
            if frame.result is not None:
                raise _no(item, "a statement after return")
            self._statement(item, frame)
        # What a block declares ends with it.
        frame.locals = {name: value for name, value in frame.locals.items() if name in outside}
        frame.constant &= outside

    def _statement(self, item: Any, frame: _Frame) -> None:
        if isinstance(item, c_ast.Decl):
            self._declaration(item, frame)
        elif isinstance(item, c_ast.Assignment):
            self._assignment(item, frame)
        elif isinstance(item, c_ast.If):
            self._if(item, frame)
        elif isinstance(item, c_ast.Return) and item.expr is not None:
            frame.result = self._value(item.expr, frame)
        elif isinstance(item, c_ast.FuncCall):
            self._call(item, frame)
        elif isinstance(item, c_ast.Compound):
            self._block(item, frame)
        else:
            raise _no(item, f"a {type(item).__name__}")

    def _declaration(self, item: Any, frame: _Frame) -> None:
        kind = _kind(item.type)
        # A static one would be set once and keep its value from call to call.
        if kind is None or item.init is None or item.storage:
            raise _no(item, "a local that is not an initialised int32_t or bool")
        if item.name in frame.locals:
            raise _no(item, f"{item.name!r} declared twice")
        # Evaluated before the name exists: C would let it read itself.
        frame.locals[item.name] = self._typed(item.init, kind, frame)
        if "const" in item.quals:
            frame.constant.add(item.name)

    def _assignment(self, item: Any, frame: _Frame) -> None:
        if item.op != "=":
            raise _no(item, f"assignment by {item.op}")
        target = item.lvalue
        if isinstance(target, c_ast.ID):
            old = frame.locals.get(target.name)
            if not isinstance(old, Value) or target.name in frame.constant:
                raise _no(item, f"an assignment to {target.name!r}")
            frame.locals[target.name] = self._typed(item.rvalue, old.kind, frame)
            return
        path, kind, is_const = self._field(target, frame)
        if is_const:
            raise _no(item, f"a write to {path}, which is const")
        self.store[path] = self._typed(item.rvalue, kind, frame)
        self.written.append(path)

    def _if(self, item: Any, frame: _Frame) -> None:
        condition = self._typed(item.cond, "bool", frame)
        if z3.is_true(condition.term) or z3.is_false(condition.term):
            taken = item.iftrue if z3.is_true(condition.term) else item.iffalse
            if taken is not None:
                self._statement(taken, frame)
            return
        yes_store, yes_names = self._arm(item.iftrue, frame, condition)
        no_store, no_names = self._arm(item.iffalse, frame, self.bits.opposite(condition))
        # What only one arm has written is not known after it.
        self.store = {path: self._merged(condition, yes, no_store[path])
                      for path, yes in yes_store.items() if path in no_store}  # fmt: skip
        frame.locals = {name: self._merged(condition, yes_names[name], no_names[name]) for name in frame.locals}

    def _arm(self, block: Any, frame: _Frame, condition: Value) -> tuple[dict[str, Value], dict[str, Any]]:
        store, names = self.store, frame.locals
        self.store, frame.locals = dict(store), dict(names)
        self.bits.path.append(condition.term)
        if block is not None:
            self._statement(block, frame)
            if frame.result is not None:
                raise _no(block, "a return inside an if")
        self.bits.path.pop()
        after = (self.store, frame.locals)
        self.store, frame.locals = store, names
        return after

    def _merged(self, condition: Value, yes: Any, no: Any) -> Any:
        # A pointer is the same in both arms: none is ever assigned to.
        return yes if yes is no else self.bits.choice(condition, yes, no)

    # Expressions --------------------------------------------------------------------------------------------

    def _typed(self, node: Any, kind: Kind, frame: _Frame) -> Value:
        value = self._value(node, frame)
        if value.kind != kind:
            raise _no(node, f"a {value.kind} where a {kind} belongs")
        return value

    def _value(self, node: Any, frame: _Frame) -> Value:
        if isinstance(node, c_ast.Constant):
            return self._constant(node)
        if isinstance(node, c_ast.ID | c_ast.StructRef):
            found = self._lookup(node, frame)
            if isinstance(found, Value):
                return found
            raise _no(node, "a pointer where a value belongs")
        if isinstance(node, c_ast.UnaryOp):
            return self._unary(node, frame)
        if isinstance(node, c_ast.BinaryOp):
            return self._binary(node, frame)
        if isinstance(node, c_ast.TernaryOp):
            condition = self._typed(node.cond, "bool", frame)
            yes = self._under(condition, self._value, node.iftrue, frame)
            no = self._under(self.bits.opposite(condition), self._value, node.iffalse, frame)
            if yes.kind != no.kind:
                raise _no(node, "a choice between a number and a truth value")
            return self.bits.choice(condition, yes, no)
        if isinstance(node, c_ast.FuncCall):
            result = self._call(node, frame)
            if result is None:
                raise _no(node, "a value of a function that has none")
            return result
        raise _no(node, f"a {type(node).__name__}")

    def _constant(self, node: Any) -> Value:
        if node.type != "int" or not re.fullmatch(r"0|[1-9][0-9]*", node.value):
            raise _no(node, f"the constant {node.value}")
        value = int(node.value)
        if value > HIGHEST:
            raise _no(node, f"the constant {node.value}, which is no int32")
        return self.bits.number(value)

    def _unary(self, node: Any, frame: _Frame) -> Value:
        if node.op == "!":
            return self.bits.opposite(self._typed(node.expr, "bool", frame))
        if node.op == "-":
            return self.bits.arithmetic("-", self.bits.number(0), self._typed(node.expr, "int", frame))
        raise _no(node, f"the operator {node.op}")

    def _binary(self, node: Any, frame: _Frame) -> Value:
        if node.op in ("&&", "||"):
            left = self._typed(node.left, "bool", frame)
            reached = left if node.op == "&&" else self.bits.opposite(left)
            right = self._under(reached, self._typed, node.right, "bool", frame)
            return (self.bits.both if node.op == "&&" else self.bits.either)(left, right)
        left, right = (self._quiet(self._value, side, frame) for side in (node.left, node.right))
        if node.op in ("==", "!=") and left.kind == right.kind:
            return self.bits.compare(node.op, left, right)
        if left.kind == right.kind == "int":
            if node.op in ("+", "-", "*"):
                return self.bits.arithmetic(node.op, left, right)
            if node.op in ("<", "<="):
                return self.bits.compare(node.op, left, right)
            if node.op in _TURNED:
                return self.bits.compare(_TURNED[node.op], right, left)
        raise _no(node, f"the operator {node.op} on a {left.kind} and a {right.kind}")

    def _under(self, condition: Value, make: Callable[..., Value], node: Any, *given: Any) -> Value:
        self.bits.path.append(condition.term)
        value = self._quiet(make, node, *given)
        self.bits.path.pop()
        return value

    def _quiet(self, make: Callable[..., _Made], node: Any, *given: Any) -> _Made:
        # C leaves the order of operands and arguments open, and what stands on a condition may not be worked out.
        before = len(self.written)
        made = make(node, *given)
        if len(self.written) != before:
            raise _no(node, "a call with an effect as an operand or an argument")
        return made

    def _call(self, node: Any, frame: _Frame) -> Value | None:
        if not isinstance(node.name, c_ast.ID):
            raise _no(node, "a call of anything but a name")
        given = node.args.exprs if node.args else []
        arguments = [self._quiet(self._argument, one, frame) for one in given]
        return self.call(node.name.name, arguments)

    def _argument(self, node: Any, frame: _Frame) -> Value | Pointer:
        if isinstance(node, c_ast.ID):
            found = self._lookup(node, frame)
            if isinstance(found, Pointer):
                return found
        return self._value(node, frame)

    def _lookup(self, node: Any, frame: _Frame) -> Value | Pointer:
        if isinstance(node, c_ast.ID):
            if node.name in ("true", "false"):
                return self.bits.truth(node.name == "true")
            if node.name not in frame.locals:
                raise _no(node, f"the unknown name {node.name!r}")
            return frame.locals[node.name]
        path, _, _ = self._field(node, frame)
        if path not in self.store:
            raise _no(node, f"a read of {path}, which nothing has written")
        return self.store[path]

    def _field(self, node: Any, frame: _Frame) -> tuple[str, Kind, bool]:
        if not isinstance(node, c_ast.StructRef) or node.type != "->":
            raise _no(node, "something that is no field behind a pointer")
        owner = self._lookup(node.name, frame)
        if not isinstance(owner, Pointer):
            raise _no(node, "-> on a value")
        name = node.field.name
        fields = self.program.structures.get(owner.type, {})
        if name not in fields:
            raise _no(node, f"the field {name!r} of {owner.type}, which has none of that name")
        return f"{owner.path}.{name}", fields[name], owner.is_const


@lru_cache(maxsize=8)
def read(header: str, text: str) -> Program:
    """Parse a header and a text. Raises `CTextError` for what is no C, and for declarations that are not the port's.

    The same texts are asked for several times in a proof; nothing changes a program once it is read.
    """
    defined: dict[str, str] = {}
    plain = _TYPES
    for name, part in (("header", header), ("text", text)):
        plain += f'#line 1 "{name}"\n{_without_directives(part, defined)}\n'
    try:
        tree = c_parser.CParser().parse(plain)
    except Exception as error:  # pycparser raises its own class and, on odd text, others
        raise CTextError(f"not C: {error}") from None
    structures: dict[str, dict[str, Kind]] = {}
    functions: dict[str, Any] = {}
    for item in tree.ext:
        if isinstance(item, c_ast.Typedef) and isinstance(item.type.type, c_ast.Struct):
            structures[item.name] = dict(map(_member, item.type.type.decls or []))
        elif isinstance(item, c_ast.FuncDef):
            if item.decl.name in functions:
                raise CTextError(f"function {item.decl.name!r} twice")
            functions[item.decl.name] = item
        elif not isinstance(item, c_ast.Typedef | c_ast.Decl):
            raise _no(item, f"a {type(item).__name__}")
    return Program(structures, functions)


def _without_directives(text: str, defined: dict[str, str]) -> str:
    """Return the text without directives and comments, what is `defined` so far put in, as a preprocessor does.

    Lines stay lines, so that a refusal can name its own.
    """
    if "\\" in text or "??" in text:
        raise CTextError("a backslash or ??, which may join lines, is not in the port's C")
    text = re.sub(r"/\*.*?\*/", lambda found: " " + "\n" * found[0].count("\n"), text, flags=re.S)
    lines = []
    for line in text.split("\n"):
        if not line.lstrip().startswith("#"):
            lines.append(re.sub(r"\w+", lambda word: defined.get(word[0], word[0]), line))
            continue
        lines.append("")
        define = re.fullmatch(r"#define (\w+)(?: (\([0-9]\w*\)))?", line)
        guard = re.fullmatch(r"#ifndef (\w+)", line)
        if define and define[1] not in defined:
            defined[define[1]] = define[2] or ""
        elif not (guard and guard[1] not in defined) and not re.fullmatch(r'#include [<"][\w.]+[>"]|#endif', line):
            raise CTextError(f"the directive {line!r} is not in the port's C")
    return "\n".join(lines)


def _type_name(declared: Any) -> str:
    is_plain = isinstance(declared, c_ast.TypeDecl) and isinstance(declared.type, c_ast.IdentifierType)
    return " ".join(declared.type.names) if is_plain else ""


def _kind(declared: Any) -> Kind | None:
    return _KINDS.get(_type_name(declared))


def _member(one: Any) -> tuple[str, Kind]:
    kind = _kind(getattr(one, "type", None))
    # A bit-field would hold less than its type says.
    if kind is None or one.bitsize is not None:
        raise _no(one, "a field that is no int32_t or bool")
    return one.name, kind


def _passed(parameter: Any, argument: Value | Pointer) -> Value | Pointer:
    if isinstance(parameter.type, c_ast.PtrDecl):
        name = _type_name(parameter.type.type)
        if not isinstance(argument, Pointer) or argument.type != name:
            raise _no(parameter, "another pointer than the declared one")
        is_const = "const" in parameter.type.type.quals
        if argument.is_const and not is_const:
            raise _no(parameter, "a const pointer for one that is not")
        return Pointer(argument.path, name, is_const)
    if not isinstance(argument, Value) or argument.kind != _kind(parameter.type):
        raise _no(parameter, "an argument of another type than the declared one")
    return argument


def _no(node: Any, what: str) -> CTextError:
    return CTextError(f"{node.coord.file}, line {node.coord.line}: {what} is not in the port's C")


def fields_of(program: Program, type_name: str, root: str) -> dict[str, Kind]:
    """Return every field of a structure by path, e.g. `m.band`; none where the text has no such structure."""
    return {f"{root}.{name}": kind for name, kind in program.structures.get(type_name, {}).items()}
