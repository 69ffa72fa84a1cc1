"""The frames in C and in Python: same frames, same outcomes, values and ages; same commands, same bytes.

The third map is odd on purpose; see its head.
"""

from __future__ import annotations

import ctypes
import random
from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bus.binding import Binding, BoundMessage, load_binding
from bus.device.can_map_c import can_map_c, can_map_h, reduced
from bus.device.firmware import firmware_files
from bus.frame import EXTENDED, Frame
from bus.receive import Outcome, Receiver
from bus.send import Sender
from controller.errors import UserError
from controller.our_rules import OURS
from controller.port.toolchain import build_shared
from controller.ruleset import COMMAND_FIELDS

HERE = Path(__file__).parent
MAPS = ("powertrain", "j1939", str(HERE / "odd.toml"))


class Probe(NamedTuple):
    binding: Binding
    library: Any

    def take(self, frame: Frame, now_ms: int) -> int:
        is_extended = bool(frame.ident & EXTENDED)
        return int(self.library.probe_take(frame.ident & ~EXTENDED, is_extended, frame.data, len(frame.data), now_ms))

    def signals(self) -> tuple[list[int], list[int]]:
        values, good_ms = (ctypes.c_int32 * 64)(), (ctypes.c_int32 * 64)()
        count = self.library.probe_signals(values, good_ms)
        return list(values)[:count], list(good_ms)[:count]

    def command(self, fields: dict[str, int]) -> bytes:
        data = (ctypes.c_uint8 * 8)()
        count = self.library.probe_command((ctypes.c_int32 * 6)(*(fields[name] for name in COMMAND_FIELDS)), data)
        return bytes(data)[:count]


@pytest.fixture(scope="module", params=MAPS, ids=("powertrain", "j1939", "odd"))
def probe(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Probe:
    binding = load_binding(request.param, OURS)
    folder = tmp_path_factory.mktemp("probe")
    for name, text in firmware_files(binding, b"").items():
        (folder / name).write_text(text)
    (folder / "probe.c").write_text((HERE / "probe.c").read_text())
    library = build_shared(folder, ("probe.c", "frames.c", "protection.c", "can_map.c"), "probe.so")
    return Probe(binding, ctypes.CDLL(str(library)))


def _values(binding: Binding, draw: random.Random) -> dict[str, int]:
    return {one.name: draw.choice([one.signal.low, one.signal.high, draw.randint(one.signal.low, one.signal.high)])
            for message in binding.messages for one in message.signals}  # fmt: skip


def _damaged(frame: Frame, message: BoundMessage, draw: random.Random) -> Frame:
    data = bytearray(frame.data)
    how = draw.randrange(5)
    if how == 0:
        data[draw.randrange(len(data))] ^= 1 << draw.randrange(8)
    elif how == 1:
        data = bytearray(draw.randbytes(len(data)))
        if message.protection is not None and draw.random() < 0.8:
            message.protection.write(data, draw.randrange(message.protection.counter_values))
    elif how == 2:
        del data[-1]
    elif how == 3 and message.protection is not None:
        message.protection.write(data, draw.randrange(message.protection.counter_values))
    elif how == 4 and frame.ident & EXTENDED:
        # Another priority, source or data page: where groups count, the first two are the same message.
        return Frame(frame.ident ^ draw.choice([0x0000_0003, 0x0400_0000, 0x0100_0000]), bytes(data))
    elif how == 4:
        return Frame(frame.ident ^ 0x400, bytes(data))
    return Frame(frame.ident, bytes(data))


def test_frames_are_believed_alike(probe: Probe) -> None:
    binding, draw = probe.binding, random.Random(5)
    seen = dict.fromkeys(Outcome, 0)
    for _ in range(8):
        receiver = Receiver(binding, "vehicle")
        sender = Sender(binding.sent_by("vehicle"), binding.unused_bits)
        probe.library.probe_start()
        now_ms = draw.randrange(3) * 1000
        last: dict[str, Frame] = {}
        for _ in range(1_200):
            now_ms += draw.choice([0, 0, 1, 10, 10, 10, 20, 60, draw.choice([0, 0, 0, 400])])
            message = draw.choice(binding.sent_by("vehicle"))
            for _ in range(draw.choice([1, 1, 1, 1, 2, 3, 9])):  # frames that never arrive
                frame = sender.frame(message.name, _values(binding, draw))
                assert frame is not None
            if draw.random() < 0.3:
                frame = _damaged(frame, message, draw)
            elif draw.random() < 0.1:
                frame = last.get(message.name, frame)
            last[message.name] = frame
            outcome = receiver.take(frame, now_ms)
            seen[outcome] += 1
            assert probe.take(frame, now_ms) == outcome
            values, good_ms = probe.signals()
            assert values == receiver.values
            assert good_ms == receiver.good_ms
    assert all(count > 10 for count in seen.values()), seen


def test_commands_are_written_alike(probe: Probe) -> None:
    binding, draw = probe.binding, random.Random(7)
    sender = Sender(binding.sent_by("controller"), binding.unused_bits)
    probe.library.probe_start()
    limits = {"duty_ppm": 1_000_000, "state": 3, "reason": 22, "refusal": 22, "warnings": 63, "band": 2}
    for _ in range(500):
        fields = {name: draw.choice([0, limits[name], draw.randint(0, limits[name])]) for name in COMMAND_FIELDS}
        frame = sender.frame(binding.command_message.name, fields)
        assert frame is not None
        assert probe.command(fields) == frame.data


def test_every_value_of_our_signals_is_decoded_alike(probe: Probe) -> None:
    """Whole sweeps of the raw counts around both ends, and a net over the rest."""
    binding = probe.binding
    for message in binding.sent_by("vehicle"):
        for one in message.signals:
            top = one.place.mask
            raws = {
                raw & top for end in (0, top, one.raw_low, one.raw_high, top >> 1) for raw in range(end - 9, end + 9)
            }
            for raw in sorted(raws | set(range(0, top, max(1, top // 60)))):
                word = raw << one.place.shift
                data = bytearray(word.to_bytes(message.length, "big" if one.place.is_big_endian else "little"))
                if message.protection is not None:
                    message.protection.write(data, 0)
                receiver = Receiver(binding, "vehicle")
                probe.library.probe_start()
                frame = Frame(message.ident, bytes(data))
                assert receiver.take(frame, 0) == probe.take(frame, 0)
                assert (receiver.values, receiver.good_ms) == probe.signals()


@given(st.integers(-(10**7), 10**7), st.integers(-(10**6), 10**6), st.integers(1, 10**6), st.integers(-(10**6), 10**6))
def test_reduced_lines_say_the_same(slope: int, offset: int, divisor: int, count: int) -> None:
    small = reduced((slope, offset, divisor))
    assert (count * slope + offset) // divisor == (count * small[0] + small[1]) // small[2]


def _edited(tmp_path: Path, edit: Callable[[str], str]) -> Binding:
    (tmp_path / "odd.dbc").write_text((HERE / "odd.dbc").read_text())
    (tmp_path / "odd.toml").write_text(edit((HERE / "odd.toml").read_text()))
    return load_binding(str(tmp_path / "odd.toml"), OURS)


def test_a_map_without_bench_time_has_no_place_for_it(tmp_path: Path) -> None:
    def without(text: str) -> str:
        head, _, rest = text.partition("[message.Clock]")
        return head + rest[rest.index("[message.Command]") :]

    binding = _edited(tmp_path, without)
    assert "#define CAN_MAP_TIME (0xFFFFFFFFu)" in can_map_h(binding)


def test_two_messages_of_one_group_are_one_clear_line(tmp_path: Path) -> None:
    binding = _edited(tmp_path, lambda text: text)
    first, second = binding.messages[:2]
    clash = replace(binding, messages=(first, replace(second, ident=first.ident ^ 3), *binding.messages[2:]))
    with pytest.raises(UserError, match=r"message\.Wide: has the parameter group of Odd"):
        can_map_c(clash)


def test_a_scale_that_needs_more_than_64_bits_is_one_clear_line(tmp_path: Path) -> None:
    binding = _edited(tmp_path, lambda text: text)
    odd = binding.messages[0]
    fine = replace(odd.signals[0], scaling=replace(odd.signals[0].scaling, scale=Fraction(1, 10**17 + 3)))
    changed = replace(binding, messages=(replace(odd, signals=(fine, *odd.signals[1:])), *binding.messages[1:]))
    with pytest.raises(UserError, match=r"road_speed_ckmh: its scale is too fine"):
        can_map_c(changed)
