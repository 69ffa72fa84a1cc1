"""The language check: is every rule of a set within the vocabulary that all backends read alike?

Two gates. The source of each rule is read for words that Python would decide once and for all (`if`, `and`, `is`
…), which gives the best error; then the whole tick, every relation and every property is traced, which sees what
helper functions do.
"""

from __future__ import annotations

import ast
import inspect
from collections.abc import Callable, Iterator
from functools import lru_cache
from pathlib import Path
from typing import Any

from controller.ruleset import RuleSet
from controller.terms import RuleLanguageError
from controller.tracer import trace, trace_history, trace_property, trace_relation

_INSTEAD: dict[type[ast.AST], tuple[str, str]] = {
    ast.If: ("`if`", "use select(condition, a, b)"),
    ast.IfExp: ("`a if condition else b`", "use select(condition, a, b)"),
    ast.While: ("`while`", "write the terms out; a rule has no loops that depend on a value"),
    ast.And: ("`and`", "use & with each comparison in brackets"),
    ast.Or: ("`or`", "use | with each comparison in brackets"),
    ast.Not: ("`not`", "use not_(condition)"),
    ast.Invert: ("`~`", "use not_(condition)"),
    ast.Is: ("`is`", "use =="),
    ast.IsNot: ("`is not`", "use !="),
    ast.In: ("`in`", "compare with each value: (a == 1) | (a == 2)"),
    ast.NotIn: ("`not in`", "compare with each value: (a != 1) & (a != 2)"),
    ast.FloorDiv: ("`//`", "multiply the other side of the comparison instead"),
    ast.Div: ("`/`", "multiply the other side of the comparison instead"),
    ast.Mod: ("`%`", "use + - * and comparisons"),
    ast.Pow: ("`**`", "multiply"),
    ast.BitXor: ("`^`", "use (a & not_(b)) | (b & not_(a))"),
    ast.LShift: ("`<<`", "multiply"),
    ast.RShift: ("`>>`", "use + - * and comparisons"),
    ast.Try: ("`try`", "a rule cannot fail; say what it returns"),
}
_CALLS = {"min": "minimum(a, b)", "max": "maximum(a, b)", "abs": "maximum(a, 0 - a)", "int": "the whole number itself",
          "round": "whole numbers in the signal's own unit", "float": "whole numbers in the signal's own unit",
          "any": "|", "all": "&"}  # fmt: skip


def check(rules: RuleSet) -> None:
    """Raise `RuleLanguageError` (file, line, what, the word to use instead) unless every rule is in the vocabulary."""
    for rule in all_rules(rules):
        _check_source(rule)
    program = trace(rules)
    for relation in rules.relations:
        trace_relation(relation, rules)
    for prop in rules.properties:
        trace_property(prop, program)
    for history in rules.histories:
        trace_history(history, program)


def all_rules(rules: RuleSet) -> Iterator[Callable[..., Any]]:
    """Yield every function of a rule set that all backends run."""
    yield from (field.update for field in (*rules.early, *rules.late))
    yield from (interlock.trips for interlock in rules.interlocks)
    yield from (refusal.holds for refusal in (*rules.first_refusals, *rules.last_refusals))
    yield from (row.condition for row in (*rules.first_rows, *rules.last_rows))
    yield from (lamp.lit for lamp in rules.lamps)
    yield from (relation.holds for relation in rules.relations)
    yield from (prop.holds for prop in (*rules.properties, *rules.histories))
    yield from (one.update for history in rules.histories for one in history.keeps)


@lru_cache(maxsize=64)
def _tree(file: str) -> ast.Module | None:
    try:
        return ast.parse(Path(file).read_text(encoding="utf-8"))
    except OSError:  # made at run time: the tracer still sees what it does
        return None


def _check_source(rule: Callable[..., Any]) -> None:
    code = inspect.unwrap(rule).__code__
    tree = _tree(code.co_filename)
    if tree is None:
        return
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef | ast.Lambda) and node.lineno == code.co_firstlineno:
            _check_nodes(node, code.co_filename)


def _check_nodes(rule: ast.FunctionDef | ast.Lambda, file: str) -> None:
    body = rule.body if isinstance(rule.body, list) else [rule.body]
    for statement in body:
        line = statement.lineno
        for node in ast.walk(statement):
            line = getattr(node, "lineno", line)
            what, instead = _INSTEAD.get(type(node), ("", ""))
            if isinstance(node, ast.Compare) and len(node.ops) > 1:
                what, instead = "a chain a < b < c", "use (a < b) & (b < c)"
            elif isinstance(node, ast.Constant) and isinstance(node.value, float):
                what, instead = f"the fraction {node.value}", "use whole numbers in the signal's own unit"
            elif isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in _CALLS:
                what, instead = f"{node.func.id}()", f"use {_CALLS[node.func.id]}"
                if node.func.id == "int" and _is_constant_name(node.args):
                    continue
            if what:
                raise RuleLanguageError(f"{file}:{line}: {what} is not in the rules' vocabulary; {instead}")


def _is_constant_name(arguments: list[ast.expr]) -> bool:
    # int(State.APPLIED) names a constant: an enum's member, in capitals.
    return len(arguments) == 1 and isinstance(arguments[0], ast.Attribute) and arguments[0].attr.isupper()
