"""The language check: is every rule of a set within the vocabulary that all backends read alike?

Two gates. The source of each rule and of the plain functions that it calls by name is read for words that Python
would decide once and for all (`if`, `and`, `is` …), which gives the best error; then the whole tick, every relation
and every property is traced, which sees what is really done.
"""

from __future__ import annotations

import ast
import dis
from collections.abc import Callable, Iterator
from functools import lru_cache
from inspect import unwrap
from pathlib import Path
from types import CodeType, FunctionType
from typing import Any

from controller.guard import code_of
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
_CALLS = {"min": "use minimum(a, b)", "max": "use maximum(a, b)", "abs": "use maximum(a, 0 - a)",
          "int": "use the whole number itself", "round": "use whole numbers in the signal's own unit",
          "float": "use whole numbers in the signal's own unit", "any": "use |", "all": "use &",
          "bool": "compare it: a != 0", "divmod": "use + - * and comparisons", "pow": "multiply",
          "isinstance": "every value is a whole number or a comparison", "type": "write the rule for one kind"
          }  # fmt: skip  # two tables read best as tables


def check(rules: RuleSet) -> None:
    """Raise `RuleLanguageError` (file, line, what, the word to use instead) unless every rule is in the vocabulary."""
    seen: set[CodeType] = set()
    for rule in all_rules(rules):
        _check_source(rule, seen)
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
    yield from (prop.holds for prop in rules.checks)
    yield from (one.update for history in rules.histories for one in history.keeps)


@lru_cache(maxsize=64)
def _functions(file: str) -> tuple[ast.FunctionDef | ast.Lambda, ...]:
    try:
        tree = ast.parse(Path(file).read_text(encoding="utf-8"))
    except OSError:  # made at run time: the tracer still sees what it does
        return ()
    return tuple(node for node in ast.walk(tree) if isinstance(node, ast.FunctionDef | ast.Lambda))


def _check_source(rule: Callable[..., Any], seen: set[CodeType]) -> None:
    code = code_of(rule)
    if code in seen:
        return
    seen.add(code)
    for node in _functions(code.co_filename):
        if _is_source_of(node, code):
            _check_nodes(node, code.co_filename)
    called = {one.argval for one in dis.get_instructions(code) if one.opname == "LOAD_GLOBAL"}
    for helper in (unwrap(rule).__globals__.get(name) for name in sorted(called)):
        if isinstance(helper, FunctionType) and helper.__module__ != "controller.words":
            _check_source(helper, seen)


def _is_source_of(node: ast.FunctionDef | ast.Lambda, code: CodeType) -> bool:
    first = min([node.lineno, *(one.lineno for one in getattr(node, "decorator_list", ()))])
    names = [one.arg for one in (*node.args.posonlyargs, *node.args.args)]
    return first == code.co_firstlineno and names == list(code.co_varnames[: code.co_argcount])


def _check_nodes(rule: ast.FunctionDef | ast.Lambda, file: str) -> None:
    body = rule.body if isinstance(rule.body, list) else [rule.body]
    for node in (node for statement in body for node in ast.walk(statement)):
        fault = _fault(node)
        if fault:
            raise RuleLanguageError(f"{file}:{getattr(node, 'lineno', rule.lineno)}: {fault}")


def _fault(node: ast.AST) -> str:
    # Operators have no line of their own: they are judged with the expression that they stand in.
    for part in (node, *getattr(node, "ops", ()), getattr(node, "op", None)):
        if type(part) in _INSTEAD:
            what, instead = _INSTEAD[type(part)]
            return f"{what} is not in the rules' vocabulary; {instead}"
    if isinstance(node, ast.Compare) and len(node.ops) > 1:
        return "a chain a < b < c is not in the rules' vocabulary; use (a < b) & (b < c)"
    if isinstance(node, ast.Constant) and isinstance(node.value, float):
        return f"the fraction {node.value} is not in the rules' vocabulary; use whole numbers in the signal's own unit"
    if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in _CALLS:
        if node.func.id == "int" and _is_constant_name(node.args):
            return ""
        return f"{node.func.id}() is not in the rules' vocabulary; {_CALLS[node.func.id]}"
    return ""


def _is_constant_name(arguments: list[ast.expr]) -> bool:
    # int(State.APPLIED) names a constant: an enum's member, in capitals.
    return len(arguments) == 1 and isinstance(arguments[0], ast.Attribute) and arguments[0].attr.isupper()
