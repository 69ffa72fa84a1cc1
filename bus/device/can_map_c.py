"""Writes `can_map.h` and `can_map.c`: a binding as C tables, with the same receive policy as `bus.receive`."""

from __future__ import annotations

from collections.abc import Sequence
from math import gcd

from bus.binding import PGN_MASK, Binding, BoundMessage, BoundSignal
from bus.counter import POLICY, SLACK, Step, Watch
from bus.frame import EXTENDED
from bus.known import PHASE_SIGNAL, TIME_SIGNAL, age_name
from bus.protection import IdMode, Profile1, Profile2, Profile5, Protection
from bus.send import unused_field
from controller.declare import AGE_INVALID_MS
from controller.errors import UserError
from controller.port.c_text import comment, number, statement
from controller.ruleset import COMMAND_FIELDS

_ID_MODES: dict[IdMode, str] = {
    "both": "PROTECTION_1_BOTH", "alternating": "PROTECTION_1_ALTERNATING", "low": "PROTECTION_1_LOW",
    "nibble": "PROTECTION_1_NIBBLE",
}  # fmt: skip
_WIDEST = 2**63


def can_map_h(binding: Binding) -> str:
    """Return `can_map.h`: sizes, and what frames.c asks of a map."""
    messages = _received(binding)
    signals = [one for message in messages for one in message.signals]
    slots = {one.name: at for at, one in enumerate(signals)}
    time = binding.time_message
    sizes = {
        "MESSAGES": f"{len(messages)}u",
        "SIGNALS": f"{len(signals)}u",
        "COMMAND_SIGNALS": f"{len(binding.command_message.signals)}u",
        "COMMAND_UNUSED": _field(unused_field(binding.command_message, binding.unused_bits)),
        "EXTENDED_MASK": "FRAME_GROUP_MASK" if binding.matches_pgn else "0xFFFFFFFFu",
        "COUNTER_SLACK": str(SLACK - 1),
        "AGE_INVALID_MS": str(AGE_INVALID_MS),
        "TIME": "0xFFFFFFFFu" if time is None else f"{len(messages) - 1}u",
        "TIME_SLOT": f"{slots.get(TIME_SIGNAL, 0)}u",
        "PHASE_SLOT": f"{slots.get(PHASE_SIGNAL, 0)}u",
    }
    return "\n".join([
        _head(binding), "#ifndef CAN_MAP_H", "#define CAN_MAP_H", "", '#include "frame_tables.h"', '#include "rules.h"',
        "", "/* TIME is the place of the bench's time message; no message has it where the map has none. */",
        *(f"#define CAN_MAP_{name} ({size})" for name, size in sizes.items()), "",
        "/* What the vehicle sends, the bench's time last, and the signals of these messages one after the other. */",
        "extern const frame_message_t can_map_messages[CAN_MAP_MESSAGES];",
        "extern const frame_signal_t can_map_signals[CAN_MAP_SIGNALS];", "",
        "/* What the device sends. */", "extern const frame_message_t can_map_command;",
        "extern const frame_signal_t can_map_command_signals[CAN_MAP_COMMAND_SIGNALS];", "",
        "/* The counter policy, by what is known (WATCH_...) times STEPS and how the counter stands (STEP_...). */",
        f"extern const frame_policy_t can_map_policy[{len(POLICY)}];", "",
        "/* From the signals' values and ages to the rules' inputs. */",
        statement("void can_map_inputs(const int32_t *values, const int32_t *ages_ms, int32_t now_ms, "
                  "rules_inputs_t *x);", ""), "",
        "/* From a command to the values of the command's signals. */",
        "void can_map_command_values(const rules_command_t *c, int32_t *values);", "", "#endif",
    ]) + "\n"  # fmt: skip  # a header from top to bottom


def can_map_c(binding: Binding) -> str:
    """Return `can_map.c`.

    Raises `UserError` where a conversion needs wider numbers than 64 bits, or two messages cannot be told apart.
    """
    messages = _received(binding)
    keys = [binding.key(message.ident) for message in messages]
    for at, key in enumerate(keys):
        if key in keys[:at]:
            raise UserError(f"{binding.source}: message.{messages[at].name}: has the parameter group of "
                            f"{messages[keys.index(key)].name}; a device cannot tell them apart")  # fmt: skip
    tables = _Tables(binding)
    received = [tables.signal(one, sent=False) for message in messages for one in message.signals]
    sent = [tables.signal(one, sent=True) for one in binding.command_message.signals]
    rows, first = [], 0
    for message, key in zip(messages, keys, strict=True):
        rows.append(_message(message, key, first))
        first += len(message.signals)
    policy = [
        f"    /* {watch.name.lower()}, {step.name.lower()} */ {{ {row.verdict:d}u, {row.watch:d}u, "
        f"{'true' if row.moves_baseline else 'false'} }},"
        for watch in Watch for step in Step for row in (POLICY[watch, step],)
    ]  # fmt: skip  # a row a line
    command = binding.command_message
    return "\n".join([
        _head(binding), '#include "can_map.h"', "", *tables.codes,
        "const frame_message_t can_map_messages[CAN_MAP_MESSAGES] =", "{", *rows, "};", "",
        "const frame_signal_t can_map_signals[CAN_MAP_SIGNALS] =", "{", *received, "};", "",
        "const frame_message_t can_map_command =", _message(command, command.ident, 0).strip().rstrip(",") + ";", "",
        "const frame_signal_t can_map_command_signals[CAN_MAP_COMMAND_SIGNALS] =", "{", *sent, "};", "",
        f"const frame_policy_t can_map_policy[{len(POLICY)}] =", "{", *policy, "};", "",
        *_inputs(binding, messages), "", *_command(command),
    ]) + "\n"  # fmt: skip  # a file from top to bottom


def _head(binding: Binding) -> str:
    return comment(f"Map {binding.title!r}, bound to rules {binding.rules.name!r}, version {binding.rules.version}. "
                   "Generated by tccbench; do not edit.")  # fmt: skip


def _received(binding: Binding) -> tuple[BoundMessage, ...]:
    messages = binding.sent_by("vehicle")
    if not messages:
        raise UserError(f"{binding.source}: no message from the vehicle; a device would have nothing to go by")
    return messages


class _Tables:
    """Rows of signals; `codes` gathers the value tables that they point at."""

    def __init__(self, binding: Binding) -> None:
        self._source = binding.source
        self.codes: list[str] = []

    def signal(self, one: BoundSignal, *, sent: bool) -> str:
        place = one.place
        slope, offset, divisor = reduced(one.scaling.to_raw if sent else one.scaling.to_ours)
        largest = max(abs(one.signal.low), abs(one.signal.high)) if sent else max(abs(one.raw_low), abs(one.raw_high))
        if one.codes is None and largest * abs(slope) + abs(offset) >= _WIDEST:
            raise UserError(f"{self._source}: {one.name}: its scale is too fine to be worked out in 64 bits; round the "
                            "DBC's scale")  # fmt: skip
        codes, count = "NULL", 0
        if one.codes is not None:
            pairs = _codes(one, sent=sent)
            codes, count = f"codes_{'sent' if sent else 'of'}_{one.name}", len(pairs)
            rows = [f"    {{ {_field(field)}, {number(ours)} }}," for ours, field in pairs]
            self.codes += [f"static const frame_code_t {codes}[{count}] =", "{", *rows, "};", ""]
            slope, offset, divisor = 1, 0, 1
        spare = one.raw_low if one.invalid_raw is None else one.invalid_raw
        return "\n".join([
            f"    /* {one.name} */",
            statement(
                f"{{ {place.shift}u, {_truth(place.is_big_endian)}, {_truth(place.is_signed)}, {_field(place.mask)}, "
                f"{one.raw_low}, {one.raw_high}, {slope}, {offset}, {divisor}, {codes}, {count}u, "
                f"{_field(spare & place.mask)}, {number(one.signal.default)}, {one.timeout_ms} }},", "    "),
        ])  # fmt: skip


def reduced(line: tuple[int, int, int]) -> tuple[int, int, int]:
    """Return `(a, b, c)` in smaller numbers such that `(n·a + b) // c` stays the same for every whole n."""
    slope, offset, divisor = line
    common = gcd(slope, divisor)
    return slope // common, offset // common, divisor // common


def _codes(one: BoundSignal, *, sent: bool) -> list[tuple[int, int]]:
    """Pairs of our count and the field's bits: for what is received each field once, for what is sent each count."""
    assert one.codes is not None
    pairs = [(ours, raw & one.place.mask) for ours, raw in one.codes]
    if sent:
        first: dict[int, int] = {}
        for ours, field in pairs:
            first.setdefault(ours, field)
        return list(first.items())
    return [(ours, field) for field, ours in {field: ours for ours, field in pairs}.items()]


def _message(message: BoundMessage, key: int, first: int) -> str:
    return "\n".join([
        f"    /* {message.name} */",
        statement(f"{{ 0x{key:08X}u, {message.length}u, {message.period_ms}, {message.timeout_ms}, "
                  f"{_protection(message.protection)}, {first}u, {len(message.signals)}u }},", "    "),
    ])  # fmt: skip


def _protection(protection: Protection | None) -> str:
    profile, offset, data_id, values = "PROTECTION_NONE", 0, 0, 1
    data_ids: tuple[int, ...] = (0,) * 16
    if isinstance(protection, Profile1):
        profile, offset, data_id = _ID_MODES[protection.id_mode], protection.offset, protection.data_id
    elif isinstance(protection, Profile2):
        profile, data_ids = "PROTECTION_2", protection.data_ids
    elif isinstance(protection, Profile5):
        profile, offset, data_id = "PROTECTION_5", protection.offset, protection.data_id
    if protection is not None:
        values = protection.counter_values
    ids = ", ".join(f"{one}u" for one in data_ids)
    return f"{{ {profile}, {offset}u, 0x{data_id:04X}u, {{ {ids} }}, {values}u }}"


def _inputs(binding: Binding, messages: Sequence[BoundMessage]) -> list[str]:
    slots = {one.name: at for at, one in enumerate(one for message in messages for one in message.signals)}
    ages: dict[str, list[int]] = {}
    for signal in binding.rules.signals:
        age = age_name(signal.name)
        if age is not None and signal.name in slots:
            ages.setdefault(age, []).append(slots[signal.name])
    lines = []
    for signal in binding.rules.signals:
        if signal.name == "now_ms":
            value = "now_ms"
        elif signal.name in ages:
            value = f"ages_ms[{ages[signal.name][0]}]"
            for slot in ages[signal.name][1:]:
                value = f"older({value}, ages_ms[{slot}])"
        elif signal.name in slots:
            value = f"values[{slots[signal.name]}]{' != 0' if signal.is_flag else ''}"
        else:
            fixed = int(binding.constants.get(signal.name, signal.default))
            value = _truth(bool(fixed)) if signal.is_flag else number(fixed)
        lines.append(statement(f"x->{signal.name} = {value};", "    "))
    text = "\n".join(lines)
    older = ["/* What ages together is as old as its oldest part. */",
             "static int32_t older(int32_t one, int32_t other)", "{",
             "    return (one > other) ? one : other;", "}", ""]  # fmt: skip
    used = [f"    (void){name};" for name in ("values", "ages_ms", "now_ms") if name not in text]
    return [*(older if "older(" in text else []),
            statement("void can_map_inputs(const int32_t *values, const int32_t *ages_ms, int32_t now_ms, "
                      "rules_inputs_t *x)", ""), "{", *used, text, "}"]  # fmt: skip


def _command(command: BoundMessage) -> list[str]:
    names = [one.name for one in command.signals]
    assert set(names) <= set(COMMAND_FIELDS)  # the binding has checked what a controller may send
    return ["void can_map_command_values(const rules_command_t *c, int32_t *values)", "{",
            *(f"    values[{at}] = c->{name};" for at, name in enumerate(names)), "}"]  # fmt: skip


def _truth(value: bool) -> str:
    return "true" if value else "false"


def _field(value: int) -> str:
    return f"0x{value:X}u"


assert PGN_MASK | EXTENDED == 0x83FF_FF00, "FRAME_GROUP_MASK in frame_tables.h says the same"
