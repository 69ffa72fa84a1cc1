"""Random frames on the receive path: no exception, and nothing moves but by a frame that a second check passes."""

from __future__ import annotations

import random
from collections.abc import Callable

import pytest
from e2e import p01, p02, p05

from bus.binding import Binding, BoundMessage, load_binding
from bus.frame import EXTENDED, Frame
from bus.protection import Profile1, Profile2
from bus.receive import Outcome, Receiver, RuleInputs
from controller.our_rules import OURS

QUICK, LONG = 100_000, 10_000_000
MODES = {
    "both": p01.E2E_P01_DATAID_BOTH,
    "alternating": p01.E2E_P01_DATAID_ALT,
    "low": p01.E2E_P01_DATAID_LOW,
    "nibble": p01.E2E_P01_DATAID_NIBBLE,
}


def independent_check(message: BoundMessage) -> Callable[[bytes], bool]:
    protection = message.protection
    if protection is None:
        return lambda data: len(data) == message.length
    if isinstance(protection, Profile1):
        data_id, mode = protection.data_id, MODES[protection.id_mode]
        return lambda data: len(data) == 8 and p01.e2e_p01_check(bytearray(data), data_id, data_id_mode=mode)
    if isinstance(protection, Profile2):
        ids = bytes(protection.data_ids)
        return lambda data: len(data) == 8 and p02.e2e_p02_check(bytearray(data), ids)
    data_id = protection.data_id  # type: ignore[attr-defined]  # profile 5 is what is left
    return lambda data: len(data) == 8 and p05.e2e_p05_check(bytearray(data), data_id)


def flood(binding: Binding, frames: int, seed: int) -> Receiver:
    receiver = Receiver(binding, "vehicle")
    checks = {message.ident: independent_check(message) for message in binding.sent_by("vehicle")}
    idents = [*checks, 0x7FF, EXTENDED | 0x1FFFFFFF, EXTENDED, 0]
    chance = random.Random(seed)
    draw, choose, bytes_of = chance.random, len(idents), chance.randbytes
    values, good_ms = list(receiver.values), list(receiver.good_ms)
    believed = 0
    for number in range(frames):
        ident = idents[int(draw() * choose)]
        data = bytes_of(8 if draw() < 0.9 else int(draw() * 8))
        outcome = receiver.take(Frame(ident, data), number // 10)
        if outcome <= Outcome.BELIEVED_SOME_LOST:
            believed += 1
            assert ident in checks
            assert checks[ident](data)
            values, good_ms = list(receiver.values), list(receiver.good_ms)
        elif receiver.values != values or receiver.good_ms != good_ms:
            pytest.fail(f"frame {number}, {ident:X}#{data.hex()}, was {outcome.word} and yet changed something")
    for at, signal in enumerate(receiver.signals):
        assert signal.signal.low <= receiver.values[at] <= signal.signal.high
    RuleInputs(binding, receiver).at(frames)
    print(f"{binding.title}: {frames} frames, {believed} believed, {receiver.refused_frames} refused")
    return receiver


@pytest.mark.parametrize("map_name", ["powertrain", "j1939"])
def test_random_frames(map_name: str) -> None:
    flood(load_binding(map_name, OURS), QUICK, 1)


@pytest.mark.long
@pytest.mark.parametrize("map_name", ["powertrain", "j1939"])
def test_ten_million_random_frames(map_name: str) -> None:
    flood(load_binding(map_name, OURS), LONG // 2, 2)


def test_a_frame_without_protection_moves_nothing_on_a_protected_message() -> None:
    binding = load_binding("powertrain", OURS)
    receiver = Receiver(binding, "vehicle")
    before = list(receiver.values), list(receiver.good_ms)
    for message in binding.input_messages:
        for byte in (0x01, 0x55, 0xAA, 0xFF):
            outcome = receiver.take(Frame(message.ident, bytes([byte] * message.length)), 10)
            assert outcome is Outcome.BAD_CHECKSUM
    assert (receiver.values, receiver.good_ms) == before
