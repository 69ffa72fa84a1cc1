"""From frames to our signals: only a good frame changes a value or renews an age."""

from __future__ import annotations

from collections.abc import Callable
from enum import IntEnum

from bus.binding import Binding, BoundMessage, BoundSignal, Role
from bus.counter import CounterWatch, Verdict, Watch
from bus.frame import Frame
from bus.known import age_name
from bus.protection import BAD_CHECKSUM
from controller.declare import AGE_INVALID_MS


class Outcome(IntEnum):
    """What became of a frame. The first five are the counter policy's verdicts."""

    BELIEVED = 0
    BELIEVED_SOME_LOST = 1
    REPEATED = 2
    WRONG_COUNTER = 3
    NOT_YET = 4
    BAD_CHECKSUM = 5
    WRONG_LENGTH = 6
    UNKNOWN = 7

    @property
    def word(self) -> str:
        """The outcome in tables."""
        return self.name.lower().replace("_", " ")


class _Watched:
    """One message as it is received."""

    def __init__(self, message: BoundMessage, first_slot: int) -> None:
        self.message = message
        self.length = message.length
        self.timeout_ms, self.period_ms = message.timeout_ms, message.period_ms
        self.read = None if message.protection is None else message.protection.read
        self.watch = CounterWatch(1 if message.protection is None else message.protection.counter_values)
        self.believed_ms = 0
        self.counts = [0] * len(Outcome)
        self.lost_frames = 0
        self.has_big = any(one.place.is_big_endian for one in message.signals)
        self.fields = [(first_slot + at, *_field(one)) for at, one in enumerate(message.signals)]


class Receiver:
    """Takes the frames that `sender` sends and holds the last good value of each signal with its time."""

    def __init__(self, binding: Binding, sender: Role) -> None:
        self._key = binding.key
        self._exact = not binding.matches_pgn
        self._watched: dict[int, _Watched] = {}
        signals: list[BoundSignal] = []
        for message in binding.sent_by(sender):
            self._watched[binding.key(message.ident)] = _Watched(message, len(signals))
            signals += message.signals
        self.signals = tuple(signals)
        self.values = [one.signal.default for one in signals]
        self.good_ms = [-1] * len(signals)
        """When each signal was last read well, -1 never."""
        self.unknown = 0
        self._slots = {one.name: at for at, one in enumerate(signals)}

    def take(self, frame: Frame, now_ms: int) -> Outcome:
        """Read one frame that arrived at `now_ms`.

        A believed frame renews those of its signals whose raw count is in range; anything else changes nothing
        but the counts.
        """
        ident, data = frame
        watched = self._watched.get(ident if self._exact else self._key(ident))
        if watched is None:
            self.unknown += 1
            return Outcome.UNKNOWN
        if len(data) != watched.length:
            watched.counts[Outcome.WRONG_LENGTH] += 1
            return Outcome.WRONG_LENGTH
        outcome = Outcome.BELIEVED
        if watched.read is not None:
            counter = watched.read(data)
            if counter == BAD_CHECKSUM:
                watched.counts[Outcome.BAD_CHECKSUM] += 1
                return Outcome.BAD_CHECKSUM
            watch = watched.watch
            if watch.watch is Watch.FOLLOWING and now_ms - watched.believed_ms > watched.timeout_ms:
                watch.lose()
            before = watch.baseline
            verdict = watch.judge(counter, (now_ms - watched.believed_ms) // watched.period_ms)
            outcome = Outcome(verdict)
            if verdict is Verdict.BELIEVED_SOME_LOST:
                assert watched.message.protection is not None
                watched.lost_frames += (counter - before) % watched.message.protection.counter_values - 1
            if not verdict.is_believed:
                watched.counts[outcome] += 1
                return outcome
        watched.counts[outcome] += 1
        watched.believed_ms = now_ms
        little = int.from_bytes(data, "little")
        big = int.from_bytes(data, "big") if watched.has_big else 0
        values, good_ms = self.values, self.good_ms
        for slot, shift, is_big, mask, decode in watched.fields:
            value = decode((big if is_big else little) >> shift & mask)
            if value is not None:
                values[slot] = value
                good_ms[slot] = now_ms
        return outcome

    def age_ms(self, slot: int, now_ms: int) -> int:
        """Return a signal's age, `AGE_INVALID_MS` where it was never read or its timeout has passed."""
        good_ms = self.good_ms[slot]
        age_ms = now_ms - good_ms
        return AGE_INVALID_MS if good_ms < 0 or age_ms > self.signals[slot].timeout_ms else age_ms

    def value(self, name: str) -> int:
        """Return a signal's last good value by our name."""
        return self.values[self._slots[name]]

    def slot(self, name: str) -> int | None:
        """Return a signal's place in `values`, None where the map does not bind it."""
        return self._slots.get(name)

    def counts(self) -> dict[str, dict[Outcome, int]]:
        """Return what became of the frames of each message."""
        return {
            one.message.name: {outcome: one.counts[outcome] for outcome in Outcome if one.counts[outcome]}
            for one in self._watched.values()
        }

    @property
    def lost_frames(self) -> int:
        """Frames that never arrived, by the gaps in the counters."""
        return sum(one.lost_frames for one in self._watched.values())

    @property
    def refused_frames(self) -> int:
        """Frames of our messages that were not believed."""
        return sum(sum(one.counts[Outcome.REPEATED :]) for one in self._watched.values())


class RuleInputs:
    """The rules' inputs as a receiver has them."""

    def __init__(self, binding: Binding, receiver: Receiver) -> None:
        self._receiver = receiver
        self._fixed: dict[str, int] = {}
        self._read: list[tuple[str, int]] = []
        self._flags: list[tuple[str, int]] = []
        ages: dict[str, list[int]] = {}
        for signal in binding.rules.signals:
            slot = receiver.slot(signal.name)
            if slot is None:
                fixed = binding.constants.get(signal.name, signal.default)
                self._fixed[signal.name] = bool(fixed) if signal.is_flag else fixed
                continue
            (self._flags if signal.is_flag else self._read).append((signal.name, slot))
            age = age_name(signal.name)
            if age is not None:
                ages.setdefault(age, []).append(slot)
        self._ages = [(name, tuple((slot, receiver.signals[slot].timeout_ms) for slot in slots))
                      for name, slots in ages.items()]  # fmt: skip

    def at(self, now_ms: int) -> dict[str, int]:
        """Return the inputs by name. What ages together is as old as its oldest part."""
        inputs = dict(self._fixed)
        inputs["now_ms"] = now_ms
        values, good_ms = self._receiver.values, self._receiver.good_ms
        for name, slot in self._read:
            inputs[name] = values[slot]
        for name, slot in self._flags:
            inputs[name] = values[slot] != 0
        for name, slots in self._ages:
            oldest_ms = 0
            for slot, timeout_ms in slots:
                good = good_ms[slot]
                age_ms = now_ms - good
                if good < 0 or age_ms > timeout_ms:
                    age_ms = AGE_INVALID_MS
                if age_ms > oldest_ms:
                    oldest_ms = age_ms
            inputs[name] = oldest_ms
        return inputs


def _field(one: BoundSignal) -> tuple[int, bool, int, Callable[[int], int | None]]:
    return one.place.shift, one.place.is_big_endian, one.place.mask, decoder(one)


def decoder(one: BoundSignal) -> Callable[[int], int | None]:
    """Return the function from the field's bits to our count, None where they carry no value of ours."""
    if one.codes is not None:
        words = {raw & one.place.mask: ours for ours, raw in one.codes}
        return words.get
    slope, offset, divisor = one.scaling.to_ours
    low, high = one.raw_low, one.raw_high
    wrap = 1 << one.place.bits if one.place.is_signed else 0
    half = wrap >> 1

    def decode(field: int) -> int | None:
        raw = field - wrap if wrap and field >= half else field
        return (raw * slope + offset) // divisor if low <= raw <= high else None

    return decode
