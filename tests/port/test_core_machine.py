"""The emulated core on code whose instructions and stack can be counted by hand."""

from __future__ import annotations

from importlib import resources
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from controller.declare import Memory
from controller.port.core import CoreController, CoreMachine
from controller.port.stimulus import Ticks
from controller.port.toolchain import CORES

# m[0] += k[0] + x[0] and c[0] = m[0]; where x[0] is over 9, four registers go on the stack and come back.
_RULES_C = """
void rules_tick(void);  /* k, x, m and c come in r0 to r3 */
__attribute__((naked)) void rules_tick(void)
{
    __asm__("push {r4, r5, lr}\\n ldr r4, [r0]\\n ldr r5, [r1]\\n ldr r0, [r2]\\n adds r0, r0, r5\\n"
            "adds r0, r0, r4\\n str r0, [r2]\\n cmp r5, #9\\n ble 1f\\n"
            "push {r0, r1, r2, r3}\\n nop\\n add sp, #16\\n"
            "1: str r0, [r3]\\n pop {r4, r5, pc}");
}
"""
_SHORT, _LONG = 9 + 2, 9 + 3 + 2  # instructions
_USUAL_BYTES, _DEEP_BYTES = 4 * 3, 4 * (3 + 4)
_FLAT_C = """
void rules_tick(const int *k, const int *x, int *m, int *c);
void flat_run(const int *k, const int *starts, const int *inputs, int *rows, unsigned runs, unsigned ticks);
void flat_run(const int *k, const int *starts, const int *inputs, int *rows, unsigned runs, unsigned ticks)
{
    for (unsigned run = 0; run < runs; run++)
    {
        int m[2] = {starts[2u * run], starts[(2u * run) + 1u]};
        for (unsigned tick = 0; tick < ticks; tick++)
        {
            const unsigned row = (run * ticks) + tick;
            int *to = &rows[8u * row];
            rules_tick(k, &inputs[2u * row], m, &to[2]);
            to[0] = m[0]; to[1] = m[1];
            to[3] = inputs[(2u * row) + 1u]; to[4] = (int)runs; to[5] = (int)ticks; to[6] = 0; to[7] = -1;
        }
    }
}
"""


def _field(name: str, initial: int) -> Memory:
    return Memory(name, -99, 99, initial, None, "")  # type: ignore[arg-type]  # nothing is worked out here


_RULES: Any = SimpleNamespace(
    memory=[_field("sum", 4), _field("kept", -7)],
    signals=[SimpleNamespace(name="more"), SimpleNamespace(name="told")],
    keys=[SimpleNamespace(name="add")],
)


@pytest.fixture(scope="module", params=["m4", "m0"])
def machine(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> CoreMachine:
    folder = tmp_path_factory.mktemp("core")
    (folder / "rules.c").write_text(_RULES_C)
    (folder / "flat.c").write_text(_FLAT_C)
    (folder / "core.ld").write_text((resources.files("controller.port") / "c" / "core.ld").read_text())
    return CoreMachine(folder, _RULES, CORES[request.param])


def _ticks(starts: list[list[int]], inputs: list[list[int]], k: int = 100) -> Ticks:
    rows = (np.array(one, dtype=np.int32) for one in ([k], starts, inputs))
    return Ticks(*rows, len(inputs) // len(starts))


def test_every_tick_of_every_run_comes_back(machine: CoreMachine) -> None:
    inputs = [[1, 5], [2, 6], [3, 7], [-4, -8], [20, 2**31 - 1], [-(2**31), 0]]
    expected = [
        [101, 9, 101, 5, 2, 3, 0, -1],
        [203, 9, 203, 6, 2, 3, 0, -1],
        [306, 9, 306, 7, 2, 3, 0, -1],
        [1_096, -2, 1_096, -8, 2, 3, 0, -1],
        [1_216, -2, 1_216, 2**31 - 1, 2, 3, 0, -1],
        [1_316 - 2**31, -2, 1_316 - 2**31, 0, 2, 3, 0, -1],
    ]
    for _ in range(2):  # nothing is left over from a run
        rows = machine.run(_ticks([[0, 9], [1_000, -2]], inputs))
        assert rows.dtype == np.int32
        assert rows.tolist() == expected


def test_instructions_are_counted_tick_by_tick(machine: CoreMachine) -> None:
    inputs = [[9, 0], [10, 0], [0, 0], [-1, 0], [11, 0], [9, 0]]
    for _ in range(2):
        cost = machine.cost(_ticks([[0, 0], [0, 0], [0, 0]], inputs))
        assert cost.instructions.tolist() == [_SHORT, _LONG, _SHORT, _SHORT, _LONG, _SHORT]
        assert cost.stack_bytes == _DEEP_BYTES
    assert machine.cost(_ticks([[0, 0]], [[9, 0]])).stack_bytes == _USUAL_BYTES
    # The deepest of all counts, not the last.
    assert machine.cost(_ticks([[0, 0]], [[10, 0], [9, 0]])).stack_bytes == _DEEP_BYTES
    assert machine.run(_ticks([[0, 9]], [[1, 5]])).tolist() == [[101, 9, 101, 5, 1, 1, 0, -1]]


def test_what_does_not_fit_the_memory_is_refused_before_it_runs(machine: CoreMachine) -> None:
    # The last byte of the memory is the last of the rows; of no run there is nothing to do.
    room, a_tick = 0x0200_0000 - 0x1000, 4 * (2 + 8)
    count = room // a_tick
    starts, inputs = np.empty((0, 2), dtype=np.int32), np.zeros((count, 2), dtype=np.int32)
    rest = (room - a_tick * count) // 4
    full = Ticks(np.zeros(rest, dtype=np.int32), starts, inputs, 1)
    assert machine.run(full).shape == (count, 8)
    with pytest.raises(ValueError, match=f"{count} ticks do not fit the emulated memory"):
        machine.run(Ticks(np.zeros(rest + 1, dtype=np.int32), starts, inputs, 1))


def test_as_a_controller_it_keeps_its_memory_from_tick_to_tick(machine: CoreMachine) -> None:
    controller = CoreController(machine, [30])
    assert controller.memory == (4, -7)
    assert controller.tick({"told": 3, "more": 2}) == (36, 3, 1, 1, 0, -1)
    assert controller.memory == (36, -7)
    assert controller.tick({"told": 5, "more": 12}).duty_ppm == 78
    assert controller.memory == (78, -7)
