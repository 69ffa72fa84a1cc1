from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from own_rules import BARE, MIXED, RULES

from controller.calibration import load_calibration, parse_calibration
from controller.our_rules import OURS
from controller.port.back_to_back import compare, lanes_runner, reference_runner
from controller.port.core import CoreController, CoreMachine
from controller.port.host import HostController, HostLibrary
from controller.port.longest import LongestWay
from controller.port.stimulus import Stimulus
from controller.port.toolchain import CORES
from controller.port.worst import Search
from controller.port.writing import make_port, write_port
from controller.ruleset import RuleSet
from controller.step import Reference, initial_memory


@pytest.fixture(scope="module")
def library(folder: Path) -> HostLibrary:
    return HostLibrary(folder, OURS)


def test_host_c_and_the_reference_agree(library: HostLibrary) -> None:
    result = compare(OURS, "host", library.run, reference_runner(OURS), ticks=10_000, seed=11)
    assert (result.mismatches, result.first) == (0, "")


def test_host_c_and_lanes_agree_on_every_row_of_the_chart(library: HostLibrary) -> None:
    pytest.importorskip("numba", reason="needs numba: pip install '.[lanes]'")
    result = compare(OURS, "lanes", library.run, lanes_runner(OURS), ticks=1_000_000, seed=12)
    assert result.mismatches == 0
    assert {number for number, count in result.rows.items() if count} == set(range(len(OURS.rows) + 1))


@pytest.mark.parametrize("name", list(CORES))
def test_core_code_and_the_reference_agree(folder: Path, name: str) -> None:
    machine = CoreMachine(folder, OURS, CORES[name])
    result = compare(OURS, name, machine.run, reference_runner(OURS), ticks=5_000, seed=13)
    assert result.mismatches == 0


@pytest.mark.parametrize("rules", [RULES, MIXED, BARE], ids=lambda rules: rules.name)
def test_a_users_own_rules_run_on_every_backend(tmp_path: Path, rules: RuleSet) -> None:
    write_port(make_port(rules, parse_calibration("", "own.toml", rules)), tmp_path)
    library = HostLibrary(tmp_path, rules)
    assert compare(rules, "host", library.run, reference_runner(rules), ticks=5_000, seed=3).mismatches == 0
    machine = CoreMachine(tmp_path, rules, CORES["m4"])
    assert compare(rules, "m4", machine.run, library.run, ticks=20_000, seed=4).mismatches == 0


def test_as_controllers_host_and_core_follow_the_reference_tick_by_tick(folder: Path, library: HostLibrary) -> None:
    k = load_calibration("station", OURS).values
    others = [HostController(library, k), CoreController(CoreMachine(folder, OURS, CORES["m4"]), k)]
    reference = Reference(OURS, k)
    usual = {signal.name: signal.default for signal in OURS.signals}
    moving = {"road_speed_ckmh": 6_000, "turbine_rpm": 2_031, "engine_rpm": 2_300, "gear": 3, "oil_temp_dc": 800}
    states = set()
    for tick in range(300):
        x = usual | moving | {"now_ms": 10 * tick, "band_switch": int(tick > 20), "brake_on": int(tick > 150)}
        expected = reference.tick(
            {name: bool(x[name]) if name in ("brake_on", "shift_on", "ignition_on") else x[name] for name in x}
        )
        states.add(expected.state)
        for one in others:
            assert one.tick(x) == expected
    assert states == {0, 1, 2, 3}


def test_size_stack_and_instructions_are_within_their_limits(folder: Path) -> None:
    from controller.port.elf import Elf
    from controller.port.toolchain import build_core

    for name in ("m4", "m0"):
        sizes = Elf(build_core(folder, CORES[name], ["rules.c"], "size.o")).sizes()
        assert sizes["text"] <= 2_048
        assert (sizes["data"], sizes["bss"]) == (0, 0)
    stimulus = Stimulus(OURS, 21)
    start = np.array([[int(value) for value in initial_memory(OURS)]] * 8, dtype=np.int32)
    sample = replace(stimulus.runs(stimulus.calibration(), 8, 250), starts=start)
    machine = CoreMachine(folder, OURS, CORES["m4"])
    cost = machine.cost(sample)
    assert len(cost.instructions) == 2_000
    assert 40 < cost.instructions.min() < cost.instructions.max()
    assert 16 <= cost.stack_bytes <= 128
    search = Search(machine, 22)
    assert cost.instructions.max() < search.from_start(8) <= 400
    assert search.from_start(2) < search.anywhere(4) <= LongestWay(machine.elf).bound("rules_tick")


@pytest.mark.long
def test_a_hundred_million_ticks_of_host_c_and_lanes(library: HostLibrary) -> None:
    pytest.importorskip("numba", reason="needs numba: pip install '.[lanes]'")
    result = compare(OURS, "lanes", library.run, lanes_runner(OURS), ticks=100_000_000, seed=31)
    assert (result.mismatches, result.ticks) == (0, 100_000_000)
    assert all(result.rows[number] for number in range(1, len(OURS.rows) + 1))


@pytest.mark.long
def test_a_million_ticks_of_host_c_and_the_reference(library: HostLibrary) -> None:
    result = compare(OURS, "reference", library.run, reference_runner(OURS), ticks=1_000_000, seed=32)
    assert (result.mismatches, result.ticks) == (0, 1_000_000)


@pytest.mark.long
@pytest.mark.parametrize(("name", "ticks"), [("m4", 1_000_000), ("m0", 200_000)])
def test_a_campaign_on_core_code(folder: Path, name: str, ticks: int) -> None:
    pytest.importorskip("numba", reason="needs numba: pip install '.[lanes]'")
    machine = CoreMachine(folder, OURS, CORES[name])
    result = compare(OURS, name, machine.run, lanes_runner(OURS), ticks=ticks, seed=33)
    assert (result.mismatches, result.ticks) == (0, ticks)
