"""What is known on one way, against what the values, the bytes and the flags really do."""

from __future__ import annotations

from itertools import product
from random import Random

import pytest

from controller.port.c_text import HIGHEST, LOWEST
from controller.port.one_way import (
    CC,
    CS,
    DEEPEST,
    EQ,
    GE,
    GT,
    HI,
    LE,
    LS,
    LT,
    MI,
    NE,
    PL,
    STACK,
    UNKNOWN,
    Flags,
    Way,
    fact_about,
    joined,
    overlap,
    worked,
)  # fmt: skip  # one list

A, B = ("in", "m", 0, 4), ("in", "m", 4, 4)
"""What two places held at the call."""

_EDGES = (0, 1, 2, 5, 31, 32, 255, 65_536, HIGHEST - 1, HIGHEST, LOWEST, LOWEST + 1, -2, -1)


def _sign(a: int, b: int) -> int:
    return (a > b) - (a < b)


# Values ---------------------------------------------------------------------------------------------------------------


def test_arithmetic_is_that_of_32_bits() -> None:
    words = {
        "add": lambda a, b: a + b, "sub": lambda a, b: a + ~b + 1, "rsb": lambda a, b: b + ~a + 1,
        "mul": lambda a, b: (a >> 16) * b * 65_536 + (a & 65_535) * b,
        "and": lambda a, b: ~(~a | ~b), "orr": lambda a, b: ~(~a & ~b), "eor": lambda a, b: (a | b) - (a & b),
        "bic": lambda a, b: a - (a & b),
    }  # fmt: skip
    for (name, work), a, b in product(words.items(), _EDGES, _EDGES):
        found = worked(name, a, b)
        assert LOWEST <= found <= HIGHEST
        assert (found - work(a, b)) % 2**32 == 0, (name, a, b)


def test_shifts_are_those_of_32_bits_up_to_all_of_them() -> None:
    for a, n in product(_EDGES, range(33)):
        bits = format(a & 0xFFFF_FFFF, "032b")
        words = {"lsl": (bits + "0" * n)[-32:], "lsr": ("0" * n + bits)[:32], "asr": (bits[0] * n + bits)[:32]}
        for name, word in words.items():
            found = worked(name, a, n)
            assert LOWEST <= found <= HIGHEST
            assert format(found & 0xFFFF_FFFF, "032b") == word, (name, a, n)
    for name, n in product(("lsl", "lsr", "asr"), (-1, 33, 256)):
        assert worked(name, 5, n) is None  # a core would look at the low byte


def test_what_is_not_a_number_is_known_by_its_operation() -> None:
    for name in ("add", "mul", "orr", "and", "eor"):
        assert worked(name, A, B) == worked(name, B, A) is not None
    assert worked("sub", A, B) == ("sub", A, B) != worked("sub", B, A)
    assert worked("lsl", A, 1) != worked("lsl", A, 2)
    assert worked("bic", 1, A) not in (worked("bic", A, 1), worked("and", 1, A))
    assert worked("add", None, 1) is worked("add", 1, None) is worked("ror", 1, 1) is None


def test_a_pointer_stays_one_where_a_number_is_added() -> None:
    pointer = ("at", "m", 8)
    assert worked("add", pointer, 4) == ("at", "m", 12)
    assert worked("sub", pointer, 4) == ("at", "m", 4)
    for name, left, right in (("and", pointer, 4), ("add", pointer, A), ("add", pointer, pointer),
                              ("add", A, pointer), ("sub", 4, pointer)):  # fmt: skip
        assert worked(name, left, right) is None


@pytest.mark.parametrize("is_left", [True, False])
def test_values_are_followed_through_so_many_operations(is_left: bool) -> None:
    value = A
    for _ in range(DEEPEST):
        value = worked("sub", value, B) if is_left else worked("sub", B, value)
        assert value is not None
    assert (worked("sub", value, B) if is_left else worked("sub", B, value)) is None


# Memory ---------------------------------------------------------------------------------------------------------------


def test_places_overlap_that_have_a_byte_in_common() -> None:
    places = [(base, offset, size) for base in "mn" for size in (1, 2, 4) for offset in range(0, 8, size)]
    for one, other in product(places, places):
        has = bool(set(range(one[1], one[1] + one[2])) & set(range(other[1], other[1] + other[2])))
        assert overlap(one, other) == (has and one[0] == other[0])


def test_memory_holds_what_was_written_last() -> None:
    places = [("m", offset, size) for size in (1, 2, 4) for offset in range(0, 8, size)]
    for seed in range(60):
        random, way = Random(seed), Way()
        writes: list[tuple[int, int, int]] = []
        for _ in range(6):
            place = random.choice(places)
            number = random.choice((0, 1, 255, 256, 65_535, 65_536, HIGHEST, -1, LOWEST))
            way.write(place, number)
            writes.append((place[1], place[2], number))
            for _, start, size in places:
                # Of a part, or of more than was written, nothing is known.
                last = next(
                    (one for one in reversed(writes) if one[0] < start + size and start < one[0] + one[1]), None
                )
                if last is None:
                    expected: object = ("in", "m", start, size)
                else:
                    fits = size == 4 or 0 <= last[2] < 256**size
                    expected = last[2] if last[:2] == (start, size) and fits else None
                assert way.read(("m", start, size)) == expected


def test_a_place_beside_what_was_written_holds_what_it_held() -> None:
    way = Way()
    way.write(("m", 0, 4), A)
    way.write(("m", 4, 1), 1)
    assert way.read(("m", 0, 4)) == A
    assert (way.read(("m", 4, 1)), way.read(("m", 5, 1))) == (1, ("in", "m", 5, 1))
    assert way.read(("n", 0, 4)) == ("in", "n", 0, 4)


def test_a_value_that_is_no_number_is_written_in_words_only() -> None:
    way = Way()
    way.write(("m", 0, 2), A)
    way.write(("m", 4, 4), A)
    assert (way.read(("m", 0, 2)), way.read(("m", 4, 4))) == (None, A)


def test_of_the_stack_only_what_was_written_is_known() -> None:
    way = Way()
    assert way.read((STACK, -4, 4)) is None
    way.write((STACK, -4, 4), 7)
    assert way.read((STACK, -4, 4)) == 7


def test_after_a_write_somewhere_only_what_is_written_since_is_known() -> None:
    way = Way()
    way.write(("m", 0, 4), 1)
    way.forget_memory()
    assert way.read(("m", 0, 4)) is way.read(("m", 4, 4)) is None
    way.write(("m", 0, 4), 2)
    assert way.read(("m", 0, 4)) == 2
    assert way.copy().read(("m", 4, 4)) is None


# Intervals and comparisons --------------------------------------------------------------------------------------------


def test_a_value_is_in_the_range_of_its_size() -> None:
    way = Way()
    sizes = {1: (0, 255), 2: (0, 65_535), 4: (LOWEST, HIGHEST)}
    assert {size: way.interval(("in", "m", 0, size)) for size in sizes} == sizes
    assert way.interval(("add", A, B)) == way.interval(None) == (LOWEST, HIGHEST)
    assert way.interval(-5) == (-5, -5)
    way.facts[A] = (2, 2)
    assert way.interval(A) == (2, 2)
    assert (way.number(A), way.number(B), way.number(-5), way.number(None)) == (2, B, -5, None)


def test_intervals_compare_as_their_numbers_can() -> None:
    spans = [(low, high) for low in range(4) for high in range(low, 4)]
    for (a, b), (c, d) in product(spans, spans):
        way = Way()
        way.facts = {A: (a, b), B: (c, d)}
        can = {_sign(x, y) for x in range(a, b + 1) for y in range(c, d + 1)}
        assert way.relation(A, B) == can
        if a == b:
            assert way.relation(a, B) == can
        if c == d:
            assert way.relation(A, c) == can
    assert Way().relation(A, A) == {0}
    assert Way().relation(A, B) == Way().relation(A, 3) == {-1, 0, 1}


_SOME = [frozenset(one) for one in ((-1,), (0,), (1,), (-1, 0), (-1, 1), (0, 1), (-1, 0, 1))]


@pytest.mark.parametrize("turned", [False, True])
def test_what_is_noted_of_a_value_and_a_number_narrows_its_interval(turned: bool) -> None:
    for (low, high), number, relations in product([(0, 3), (1, 1), (-2, 2)], range(-3, 5), _SOME):
        left = [x for x in range(low, high + 1) if _sign(x, number) in relations]
        way = Way()
        way.facts[A] = (low, high)
        if turned:
            way.note(number, A, frozenset(-one for one in relations))
        else:
            way.note(A, number, relations)
        a, b = way.interval(A)
        assert list(range(a, b + 1)) == list(range(min(left), max(left) + 1) if left else []), (low, high, number)


def test_what_is_noted_of_two_values_is_known_either_way_round() -> None:
    for left, right in ((A, B), (B, A)):
        for relations in _SOME:
            way = Way()
            way.note(left, right, relations)
            assert way.relation(left, right) == relations
            assert way.relation(right, left) == {-one for one in relations}
            way.facts |= {left: (0, 1), right: (1, 2)}
            assert way.relation(left, right) == relations & {-1, 0}
    way = Way()
    way.note(1, 2, frozenset((-1,)))
    assert way.facts == {}


def test_a_fact_is_noted_under_the_name_that_is_told() -> None:
    for left, right in ((A, B), (B, A), (A, 3), (3, A)):
        way = Way()
        way.note(left, right, frozenset((0,)))
        assert list(way.facts) == [fact_about(left, right)]


# Flags ----------------------------------------------------------------------------------------------------------------


def _holds(condition: int, n: bool, z: bool, c: bool, v: bool) -> bool:
    """Return whether a condition holds: the manual's table of condition codes."""
    return {EQ: z, NE: not z, CS: c, CC: not c, MI: n, PL: not n, HI: c and not z, LS: not c or z, GE: n == v,
            LT: n != v, GT: not z and n == v, LE: z or n != v}[condition]  # fmt: skip


def _compared(condition: int, left: int, right: int) -> bool:
    difference = (left - right) % 2**32
    n, c = difference >= 2**31, left % 2**32 >= right % 2**32
    return _holds(condition, n, difference == 0, c, not LOWEST <= left - right <= HIGHEST)


_ALL = (EQ, NE, CS, CC, MI, PL, HI, LS, GE, LT, GT, LE)


def test_conditions_have_the_numbers_of_their_encoding() -> None:
    assert _ALL == (0, 1, 2, 3, 4, 5, 8, 9, 10, 11, 12, 13)


@pytest.mark.parametrize("condition", _ALL)
def test_a_condition_after_a_comparison_tells_how_the_values_compare(condition: int) -> None:
    for left, right in product(_EDGES, _EDGES):
        allowed = Way().allowed(condition, Flags(left, right))
        if condition in (MI, PL) or (condition in (CS, CC, HI, LS) and min(left, right) < 0):
            assert allowed is None
        else:
            assert allowed is not None
            assert (_sign(left, right) in allowed) == _compared(condition, left, right), (left, right)


@pytest.mark.parametrize("condition", _ALL)
def test_a_condition_after_a_result_tells_its_sign_where_it_can(condition: int) -> None:
    for result in _EDGES:
        allowed = Way().allowed(condition, Flags(result, 0, True))
        if condition in (EQ, NE, MI, PL):
            assert allowed is not None
            assert (_sign(result, 0) in allowed) == _holds(condition, result < 0, result == 0, False, False)
        else:
            assert allowed is None


def test_without_a_sign_only_values_from_0_are_compared() -> None:
    for low, other in product((-1, 0, 1), (-1, 0, 1)):
        way = Way()
        way.facts = {A: (low, 9), B: (other, 9)}
        assert (way.allowed(HI, Flags(A, B)) is not None) == (low >= 0 and other >= 0)


def test_unknown_flags_tell_nothing() -> None:
    for flags in (UNKNOWN, Flags(None, 1), Flags(1, None)):
        assert Way().allowed(EQ, flags) is None


# Ways -----------------------------------------------------------------------------------------------------------------


def _one() -> Way:
    way = Way()
    way.registers[:2] = [5, A]
    way.write(("m", 0, 4), 1)
    way.flags = Flags(A, 1)
    way.facts[A] = (0, 3)
    return way


def test_two_ways_join_to_what_both_know() -> None:
    one, other = _one(), _one()
    assert joined(one, other) == one
    other.registers[0] = 6
    other.write(("m", 0, 4), 2)
    other.write(("m", 4, 4), 3)
    other.flags, other.facts[A] = UNKNOWN, (0, 2)
    for both in (joined(one, other), joined(other, one)):
        assert both.registers == [None, A] + [None] * 14
        assert both.read(("m", 0, 4)) is both.read(("m", 4, 4)) is None
        assert both.flags == UNKNOWN
        assert both.facts == {}
        assert both.read(("m", 8, 4)) == ("in", "m", 8, 4)
    other.forget_memory()
    for both in (joined(one, other), joined(other, one)):
        assert both.read(("m", 8, 4)) is None


def test_a_copy_goes_its_ownWay() -> None:
    one = _one()
    other = one.copy()
    assert other == one
    assert other.all_known() == one.all_known()
    other.registers[0] = 9
    other.write(("m", 0, 4), 9)
    other.facts[A] = (9, 9)
    assert one == _one()


def test_ways_that_know_something_else_are_told_apart() -> None:
    changed = [_one() for _ in range(5)]
    changed[0].registers[3] = 1
    changed[1].write(("m", 0, 4), 2)
    changed[2].flags = Flags(A, 1, True)
    changed[3].facts[B] = (0, 3)
    changed[4].is_lost = True
    assert len({one.all_known() for one in (_one(), *changed)}) == 6


def test_a_way_that_forgets_knows_nothing_of_registers_memory_and_flags() -> None:
    way = _one()
    way.forget()
    assert way.registers == Way().registers == [None] * 16
    assert way.flags == UNKNOWN
    assert way.read(("m", 0, 4)) is way.read(("m", 4, 4)) is None
