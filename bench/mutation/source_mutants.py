"""Mutants of a source file: one wrong operator, number, name or call at a time."""

from __future__ import annotations

import ast
import copy
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial

_COMPARISONS: dict[type[ast.cmpop], tuple[type[ast.cmpop], ...]] = {
    ast.Lt: (ast.LtE, ast.GtE),
    ast.LtE: (ast.Lt, ast.Gt),
    ast.Gt: (ast.GtE, ast.LtE),
    ast.GtE: (ast.Gt, ast.Lt),
    ast.Eq: (ast.NotEq,),
    ast.NotEq: (ast.Eq,),
    ast.In: (ast.NotIn,),
    ast.NotIn: (ast.In,),
    ast.Is: (ast.IsNot,),
    ast.IsNot: (ast.Is,),
}
_OPERATORS: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Add,
    ast.BitAnd: ast.BitOr,
    ast.BitOr: ast.BitAnd,
}
_CALLS = {"minimum": "maximum", "maximum": "minimum", "min": "max", "max": "min", "any": "all", "all": "any"}


@dataclass(frozen=True)
class Mutant:
    """A changed module: `what` is the change in words, `text()` the whole new source.

    `owner` is the innermost function or class that it stands in; `module` for a class or the module itself, whose
    text runs when it is imported; empty where that does not matter.
    """

    module: str
    what: str
    text: Callable[[], str]
    owner: str = ""

    @property
    def name(self) -> str:
        """Return a name that stays as long as the change itself does: no line number."""
        return f"{self.module}: {self.what}"


def mutants_of(module: str, text: str) -> Iterator[Mutant]:
    """Yield every mutant of a module's functions and declarations."""
    tree = ast.parse(text)
    inside = _owners(tree)
    idle = _idle(tree)
    functions = {node.name for node in ast.walk(tree) if isinstance(node, ast.FunctionDef)}
    seen: dict[str, int] = {}
    for at, node in enumerate(ast.walk(tree)):
        if not isinstance(node, ast.expr | ast.stmt) or node in idle:
            continue
        for changed, what in _changes(node):
            words = f"{inside[node]}: {what}"
            seen[words] = seen.get(words, 0) + 1
            # The same change twice in a function: told apart by its order there.
            again = f" ({seen[words]})" if seen[words] > 1 else ""
            owner = inside[node] if inside[node] in functions else "module"
            yield Mutant(module, words + again, partial(_changed_text, text, at, changed), owner)


def _changed_text(text: str, at: int, changed: ast.AST) -> str:
    tree = ast.parse(text)
    _put(tree, next(one for n, one in enumerate(ast.walk(tree)) if n == at), changed)
    return ast.unparse(ast.fix_missing_locations(tree))


def _owners(tree: ast.Module) -> dict[ast.AST, str]:
    """Return the innermost function or class that each node stands in."""
    owners: dict[ast.AST, str] = {}

    def visit(node: ast.AST, owner: str) -> None:
        owners[node] = owner
        here = node.name if isinstance(node, ast.FunctionDef | ast.ClassDef) else owner
        for child in ast.iter_child_nodes(node):
            visit(child, here)

    visit(tree, "module")
    return owners


def _idle(tree: ast.Module) -> set[ast.AST]:
    """Return the nodes whose change could show in nothing but speed or a check of the author's own.

    Annotations are not evaluated; a cache's size is its speed; `strict` of `zip` and `frozen` of a class only check
    what the author knows.
    """
    roots: list[ast.AST | None] = []
    for node in ast.walk(tree):
        if isinstance(node, ast.arg | ast.AnnAssign):
            roots.append(node.annotation)
        elif isinstance(node, ast.FunctionDef):
            roots.append(node.returns)
        elif isinstance(node, ast.keyword) and node.arg in ("strict", "frozen", "maxsize"):
            roots.append(node.value)
    return {one for root in roots if root is not None for one in ast.walk(root)}


def _changes(node: ast.AST) -> Iterator[tuple[ast.AST, str]]:
    if isinstance(node, ast.Compare) and len(node.ops) == 1:
        for other in _COMPARISONS.get(type(node.ops[0]), ()):
            yield _told(node, ops=[other()])
    elif isinstance(node, ast.BinOp) and type(node.op) in _OPERATORS:
        if not _is_text(node.left) and not _is_text(node.right):
            yield _told(node, op=_OPERATORS[type(node.op)]())
    elif isinstance(node, ast.BoolOp):
        yield _told(node, op=ast.Or() if isinstance(node.op, ast.And) else ast.And())
    elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not):
        yield node.operand, f"{_text(node)} → {_text(node.operand)}"
    elif isinstance(node, ast.Constant):
        if isinstance(node.value, bool):
            yield _told(node, value=not node.value)
        elif isinstance(node.value, int):
            yield _told(node, value=node.value + 1)
            if node.value > 1:
                yield _told(node, value=node.value - 1)
    elif isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
        name, arguments = node.func.id, node.args
        if name == "not_":
            yield arguments[0], f"{_text(node)} → {_text(arguments[0])}"
        elif name == "select" and len(arguments) == 3:
            yield _told(node, args=[arguments[0], arguments[2], arguments[1]])
        elif name in _CALLS:
            yield _told(node, func=ast.Name(_CALLS[name], ast.Load()))
    elif isinstance(node, ast.If | ast.IfExp) and not _is_turned_by_itself(node.test):
        test = ast.UnaryOp(ast.Not(), node.test)
        changed = copy.copy(node)
        changed.test = test
        yield changed, f"if {_text(node.test)} → if {_text(test)}"


def _is_turned_by_itself(test: ast.expr) -> bool:
    # A comparison and a `not` are turned round where they stand; the branch need not be, too.
    is_not = isinstance(test, ast.UnaryOp) and isinstance(test.op, ast.Not)
    return is_not or (isinstance(test, ast.Compare) and len(test.ops) == 1)


def _told(node: ast.expr, **changes: object) -> tuple[ast.AST, str]:
    changed = copy.copy(node)
    for name, value in changes.items():
        setattr(changed, name, value)
    return changed, f"{_text(node)} → {_text(changed)}"


def _put(tree: ast.AST, old: ast.AST, new: ast.AST) -> None:
    for parent in ast.walk(tree):
        for name, value in ast.iter_fields(parent):
            if value is old:
                setattr(parent, name, new)
                return
            if isinstance(value, list) and any(one is old for one in value):
                value[next(at for at, one in enumerate(value) if one is old)] = new
                return


def _is_text(node: ast.expr) -> bool:
    return isinstance(node, ast.JoinedStr) or (isinstance(node, ast.Constant) and isinstance(node.value, str))


def _text(node: ast.AST) -> str:
    text = " ".join(ast.unparse(ast.fix_missing_locations(copy.deepcopy(node))).split())
    return text if len(text) <= 200 else f"{text[:150]} … {text[-47:]}"
