from __future__ import annotations

import pytest
from own_rules import BARE, MIXED, RULES

from controller.our_rules import OURS
from controller.port.c_reader import CTextError, read
from controller.port.checks_c import checks_c
from controller.port.equality import CText, failures, prove, tick_differs
from controller.port.mutants import judge, mutants
from controller.port.rules_c import rules_c
from controller.port.rules_h import rules_h
from controller.port.writing import Port


def _text_of(rules: object) -> CText:
    return CText(rules_h(rules), rules_c(rules), checks_c(rules))  # type: ignore[arg-type]  # a rule set


def test_the_c_text_is_equal_to_the_rules(made: Port) -> None:
    claims = prove(OURS, made.text)
    assert failures(claims) == []
    named = {claim.name.split(",")[0] for claim in claims}
    assert {f"memory {field.name}" for field in OURS.memory} <= named
    assert {"command duty_ppm", "command refusal", "no sum", "rules_inputs_limit: gear in range"} <= named


@pytest.mark.parametrize("rules", [RULES, MIXED, BARE], ids=lambda rules: rules.name)
def test_a_users_own_rules_are_proved_too(rules: object) -> None:
    assert failures(prove(rules, _text_of(rules))) == []  # type: ignore[arg-type]  # a rule set


def test_interlocks_that_read_each_other_keep_their_order() -> None:
    assert "in their order" in rules_c(RULES)
    assert "the last first" in rules_c(MIXED)


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("m->brake_on = true;", "m->brake_on = false;"),
        ("x->engine_rpm <", "x->turbine_rpm <"),
        ("m->hot = (m->hot ?", "m->hot = (!m->hot ?"),
        ("m->now_ms = x->now_ms;", "m->now_ms = x->now_ms + 1;"),
        ("standing = RULES_REASON_BRAKE;", "standing = RULES_REASON_GEAR;"),
        ("takes_out = RULES_REASON_BRAKE;", "takes_out = RULES_REASON_GEAR;"),
        ("m->released_standing = standing;", "m->released_standing = 0;"),
        ("(timer_ms == -1) ? 0", "(timer_ms == -1) ? 1"),
        ("elapsed_ms) >= k->brake_settle_ms", "elapsed_ms) > k->brake_settle_ms"),
        ("* 1000)", "* 1001)"),
    ],
)
def test_a_wrong_in_the_text_is_refuted_with_the_inputs_that_show_it(made: Port, old: str, new: str) -> None:
    assert old in made.text.rules
    claim = tick_differs(OURS, CText(made.text.header, made.text.rules.replace(old, new, 1), made.text.checks))
    assert claim is not None
    assert claim.verdict == "refuted"
    assert "=" in claim.detail


def test_an_overflow_is_an_error_of_its_own(made: Port) -> None:
    # Equal modulo 2^32, undefined in C.
    wrong = made.text.rules.replace("c->band = m->band;", "c->band = (m->band + 2147483647) - 2147483647;")
    claim = tick_differs(OURS, CText(made.text.header, wrong, made.text.checks))
    assert claim is not None
    assert "int32" in claim.name


@pytest.mark.parametrize(
    ("old", "new"), [(">= 500)", ">= 501)"), ("valid = rules_relations_hold(k);", "valid = true;")]
)
def test_a_wrong_in_the_checks_is_refuted(made: Port, old: str, new: str) -> None:
    assert old in made.text.checks
    wrong = CText(made.text.header, made.text.rules, made.text.checks.replace(old, new, 1))
    assert [claim.verdict for claim in failures(prove(OURS, wrong))] == ["refuted"]


@pytest.mark.parametrize(
    "statement",
    [
        "for (;;) { }",
        "m->band += 1;",
        "m->band = m->band / 2;",
        "m->band = m->hot;",
        "m->hot = 1;",
        "x->gear = 0;",
        "m->band = m->no_such;",
        "m->band = c->band;",
        "int32_t a; m->band = 0;",
        "m->band = (m->hot && (rules_locks(k, x, m, elapsed_ms) == 0)) ? 1 : 0;",
        "m->band = 4294967296;",
    ],
)
def test_what_the_port_may_not_emit_is_refused_not_read_as_something_else(made: Port, statement: str) -> None:
    wrong = made.text.rules.replace("    m->now_ms = x->now_ms;\n", f"    {statement}\n    m->now_ms = x->now_ms;\n", 1)
    assert wrong != made.text.rules
    with pytest.raises(CTextError):
        tick_differs(OURS, CText(made.text.header, wrong, made.text.checks))


def test_text_that_is_no_c_is_refused() -> None:
    with pytest.raises(CTextError, match="not C"):
        read("", "void f( {")
    with pytest.raises(CTextError, match="directive"):
        read("", "#pragma once\n")


def test_mutants_are_of_every_kind_and_differ_from_the_text(made: Port) -> None:
    found = mutants(made.text.rules, made.text.header)
    assert {mutant.kind for mutant in found} == {"operator", "constant", "field", "order"}
    assert all(mutant.text != made.text.rules for mutant in found)
    assert len(found) > 400


@pytest.mark.long
def test_every_mutant_of_the_text_is_refuted(made: Port) -> None:
    verdicts = [(verdict, mutant.line, mutant.change) for mutant, verdict in judge(OURS, made.text, 60)]
    assert len(verdicts) >= 50
    assert [one for one in verdicts if one[0] != "refuted"] == []
