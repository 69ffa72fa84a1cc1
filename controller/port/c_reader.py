"""Reads the emitted C back as mathematics: each function becomes what it writes, as 32-bit values.

Only the C that the port may emit is understood: straight-line blocks, `if`, calls of functions of the same text,
int32 and bool. Anything else is refused with its line, so that nothing is read as something it is not.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import z3
from pycparser import c_ast, c_parser

from controller.port.bits import Bits, Kind, Value
from controller.port.c_text import HIGHEST


class CTextError(Exception):
    """The C text is outside what the port may emit, or would be refused by a compiler."""


_TYPES = "typedef int int32_t; typedef unsigned int uint32_t; typedef _Bool bool;\n"
_KINDS: dict[str, Kind] = {"int32_t": "int", "bool": "bool"}
_COMPARISONS = {"<": ("<", False), "<=": ("<=", False), ">": ("<", True), ">=": ("<=", True),
                "==": ("==", False), "!=": ("!=", False)}  # fmt: skip


@dataclass(frozen=True)
class Pointer:
    """What a structure's pointer points at: `m` or `m.lock_brake`."""

    path: str
    type: str
    is_const: bool


@dataclass
class Program:
    """A parsed text: its structures (field to type) and functions."""

    structures: dict[str, dict[str, str]]
    functions: dict[str, Any]


@dataclass
class _Frame:
    locals: dict[str, Value | Pointer]
    constant: set[str]
    result: Value | None = None
    returned: bool = False


@dataclass
class Machine:
    """Runs functions of a program on symbolic values; `store` holds every structure field by its path."""

    program: Program
    bits: Bits
    store: dict[str, Value]
    calls: list[str] = field(default_factory=list)

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
        kind = _KINDS.get(_type_name(function.decl.type.type.type))
        if (kind is None) != (frame.result is None) or (frame.result is not None and frame.result.kind != kind):
            raise CTextError(f"{name}: its result is not of its declared type")
        return frame.result

    # Statements ---------------------------------------------------------------------------------------------

    def _block(self, block: Any, frame: _Frame) -> None:
        for item in block.block_items or []:
            if frame.returned:
                raise _no(item, "a statement after return")
            self._statement(item, frame)

    def _statement(self, item: Any, frame: _Frame) -> None:
        if isinstance(item, c_ast.Decl):
            self._declaration(item, frame)
        elif isinstance(item, c_ast.Assignment):
            self._assignment(item, frame)
        elif isinstance(item, c_ast.If):
            self._if(item, frame)
        elif isinstance(item, c_ast.Return):
            frame.result, frame.returned = self._value(item.expr, frame), True
        elif isinstance(item, c_ast.FuncCall):
            self._call(item, frame)
        elif isinstance(item, c_ast.Compound):
            self._block(item, frame)
        elif isinstance(item, c_ast.Cast) and _type_name(item.to_type.type.type) == "void":
            self._lookup(item.expr, frame)
        else:
            raise _no(item, f"a {type(item).__name__}")

    def _declaration(self, item: Any, frame: _Frame) -> None:
        kind = _KINDS.get(_type_name(item.type.type) if isinstance(item.type, c_ast.TypeDecl) else "")
        if kind is None or item.init is None:
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

    def _if(self, item: Any, frame: _Frame) -> None:
        condition = self._typed(item.cond, "bool", frame)
        if z3.is_true(condition.term) or z3.is_false(condition.term):
            taken = item.iftrue if z3.is_true(condition.term) else item.iffalse
            if taken is not None:
                self._statement(taken, frame)
            return
        yes = self._arm(item.iftrue, frame, condition)
        no = self._arm(item.iffalse, frame, self.bits.opposite(condition))
        self.store = {path: self._merged(condition, yes[0].get(path), no[0].get(path), item)
                      for path in yes[0].keys() & no[0].keys()}  # fmt: skip
        for name, old in frame.locals.items():
            if isinstance(old, Value):
                frame.locals[name] = self._merged(condition, yes[1][name], no[1][name], item)

    def _arm(self, block: Any, frame: _Frame, condition: Value) -> tuple[dict[str, Value], dict[str, Any]]:
        store, names, constant = self.store, frame.locals, frame.constant
        self.store, frame.locals, frame.constant = dict(store), dict(names), set(constant)
        self.bits.path.append(condition.term)
        if block is not None:
            self._statement(block, frame)
            if frame.returned:
                raise _no(block, "a return inside an if")
        self.bits.path.pop()
        after = (self.store, frame.locals)
        self.store, frame.locals, frame.constant = store, names, constant
        return after

    def _merged(self, condition: Value, yes: Any, no: Any, item: Any) -> Value:
        if not isinstance(yes, Value) or not isinstance(no, Value):
            raise _no(item, "a value that only one arm has")
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
            yes = self._under(condition, lambda: self._value(node.iftrue, frame))
            no = self._under(self.bits.opposite(condition), lambda: self._value(node.iffalse, frame))
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
            value = self._typed(node.expr, "int", frame)
            if value.low == value.high:
                return self.bits.number(-value.low)
            return self.bits.arithmetic("-", self.bits.number(0), value)
        raise _no(node, f"the operator {node.op}")

    def _binary(self, node: Any, frame: _Frame) -> Value:
        if node.op in ("&&", "||"):
            left = self._typed(node.left, "bool", frame)
            reached = left if node.op == "&&" else self.bits.opposite(left)
            right = self._under(reached, lambda: self._typed(node.right, "bool", frame))
            return (self.bits.both if node.op == "&&" else self.bits.either)(left, right)
        left, right = self._value(node.left, frame), self._value(node.right, frame)
        if node.op in ("+", "-", "*") and left.kind == right.kind == "int":
            return self.bits.arithmetic(node.op, left, right)
        if node.op in ("==", "!=") and left.kind == right.kind:
            return self.bits.compare(node.op, left, right)
        if node.op in _COMPARISONS and left.kind == right.kind == "int":
            op, swapped = _COMPARISONS[node.op]
            return self.bits.compare(op, right, left) if swapped else self.bits.compare(op, left, right)
        raise _no(node, f"the operator {node.op} on a {left.kind} and a {right.kind}")

    def _under(self, condition: Value, make: Callable[[], Value]) -> Value:
        # What is worked out on a condition must leave nothing behind.
        store = dict(self.store)
        self.bits.path.append(condition.term)
        value = make()
        self.bits.path.pop()
        if store != self.store:
            raise CTextError("a call with an effect inside && || or ?:")
        return value

    def _call(self, node: Any, frame: _Frame) -> Value | None:
        arguments = [self._argument(one, frame) for one in (node.args.exprs if node.args else [])]
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
        if not isinstance(node, c_ast.StructRef):
            raise _no(node, "something that is no structure field")
        owner, name = self._owner(node, frame)
        kind = _KINDS.get(self._field_type(owner, name, node))
        if kind is None:
            raise _no(node, f"the structure {owner.path}.{name} as a value")
        return f"{owner.path}.{name}", kind, owner.is_const

    def _owner(self, node: Any, frame: _Frame) -> tuple[Pointer, str]:
        if not isinstance(node, c_ast.StructRef):
            raise _no(node, "something that is no structure field")
        if node.type == "->":
            owner = self._lookup(node.name, frame)
            if isinstance(owner, Pointer):
                return owner, node.field.name
            raise _no(node, "-> on a value")
        outer, name = self._owner(node.name, frame)
        inner = self._field_type(outer, name, node)
        return Pointer(f"{outer.path}.{name}", inner, outer.is_const), node.field.name

    def _field_type(self, owner: Pointer, name: str, node: Any) -> str:
        fields = self.program.structures.get(owner.type, {})
        if name not in fields:
            raise _no(node, f"the field {name!r} of {owner.type}, which has none of that name")
        return fields[name]


def read(header: str, text: str) -> Program:
    """Parse a header and a text. Raises `CTextError` for anything a compiler would refuse outright."""
    defined: dict[str, str] = {}
    plain = _TYPES + "\n".join(_without_directives(part, defined) for part in (header, text))
    for name, value in defined.items():
        plain = re.sub(rf"\b{name}\b", value, plain)
    try:
        tree = c_parser.CParser().parse(plain)
    except Exception as error:  # pycparser raises its own class and, on odd text, others
        raise CTextError(f"not C: {error}") from None
    structures: dict[str, dict[str, str]] = {}
    functions: dict[str, Any] = {}
    for item in tree.ext:
        if isinstance(item, c_ast.Typedef) and isinstance(item.type.type, c_ast.Struct):
            structures[item.name] = {one.name: _type_name(one.type.type) for one in item.type.type.decls}
        elif isinstance(item, c_ast.FuncDef):
            if item.decl.name in functions:
                raise CTextError(f"function {item.decl.name!r} twice")
            functions[item.decl.name] = item
        elif not isinstance(item, c_ast.Typedef | c_ast.Decl):
            raise _no(item, f"a {type(item).__name__}")
    return Program(structures, functions)


def _without_directives(text: str, defined: dict[str, str]) -> str:
    text = re.sub(r"/\*.*?\*/", lambda found: "\n" * found[0].count("\n"), text, flags=re.S)
    lines = []
    for line in text.splitlines():
        if line.startswith("#define") and (found := re.fullmatch(r"#define (\w+) (\(.*\))", line)):
            defined[found[1]] = found[2]
        elif line.startswith("#") and not re.fullmatch(
            r"#(include [<\"][\w.]+[>\"]|ifndef \w+|define \w+|endif)", line
        ):
            raise CTextError(f"the directive {line!r}")
        lines.append("" if line.startswith("#") else line)
    return "\n".join(lines)


def _type_name(node: Any) -> str:
    return node.names[0] if isinstance(node, c_ast.IdentifierType) else ""


def _passed(parameter: Any, argument: Value | Pointer) -> Value | Pointer:
    if isinstance(parameter.type, c_ast.PtrDecl):
        name, is_const = _type_name(parameter.type.type.type), "const" in parameter.type.type.quals
        if not isinstance(argument, Pointer) or argument.type != name:
            raise _no(parameter, f"another argument than a {name} pointer")
        if argument.is_const and not is_const:
            raise _no(parameter, "a const pointer for one that is not")
        return Pointer(argument.path, name, is_const)
    kind = _KINDS.get(_type_name(parameter.type.type))
    if not isinstance(argument, Value) or argument.kind != kind:
        raise _no(parameter, f"another argument than a {kind}")
    return argument


def _no(node: Any, what: str) -> CTextError:
    return CTextError(f"line {getattr(getattr(node, 'coord', None), 'line', '?')}: {what} is not in the port's C")


def fields_of(program: Program, type_name: str, root: str) -> dict[str, Kind]:
    """Return every leaf field of a structure by path, e.g. `m.lock_brake.on`."""
    leaves: dict[str, Kind] = {}
    for name, inner in program.structures[type_name].items():
        if inner in _KINDS:
            leaves[f"{root}.{name}"] = _KINDS[inner]
        else:
            leaves |= fields_of(program, inner, f"{root}.{name}")
    return leaves
