"""What a log holds for a map: frames, refusals, periods and the range of each signal."""

from __future__ import annotations

from collections import Counter
from typing import NamedTuple

from bus.binding import Binding, Role
from bus.candump import read_log
from bus.receive import Outcome, Receiver

_ROLES: tuple[Role, ...] = ("vehicle", "controller")


class MessageSurvey(NamedTuple):
    """One message's frames. `period_ms` is the mean, None for fewer than two frames."""

    message: str
    sender: Role
    frames: int
    good: int
    refused: str
    period_ms: float | None

    @property
    def period_text(self) -> str:
        """The mean period in tables."""
        return "–" if self.period_ms is None else f"{self.period_ms:.1f}"


class SignalSurvey(NamedTuple):
    """One signal's good readings, in our counts."""

    name: str
    unit: str
    readings: int
    lowest: str
    highest: str


class Survey(NamedTuple):
    """A whole log."""

    seconds: float
    messages: tuple[MessageSurvey, ...]
    signals: tuple[SignalSurvey, ...]
    unknown: dict[int, int]
    """Frames by identifier that the map does not have."""

    cut_row: int | None
    """The number of a last line that is cut and left out, None where the log ends well."""


def survey(binding: Binding, path: str) -> Survey:
    """Read a log through a map. Raises `UserError` with file and row where the log is malformed."""
    names = {binding.key(one.ident): one for one in binding.messages}
    receivers = {role: Receiver(binding, role) for role in _ROLES}
    first_us: dict[str, int] = {}
    last_us: dict[str, int] = {}
    frames: dict[str, int] = {}
    ranges: dict[str, tuple[int, int, int]] = {}
    unknown: Counter[int] = Counter()
    cut: list[int] = []
    end_us = 0
    for at_us, frame in read_log(path, cut.append):
        end_us = at_us
        message = names.get(binding.key(frame.ident))
        if message is None:
            unknown[frame.ident] += 1
            continue
        frames[message.name] = frames.get(message.name, 0) + 1
        first_us.setdefault(message.name, at_us)
        last_us[message.name] = at_us
        receiver = receivers[message.sender]
        now_ms = at_us // 1000
        if receiver.take(frame, now_ms) > Outcome.BELIEVED_SOME_LOST:
            continue
        for one in message.signals:
            slot = receiver.slot(one.name)
            assert slot is not None  # this receiver was made for these signals
            if receiver.good_ms[slot] == now_ms:
                value = receiver.values[slot]
                count, low, high = ranges.get(one.name, (0, value, value))
                ranges[one.name] = count + 1, min(low, value), max(high, value)
    counts = {name: outcomes for receiver in receivers.values() for name, outcomes in receiver.counts().items()}
    messages = []
    for mine in binding.messages:
        outcomes, number = counts[mine.name], frames.get(mine.name, 0)
        refused = {outcome.word: n for outcome, n in outcomes.items() if outcome > Outcome.BELIEVED_SOME_LOST}
        period_ms = (last_us[mine.name] - first_us[mine.name]) / (number - 1) / 1000 if number > 1 else None
        messages.append(
            MessageSurvey(
                mine.name, mine.sender, number, number - sum(refused.values()),
                ", ".join(f"{n} {word}" for word, n in refused.items()) or "0", period_ms,
            )
        )  # fmt: skip  # a row's fields
    signals = []
    for bound in binding.messages:
        for signal in bound.signals:
            count, low, high = ranges.get(signal.name, (0, 0, 0))
            texts = (str(low), str(high)) if count else ("–", "–")
            signals.append(SignalSurvey(signal.name, signal.signal.unit, count, *texts))
    return Survey(end_us / 1e6, tuple(messages), tuple(signals), dict(unknown), cut[0] if cut else None)
