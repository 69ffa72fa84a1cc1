"""What the proof makes of our rules' memory and of faults in them, beside the verdicts that small sets show."""

from __future__ import annotations

from collections.abc import Callable

import pytest

pytest.importorskip("z3", reason="the proof extra is not installed: pip install 'tccbench[proof]'")

import z3
from planted import FAULTS, disarmed, renewing, row_asking
from rig import calibration

from controller.encode import Encoder
from controller.invariants import find
from controller.our_rules import OURS
from controller.proof import Effort, Proof, names_of
from controller.ruleset import RuleSet
from controller.still import same_inputs, steps
from controller.words import select

QUICK = Effort(query_s=20, search_s=60, most_ticks=8, plain=False)


def test_all_names_are_told_with_what_they_say() -> None:
    names = names_of(OURS)
    assert {one.name for one in OURS.checks} < names.keys()
    assert len(names) == len(OURS.checks) + 4
    assert all(names.values())


def test_everything_at_once_is_what_everything_by_name_is(ours: Proof) -> None:
    assert ours.all_at_once()
    # One property, one field over its range, one under.
    too_low = renewing("since_out_ms", lambda _x, _k, m: select(m.state == 2, 0 - 1, 0))
    for rules in (disarmed("brake"), FAULTS["memory_in_range"](), too_low):
        assert not Proof(rules, QUICK, among=ours.invariants).all_at_once()


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
