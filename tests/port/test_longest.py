from __future__ import annotations

from pathlib import Path

import pytest
from built_code import built

from controller.errors import UserError
from controller.port.elf import Elf
from controller.port.longest import LongestWay, instructions

_STRAIGHT = "int flat_run(int a, int b) { return ((a * b) + a) - (b * 3); }"
_EITHER = """
static __attribute__((noinline)) void many(volatile int *p) { *p = 1; *p = 2; *p = 3; *p = 4; *p = 5; *p = 6; }
static __attribute__((noinline)) void few(volatile int *p) { *p = 1; }
void flat_run(volatile int *p, int a) { if (a > 3) { many(p); } else { few(p); } *p = 9; }
"""
_UNBOUNDED = {
    "a loop": "void flat_run(volatile int *p, int n) { while (n-- > 0) { *p = n; } }",
    "a function that calls itself": """
int flat_run(int n, volatile int *p); int flat_run(int n, volatile int *p)
{ const int r = (n > 0) ? flat_run(n - 1, p) : 0; *p = r; return r; }""",
    "a jump through a register": "int flat_run(int (*f)(int)); int flat_run(int (*f)(int)) { return f(1) + 1; }",
}


def _code(elf: Elf, name: str) -> bytes:
    start, size, _ = elf.symbols[name]
    address, content, _ = next(one for one in elf.segments() if one[0] <= start < one[0] + len(one[1]))
    at = (start & ~1) - address
    return content[at : at + size]


@pytest.mark.parametrize("core", ["m0", "m4"])
def test_straight_code_has_the_length_of_its_text(tmp_path: Path, core: str) -> None:
    elf = built(tmp_path, core, _STRAIGHT)
    assert LongestWay(elf).bound("flat_run") == instructions(_code(elf, "flat_run")) > 3


@pytest.mark.parametrize("core", ["m0", "m4"])
def test_of_two_ways_the_longer_one_counts_with_what_it_calls(tmp_path: Path, core: str) -> None:
    elf = built(tmp_path, core, _EITHER)
    ways = LongestWay(elf)
    many, few = ways.bound("many"), ways.bound("few")
    assert many >= few + 6
    assert many + 4 < ways.bound("flat_run") <= many + instructions(_code(elf, "flat_run"))


@pytest.mark.parametrize("core", ["m0", "m4"])
@pytest.mark.parametrize("what", list(_UNBOUNDED))
def test_code_without_a_bound_is_refused(tmp_path: Path, core: str, what: str) -> None:
    with pytest.raises(UserError, match=f"no bound on the instructions: {what} at address 0x"):
        LongestWay(built(tmp_path, core, _UNBOUNDED[what])).bound("flat_run")
