"""Small wrongs put into the emitted C, to see that the proof of equality finds every one of them.

A mutant changes one operator, one constant, one field or the order of two things. It has to be C that the port
may emit: one that cannot be read shows nothing about the proof and is not counted.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

from controller.port.c_reader import CTextError
from controller.port.equality import CText, tick_differs
from controller.ruleset import RuleSet

_SWAPS = {
    "<": "<=", "<=": "<", ">": ">=", ">=": ">", "==": "!=", "!=": "==", "&&": "||", "||": "&&", "+": "-", "-": "+",
    "*": "+",
}  # fmt: skip  # a table of two columns

_TOKEN = re.compile(r"->|<=|>=|==|!=|&&|\|\||[<>+*-]|\bRULES_\w+|\b\d+\b|\b[kx]->\w+")

_SIGNED = ("(", "=", ",", "?", ":")
"""What stands before a minus that is a sign."""

_LIMIT = "return (a"
"""What stands before the comparison of a minimum or maximum: (a < b) ? a : b and (a <= b) ? a : b are the same."""


@dataclass(frozen=True)
class Mutant:
    """A changed text, with what was changed."""

    kind: str
    line: int
    change: str
    text: str


def mutants(text: str, header: str) -> list[Mutant]:
    """Return every mutant of the functions in `text`, in the order of the text, kind after kind."""
    return [*_token_mutants(text, header), *_order_mutants(text)]


def chosen(all_mutants: Sequence[Mutant], count: int) -> list[Mutant]:
    """Return `count` mutants spread evenly over all kinds and the whole text."""
    kinds: dict[str, list[Mutant]] = {}
    for mutant in all_mutants:
        kinds.setdefault(mutant.kind, []).append(mutant)
    picked: list[Mutant] = []
    for place, of_kind in enumerate(kinds.values()):
        share = count // len(kinds) + (place < count % len(kinds))
        share = min(share, len(of_kind))
        picked += [of_kind[at * len(of_kind) // share] for at in range(share)]
    return picked


def _token_mutants(text: str, header: str) -> Iterator[Mutant]:
    comments = [found.span() for found in re.finditer(r"/\*.*?\*/|^#.*?$", text, flags=re.S | re.M)]
    names = re.findall(r"#define (RULES_(?:STATE|REASON)_\w+) ", header)
    fields = re.findall(r"^    int32_t (\w+);", header, flags=re.M)
    for found in _TOKEN.finditer(text):
        if any(start <= found.start() < end for start, end in comments):
            continue
        token, line = found[0], text.count("\n", 0, found.start()) + 1
        if token == "*" and text[found.end()] != " ":
            continue  # a pointer's star
        for kind, new in _changed(token, text[: found.start()].rstrip(), names, fields):
            yield Mutant(kind, line, f"{token} to {new}", text[: found.start()] + new + text[found.end() :])


def _changed(token: str, before: str, names: list[str], fields: list[str]) -> Iterator[tuple[str, str]]:
    root, _, field = token.partition("->")
    if token in _SWAPS:
        is_sign = token == "-" and before.endswith(_SIGNED)
        if not is_sign and not before.endswith(_LIMIT):
            yield "operator", _SWAPS[token]
    elif token in names:
        family = [name for name in names if name.split("_")[1] == token.split("_")[1]]
        yield "constant", family[(family.index(token) + 1) % len(family)]
    elif token.isdigit():
        yield "constant", str(int(token) + 1)
    elif field in fields:
        yield "field", f"{root}->{fields[(fields.index(field) + 1) % len(fields)]}"


def _order_mutants(text: str) -> Iterator[Mutant]:
    lines = text.splitlines(keepends=True)
    yield from _swapped_arms(lines)
    yield from _swapped_choices(text)
    for at in range(len(lines) - 1):
        first, second = lines[at], lines[at + 1]
        written = re.match(r" +(?:const \w+ )?([\w>.-]+) = .*;$", first)
        if not written or not re.match(r" +[^/}{ ].*;$", second):
            continue
        # Only where the second reads what the first writes: others may stand in any order.
        if re.search(rf"(?<![\w>]){re.escape(written[1])}\b", second.partition("=")[2] or second):
            changed = [*lines[:at], second, first, *lines[at + 2 :]]
            yield Mutant("order", at + 1, "two statements change places", "".join(changed))


def _swapped_arms(lines: list[str]) -> Iterator[Mutant]:
    # An arm is its condition's lines, then { moves }; two that follow each other change conditions.
    starts = [at for at, line in enumerate(lines) if re.match(r"    (else )?if \(", line)]
    for one, two in pairwise(starts):
        one_end = next(at for at in range(one, len(lines)) if lines[at] == "    {\n")
        two_end = next(at for at in range(two, len(lines)) if lines[at] == "    {\n")
        if not lines[two].startswith("    else if"):
            continue
        first = re.sub(r"^    (else )?if ", "", "".join(lines[one:one_end]))
        second = re.sub(r"^    (else )?if ", "", "".join(lines[two:two_end]))
        if first == second:
            continue
        word = "    else if " if lines[one].startswith("    else") else "    if "
        changed = [*lines[:one], word + second, *lines[one_end:two], "    else if " + first, *lines[two_end:]]
        yield Mutant("order", one + 1, "two arms change their conditions", "".join(changed))


def _swapped_choices(text: str) -> Iterator[Mutant]:
    for found in re.finditer(r"\? ([\w>.-]+)\s+: ([\w>.-]+)(?=[;,)])", text):
        if found[1] != found[2]:
            line = text.count("\n", 0, found.start()) + 1
            changed = f"? {found[2]} : {found[1]}"
            yield Mutant(
                "order", line, f"{found[0]} to {changed}", text[: found.start()] + changed + text[found.end() :]
            )


def judge(rules: RuleSet, text: CText, count: int) -> Iterator[tuple[Mutant, str]]:
    """Put each of `count` mutants to the proof and yield its verdict: refuted, undecided, or survives.

    A mutant that is not C which the port may emit is passed over: that it is refused says nothing of the proof.
    """
    for mutant in chosen(mutants(text.rules, text.header), count):
        try:
            claim = tick_differs(rules, CText(text.header, mutant.text, text.checks))
        except CTextError:
            continue
        yield mutant, "survives" if claim is None else claim.verdict
