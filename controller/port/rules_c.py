"""Writes `rules.c`: one tick as C99, stage by stage as `controller.tick.run` does it.

The stages are written for size and for a reader: an interlock is a lock with a timer, the chart a chain of rows,
ignition off a branch of its own. That they do the same as the rules is proved afterwards, from the text
(`controller.port.equality`); nothing here is trusted.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from types import SimpleNamespace
from typing import Any

from controller import tick
from controller.declare import ELAPSED_MAX_MS, TIMER_MAX_MS, Interlock, Memory, Row, State
from controller.errors import UserError
from controller.port.c_function import Places, Scope, bare
from controller.port.c_text import check_names, comment, number, statement
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
    "refusal": "int32_t refusal",
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
    "rules_waits": """\
/* Counts how long an interlock's condition has differed from it; false once that is long enough. */
static bool rules_waits(int32_t *timer_ms, int32_t wait_ms, int32_t elapsed_ms)
{
    const int32_t ms = (*timer_ms < 0) ? 0 : (*timer_ms + elapsed_ms);
    const bool waits = ms < wait_ms;

    *timer_ms = waits ? ms : -1;

    return waits;
}
""",
    "rules_counts": f"""\
/* Counts how long the condition of a latched interlock has been gone. */
static void rules_counts(int32_t *timer_ms, int32_t elapsed_ms)
{{
    *timer_ms = (*timer_ms < 0) ? 0 : rules_min(*timer_ms + elapsed_ms, {TIMER_MAX_MS});
}}
""",
}


class _Tick:
    """The tick while it is written: what a rule reads is the C place that holds it at that moment."""

    def __init__(self, rules: RuleSet, kept_trips: frozenset[str]) -> None:
        self.rules, self.kept_trips = rules, kept_trips
        self.places = Places(rules)
        graph = self.places.graph
        self.x = SimpleNamespace(**(inputs_of(graph, rules) | {"ignition_on": graph.constant(True)}))
        self.k = SimpleNamespace(**calibration_of(graph, rules))
        self.m = SimpleNamespace(**memory_of(graph, rules))

    def renewed(self, name: str, kind: str, place: str) -> Term:
        """Let `m.<name>` stand for a C place that has just been written."""
        fresh = self.places.variable(f"{name}'", kind, place)
        setattr(self.m, name, fresh)
        return fresh

    def memory_fields(self, scope: Scope, fields: Sequence[Memory]) -> None:
        for field in fields:
            self._memory_field(scope, field)

    def _memory_field(self, scope: Scope, field: Memory) -> None:
        term = self.places.fold(field.update(self.x, self.k, self.m))
        place = f"m->{field.name}"

        def write() -> None:
            scope.lines.append(comment(field.meaning, "    "))
            scope.say(f"{place} = {bare(scope.text(term))};")

        scope.add([term], write)
        self.renewed(field.name, term.kind, place)

    def locks(self, scope: Scope) -> None:
        m = self.m
        m.bars_idle = m.bars_released = self.places.graph.constant(False)
        for interlock in self.rules.interlocks:
            stands = self._lock(scope, interlock)
            if interlock.out_to is State.IDLE:
                m.bars_idle = stands | m.bars_idle
            elif interlock.out_to is State.RELEASED:
                m.bars_released = stands | m.bars_released

    def _lock(self, scope: Scope, interlock: Interlock) -> Term:
        fold = self.places.fold
        trips = fold(interlock.trips(self.x, self.k, self.m))
        confirm = fold(_time(interlock.confirm, self.k))
        settle = fold(0 if interlock.latches else _time(interlock.settle, self.k))
        on, ms, local = f"m->{interlock.on}", f"m->{interlock.timer}", interlock.trip
        # What comes on at once is on whenever its condition holds.
        at_once = interlock.confirm == 0 and not interlock.latches
        stands = on if at_once else f"m->{interlock.reason}_stands"

        def write() -> None:
            scope.lines += ["", comment(f"{interlock.reason}: {interlock.meaning}. Clears {interlock.clears}.", "    ")]
            scope.say(f"const bool {local} = {bare(scope.text(trips))};")
            if interlock.reason in self.kept_trips:
                scope.say(f"m->{interlock.trip} = {local};")
            if at_once and interlock.settle == 0:
                scope.say(f"{on} = {local};")
                scope.say(f"{ms} = -1;")
            elif at_once:
                _write_chain(scope, [
                    (local, [f"{on} = true;", f"{ms} = -1;"]),
                    (on, [f"{on} = {self._waits(scope, ms, settle)};"]),
                ], f"{ms} = -1;")  # fmt: skip
            else:
                _write_chain(scope, [
                    (f"{local} && {on}", [f"{ms} = -1;", f"{stands} = true;"]),
                    (local, [f"{on} = !{self._waits(scope, ms, confirm)};", f"{stands} = true;"]),
                    (on, [self._leaves(scope, interlock, settle), f"{stands} = {on};"]),
                ], f"{ms} = -1;", f"{stands} = false;")  # fmt: skip

        scope.add([trips, confirm, settle], write)
        self.renewed(interlock.trip, "bool", f"m->{interlock.trip}")
        self.renewed(interlock.on, "bool", on)
        self.renewed(interlock.timer, "int", ms)
        return self.renewed(_stands(interlock.reason), "bool", stands)

    def _leaves(self, scope: Scope, interlock: Interlock, settle: Term) -> str:
        ms = f"m->{interlock.timer}"
        if interlock.latches:
            self.places.helpers |= {"rules_min", "rules_counts"}
            return f"rules_counts(&{ms}, elapsed_ms);"
        return f"m->{interlock.on} = {self._waits(scope, ms, settle)};"

    def _waits(self, scope: Scope, ms: str, wait: Term) -> str:
        # No wait is as long as a timer counts, so that only what never ends has to stop counting.
        if self.places.folder.limits(wait)[1] > TIMER_MAX_MS:
            raise UserError(f"rule set {self.rules.name!r}: {bare(scope.text(wait))} may be longer than "
                            f"{TIMER_MAX_MS} ms, where timers stop; declare a lower high end")  # fmt: skip
        self.places.helpers.add("rules_waits")
        return f"rules_waits(&{ms}, {bare(scope.text(wait))}, elapsed_ms)"

    def refusal(self, scope: Scope) -> None:
        rules = self.rules
        first, last = len(rules.first_refusals), len(rules.refusals) - len(rules.last_refusals)
        grounds: list[tuple[Term, list[str]]] = []
        for place, refusal in enumerate(rules.refusals):
            is_lock = first <= place < last
            holds = getattr(self.m, _stands(refusal.reason)) if is_lock else refusal.holds(self.x, self.k, self.m)
            term = self.places.fold(holds)
            if term is not self.places.graph.constant(False):
                grounds.append((term, [f"refusal = RULES_REASON_{refusal.reason.upper()};"]))

        def write() -> None:
            scope.say("int32_t refusal = RULES_REASON_NONE;")
            scope.lines.append("")
            _write_chain(scope, [(scope.text(holds), moves) for holds, moves in grounds], "/* no ground */")
            scope.lines.append("")
            scope.say("return refusal;")

        scope.add([holds for holds, _ in grounds], write)
        first_refusal = self.places.variable("refusal'", "int", "refusal")
        self.m.first_refusal = first_refusal
        self.m.refused = first_refusal != 0

    def chart(self, scope: Scope) -> None:
        self.m.state = self.places.variable("state_was'", "int", "state_was")
        arms = _arms([(row, self.places.fold(row.condition(self.x, self.k, self.m))) for row in self.rules.rows])

        def write() -> None:
            scope.say("const int32_t state_was = m->state;")
            scope.lines.append("")
            _write_chain(
                scope, [(_arm_condition(scope, *arm), _moves(arm[0])) for arm in arms], "/* no row: it stays */"
            )

        scope.add([condition for _, condition, _ in arms], write)
        self.renewed("state", "int", "m->state")
        self.renewed("reason", "int", "m->reason")

    def command(self, scope: Scope) -> None:
        m, fold = self.m, self.places.fold
        m.refusal = select(m.state == int(State.APPLIED), 0, m.first_refusal)
        m.warnings = 0
        for place, lamp in enumerate(self.rules.lamps):
            m.warnings = m.warnings + select(lamp.lit(self.x, self.k, m), 1 << place, 0)
        terms = [fold(getattr(m, name)) for name in COMMAND_FIELDS]

        def write() -> None:
            scope.lines.append("")
            for name, term in zip(COMMAND_FIELDS, terms, strict=True):
                scope.say(f"c->{name} = {bare(scope.text(term))};")

        scope.add(terms, write)


def _stands(reason: str) -> str:
    # No rule can read this: it is no Python name.
    return f"{reason} stands"


def _time(key_or_ms: str | int, k: Any) -> Any:
    return getattr(k, key_or_ms) if isinstance(key_or_ms, str) else key_or_ms


_Arm = tuple[Row, Term, list[State]]


def _arms(rows: list[tuple[Row, Term]]) -> list[_Arm]:
    # Rows that stand together and differ in their source only are one arm: no state sees another order.
    arms: list[_Arm] = []
    for row, condition in rows:
        if arms:
            last, same, sources = arms[-1]
            if (last.destination, last.reason) == (row.destination, row.reason) and same is condition:
                sources.append(row.source)
                continue
        arms.append((row, condition, [row.source]))
    return arms


def _arm_condition(scope: Scope, _row: Row, condition: Term, sources: list[State]) -> str:
    others = [state for state in State if state not in sources]
    if not others:
        return scope.text(condition)
    if len(others) == 1:
        where = f"(state_was != RULES_STATE_{others[0].name})"
    else:
        where = " || ".join(f"(state_was == RULES_STATE_{state.name})" for state in dict.fromkeys(sources))
        where = f"({where})" if len(sources) > 1 else where
    return f"{where} && {scope.text(condition)}"


def _moves(row: Row) -> list[str]:
    return [f"m->state = RULES_STATE_{row.destination.name};", f"m->reason = RULES_REASON_{row.reason.upper()};"]


def _write_chain(scope: Scope, arms: list[tuple[str, list[str]]], *otherwise: str) -> None:
    word = "if"
    for condition, moves in arms:
        scope.say(f"{word} ({bare(condition)})")
        scope.lines.append("    {")
        for move in moves:
            scope.say(move, "        ")
        scope.lines.append("    }")
        word = "else if"
    if arms:
        scope.lines += ["    else", "    {", *(f"        {move}" for move in otherwise), "    }"]


def _tick_off(rules: RuleSet) -> tuple[Scope, Places]:
    places = Places(rules)
    scope, graph = Scope(places), places.graph
    x = SimpleNamespace(**(inputs_of(graph, rules) | {"ignition_on": graph.constant(False)}))
    k = SimpleNamespace(**calibration_of(graph, rules))
    m = SimpleNamespace(**memory_of(graph, rules))
    tick.run(rules, x, k, m, tick.fold)
    renewed = [places.fold(getattr(m, field.name)) for field in rules.memory]
    command = [places.fold(getattr(m, name)) for name in COMMAND_FIELDS]

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
        for name, term in zip(COMMAND_FIELDS, command, strict=True):
            scope.say(f"c->{name} = {bare(scope.text(term))};")

    scope.add([*renewed, *command], write)
    return scope, places


class _Function:
    """A function whose parameters are what its body uses."""

    def __init__(self, about: str, name: str, lines: list[str], result: str = "void") -> None:
        body = "\n".join(lines)
        plain = re.sub(r"/\*.*?\*/", "", body, flags=re.S)
        used = [
            name for name in _ARGUMENTS
            if re.search(rf"(?<!->)\b{name}\b", plain) and not re.search(rf"int32_t {name}\b", plain)
        ]  # fmt: skip
        head = f"static inline {result} {name}({', '.join(_parameter(one, body) for one in used) or 'void'})"
        self.call = f"{name}({', '.join(used)})"
        self.text = "\n".join([comment(about), statement(head, ""), "{", body, "}", ""])


def _parameter(name: str, body: str) -> str:
    declared = _ARGUMENTS[name]
    if name == "m" and not re.search(r"m->[\w.]+ = |&m->|\(m\)", body):
        return f"const {declared}"
    return declared


def rules_c(rules: RuleSet) -> str:
    """Return the text of `rules.c`.

    Raises `UserError` for a name or a number that C cannot carry.
    """
    check_names(rules)
    own = {field.name for field in rules.memory}
    for name, _ in transient_fields(rules):
        if name in own:
            raise UserError(f"rule set {rules.name!r}: memory field {name!r} is set by the tick itself in firmware; "
                            "give it another name")  # fmt: skip
    return _written(rules, kept_trips(rules))


def kept_trips(rules: RuleSet) -> frozenset[str]:
    """Return the interlocks whose condition is read after its own stage: it then needs a field of its own."""
    text = _written(rules, frozenset())
    return frozenset(one.reason for one in rules.interlocks if f"m->{one.trip}" in text)


def _written(rules: RuleSet, trips: frozenset[str]) -> str:
    work = _Tick(rules, trips)
    elapsed = work.places.fold(minimum(maximum(work.x.now_ms - work.m.now_ms, 0), ELAPSED_MAX_MS))
    locks, refusal, chart, last = (Scope(work.places) for _ in range(4))
    work.m.elapsed_ms = work.places.variable("elapsed_ms'", "int", "elapsed_ms")
    work.renewed("now_ms", "int", "m->now_ms")
    work.memory_fields(locks, rules.early)
    work.locks(locks)
    work.refusal(refusal)
    work.chart(chart)
    work.memory_fields(last, rules.late)
    work.command(last)
    functions = [
        _Function("Memory that comes before the chart, then the interlocks.", "rules_locks", locks.finish()),
        _Function("The first ground for not going in, or none.", "rules_refusal", refusal.finish(), "int32_t"),
        _Function("The chart: the first row of the state whose condition holds.", "rules_chart", chart.finish()),
    ]
    first = Scope(work.places)
    first.add([elapsed], lambda: first.say(f"const int32_t elapsed_ms = {bare(first.text(elapsed))};"))
    on = [
        *first.finish(), "", "    m->now_ms = x->now_ms;",
        f"    {functions[0].call};", f"    const int32_t refusal = {functions[1].call};",
        f"    {functions[2].call};", "", *last.finish(),
    ]  # fmt: skip
    functions.append(_Function("Ignition on.", "rules_tick_on", on))
    off, off_places = _tick_off(rules)
    functions.append(_Function("Ignition off: back to the start, no duty.", "rules_tick_off", off.finish()))
    helpers = work.places.helpers | off_places.helpers
    return "\n".join([
        comment(f"Converter-clutch rules {rules.name!r}, version {rules.version}. Generated by tccbench; do not edit."),
        '#include "rules.h"', "",
        *(text for name, text in _HELPERS.items() if name in helpers),
        "void rules_start(rules_memory_t *m)", "{",
        *(f"    m->{field.name} = {_initial(field)};" for field in rules.memory),  "}", "",
        *(function.text for function in functions),
        statement(f"void rules_tick({', '.join(_ARGUMENTS[one] for one in 'kxmc')})", ""), "{",
        "    if (x->ignition_on)", "    {", f"        {functions[3].call};", "    }",
        "    else", "    {", f"        {functions[4].call};", "    }", "}",
    ]) + "\n"  # fmt: skip


def _initial(field: Memory) -> str:
    if field.is_flag:
        return "true" if field.start else "false"
    return bare(number(field.start))


def transient_fields(rules: RuleSet) -> list[tuple[str, str]]:
    """Return name and meaning of the truth values that the C keeps in its memory within a tick only."""
    trips = kept_trips(rules)
    fields = [(one.trip, f"the condition of {one.reason} holds") for one in rules.interlocks if one.reason in trips]
    return fields + [
        (f"{one.reason}_stands", f"{one.reason} is on, or its condition holds")
        for one in rules.interlocks
        if one.confirm != 0 or one.latches
    ]
