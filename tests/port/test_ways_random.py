"""The bound of random programs against their runs on an emulated core."""

from __future__ import annotations

from itertools import product

import pytest
from random_code import program
from thumb_code import Code, Core

_KNOWN = {("m", 0, 4): (0, 3), ("m", 4, 4): (-1, 1), ("m", 12, 1): (0, 1)}


@pytest.fixture(scope="module")
def core() -> Core:
    return Core()


@pytest.mark.parametrize("block", range(6))
def test_a_program_that_decides_every_branch_takes_exactly_its_bound(core: Core, block: int) -> None:
    for seed in range(20 * block, 20 * block + 20):
        code = Code(program(seed, is_decided=True))
        core.load(code)
        assert code.ways("m", "n").bound({}) == core.run({}, 0), f"seed {seed}"


@pytest.mark.parametrize("block", range(6))
def test_no_run_takes_more_than_the_bound_of_what_is_known_of_it(core: Core, block: int) -> None:
    for seed in range(1_000 + 10 * block, 1_010 + 10 * block):
        code = Code(program(seed, is_decided=False))
        core.load(code)
        ways = code.ways("m", "n")
        most = 0
        for zero, four, flag, n in product(range(4), (-1, 0, 1), (0, 1), (-1, 0, 2)):
            memory = {(0, 4): zero, (4, 4): four, (8, 4): n, (12, 1): flag, (13, 1): zero, (14, 2): four}
            took = core.run(memory, n)
            most = max(most, took)
            if (zero + four + flag + n) % 5 == 0:
                known = {("m", *place): (value, value) for place, value in memory.items() if place[1] != 2}
                assert took <= ways.bound(known), f"seed {seed}: {memory}, {n}"
        assert most <= ways.bound(_KNOWN), f"seed {seed}"
