"""What carries values into the C and out of it: header, checks, calibration, images, arrays; on small rule sets."""

from __future__ import annotations

import re
import struct
import zlib
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pytest
from header_text import fields
from quick_host import QuickChecks, QuickRules
from rule_pieces import KEYS, SIGNALS, is_a, lock, small

from controller.calibration import parse_calibration
from controller.declare import Key, Lamp, Relation, Signal, State
from controller.port.carriers_c import calibration_c, calibration_image_c, image_bytes_c, image_bytes_h, sizes_h
from controller.port.checks_c import checks_c
from controller.port.image import write_image
from controller.port.readme import readme_text
from controller.port.rules_h import rules_h
from controller.port.signature import layout_signature
from controller.ruleset import RuleSet
from controller.step import Command
from controller.words import not_

_LOWEST, _HIGHEST = -(2**31), 2**31 - 1
_WIDE = (
    Key("speed_ckmh", "speed.most", 100, -550, 20_000, 1_234, "a speed"),
    Key("eager", "speed.eager", 1, 0, 1, 0, "goes early", is_flag=True),
    Key("ratio_1", "ratio", 10, 0, 100, 15, "a ratio", entry=0),
    Key("ratio_2", "ratio", 10, 0, 100, 0, "a ratio", entry=1),
    Key("any", "any", 1, _LOWEST, _HIGHEST, -7, "any number"),
    Key("not_lowest", "low", 1, _LOWEST + 1, _HIGHEST, 0, "nearly any"),
    Key("not_highest", "high", 1, _LOWEST, _HIGHEST - 1, 0, "nearly any"),
)
_RATIOS_RISE = Relation("ratio", "rising", lambda k: k.ratio_1 >= k.ratio_2)
_RULES = small(
    lock("one", is_a, State.IDLE, settle=20), keys=_WIDE, relations=[_RATIOS_RISE],
    lamps=[Lamp("first", lambda _x, _k, m: m.one_on, "first lamp"), Lamp("second", is_a, "second lamp")],
)  # fmt: skip  # one call
_VALUES = (1_234, 1, 30, 20, -9, 8, -8)


def test_the_header_says_what_each_field_is_truth_values_first() -> None:
    header = rules_h(_RULES)
    inputs = fields(header, "rules_inputs_t")
    assert [(kind, name) for kind, name, _ in inputs] == [
        ("bool", "ignition_on"), ("bool", "a"), ("bool", "b"), ("bool", "c"), ("bool", "d"),
        ("int32_t", "now_ms"), ("int32_t", "choice"), ("int32_t", "level"),
    ]  # fmt: skip  # truth values, then numbers
    words = {name: text for _, name, text in inputs}
    assert words["ignition_on"] == "ignition"
    assert words["choice"] == "0 to 2: band that is asked for"
    assert words["level"] == "-20 to 20 0.1 deg C: a level"
    assert fields(header, "rules_calibration_t") == [
        ("bool", "eager", "goes early; speed.eager"),
        ("int32_t", "speed_ckmh", "-550 to 20000: a speed; speed.most (-5.5 to 200)"),
        ("int32_t", "ratio_1", "0 to 100: a ratio; ratio[1] (0 to 10)"),
        ("int32_t", "ratio_2", "0 to 100: a ratio; ratio[2] (0 to 10)"),
        ("int32_t", "any", "-2147483648 to 2147483647: any number; any"),
        ("int32_t", "not_lowest", "-2147483647 to 2147483647: nearly any; low"),
        ("int32_t", "not_highest", "-2147483648 to 2147483646: nearly any; high"),
    ]
    memory = fields(header, "rules_memory_t")
    assert memory[0] == ("bool", "one_on", "one is on")
    assert ("int32_t", "band", "0 to 2: selected band") in memory
    assert memory[-1][:2] == ("int32_t", "out_reason")
    assert memory[-1][2].endswith("; written and read within a tick")
    assert [(kind, name) for kind, name, _ in fields(header, "rules_command_t")] == [
        ("int32_t", name) for name in Command._fields
    ]


def test_the_header_numbers_states_reasons_and_lamps() -> None:
    numbers = dict(re.findall(r"#define RULES_(\w+) \(0?x?(\w+)\)", rules_h(_RULES)))
    assert numbers.pop("SIGNATURE") == f"{layout_signature(_RULES):08X}u"
    assert numbers == {
        "STATE_IDLE": "0", "STATE_ARMED": "1", "STATE_APPLIED": "2", "STATE_RELEASED": "3",
        "REASON_NONE": "0", "REASON_START": "1", "REASON_NO_BAND": "2", "REASON_ONE": "3",
        "REASON_BAND_ON": "4", "REASON_READY": "5", "REASON_GOES_IN": "6",
        "LAMP_FIRST": "1", "LAMP_SECOND": "2",
    }  # fmt: skip  # of a kind a line


# Checks ---------------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def checks(tmp_path_factory: pytest.TempPathFactory) -> QuickChecks:
    return QuickChecks(tmp_path_factory.mktemp("wide"), _RULES)


def _with(values: Sequence[int], at: int, value: int) -> list[int]:
    return [*values[:at], value, *values[at + 1 :]]


def test_a_calibration_is_valid_up_to_the_ends_of_each_range(checks: QuickChecks) -> None:
    assert checks.valid(_VALUES)
    for at, key in enumerate(_WIDE):
        if key.is_flag or key.entry is not None:
            continue
        assert checks.valid(_with(_VALUES, at, key.low))
        assert checks.valid(_with(_VALUES, at, key.high))
        assert key.low == _LOWEST or not checks.valid(_with(_VALUES, at, key.low - 1))
        assert key.high == _HIGHEST or not checks.valid(_with(_VALUES, at, key.high + 1))


@pytest.mark.parametrize(
    ("first", "second", "is_good"),
    [(20, 20, True), (20, 21, False), (0, 0, True), (100, 0, True), (101, 0, False), (20, -1, False)],
)
def test_relations_are_asked_of_a_calibration_too(checks: QuickChecks, first: int, second: int, is_good: bool) -> None:
    assert checks.valid(_with(_with(_VALUES, 2, first), 3, second)) is is_good


def test_a_bound_that_every_int32_keeps_is_not_asked_for() -> None:
    text = checks_c(_RULES)
    assert "k->any" not in text
    assert "k->not_lowest >= (-2147483647)" in text
    assert "k->not_lowest <=" not in text
    assert "k->not_highest <= 2147483646" in text
    assert "k->not_highest >=" not in text


def test_an_argument_is_passed_over_only_where_no_key_can_be_wrong() -> None:
    flags = KEYS[3:]
    is_off = Relation("level.eager", "off", lambda k: not_(k.eager))
    assert "(void)k;" in checks_c(small(keys=flags))
    assert "(void)k;" not in checks_c(small(keys=flags, relations=[is_off]))
    assert "(void)k;" not in checks_c(small(keys=KEYS))
    assert "(void)k;" not in checks_c(_RULES)


_AGED = (*SIGNALS[:3], Signal("speed_age_ms", "ms", 0, 60_000, 0, "age"), Signal("d_age_ms", "ms", 0, 500, 0, "age"))


@pytest.mark.parametrize(
    ("signals", "lost"), [(SIGNALS, {"ignition_on": 0}), (_AGED, {"speed_age_ms": 60_000, "d_age_ms": 500})]
)
def test_inputs_are_brought_into_range_and_one_that_was_outside_counts_as_lost(
    tmp_path: Path, signals: tuple[Signal, ...], lost: dict[str, int]
) -> None:
    rules = replace(small(), signals=signals)
    built = QuickChecks(tmp_path, rules)
    usual = [signal.default for signal in signals]
    assert built.limited(usual) == (True, usual)
    for at, signal in enumerate(signals):
        if signal.is_flag:
            assert built.limited(_with(usual, at, 1 - usual[at])) == (True, _with(usual, at, 1 - usual[at]))
            continue
        for value in (signal.low, signal.high):
            assert built.limited(_with(usual, at, value)) == (True, _with(usual, at, value))
        for value, within in ((signal.low - 1, signal.low), (signal.high + 1, signal.high)):
            if _LOWEST <= value <= _HIGHEST:
                after = dict(zip([one.name for one in signals], _with(usual, at, within), strict=True)) | lost
                assert built.limited(_with(usual, at, value)) == (False, list(after.values()))


def test_every_value_goes_in_and_comes_out_of_plain_arrays(tmp_path: Path) -> None:
    assert QuickRules(tmp_path, _RULES).difference(seed=2) == ""


# Images and constants -------------------------------------------------------------------------------------------------

_GOOD, _WRONG_SIZE, _NO_IMAGE, _WRONG_FORMAT, _OTHER_RULES, _CORRUPT, _BAD_VALUES = range(7)
"""As `calibration_image.h` numbers them."""


def _sealed(body: bytes) -> bytes:
    return body + zlib.crc32(body).to_bytes(4, "little")


def _patched(image: bytes, at: int, number: int) -> bytes:
    return _sealed(image[:at] + struct.pack("<i", number) + image[at + 4 : -4])


def test_c_reads_an_image_and_refuses_what_is_none(checks: QuickChecks) -> None:
    image = write_image(_RULES, _VALUES)
    assert checks.image(image) == (_GOOD, list(_VALUES))
    assert checks.image(image[:15]) == (_WRONG_SIZE, [])
    assert checks.image(image[:16]) == (_WRONG_SIZE, [])
    assert checks.image(b"X" + image[1:]) == (_NO_IMAGE, [])
    for at in (4, 5, 6, 7):
        assert checks.image(image[:at] + bytes([image[at] ^ 1]) + image[at + 1 :]) == (_WRONG_FORMAT, [])
    assert checks.image(image[:8] + bytes([image[8] ^ 1]) + image[9:]) == (_OTHER_RULES, [])
    assert checks.image(_patched(image, 12, len(_WIDE) - 1)) == (_WRONG_SIZE, [])
    assert checks.image(image[:-1]) == checks.image(image + b"\0") == (_WRONG_SIZE, [])
    for at in (16, len(image) - 5, len(image) - 1):
        assert checks.image(image[:at] + bytes([image[at] ^ 1]) + image[at + 1 :]) == (_CORRUPT, [])


def test_c_reads_no_value_out_of_range_from_an_image(checks: QuickChecks) -> None:
    image = write_image(_RULES, _VALUES)
    assert checks.image(_patched(image, 16, -550))[1][0] == -550
    assert checks.image(_patched(image, 16, -551)) == (_BAD_VALUES, [])
    assert checks.image(_patched(image, 20, 0))[1][1] == 0
    for no_truth_value in (2, -1, 256):
        assert checks.image(_patched(image, 20, no_truth_value)) == (_BAD_VALUES, [])
    assert checks.image(_patched(image, 28, 31)) == (_BAD_VALUES, [])
    for value in (_LOWEST, _HIGHEST, -1, 0):
        assert checks.image(_patched(image, 32, value))[1][4] == value


@pytest.mark.parametrize("keys", [KEYS[:3], KEYS[3:]], ids=["numbers only", "truth values only"])
def test_keys_of_one_kind_build_and_read_back(tmp_path: Path, keys: tuple[Key, ...]) -> None:
    rules = small(keys=keys)
    built, values = QuickChecks(tmp_path, rules), [key.high for key in keys]
    assert built.image(write_image(rules, values)) == (_GOOD, values)
    assert ("is_flag(" in calibration_image_c(rules)) is any(key.is_flag for key in keys)


def test_a_calibration_is_a_constant_of_its_values() -> None:
    text = calibration_c(_RULES, (-5, 1, 30, 20, _LOWEST, 8, -8), "a title")
    assert re.findall(r"\.(\w+) = (.*),", text) == [
        ("speed_ckmh", "-5"), ("eager", "true"), ("ratio_1", "30"), ("ratio_2", "20"),
        ("any", "-2147483647 - 1"), ("not_lowest", "8"), ("not_highest", "-8"),
    ]  # fmt: skip  # one list
    assert ".eager = false," in calibration_c(_RULES, (0, 0, 0, 0, 0, 0, 0), "a title")
    assert text.startswith("/* a title. ")


@pytest.mark.parametrize("size", [1, 11, 12, 13, 24, 36, 50])
def test_the_bytes_of_an_image_are_written_in_order_and_in_short_lines(size: int) -> None:
    image = bytes((7 * at + 3) % 256 for at in range(size))
    text = image_bytes_c(image)
    assert bytes(int(byte, 16) for byte in re.findall(r"0x(..)u", text)) == image
    assert f"calibration_bytes[{size}] =" in text
    assert max(map(len, text.splitlines())) <= 100
    assert f"#define CALIBRATION_BYTES ({size}u)" in image_bytes_h(image)


def _sizes(rules: RuleSet) -> dict[str, int]:
    return {name: int(size) for name, size in re.findall(r"#define SIZE_(\w+) \((\d+)u?\)", sizes_h(rules))}


def test_sizes_are_those_of_the_rules_and_the_longest_record_is_the_longest_line() -> None:
    sizes = _sizes(_RULES)
    assert sizes == {"KEYS": 7, "INPUTS": 8, "MEMORY": 7, "COMMAND": 6, "LONGEST": 8 + 6, "IMAGE": 16 + 28 + 4}
    assert sizes["IMAGE"] == len(write_image(_RULES, _VALUES))
    many_keys = [Key(f"key_{at}", f"t.key_{at}", 1, 0, 9, 0, "a key") for at in range(20)]
    assert _sizes(small(keys=many_keys))["LONGEST"] == 20
    assert _sizes(small(*(lock(f"lock_{at}", is_a) for at in range(10))))["LONGEST"] == 5 + 20


def test_defaults_are_what_the_vector_runner_starts_from() -> None:
    text = " ".join(sizes_h(_RULES).split())
    assert "rules_default_calibration[] = { 1234, 0, 15, 0, (-7), 0, 0 };" in text
    assert "rules_default_inputs[] = { 0, 1, 1, 0, 0, 0, 0, 0 };" in text


def test_the_readme_gives_the_checksum_that_the_image_carries() -> None:
    image = write_image(_RULES, _VALUES)
    text = readme_text(_RULES, parse_calibration("", "own.toml", _RULES), image)
    assert f"| calibration image | 48 bytes, CRC-32 {int.from_bytes(image[-4:], 'little'):08X} |" in text
    assert f"| layout signature | {layout_signature(_RULES):08X} |" in text
