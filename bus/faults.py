"""What can go wrong on a bus, as data, and the post that makes it go wrong."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum

from bus.binding import Binding, BoundMessage
from bus.frame import EXTENDED, MOST_BYTES, Frame
from bus.line import Line
from bus.nodes import StraightPost
from bus.send import MessageWriter, Sender

FLOOD_FRAMES = 20
"""Frames of the flooding sender in each tick: on a bus of 500 kbit/s about half of all that fits."""


class Kind(Enum):
    """Every fault that the bench can make, with its meaning."""

    DROP = "the message does not come"
    FREEZE = "the same frame again and again, counter and all"
    CORRUPT = "bits of the data are turned over after protection"
    DELAY = "every frame comes late, by less than the timeout"
    LATE = "every frame comes late, by more than the timeout"
    REPEAT = "every frame comes twice"
    OUT_OF_RANGE = "a well-protected frame whose values are out of range"
    WRONG_COUNTER = "a well-protected frame whose counter stands still"
    WRONG_LENGTH = "the last byte is missing"
    STUCK_BRAKE = "the brake signal is stuck on"
    BUS_OFF = "nothing passes, in either direction"
    FLOOD = "another sender fills the bus, forging the message too where that can be told"

    @property
    def word(self) -> str:
        """The fault in tables and options."""
        return self.name.lower().replace("_", "-")


@dataclass(frozen=True)
class Fault:
    """A fault on one message (all of them for bus-off) while `from_ms` <= time < `until_ms`."""

    kind: Kind
    message: str
    from_ms: int
    until_ms: int
    delay_ms: int = 0

    def is_on(self, now_ms: int) -> bool:
        """Tell whether the fault acts at this time."""
        return self.from_ms <= now_ms < self.until_ms


def is_possible(kind: Kind, message: BoundMessage) -> bool:
    """Tell whether a fault can be made on a message: some need a counter, a spare code or the brake in it."""
    if kind is Kind.WRONG_COUNTER:
        return message.protection is not None
    if kind is Kind.OUT_OF_RANGE:
        return any(one.invalid_raw is not None for one in message.signals)
    if kind is Kind.STUCK_BRAKE:
        return any(one.name == "brake_on" for one in message.signals)
    return True


def is_detectable(kind: Kind, message: BoundMessage) -> bool:
    """Tell whether a receiver can tell the fault at all: without protection a wrong value looks like a right one."""
    needs_protection = (Kind.FREEZE, Kind.CORRUPT)
    return message.protection is not None or kind not in needs_protection


class FaultyPost(StraightPost):
    """Between the vehicle and its line. `fault` may be replaced between runs; None lets everything pass.

    `noise` is the line of the flooding sender, another node; without one a flood is left out.
    """

    def __init__(self, binding: Binding, line: Line, noise: Line | None = None) -> None:
        super().__init__(line)
        self._line, self._noise = line, noise
        self._by_ident = {message.ident: message for message in binding.input_messages}
        self._unused_bits = binding.unused_bits
        self._shadow = Sender(binding.input_messages, binding.unused_bits)
        self._held: list[tuple[int, Frame]] = []
        self._frozen: Frame | None = None
        self.fault: Fault | None = None
        self.send = self._send_through

    def start(self, fault: Fault | None) -> None:
        """Make this fault from now on; whatever an earlier one held back is gone."""
        self.fault = fault
        self._held.clear()
        self._frozen = None

    def _send_through(self, frame: Frame, now_ms: int) -> None:
        fault = self.fault
        if fault is None:
            self._line.send(frame, now_ms)
            return
        message = self._by_ident[frame.ident]
        concerns = fault.kind is Kind.BUS_OFF or message.name == fault.message
        if concerns and fault.is_on(now_ms):
            _ACTIONS[fault.kind](self, message, frame, now_ms)
            return
        if concerns:
            self._frozen = frame
            if self._held:
                # What waits in a queue is not overtaken by what comes after it.
                self._held.append((now_ms, frame))
                return
        self._line.send(frame, now_ms)

    def end_tick(self, now_ms: int) -> None:
        """Send what is due of the frames held back, and the flood."""
        while self._held and self._held[0][0] <= now_ms:
            self._line.send(self._held.pop(0)[1], now_ms)
        fault = self.fault
        if fault is not None and fault.kind is Kind.FLOOD and fault.is_on(now_ms) and self._noise is not None:
            self._flood(self._noise, now_ms)

    def _flood(self, noise: Line, now_ms: int) -> None:
        foreign = sorted(noise.may_send - self._by_ident.keys())
        for number in range(FLOOD_FRAMES):
            if number % 4 == 0 and self._frozen is not None and self._by_ident[self._frozen.ident].protection:
                # Forged: the last frame once more, every other time with bits turned over.
                is_changed = number % 8 == 0
                noise.send(_turned(self._frozen, now_ms + number) if is_changed else self._frozen, now_ms)
            else:
                data = bytes((number * 37 + now_ms // 10 + at * 11) & 0xFF for at in range(MOST_BYTES))
                noise.send(Frame(foreign[number % len(foreign)], data), now_ms)

    def passes_back(self, now_ms: int) -> bool:
        """Tell whether the controller's frames reach the vehicle."""
        return self.fault is None or self.fault.kind is not Kind.BUS_OFF or not self.fault.is_on(now_ms)

    # What each fault does with a frame of its message ---------------------------------------------------------

    def _pass(self, _message: BoundMessage, frame: Frame, now_ms: int) -> None:
        self._frozen = frame
        self._line.send(frame, now_ms)

    def _drop(self, _message: BoundMessage, _frame: Frame, _now_ms: int) -> None:
        return

    def _freeze(self, _message: BoundMessage, frame: Frame, now_ms: int) -> None:
        if self._frozen is None:
            self._frozen = frame
        self._line.send(self._frozen, now_ms)

    def _corrupt(self, _message: BoundMessage, frame: Frame, now_ms: int) -> None:
        self._line.send(_turned(frame, now_ms), now_ms)

    def _delay(self, _message: BoundMessage, frame: Frame, now_ms: int) -> None:
        assert self.fault is not None  # only an acting fault comes here
        self._held.append((now_ms + self.fault.delay_ms, frame))

    def _repeat(self, _message: BoundMessage, frame: Frame, now_ms: int) -> None:
        self._line.send(frame, now_ms)
        self._line.send(frame, now_ms)

    def _out_of_range(self, message: BoundMessage, frame: Frame, now_ms: int) -> None:
        self._rewritten(message, frame, now_ms, invalid=True)

    def _wrong_counter(self, message: BoundMessage, frame: Frame, now_ms: int) -> None:
        assert message.protection is not None  # `is_possible` has seen to it
        if self._frozen is None:
            self._frozen = frame
        data = bytearray(frame.data)
        message.protection.write(data, message.protection.read(self._frozen.data))
        self._line.send(Frame(frame.ident, bytes(data)), now_ms)

    def _wrong_length(self, _message: BoundMessage, frame: Frame, now_ms: int) -> None:
        self._line.send(Frame(frame.ident, frame.data[:-1]), now_ms)

    def _stuck_brake(self, message: BoundMessage, frame: Frame, now_ms: int) -> None:
        self._rewritten(message, frame, now_ms, invalid=False)

    def _rewritten(self, message: BoundMessage, frame: Frame, now_ms: int, *, invalid: bool) -> None:
        little, big = int.from_bytes(frame.data, "little"), 0
        for one in message.signals:
            raw = one.invalid_raw if invalid else 1 if one.name == "brake_on" else None
            if raw is None:
                continue
            field, mask = (raw & one.place.mask) << one.place.shift, one.place.mask << one.place.shift
            if one.place.is_big_endian:
                mask, field = (int.from_bytes(n.to_bytes(message.length, "big"), "little") for n in (mask, field))
            little = little & ~mask | field
        writer: MessageWriter = self._shadow.writer(message.name)
        if message.protection is not None:
            writer.counter = message.protection.read(frame.data)
        self._line.send(writer.protected(little, big), now_ms)


def _turned(frame: Frame, seed: int) -> Frame:
    # One to three bits at places that move with time: within the Hamming distance of every profile's checksum.
    data = bytearray(frame.data)
    for turn in range(1 + seed // 10 % 3):
        bit = (seed // 10 * 7 + turn * 19) % (8 * len(data))
        data[bit // 8] ^= 1 << bit % 8
    return Frame(frame.ident, bytes(data))


_Action = Callable[[FaultyPost, BoundMessage, Frame, int], None]
_ACTIONS: dict[Kind, _Action] = {
    Kind.DROP: FaultyPost._drop,
    Kind.FREEZE: FaultyPost._freeze,
    Kind.CORRUPT: FaultyPost._corrupt,
    Kind.DELAY: FaultyPost._delay,
    Kind.LATE: FaultyPost._delay,
    Kind.REPEAT: FaultyPost._repeat,
    Kind.OUT_OF_RANGE: FaultyPost._out_of_range,
    Kind.WRONG_COUNTER: FaultyPost._wrong_counter,
    Kind.WRONG_LENGTH: FaultyPost._wrong_length,
    Kind.STUCK_BRAKE: FaultyPost._stuck_brake,
    Kind.BUS_OFF: FaultyPost._drop,
    Kind.FLOOD: FaultyPost._pass,
}


def foreign_idents(binding: Binding) -> frozenset[int]:
    """Return identifiers for the flooding sender: the vehicle's own to forge, and others that the map lacks."""
    taken = {message.ident for message in binding.messages}
    is_extended = any(ident & EXTENDED for ident in taken)
    base = EXTENDED | 0x0CF00000 if is_extended else 0x010
    others = [base + number for number in range(64) if base + number not in taken][:8]
    return frozenset({message.ident for message in binding.input_messages}.union(others))
