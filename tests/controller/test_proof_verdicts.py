"""What the proof answers where it cannot say "proved", what it guesses of the memory, and where int32 ends."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

pytest.importorskip("z3", reason="the proof extra is not installed: pip install 'tccbench[proof]'")

import z3
from planted import FAULTS, disarmed, renewing, row_asking
from rig import calibration

from controller.declare import Lamp, Relation
from controller.encode import Encoder
from controller.found_run import FoundRun
from controller.invariants import find
from controller.our_rules import OURS
from controller.proof import MOST_TICKS, Effort, Proof, Verdict, _short, find_run, names_of
from controller.ruleset import RuleSet
from controller.still import same_inputs, steps
from controller.terms import Graph
from controller.words import select

QUICK = Effort(query_s=20, search_s=60, most_ticks=8, plain=False)


def _asked(rules: RuleSet, name: str, ours: Proof, **effort: Any) -> Verdict:
    return Proof(rules, replace(QUICK, **effort), among=ours.invariants).ask(name)


def test_all_names_are_told_with_what_they_say() -> None:
    names = names_of(OURS)
    assert {one.name for one in OURS.checks} < names.keys()
    assert len(names) == len(OURS.checks) + 4
    assert all(names.values())


def test_what_is_looked_for_unasked() -> None:
    assert Effort().plain
    assert Effort().most_ticks == MOST_TICKS == 12


@pytest.mark.parametrize(("length", "shown"), [(79, "a" * 79), (80, "a" * 77 + "…"), (81, "a" * 77 + "…")])
def test_a_long_term_is_cut(length: int, shown: str) -> None:
    assert _short(Graph().variable("a" * length, "int")) == shown


def test_everything_at_once_is_what_everything_by_name_is(ours: Proof) -> None:
    assert ours.all_at_once()
    # One property, one field over its range, one under.
    too_low = renewing("since_out_ms", lambda _x, _k, m: select(m.state == 2, 0 - 1, 0))
    for rules in (disarmed("brake"), FAULTS["memory_in_range"](), too_low):
        assert not Proof(rules, QUICK, among=ours.invariants).all_at_once()


def test_the_seconds_are_those_that_passed(ours: Proof) -> None:
    assert 0 < ours.prepared_s < 600
    assert 0 < ours.ask("brake_opens").seconds < 600


def test_broken_by_the_shortest_run_that_the_rules_bear_out(ours: Proof) -> None:
    verdict = _asked(FAULTS["brake_opens"](), "brake_opens", ours)
    assert verdict.outcome == "broken"
    assert verdict.run is not None
    assert verdict.note == f"by a run of {len(verdict.run.inputs)} ticks"
    assert verdict.meaning == names_of(OURS)["brake_opens"]
    needed = len(verdict.run.inputs)
    assert _asked(FAULTS["brake_opens"](), "brake_opens", ours, most_ticks=needed).outcome == "broken"
    short = _asked(FAULTS["brake_opens"](), "brake_opens", ours, most_ticks=needed - 1)
    assert (short.outcome, short.run) == ("open", None)
    assert short.note == f"not provable, and no run of up to {needed - 1} ticks was found that breaks it"


def test_a_run_that_the_rules_do_not_bear_out_is_none() -> None:
    seen: list[FoundRun] = []

    def second_time(run: FoundRun) -> bool:
        seen.append(run)
        return len(seen) == 2

    # First with the keys that multiply at their defaults, then with any.
    found = find_run(OURS, lambda moments: moments[-1].command("state") == 2, QUICK, second_time)
    assert found is seen[1]
    seen.clear()
    assert find_run(OURS, lambda moments: moments[-1].command("state") == 2, QUICK, lambda run: bool(seen.append(run))
                    ) is None  # fmt: skip  # one call
    assert len(seen) == 2


def test_a_field_that_can_leave_its_range_is_named(ours: Proof) -> None:
    rules = FAULTS["memory_in_range"]()
    verdict = _asked(rules, "memory_in_range", ours, most_ticks=1)
    assert (verdict.outcome, verdict.note) == ("open", "since_out_ms can leave 0 to 600000")
    low = renewing("since_out_ms", lambda _x, _k, m: select(m.state == 2, 0, 0 - 1))
    verdict = _asked(low, "memory_in_range", ours)
    assert (verdict.outcome, verdict.note) == ("broken", "since_out_ms can leave 0 to 600000: a run of 1 ticks")
    edges = renewing("since_out_ms", lambda _x, _k, m: select(m.state == 2, 0, 600_000))
    fields = sum(1 for _ in (*OURS.memory, *(one for history in OURS.histories for one in history.keeps)))
    verdict = _asked(edges, "memory_in_range", ours)
    assert (verdict.outcome, verdict.note) == ("proved", f"{fields} fields")


# Whole numbers: up to 2147483647 and down to -2147483648, and not one further -----------------------------------


def _lamp(number: Any) -> RuleSet:
    return OURS.adding(lamps=[Lamp("far", lambda x, k, m: number(x, k, m) > 0, "never mind")])


_FAR = [
    ("highest", lambda x, _k, _m: x.now_ms + 0, True),
    ("over", lambda x, _k, _m: x.now_ms + 1, False),
    ("lowest", lambda x, _k, _m: 0 - x.now_ms - 1, True),
    ("under", lambda x, _k, _m: 0 - x.now_ms - 2, False),
    # By intervals it could leave, by what is known of time and memory it cannot.
    ("never", lambda x, _k, m: select(m.state == 2, 5, x.now_ms) + select(m.state == 2, 5, 0), True),
]


@pytest.mark.parametrize(("name", "number", "fits"), _FAR)
def test_where_int32_ends(name: str, number: Any, fits: bool, ours: Proof) -> None:
    verdict = _asked(_lamp(number), "whole_numbers_in_int32", ours)
    assert verdict.outcome == ("proved" if fits else "broken"), name
    if not fits:
        assert verdict.note.endswith(" may leave int32")
        assert "x.now_ms" in verdict.note


@pytest.mark.parametrize(("more", "fits"), [(0, True), (1, False)])
def test_where_int32_ends_in_a_relation(more: int, fits: bool, ours: Proof) -> None:
    key = max((one for one in OURS.keys if not one.is_flag), key=lambda one: one.high)
    factor = 2**31 // key.high
    rest = 2**31 - 1 - factor * key.high + more
    relation = Relation("here", "whatever", lambda k: getattr(k, key.name) * factor + rest >= 0)
    verdict = _asked(OURS.adding(relations=[relation]), "whole_numbers_in_int32", ours)
    assert verdict.outcome == ("proved" if fits else "broken")
    assert (" of the relation at here may leave int32" in verdict.note) is not fits


def test_how_many_terms_were_looked_at(ours: Proof) -> None:
    def counted(rules: RuleSet) -> tuple[int, int]:
        words = _asked(rules, "whole_numbers_in_int32", ours).note.split()
        assert " ".join(words[1:2] + words[3:]) == "terms, of them by z3, the others by intervals"
        return int(words[0]), int(words[2])

    first, by_z3 = counted(OURS)
    lamp, _by_z3 = counted(_lamp(lambda x, _k, _m: x.engine_rpm))
    # A number and a sum more; one more relation of a key, two numbers and a sum.
    assert counted(_lamp(lambda x, _k, _m: x.engine_rpm + 12_347)) == (lamp + 2, by_z3)
    relation = Relation("here", "whatever", lambda k: k.lugging_rpm + 12_347 > 0)
    assert counted(OURS.adding(relations=[relation])) == (first + 4, by_z3)
    assert counted(_lamp(_FAR[-1][1]))[1] == by_z3 + 1


# Rows ------------------------------------------------------------------------------------------------------------


def test_rows_that_need_more_ticks_are_told(ours: Proof) -> None:
    verdict = _asked(OURS, "every_row_can_fire", ours, most_ticks=2)
    assert verdict.outcome == "open"
    told = verdict.note.removeprefix("not reached in 2 ticks: ").split(", ")
    assert "applied: below_release" in told
    assert "idle: band_on" not in told
    assert "idle: band_on" in _asked(OURS, "every_row_can_fire", ours, most_ticks=1).note


# No chatter: each step of the induction can fail --------------------------------------------------------------

_FAILING: list[tuple[Callable[[], RuleSet], set[str]]] = [
    (lambda: OURS, set()),
    (FAULTS["gap_changes_nothing"], {"comes out on a standing ground"}),
    (FAULTS["not_holding_stays"], {"comes out on a standing ground", "quiet stays in, or a latched fault ends it"}),
    (lambda: row_asking("nothing_refuses", lambda x, _k, _m: x.throttle_permille >= 0),
     {"comes out on a standing ground", "a standing ground keeps it out", "goes in quietly"}),
]  # fmt: skip  # a table


@pytest.mark.parametrize(("rules", "failing"), _FAILING)
def test_which_step_fails(rules: Callable[[], RuleSet], failing: set[str], ours: Proof) -> None:
    proof = Proof(rules(), QUICK, among=ours.invariants)
    encoder = proof.encoder
    this = encoder.moment(encoder.any_memory(""), encoder.inputs(""))
    following = encoder.moment(this.after(), same_inputs(encoder, this, "+"))
    assert {step for step, formula in steps(encoder, this, following).items() if not proof.proves(formula)} == failing


# What holds of the memory after every tick -----------------------------------------------------------------------


def test_what_is_kept_holds_along_a_run(ours: Proof) -> None:
    values = calibration()
    x = {signal.name: signal.default for signal in OURS.signals}
    put = [(ours.encoder.key(one.name), z3.BoolVal(bool(value)) if one.is_flag else z3.IntVal(value))
           for one, value in zip(OURS.keys, values, strict=True)]  # fmt: skip  # one list
    encoder = Encoder(ours.program, values._asdict())
    memory = encoder.first_memory()
    changes: list[dict[str, int]] = [
        {"ignition_on": 1},
        {"band_switch": 1, "gear": 2, "road_speed_ckmh": 4_000, "turbine_rpm": 1_805, "engine_rpm": 2_400},
        {}, {"engine_rpm": 1_805}, {"brake_on": 1}, {"brake_on": 0}, {}, {"gear_age_ms": 301}, {"oil_temp_dc": 100},
        {"ignition_on": 0},
    ]  # fmt: skip  # a run
    seen: set[str] = set()
    for now_ms, change in zip(range(0, 10_000, 1_000), changes, strict=True):
        for text, claim in ours.invariants.items():
            formula = z3.simplify(z3.substitute(claim(memory), *put))
            assert z3.is_true(formula), (now_ms, text)
            seen.add(text)
        x |= change | {"now_ms": now_ms}
        inputs = {f"x.{one.name}": z3.BoolVal(bool(x[one.name])) if one.is_flag else z3.IntVal(x[one.name])
                  for one in OURS.signals}  # fmt: skip  # one mapping
        memory = {name: z3.simplify(one) for name, one in encoder.moment(memory, inputs).after().items()}
    assert seen == ours.invariants.keys()


def test_what_no_longer_holds_is_not_kept(ours: Proof) -> None:
    kept = find(Encoder(ours.program), ["released: m.duty_ppm = 0", "armed: m.duty_ppm = 0", "idle: m.band = 0", "no"])
    assert kept.keys() == {"released: m.duty_ppm = 0", "armed: m.duty_ppm = 0"}
    slow_out = Proof(FAULTS["duty_falls_at_once"](), QUICK, among=ours.invariants)
    assert "released: m.duty_ppm = 0" not in slow_out.invariants
    assert slow_out.invariants.keys() < ours.invariants.keys()
