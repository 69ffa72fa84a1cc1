"""Small programs whose longest way is known: the bound is exactly that, tried out on an emulated core.

Each gets a structure m (r0) and a number n (r1). What m holds is given by offset and size; the bound knows intervals.
"""

from __future__ import annotations

from collections.abc import Mapping
from itertools import product

import pytest
from thumb_code import Code, Core

from controller.errors import UserError
from controller.port import ways

_Held = Mapping[tuple[int, int], range]
_SOME = (-(2**31), -6, -3, -1, 0, 1, 2, 3, 4, 5, 8, 255, 256, 2**31 - 1)
_WORD = {(0, 4): range(-2, 9)}

_EXACT: dict[str, tuple[str, _Held]] = {
    "a comparison made twice ends alike": ("""
        ldr r2, [r0, #0]; cmp r1, r2; blt one; nop *5
        one: cmp r1, r2; bge two; nop *6
        two: bx lr""", _WORD),
    "also the other way round": ("""
        ldr r2, [r0, #0]; cmp r1, r2; blt one; nop *5
        one: cmp r2, r1; ble two; nop *6
        two: bx lr""", _WORD),
    "and with what is less, equal and greater": ("""
        ldr r2, [r0, #0]; cmp r1, r2; ble one; nop *5
        one: cmp r1, r2; bne two; nop *6
        two: cmp r1, r2; bge three; nop *7
        three: bx lr""", _WORD),
    "a comparison with a number is known later": ("""
        cmp r1, #3; bgt one; nop *5
        one: cmp r1, #4; blt two; nop *6
        two: cmp r1, #5; bne three; nop *3
        three: bx lr""", {}),
    "a comparison of another number says no more than it does": ("""
        cmp r1, #3; bgt one; nop *5
        one: cmp r1, #3; blt two; nop *6
        two: cmp r1, #2; bgt three; nop *3
        three: bx lr""", {}),
    "so is one with zero": ("""
        cbz r1, one; nop *5
        one: cbnz r1, two; nop *6
        two: cmp r1, #0; beq three; nop *7
        three: bx lr""", {}),
    "a place in an interval goes one way": ("""
        ldr r2, [r0, #0]; cmp r2, #3; bgt one; nop *5
        one: cbz r2, two; nop *6
        two: bx lr""", {(0, 4): range(4, 9)}),
    "at the edge of the interval it goes both": ("""
        ldr r2, [r0, #0]; cmp r2, #3; bgt one; nop *5
        one: cmp r2, #9; blt two; nop *6
        two: bx lr""", {(0, 4): range(3, 9)}),
    "a byte is any byte": ("""
        ldrb r2, [r0, #0]; cmp r2, #7; bne one; nop *5
        one: bx lr""", _WORD),
    "but no more": ("""
        ldrb r2, [r0, #0]; movs r3, #255; cmp r2, r3; ble one; nop *5
        one: cmp r2, #0; bge two; nop *6
        two: bx lr""", _WORD),
    "without a sign, where none is": ("""
        ldr r2, [r0, #0]; cmp r2, #8; bls one; nop *5
        one: cmp r2, #9; bcc two; nop *6
        two: bx lr""", {(0, 4): range(9)}),
    "a condition that says nothing goes both": ("""
        cmp r1, #3; bhi one; bx lr
        one: nop *5; bx lr""", {}),
    "what was compared waits": ("""
        movs r2, #4; cmp r2, #4; nop; str r2, [r0, #0]; beq one; nop *5
        one: bx lr""", {}),
    "a test of bits leaves the overflow": ("""
        movs r2, #1; lsls r2, r2, #31; subs r2, #1; movs r4, #3; tst r4, r4; bge one; nop *5
        one: bx lr""", {}),
    "with one it is something else": ("""
        ldr r2, [r0, #0]; cmp r2, #8; bls one; nop *5
        one: bx lr""", {(0, 4): range(-1, 9)}),
    "a constant decides": ("""
        movs r2, #4; adds r2, #1; cmp r2, #5; beq one; nop *5
        one: bx lr""", {}),
    "each way has its constant": ("""
        movs r2, #4; cmp r1, #0; blt one; movs r2, #5; nop *5
        one: cmp r2, #5; beq two; nop *6
        two: bx lr""", {}),
    "a constant out of the code": ("""
        ldr r2, =305419896; ldr r3, =305419895; cmp r2, r3; bgt one; nop *5
        one: bx lr""", {}),
    "a negative one, too": ("""
        ldr r2, =-7; cmp r2, #0; blt one; nop *5
        one: bx lr""", {}),
    "halves make a word": ("""
        movw r2, #22137; movt r2, #4660; ldr r3, =305419897; cmp r2, r3; beq one; nop *5
        one: movw r2, #0; movt r2, #32768; cmp r2, #0; blt two; nop *6
        two: bx lr""", {}),
    "the first register is one like others": ("""
        movs r0, #4; adds r0, #1; cmp r0, #5; beq one; nop *5
        one: bx lr""", {}),
    "so is the link register": ("""
        push {lr}; movs r2, #1; mov lr, r2; nop; mov r3, lr; cmp r3, #1; beq one; nop *5
        one: pop {pc}""", {}),
    "all bits turned": ("""
        movs r2, #4; mvns r2, r2; ldr r3, =-5; cmp r2, r3; beq one; nop *5
        one: bx lr""", {}),
    "all bits turned of what is not known": ("""
        mvns r2, r1; cmp r2, #5; bne one; nop *5
        one: bx lr""", {}),
    "no bits left": ("""
        movs r2, #4; movs r3, #3; ands r2, r3; beq one; nop *5
        one: bx lr""", {}),
    "a half of what is not known": ("""
        mov r2, r1; movt r2, #0; cmp r2, #5; beq one; nop *5
        one: bx lr""", {}),
    "products are added and taken away": ("""
        movs r2, #3; movs r3, #4; movs r4, #50; mla r5, r2, r3, r4; cmp r5, #62; beq one; nop *5
        one: mls r5, r2, r3, r4; cmp r5, #38; beq two; nop *6
        two: bx lr""", {}),
    "a shifted number is compared": ("""
        movs r2, #12; movs r3, #3; cmp r2, r3, lsl #2; beq one; nop *5
        one: bx lr""", {}),
    "what is shifted is not what it was": ("""
        ldr r2, [r0, #0]; movs r3, #2; cmp r3, r2, lsl #1; bne one; nop *5
        one: cmp r3, r2; beq two; nop *6
        two: bx lr""", _WORD),
    "a sum with nothing is no comparison with it": ("""
        ldr r2, [r0, #0]; cmn r2, #0; bcs one; nop *5
        one: bx lr""", {(0, 4): range(9)}),
    "a sum with a number is a comparison with its negative": ("""
        ldr r2, [r0, #0]; cmn r2, #1; bge one; nop *5
        one: cmn r2, #2; bne two; nop *6
        two: bx lr""", {(0, 4): range(-2, -1)}),
    "but not with the least": ("""
        ldr r2, [r0, #0]; movs r3, #1; lsls r3, r3, #31; cmn r2, r3; bge one; nop *5
        one: bx lr""", {(0, 4): range(-2, 9)}),
    "bits that are tested": ("""
        movs r2, #6; movs r3, #9; tst r2, r3; beq one; nop *5
        one: movs r3, #4; tst r2, r3; bne two; nop *6
        two: bx lr""", {}),
    "the sign of a result": ("""
        ldr r2, [r0, #0]; movs r3, r2; bmi one; nop *5
        one: movs r3, r2; bpl two; nop *6
        two: bx lr""", _WORD),
    "a result tells its sign, not how it came": ("""
        movs r2, #1; lsls r2, r2, #31; subs r2, #1; adds r2, #1; blt one; nop *5
        one: bx lr""", {}),
    "a difference compares": ("""
        ldr r2, [r0, #0]; subs r3, r2, #3; ble one; nop *5
        one: cmp r2, #3; bgt two; nop *6
        two: bx lr""", _WORD),
    "a difference from zero compares the other way": ("""
        ldr r2, [r0, #0]; rsbs r3, r2; bgt one; nop *5
        one: cmp r2, #0; blt two; nop *6
        two: bx lr""", _WORD),
    # Memory
    "what is written is read": ("""
        movs r2, #7; str r2, [r0, #4]; ldr r3, [r0, #4]; cmp r3, #7; beq one; nop *5
        one: bx lr""", {}),
    "also on one way of two": ("""
        movs r2, #7; movs r3, #8; str r2, [r0, #4]; cmp r1, #2; beq one; str r3, [r0, #4]; nop *5
        one: ldr r3, [r0, #4]; cmp r3, #8; beq two; nop *6
        two: bx lr""", {}),
    "what is written is not what was there": ("""
        str r1, [r0, #0]; ldr r2, [r0, #0]; cmp r2, #5; bne one; nop *5
        one: bx lr""", {(0, 4): range(6, 9)}),
    "what is written elsewhere leaves it": ("""
        str r1, [r0, #4]; strb r1, [r0, #8]; ldr r2, [r0, #0]; cmp r2, #5; bne one; nop *5
        one: bx lr""", {(0, 4): range(6, 9)}),
    "a byte of it is written": ("""
        strb r1, [r0, #0]; ldr r2, [r0, #0]; cmp r2, #5; bne one; nop *5
        one: bx lr""", {(0, 4): range(6, 9)}),
    "a byte is written and read": ("""
        movs r2, #1; strb r2, [r0, #9]; ldrb r3, [r0, #9]; cbnz r3, one; nop *5
        one: bx lr""", {}),
    "a half is written and read": ("""
        movs r2, #1; strh r2, [r0, #10]; ldrh r3, [r0, #10]; cbnz r3, one; nop *5
        one: bx lr""", {}),
    "a place that is reckoned": ("""
        movs r2, #4; movs r3, #7; str r3, [r0, r2]; ldr r3, [r0, #4]; cmp r3, #7; beq one; nop *5
        one: bx lr""", {}),
    "a place nobody knows": ("""
        movs r2, #4; ands r2, r1; movs r3, #7; str r3, [r0, r2]; ldr r3, [r0, #0]; cmp r3, #7; bne one; nop *5
        one: bx lr""", {(0, 4): range(4)}),
    "reading a place nobody knows": ("""
        movs r2, #4; ands r2, r1; ldr r3, [r0, r2]; cmp r3, #2; bne one; nop *5
        one: bx lr""", {(0, 4): range(4), (4, 4): range(4)}),
    "reading a place that depends on the way": ("""
        movs r3, #7; str r3, [r0, #4]; movs r2, #8; cmp r1, #0; beq one; movs r2, #4
        one: ldr r4, [r0, r2]; cmp r4, #7; bne two; nop *5
        two: bx lr""", {(4, 4): range(3), (8, 4): range(3)}),
    "what is known of a value is known after a write somewhere": ("""
        ldr r5, [r0, #0]; movs r2, #4; ands r2, r1; adds r2, #8; str r2, [r0, r2]; cmp r5, #7; bne one; nop *5
        one: bx lr""", {(0, 4): range(6)}),
    "a pointer goes on": ("""
        mov r2, r0; adds r2, #8; subs r2, #4; ldr r3, [r2, #0]; cmp r3, #2; bne one; nop *5
        one: bx lr""", {(4, 4): range(2)}),
    "two words at once": ("""
        movs r2, #7; movs r3, #8; strd r2, r3, [r0, #4]; ldrd r4, r5, [r0, #4]; ldr r6, [r0, #8]
        cmp r4, #7; beq one; nop *5
        one: cmp r5, #8; beq two; nop *6
        two: cmp r6, #8; beq three; nop *7
        three: bx lr""", {}),
    "several words at once": ("""
        movs r2, #7; movs r3, #8; stm r0, {r2, r3}; ldm r0, {r4, r5}; cmp r4, #7; beq one; nop *5
        one: cmp r5, #8; beq two; nop *6
        two: bx lr""", {}),
    # Stack and calls
    "the stack keeps what is put there": ("""
        movs r2, #7; movs r3, #8; push {r2, r3}; pop {r4, r5}; cmp r4, #7; beq one; nop *5
        one: cmp r5, #8; beq two; nop *6
        two: bx lr""", {}),
    "in its order": ("""
        movs r2, #7; movs r3, #8; push {r2}; push {r3}; pop {r4}; pop {r5}; cmp r4, #8; beq one; nop *5
        one: cmp r5, #7; beq two; nop *6
        two: bx lr""", {}),
    "in a frame": ("""
        sub sp, #8; movs r2, #7; str r2, [sp, #4]; movs r3, #8; str r3, [sp, #0]
        ldr r4, [sp, #4]; ldr r5, [sp, #0]; add sp, #8; cmp r4, #7; beq one; nop *5
        one: cmp r5, #8; beq two; nop *6
        two: bx lr""", {}),
    "by a pointer to it": ("""
        sub sp, #8; add r2, sp, #4; movs r3, #7; str r3, [r2, #0]; ldr r4, [sp, #4]; add sp, #8
        cmp r4, #7; beq one; nop *5
        one: bx lr""", {}),
    "what was put deeper stays": ("""
        movs r2, #7; push {r2}; movs r3, #8; push {r3}; pop {r4}; ldr r5, [sp, #0]; cmp r5, #7; beq one; nop *5
        one: pop {r2}; bx lr""", {}),
    "what a function is called with": ("""
        push {r4, lr}; movs r2, #7; bl called; cmp r3, #8; beq one; nop *5
        one: pop {r4, pc}
        called: cmp r2, #7; beq two; nop *6
        two: movs r3, #8; bx lr""", {}),
    "a function that is called twice": ("""
        push {r4, lr}; movs r2, #7; bl called; movs r2, #0; bl called; pop {r4, pc}
        called: cmp r2, #7; bne two; nop *6
        two: bx lr""", {}),
    "a function in a function": ("""
        push {lr}; movs r2, #7; bl called; pop {pc}
        called: push {lr}; bl deeper; nop *2; pop {pc}
        deeper: cmp r2, #7; bne two; nop *6
        two: bx lr""", {}),
    "a call changes the link register": ("""
        push {lr}; movs r2, #1; mov lr, r2; bl called; pop {pc}
        called: mov r3, lr; cmp r3, #1; beq one; nop *5
        one: bx lr""", {}),
    "so does one that depends": ("""
        push {lr}; movs r2, #1; mov lr, r2; cmp r1, #0; it eq; bl called; pop {pc}
        called: mov r3, lr; cmp r3, #1; beq one; nop *5
        one: bx lr""", {}),
    # What depends on a condition
    "a move that depends": ("""
        movs r2, #4; cmp r2, #4; ite eq; movs r3, #1; movs r3, #2; cmp r3, #1; beq one; nop *5
        one: bx lr""", {}),
    "a move that does not happen": ("""
        movs r2, #4; cmp r2, #5; ite eq; movs r3, #1; movs r3, #2; cmp r3, #2; beq one; nop *5
        one: bx lr""", {}),
    "each instruction of a block by its own condition": ("""
        movs r2, #4; movs r3, #0; movs r4, #0; movs r5, #0; movs r6, #0
        cmp r2, #5; itete lt; movs r3, #1; movs r4, #2; movs r5, #3; movs r6, #4
        cmp r3, #1; beq one; nop *3
        one: cmp r4, #0; beq two; nop *4
        two: cmp r5, #3; beq three; nop *5
        three: cmp r6, #0; beq four; nop *6
        four: bx lr""", {}),
    "a block with long instructions": ("""
        movs r2, #4; movs r4, #0; movs r5, #0; cmp r2, #4; ittte eq
        movw r3, #7; movs r4, #8; mla r5, r2, r2, r2; movs r5, #3
        cmp r3, #7; beq one; nop *3
        one: cmp r4, #8; beq two; nop *4
        two: cmp r5, #20; beq three; nop *5
        three: bx lr""", {}),
    "with loads and products": ("""
        movs r2, #4; str r2, [r0, #0]; str r2, [r0, #4]; cmp r2, #5; iteee eq
        movs r3, #0; ldrd r3, r4, [r0, #0]; movs r5, #1; movw r6, #9
        cmp r3, #4; beq one; nop *3
        one: cmp r5, #1; beq two; nop *4
        two: cmp r6, #9; beq three; nop *5
        three: bx lr""", {}),
    "a comparison that depends": ("""
        cmp r1, #3; it eq; cmp r1, #4; beq one; nop *5
        one: bx lr""", {}),
    "moves in a block leave the flags": ("""
        ldr r2, [r0, #0]; cmp r2, #3; itt eq; movs r3, #0; adds r3, #1; bne one; nop *5
        one: cmp r2, #3; beq two; nop *6
        two: bx lr""", _WORD),
    "a return that depends": ("""
        cmp r1, #3; it eq; bx lr; nop *5; bx lr""", {}),
    "a return that depends, from a function": ("""
        push {lr}; bl called; nop *2; pop {pc}
        called: cmp r1, #3; it eq; bx lr; nop *5; bx lr""", {}),
    "a jump that depends": ("""
        cmp r1, #3; it eq; b one; nop *5
        one: bx lr""", {}),
    "after a condition that decides, what was compared is known": ("""
        ldr r2, [r0, #0]; cmp r2, #3; blt one; it ge; movs r3, #1; cmp r2, #2; bgt two; nop *5
        one: nop *2
        two: bx lr""", _WORD),
    # What is not understood
    "everything can be after what is not understood": ("""
        push {r4, lr}; movs r4, #7; str r4, [r0, #4]; udiv r2, r2, r4; ldr r3, [r0, #4]; cmp r3, #7; bne one; nop *5
        one: pop {r4, pc}""", {}),
}  # fmt: skip  # programs


@pytest.fixture(scope="module")
def core() -> Core:
    return Core()


def _code(text: str) -> Code:
    return Code(text.replace(": ", ":\n"))


@pytest.mark.parametrize("what", list(_EXACT))
def test_the_bound_is_the_longest_way_that_exists(core: Core, what: str) -> None:
    text, held = _EXACT[what]
    code = _code(text)
    core.load(code)
    memories = [dict(zip(held, values, strict=True)) for values in product(*held.values())]
    runs = [core.run(memory, n) for memory in memories for n in _SOME]
    known = {("m", *place): (values[0], values[-1]) for place, values in held.items()}
    assert code.ways("m", "n").bound(known) == max(runs)


@pytest.mark.parametrize("then", ["beq one; nop *5; one: bx lr", "it eq; movs r3, #1; nop *5; bx lr"])
def test_what_cannot_be_has_no_way(then: str) -> None:
    # Of a state that no tick reaches anything can be proved.
    code = _code(f"ldr r2, [r0, #0]; cmp r2, #5; {then}").ways("m", "n")
    assert code.bound({("m", 0, 4): (5, 5)}) > 0
    assert code.bound({("m", 0, 4): (5, 4)}) == 0


_LARGER: dict[str, tuple[str, _Held]] = {
    "what is known of neither way": ("""
        mov r2, r1; cmp r1, #0; it lt; movs r2, #7; cmp r2, #7; beq one; nop *5
        one: bx lr""", {}),
    "a register that what is not understood may have changed": ("""
        movs r4, #7; udiv r2, r2, r4; cmp r4, #7; beq one; nop *5
        one: bx lr""", {}),
    "a place that it may have changed": ("""
        ldr r2, [r0, #0]; sbcs r3, r3; ldr r2, [r0, #0]; cmp r2, #7; bne one; nop *5
        one: bx lr""", {(0, 4): range(3)}),
    "the stack after it": ("""
        push {r4, lr}; movs r4, #7; push {r4}; udiv r2, r2, r4; pop {r4}; cmp r4, #7; beq one; nop *5
        one: push {r2}; pop {r2}; pop {r4, pc}""", {}),
}  # fmt: skip  # programs


@pytest.mark.parametrize("what", list(_LARGER))
def test_what_is_not_known_may_be_anything(what: str) -> None:
    # No run is as long, but nothing here says so.
    text, held = _LARGER[what]
    code = _code(text)
    known = {("m", *place): (values[0], values[-1]) for place, values in held.items()}
    assert code.ways("m", "n").bound(known) == code.longest().bound("f")


_TOGETHER = {
    "a register": "cmp r1, #0; beq one; movs r2, #1\none: nop; movs r2, #3; cmp r2, #3; beq two; nop\ntwo: bx lr",
    "a register of a store to where nobody looks": (
        "cmp r1, #0; beq one; movs r2, #1\none: nop; str r2, [r0, #4]; bx lr"),
    "a place": "cmp r1, #0; beq one; str r0, [r0, #4]\none: nop; bx lr",
    "what was on the stack": "cmp r1, #0; beq one; push {r0}; pop {r2}\none: nop; bx lr",
    "a comparison": "cmp r1, #0; beq one; nop\none: nop; bx lr",
    "flags": "cmp r1, #0; beq one; cmp r1, #3\none: cmp r1, r1; bne two; nop\ntwo: bx lr",
    "flags for a while": "cmp r1, #0; beq one; cmp r1, #3\none: nop; cmp r1, r1; bne two; nop\ntwo: bx lr",
    "flags before a jump": "cmp r1, #0; beq one; cmp r1, #3\none: nop; b two\ntwo: bx lr",
    "registers of a comparison that decides nothing": (
        "movs r2, #2; cmp r1, #0; beq one; movs r2, #1\none: nop; cmp r2, #1; bx lr"),
    "what is loaded and not asked": (
        "movs r2, #2; cmp r1, #0; beq one; str r2, [r0, #4]\none: nop; ldr r3, [r0, #4]; bx lr"),
}  # fmt: skip  # programs


@pytest.mark.parametrize("what", list(_TOGETHER))
def test_ways_that_differ_in_nothing_asked_later_go_on_as_one(what: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ways, "WIDEST", 1)
    code = Code(_TOGETHER[what].replace(": ", ":\n"))
    assert 0 < code.ways("m", "n").bound({}) <= code.longest().bound("f")


def test_more_ways_than_can_be_told_apart_have_no_bound(monkeypatch: pytest.MonkeyPatch) -> None:
    code = _code("""
        movs r2, #0; cmp r1, #3; beq one; movs r2, #1
        one: movs r3, #0; cmp r1, #4; beq two; movs r3, #1
        two: cmp r2, r3; beq three; nop
        three: bx lr""")
    monkeypatch.setattr(ways, "WIDEST", 3)
    assert code.ways("m", "n").bound({}) == 11
    monkeypatch.setattr(ways, "WIDEST", 2)
    with pytest.raises(UserError, match=r"^no bound over the ways that exist: more than 2 to tell apart$"):
        code.ways("m", "n").bound({})
