"""A DBC and a map joined for a rule set: every check on its own, and message objects looked up once."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property
from typing import TYPE_CHECKING, Literal, NamedTuple

from bus.frame import EXTENDED, MOST_BYTES
from bus.known import PHASE_SIGNAL, TIME_SIGNAL, command_signals, vehicle_signals
from bus.map_file import Map, MessageTable, ProtectionTable, SignalTable
from bus.placing import Place, Scaling, place
from bus.protection import Profile1, Profile2, Profile5, Protection
from controller.declare import Signal
from controller.errors import UserError
from controller.ruleset import RuleSet
from controller.suggest import nearest

if TYPE_CHECKING:
    from cantools.database.can import Database, Message
    from cantools.database.can.signal import Signal as DbcSignal

Role = Literal["vehicle", "controller"]
Grade = Literal["good", "note", "bad"]

PGN_MASK = 0x03FFFF00
"""Data page and parameter group of a 29-bit identifier: without priority and source address."""


class Finding(NamedTuple):
    """What one check says of one place in the map."""

    check: str
    where: str
    grade: Grade
    text: str


@dataclass(frozen=True)
class BoundSignal:
    """One of our signals in a message. Raw counts from `raw_low` to `raw_high` carry a value, others none.

    `codes` holds pairs (our count, raw count) where the DBC has words for the values; else `scaling` converts.
    `invalid_raw` is a raw count outside the range, to say "not available" with, where the field has one.
    """

    signal: Signal
    place: Place
    scaling: Scaling
    raw_low: int
    raw_high: int
    codes: tuple[tuple[int, int], ...] | None
    invalid_raw: int | None
    timeout_ms: int

    @property
    def name(self) -> str:
        """Our name of it."""
        return self.signal.name


@dataclass(frozen=True)
class BoundMessage:
    """One message of the map, ready to be sent or received."""

    name: str
    ident: int
    length: int
    sender: Role
    period_ms: int
    timeout_ms: int
    protection: Protection | None
    signals: tuple[BoundSignal, ...]


@dataclass(frozen=True)
class Binding:
    """A whole map, bound."""

    title: str
    source: str
    rules: RuleSet
    unused_bits: int
    matches_pgn: bool
    constants: dict[str, int]
    messages: tuple[BoundMessage, ...]

    def sent_by(self, role: Role) -> tuple[BoundMessage, ...]:
        """Return the messages that a role sends; the bench's time comes last, as it closes a tick."""
        own = [one for one in self.messages if one.sender == role]
        return tuple(sorted(own, key=lambda one: one is self.time_message))

    @cached_property
    def time_message(self) -> BoundMessage | None:
        """The message that drives lock-step, if the map has one."""
        for one in self.messages:
            if {TIME_SIGNAL, PHASE_SIGNAL} <= {signal.name for signal in one.signals}:
                return one
        return None

    @property
    def input_messages(self) -> tuple[BoundMessage, ...]:
        """What the vehicle sends for the rules: all but the bench's time."""
        return tuple(one for one in self.sent_by("vehicle") if one is not self.time_message)

    @property
    def command_message(self) -> BoundMessage:
        """The message that carries the duty."""
        return next(one for one in self.messages if any(s.name == "duty_ppm" for s in one.signals))

    def message(self, name: str) -> BoundMessage:
        """Return a message by name. Raises `UserError` with the nearest name."""
        for one in self.messages:
            if one.name == name:
                return one
        raise UserError(f"{self.source}: no message {name!r}; {nearest(name, [one.name for one in self.messages])}")

    def key(self, ident: int) -> int:
        """Return what identifies a frame's message: the identifier, or its parameter group."""
        return EXTENDED | (ident & PGN_MASK) if self.matches_pgn and ident & EXTENDED else ident


def bind(mapped: Map, database: Database, rules: RuleSet) -> Binding:
    """Return the binding. Raises `UserError` with the first thing that a check finds bad."""
    binding, findings = check(mapped, database, rules)
    for finding in findings:
        if finding.grade == "bad":
            raise UserError(f"{mapped.source}: {finding.where}: {finding.text}")
    assert binding is not None  # no bad finding leaves it whole
    return binding


def load_binding(map_name: str, rules: RuleSet, dbc_path: str | None = None) -> Binding:
    """Return the binding of a map file with its DBC. Raises `UserError` with one line."""
    from bus.dbc import load_dbc
    from bus.map_file import load_map

    mapped = load_map(map_name, dbc_path)
    return bind(mapped, load_dbc(mapped.dbc_path), rules)


def check(mapped: Map, database: Database, rules: RuleSet) -> tuple[Binding | None, list[Finding]]:
    """Return the binding, None where something is bad, and what each check found, in the map's order."""
    checker = _Checker(mapped, database, rules)
    messages = [checker.message(name, table) for name, table in mapped.file.message.items()]
    bound = tuple(one for one in messages if one is not None)
    checker.whole(bound)
    if any(finding.grade == "bad" for finding in checker.findings):
        return None, checker.findings
    file = mapped.file
    return Binding(
        file.title, mapped.source, rules, file.unused_bits, file.identifiers == "pgn", dict(file.constant), bound
    ), checker.findings


class _Checker:
    def __init__(self, mapped: Map, database: Database, rules: RuleSet) -> None:
        self._file, self._rules, self._dbc_path = mapped.file, rules, mapped.dbc_path
        self._dbc = {one.name: one for one in database.messages}
        self._known: dict[Role, dict[str, Signal]] = {
            "vehicle": {one.name: one for one in vehicle_signals(rules)},
            "controller": {one.name: one for one in command_signals(rules)},
        }
        self._bound_at: dict[str, str] = {}
        self.findings: list[Finding] = []

    def _say(self, name: str, where: str, grade: Grade, text: str) -> None:
        self.findings.append(Finding(name, where, grade, text))

    # One message ---------------------------------------------------------------------------------------------

    def message(self, name: str, table: MessageTable) -> BoundMessage | None:
        where = f"message.{name}"
        dbc = self._dbc.get(name)
        if dbc is None:
            self._say("message exists", where, "bad", f"{self._dbc_path} has no message {name!r}; "
                      f"{nearest(name, sorted(self._dbc)) if len(self._dbc) < 30 else self._near(name)}")  # fmt: skip
            return None
        self._say("message exists", where, "good", f"identifier {dbc.frame_id:X} hex")
        if dbc.length != table.length:
            self._say("length", where, "bad", f"length = {table.length}, but the DBC says {dbc.length} bytes")
            return None
        if dbc.length > MOST_BYTES or dbc.is_fd:
            self._say("length", where, "bad", f"{dbc.length} bytes: only classic CAN frames of up to 8 are bound")
            return None
        self._say("length", where, "good", f"{dbc.length} bytes")
        protection = self._protection(where, table.protection, table.length)
        signals = [self._signal(f"{where}.signal.{ours}", ours, one, table, dbc) for ours, one in table.signal.items()]
        bound = tuple(one for one in signals if one is not None)
        self._overlaps(where, bound, protection, table.length)
        ident = dbc.frame_id | (EXTENDED if dbc.is_extended_frame else 0)
        return BoundMessage(
            name, ident, table.length, table.sender, table.period_ms, table.timeout_ms, protection, bound
        )

    def _near(self, name: str) -> str:
        return nearest(name, sorted(self._dbc)).partition("known:")[0] or f"it has {len(self._dbc)} others"

    def _protection(self, where: str, table: ProtectionTable | None, length: int) -> Protection | None:
        if table is None:
            self._say("protection", where, "note", "none: a corrupt or frozen frame cannot be told from a good one")
            return None
        protection: Protection
        if table.profile == 2:
            assert table.data_ids is not None  # the file's own check
            protection = Profile2(table.data_ids)
        else:
            assert table.data_id is not None
            protection = (Profile1(table.data_id, table.id_mode, table.offset) if table.profile == 1
                          else Profile5(table.data_id, table.offset))  # fmt: skip
        if max(protection.used_bits) >= length * 8:
            self._say("protection", where, "bad", f"profile {table.profile} at offset {table.offset} does not fit "
                      f"into {length} bytes")  # fmt: skip
            return None
        self._say("protection", where, "good", f"E2E profile {table.profile}")
        return protection

    def _overlaps(
        self, where: str, signals: tuple[BoundSignal, ...], protection: Protection | None, length: int
    ) -> None:
        taken = dict.fromkeys(protection.used_bits if protection else (), "the protection's counter and checksum")
        for one in signals:
            bits = _frame_bits(one.place, length)
            clash = next((taken[bit] for bit in sorted(bits) if bit in taken), None)
            if clash is not None:
                self._say("overlap", f"{where}.signal.{one.name}", "bad", f"shares bits with {clash}")
            taken |= dict.fromkeys(bits, one.name)

    # One signal ----------------------------------------------------------------------------------------------

    def _signal(
        self, where: str, ours: str, table: SignalTable, message: MessageTable, dbc: Message
    ) -> BoundSignal | None:
        known = self._known[message.sender].get(ours)
        if known is None:
            self._say("unknown signals", where, "bad", f"no signal {ours!r} that the {message.sender} sends; "
                      f"{nearest(ours, list(self._known[message.sender]))}")  # fmt: skip
            return None
        if ours in self._bound_at:
            self._say("unknown signals", where, "bad", f"{ours} is bound already at {self._bound_at[ours]}")
            return None
        self._bound_at[ours] = where
        found = next((one for one in dbc.signals if one.name == table.name), None)
        if found is None:
            self._say("unknown signals", where, "bad", f"the DBC's message {dbc.name} has no signal {table.name!r}; "
                      f"{nearest(table.name, [one.name for one in dbc.signals])}")  # fmt: skip
            return None
        if found.multiplexer_ids is not None or found.is_float:
            kind = "multiplexed" if found.multiplexer_ids is not None else "a floating-point number"
            self._say("unknown signals", where, "bad", f"{table.name} is {kind}; bind a plain whole-number signal")
            return None
        spot = place(found.start, found.length, found.byte_order == "big_endian", found.is_signed, message.length)
        if min(_frame_bits(spot, message.length)) < 0 or max(_frame_bits(spot, message.length)) >= message.length * 8:
            self._say("length", where, "bad", f"{table.name} reaches beyond the frame's {message.length} bytes")
            return None
        scaling = self._scaling(where, table, found)
        if scaling is None:
            return None
        if table.values is not None:
            return self._coded(where, known, table, message, found, spot, scaling)
        return self._scaled(where, known, table, message, found, spot, scaling)

    def _scaling(self, where: str, table: SignalTable, found: DbcSignal) -> Scaling | None:
        for key, ours, theirs in (("scale", table.scale, found.scale), ("offset", table.offset, found.offset)):
            if ours != theirs:
                self._say("scale and offset", where, "bad", f"{key} = {ours:g}, but the DBC says {theirs:g}"
                          f"{f' {found.unit}' if found.unit else ''}")  # fmt: skip
                return None
        if table.scale == 0:
            self._say("scale and offset", where, "bad", "scale = 0 carries no value")
            return None
        self._say("scale and offset", where, "good", f"{table.scale:g} {found.unit or ''}, offset {table.offset:g}")
        return Scaling(_exact(table.scale), _exact(table.offset), _exact(table.per_unit))

    def _scaled(
        self, where: str, known: Signal, table: SignalTable, message: MessageTable, found: DbcSignal, spot: Place,
        scaling: Scaling,
    ) -> BoundSignal | None:  # fmt: skip  # the arguments of one signal
        low, high = _raw_range(found, spot, scaling)
        if low > high:
            self._say("range", where, "bad", "the DBC's minimum and maximum leave no raw value between them")
            return None
        needs = sorted((scaling.raw(known.low), scaling.raw(known.high)))
        carries = sorted((scaling.ours(low), scaling.ours(high)))
        if (needs[0] < low or needs[1] > high) and not table.clip:
            self._say("range", where, "bad", f"the DBC carries {carries[0]} to {carries[1]} {known.unit}, ours is "
                      f"{known.low} to {known.high}; widen the DBC, or accept its limits with clip = true")  # fmt: skip
            return None
        # A raw count beyond what ours can mean is no value.
        low, high = max(low, needs[0]), min(high, needs[1])
        # At the very ends the nearest raw count may mean a little more than ours can.
        while low <= high and not known.low <= scaling.ours(low) <= known.high:
            low += 1
        while low <= high and not known.low <= scaling.ours(high) <= known.high:
            high -= 1
        if low > high:
            self._say("range", where, "bad", f"the DBC carries {carries[0]} to {carries[1]} {known.unit}, "
                      f"nothing of ours, {known.low} to {known.high}; check per_unit")  # fmt: skip
            return None
        self._say("range", where, "good", f"{carries[0]} to {carries[1]} {known.unit}".rstrip())
        if scaling.scale * scaling.per_unit > 1 and table.per_unit != 1:
            self._say("range", where, "note", f"one raw step is {float(scaling.scale * scaling.per_unit):g} "
                      f"{known.unit}: coarser than the rules can tell")  # fmt: skip
        if found.choices and known.unit == "" and not known.is_flag:
            self._say("value table", where, "note", f"the DBC names the values of {table.name}; values = {{…}} "
                      "would tie ours to its words")  # fmt: skip
        return BoundSignal(
            known, spot, scaling, low, high, None, _invalid(spot, low, high), table.timeout_ms or message.timeout_ms
        )

    def _coded(
        self, where: str, known: Signal, table: SignalTable, message: MessageTable, found: DbcSignal, spot: Place,
        scaling: Scaling,
    ) -> BoundSignal | None:  # fmt: skip  # the arguments of one signal
        assert table.values is not None
        words = {str(word): raw for raw, word in (found.choices or {}).items()}
        if not words:
            self._say("value table", where, "bad", f"values is given, but the DBC has no value table for {table.name}")
            return None
        for word, ours in table.values.items():
            if word not in words:
                self._say("value table", where, "bad", f"values: the DBC has no word {word!r} for {table.name}; "
                          f"{nearest(word, list(words))}")  # fmt: skip
                return None
            if not known.low <= ours <= known.high:
                self._say("value table", where, "bad", f"values: {word} = {ours}, but {known.name} is "
                          f"{known.low} to {known.high}")  # fmt: skip
                return None
        codes: dict[int, int] = {}
        for word, ours in table.values.items():
            codes.setdefault(ours, words[word])  # two words of one meaning: the first is what is sent
        received = tuple((ours, words[word]) for word, ours in table.values.items())
        lacking = [ours for ours in range(known.low, known.high + 1) if ours not in codes]
        if lacking and not table.clip:
            self._say("value table", where, "bad", f"values has no word for {known.name} = {lacking[0]}; add it, or "
                      "accept that it is never sent with clip = true")  # fmt: skip
            return None
        self._say("value table", where, "good", f"{len(table.values)} words")
        raws = {raw for _, raw in received}
        spare = next((raw for raw in (spot.mask, *range(spot.mask)) if _signed(spot, raw) not in raws), None)
        return BoundSignal(
            known, spot, scaling, min(raws), max(raws), received,
            None if spare is None else _signed(spot, spare), table.timeout_ms or message.timeout_ms,
        )  # fmt: skip

    # The whole map -------------------------------------------------------------------------------------------

    def whole(self, messages: tuple[BoundMessage, ...]) -> None:
        """Check what only the whole map shows: needed signals, identifiers, lock-step."""
        vehicle = self._known["vehicle"]
        for name, value in self._file.constant.items():
            where = f"constant.{name}"
            if name not in vehicle:
                self._say("unknown signals", where, "bad", f"no signal {name!r}; {nearest(name, list(vehicle))}")
            elif name in self._bound_at:
                self._say("unknown signals", where, "bad", f"{name} is bound at {self._bound_at[name]}")
            elif not vehicle[name].low <= value <= vehicle[name].high:
                self._say("range", where, "bad", f"{value} is out of range; {name} is {vehicle[name].low} to "
                          f"{vehicle[name].high}")  # fmt: skip
        needed = [one.name for one in vehicle_signals(self._rules) if one in self._rules.signals]
        for name in (*needed, "duty_ppm"):
            if name not in self._bound_at and name not in self._file.constant:
                advice = "bind it in a message from the controller" if name == "duty_ppm" else (
                    f"bind it, or fix it under [constant] ({name} = …)")  # fmt: skip
                self._say("needed signals", "message", "bad", f"{name} is not bound; {advice}")
        seen: dict[int, str] = {}
        for one in messages:
            if one.ident in seen:
                self._say("identifiers", f"message.{one.name}", "bad", f"has the identifier of {seen[one.ident]}")
            seen[one.ident] = one.name
        time_at, phase_at = (self._bound_at.get(name) for name in (TIME_SIGNAL, PHASE_SIGNAL))
        if time_at and phase_at and time_at.split(".")[1] == phase_at.split(".")[1]:
            self._say("lock-step", "message", "good", f"by message {time_at.split('.')[1]}")
        elif time_at or phase_at:
            self._say("lock-step", "message", "bad", f"{TIME_SIGNAL} and {PHASE_SIGNAL} must be in one message")
        else:
            self._say("lock-step", "message", "note", f"{TIME_SIGNAL} and {PHASE_SIGNAL} are not bound: another "
                      "process can be driven in real time only")  # fmt: skip


def _exact(number: float) -> Fraction:
    # A file's 0.1 means a tenth, not its nearest binary fraction.
    return Fraction(repr(float(number)))


def _signed(spot: Place, field: int) -> int:
    return field - (1 << spot.bits) if spot.is_signed and field >> (spot.bits - 1) else field


def _frame_bits(spot: Place, length: int) -> frozenset[int]:
    bits = range(spot.shift, spot.shift + spot.bits)
    if not spot.is_big_endian:
        return frozenset(bits)
    # Bits of the big-endian number, numbered as in the little-endian one.
    return frozenset((length - 1 - bit // 8) * 8 + bit % 8 for bit in bits)


def _raw_range(found: DbcSignal, spot: Place, scaling: Scaling) -> tuple[int, int]:
    low = -(1 << (spot.bits - 1)) if spot.is_signed else 0
    high = low + spot.mask
    if found.minimum is None or found.maximum is None or found.minimum == found.maximum:
        return low, high
    ends = sorted((_exact(end) - scaling.offset) / scaling.scale for end in (found.minimum, found.maximum))
    first = -(-ends[0].numerator // ends[0].denominator)
    last = ends[1].numerator // ends[1].denominator
    return max(low, first), min(high, last)


def _invalid(spot: Place, low: int, high: int) -> int | None:
    for field in (spot.mask, spot.mask - 1, 1 << (spot.bits - 1), 0):
        raw = _signed(spot, field)
        if not low <= raw <= high:
            return raw
    return None
