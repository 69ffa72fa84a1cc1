"""Pieces of C text: constants, comments, wrapped lines, and names that C can spell."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from controller.declare import Key, Lamp, Memory, Refusal, Signal
from controller.errors import UserError
from controller.our_rules import OURS
from controller.port.c_text import check_names, comment, int32, number, statement, words
from controller.ruleset import RuleSet


@pytest.mark.parametrize(
    ("value", "text"),
    [(0, "0"), (1, "1"), (-1, "(-1)"), (2_147_483_647, "2147483647"), (-2_147_483_647, "(-2147483647)"),
     (-2_147_483_648, "(-2147483647 - 1)")],
)  # fmt: skip  # a table
def test_a_constant_is_a_literal_that_c_has(value: int, text: str) -> None:
    assert number(value) == text
    assert int32(value) == value


@pytest.mark.parametrize("value", [2_147_483_648, -2_147_483_649, 2**40])
def test_what_is_no_int32_is_refused(value: int) -> None:
    for make in (number, int32):
        with pytest.raises(UserError, match=f"^the rules use the number {value}, which is no int32: firmware cannot"):
            make(value)


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("from 0 to 5 °C ± 1", "from 0 to 5 deg C +/- 1"),
        ("two\nlines\t and  blanks ", "two lines and blanks"),
        ("snow ☃", "snow ?"),
        ("ends */ here", "ends * / here"),
        ("begins /* here", "begins / * here"),
        ("joins \\\nlines", "joins / lines"),
        ("spells ??/ a backslash", "spells ? ?/ a backslash"),
        ("≥ 1 · 2 × 3 – 4 … ≤ 5 µs", ">= 1 * 2 x 3 - 4 ... <= 5 us"),
    ],
)
def test_words_in_a_comment_are_plain_and_do_not_end_it(text: str, shown: str) -> None:
    assert words(text) == shown


def _of_length(length: int) -> str:
    """Return words of three letters, the last one longer or shorter, that are so long together."""
    return ("abc " * length)[: length - 1].rstrip().ljust(length, "d")


@pytest.mark.parametrize("indent", ["", "    "])
def test_a_comment_uses_the_whole_line_and_no_more(indent: str) -> None:
    room = 100 - len(indent) - len("/*  */")
    text = _of_length(room)
    assert comment(text, indent) == f"{indent}/* {text} */"
    assert len(comment(text, indent)) == 100
    first, second = comment(_of_length(room + 1), indent).split("\n")
    assert first.startswith(f"{indent}/* abc")
    assert not first.endswith("*/")
    assert second.startswith(f"{indent} * ")
    assert second.endswith(" */")
    three = comment(_of_length(2 * room + 20), indent).split("\n")
    assert [line.removeprefix(indent)[:3] for line in three] == ["/* ", " * ", " * "]
    assert [line.endswith(" */") for line in three] == [False, False, True]
    assert all(len(line) <= 100 for line in three)


def test_comments_of_nothing_and_of_one_long_word() -> None:
    assert comment("") == "/*  */"
    assert comment("w" * 120) == f"/* {'w' * 120} */"


@pytest.mark.parametrize("indent", ["", "    "])
def test_a_statement_uses_the_whole_line_and_no_more(indent: str) -> None:
    text = _of_length(100 - len(indent))
    assert statement(text, indent) == indent + text
    first, second = statement(_of_length(101 - len(indent)), indent).split("\n")
    assert first.startswith(f"{indent}abc")
    assert second.startswith(f"{indent}        ")
    assert not second.startswith(f"{indent}         ")
    assert statement("w" * 120, indent) == indent + "w" * 120


def _named(group: str, name: str) -> RuleSet:
    def of_nothing(_x: Any, _k: Any, _m: Any) -> Any:
        raise AssertionError("not asked")

    match group:
        case "signal":
            return OURS.adding(signals=[Signal(name, "", 0, 1, 0, "")])
        case "calibration key":
            return OURS.adding(keys=[Key(name, "a.b", 1, 0, 1, 0, "")])
        case "memory field":
            return OURS.adding(early=[Memory(name, 0, 1, 0, of_nothing, "")])
        case "lamp":
            return OURS.adding(lamps=[Lamp(name, of_nothing, "")])
        case _:
            return replace(OURS, last_refusals=(*OURS.last_refusals, Refusal(name, of_nothing, "")))


@pytest.mark.parametrize("group", ["signal", "calibration key", "memory field", "reason", "lamp"])
def test_names_that_c_can_spell_and_names_that_it_cannot(group: str) -> None:
    for good in ("a", "a_1", "z" * 56, "Straight", "integer"):
        check_names(_named(group, good))
    for bad in ("z" * 57, "int", "struct", "auto", "true"):
        with pytest.raises(UserError, match=f"rule set 'ours': {group} '{bad}' is no name in C; use at most 56"):
            check_names(_named(group, bad))


@pytest.mark.parametrize("bad", ["", "1st", "two words", "dash-ed", "grün", "_own", "_Bool"])
def test_reasons_are_names_too(bad: str) -> None:
    with pytest.raises(UserError, match=f"reason '{bad}' is no name in C"):
        check_names(_named("reason", bad))


def test_names_that_differ_by_case_only_are_refused_within_a_group() -> None:
    with pytest.raises(UserError, match="signal 'Gear' and 'gear' differ by case only"):
        check_names(_named("signal", "Gear"))
    check_names(_named("calibration key", "gear"))
    check_names(_named("calibration key", "Gear"))
