"""The proof of equality on a small rule set: hand-written C passes, and each thing wrong in it is told by its name."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Any

import pytest
import z3
from small_rules import CHECKS_C, HEADER, RULES_C, SMALL, TEXT

from controller.declare import Memory, Relation
from controller.errors import UserError
from controller.port import equality
from controller.port.bits import Bits
from controller.port.equality import Claim, CText, Evaluator, failures, prove, tick_differs
from controller.ruleset import RuleSet
from controller.terms import Graph
from controller.words import maximum, minimum, not_, select


def _changed(text: str, old: str, new: str) -> str:
    assert text.count(old) >= 1
    return text.replace(old, new, 1)


def _in_rules(old: str, new: str) -> CText:
    return replace(TEXT, rules=_changed(RULES_C, old, new))


def _in_checks(old: str, new: str) -> CText:
    return replace(TEXT, checks=_changed(CHECKS_C, old, new))


def _in_header(old: str, new: str) -> CText:
    return replace(TEXT, header=_changed(HEADER, old, new))


@pytest.fixture
def checks_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    """Leave the tick out: what is changed is in the checks."""
    monkeypatch.setattr(equality, "_tick_claims", lambda *_: [])


def _wrong(text: CText, rules: RuleSet = SMALL) -> dict[str, str]:
    claims = failures(prove(rules, text))
    return {claim.name: claim.verdict for claim in claims}


def test_c_that_is_equal_is_proved_claim_by_claim() -> None:
    claims = prove(SMALL, TEXT)
    assert failures(claims) == []
    names = [claim.name for claim in claims]
    assert len(names) == len(set(names))
    for ignition in ("on", "off"):
        for field in SMALL.memory:
            assert f"memory {field.name}, ignition {ignition}" in names
            if not field.is_flag:
                assert f"memory {field.name} stays from {field.low} to {field.high}, ignition {ignition}" in names
        assert f"no sum, difference or product leaves int32, ignition {ignition}" in names
        assert f"command refusal, ignition {ignition}" in names
    assert {f"start {field.name}" for field in SMALL.memory} <= set(names)
    assert {f"rules_inputs_limit: {name} in range" for name in ("now_ms", "speed", "speed_age_ms")} <= set(names)
    assert tick_differs(SMALL, TEXT) is None


@pytest.mark.parametrize(
    ("old", "new", "field"),
    [
        ("m->now_ms = x->now_ms;", "m->now_ms = x->speed_age_ms;", "memory now_ms"),
        ("m->state = 2;", "m->state = 3;", "memory state"),
        ("m->reason = 3;", "m->reason = 2;", "memory reason"),
        ("if (m->band < 2)", "if (m->band < 1)", "memory band"),
        ("k->limit - k->gap", "k->gap - k->limit", "memory hot"),
        ("x->speed >", "x->speed >=", "memory hot"),
        ("x->speed * k->factor", "x->speed * k->limit", "memory duty_ppm"),
        ("c->duty_ppm = m->duty_ppm;", "c->duty_ppm = 0;", "command duty_ppm"),
        ("c->state = m->state;", "c->state = 2;", "command state"),
        ("c->reason = m->reason;", "c->reason = m->state;", "command reason"),
        ("refusal = 2;", "refusal = 1;", "command refusal"),
        ("c->warnings = 0;", "c->warnings = refusal;", "command warnings"),
        ("c->band = m->band;", "c->band = 2;", "command band"),
    ],
)
def test_what_differs_is_refuted_by_its_name(old: str, new: str, field: str) -> None:
    wrong = _wrong(_in_rules(old, new))
    assert set(wrong.values()) == {"refuted"}
    assert f"{field}, ignition on" in wrong


def test_a_difference_with_the_ignition_on_or_off_alone_is_found() -> None:
    for ignition, condition in (("on", "x->ignition_on"), ("off", "!x->ignition_on")):
        text = _in_rules("    c->band = m->band;", f"    c->band = ({condition}) ? 0 : m->band;")
        assert _wrong(text) == {f"command band, ignition {ignition}": "refuted"}


def test_a_counterexample_names_every_input_with_its_sign() -> None:
    claim = tick_differs(SMALL, _in_rules("c->band = m->band;", "c->band = (x->speed < -3) ? 1 : m->band;"))
    assert claim is not None
    shown = dict(part.split("=") for part in claim.detail.split(", "))
    assert int(shown["x.speed"]) in (-5, -4)
    assert int(shown["m.band"]) in (0, 1, 2)
    claim = tick_differs(SMALL, _in_rules("c->band = m->band;", "c->band = x->brake_on ? 1 : m->band;"))
    assert claim is not None
    assert "x.brake_on=true" in claim.detail.split(", ")


def test_what_the_declarations_rule_out_is_not_asked() -> None:
    never = ("x->speed > 100", "x->speed < -5", "k->limit < 10", "k->factor > 20", "m->duty_ppm > 2000", "m->band < 0",
             "(k->gap + k->limit) > 55", "k->strict && (k->gap > 0)")  # fmt: skip
    some = " || ".join(f"({one})" for one in never)
    assert tick_differs(SMALL, _in_rules("c->band = m->band;", f"c->band = ({some}) ? 9 : m->band;")) is None


@pytest.mark.parametrize(
    "condition",
    ["x->speed > 99", "x->speed < -4", "k->limit < 11", "k->factor > 19", "m->duty_ppm > 1999", "m->band < 1",
     "(k->gap + k->limit) > 54", "k->strict && (k->gap == 0)"],
)  # fmt: skip  # a table
def test_every_end_that_the_declarations_allow_is_asked(condition: str) -> None:
    claim = tick_differs(SMALL, _in_rules("c->band = m->band;", f"c->band = ({condition}) ? 9 : m->band;"))
    assert claim is not None
    assert claim.verdict == "refuted"


# Ranges of the memory, and int32 --------------------------------------------------------------------------------


def _with_band(update: Any, text: str, low: int = 0, high: int = 2) -> tuple[RuleSet, CText]:
    """Return the small rules, and their C, with another band that is worked out before all else."""
    band = Memory("band", low, high, 0, update, "another")
    rules = replace(SMALL, early=(band, *SMALL.early[1:]))
    return rules, _in_rules("else if (m->band < 2)\n    {\n        m->band = m->band + 1;\n    }", text)


@pytest.mark.parametrize(
    ("update", "c", "is_kept"),
    [
        (lambda x, _k, m: select(x.brake_on, 0, m.band), "", True),
        (lambda x, _k, m: select(x.brake_on, 0, m.band + 1), "else { m->band = m->band + 1; }", False),
        (lambda x, _k, m: select(x.brake_on, 0, m.band - 1), "else { m->band = m->band - 1; }", False),
        (lambda x, _k, _m: select(x.brake_on, 0, 3), "else { m->band = 3; }", False),
        (lambda x, _k, _m: select(x.brake_on, 0, 0 - 1), "else { m->band = -1; }", False),
        (lambda x, _k, _m: select(x.brake_on, 0, 2), "else { m->band = 2; }", True),
        # The intervals alone do not show these.
        (lambda x, _k, m: select(x.brake_on, 0, select(m.band < 2, m.band + 1, 0)),
         "else { m->band = (m->band < 2) ? (m->band + 1) : 0; }", True),
        (lambda x, _k, m: select(x.brake_on, 0, select(m.band > 0, m.band - 1, 2)),
         "else { m->band = (m->band > 0) ? (m->band - 1) : 2; }", True),
        (lambda x, _k, m: select(x.brake_on, 0, select(m.band < 3, m.band + 1, 0)),
         "else { m->band = (m->band < 3) ? (m->band + 1) : 0; }", False),
        (lambda x, _k, m: select(x.brake_on, 0, select(m.band >= 0, m.band - 1, 2)),
         "else { m->band = (m->band >= 0) ? (m->band - 1) : 2; }", False),
    ],
)  # fmt: skip  # a table
def test_memory_has_to_stay_in_its_declared_range(update: Any, c: str, is_kept: bool) -> None:
    rules, text = _with_band(update, c)
    claim = tick_differs(rules, text)
    assert (claim.name if claim else "") == ("" if is_kept else "memory band stays from 0 to 2, ignition on")


def test_a_range_wider_than_int32_is_refused() -> None:
    for low, high in ((0, 2**31), (-(2**31) - 1, 0)):
        rules, text = _with_band(lambda x, _k, m: select(x.brake_on, 0, m.band), "", low, high)
        with pytest.raises(UserError, match="which is no int32"):
            prove(rules, text)


def test_what_overflows_is_wrong_even_where_it_would_come_out_right() -> None:
    wrong = _wrong(_in_rules("c->band = m->band;", "c->band = (m->band + 2147483647) - 2147483647;"))
    assert wrong == dict.fromkeys(
        (f"no sum, difference or product leaves int32, ignition {word}" for word in ("on", "off")), "refuted"
    )
    # One less fits with a band of 1, and what is never reached may be anything.
    some = "(m->band < 2) ? ((m->band + 2147483646) - 2147483646) : "
    assert tick_differs(SMALL, _in_rules("c->band = m->band;", f"c->band = {some} m->band;")) is None
    text = _in_rules("c->band = m->band;", f"c->band = {some} ((m->band + 2147483646) - 2147483646);")
    claim = tick_differs(SMALL, text)
    assert claim is not None
    assert claim.detail.startswith("+ overflows int32: ")
    assert {"m.band=1", "m.band=2"} & set(claim.detail.split(", "))
    assert "x.brake_on=false" in claim.detail


def test_a_rule_that_leaves_int32_is_refuted_on_the_rules_side_too() -> None:
    rules = replace(SMALL, late=(Memory("duty_ppm", 0, 2_000, 0, lambda x, _k, _m: minimum(
        maximum(x.now_ms + x.speed, 0), 0), "nothing"),))  # fmt: skip
    text = _in_rules("m->duty_ppm = m->duty_ppm + (x->speed * k->factor);", "m->duty_ppm = 0;")
    wrong = _wrong(text, rules)
    assert wrong == dict.fromkeys(
        (f"no sum, difference or product leaves int32, ignition {word}" for word in ("on", "off")), "refuted"
    )


# Start, calibration, inputs -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("old", "new", "field"),
    [
        ("m->reason = 1;", "m->reason = 0;", "start reason"),
        ("m->hot = true;", "m->hot = false;", "start hot"),
        ("m->band = 0;", "m->band = 1;", "start band"),
    ],
)
def test_the_start_is_that_of_the_declarations(old: str, new: str, field: str) -> None:
    assert _wrong(_in_rules(old, new))[field] == "refuted"


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("k->limit >= 10", "k->limit >= 11"),
        ("k->limit >= 10", "k->limit >= 9"),
        ("k->limit <= 50", "k->limit <= 49"),
        ("k->limit <= 50", "k->limit <= 51"),
        ("k->limit >= 10", "true"),
        ("k->factor <= 20", "true"),
        ("(k->gap + k->limit) <= 55", "(k->gap + k->limit) < 55"),
        ("(k->gap + k->limit) <= 55", "(k->gap + k->limit) <= 56"),
        ("!k->strict", "k->strict"),
        ("valid = rules_relations_hold(k);", "valid = true;"),
    ],
)
@pytest.mark.usefixtures("checks_alone")
def test_a_calibration_is_valid_by_exactly_its_ranges_and_relations(old: str, new: str) -> None:
    assert _wrong(_in_checks(old, new)) == {"rules_calibration_valid: ranges and relations": "refuted"}


@pytest.mark.usefixtures("checks_alone")
def test_a_relation_is_worked_out_only_of_keys_in_their_ranges() -> None:
    text = _in_checks("    if (valid)\n    {\n        valid = rules_relations_hold(k);\n    }",
                      "    const bool holds = rules_relations_hold(k);\n    valid = valid && holds;")  # fmt: skip
    name = "rules_calibration_valid: no sum, difference or product leaves int32"
    assert _wrong(text) == {name: "refuted"}
    # One that overflows in range is none of whole numbers: 2 ** 32 times the factor is nothing in 32 bits only.
    never = Relation("duty.factor", "never", lambda k: k.factor * 65_536 * 65_536 == 0)
    assert _wrong(TEXT, replace(SMALL, relations=(*SMALL.relations, never)))[name] == "refuted"


@pytest.mark.parametrize(
    ("old", "new", "claim"),
    [
        ("(x->speed >= -5)", "(x->speed >= -4)", "says whether all were in range"),
        ("(x->speed >= -5)", "(x->speed >= -6)", "says whether all were in range"),
        ("(x->speed <= 100)", "(x->speed <= 99)", "says whether all were in range"),
        ("(x->speed <= 100)", "(x->speed <= 101)", "says whether all were in range"),
        ("rules_limit(x->speed, -5, 100)", "rules_limit(x->speed, -6, 100)", "speed in range"),
        ("rules_limit(x->speed, -5, 100)", "rules_limit(x->speed, -4, 100)", "speed in range"),
        ("rules_limit(x->speed, -5, 100)", "rules_limit(x->speed, -5, 101)", "speed in range"),
        ("rules_limit(x->speed, -5, 100)", "rules_limit(x->speed, -5, 99)", "speed in range"),
        ("rules_limit(x->speed, -5, 100)", "0", "speed in range"),
        ("    if (!valid)", "    x->brake_on = !x->brake_on;\n    if (!valid)",
         "brake_on kept where all were in range"),
        ("        x->speed_age_ms = 5000;", "", "where one was outside, every signal is lost"),
        ("x->speed_age_ms = 5000;", "x->speed_age_ms = 4999;", "where one was outside, every signal is lost"),
        ("if (!valid)", "if (x->brake_on && (!valid))", "where one was outside, every signal is lost"),
    ],
)  # fmt: skip  # a table
@pytest.mark.usefixtures("checks_alone")
def test_inputs_are_limited_to_exactly_their_ranges(old: str, new: str, claim: str) -> None:
    wrong = _wrong(_in_checks(old, new))
    assert wrong[f"rules_inputs_limit: {claim}"] == "refuted"
    assert all(name.startswith("rules_inputs_limit: ") for name in wrong)


@pytest.mark.usefixtures("checks_alone")
def test_inputs_in_range_have_to_stay_as_they_were_at_either_end() -> None:
    for low, high in ((-5, 100), (-6, 101)):
        text = _in_checks("    if (!valid)", f"    if ((x->speed <= {low}) || (x->speed >= {high}))\n    {{\n"
                          "        x->speed = 7;\n    }\n    if (!valid)")  # fmt: skip
        found = _wrong(text)
        assert found == ({"rules_inputs_limit: speed in range": "refuted"} if low == -5 else {})


@pytest.mark.usefixtures("checks_alone")
def test_without_ages_inputs_out_of_range_count_as_ignition_off() -> None:
    rules = replace(SMALL, signals=SMALL.signals[:-1])
    header = _changed(HEADER, "int32_t speed; int32_t speed_age_ms;", "int32_t speed;")
    checks = _changed(CHECKS_C, "\n        && (x->speed_age_ms >= 0) && (x->speed_age_ms <= 5000)", "")
    checks = _changed(checks, "    x->speed_age_ms = rules_limit(x->speed_age_ms, 0, 5000);\n", "")
    good = _changed(checks, "x->speed_age_ms = 5000;", "x->ignition_on = false;")
    assert _wrong(CText(header, RULES_C, good), rules) == {}
    bad = _changed(checks, "        x->speed_age_ms = 5000;\n", "")
    assert _wrong(CText(header, RULES_C, bad), rules) == {
        "rules_inputs_limit: where one was outside, every signal is lost": "refuted"
    }


# A text that cannot be read -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "word"),
    [
        (_in_rules("rules_start(m);", "rules_begin(m);"), "function 'rules_begin' is not in the text"),
        (_in_rules("rules_tick(const rules_calibration_t *k", "rules_tick(rules_calibration_t *k"), "a const pointer"),
        (_in_rules("const rules_inputs_t *x", "rules_inputs_t *x"), "a const pointer"),
        (_in_rules("    c->band = m->band;\n", ""), "c.band is not written on every way through the tick"),
        (_in_rules("c->band = m->band;", "if (m->hot) { c->band = m->band; }"), "c.band is not written on every way"),
        (_in_rules("    m->duty_ppm = 0;\n}", "}"), "m.duty_ppm is not written on every way"),
        (_in_rules("c->band = m->band;", "c->band = c->level;"), "the field 'level'"),
        (_in_header("bool brake_on;", "int32_t brake_on;"), "the header's x.brake_on is no int of the rules"),
        (_in_header("int32_t gap;", "bool gap;"), "the header's k.gap is no bool of the rules"),
        (_in_header("int32_t gap;", "int32_t gap; int32_t more;"), "the header's k.more is no int of the rules"),
        (_in_header("bool brake_on;", "bool brake_on; bool more;"), "the header's x.more is no bool of the rules"),
        (_in_header("bool hot;", "int32_t hot;"), "a bool where a int belongs"),
        (_in_checks("valid(const rules_calibration_t *k)", "valid(rules_calibration_t *k)"), "a const pointer"),
        (_in_checks("bool rules_calibration_valid", "void rules_calibration_valid"), "is not of its declared type"),
        (replace(TEXT, checks="void rules_calibration_valid(const rules_calibration_t *k) { }"),
         "rules_calibration_valid returns nothing"),
        (replace(TEXT, checks=CHECKS_C.partition("bool rules_inputs_limit")[0]
                 + "void rules_inputs_limit(rules_inputs_t *x) { x->speed = 0; }"),
         "rules_inputs_limit returns nothing"),
    ],
)  # fmt: skip  # a table
def test_a_text_that_cannot_be_read_is_one_refuted_claim(text: CText, word: str) -> None:
    claim = failures(prove(SMALL, text))[-1]
    assert claim.name == "the text is C that the port may emit"
    assert word in claim.detail


@pytest.mark.parametrize(
    ("old", "new", "claim"),
    [
        ("int32_t refusal; ", "bool refusal; ", "command refusal, ignition on"),
        ("int32_t warnings; ", "bool warnings; ", "command warnings, ignition on"),
    ],
)
def test_an_output_of_another_kind_is_refuted(old: str, new: str, claim: str) -> None:
    text = _in_header(old, new)
    name = old.split()[1].rstrip(";")
    text = replace(text, rules=re.sub(rf"c->{name} = .*;", f"c->{name} = true;", RULES_C))
    found = {one.name: one.detail for one in failures(prove(SMALL, text))}
    assert found[claim] == "C has a bool, the rules a int"


# Verdicts -------------------------------------------------------------------------------------------------------


def test_what_the_solver_does_not_decide_is_undecided_and_not_proved(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(z3.Solver, "check", lambda _self: z3.unknown)
    wrong = failures(prove(SMALL, TEXT))
    assert {claim.verdict for claim in wrong} == {"undecided"}
    assert "command band, ignition on" in {claim.name for claim in wrong}
    assert tick_differs(SMALL, TEXT) == wrong[0]


def test_a_refuted_claim_goes_before_an_undecided_one(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(equality, "_tick_claims", lambda *_: [Claim("a", "proved"), Claim("b", "undecided"),
                                                              Claim("c", "undecided")])  # fmt: skip
    assert tick_differs(SMALL, TEXT) == Claim("b", "undecided")
    monkeypatch.setattr(equality, "_tick_claims", lambda *_: [Claim("b", "undecided"), Claim("c", "refuted")])
    assert tick_differs(SMALL, TEXT) == Claim("c", "refuted")


def test_what_is_undecided_in_a_moment_is_asked_again_for_longer(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[int] = []

    def claims(_rules: RuleSet, _text: CText, query_ms: int) -> list[Claim]:
        asked.append(query_ms)
        return [Claim("a", "proved" if len(asked) == 2 else "undecided")]

    monkeypatch.setattr(equality, "_tick_claims", claims)
    assert tick_differs(SMALL, TEXT) is None
    assert asked[0] < asked[1]


def test_only_what_is_proved_is_no_failure() -> None:
    claims = [Claim("a", "proved"), Claim("b", "refuted"), Claim("c", "undecided")]
    assert failures(claims) == claims[1:]


def test_every_operation_of_a_rule_is_evaluated() -> None:
    graph, bits = Graph(), Bits()
    a, b, t = graph.variable("x.a", "int"), graph.variable("x.b", "int"), graph.variable("x.t", "bool")
    for truth, one, other in ((False, -3, 4), (True, 4, -3), (True, 5, 5)):
        variables = {"x.a": bits.number(one), "x.b": bits.number(other), "x.t": bits.truth(truth)}
        of = Evaluator(bits, variables)

        def number(term: Any, of: Evaluator = of) -> int:
            return z3.simplify(of.value(term).term).as_signed_long()

        assert number(a + b * 2 - 7) == one + other * 2 - 7
        assert number(minimum(a, b)) == min(one, other)
        assert number(maximum(a, b)) == max(one, other)
        assert number(select(t, a, b)) == (one if truth else other)
        assert number(select(not_(t), a, b)) == (other if truth else one)
        assert number(select(t & (a < b), 1, 0)) == int(truth and one < other)
        assert number(select(t | (a <= b), 1, 0)) == int(truth or one <= other)
        assert number(select((a == b) & graph.constant(True), 1, 0)) == int(one == other)
        assert number(select((a != b) | graph.constant(False), 1, 0)) == int(one != other)
