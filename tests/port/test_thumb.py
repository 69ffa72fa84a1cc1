"""What each Thumb instruction means to a reader; encodings by clang's assembler, meanings by the v7-M manual."""

from __future__ import annotations

from dataclasses import replace

import pytest
from thumb_code import encoded, stored

from controller.port.thumb import LINK, MOST_BYTES, PROGRAM_COUNTER, SP, Op, Operand, operations, signed

_AT = 0x102  # not a multiple of four


def _n(number: int) -> Operand:
    return Operand(number=number)


def _r(register: int, shift: str = "", amount: int = 0) -> Operand:
    return Operand(register, amount, shift)


def _read(text: str, at: int = _AT) -> list[Op]:
    return operations(at, encoded(text))


_MEANINGS = {
    # Moves
    "movs r1, #200 = 21c8": Op("mov", (1,), by=_n(200), flags=True),
    "mov r9, r2 = 4691": Op("mov", (9,), by=_r(2)),
    "movs r3, r4 = 0023": Op("mov", (3,), by=_r(4), flags=True),
    "mov.w r4, #-1 = f04f 34ff": Op("mov", (4,), by=_n(-1)),
    "mov.w r5, #0x80000000 = f04f 4500": Op("mov", (5,), by=_n(-(2**31))),
    "mov.w r5, #0x7f800000 = f04f 45ff": Op("mov", (5,), by=_n(0x7F80_0000)),
    "mov.w r5, #0x00ab00ab = f04f 15ab": Op("mov", (5,), by=_n(0x00AB_00AB)),
    "movs.w r5, #0 = f05f 0500": Op("mov", (5,), by=_n(0), flags=True),
    "movw r6, #0xabcd = f64a 36cd": Op("mov", (6,), by=_n(0xABCD)),
    "movt r6, #0xabcd = f6ca 36cd": Op("movt", (6,), 6, _n(0xABCD)),
    "mvns r1, r2 = 43d1": Op("mvn", (1,), by=_r(2), flags=True),
    "mvn r1, #1 = f06f 0101": Op("mvn", (1,), by=_n(1)),
    "mvn.w r1, r2, lsr #3 = ea6f 01d2": Op("mvn", (1,), by=_r(2, "lsr", 3)),
    # Sums
    "adds r1, r2, #7 = 1dd1": Op("add", (1,), 2, _n(7), flags=True),
    "adds r1, r2, r3 = 18d1": Op("add", (1,), 2, _r(3), flags=True),
    "adds r1, #255 = 31ff": Op("add", (1,), 1, _n(255), flags=True),
    "add r8, r1 = 4488": Op("add", (8,), 8, _r(1)),
    "add r1, sp, #1020 = a9ff": Op("add", (1,), SP, _n(1020)),
    "add sp, #508 = b07f": Op("add", (SP,), SP, _n(508)),
    "addw r1, r2, #4095 = f602 71ff": Op("add", (1,), 2, _n(4095)),
    "add.w r1, r2, r3, lsl #2 = eb02 0183": Op("add", (1,), 2, _r(3, "lsl", 2)),
    "adds.w r1, r2, r3, asr #31 = eb12 71e3": Op("add", (1,), 2, _r(3, "asr", 31), flags=True),
    "subs r1, r2, #1 = 1e51": Op("sub", (1,), 2, _n(1), flags=True),
    "subs r1, r2, r3 = 1ad1": Op("sub", (1,), 2, _r(3), flags=True),
    "sub sp, #508 = b0ff": Op("sub", (SP,), SP, _n(508)),
    "subw r1, r2, #4095 = f6a2 71ff": Op("sub", (1,), 2, _n(4095)),
    "subs.w r5, r6, #-1 = f1b6 35ff": Op("sub", (5,), 6, _n(-1), flags=True),
    "sub.w r8, r9, r10 = eba9 080a": Op("sub", (8,), 9, _r(10)),
    "rsbs r1, r2, #0 = 4251": Op("rsb", (1,), 2, _n(0), flags=True),
    "rsb.w r1, r2, #100 = f1c2 0164": Op("rsb", (1,), 2, _n(100)),
    "rsb.w r1, r2, r3, lsr #32 = ebc2 0113": Op("rsb", (1,), 2, _r(3, "lsr", 32)),
    # Bits
    "ands r1, r2 = 4011": Op("and", (1,), 1, _r(2), flags=True),
    "and r1, r2, #0x0f = f002 010f": Op("and", (1,), 2, _n(15)),
    "orrs r1, r2 = 4311": Op("orr", (1,), 1, _r(2), flags=True),
    "orr.w r1, r2, r3, lsl #31 = ea42 71c3": Op("orr", (1,), 2, _r(3, "lsl", 31)),
    "eors r1, r2 = 4051": Op("eor", (1,), 1, _r(2), flags=True),
    "bics r1, r2 = 4391": Op("bic", (1,), 1, _r(2), flags=True),
    "bic.w r6, r0, r0, asr #31 = ea20 76e0": Op("bic", (6,), 0, _r(0, "asr", 31)),
    "uxtb r1, r2 = b2d1": Op("and", (1,), 2, _n(0xFF)),
    "uxtb.w r8, r2 = fa5f f882": Op("and", (8,), 2, _n(0xFF)),
    # Products and shifts; a shift by 32 is written as none
    "muls r1, r2, r1 = 4351": Op("mul", (1,), 2, _r(1), flags=True),
    "mul r6, r10, r4 = fb0a f604": Op("mul", (6,), 10, _r(4)),
    "mla r3, r7, r6, r2 = fb07 2306": Op("mla", (3,), 7, _r(6), 2),
    "mls r1, r5, r2, r6 = fb05 6112": Op("mls", (1,), 5, _r(2), 6),
    "lsls r1, r2, #31 = 07d1": Op("lsl", (1,), 2, _n(31), flags=True),
    "lsrs r1, r2, #32 = 0811": Op("lsr", (1,), 2, _n(32), flags=True),
    "asrs r1, r2, #32 = 1011": Op("asr", (1,), 2, _n(32), flags=True),
    "lsls r1, r2 = 4091": Op("lsl", (1,), 1, _r(2), flags=True),
    "lsl.w r8, r9, #5 = ea4f 1849": Op("lsl", (8,), 9, _n(5)),
    "lsrs.w r8, r9, r10 = fa39 f80a": Op("lsr", (8,), 9, _r(10), flags=True),
    # Comparisons
    "cmp r1, #255 = 29ff": Op("cmp", base=1, by=_n(255), flags=True),
    "cmp r1, r2 = 4291": Op("cmp", base=1, by=_r(2), flags=True),
    "cmp r9, r2 = 4591": Op("cmp", base=9, by=_r(2), flags=True),
    "cmp.w r12, #2 = f1bc 0f02": Op("cmp", base=12, by=_n(2), flags=True),
    "cmp.w r1, r2, lsl #1 = ebb1 0f42": Op("cmp", base=1, by=_r(2, "lsl", 1), flags=True),
    "cmn.w r1, #1 = f111 0f01": Op("cmn", base=1, by=_n(1), flags=True),
    "tst r1, r2 = 4211": Op("tst", base=1, by=_r(2), flags=True),
    # Memory
    "ldr r7, [r1, #124] = 6fcf": Op("load", (7,), 1, _n(124)),
    "ldrh r7, [r1, #62] = 8fcf": Op("load", (7,), 1, _n(62), size=2),
    "ldrb r7, [r1, #31] = 7fcf": Op("load", (7,), 1, _n(31), size=1),
    "ldr r0, [sp, #1020] = 98ff": Op("load", (0,), SP, _n(1020)),
    "str r7, [r1, #124] = 67cf": Op("store", (7,), 1, _n(124)),
    "strh r7, [r1, #62] = 87cf": Op("store", (7,), 1, _n(62), size=2),
    "strb r7, [r1, #31] = 77cf": Op("store", (7,), 1, _n(31), size=1),
    "ldrb r1, [r2, r3] = 5cd1": Op("load", (1,), 2, _r(3), size=1),
    "strh r1, [r2, r3] = 52d1": Op("store", (1,), 2, _r(3), size=2),
    "ldr.w r8, [r1, #4095] = f8d1 8fff": Op("load", (8,), 1, _n(4095)),
    "ldr r8, [r1, #-255] = f851 8cff": Op("load", (8,), 1, _n(-255)),
    "ldr.w r1, [r0, r2, lsl #2] = f850 1022": Op("load", (1,), 0, _r(2, "lsl", 2)),
    "ldr.w r8, [r1, r0] = f851 8000": Op("load", (8,), 1, _r(0)),
    "strb.w r2, [r0, r12, lsl #3] = f800 203c": Op("store", (2,), 0, _r(12, "lsl", 3), size=1),
    "ldrd r7, r0, [r8, #1020] = e9d8 70ff": Op("load", (7, 0), 8, _n(1020)),
    "ldrd r7, r0, [r8, #-1020] = e958 70ff": Op("load", (7, 0), 8, _n(-1020)),
    "strd r2, r2, [r0, #16] = e9c0 2204": Op("store", (2, 2), 0, _n(16)),
    "ldm r1, {r1, r2} = c906": Op("load", (1, 2), 1),
    "ldm.w r1, {r2, r8} = e891 0104": Op("load", (2, 8), 1),
    "stm.w r1, {r2, r8} = e881 0104": Op("store", (2, 8), 1),
    # The stack; one high register has a form of its own
    "push {r4, lr} = b510": Op("push", (4, LINK)),
    "push.w {r3, r8, lr} = e92d 4108": Op("push", (3, 8, LINK)),
    "push {r8} = f84d 8d04": Op("push", (8,)),
    "stmdb sp!, {r4} = e92d 0010": Op("push", (4,)),
    "pop {r4, r5} = bc30": Op("pop", (4, 5)),
    "pop.w {r3, r8} = e8bd 0108": Op("pop", (3, 8)),
    "pop {r8} = f85d 8b04": Op("pop", (8,)),
    "ldm sp!, {r4} = e8bd 0010": Op("pop", (4,)),
    "pop {r4, pc} = bd10": Op("pop", (4, PROGRAM_COUNTER)),
    "ldr pc, [sp], #4 = f85d fb04": Op("pop", (PROGRAM_COUNTER,)),
    # The way on, and what changes nothing
    "b .+4 = e000": Op("branch", target=_AT + 4),
    "b .-2044 = e400": Op("branch", target=_AT - 2044),
    "beq .+4 = d000": Op("branch", condition=0, target=_AT + 4),
    "ble .-252 = dd80": Op("branch", condition=13, target=_AT - 252),
    "bge.w .+334 = f280 80a5": Op("branch", condition=10, target=_AT + 334),
    "b.w .+4 = f000 b800": Op("branch", target=_AT + 4),
    "cbz r0, .+6 = b108": Op("zero", base=0, target=_AT + 6),
    "cbnz r7, .+130 = bbff": Op("nonzero", base=7, target=_AT + 130),
    "bl .+4 = f000 f800": Op("call", (LINK,), target=_AT + 4),
    "bl .-4 = f7ff fffc": Op("call", (LINK,), target=_AT - 4),
    "bx lr = 4770": Op("return"),
    "nop = bf00": Op("nothing"),
    "nop.w = f3af 8000": Op("nothing"),
}


@pytest.mark.parametrize("text", list(_MEANINGS))
def test_an_instruction_has_its_meaning(text: str) -> None:
    encoding = text.split(" = ")[1]
    assert _read(encoding) == [replace(_MEANINGS[text], length=2 * len(encoding.split()))]


_OTHERS = {
    "adcs r1, r2": "4151", "sbcs r1, r2": "4191", "rors r1, r2": "41d1", "rrx r1, r2": "ea4f 0132",
    "and.w r1, r2, r3, ror #3": "ea02 01f3", "add.w r1, r2, r3, rrx": "eb02 0133", "cmp.w r1, r2, ror #3": "ebb1 0ff2",
    "mvn.w r1, r2, rrx": "ea6f 0132", "uxtb.w r1, r2, ror #8": "fa5f f192", "teq r1, r2": "ea91 0f02",
    "sdiv r1, r2, r3": "fb92 f1f3", "umull r1, r2, r3, r4": "fba3 1204", "uxth r1, r2": "b291",
    "adr r1, .+8": "f20f 0104", "addw r1, pc, #2049": "f60f 0101", "add r1, pc": "4479", "mov r1, pc": "4679",
    "ldrsb r1, [r2, r3]": "56d1", "ldrt r1, [r2, #4]": "f852 1e04",
    # Loads and stores that also move their address
    "ldr r1, [r2], #4": "f852 1b04", "ldr r1, [r2, #4]!": "f852 1f04", "str r1, [r2], #4": "f842 1b04",
    "str r1, [r2, #-4]!": "f842 1d04", "ldr r1, [sp], #8": "f85d 1b08", "ldr r1, [sp, #4]!": "f85d 1f04",
    "ldr r1, [sp], #-4": "f85d 1904", "str r1, [sp], #-4": "f84d 1904", "str r1, [sp, #-8]!": "f84d 1d08",
    "str r1, [sp, #4]!": "f84d 1f04", "ldrb r1, [sp], #4": "f81d 1b04", "strb r1, [sp, #-4]!": "f80d 1d04",
    "ldrd r1, r2, [r3], #8": "e8f3 1202", "strd r1, r2, [r3, #-8]!": "e963 1202", "ldm r1!, {r2, r3}": "c90c",
    "stm r1!, {r2, r3}": "c10c", "ldmdb sp!, {r2, r3}": "e93d 000c", "stmdb r1!, {r2, r3}": "e921 000c",
    "stm sp!, {r2, r3}": "e8ad 000c",
    "ldmdb r1, {r2, r3}": "e911 000c", "stmdb sp, {r2, r3}": "e90d 000c",
    "ldrb.w r1, [pc, #4]": "f89f 1004", "ldrd r1, r2, [pc, #4]": "e9df 1201",
    "vmov.f32 s0, s1": "eeb0 0a60", "vldr s0, [r1]": "ed91 0a00", "mrs r1, primask": "f3ef 8110", "cpsid i": "b672",
    "dmb": "f3bf 8f5f",
}  # fmt: skip


@pytest.mark.parametrize("text", list(_OTHERS))
def test_what_is_not_understood_says_so_and_goes_on(text: str) -> None:
    (op,) = _read(_OTHERS[text])
    assert (op.name, op.stop, op.length) == ("other", "", 2 * len(_OTHERS[text].split()))


_TRAP, _TABLE = "a trap", "a jump through a table"
_REGISTER, _MEMORY = "a jump through a register", "a jump through memory"
_UNREADABLE = "an instruction that cannot be read"
_STOPS = {
    "svc #0 = df00": _TRAP, "udf #1 = de01": _TRAP, "udf.w #1 = f7f0 a001": _TRAP, "bkpt #0 = be00": _TRAP,
    "trap = defe": _TRAP,
    "bx r1 = 4708": _REGISTER, "blx r1 = 4788": _REGISTER, "bxns lr = 4774": _REGISTER, "blxns r0 = 4784": _REGISTER,
    "mov pc, lr = 46f7": _REGISTER, "add pc, r1 = 448f": _REGISTER,
    "ldr.w pc, [r1, #4] = f8d1 f004": _MEMORY, "ldr.w pc, [sp, #4] = f8dd f004": _MEMORY,
    "ldr pc, [sp], #8 = f85d fb08": _MEMORY, "ldr.w pc, [pc, #4] = f8df f004": _MEMORY,
    "ldm.w r1, {r2, pc} = e891 8004": _MEMORY, "ldmdb sp!, {r2, pc} = e93d 8004": _MEMORY,
    "tbb [r0, r1] = e8d0 f001": _TABLE, "tbh [r0, r1, lsl #1] = e8d0 f011": _TABLE,
    "none = ffff ffff": _UNREADABLE, "half of one = f000": _UNREADABLE,
}  # fmt: skip


@pytest.mark.parametrize("text", list(_STOPS))
def test_where_the_way_on_cannot_be_seen_it_says_why(text: str) -> None:
    (op,) = _read(text.split(" = ")[1])
    assert (op.name, op.stop) == ("other", _STOPS[text])
    assert bool(op.length) == (op.stop != _UNREADABLE)


@pytest.mark.parametrize(
    ("text", "at", "place"),
    [
        ("4b13", 0x100, 0x150),  # ldr r3, [pc, #76]: the program counter reads four bytes on
        ("4b13", 0x102, 0x150),  # as a whole word
        ("4b13", 0x104, 0x154),
        ("f8df 3fff", 0x102, 0x104 + 4095),
        ("f85f 3fff", 0x1002, 0x1004 - 4095),
    ],
)
def test_a_literal_lies_off_the_program_counter_rounded_down(text: str, at: int, place: int) -> None:
    (op,) = _read(text, at)
    assert (op.name, op.to, op.by) == ("literal", (3,), _n(place))


def test_what_an_it_governs_is_read_with_it() -> None:
    # ittee eq; movs r0, #1; lsls r0, r1; movs.w r5, #0; cmp r1, r2; then one that it does not govern
    block = _read("bf07 2001 4088 f05f 0500 4291 2002")
    assert [(op.name, op.condition, op.flags, op.length) for op in block] == [
        ("nothing", 0, False, 2),
        ("mov", 0, False, 2),  # the short forms leave the flags alone
        ("lsl", 0, False, 2),
        ("mov", 1, True, 4),  # the long ones say themselves
        ("cmp", 1, True, 2),  # a comparison is there for the flags
    ]
    assert [op.condition for op in _read("bfb8 2001 2002")] == [11, 11]
    # The next instruction read is outside again.
    assert _read("2001")[0].flags


@pytest.mark.parametrize(
    ("text", "name"), [("4770", "return"), ("bd10", "pop"), ("e002", "branch"), ("f000 f800", "call")]
)
def test_a_way_out_of_an_it_block_depends_on_its_condition(text: str, name: str) -> None:
    op = _read(f"bf18 {text}")[1]  # it ne
    assert (op.name, op.condition) == (name, 1)


def test_the_longest_block_of_the_longest_instructions_is_read_whole() -> None:
    code = stored(0xBF01, *(0xF04F, 0x34FF) * 4, 0x2001)  # itttt eq
    block = operations(_AT, code[:MOST_BYTES])
    assert operations(_AT, code) == block
    assert [(op.name, op.condition) for op in block] == [("nothing", 0)] + [("mov", 0)] * 4


@pytest.mark.parametrize("text", ["bf04 2001 ffff ffff", "bf04 2001"])
def test_a_block_that_cannot_be_read_to_its_end_stops_there(text: str) -> None:
    block = _read(text)
    assert [op.name for op in block] == ["nothing", "mov", "other"]
    assert block[-1].stop == "an instruction that cannot be read"


def test_low_bits_as_a_signed_number() -> None:
    assert [signed(value) for value in (0, 2**31 - 1, 2**31, 2**32 - 1, 2**32, -1)] == [
        0,
        2**31 - 1,
        -(2**31),
        -1,
        0,
        -1,
    ]
    assert [signed(value, 8) for value in (0x7F, 0x80, 0x1FF)] == [127, -128, -1]


def test_what_an_operation_does_not_have_is_told_apart_from_register_0() -> None:
    assert Op("nothing") == Op("nothing", (), -1, Operand(-1, 0, ""), -1, False, 4, 14, -1, "", 0)


def test_only_a_register_operand_reads_one() -> None:
    assert [_n(3).reads, _r(0).reads, _r(3, "lsl", 2).reads] == [(), (0,), (3,)]
