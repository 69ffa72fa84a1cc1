"""Makes a rule that fails or returns the wrong kind while it is traced an error at the rule's own file and line."""

from __future__ import annotations

import traceback
from collections.abc import Callable, Iterable
from dataclasses import replace
from inspect import unwrap
from types import CodeType
from typing import Any

from controller.declare import Memory, Refusal, Row
from controller.errors import UserError
from controller.ruleset import RuleSet
from controller.terms import Kind, RuleLanguageError, Term
from controller.views import Names, read_only

_INSTEAD = {"bool": "return a comparison", "int": "return a whole number: select(condition, 1, 0)"}


def code_of(rule: Callable[..., Any], what: str = "a rule") -> CodeType:
    """Return the code of a rule; `RuleLanguageError` for what is not a plain function."""
    code = getattr(unwrap(rule) if callable(rule) else rule, "__code__", None)
    if not isinstance(code, CodeType):
        raise RuleLanguageError(f"{what} is {rule!r}; a rule is a plain function, made by def or lambda")
    return code


def guarded(rule: Callable[..., Any], what: str, kind: Kind) -> Callable[..., Any]:
    """Return the rule with every fault of its own turned into `RuleLanguageError`; `kind` is what it must return."""
    code = code_of(rule, what)

    def run(*views: Names) -> Any:
        try:
            value = rule(*(read_only(view) for view in views))
        except UserError:
            raise
        except Exception as error:  # whatever the rule's own code raises is one line about that code
            line = next(
                (frame.lineno for frame in reversed(traceback.extract_tb(error.__traceback__))
                 if frame.filename == code.co_filename), code.co_firstlineno)  # fmt: skip
            said = " ".join(str(error).split())
            raise RuleLanguageError(
                f"{code.co_filename}:{line}: {what} fails: {said}; keep to + - * & |, comparisons and the four words"
            ) from None
        found = _kind_of(value)
        if found != kind:
            shown = {"bool": "a truth value", "int": "a number"}.get(found, f"a {found}")
            raise RuleLanguageError(
                f"{code.co_filename}:{code.co_firstlineno}: {what} returns {shown}; {_INSTEAD[kind]}"
            )
        return value

    return run


def _kind_of(value: Any) -> str:
    return value.kind if isinstance(value, Term) else type(value).__name__


def guarded_rules(rules: RuleSet) -> RuleSet:
    """Return the rule set with every rule guarded."""

    def fields(parts: Iterable[Memory]) -> tuple[Memory, ...]:
        return tuple(
            replace(one, update=guarded(one.update, f"memory field {one.name!r}", "bool" if one.is_flag else "int"))
            for one in parts
        )

    def refusals(parts: Iterable[Refusal]) -> tuple[Refusal, ...]:
        return tuple(replace(one, holds=guarded(one.holds, f"refusal {one.reason!r}", "bool")) for one in parts)

    def rows(parts: Iterable[Row]) -> tuple[Row, ...]:
        return tuple(replace(one, condition=guarded(one.condition, f"row {one.name!r}", "bool")) for one in parts)

    return replace(
        rules,
        early=fields(rules.early),
        interlocks=tuple(
            replace(one, trips=guarded(one.trips, f"interlock {one.reason!r}", "bool")) for one in rules.interlocks
        ),
        late=fields(rules.late),
        first_refusals=refusals(rules.first_refusals),
        last_refusals=refusals(rules.last_refusals),
        first_rows=rows(rules.first_rows),
        last_rows=rows(rules.last_rows),
        lamps=tuple(replace(one, lit=guarded(one.lit, f"lamp {one.word!r}", "bool")) for one in rules.lamps),
    )
