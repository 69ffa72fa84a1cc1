"""A rule set as a value: everything that the backends, the documents and the file checks read.

A user's own set builds on ours and stays in the same vocabulary::

    from controller.declare import Interlock, Key, Signal, State
    from controller.our_rules import OURS

    RULES = OURS.adding(interlocks=[Interlock(...)], keys=[Key(...)], signals=[Signal(...)])
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, Protocol, TypeVar

from controller.declare import (
    TIMER_MAX_MS,
    History,
    Interlock,
    Key,
    Lamp,
    Memory,
    Property,
    Refusal,
    Relation,
    Row,
    Rule,
    Signal,
    State,
)
from controller.errors import UserError
from controller.suggest import nearest
from controller.wellformed import check_declarations

COMMAND_FIELDS = ("duty_ppm", "state", "reason", "refusal", "warnings", "band")
"""What the rules put out, in the order firmware sends it."""


class _Named(Protocol):
    @property
    def name(self) -> str: ...


_Part = TypeVar("_Part")


def is_on(interlock: Interlock) -> Rule:
    """Return the condition "this interlock is on"."""
    field = interlock.on
    return lambda _x, _k, m: getattr(m, field)


def is_on_or_trips(interlock: Interlock) -> Rule:
    """Return the condition "this interlock is on, or its own condition holds": no clutch goes in on a fault."""
    on, trips = interlock.on, interlock.trip
    return lambda _x, _k, m: getattr(m, on) | getattr(m, trips)


def _insert(
    parts: Sequence[_Part], new: Iterable[_Part], before: str | None, name: Callable[[_Part], str]
) -> tuple[_Part, ...]:
    at = len(parts)
    if before is not None:
        names = [name(part) for part in parts]
        if before not in names:
            raise UserError(f"rule set: before={before!r} is not one of its interlocks; {nearest(before, names)}")
        at = names.index(before)
    return (*parts[:at], *new, *parts[at:])


@dataclass(frozen=True)
class RuleSet:
    """Signals, calibration, memory, interlocks in their order, chart rows and properties.

    `early` memory is renewed before the interlocks, `late` memory after the chart has moved. `first_rows` stand
    before the rows that the interlocks make, `last_rows` after them; `first_refusals` and `last_refusals` likewise.
    """

    name: str
    version: str
    signals: tuple[Signal, ...]
    keys: tuple[Key, ...]
    relations: tuple[Relation, ...]
    early: tuple[Memory, ...]
    interlocks: tuple[Interlock, ...]
    late: tuple[Memory, ...]
    first_refusals: tuple[Refusal, ...]
    last_refusals: tuple[Refusal, ...]
    first_rows: tuple[Row, ...]
    last_rows: tuple[Row, ...]
    lamps: tuple[Lamp, ...]
    properties: tuple[Property, ...]
    histories: tuple[History, ...] = ()

    def __post_init__(self) -> None:
        """Refuse declarations that no backend could work with."""
        check_declarations(self)

    # What is derived from the declarations -----------------------------------------------------------------

    @cached_property
    def rows(self) -> tuple[Row, ...]:
        """All rows of the chart; in each state the first whose condition holds fires."""
        made = [
            Row(source, interlock.out_to, interlock.on, is_on(interlock), interlock.reason, interlock.says)
            for interlock in self.interlocks
            if interlock.out_to is not None
            for source in interlock.leaves
        ]
        return (*self.first_rows, *made, *self.last_rows)

    @property
    def checks(self) -> tuple[Property | History, ...]:
        """All properties, of one tick and of many."""
        return (*self.properties, *self.histories)

    @cached_property
    def refusals(self) -> tuple[Refusal, ...]:
        """All grounds for not going in, in the order they are reported; the clutch goes in when none holds."""
        made = tuple(Refusal(one.reason, is_on_or_trips(one), one.says) for one in self.interlocks)
        return (*self.first_refusals, *made, *self.last_refusals)

    @cached_property
    def memory(self) -> tuple[Memory, ...]:
        """All memory fields, in the order firmware keeps them."""
        keep: Rule = _kept_elsewhere
        interlock_fields: list[Memory] = []
        for interlock in self.interlocks:
            interlock_fields += [
                Memory(interlock.on, 0, 1, 0, keep, f"{interlock.reason} is on", is_flag=True),
                Memory(
                    interlock.timer, -1, TIMER_MAX_MS, -1, keep, f"ms its condition has differed from {interlock.on}"
                ),
            ]
        chart = (
            Memory("now_ms", 0, 2**31 - 1, 0, keep, "time of the last tick, ms"),
            Memory("state", 0, 3, int(State.IDLE), keep, "state of the chart"),
            Memory("reason", 0, len(self.reasons) - 1, 1, keep, "why the chart last moved"),
        )
        return (*chart, *self.early, *interlock_fields, *self.late)

    @cached_property
    def memory_names(self) -> tuple[str, ...]:
        """Names of the memory fields, in their order."""
        return tuple(field.name for field in self.memory)

    @cached_property
    def starts(self) -> tuple[tuple[str, int], ...]:
        """Name and initial value of every memory field that a start puts back: all but the time."""
        return tuple((field.name, field.start) for field in self.memory if field.name != "now_ms")

    @cached_property
    def reasons(self) -> tuple[str, ...]:
        """Every reason word; its place is its number. `none` is 0, `start` (not moved yet) 1."""
        words = ["none", "start"]
        words += [row.reason for row in self.first_rows] + [refusal.reason for refusal in self.first_refusals]
        words += [interlock.reason for interlock in self.interlocks]
        words += [refusal.reason for refusal in self.last_refusals] + [row.reason for row in self.last_rows]
        return tuple(dict.fromkeys(words))

    @cached_property
    def reason_numbers(self) -> dict[str, int]:
        """Number of each reason word."""
        return {word: number for number, word in enumerate(self.reasons)}

    # Building on it ----------------------------------------------------------------------------------------

    def adding(
        self,
        *,
        name: str | None = None,
        signals: Iterable[Signal] = (),
        keys: Iterable[Key] = (),
        relations: Iterable[Relation] = (),
        early: Iterable[Memory] = (),
        interlocks: Iterable[Interlock] = (),
        late: Iterable[Memory] = (),
        lamps: Iterable[Lamp] = (),
        properties: Iterable[Property] = (),
        histories: Iterable[History] = (),
        before: str | None = None,
    ) -> RuleSet:
        """Return this set with more parts; new interlocks stand last, or `before` the one of that reason.

        Properties that say there is no other ground than the interlocks' get the new interlocks as further grounds.
        """
        interlocks = tuple(interlocks)
        return replace(
            self,
            name=name or self.name,
            signals=(*self.signals, *signals),
            keys=(*self.keys, *keys),
            relations=(*self.relations, *relations),
            early=(*self.early, *early),
            interlocks=_insert(self.interlocks, interlocks, before, lambda part: part.reason),
            late=(*self.late, *late),
            lamps=(*self.lamps, *lamps),
            properties=(*(_beside(one, interlocks) for one in self.properties), *properties),
            histories=(*self.histories, *histories),
        )

    def replacing(self, *parts: Signal | Key | Interlock | Memory | Property) -> RuleSet:
        """Return this set with each part in the place of the one of the same name (for interlocks: reason)."""
        rules = self
        for part in parts:
            if isinstance(part, Interlock):
                rules = replace(rules, interlocks=_swap(rules.interlocks, part, lambda one: one.reason))
            elif isinstance(part, Signal):
                rules = replace(rules, signals=_swap(rules.signals, part, _name))
            elif isinstance(part, Key):
                rules = replace(rules, keys=_swap(rules.keys, part, _name))
            elif isinstance(part, Property):
                rules = replace(rules, properties=_swap(rules.properties, part, _name))
            elif any(field.name == part.name for field in rules.early):
                rules = replace(rules, early=_swap(rules.early, part, _name))
            else:
                rules = replace(rules, late=_swap(rules.late, part, _name))
        return rules

    def removing(self, *names: str) -> RuleSet:
        """Return this set without the interlocks of these reasons (and their lamps) and the properties of these names.

        A property that an interlock earned stays unless it is named too: one that no longer holds is found by its
        check, which is what it is for. Properties that count on exactly these interlocks are left out with the first.
        """
        known = [one.reason for one in self.interlocks] + [one.name for one in self.checks]
        for name in names:
            if name not in known:
                raise UserError(f"rule set: no interlock or property {name!r} to remove; {nearest(name, known)}")
        gone = [one for one in self.interlocks if one.reason in names]
        return replace(
            self,
            interlocks=tuple(one for one in self.interlocks if one.reason not in names),
            lamps=tuple(one for one in self.lamps if one.word not in names),
            properties=tuple(one for one in self.properties if one.name not in names and not (one.is_closed and gone)),
            histories=tuple(one for one in self.histories if one.name not in names),
        )

    def ordering(self, *reasons: str) -> RuleSet:
        """Return this set with these interlocks first, in this order; the others keep theirs."""
        by_reason = {one.reason: one for one in self.interlocks}
        for reason in reasons:
            if reason not in by_reason:
                raise UserError(f"rule set: no interlock {reason!r} to move; {nearest(reason, list(by_reason))}")
        first = tuple(by_reason[reason] for reason in reasons)
        return replace(self, interlocks=first + tuple(one for one in self.interlocks if one.reason not in reasons))


def _name(part: _Named) -> str:
    return part.name


def _beside(one: Property, interlocks: Sequence[Interlock]) -> Property:
    """Return a property with further interlocks as grounds, where it says which grounds there are."""
    if not (one.is_closed and interlocks):
        return one

    def holds(before: Any, x: Any, k: Any, after: Any) -> Any:
        kept = one.holds(before, x, k, after)
        for interlock in interlocks:
            # On, or its condition holds and is being confirmed.
            kept = kept | getattr(after, interlock.on) | (getattr(after, interlock.timer) >= 0)
        return kept

    words = ", ".join(interlock.reason for interlock in interlocks)
    return replace(one, meaning=f"{one.meaning}; or a ground of {words}", holds=holds)


def _swap(parts: tuple[Any, ...], new: Any, name: Callable[[Any], str]) -> tuple[Any, ...]:
    names = [name(part) for part in parts]
    if name(new) not in names:
        raise UserError(f"rule set: nothing named {name(new)!r} to replace; {nearest(name(new), names)}")
    return tuple(new if name(part) == name(new) else part for part in parts)


def _kept_elsewhere(_x: Any, _k: Any, _m: Any) -> Any:
    raise AssertionError("the step itself renews this field")
