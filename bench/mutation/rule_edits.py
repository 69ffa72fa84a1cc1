"""Mutants of a rule set's declarations: rows, their order, interlocks, times, refusals, lamps, ranges, relations."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any

from controller.declare import Row, State
from controller.ruleset import RuleSet

Edit = Callable[[RuleSet], RuleSet]


def edits_of(rules: RuleSet) -> dict[str, Edit]:
    """Return every wrong edit of a rule set by its name. A name holds no place in a list but that of its own part."""
    found: dict[str, Edit] = {}
    for name, edit in _all(rules):
        assert name not in found, name
        found[name] = edit
    return found


def _all(rules: RuleSet) -> Iterator[tuple[str, Edit]]:
    for part in ("first_rows", "last_rows"):
        rows: tuple[Row, ...] = getattr(rules, part)
        for at, row in enumerate(rows):
            label = f"row {row.source.word}→{row.destination.word} {row.name}"
            yield f"{label}: removed", _replacing(part, _without(rows, at))
            for state in State:
                if state not in (row.destination, row.source):
                    moved = replace(row, destination=state)
                    yield f"{label}: goes to {state.word}", _replacing(part, _with(rows, at, moved))
        for at, first in enumerate(rows):
            # Order tells among the rows of one state only.
            after = next((place for place in range(at + 1, len(rows)) if rows[place].source is first.source), None)
            if after is not None:
                label = f"rows {first.source.word} {first.name} and {rows[after].name}"
                yield f"{label}: swapped", _replacing(part, _swapped(rows, at, after))
    for at, one in enumerate(rules.interlocks):
        label = f"interlock {one.reason}"
        put = _putter("interlocks", rules.interlocks, at)
        # With its lamp and with what is said of exactly these interlocks: else the set would just be refused.
        yield f"{label}: removed", _removing(one.reason)
        yield f"{label}: latches {not one.latches}", put(replace(one, latches=not one.latches))
        if one.settle != 0:
            yield f"{label}: settles at once", put(replace(one, settle=0))
        if one.confirm != 0:
            yield f"{label}: confirmed at once", put(replace(one, confirm=0))
        for out_to in (State.IDLE, State.RELEASED, None):
            if out_to is not one.out_to:
                word = "nowhere" if out_to is None else out_to.word
                yield f"{label}: out to {word}", put(replace(one, out_to=out_to))
        if one.sources is not None:
            yield f"{label}: in any state", put(replace(one, sources=None))
    for at in range(len(rules.interlocks) - 1):
        first_one, second_one = rules.interlocks[at], rules.interlocks[at + 1]
        yield (f"interlocks {first_one.reason} and {second_one.reason}: swapped",
               _replacing("interlocks", _swapped(rules.interlocks, at, at + 1)))  # fmt: skip
    for part in ("first_refusals", "last_refusals"):
        refusals = getattr(rules, part)
        for at, refusal in enumerate(refusals):
            yield f"refusal {refusal.reason}: removed", _replacing(part, _without(refusals, at))
    for part in ("early", "late"):
        fields = getattr(rules, part)
        for at, field in enumerate(fields):
            for initial in {field.low, field.high} - {field.initial}:
                yield (f"memory {field.name}: starts at {initial}",
                       _replacing(part, _with(fields, at, _started(field, initial))))  # fmt: skip
    for at, lamp in enumerate(rules.lamps):
        yield f"lamp {lamp.word}: removed", _replacing("lamps", _without(rules.lamps, at))
    for at, key in enumerate(rules.keys):
        if key.is_flag:
            yield f"key {key.name}: other default", _put_key(rules, at, default=1 - key.default)
            continue
        step = max(key.scale, 1)
        yield f"key {key.name}: range begins lower", _put_key(rules, at, low=key.low - step)
        yield f"key {key.name}: range ends higher", _put_key(rules, at, high=key.high + step)
    for at, relation in enumerate(rules.relations):
        yield (f"relation {at} at {relation.where} ({relation.text}): removed",
               _replacing("relations", _without(rules.relations, at)))  # fmt: skip


def _started(field: Any, initial: int) -> Any:
    return replace(field, initial=initial)


def _put_key(rules: RuleSet, at: int, **changes: Any) -> Edit:
    return _replacing("keys", _with(rules.keys, at, replace(rules.keys[at], **changes)))


def _putter(part: str, parts: tuple[Any, ...], at: int) -> Callable[[Any], Edit]:
    return lambda new: _replacing(part, _with(parts, at, new))


def _removing(reason: str) -> Edit:
    return lambda rules: rules.removing(reason)


def _replacing(part: str, new: tuple[Any, ...]) -> Edit:
    changes: dict[str, Any] = {part: new}
    return lambda rules: replace(rules, **changes)


def _without(parts: tuple[Any, ...], at: int) -> tuple[Any, ...]:
    return (*parts[:at], *parts[at + 1 :])


def _with(parts: tuple[Any, ...], at: int, new: Any) -> tuple[Any, ...]:
    return (*parts[:at], new, *parts[at + 1 :])


def _swapped(parts: tuple[Any, ...], at: int, other: int) -> tuple[Any, ...]:
    return (*parts[:at], parts[other], *parts[at + 1 : other], parts[at], *parts[other + 1 :])
