"""Checksums, protection profiles and J1939 frames against published values and independent libraries."""

from __future__ import annotations

import pytest

can = pytest.importorskip("can")
cantools = pytest.importorskip("cantools")
p01 = pytest.importorskip("e2e.p01")
from crccheck.crc import Crc8Autosar, Crc8SaeJ1850, Crc16CcittFalse  # noqa: E402 - after the skips
from e2e import p02, p05  # noqa: E402
from hypothesis import given  # noqa: E402
from hypothesis import strategies as st  # noqa: E402

from bus.binding import load_binding  # noqa: E402
from bus.crc import crc8_1d, crc8_2f, crc16_1021  # noqa: E402
from bus.protection import BAD_CHECKSUM, Profile1, Profile2, Profile5  # noqa: E402
from bus.receive import Receiver, RuleInputs  # noqa: E402
from bus.send import Sender  # noqa: E402
from controller.our_rules import OURS  # noqa: E402

CHECK = b"123456789"
MODES = {
    "both": p01.E2E_P01_DATAID_BOTH,
    "alternating": p01.E2E_P01_DATAID_ALT,
    "low": p01.E2E_P01_DATAID_LOW,
    "nibble": p01.E2E_P01_DATAID_NIBBLE,
}
DATA = st.binary(min_size=8, max_size=8)
WORD = st.integers(0, 0xFFFF)


def test_check_values() -> None:
    """The check values of the CRC catalogue for the text 123456789, as in AUTOSAR's CRC library specification."""
    assert crc8_1d(CHECK) ^ 0xFF == 0x4B
    assert crc8_2f(CHECK) ^ 0xFF == 0xDF
    assert crc16_1021(CHECK) == 0x29B1


@given(st.binary(max_size=64))
def test_checksums_agree_with_crccheck(data: bytes) -> None:
    """crccheck 1.3 as an independent implementation."""
    assert crc8_1d(data) ^ 0xFF == Crc8SaeJ1850.calc(data)
    assert crc8_2f(data) ^ 0xFF == Crc8Autosar.calc(data)
    assert crc16_1021(data) == Crc16CcittFalse.calc(data)


@pytest.mark.parametrize(
    ("protection", "first", "second"),
    [
        (Profile1(0x123, "both"), "CC00", "9101"),
        (Profile1(0x123, "alternating"), "CE00", "0201"),
        (Profile1(0x123, "low"), "CE00", "9301"),
        (Profile1(0x123, "nibble"), "2A10", "7711"),
        (Profile2(tuple(range(1, 17))), "0E00", "1B01"),
        (Profile5(0x1234), "1CCA00", "CF8D01"),
    ],
)
def test_eight_zero_bytes(protection: Profile1 | Profile2 | Profile5, first: str, second: str) -> None:
    """Eight zero bytes, counter 0 then 1; also in the tests of the autosar-e2e library's repository (1.0)."""
    for counter, expected in ((0, first), (1, second)):
        data = bytearray(8)
        protection.write(data, counter)
        assert data.hex().upper().startswith(expected)
        assert not any(data[len(expected) // 2 :])
        assert protection.read(bytes(data)) == counter


def test_profile_2_third_frame_and_profile_5_at_an_offset() -> None:
    """The third frame of the same sequence, and the 16-byte vector at offset 8 of autosar-e2e's tests."""
    data = bytearray(8)
    Profile2(tuple(range(1, 17))).write(data, 2)
    assert data[:2].hex().upper() == "9802"
    data = bytearray(16)
    Profile5(0x1234, 8).write(data, 0)
    assert data[8:10].hex().upper() == "2891"


@given(DATA, WORD, st.sampled_from(sorted(MODES)), st.integers(0, 14), st.integers(0, 6))
def test_profile_1_agrees_with_autosar_e2e(data: bytes, data_id: int, mode: str, counter: int, offset: int) -> None:
    """autosar-e2e 1.0 as an independent implementation."""
    data_id &= 0xFFF if mode == "nibble" else 0xFFFF
    ours, theirs = bytearray(data), bytearray(data)
    protection = Profile1(data_id, mode, offset)  # type: ignore[arg-type]  # one of the modes
    protection.write(ours, counter)
    theirs[offset + 1] = theirs[offset + 1] & 0xF0 | (counter - 1) % 15
    p01.e2e_p01_protect(theirs, data_id, data_id_mode=MODES[mode], length=8, offset=offset)
    assert ours == theirs
    valid = p01.e2e_p01_check(bytearray(data), data_id, data_id_mode=MODES[mode], length=8, offset=offset)
    is_counter = data[offset + 1] & 0x0F < 15
    is_ours = mode != "nibble" or data[offset + 1] >> 4 == data_id >> 8
    assert (protection.read(data) != BAD_CHECKSUM) == (valid and is_counter and is_ours)


@given(DATA, st.binary(min_size=16, max_size=16), st.integers(0, 15))
def test_profile_2_agrees_with_autosar_e2e(data: bytes, ids: bytes, counter: int) -> None:
    """autosar-e2e 1.0 as an independent implementation."""
    ours, theirs = bytearray(data), bytearray(data)
    Profile2(tuple(ids)).write(ours, counter)
    theirs[1] = theirs[1] & 0xF0 | (counter - 1) % 16
    p02.e2e_p02_protect(theirs, ids)
    assert ours == theirs
    assert (Profile2(tuple(ids)).read(data) != BAD_CHECKSUM) == p02.e2e_p02_check(bytearray(data), ids)


@given(DATA, WORD, st.integers(0, 255), st.integers(0, 5))
def test_profile_5_agrees_with_autosar_e2e(data: bytes, data_id: int, counter: int, offset: int) -> None:
    """autosar-e2e 1.0 as an independent implementation."""
    ours, theirs = bytearray(data), bytearray(data)
    Profile5(data_id, offset).write(ours, counter)
    theirs[offset + 2] = (counter - 1) % 256
    p05.e2e_p05_protect(theirs, data_id, length=8, offset=offset)
    assert ours == theirs
    valid = p05.e2e_p05_check(bytearray(data), data_id, length=8, offset=offset)
    assert (Profile5(data_id, offset).read(data) != BAD_CHECKSUM) == valid


# SAE J1939-71, positions and scales as public tables of parameter groups print them; frames made with cantools ------

J1939 = "dbc_examples/j1939.dbc"
VECTORS = [
    ("ETC1", {"DrivelineEngaged": 1, "LockupEngaged": 1, "ShiftInProcess": 0, "OutputShaftSpeed": 1500,
              "ClutchSlip": 2, "InputShaftSpeed": 1800}, "C5E02E05FF4038FF"),
    ("TRF1", {"OilTemperature": 90}, "FFFFFFFF602DFFFF"),
    ("ETC2", {"SelectedGear": 4, "ActualGearRatio": 0.75, "CurrentGear": 4}, "81EE0281FFFFFFFF"),
    ("CCVS", {"RoadSpeed": 100, "BrakeSwitch": 1}, "FF0064DFFFFFFFFF"),
    ("EEC1", {"EngineSpeed": 836, "EngineTorque": 50}, "FFFFAF201AFFFFFF"),
]  # fmt: skip


@pytest.mark.parametrize(("name", "values", "expected"), VECTORS)
def test_j1939_example_encodes_to_the_vectors(name: str, values: dict[str, float], expected: str) -> None:
    """cantools as the encoder; ones where nothing is sent, as the standard has it for "not available"."""
    message = cantools.database.load_file(J1939).get_message_by_name(name)
    blank = cantools.database.load_file(J1939)
    assert blank.get_message_by_name(name).length == 8
    data = bytearray(b"\xff" * 8)
    encoded = message.encode(values)
    used = message.encode(dict.fromkeys(values, 0), scaling=False)
    assert len(used) == 8
    for signal in message.signals:
        for bit in range(signal.start, signal.start + signal.length):
            data[bit // 8] &= ~(1 << bit % 8) & 0xFF
            data[bit // 8] |= encoded[bit // 8] & (1 << bit % 8)
    assert data.hex().upper() == expected


def test_j1939_identifiers() -> None:
    """ETC1 from a transmission is 0CF00203 hex with its usual priority and source address."""
    assert cantools.database.load_file(J1939).get_message_by_name("ETC1").frame_id == 0x0CF00203


def test_our_own_codec_gives_the_same_j1939_frames() -> None:
    """The map's signals through the bench's own writer; signals that it does not bind stay "not available"."""
    binding = load_binding("j1939", OURS)
    sender = Sender(binding.sent_by("vehicle"), binding.unused_bits)
    values = {"turbine_rpm": 1800, "shift_on": 0, "gear": 4, "engine_rpm": 836, "throttle_permille": 400,
              "road_speed_ckmh": 10_000, "brake_on": 1, "oil_temp_dc": 900, "coolant_temp_dc": 900}  # fmt: skip
    expected = {
        "ETC1": "CFFFFFFFFF4038FF", "ETC2": "FFFFFF81FFFFFFFF", "EEC1": "FFFFFF201AFFFFFF", "EEC2": "FF64FFFFFFFFFFFF",
        "CCVS": "FF0064DFFFFFFFFF", "TRF1": "FFFFFFFF602DFFFF", "ET1": "82FFFFFFFFFFFFFF",
    }  # fmt: skip
    receiver = Receiver(binding, "vehicle")
    for name, text in expected.items():
        frame = sender.frame(name, values)
        assert frame is not None
        assert frame.data.hex().upper() == text
        receiver.take(frame, 0)
    inputs = RuleInputs(binding, receiver).at(0)
    assert {name: inputs[name] for name in values if name in inputs} == {
        name: value for name, value in values.items() if name in inputs
    }


@pytest.mark.parametrize("top", [0xFB00, 0xFE00, 0xFF00, 0xFFFF])
def test_j1939_error_and_not_available_are_no_speed(top: int) -> None:
    """The largest valid raw count of two bytes is FAFF hex (8031.875 rpm); FE is an error, FF not available."""
    binding = load_binding("j1939", OURS)
    receiver = Receiver(binding, "vehicle")
    message = binding.message("EEC1")
    slot = receiver.slot("engine_rpm")
    assert slot is not None
    from bus.frame import Frame

    receiver.take(Frame(message.ident, bytes([255] * 3) + (0xFAFF).to_bytes(2, "little") + bytes([255] * 3)), 10)
    assert receiver.values[slot] == 8032
    receiver.take(Frame(message.ident, bytes([255] * 3) + top.to_bytes(2, "little") + bytes([255] * 3)), 20)
    assert (receiver.values[slot], receiver.good_ms[slot]) == (8032, 10)
