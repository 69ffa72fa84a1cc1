"""The proof holds for our rules, and each of its properties can fail."""

from __future__ import annotations

import re
import runpy
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

pytest.importorskip("z3", reason="the proof extra is not installed: pip install 'tccbench[proof]'")

from planted import FAULTS

import controller
from controller.declare import History, Observed
from controller.found_run import FoundRun
from controller.our_rules import OURS
from controller.proof import Effort, Proof, names_of
from controller.still import changes_while_still
from controller.words import maximum, minimum, select

QUICK = Effort(query_s=30, search_s=120, most_ticks=8, plain=False)
"""No longer than it needs: the limits only have to outlast a busy machine."""


def test_every_property_of_our_rules_is_proved_within_a_minute(ours: Proof) -> None:
    began = time.perf_counter()
    verdicts = [ours.ask(name) for name in names_of(OURS)]
    assert [one for one in verdicts if one.outcome != "proved"] == []
    notes = {one.name: one.note for one in verdicts}
    assert re.fullmatch(rf"{len(OURS.rows)} rows, each within \d+ ticks", notes["every_row_can_fire"])
    assert notes["no_chatter"] == "4 induction steps"
    assert len(verdicts) >= 18
    assert ours.prepared_s + time.perf_counter() - began < 60


def test_every_property_has_a_negative_control() -> None:
    assert set(FAULTS) == set(names_of(OURS))


@pytest.mark.parametrize("name", FAULTS)
def test_broken_rules_break_the_proof(name: str, ours: Proof) -> None:
    # Only what holds of our own rules is tried for the broken ones: finding it anew takes seconds and changes nothing.
    verdict = Proof(FAULTS[name](), QUICK, among=ours.invariants).ask(name)
    assert verdict.outcome == "broken", verdict.note
    if name == "every_row_can_fire":
        assert verdict.note == "proved dead: applied: below_release"
        return
    if name == "whole_numbers_in_int32":
        assert verdict.note.endswith(" may leave int32")
        return
    assert verdict.run is not None
    assert _breaks(verdict.run, name)


def _breaks(run: FoundRun, name: str) -> bool:
    if name == "no_chatter":
        return changes_while_still(run) > 1
    if name == "memory_in_range":
        return True
    ticks = run.replayed()
    return name in ticks[-1][2] and all(name not in broken for _x, _command, broken in ticks[:-1])


def test_a_contradiction_is_not_provable(ours: Proof) -> None:
    import z3

    assert not ours.proves(z3.BoolVal(False))


def _warm_ms(before: Any, x: Any, k: Any, _after: Any) -> Any:
    passed = minimum(maximum(x.now_ms - before.now_ms, 0), 10_000)
    counted = select(x.coolant_temp_dc < k.coolant_minimum_dc, 0, minimum(before.warm_ms + passed, 60_000))
    return select(x.ignition_on, counted, 60_000)


def test_a_users_rule_property_and_history_are_proved_as_ours_are() -> None:
    # The example of docs/proof.md on the starter file's rules.
    starter = runpy.run_path(str(Path(controller.__file__).parent / "templates" / "my_rules.py"))["RULES"]
    warm = Observed("warm_ms", 0, 60_000, 60_000, _warm_ms)

    def settled(limit_ms: int) -> History:
        return History(
            f"coolant_settles_{limit_ms}", "goes in only so long after the coolant was cold", (warm,),
            lambda before, _x, _k, after: (before.state == 2) | (after.state != 2) | (after.warm_ms >= limit_ms),
        )  # fmt: skip  # one history

    proof = Proof(starter.adding(histories=[settled(1_000), settled(1_030)]), replace(QUICK, plain=True))
    for name in ("cold_coolant_opens", "coolant_settles_1000", "brake_settles", "no_chatter"):
        assert proof.ask(name).outcome == "proved", name
    assert proof.ask("coolant_settles_1030").outcome == "broken"
