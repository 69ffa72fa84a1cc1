"""Random Thumb programs that branch forward, call, and keep values in registers, on the stack and in a structure.

The structure is the first argument (r0): words at 0, 4 and 8, bytes at 12 and 13, halves at 14 and 16. r1 is a number.
"""

from __future__ import annotations

from random import Random

from thumb_code import CONDITIONS

WORDS, BYTES, HALVES = (0, 4, 8), (12, 13), (14, 16)
_RESULTS = ("ands", "orrs", "eors", "bics", "muls", "mvns")
_OF_COMPARISON = ("eq", "ne", "ge", "lt", "gt", "le")
_OF_RESULT = ("eq", "ne", "mi", "pl")


class _Writer:
    def __init__(self, seed: int, is_decided: bool) -> None:
        self.random = Random(seed)
        self.is_decided = is_decided
        self.lines: list[str] = []
        self.functions = 0
        self.labels = 0

    def label(self) -> str:
        self.labels += 1
        return f"l{self.labels}"

    def register(self) -> str:
        return f"r{self.random.randint(1, 5)}"

    def number(self) -> int:
        return self.random.choice((0, 1, 1, 2, 2, 3, 4))

    def add(self, *lines: str) -> None:
        self.lines += lines

    def plain(self) -> str:
        """Return one instruction that may stand anywhere and sets no flags in an IT block."""
        to, other, one, n = self.register(), self.register(), self.register(), self.number()
        place = self.random.choice(WORDS)
        return self.random.choice((
            f"movs {to}, #{n}", f"movs {to}, #{n}", f"mov {to}, {other}", f"adds {to}, {other}, {one}",
            f"adds {to}, {other}, #{n}", f"subs {to}, {other}, #{n}", f"subs {to}, {other}, {one}", f"adds {to}, #{n}",
            f"{self.random.choice((*_RESULTS, 'rsbs'))} {to}, {other}",
            f"lsls {to}, {other}, #{n}", f"lsrs {to}, {other}, #{n + 1}", f"asrs {to}, {other}, #{n + 1}",
            f"uxtb {to}, {other}", f"ldr {to}, [r0, #{place}]", f"ldr {to}, [r0, #{place}]",
            f"str {to}, [r0, #{place}]", f"ldrb {to}, [r0, #{self.random.choice(BYTES)}]",
            f"ldrh {to}, [r0, #{self.random.choice(HALVES)}]", f"ldr {to}, [sp, #{4 * (n & 1)}]",
            f"str {to}, [sp, #{4 * (n & 1)}]", f"mla {to}, {other}, {one}, {to}", f"mls {to}, {other}, {one}, {to}",
            f"movw {to}, #{self.random.choice((5, 65_535, 40_000))}", f"movt {to}, #{self.random.choice((0, 40_000))}",
        ))  # fmt: skip  # a list

    def compared(self) -> str:
        """Add what sets the flags and return a condition that can be told from it."""
        one, other, n = self.register(), self.register(), self.number()
        if self.random.random() < 0.7:
            self.add(self.random.choice((f"cmp {one}, #{n}", f"cmp {one}, {other}", f"subs {one}, {one}, #{n}",
                                         f"rsbs {one}, {other}", f"subs {one}, {one}, {other}",
                                         f"cmn {one}, #{n + self.is_decided}",
                                         f"cmp {one}, {other}, lsl #{n}")))  # fmt: skip
            known = _OF_COMPARISON
        else:
            self.add(self.random.choice((f"tst {one}, {other}", f"adds {one}, #{n}", f"movs {one}, {other}",
                                         f"{self.random.choice(_RESULTS)} {one}, {other}",
                                         f"lsls {one}, {other}, #{n + 1}")))  # fmt: skip
            known = _OF_RESULT
        return self.random.choice(known if self.is_decided else CONDITIONS)

    def item(self, depth: int) -> None:
        kind = self.random.random()
        if kind < 0.4 or depth > 1:
            self.add(self.plain())
        elif kind < 0.55:  # skipped or not
            past = self.label()
            if self.random.random() < 0.3:
                self.add(f"{self.random.choice(('cbz', 'cbnz'))} {self.register()}, {past}", self.plain())
            else:
                self.add(f"b{self.compared()} {past}")
                self.block(depth + 1)
            self.add(f"nop *{self.random.randint(1, 5)}", f"{past}:")
        elif kind < 0.7:  # one or the other
            other, past = self.label(), self.label()
            self.add(f"b{self.compared()} {other}", f"nop *{self.random.randint(1, 5)}")
            self.block(depth + 1)
            self.add(f"b {past}", f"{other}:")
            self.block(depth + 1)
            self.add(f"nop *{self.random.randint(1, 5)}", f"{past}:")
        elif kind < 0.82:
            choices = "".join(self.random.choice("te") for _ in range(self.random.randint(0, 3)))
            condition = self.compared()
            self.add(f"it{choices} {condition}", *(self.plain() for _ in range(len(choices) + 1)))
        elif kind < 0.88:
            one = self.register()
            name, place = self.random.choice(
                [("strb", self.random.choice(BYTES)), ("strh", self.random.choice(HALVES))]
            )
            self.add(f"uxtb {one}, {one}", f"{name} {one}, [r0, #{place}]")
        elif kind < 0.92:
            one, other = sorted({self.register(), "r6"})
            between = self.plain()
            self.add(
                f"push {{{one}, {other}}}", "nop" if "sp" in between else between, f"pop {{{self.register()}, r6}}"
            )
        elif kind < 0.96:
            one = self.random.choice(("ldrd r2, r3", "strd r4, r1"))
            self.add(f"{one}, [r0, #4]")
        elif depth == 0 and self.functions < 2:
            self.functions += 1
            self.add(f"bl f{self.functions}")
        elif not self.is_decided:
            # Not understood, or somewhere in the structure.
            one = self.register()
            self.add(*self.random.choice(((f"udiv {one}, {one}, {self.register()}",), (f"sbcs {one}, {one}",),
                                          (f"movs {one}, {self.register()}", f"lsrs {one}, {one}, #31",
                                           f"lsls {one}, {one}, #2", f"str r6, [r0, {one}]"))))  # fmt: skip

    def block(self, depth: int) -> None:
        for _ in range(self.random.randint(1, 3)):
            self.item(depth)


def program(seed: int, is_decided: bool) -> str:
    """Return a program's text; of a decided one every branch hangs on constants of its own."""
    writer = _Writer(seed, is_decided)
    random = writer.random
    writer.add("push {r4, r5, r6, r7, lr}", "sub sp, #8")
    for at in range(1 if is_decided else 2, 8):
        writer.add(f"movs r{at}, #{random.randint(0, 5)}")
    writer.add("str r2, [sp, #0]", "str r3, [sp, #4]")
    if is_decided:
        writer.add(*(f"str r{random.randint(1, 6)}, [r0, #{place}]" for place in WORDS))
        writer.add(*(f"strb r{random.randint(1, 6)}, [r0, #{place}]" for place in BYTES))
        writer.add(*(f"strh r{random.randint(1, 6)}, [r0, #{place}]" for place in HALVES))
    for _ in range(random.randint(4, 9)):
        writer.item(0)
    writer.add("add sp, #8", "pop {r4, r5, r6, r7, pc}")
    for at in range(writer.functions):
        writer.add(f"f{at + 1}:", *(["push {r6, r7, lr}"] if at else []))
        writer.block(1)
        writer.add("pop {r6, r7, pc}" if at else "bx lr")
    return "\n".join(writer.lines)
