"""The check of a rule set's declarations: names, ranges, places in the file, and what they refer to."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Iterator
from keyword import iskeyword
from typing import TYPE_CHECKING

from controller.declare import Interlock, Key, Signal, State
from controller.errors import UserError
from controller.suggest import nearest

if TYPE_CHECKING:
    from controller.ruleset import RuleSet

_PLACE = re.compile(r"[A-Za-z0-9_-]+(\.[A-Za-z0-9_-]+)*")

_SET_BY_THE_TICK = ("elapsed_ms", "bars_idle", "bars_released", "refused", "refusal", "warnings")

_MOST_LAMPS = 31
"""Bits of the warning word, a whole number of 32 bits with a sign."""


def check_declarations(rules: RuleSet) -> None:
    """Raise `UserError` for the first declaration of a rule set that no backend could work with."""
    wrong = next(_faults(rules), None)
    if wrong is not None:
        raise UserError(f"rule set {rules.name!r}: {wrong}")


def _faults(rules: RuleSet) -> Iterator[str]:
    # First, for the derived memory names each interlock only once.
    yield from _name_faults("interlock", [one.reason for one in rules.interlocks])
    yield from _name_faults("signal", [one.name for one in rules.signals])
    yield from _name_faults("calibration key", [one.name for one in rules.keys])
    yield from _name_faults("memory field", [one.name for one in rules.memory])
    yield from _name_faults("property", [one.name for one in rules.checks])
    fields = {field.name for field in rules.memory}
    for history in rules.histories:
        for kept in history.keeps:
            if kept.name in fields:
                yield f"field {kept.name!r} of history {history.name!r} is a memory field; give it another name"
        yield from _name_faults(f"field of history {history.name!r}", [one.name for one in history.keeps])
        for kept in history.keeps:
            if not kept.low <= kept.initial <= kept.high:
                yield f"field {kept.name!r} of history {history.name!r} starts outside {kept.low} to {kept.high}"
    yield from _name_faults("lamp", [one.word for one in rules.lamps])
    if len(rules.lamps) > _MOST_LAMPS:
        yield f"{len(rules.lamps)} lamps; the warning word has {_MOST_LAMPS} bits"
    taken = {*_SET_BY_THE_TICK, *(one.trip for one in rules.interlocks)}
    for field in rules.memory:
        if field.name in taken:
            yield f"memory field {field.name!r} is set by the tick itself; give it another name"
        if not field.low <= field.initial <= field.high:
            yield f"memory field {field.name!r} starts at {field.initial}; must be from {field.low} to {field.high}"
    declared: tuple[Signal | Key, ...] = (*rules.signals, *rules.keys)
    for one in declared:
        if not one.low <= one.default <= one.high:
            yield f"{one.name!r} has the default {one.default}; it must be from {one.low} to {one.high}"
    known = [key.name for key in rules.keys]
    for interlock in rules.interlocks:
        yield from _interlock_faults(interlock, known)
    yield from _place_faults(rules)


def _name_faults(what: str, names: Iterable[str]) -> Iterator[str]:
    for name, count in Counter(names).items():
        if count > 1:
            yield f"{what} {name!r} is declared twice; give one another name"
        if not name.isidentifier() or not name.isascii() or iskeyword(name) or name.startswith("_"):
            yield f"{what} {name!r} is not a plain name; write small letters, digits and _, a letter first"


def _interlock_faults(interlock: Interlock, known: list[str]) -> Iterator[str]:
    if interlock.out_to not in (State.IDLE, State.RELEASED, None):
        yield f"interlock {interlock.reason!r} sends a hold to {interlock.out_to}; use State.RELEASED, IDLE or None"
    for word, time in (("confirm", interlock.confirm), ("settle", interlock.settle)):
        if isinstance(time, str) and time not in known:
            yield f"interlock {interlock.reason!r}: {word}={time!r} is not a calibration key; {nearest(time, known)}"
        elif isinstance(time, int) and time < 0:
            yield f"interlock {interlock.reason!r}: {word}={time} is under 0; write a time in ms"


def _place_faults(rules: RuleSet) -> Iterator[str]:
    entries: dict[str, list[int | None]] = {}
    for key in rules.keys:
        entries.setdefault(key.place, []).append(key.entry)
        if key.scale < 1:
            yield f"calibration key {key.name!r} has the scale {key.scale}; it must be at least 1"
        if not _PLACE.fullmatch(key.place) or key.place == "title":
            yield f"calibration key {key.name!r} cannot stand at {key.place!r}; write table.name"
    for place, found in entries.items():
        if found not in ([None], list(range(len(found)))):
            yield f"two calibration keys stand at {place!r}; number them entry=0, 1, … to make a list"
    ranges: dict[str, tuple[int, int, int]] = {}
    for key in rules.keys:
        # The file's comment and the calibration reference give one range for a whole list.
        if ranges.setdefault(key.place, (key.scale, key.low, key.high)) != (key.scale, key.low, key.high):
            yield f"calibration key {key.name!r} has another range than the first entry at {key.place!r}; give all one"
