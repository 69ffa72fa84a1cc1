"""The longest way through a few instructions written by hand, where it can be counted by eye."""

from __future__ import annotations

import pytest
from thumb_code import START, encoded

from controller.errors import UserError
from controller.port.longest import LongestWay, instructions

_RETURN = "4770"


class _Image:
    """Code at `START` as an ELF file would hold it; its functions by the number of their first halfword."""

    def __init__(self, code: str, **functions: int) -> None:
        self.content = encoded(code)
        # Bit 0 of an address says that the code is Thumb.
        self.symbols = {name: (START + 2 * place + 1, 0, True) for name, place in ({"f": 0} | functions).items()}

    def segments(self) -> list[tuple[int, bytes, int]]:
        return [(START, self.content, len(self.content))]


def _bound(code: str, function: str = "f", **functions: int) -> int:
    return LongestWay(_Image(code, **functions)).bound(function)  # type: ignore[arg-type]  # all that it reads of a file


def _refusal(code: str, **functions: int) -> str:
    with pytest.raises(UserError) as refused:
        _bound(code, **functions)
    return str(refused.value).removeprefix("no bound on the instructions: ")


def test_straight_code_counts_every_instruction() -> None:
    assert _bound(_RETURN) == 1
    assert _bound(f"2001 f04f 34ff {_RETURN}") == 3  # a long one is one


@pytest.mark.parametrize("ends", ["4770", "bd00", "bd10", "e8bd 8010", "f85d fb04"])
def test_each_way_to_return_ends_the_function(ends: str) -> None:
    assert _bound(f"2001 {ends} ffff") == 2


def test_a_pop_that_leaves_the_program_counter_alone_goes_on() -> None:
    assert _bound(f"bc10 {_RETURN}") == 2


@pytest.mark.parametrize("branch", ["d001", "b108", "b908"])  # beq, cbz, cbnz over two instructions
def test_of_two_arms_the_longer_counts(branch: str) -> None:
    assert _bound(f"{branch} 2001 2002 {_RETURN}") == 4
    # Here the branch leads to the longer arm: it skips a short way out.
    assert _bound(f"{branch} 2001 {_RETURN} 2001 2002 2003 {_RETURN}") == 5


def test_a_branch_that_is_always_taken_has_one_arm() -> None:
    assert _bound(f"e001 2001 2002 {_RETURN}") == 2


def test_arms_that_meet_again_are_no_loop_and_count_once() -> None:
    # beq over (mov, b) to (mov, mov, mov); both go on at mov, return.
    assert _bound(f"d001 2001 e002 2001 2002 2003 2004 {_RETURN}") == 6
    # Two such one behind the other: the longer arm of each.
    assert _bound(f"d100 2001 d100 2001 {_RETURN}") == 5


def test_a_branch_to_what_follows_it_anyway() -> None:
    assert _bound(f"d0ff 2001 {_RETURN}") == 3


def test_a_call_counts_what_it_calls_each_time() -> None:
    # f: bl g; bl g; pop {pc}.  g: mov, mov, return.
    code = f"f000 f803 f000 f801 bd00 2001 2002 {_RETURN}"
    assert _bound(code, "g", g=5) == 3
    assert _bound(code) == 3 + 2 * 3


def test_a_call_within_the_shorter_arm_can_make_it_the_longer() -> None:
    # beq to the call; mov, mov, pop {pc}; bl g, pop {pc}; g: four instructions.
    assert _bound(f"d002 2001 2002 bd00 f000 f801 bd00 2001 2002 2003 {_RETURN}") == 1 + 1 + 4 + 1


def test_what_an_it_governs_counts_whether_done_or_not() -> None:
    assert _bound(f"bf04 2001 2002 {_RETURN}") == 4
    # A return that depends: the way past it is longer.
    assert _bound(f"bf08 {_RETURN} 2001 2002 {_RETURN}") == 5
    assert _bound(f"bf08 bd00 2001 {_RETURN}") == 4


def test_a_call_or_a_jump_that_depends_has_both_ways() -> None:
    # it eq; bl g; pop {pc}.  g: mov, return.
    assert _bound(f"bf08 f000 f801 bd00 2001 {_RETURN}") == 3 + 2
    # it eq; b over two; mov, mov, return.
    assert _bound(f"bf08 e001 2001 2002 {_RETURN}") == 5


def test_the_steps_say_where_the_ways_go() -> None:
    # it eq; mov; beq over one; mov; cbz over a call; bl to the last but one; return; mov, pop {pc}.
    code = f"bf08 2001 d000 2002 b108 f000 f801 {_RETURN} 2003 bd00"
    steps = LongestWay(_Image(code)).reachable(START)  # type: ignore[arg-type]  # all that it reads of a file
    assert {at - START: (step.op.name, [to - START for to in step.to], step.returns, step.depends)
            for at, step in steps.items()} == {
        0: ("nothing", [2], False, False),
        2: ("mov", [4], False, True),
        4: ("branch", [6, 8], False, False),
        6: ("mov", [8], False, False),
        8: ("zero", [10, 14], False, False),
        10: ("call", [14], False, False),
        14: ("return", [], True, False),
    }  # fmt: skip
    assert {at - START: step.calls for at, step in steps.items() if step.calls is not None} == {10: START + 16}
    # it eq; b over one: as of a branch with a condition of its own, what follows comes first.
    depending = LongestWay(_Image(f"bf08 e000 2001 {_RETURN}"))  # type: ignore[arg-type]  # all that it reads of a file
    assert [to - START for to in depending.reachable(START)[START + 2].to] == [4, 6]


@pytest.mark.parametrize(
    ("code", "at"),
    [
        ("e7fe", 0x100),  # to itself
        (f"2001 2002 d1fd {_RETURN}", 0x102),  # back by one
        (f"d001 2001 {_RETURN} e7fb", 0x100),  # back to the start out of one arm
    ],
)
def test_a_loop_is_refused_with_where_it_begins(code: str, at: int) -> None:
    assert _refusal(code) == f"a loop at address {at:#x}"


def test_functions_that_call_themselves_are_refused() -> None:
    assert _refusal("f7ff fffe bd00") == "a function that calls itself at address 0x100"
    # f calls g, g calls f.
    assert _refusal("f000 f801 bd00 f7ff fffb bd00") == "a function that calls itself at address 0x100"


@pytest.mark.parametrize(
    ("code", "why"),
    [
        ("2001 4708", "a jump through a register at address 0x102"),
        ("2001 e8d0 f001", "a jump through a table at address 0x102"),
        ("2001 f8d1 f004", "a jump through memory at address 0x102"),
        ("2001 be00", "a trap at address 0x102"),
        ("2001 ffff ffff", "an instruction that cannot be read at address 0x102"),
        ("bf08 ffff ffff", "an instruction that cannot be read at address 0x102"),
        ("2001", "a way out of the image at address 0x102"),
        ("e000 4770", "a way out of the image at address 0x104"),
        ("e7fd", "a way out of the image at address 0xfe"),
    ],
)
def test_code_that_cannot_be_followed_is_refused_with_the_place(code: str, why: str) -> None:
    assert _refusal(code) == why


def test_a_constant_of_the_code_is_a_signed_word() -> None:
    way = LongestWay(_Image("4770 fffe ffff 1234 8000"))  # type: ignore[arg-type]  # all that it reads of a file
    assert way.word(0x102) == -2
    assert way.word(0x106) == 0x1234 - 2**31
    with pytest.raises(UserError, match="a way out of the image at address 0x108"):
        way.word(0x108)


def test_straight_code_is_counted_by_the_first_halfword_of_each() -> None:
    def count(code: str) -> int:
        return instructions(encoded(code))

    assert count("") == 0
    assert count("2001 e7ff 4770") == 3  # the last that is short
    assert count("2001 e800 4770 4770") == 3  # the first that is long
    assert count("f04f 34ff ffff ffff") == 2
