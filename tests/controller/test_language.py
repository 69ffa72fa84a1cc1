# ruff: noqa: ARG005  # a rule takes all its views, whatever it reads
"""The language check: our rules pass; each offender is one line with file, line and the word to use."""

from __future__ import annotations

import functools
from pathlib import Path
from typing import Any

import pytest

from controller.declare import Interlock, Memory, Property, Relation, State
from controller.guard import code_of
from controller.language import all_rules, check
from controller.our_rules import OURS
from controller.terms import RuleLanguageError
from controller.user_rules import load_rules

_HEAD = """\
import math
from functools import partial, wraps
from controller.declare import *
from controller.our_rules import OURS
from controller.words import *
def with_rule(rule):
    return OURS.adding(interlocks=[Interlock("mine", rule, State.IDLE, "meaning", "clears", "says")])
"""
_LINE = _HEAD.count("\n") + 2


def _rules(tmp_path: Path, body: str, head: str = "def rule(x, k, m):") -> str:
    file = tmp_path / "rules.py"
    file.write_text(f"{_HEAD}{head}\n    {body}\nRULES = with_rule(rule)\n", encoding="utf-8")
    return str(file)


def test_our_rules_are_in_the_vocabulary() -> None:
    check(OURS)
    assert len(list(all_rules(OURS))) > 100


_OFFENDERS = [
    ("return True if x.brake_on else False", "`a if condition else b`", "use select(condition, a, b)"),
    ("if x.brake_on: return True", "`if`", "use select(condition, a, b)"),
    ("while x.brake_on: pass", "`while`", "write the terms out"),
    ("return (x.gear > 1) and (x.gear < 3)", "`and`", "use & with each comparison in brackets"),
    ("return (x.gear > 1) or (x.gear < 3)", "`or`", "use | with each comparison in brackets"),
    ("return not x.brake_on", "`not`", "use not_(condition)"),
    ("return ~x.brake_on", "`~`", "use not_(condition)"),
    ("return x.gear is 1", "`is`", "use =="),
    ("return x.gear is not 1", "`is not`", "use !="),
    ("return x.gear in (1, 2)", "`in`", "(a == 1) | (a == 2)"),
    ("return x.gear not in (1, 2)", "`not in`", "(a != 1) & (a != 2)"),
    ("return x.engine_rpm // 2 > 3", "`//`", "multiply the other side of the comparison instead"),
    ("return x.engine_rpm / 2 > 3", "`/`", "multiply the other side of the comparison instead"),
    ("return x.engine_rpm % 2 > 3", "`%`", "use + - * and comparisons"),
    ("return x.engine_rpm ** 2 > 3", "`**`", "multiply"),
    ("return x.brake_on ^ x.shift_on", "`^`", "(a & not_(b)) | (b & not_(a))"),
    ("return x.engine_rpm << 1 > 3", "`<<`", "multiply"),
    ("return x.engine_rpm >> 1 > 3", "`>>`", "use + - * and comparisons"),
    ("try: return x.brake_on\n    finally: pass", "`try`", "say what it returns"),
    ("return 1 < x.gear < 4", "a chain a < b < c", "use (a < b) & (b < c)"),
    ("return x.engine_rpm > 3.5", "the fraction 3.5", "use whole numbers in the signal's own unit"),
    ("return min(x.gear, 3) > 1", "min()", "use minimum(a, b)"),
    ("return max(x.gear, 3) > 1", "max()", "use maximum(a, b)"),
    ("return abs(x.gear) > 1", "abs()", "use maximum(a, 0 - a)"),
    ("return int(x.gear) > 1", "int()", "use the whole number itself"),
    ("return round(x.gear) > 1", "round()", "use whole numbers"),
    ("return float(x.gear) > 1", "float()", "use whole numbers"),
    ("return any([x.brake_on])", "any()", "use |"),
    ("return all([x.brake_on])", "all()", "use &"),
    ("return bool(x.gear)", "bool()", "compare it: a != 0"),
    ("return isinstance(x.gear, int)", "isinstance()", "every value is a whole number or a comparison"),
    ("x.gear += 1.0", "the fraction 1.0", "use whole numbers"),
    ("y = x.engine_rpm; y //= 2; return y > 3", "`//`", "multiply the other side"),
    # seen by tracing
    ("return math.floor(x.gear) > 1", "float()", "use whole numbers"),
    ("return x.gear @ 1", "fails: ", "keep to + - *"),
    ("return x.gear.real > 1", "fails: ", "keep to + - *"),
    ("return x.gear() > 1", "fails: ", "keep to + - *"),
    ("return x.engin_rpm > 1", "'engin_rpm' is not a signal", "did you mean 'engine_rpm'?"),
    ("return x.oil_temp_dc < k.oil_minimum_c", "'oil_minimum_c' is not a calibration key", "did you mean"),
    ("return m.bnad == 1", "'bnad' is not a memory field", "did you mean 'band'?"),
    ("x.gear = 1", "a rule sets 'gear'", "return the value"),
    ("m.band = 1", "a rule sets 'band'", "return the value"),
    ("return x.gear + x.brake_on > 1", "`+` on the truth value x.brake_on", "use select(condition, 1, 0)"),
    ("return select(x.gear, True, False)", "select() on the number x.gear", "compare it first"),
    ("return x.gear == 'low'", "'low' is a str", "use a whole number"),
    ("return [x.gear for _ in x.gear]", "a rule value is looped over", "write the terms out"),
]


@pytest.mark.parametrize(("body", "what", "instead"), _OFFENDERS)
@pytest.mark.filterwarnings("ignore::SyntaxWarning")  # `is` with a number: that is the point
def test_offender_is_named_with_file_line_and_word(tmp_path: Path, body: str, what: str, instead: str) -> None:
    path = _rules(tmp_path, body)
    with pytest.raises(RuleLanguageError) as caught:
        load_rules(path)
    line = str(caught.value)
    assert line.startswith(f"{path}:{_LINE}: "), line
    assert what in line
    assert instead in line.split("; ", 1)[1]
    assert "\n" not in line


@pytest.mark.parametrize(
    ("body", "shown"),
    [
        ("return x.gear", "interlock 'mine' returns a number; return a comparison"),
        ("pass", "interlock 'mine' returns a NoneType; return a comparison"),
        ("return 'gear'", "interlock 'mine' returns a str; return a comparison"),
    ],
)
def test_the_wrong_kind_is_named_at_the_rule(tmp_path: Path, body: str, shown: str) -> None:
    path = _rules(tmp_path, body)
    with pytest.raises(RuleLanguageError) as caught:
        load_rules(path)
    assert str(caught.value) == f"{path}:{_LINE - 1}: {shown}"


def test_the_line_within_a_longer_rule(tmp_path: Path) -> None:
    path = _rules(tmp_path, "a = x.gear > 1\n    b = x.gear < 5\n    return (\n        a\n        and b\n    )")
    with pytest.raises(RuleLanguageError, match=rf"rules.py:{_LINE + 3}: `and`"):
        load_rules(path)


def test_helpers_are_read_too(tmp_path: Path) -> None:
    file = tmp_path / "rules.py"
    # `is` on a traced value is silently False: only the source shows it.
    helper = "def helper(x):\n    return x.gear is x.engine_rpm\n"
    file.write_text(f"{_HEAD}{helper}def rule(x, k, m):\n    return helper(x)\nRULES = with_rule(rule)\n", "utf-8")
    with pytest.raises(RuleLanguageError, match=r"rules.py:9: `is` .*use =="):
        load_rules(str(file))


def test_decorated_rules_and_lambdas_are_read(tmp_path: Path) -> None:
    file = tmp_path / "rules.py"
    rule = "def plain(rule):\n    return rule\n@plain\ndef rule(x, k, m):\n    return x.gear is 1\n"
    file.write_text(f"{_HEAD}{rule}RULES = with_rule(rule)\n", "utf-8")
    with pytest.warns(SyntaxWarning), pytest.raises(RuleLanguageError, match=r"rules.py:12: `is`"):
        load_rules(str(file))
    file.write_text(f"{_HEAD}RULES = with_rule(lambda x, k, m: x.gear is m.band)\n", encoding="utf-8")
    # The tree of a file is kept: another file for another text.
    other = file.rename(tmp_path / "other.py")
    with pytest.raises(RuleLanguageError, match=r"other.py:8: `is`"):
        load_rules(str(other))


def test_a_wrapped_rule_is_the_one_inside() -> None:
    def rule(x: Any, _k: Any, _m: Any) -> Any:
        return x.gear > 1

    @functools.wraps(rule)
    def wrapped(*views: Any) -> Any:
        return rule(*views)

    assert code_of(wrapped) is rule.__code__
    assert code_of(rule) is rule.__code__


def test_the_text_of_a_refusal_may_use_all_of_python(tmp_path: Path) -> None:
    file = tmp_path / "rules.py"
    # Both on one line, which is all that a lambda's code tells of its place.
    mine = "Interlock('mine', lambda x, k, m: x.gear > 8, None, 'a', 'b', lambda x, k: 'high' if x.gear else 'low')"
    file.write_text(f"{_HEAD}RULES = OURS.adding(interlocks=[{mine}])\n", "utf-8")
    assert load_rules(str(file)).interlocks[-1].reason == "mine"


def test_a_rule_made_at_run_time_is_still_traced() -> None:
    scope: dict[str, object] = {}
    exec("def rule(x, k, m):\n    return x.gear if x.brake_on else x.gear", scope)
    with pytest.raises(RuleLanguageError, match=r"<string>:2: a rule value is used as a plain truth value"):
        check(OURS.adding(interlocks=[Interlock("mine", scope["rule"], None, "a", "b", "c")]))  # type: ignore[arg-type]


def test_a_rule_must_be_a_plain_function() -> None:
    class Callable:
        def __call__(self, _x: object, _k: object, _m: object) -> bool:
            return True

    with pytest.raises(RuleLanguageError, match="a rule is a plain function, made by def or lambda"):
        check(OURS.adding(interlocks=[Interlock("mine", Callable(), None, "a", "b", "c")]))


def test_relations_properties_and_memory_are_checked() -> None:
    with pytest.raises(RuleLanguageError, match=r"the relation at low\.engage_kmh returns a number"):
        check(OURS.adding(relations=[Relation("low.engage_kmh", "so", lambda k: k.low_engage_ckmh)]))
    with pytest.raises(RuleLanguageError, match=r"'bands' is not a memory field or output; did you mean 'band'"):
        check(OURS.adding(properties=[Property("mine", "so", lambda b, x, k, a: a.bands == 1)]))
    with pytest.raises(RuleLanguageError, match="property 'mine' returns a number"):
        check(OURS.adding(properties=[Property("mine", "so", lambda b, x, k, a: a.refusal)]))
    with pytest.raises(RuleLanguageError, match="memory field 'mine' returns a truth value; return a whole number"):
        check(OURS.adding(late=[Memory("mine", 0, 1, 0, lambda x, k, m: x.gear > 1, "so")]))
    with pytest.raises(RuleLanguageError, match="memory field 'mine' returns a number; return a comparison"):
        check(OURS.adding(early=[Memory("mine", 0, 1, 0, lambda x, k, m: x.gear, "so", is_flag=True)]))


def test_constants_by_name_are_allowed() -> None:
    check(OURS.adding(interlocks=[
        Interlock("mine", lambda x, k, m: m.state == int(State.ARMED), None, "a", "b", "c")]))  # fmt: skip
