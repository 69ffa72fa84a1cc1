"""Makes numba source of the simulator's own functions and classes, so that no formula is written twice.

A function is taken as it is written, with what it calls. A method becomes a function of a record: `self.speed` reads a
field, `self.other(…)` calls the other method's function, a class constant becomes its number, a list that is only
appended to becomes a count, and a named tuple kept in a field becomes a record of its own. The result is one module
of plain text, kept in a cache folder under a name made of its content; numba keeps its machine code beside it.
"""

from __future__ import annotations

import ast
import hashlib
import importlib.util
import inspect
import os
import sys
import textwrap
from collections.abc import Mapping
from pathlib import Path
from types import FunctionType, ModuleType
from typing import Any

import numpy as np

CACHE_VARIABLE = "TCCBENCH_CACHE"
"""Environment variable that names the cache folder; without it, `~/.cache/tccbench`."""


def cache_folder() -> Path:
    """Return the folder for generated modules and their machine code."""
    given = os.environ.get(CACHE_VARIABLE)
    return Path(given) if given else Path.home() / ".cache" / "tccbench"


class Source:
    """Collects functions with all that they need, each once, parts before users.

    `parts` gives an instance of each class whose methods are taken, to tell the kinds of its fields.
    """

    def __init__(self, parts: Mapping[type, Any], decorator: str = "@njit(cache=True, error_model='numpy')") -> None:
        self._parts = dict(parts)
        self._decorator = decorator
        self._lines: list[str] = []
        self._taken: dict[str, str] = {}

    def text(self) -> str:
        """Return the module's text."""
        head = ["from numba import njit, prange", "import numpy as np", "from math import *", ""]
        return "\n".join([*head, *self._lines]) + "\n"

    def add_text(self, name: str, text: str) -> None:
        """Take a function given as text; later users find it by its name."""
        self._taken[name] = name
        self._lines.append(f"{self._decorator}\n{text}")

    def add(self, function: FunctionType, decorator: str | None = None) -> str:
        """Take a function or a method with what it calls; return its name in the module."""
        owner = self._owner(function)
        name = function.__name__ if owner is None else f"{owner.__name__}_{function.__name__}"
        if name in self._taken:
            return self._taken[name]
        self._taken[name] = name
        tree = ast.parse(textwrap.dedent(inspect.getsource(function))).body[0]
        assert isinstance(tree, ast.FunctionDef)
        tree.name = name
        tree.decorator_list = []
        tree.returns = None
        for argument in (*tree.args.args, *tree.args.kwonlyargs):
            argument.annotation = None
        if ast.get_docstring(tree):
            tree.body = tree.body[1:]
        if owner is not None:
            tree = _Method(self, owner, self._parts[owner]).visit(tree)
        self._add_globals(tree, function)
        self._lines.append(f"{decorator or self._decorator}\n{ast.unparse(ast.fix_missing_locations(tree))}\n")
        return name

    def _owner(self, function: FunctionType) -> type | None:
        for owner in self._parts:
            if owner.__dict__.get(function.__name__) is function:
                return owner
        return None

    def _add_globals(self, tree: ast.FunctionDef, function: FunctionType) -> None:
        for node in ast.walk(tree):
            if not isinstance(node, ast.Name) or node.id in self._taken or node.id not in function.__globals__:
                continue
            value = function.__globals__[node.id]
            if isinstance(value, bool | int | float):
                self._taken[node.id] = node.id
                self._lines.append(f"{node.id} = {value!r}\n")
            elif isinstance(value, type) and issubclass(value, tuple):
                self._taken[node.id] = node.id
                self._lines.append(f"from {value.__module__} import {value.__name__} as {node.id}\n")
            elif isinstance(value, FunctionType):
                name = self.add(value)
                if name != node.id:
                    self._taken[node.id] = name
                    self._lines.append(f"{node.id} = {name}\n")


class _Method(ast.NodeTransformer):
    """Turns a method into a function of a record."""

    def __init__(self, source: Source, owner: type, instance: Any) -> None:
        self._source, self._owner, self._fields = source, owner, vars(instance)

    def visit_Call(self, node: ast.Call) -> ast.AST:
        if isinstance(node.func, ast.Name) and node.func.id == "len" and self._own(node.args[0]):
            # The record has room to spare behind the table's own rows.
            return ast.parse(f"self.{self._own(node.args[0])}{_ROWS}", mode="eval").body
        method = self._own(node.func)
        if method is not None and isinstance(self._owner.__dict__.get(method), FunctionType):
            name = self._source.add(self._owner.__dict__[method])
            arguments: list[ast.expr] = [ast.Name("self", ast.Load()), *map(self._expression, node.args)]
            return ast.Call(ast.Name(name, ast.Load()), arguments, [])
        return self.generic_visit(node)

    def visit_Expr(self, node: ast.Expr) -> ast.AST:
        call = node.value
        if isinstance(call, ast.Call) and isinstance(call.func, ast.Attribute) and call.func.attr == "append":
            counted = self._own(call.func.value)
            if counted is not None:
                return ast.parse(f"self.{counted} += 1").body[0]
        return self.generic_visit(node)

    def visit_Assign(self, node: ast.Assign) -> Any:
        target = node.targets[0]
        field = self._own(target)
        kept = self._fields.get(field or "")
        if field is not None and _is_named(kept) and isinstance(node.value, ast.Call):
            # A named tuple is kept by its fields.
            return [
                ast.parse(f"self.{field}.{part} = {ast.unparse(self._expression(value))}").body[0]
                for part, value in zip(kept._fields, node.value.args, strict=True)
            ]
        if isinstance(target, ast.Tuple) and isinstance(node.value, ast.Subscript) and self._own(node.value.value):
            # A row of a table: numba unpacks tuples only.
            row = ast.unparse(self._expression(node.value))
            names = [ast.unparse(one) for one in target.elts]
            return [ast.parse(f"{name} = {row}[{at}]").body[0] for at, name in enumerate(names)]
        return self.generic_visit(node)

    def visit_Attribute(self, node: ast.Attribute) -> ast.AST:
        field = self._own(node)
        if field is not None and isinstance(node.ctx, ast.Load):
            if field not in self._fields and isinstance(vars(self._owner).get(field), int | float):
                return ast.Constant(vars(self._owner)[field])
            kept = self._fields.get(field)
            if _is_named(kept):
                self._source._taken.setdefault(type(kept).__name__, type(kept).__name__)
                self._source._lines.append(f"from {type(kept).__module__} import {type(kept).__name__}\n")
                parts = ", ".join(f"self.{field}.{part}" for part in kept._fields)
                return ast.parse(f"{type(kept).__name__}({parts})", mode="eval").body
        return self.generic_visit(node)

    def _expression(self, node: ast.expr) -> ast.expr:
        made = self.visit(node)
        assert isinstance(made, ast.expr)
        return made

    @staticmethod
    def _own(node: ast.AST) -> str | None:
        is_own = isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id == "self"
        return node.attr if is_own and isinstance(node, ast.Attribute) else None


def _is_named(value: Any) -> bool:
    return isinstance(value, tuple) and hasattr(value, "_fields")


# Records ---------------------------------------------------------------------------------------------------


def record_type(instance: Any) -> np.dtype[Any]:
    """Return the record that holds an object's fields: numbers, tables, counts of lists, and records of these."""
    fields: list[tuple[Any, ...]] = []
    for name, value in _fields(instance).items():
        fields.append((name, *_kind(value)))
        if _is_table(value):
            fields.append((f"{name}{_ROWS}", np.int64))
    return np.dtype(fields, align=True)


def fill(record: Any, instance: Any) -> None:
    """Write an object's fields into a record of its type; a shorter table leaves the rest of its row at zero."""
    for name, value in _fields(instance).items():
        if isinstance(value, list):
            record[name] = len(value)
        elif _is_named(value) or _is_object(value):
            fill(record[name], value)
        elif _is_table(value):
            record[f"{name}{_ROWS}"] = len(value)
            table = np.asarray(value, dtype=np.float64)
            record[name][tuple(slice(0, size) for size in table.shape)] = table
        else:
            record[name] = value


_ROWS = "_rows"
"""Ending of the field that tells how many rows of a table are its own."""

MOST_GEARS = 12
"""Room in a record for a table of a row a gear."""

MOST_POINTS = 256
"""Room for any longer table, such as torque over engine speed: vehicles differ in their range."""


def _kind(value: Any) -> tuple[Any, ...]:
    if isinstance(value, list):
        return (np.int64,)
    if isinstance(value, bool):
        return (np.bool_,)
    if isinstance(value, int):
        return (np.int64,)
    if isinstance(value, float):
        return (np.float64,)
    if _is_named(value) or _is_object(value):
        return (record_type(value),)
    shape = np.asarray(value, dtype=np.float64).shape
    return (np.float64, (MOST_GEARS if shape[0] <= MOST_GEARS else MOST_POINTS, *shape[1:]))


def _is_table(value: Any) -> bool:
    return isinstance(value, tuple) and not _is_named(value)


def _is_object(value: Any) -> bool:
    return hasattr(value, "model_fields_set")


def _fields(instance: Any) -> dict[str, Any]:
    if _is_named(instance):
        return dict(zip(instance._fields, instance, strict=True))
    return {name: value for name, value in vars(instance).items() if not isinstance(value, str)}


# Modules ---------------------------------------------------------------------------------------------------


def module_of(text: str, what: str) -> ModuleType:
    """Return a generated text as an imported module, from the cache folder where its machine code is kept."""
    # The text imports types of ours: when their fields change, so must the name.
    name = f"lanes_{what}_{hashlib.sha256(text.encode()).hexdigest()[:16]}"
    if name in sys.modules:
        return sys.modules[name]
    folder = cache_folder()
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"{name}.py"
    if not path.exists():
        fresh = path.with_suffix(f".{os.getpid()}")
        fresh.write_text(text, encoding="utf-8")
        fresh.replace(path)
    spec = importlib.util.spec_from_file_location(name, path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module
