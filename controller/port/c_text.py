"""Pieces of C text: names, comments, wrapped statements."""

from __future__ import annotations

import re
import textwrap

from controller.errors import UserError
from controller.intervals import INT32_HIGH, INT32_LOW
from controller.ruleset import RuleSet

LOWEST, HIGHEST = INT32_LOW, INT32_HIGH
"""The range of int32_t."""

WIDTH = 100
"""Longest line of the emitted C."""

_C_WORDS = frozenset(
    [
        "auto",
        "break",
        "case",
        "char",
        "const",
        "continue",
        "default",
        "do",
        "double",
        "else",
        "enum",
        "extern",
        "float",
        "for",
        "goto",
        "if",
        "inline",
        "int",
        "long",
        "register",
        "restrict",
        "return",
        "short",
        "signed",
        "sizeof",
        "static",
        "struct",
        "switch",
        "typedef",
        "union",
        "unsigned",
        "void",
        "volatile",
        "while",
        "_Bool",
        "_Complex",
        "_Imaginary",
        "bool",
        "true",
        "false",
    ]
)

_SPELLED = {"°": "deg ", "×": "x", "–": "-", "±": "+/-", "µ": "u", "·": "*", "≥": ">=", "≤": "<=", "…": "..."}


def check_names(rules: RuleSet) -> None:
    """Refuse names that C cannot spell; Python accepts more than C does.

    Raises `UserError` with the name and what would be right.
    """
    groups = (
        ("signal", [signal.name for signal in rules.signals]),
        ("calibration key", [key.name for key in rules.keys]),
        ("memory field", [field.name for field in rules.memory]),
        ("reason", list(rules.reasons)),
        ("lamp", [lamp.word for lamp in rules.lamps]),
    )
    for what, names in groups:
        for name in names:
            if not re.fullmatch(r"[A-Za-z][A-Za-z0-9_]{0,55}", name) or name in _C_WORDS:
                raise UserError(f"rule set {rules.name!r}: {what} {name!r} is no name in C; use at most 56 letters, "
                                "digits and _, a letter first, and no word of the language")  # fmt: skip
        lowered: dict[str, str] = {}
        for name in names:
            other = lowered.setdefault(name.lower(), name)
            if other != name:
                raise UserError(f"rule set {rules.name!r}: {what} {name!r} and {other!r} differ by case only; "
                                "C constants are upper case, so give one another name")  # fmt: skip


def words(text: str) -> str:
    """Return a text that may stand in a C comment: one line of plain ASCII that does not end it."""
    for sign, spelled in _SPELLED.items():
        text = text.replace(sign, spelled)
    text = " ".join(text.encode("ascii", "replace").decode().split())
    return text.replace("\\", "/").replace("*/", "* /").replace("/*", "/ *").replace("??", "? ?")


def comment(text: str, indent: str = "") -> str:
    """Return a comment, wrapped."""
    lines = textwrap.wrap(words(text), WIDTH - len(indent) - 6, break_long_words=False) or [""]
    return "\n".join(
        f"{indent}{'/* ' if at == 0 else ' * '}{line}{' */' if at == len(lines) - 1 else ''}"
        for at, line in enumerate(lines)
    )


def statement(text: str, indent: str) -> str:
    """Return a statement, wrapped at its blanks."""
    return "\n".join(
        textwrap.wrap(text, WIDTH, initial_indent=indent, subsequent_indent=indent + "        ", break_long_words=False)
    )


def int32(value: int) -> int:
    """Return a number as it is; raises `UserError` for one that is no int32."""
    if not LOWEST <= value <= HIGHEST:
        raise UserError(f"the rules use the number {value}, which is no int32: firmware cannot carry it")
    return value


def number(value: int) -> str:
    """Return an int32 constant; the lowest one has no literal of its own in C."""
    if int32(value) == LOWEST:
        return "(-2147483647 - 1)"
    return f"({value})" if value < 0 else str(value)
