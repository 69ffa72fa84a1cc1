"""Small Thumb programs in Arm's own notation: their code, and a core to run them on, without a compiler.

Encodings: Arm v7-M Architecture Reference Manual, chapter "Thumb instruction set encoding".
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from functools import cache
from types import SimpleNamespace
from typing import Any

from controller.port.longest import LongestWay
from controller.port.ways import Ways

START = 0x100
CONDITIONS = ("eq", "ne", "cs", "cc", "mi", "pl", "vs", "vc", "hi", "ls", "ge", "lt", "gt", "le")

# R: a register, N: a number. Of several that fit, the first is taken.
_FORMS: dict[str, Callable[..., int]] = {
    "movs R, N": lambda d, n: 0x2000 | d << 8 | n,
    "cmp R, N": lambda d, n: 0x2800 | d << 8 | n,
    "adds R, N": lambda d, n: 0x3000 | d << 8 | n,
    "subs R, N": lambda d, n: 0x3800 | d << 8 | n,
    "movs R, R": lambda d, m: 0x0000 | m << 3 | d,
    "mov R, R": lambda d, m: 0x4600 | (d & 8) << 4 | m << 3 | d & 7,
    "adds R, R, R": lambda d, n, m: 0x1800 | m << 6 | n << 3 | d,
    "subs R, R, R": lambda d, n, m: 0x1A00 | m << 6 | n << 3 | d,
    "adds R, R, N": lambda d, n, i: 0x1C00 | i << 6 | n << 3 | d,
    "subs R, R, N": lambda d, n, i: 0x1E00 | i << 6 | n << 3 | d,
    "lsls R, R, N": lambda d, m, n: 0x0000 | n << 6 | m << 3 | d,
    "lsrs R, R, N": lambda d, m, n: 0x0800 | n << 6 | m << 3 | d,
    "asrs R, R, N": lambda d, m, n: 0x1000 | n << 6 | m << 3 | d,
    "add R, R, N": lambda d, _sp, n: 0xA800 | d << 8 | n // 4,
    "add sp, N": lambda n: 0xB000 | n // 4,
    "sub sp, N": lambda n: 0xB080 | n // 4,
    "uxtb R, R": lambda d, m: 0xB2C0 | m << 3 | d,
    "str R, [sp, N]": lambda t, n: 0x9000 | t << 8 | n // 4,
    "ldr R, [sp, N]": lambda t, n: 0x9800 | t << 8 | n // 4,
    "str R, [R, N]": lambda t, b, n: 0x6000 | n // 4 << 6 | b << 3 | t,
    "ldr R, [R, N]": lambda t, b, n: 0x6800 | n // 4 << 6 | b << 3 | t,
    "strb R, [R, N]": lambda t, b, n: 0x7000 | n << 6 | b << 3 | t,
    "ldrb R, [R, N]": lambda t, b, n: 0x7800 | n << 6 | b << 3 | t,
    "strh R, [R, N]": lambda t, b, n: 0x8000 | n // 2 << 6 | b << 3 | t,
    "ldrh R, [R, N]": lambda t, b, n: 0x8800 | n // 2 << 6 | b << 3 | t,
    "str R, [R, R]": lambda t, b, m: 0x5000 | m << 6 | b << 3 | t,
    "ldr R, [R, R]": lambda t, b, m: 0x5800 | m << 6 | b << 3 | t,
    "bx lr": lambda: 0x4770,
    "nop": lambda: 0xBF00,
    # 32 bits, first halfword on top
    "cmn R, N": lambda n, i: 0xF1100F00 | n << 16 | i,
    "cmp R, R, lsl N": lambda n, m, i: 0xEBB00F00 | n << 16 | (i & 28) << 10 | (i & 3) << 6 | m,
    "movw R, N": lambda d, n: 0xF2400000 | (n >> 12) << 16 | (n & 0x800) << 15 | (n & 0x700) << 4 | d << 8 | n & 0xFF,
    "movt R, N": lambda d, n: 0xF2C00000 | (n >> 12) << 16 | (n & 0x800) << 15 | (n & 0x700) << 4 | d << 8 | n & 0xFF,
    "mla R, R, R, R": lambda d, n, m, a: 0xFB000000 | n << 16 | a << 12 | d << 8 | m,
    "mls R, R, R, R": lambda d, n, m, a: 0xFB000010 | n << 16 | a << 12 | d << 8 | m,
    "udiv R, R, R": lambda d, n, m: 0xFBB0F0F0 | n << 16 | d << 8 | m,
    "ldrd R, R, [R, N]": lambda t, u, b, n: 0xE9D00000 | b << 16 | t << 12 | u << 8 | n // 4,
    "strd R, R, [R, N]": lambda t, u, b, n: 0xE9C00000 | b << 16 | t << 12 | u << 8 | n // 4,
}
_TWO = ("ands", "eors", "lsls", "lsrs", "asrs", "adcs", "sbcs", "rors", "tst", "rsbs", "cmp", "cmn", "orrs", "muls",
        "bics", "mvns")  # fmt: skip
for _place, _name in enumerate(_TWO):
    _FORMS[f"{_name} R, R"] = lambda d, m, place=_place: 0x4000 | place << 6 | m << 3 | d
_NAMES = {"sp": 13, "lr": 14, "pc": 15}


def _pattern(form: str) -> re.Pattern[str]:
    return re.compile(re.escape(form).replace("R", r"(r\d+|lr|sp)").replace("N", r"#(-?\d+)"))


_PATTERNS = [(_pattern(form), code) for form, code in _FORMS.items()]


def _number(text: str) -> int:
    return _NAMES.get(text) or int(text.removeprefix("r"))


def _listed(text: str) -> int:
    return sum(1 << _number(one) for one in re.findall(r"r\d+|lr|pc", text))


@cache
def _plain(text: str) -> tuple[int, ...]:
    if text[:4] in ("push", "pop "):
        bits = _listed(text)
        high = 0xB500 if bits >> 14 & 1 else 0xBD00 if bits >> 15 else 0xB400 if text[:4] == "push" else 0xBC00
        return (high | bits & 0xFF,)
    if found := re.fullmatch(r"(ldm|stm) (\w+), (\{.*\})", text):
        return (0xE890 - 0x10 * (found[1] == "stm") | _number(found[2]), _listed(found[3]))
    if found := re.fullmatch(r"it([te]*) (\w+)", text):
        first = CONDITIONS.index(found[2])
        bits = "".join(str(first & 1 if one == "t" else 1 - (first & 1)) for one in found[1]) + "1"
        return (0xBF00 | first << 4 | int(bits.ljust(4, "0"), 2),)
    for pattern, code in _PATTERNS:
        if found := pattern.fullmatch(text):
            word = code(*map(_number, found.groups()))
            return (word >> 16, word & 0xFFFF) if word > 0xFFFF else (word,)
    raise ValueError(f"no such instruction: {text}")


def _size(text: str) -> int:
    is_jump = re.match(r"b(l|\.w)? |b\w\w |cbn?z |ldr \w+, =", text)
    return 2 * (2 if text[:3] == "bl " else 1) if is_jump else 2 * len(_plain(text))


def _jump(text: str, at: int, labels: Mapping[str, int]) -> tuple[int, ...]:
    name, *register, to = text.replace(",", "").split()
    away = labels[to] - at - 4
    reach = {"b": 2_046, "bl": 1 << 20, "cbz": 126, "cbnz": 126}.get(name, 254)
    if not (0 if register else -reach) <= away <= reach:
        raise ValueError(f"out of reach: {text}")
    if name == "b":
        return (0xE000 | away >> 1 & 0x7FF,)
    if name == "bl":
        return (0xF000 | away >> 12 & 0x7FF, 0xF800 | away >> 1 & 0x7FF)
    if register:
        is_not = name == "cbnz"
        return (0xB100 | is_not << 11 | (away >> 6 & 1) << 9 | (away >> 1 & 31) << 3 | _number(register[0]),)
    return (0xD000 | CONDITIONS.index(name[1:]) << 8 | away >> 1 & 0xFF,)


def stored(*halfwords: int) -> bytes:
    """Return halfwords as they lie in memory."""
    return b"".join(one.to_bytes(2, "little") for one in halfwords)


def encoded(text: str) -> bytes:
    """Return code that is written as its halfwords, e.g. `2001 4770`."""
    return stored(*(int(one, 16) for one in text.split()))


class Code:
    """The code of a program: one instruction or `label:` a line, `nop *7` for seven of them."""

    def __init__(self, text: str) -> None:
        lines: list[str] = []
        for line in filter(None, (one.strip() for one in re.split(r"[\n;]", text))):
            word, _, times = line.partition(" *")
            lines += [word] * int(times or 1)
        at, self.labels, pool = START, dict[str, int](), dict[str, int]()
        self.starts: list[int] = []
        """Where each instruction stands."""
        for line in lines:
            if line.endswith(":"):
                self.labels[line[:-1]] = at
                continue
            self.starts.append(at)
            at += _size(line)
            if "=" in line:
                pool[line.split("=")[1]] = 0
        at = at + 3 & ~3
        for word in pool:
            pool[word] = at
            at += 4
        content = bytearray()
        for at, line in zip(self.starts, (one for one in lines if not one.endswith(":")), strict=True):
            if "=" in line:
                to, word = re.fullmatch(r"ldr r(\d), =(.+)", line).groups()  # type: ignore[union-attr]
                halfwords: tuple[int, ...] = (0x4800 | int(to) << 8 | (pool[word] - (at + 4 & ~3)) // 4,)
            elif line.split()[-1] in self.labels:
                halfwords = _jump(line, at, self.labels)
            else:
                halfwords = _plain(line)
            content += stored(*halfwords)
        content += bytes(-len(content) % 4)
        content += b"".join((int(word) & 0xFFFFFFFF).to_bytes(4, "little") for word in pool)
        self.content = bytes(content)

    def ways(self, *arguments: str) -> Ways:
        """Return the ways through it as a function of these arguments, in registers from r0."""
        return Ways(self.longest(), "f", arguments)

    def longest(self) -> LongestWay:
        """Return what bounds it without regard to what is known."""
        image = SimpleNamespace(
            segments=lambda: [(START, self.content, len(self.content))],
            symbols={"f": (START | 1, len(self.content), True)}
            | {name: (at | 1, 0, True) for name, at in self.labels.items()},
        )
        return LongestWay(image)  # type: ignore[arg-type]


_STACK_TOP, _STOP = 0x2000_8000, 0x40
STRUCTURE = 0x2000_0000
"""Where the first structure lies that a program gets; the next one `STRUCTURE_BYTES` further."""
STRUCTURE_BYTES = 0x100


class Core:
    """A Cortex-M4 that counts instructions; one whose condition fails counts as well."""

    def __init__(self) -> None:
        import unicorn
        from unicorn import arm_const

        self._names = arm_const
        self._machine = unicorn.Uc(unicorn.UC_ARCH_ARM, unicorn.UC_MODE_THUMB)
        self._machine.ctl_set_cpu_model(arm_const.UC_CPU_ARM_CORTEX_M4)
        self._machine.mem_map(0, 0x1000)
        self._machine.mem_map(0x2000_0000, 0x1_0000)
        self._machine.mem_write(_STOP, b"\xfe\xe7")
        self._machine.hook_add(unicorn.UC_HOOK_BLOCK, self._block)
        self._counts: dict[tuple[int, int], int] = {}
        self._starts: list[int] = []
        self._count = 0

    def _block(self, _machine: Any, address: int, size: int, _data: Any) -> None:
        if (address, size) not in self._counts:
            self._counts[address, size] = sum(address <= at < address + size for at in self._starts)
        self._count += self._counts[address, size]

    def load(self, code: Code) -> None:
        """Take a program."""
        self._machine.mem_write(START, code.content)
        self._machine.ctl_flush_tb()
        self._starts, self._counts = code.starts, {}

    def run(self, *arguments: int | Mapping[tuple[int, int], int]) -> int:
        """Run the program and return its instructions; a structure is given by offset and size of what it holds."""
        self._count = 0
        for at, argument in enumerate(arguments):
            value = argument
            if isinstance(argument, Mapping):
                value = STRUCTURE + at * STRUCTURE_BYTES
                content = bytearray(STRUCTURE_BYTES)
                for (offset, size), number in argument.items():
                    content[offset : offset + size] = (number & (1 << 8 * size) - 1).to_bytes(size, "little")
                self._machine.mem_write(value, bytes(content))
            self._machine.reg_write(self._names.UC_ARM_REG_R0 + at, value & 0xFFFFFFFF)  # type: ignore[operator]
        self._machine.reg_write(self._names.UC_ARM_REG_SP, _STACK_TOP)
        self._machine.reg_write(self._names.UC_ARM_REG_LR, _STOP | 1)
        self._machine.emu_start(START | 1, _STOP)
        return self._count
