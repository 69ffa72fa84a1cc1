"""The port as a library of this machine, on a C text that is small enough to work out by hand."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from controller.declare import Memory
from controller.errors import UserError
from controller.port.host import SOURCES, HostController, HostLibrary
from controller.port.stimulus import Ticks

_FLAT_C = """
#include <stdint.h>
void flat_run(const int32_t *k, const int32_t *m, const int32_t *x, int32_t *to, uint32_t runs, uint32_t ticks);
void flat_run(const int32_t *k, const int32_t *m, const int32_t *x, int32_t *to, uint32_t runs, uint32_t ticks)
{
    for (uint32_t row = 0u; row < runs * ticks; row++)
    {
        to[7u * row] = m[row / ticks] + x[2u * row];
        for (uint32_t at = 1u; at < 7u; at++) { to[(7u * row) + at] = k[0] + x[(2u * row) + 1u] + (int32_t)at; }
    }
}
"""
_RULES: Any = SimpleNamespace(
    memory=[Memory("sum", -99, 99, 4, None, "")],  # type: ignore[arg-type]  # nothing is worked out here
    signals=[SimpleNamespace(name="more"), SimpleNamespace(name="told")],
    keys=[SimpleNamespace(name="base")],
)


@pytest.fixture(scope="module")
def library(tmp_path_factory: pytest.TempPathFactory) -> HostLibrary:
    folder = tmp_path_factory.mktemp("host")
    for name in SOURCES:
        (folder / name).write_text(_FLAT_C if name == "flat.c" else f"extern int {name[:-2]};\n")
    return HostLibrary(folder, _RULES)


def test_every_tick_of_every_run_comes_back(library: HostLibrary) -> None:
    inputs = np.array([[1, 10], [2, 20], [3, 30], [4, 40]], dtype=np.int32)
    rows = library.run(Ticks(np.array([100], np.int32), np.array([[0], [1_000]], np.int32), inputs, 2))
    assert rows.tolist() == [
        [1, 111, 112, 113, 114, 115, 116],
        [2, 121, 122, 123, 124, 125, 126],
        [1_003, 131, 132, 133, 134, 135, 136],
        [1_004, 141, 142, 143, 144, 145, 146],
    ]


class _OneTick:
    """Stands for a library: the memory grows by the first input, every field of the command is the number asked."""

    rules = _RULES

    def run(self, ticks: Ticks) -> Any:
        assert ticks.ticks == len(ticks.inputs) == len(ticks.starts) == 1
        ((more, told),) = ticks.inputs.tolist()
        return np.array([[ticks.starts[0, 0] + more, *[told + ticks.calibration[0]] * 6]])


def test_as_a_controller_it_keeps_its_memory_from_tick_to_tick() -> None:
    controller = HostController(_OneTick(), [30])  # type: ignore[arg-type]  # enough of one
    assert controller.memory == (4,)
    assert controller.tick({"told": 3, "more": 2}) == (33,) * 6
    assert controller.memory == (6,)
    assert controller.tick({"told": 5, "more": 7}).duty_ppm == 35
    assert controller.memory == (13,)


@pytest.mark.parametrize("values", [[], [1, 2]])
def test_a_calibration_of_other_rules_is_one_clear_line(values: list[int]) -> None:
    with pytest.raises(UserError, match=f"^port: {len(values)} calibration values for 1 keys$"):
        HostController(_OneTick(), values)  # type: ignore[arg-type]  # enough of one
