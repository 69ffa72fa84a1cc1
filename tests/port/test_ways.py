from __future__ import annotations

from pathlib import Path

import pytest
from built_code import built

from controller.declare import State
from controller.our_rules import OURS
from controller.port.core import CoreMachine
from controller.port.longest import LongestWay
from controller.port.reached import any_memory
from controller.port.stimulus import Stimulus
from controller.port.toolchain import CORES
from controller.port.ways import Ways

_LONG = "p[1] = p[2] * p[3]; p[2] = p[3] * p[1]; p[3] = p[1] * p[2]; p[4] = p[2] * p[1];"
# A function of its own for the second branch: in one, the compiler would see what the test is to see.
_TWICE = f"""
static void then(volatile int *p, int a, int b) {{ if (a < b) {{ {_LONG} }} else {{ p[8] = 8; }} }}
void flat_run(volatile int *p, int a, int b)
{{
    if (a < b) {{ p[7] = 7; }} else {{ {_LONG} }}
    then(p, a, b);
    p[9] = 9;
}}
"""
_KEPT = f"""
static void then(volatile int *p, int b) {{ if (b == 5) {{ {_LONG} }} else {{ p[8] = 8; }} }}
void flat_run(volatile int *p, int a)
{{
    int b = 0;
    if (a == 3) {{ b = 5; p[7] = 7; }} else {{ {_LONG} }}
    then(p, b);
    p[9] = 9;
}}
"""


def _ways(folder: Path, text: str, arguments: tuple[str, ...]) -> tuple[int, Ways]:
    longest = LongestWay(built(folder, "m4", text))
    return longest.bound("flat_run"), Ways(longest, "flat_run", arguments)


@pytest.mark.parametrize("text", [_TWICE, _KEPT])
def test_ways_that_contradict_themselves_do_not_count(tmp_path: Path, text: str) -> None:
    # The long arm is never taken twice.
    longest, ways = _ways(tmp_path, text, ("p", "a", "b"))
    assert 15 < ways.bound({}) <= longest - 10


@pytest.mark.parametrize("state", [State.APPLIED, pytest.param(State.ARMED, marks=pytest.mark.long)])
def test_no_tick_takes_more_than_its_bound(folder: Path, state: State) -> None:
    machine = CoreMachine(folder, OURS, CORES["m4"])
    longest = LongestWay(machine.elf)
    bound = Ways(longest, "rules_tick", ("k", "x", "m", "c")).bound(any_memory(OURS)[state])
    stimulus, place = Stimulus(OURS, 5), OURS.memory_names.index("state")
    sample = stimulus.runs(stimulus.calibration(), 4_000, 1)
    counts = machine.cost(sample).instructions[sample.starts[:, place] == int(state)]
    assert len(counts) > 500
    assert counts.max() <= bound < longest.bound("rules_tick") - 50
