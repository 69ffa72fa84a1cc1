"""Wrongs put into the C text: each is one change, at the place it names, and nothing the same is counted."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from controller.our_rules import OURS
from controller.port import mutants as module
from controller.port.c_reader import CTextError
from controller.port.equality import Claim, CText
from controller.port.mutants import Mutant, chosen, judge, mutants
from controller.port.rules_c import rules_c
from controller.port.rules_h import rules_h

_HEADER = """
#define RULES_VERSION 3
#define RULES_STATE_IDLE 0
#define RULES_STATE_ARMED 1
#define RULES_REASON_NONE 0
#define RULES_REASON_STALL_GUARD 1
#define RULES_REASON_STALL 2
typedef struct {
    bool brake_on;
    int32_t speed;
    int32_t gear;
    int32_t oil;
} rules_inputs_t;
"""


def _changed_lines(line: str) -> set[tuple[str, str]]:
    """Return kind and new line of each mutant of a line that stands alone."""
    found = mutants(f"\n    {line}\n", _HEADER)
    assert {one.line for one in found} <= {2}
    assert all(one.text.startswith("\n    ") and one.text.endswith("\n") for one in found)
    assert len({one.text for one in found}) == len(found)
    return {(one.kind, one.text.strip()) for one in found}


@pytest.mark.parametrize(
    ("line", "changed"),
    [
        ("a = b + c;", {("operator", "a = b - c;")}),
        ("a = b - c;", {("operator", "a = b + c;")}),
        ("a = b * c;", {("operator", "a = b + c;")}),
        ("if (a < b)", {("operator", "if (a <= b)")}),
        ("if (a <= b)", {("operator", "if (a < b)")}),
        ("if (a > b)", {("operator", "if (a >= b)")}),
        ("if (a >= b)", {("operator", "if (a > b)")}),
        ("if (a == b)", {("operator", "if (a != b)")}),
        ("if (a != b)", {("operator", "if (a == b)")}),
        ("if (a && b)", {("operator", "if (a || b)")}),
        ("if (a || b)", {("operator", "if (a && b)")}),
        ("if (a < b && c)", {("operator", "if (a <= b && c)"), ("operator", "if (a < b || c)")}),
        ("a = 0;", {("constant", "a = 1;")}),
        ("a = 41;", {("constant", "a = 42;")}),
        # A sign is no operator; what it stands before is a constant all the same.
        ("a = -1;", {("constant", "a = -2;")}),
        ("a = (-1);", {("constant", "a = (-2);")}),
        ("a = f(b, -1);", {("constant", "a = f(b, -2);")}),
        ("a = b ? -c : -d;", {("order", "a = b ? -d : -c;")}),
        ("a = b - -c;", {("operator", "a = b + -c;"), ("operator", "a = b - +c;")}),
        # The same function.
        ("return (a < b) ? a : b;", {("order", "return (a < b) ? b : a;")}),
        ("return (a > c) ? a : c;", {("order", "return (a > c) ? c : a;")}),
        ("return (b < a);", {("operator", "return (b <= a);")}),
        ("a = RULES_STATE_IDLE;", {("constant", "a = RULES_STATE_ARMED;")}),
        ("a = RULES_STATE_ARMED;", {("constant", "a = RULES_STATE_IDLE;")}),
        ("a = RULES_REASON_STALL_GUARD;", {("constant", "a = RULES_REASON_STALL;")}),
        ("a = RULES_REASON_STALL;", {("constant", "a = RULES_REASON_NONE;")}),
        ("a = RULES_VERSION;", set()),
        ("a = x->speed;", {("field", "a = x->gear;")}),
        ("a = k->gear;", {("field", "a = k->oil;")}),
        ("a = k->oil;", {("field", "a = k->speed;")}),
        ("a = x->brake_on;", set()),
        ("a = m->speed;", set()),
        ("int32_t *a;", set()),
        ("f(int32_t *a, b * c);", {("operator", "f(int32_t *a, b + c);")}),
        ("a = t12;", set()),
        ("a = b; /* 1 < 2 + 3 */", set()),
        ("a = b ? 7 : 7;", {("constant", "a = b ? 8 : 7;"), ("constant", "a = b ? 7 : 8;")}),
        ("a = b ? c : d;", {("order", "a = b ? d : c;")}),
        ("a = b ? m->c : m->c;", set()),
        ("f(b ? c : d, e);", {("order", "f(b ? d : c, e);")}),
    ],
)
def test_every_token_that_may_be_wrong_is_changed_once(line: str, changed: set[tuple[str, str]]) -> None:
    assert _changed_lines(line) == changed


def test_comments_and_directives_stay_as_they_are() -> None:
    text = '#include "rules.h"\n#define A 3\n/* 1 < 2\n * 3 < 4 */\na = 5; /* 6 */ b = 7;\n'
    assert [one.text for one in mutants(text, _HEADER)] == [
        text.replace("a = 5", "a = 6"),
        text.replace("b = 7", "b = 8"),
    ]


def test_a_mutant_names_its_line_and_what_was_changed() -> None:
    text = "\na = 5;\n\nb = (c <\n    d) ? e\n    : f;\n"
    found = [(one.kind, one.line, one.change) for one in mutants(text, _HEADER)]
    assert found == [
        ("constant", 2, "5 to 6"),
        ("operator", 4, "< to <="),
        ("order", 5, "? e\n    : f to ? f : e"),
    ]


_STATEMENTS = """{
    a = b;
    c = a;
    m->d = c;
    e = d;
    const bool f = m->d;
    return f;
}
"""


def test_a_statement_and_the_next_one_that_reads_it_change_places() -> None:
    found = [(one.line, one.change, one.text) for one in mutants(_STATEMENTS, _HEADER)]
    swapped = (("    a = b;\n", "    c = a;\n"), ("    c = a;\n", "    m->d = c;\n"),
               ("    const bool f = m->d;\n", "    return f;\n"))  # fmt: skip  # pairs
    # `e = d` reads another d; `m->d` is not read by what follows it at once.
    assert found == [
        (line, "two statements change places", _STATEMENTS.replace(one + two, two + one))
        for line, (one, two) in zip((2, 3, 6), swapped, strict=True)
    ]
    assert [one.text for one in mutants("    a = b;\n    c = a;\n", _HEADER)] == ["    c = a;\n    a = b;\n"]


@pytest.mark.parametrize("second", ["    /* a */;", "    if (a)", "    }", "    {;", "    b = c;", "    b = aa;"])
def test_what_follows_and_reads_nothing_of_it_keeps_its_place(second: str) -> None:
    assert mutants(f"    a = d;\n{second}\n", _HEADER) == []
    assert mutants(f"    f(a);\n{second}\n", _HEADER) == []


_ARMS = """{
    if (a)
    {
        b();
    }
    else if (c ||
            d)
    {
        e();
    }
    else if (f)
    {
        if (g)
        {
            h();
        }
    }
    else
    {
        i();
    }
    if (j)
    {
        l();
    }
    else if (j)
    {
        l();
    }
}
"""


def test_two_arms_that_follow_each_other_change_their_conditions() -> None:
    found = [one for one in mutants(_ARMS, _HEADER) if one.kind == "order"]
    assert [(one.line, one.change) for one in found] == [
        (2, "two arms change their conditions"),
        (6, "two arms change their conditions"),
    ]
    first = _ARMS.replace("    if (a)\n", "    if (c ||\n            d)\n").replace(
        "    else if (c ||\n            d)\n", "    else if (a)\n"
    )
    second = _ARMS.replace("    else if (f)\n", "    else if (c ||\n            d)\n")
    second = second.replace("    else if (c ||\n            d)\n", "    else if (f)\n", 1)
    assert [one.text for one in found] == [first, second]


def test_every_mutant_of_our_text_is_another_text_and_stands_where_it_says() -> None:
    text = rules_c(OURS)
    found = mutants(text, rules_h(OURS))
    assert len({one.text for one in found} | {text}) == len(found) + 1
    lines = text.splitlines()
    for one in found:
        pairs = enumerate(zip(lines, one.text.splitlines(), strict=False), 1)
        assert next(at for at, (old, new) in pairs if old != new) == one.line, one.change
    kinds = [one.kind for one in found]
    assert set(kinds) == {"operator", "constant", "field", "order"}
    assert min(kinds.count(kind) for kind in set(kinds)) > 40


# Which are judged, and how -----------------------------------------------------------------------------------


def _some(kind: str, count: int) -> list[Mutant]:
    return [Mutant(kind, at, "", "") for at in range(count)]


@pytest.mark.parametrize(
    ("count", "picked"),
    [
        (0, {}),
        (1, {"a": [0]}),
        (2, {"a": [0], "b": [0]}),
        (3, {"a": [0], "b": [0], "c": [0]}),
        (6, {"a": [0, 5], "b": [0, 2], "c": [0]}),
        (7, {"a": [0, 3, 6], "b": [0, 2], "c": [0]}),
        (12, {"a": [0, 2, 5, 7], "b": [0, 1, 2, 3], "c": [0]}),
        (99, {"a": list(range(10)), "b": list(range(4)), "c": [0]}),
    ],
)
def test_those_chosen_are_spread_over_all_kinds_and_the_whole_text(count: int, picked: dict[str, list[int]]) -> None:
    got: dict[str, list[int]] = {}
    for one in chosen([*_some("a", 10), *_some("b", 4), *_some("c", 1)], count):
        got.setdefault(one.kind, []).append(one.line)
    assert got == picked


def test_a_mutant_is_put_to_the_proof_and_one_that_is_no_c_of_ours_is_passed_over(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    text = CText("header", "a = 1;\nb = 2;\nc = 3;\nd = 4;\n", "checks")
    answers: dict[str, Any] = {
        "1 to 2": Claim("x", "refuted"),
        "2 to 3": None,
        "3 to 4": CTextError("no"),
        "4 to 5": Claim("x", "undecided"),
    }
    asked: list[CText] = []
    changed = {one.text: answers[one.change] for one in mutants(text.rules, text.header)}

    def differs(rules: Any, given: CText) -> Any:
        assert rules is mine
        asked.append(given)
        if isinstance(changed[given.rules], CTextError):
            raise changed[given.rules]
        return changed[given.rules]

    mine: Any = SimpleNamespace()
    monkeypatch.setattr(module, "tick_differs", differs)
    verdicts = [(mutant.change, verdict) for mutant, verdict in judge(mine, text, 4)]
    assert verdicts == [("1 to 2", "refuted"), ("2 to 3", "survives"), ("4 to 5", "undecided")]
    assert [(one.header, one.rules, one.checks) for one in asked] == [("header", one, "checks") for one in changed]
