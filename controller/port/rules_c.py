"""Writes `rules.c`: one tick as C99, stage by stage as `controller.tick.run` does it.

The stages are written for size, for speed and for a reader: the interlocks say who stands, the chart is a chain of
rows, ignition off a branch of its own. That they do the same as the rules is proved afterwards, from the text
(`controller.port.equality`); nothing here is trusted.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from itertools import count
from types import SimpleNamespace
from typing import Any

from controller import tick
from controller.declare import ELAPSED_MAX_MS, Memory, Row, State
from controller.errors import UserError
from controller.intervals import variables
from controller.port.c_function import Places, Scope, bare
from controller.port.c_text import check_names, comment, number, statement
from controller.port.locks_c import OUT_REASON, Locks
from controller.port.work import Arm, Work, among, both, branches, reason, where
from controller.ruleset import COMMAND_FIELDS, RuleSet
from controller.terms import Term
from controller.tracer import calibration_of, inputs_of, memory_of
from controller.words import maximum, minimum, select

_ARGUMENTS = {
    "k": "const rules_calibration_t *k",
    "x": "const rules_inputs_t *x",
    "m": "rules_memory_t *m",
    "c": "rules_command_t *c",
    "elapsed_ms": "int32_t elapsed_ms",
}

_HELPERS = {
    "rules_min": """\
static inline int32_t rules_min(int32_t a, int32_t b)
{
    return (a < b) ? a : b;
}
""",
    "rules_max": """\
static inline int32_t rules_max(int32_t a, int32_t b)
{
    return (a > b) ? a : b;
}
""",
    "rules_counted": """\
/* How long a condition has differed from its interlock: -1 where it did not at the tick before. */
static inline int32_t rules_counted(int32_t timer_ms, int32_t elapsed_ms)
{
    return (timer_ms == -1) ? 0 : (timer_ms + elapsed_ms);
}
""",
}


class _Tick:
    """The tick with the ignition on, written in the order in which the rules run."""

    def __init__(self, rules: RuleSet, kept_trips: frozenset[str]) -> None:
        self.rules, self.work = rules, Work(rules)
        self.places = self.work.places
        # A scope a stage: what two stages need is worked out where it is needed, often in neither.
        numbers = count(1)
        self.early, self.refusing, self.moving, self.late = (Scope(self.places, numbers) for _ in range(4))
        self.locks = Locks(self.work, kept_trips)
        self.functions: list[_Function] = []
        m = self.work.m
        elapsed = self.places.fold(minimum(maximum(self.work.x.now_ms - m.now_ms, 0), ELAPSED_MAX_MS))
        self.early.add([elapsed], lambda: self._clock(elapsed))
        self.work.renewed("now_ms", "int", "m->now_ms")
        self._memory_fields(self.early, rules.early)
        self._call_locks()
        self._refusal()
        self._chart()
        self._memory_fields(self.late, rules.late)
        m.refusal = select(m.state == int(State.APPLIED), 0, m.first_refusal)
        self.is_shared = self._command_is_shared()
        """Whether ignition on and off write the same command from what they leave in the memory."""
        if not self.is_shared:
            _command(self.rules, self.late, self.work.x, self.work.k, m)

    def _clock(self, elapsed: Term) -> None:
        self.early.say(f"const int32_t elapsed_ms = {bare(self.early.text(elapsed))};")
        self.early.lines.append("")
        self.early.say("m->now_ms = x->now_ms;")

    def _memory_fields(self, scope: Scope, fields: Sequence[Memory]) -> None:
        for field in fields:
            self._memory_field(scope, field)

    def _memory_field(self, scope: Scope, field: Memory) -> None:
        work = self.work
        before = getattr(work.m, field.name)
        term = self.places.fold(field.update(work.x, work.k, work.m))
        place = f"m->{field.name}"
        stays = term.op == "select" and term.parts[2] is before

        def write() -> None:
            scope.lines.append(comment(field.meaning, "    "))
            if stays:
                moves = [f"{place} = {bare(scope.text(term.parts[1]))};"]
                scope.lines += branches([(scope.text(term.parts[0]), moves)], [])
            else:
                scope.say(f"{place} = {bare(scope.text(term))};")

        scope.add([term], write)
        work.renewed(field.name, term.kind, place)

    def _call_locks(self) -> None:
        body = self.locks.write()
        if not self.rules.interlocks:
            return
        speaks = bool(self.locks.spoken)
        about = "The interlocks, the last first: a more severe one has the last word." if self.locks.is_reversed else (
            "The interlocks in their order: the first has the word.")  # fmt: skip
        about += " Returns the first that stands, or none." if speaks else ""
        # Not inline: a function of its own has registers enough for its pointers.
        self.functions.append(_Function(about, "rules_locks", body, "int32_t" if speaks else "void", ""))
        result = "const int32_t standing = " if speaks else ""
        self.early.add([], lambda: self.early.say(f"{result}{self.functions[0].call};"))

    def _refusal(self) -> None:
        work, scope = self.work, self.refusing
        before = [(one.holds(work.x, work.k, work.m), reason(one.reason)) for one in self.rules.first_refusals]
        after = [(getattr(work.m, one.on), reason(one.reason)) for one in self.locks.tail]
        after += [(one.holds(work.x, work.k, work.m), reason(one.reason)) for one in self.rules.last_refusals]
        middle: Any = self.locks.standing != 0
        grounds = [(self.places.fold(holds), word) for holds, word in (*before, (middle, "standing"), *after)]
        grounds = [(holds, word) for holds, word in grounds if holds is not self.places.graph.constant(False)]

        def write() -> None:
            scope.lines.append("")
            scope.say(f"int32_t refusal = {reason('none')};")
            scope.lines.append("")
            arms: list[Arm] = [(scope.text(holds), [f"refusal = {word};"]) for holds, word in grounds]
            scope.lines += branches(arms, ["/* no ground */"])

        scope.add([holds for holds, _ in grounds], write)
        work.m.first_refusal = self.places.variable("refusal'", "int", "refusal")
        work.m.refused = work.m.first_refusal != 0

    def _chart(self) -> None:
        work, scope, locks = self.work, self.moving, self.locks
        first, last = (
            _merged([(row, self.places.fold(row.condition(work.x, work.k, work.m))) for row in rows])
            for rows in (self.rules.first_rows, self.rules.last_rows)
        )
        to_idle = [one.reason for one in locks.leaving if one.out_to is State.IDLE]
        is_idle = among(work, locks.out, to_idle, [one.reason for one in locks.leaving])

        def write() -> None:
            arms = [_arm(scope, *one) for one in first]
            if locks.leaving:
                some = f"(m->{OUT_REASON} != {reason('none')})"
                whither = bare(scope.text(is_idle))
                if is_idle.op == "const":
                    whither = "RULES_STATE_IDLE" if is_idle.value else "RULES_STATE_RELEASED"
                else:
                    whither = f"({whither}) ? RULES_STATE_IDLE : RULES_STATE_RELEASED"
                arms.append((both(where("m->state", locks.left), some),
                             [f"m->state = {whither};", f"m->reason = m->{OUT_REASON};"]))  # fmt: skip
            arms += [_arm(scope, *one) for one in last]
            scope.lines.append("")
            scope.lines += branches(arms, ["/* no row: it stays */"])
            scope.lines.append("")

        scope.add([condition for _, condition, _ in (*first, *last)], write)
        work.renewed("state", "int", "m->state")
        work.renewed("reason", "int", "m->reason")

    def _command_is_shared(self) -> bool:
        # Only of what both leave behind: not of how an interlock stood in this tick, say.
        work = self.work
        left = {str(getattr(work.m, field.name).value) for field in self.rules.memory} | {"refusal'"}
        terms = _command_terms(self.rules, self.places, self._any_inputs(), work.k, work.m)
        read = {name for term in terms for name in variables(term) if not name.startswith(("x.", "k."))}
        return read <= left

    def _any_inputs(self) -> Any:
        return SimpleNamespace(**inputs_of(self.places.graph, self.rules))

    def command(self) -> list[str]:
        """Return the lines of a command that ignition on and off share."""
        scope = Scope(self.places)
        _command(self.rules, scope, self._any_inputs(), self.work.k, self.work.m)
        return scope.finish()

    def finish(self) -> list[_Function]:
        """Return the functions, the tick last."""
        lines = [line for scope in (self.early, self.refusing, self.moving, self.late) for line in scope.finish()]
        if self.is_shared:
            lines += ["", "    return refusal;"]
        tick_on = _Function("Ignition on." + (" Returns the first ground for not going in, or none."
                            if self.is_shared else ""), "rules_tick_on", lines,
                            "int32_t" if self.is_shared else "void")  # fmt: skip
        return [*self.functions, tick_on]


def _command_terms(rules: RuleSet, places: Places, x: Any, k: Any, m: Any) -> list[Term]:
    m.warnings = 0
    for place, lamp in enumerate(rules.lamps):
        m.warnings = m.warnings + select(lamp.lit(x, k, m), 1 << place, 0)
    return [places.fold(getattr(m, name)) for name in COMMAND_FIELDS]


def _command(rules: RuleSet, scope: Scope, x: Any, k: Any, m: Any) -> None:
    terms = _command_terms(rules, scope.places, x, k, m)

    def write() -> None:
        scope.lines.append("")
        for name, term in zip(COMMAND_FIELDS, terms, strict=True):
            scope.say(f"c->{name} = {bare(scope.text(term))};")

    scope.add(terms, write)


_Merged = tuple[Row, Term, list[State]]


def _merged(rows: list[tuple[Row, Term]]) -> list[_Merged]:
    # Rows that stand together and differ in their source only are one arm: no state sees another order. One that never
    # fires is none.
    arms: list[_Merged] = []
    for row, condition in rows:
        if condition.op == "const" and not condition.value:
            continue
        if arms:
            last, same, sources = arms[-1]
            if (last.destination, last.reason) == (row.destination, row.reason) and same is condition:
                sources.append(row.source)
                continue
        arms.append((row, condition, [row.source]))
    return arms


def _arm(scope: Scope, row: Row, condition: Term, sources: list[State]) -> Arm:
    moves = [f"m->state = RULES_STATE_{row.destination.name};", f"m->reason = {reason(row.reason)};"]
    here = where("m->state", sources)
    return here if here and condition.op == "const" else both(here, scope.text(condition)), moves


def _tick_off(rules: RuleSet, is_shared: bool) -> tuple[_Function, Places]:
    places = Places(rules)
    scope, graph = Scope(places), places.graph
    x = SimpleNamespace(**(inputs_of(graph, rules) | {"ignition_on": graph.constant(False)}))
    k = SimpleNamespace(**calibration_of(graph, rules))
    m = SimpleNamespace(**memory_of(graph, rules))
    tick.run(rules, x, k, m, tick.fold)
    renewed = [places.fold(getattr(m, field.name)) for field in rules.memory]
    outputs = ("refusal",) if is_shared else COMMAND_FIELDS
    command = [places.fold(getattr(m, name)) for name in outputs]

    def write() -> None:
        # Every value before any place is written: what is written may be what another value reads.
        for term in (*renewed, *command):
            if term.op != "const" and not scope.is_named(term):
                scope.bind(term)
        scope.lines.append("")
        scope.say("rules_start(m);")
        for field, term in zip(rules.memory, renewed, strict=True):
            if not (term.op == "const" and int(term.value) == field.initial):
                scope.say(f"m->{field.name} = {bare(scope.text(term))};")
        scope.lines.append("")
        if is_shared:
            scope.say(f"return {bare(scope.text(command[0]))};")
            return
        for name, term in zip(COMMAND_FIELDS, command, strict=True):
            scope.say(f"c->{name} = {bare(scope.text(term))};")

    scope.add([*renewed, *command], write)
    about = "Ignition off: back to the start, no duty." + (" Returns the ground for not going in." if is_shared else "")
    return _Function(about, "rules_tick_off", scope.finish(), "int32_t" if is_shared else "void"), places


class _Function:
    """A function whose parameters are what its body uses."""

    def __init__(self, about: str, name: str, lines: list[str], result: str = "void", inline: str = "inline ") -> None:
        body = "\n".join(lines)
        plain = re.sub(r"/\*.*?\*/", "", body, flags=re.S)
        used = [
            name for name in _ARGUMENTS
            if re.search(rf"(?<!->)\b{name}\b", plain) and not re.search(rf"int32_t {name}\b", plain)
        ]  # fmt: skip
        head = f"static {inline}{result} {name}({', '.join(_ARGUMENTS[one] for one in used) or 'void'})"
        self.call = f"{name}({', '.join(used)})"
        self.text = "\n".join([comment(about), statement(head, ""), "{", body, "}", ""])


def rules_c(rules: RuleSet) -> str:
    """Return the text of `rules.c`.

    Raises `UserError` for a name or a number that C cannot carry.
    """
    check_names(rules)
    own = {field.name for field in rules.memory}
    for name, _, _ in transient_fields(rules):
        if name in own:
            raise UserError(f"rule set {rules.name!r}: memory field {name!r} is set by the tick itself in firmware; "
                            "give it another name")  # fmt: skip
    return _written(rules, kept_trips(rules))


def kept_trips(rules: RuleSet) -> frozenset[str]:
    """Return the interlocks whose condition is read after its own stage: it then needs a field of its own."""
    text = _written(rules, frozenset())
    return frozenset(one.reason for one in rules.interlocks if f"m->{one.trip}" in text)


def _written(rules: RuleSet, trips: frozenset[str]) -> str:
    on = _Tick(rules, trips)
    functions = on.finish()
    off, off_places = _tick_off(rules, on.is_shared)
    functions.append(off)
    calls = [functions[-2].call, functions[-1].call]
    before, after = [], []
    if on.is_shared:
        before, after = [f"    int32_t refusal = {reason('none')};", ""], on.command()
        calls = [f"refusal = {call}" for call in calls]
    helpers = on.places.helpers | off_places.helpers
    if not any(re.search(r"\bk\b", line) for line in (*calls, *after)):
        before = ["    (void)k; /* these rules ask for no key */", "", *before]
    return "\n".join([
        comment(f"Converter-clutch rules {rules.name!r}, version {rules.version}. Generated by tccbench; do not edit."),
        '#include "rules.h"', "",
        *(text for name, text in _HELPERS.items() if name in helpers),
        "void rules_start(rules_memory_t *m)", "{",
        *(f"    m->{field.name} = {_initial(field)};" for field in rules.memory),  "}", "",
        *(function.text for function in functions),
        statement(f"void rules_tick({', '.join(_ARGUMENTS[one] for one in 'kxmc')})", ""), "{",
        *before, *branches([("x->ignition_on", [f"{calls[0]};"])], [f"{calls[1]};"]), *after, "}",
    ]) + "\n"  # fmt: skip


def _initial(field: Memory) -> str:
    if field.is_flag:
        return "true" if field.start else "false"
    return bare(number(field.start))


def transient_fields(rules: RuleSet) -> list[tuple[str, bool, str]]:
    """Return name, whether it is a truth value, and meaning of what the C keeps in its memory within a tick only."""
    return Locks(Work(rules), kept_trips(rules)).fields
