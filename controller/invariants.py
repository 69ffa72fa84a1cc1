"""What holds of the memory after every tick: guessed from the declarations, kept where induction bears it out.

A property of one tick is proved from any memory that satisfies these, whether or not it can be reached. None is
stated by hand: candidates are made of the declared fields, and the largest subset that holds at power-up and
carries itself over a tick is what remains (Flanagan and Leino's "Houdini", FME 2001; cited from memory). A wrong
candidate costs time, never truth.
"""

from __future__ import annotations

import operator
from collections.abc import Callable, Collection, Iterator, Mapping
from itertools import product
from typing import Any

import z3

from controller.declare import History, State
from controller.encode import Encoder
from controller.terms import Graph, RuleLanguageError, Term
from controller.tracer import calibration_of, memory_of, views
from controller.views import Names

Claim = Callable[[Mapping[str, Any]], Any]
"""A formula over a memory, given by name (`m.*`, `h.*`)."""


def find(encoder: Encoder, among: Collection[str] | None = None) -> dict[str, Claim]:
    """Return the candidates that hold at power-up and carry themselves over any tick, by their text.

    `among` limits the search, to what held of a rule set much like this one.
    """
    before = encoder.any_memory("")
    moment = encoder.moment(before, encoder.inputs(""))
    after = moment.after()
    alive = _holding_at_first(encoder, {t: c for t, c in _candidates(encoder) if among is None or t in among})
    solver = z3.SolverFor("QF_LIA")
    for text, claim in alive.items():
        solver.add(z3.Implies(z3.Bool(f"assume {text}"), claim(before)))
        solver.add(z3.Implies(z3.Bool(f"fails {text}"), z3.Not(claim(after))))
    solver.add(*encoder.assumed)
    while alive:
        # One of those still alive fails after the tick: selected by a fresh switch, so that the solver keeps its work.
        switch = z3.Bool(f"round{len(alive)}")
        solver.add(z3.Implies(switch, z3.Or(*(z3.Bool(f"fails {text}") for text in alive))))
        answer = solver.check(switch, *(z3.Bool(f"assume {text}") for text in alive))
        if answer == z3.unsat:
            break
        if answer == z3.unknown:
            return {}
        model = solver.model()
        for text in list(alive):
            if z3.is_false(model.eval(alive[text](after), model_completion=True)):
                del alive[text]
    return alive


def _holding_at_first(encoder: Encoder, claims: Mapping[str, Claim]) -> dict[str, Claim]:
    first = encoder.first_memory()
    formulas = {text: claim(first) for text, claim in claims.items()}
    solver = z3.SolverFor("QF_LIA")
    # Only now: making the formulas may have met products, of which something is then assumed.
    solver.add(*encoder.assumed)
    holding: dict[str, Claim] = {}
    for text, formula in formulas.items():
        solver.push()
        solver.add(z3.Not(formula))
        if solver.check() == z3.unsat:
            holding[text] = claims[text]
        solver.pop()
    return holding


def _candidates(encoder: Encoder) -> Iterator[tuple[str, Claim]]:
    rules = encoder.rules
    flags = [f"m.{one.name}" for one in rules.memory if one.is_flag]
    numbers = [one for one in rules.memory if not one.is_flag and one.name not in ("state", "now_ms")]
    for state in State:
        elsewhere = _compared("m.state", operator.ne, int(state))
        for flag in flags:
            yield f"{state.word}: {flag}", _either(elsewhere, _is(flag))
            yield f"{state.word}: not {flag}", _either(elsewhere, _is_not(flag))
        for field in numbers:
            name = f"m.{field.name}"
            few = field.high - field.low <= _FEW
            for value in range(field.low, field.high + 1) if few else sorted({field.initial, field.low}):
                yield f"{state.word}: {name} = {value}", _either(elsewhere, _compared(name, operator.eq, value))
                yield f"{state.word}: {name} not {value}", _either(elsewhere, _compared(name, operator.ne, value))
    for interlock in rules.interlocks:
        on, timer = f"m.{interlock.on}", f"m.{interlock.timer}"
        rests = _compared(timer, operator.lt, 0)
        yield f"{timer} runs: {on}", _either(rests, _is(on))
        yield f"{timer} runs: not {on}", _either(rests, _is_not(on))
    yield from _of_states_alone(encoder)
    # A settle time may be a number instead of a key.
    times = {str(one.settle): one.settle for one in rules.interlocks if isinstance(one.settle, int) and one.settle}
    for history in rules.histories:
        limits = times | {name: encoder.key(name) for name in _keys_read(encoder, history)}
        for one in history.keeps:
            name = f"h.{history.name}.{one.name}"
            yield from _of_flag(encoder, name) if one.is_flag else _of_number(encoder, name, flags, limits)


def _of_flag(encoder: Encoder, name: str) -> Iterator[tuple[str, Claim]]:
    """Yield guesses that tie a history's truth value to the rules' memory."""
    for field in encoder.rules.memory:
        if field.name != "now_ms":
            other, start = f"m.{field.name}", field.start
            at_start = _compared(other, operator.eq, start)
            yield f"{name} or {other} = {start}", _either(_is(name), at_start)
            yield f"{name}: {other} = {start}", _either(_is_not(name), at_start)


def _of_number(encoder: Encoder, name: str, flags: list[str], limits: Mapping[str, Any]) -> Iterator[tuple[str, Claim]]:
    """Yield guesses that tie a history's number to the rules' memory, to keys that the history reads and to times."""
    for field in encoder.rules.memory:
        if not field.is_flag and field.name != "now_ms":
            other = f"m.{field.name}"
            for sign, compare in ((">=", operator.ge), ("<=", operator.le), ("=", operator.eq)):
                yield f"{name} {sign} {other}", _of_two(name, compare, other)
    for flag, (limit, formula) in product(flags, limits.items()):
        enough = _compared(name, operator.ge, formula)
        yield f"{flag} or {name} >= {limit}", _either(_is(flag), enough)
        yield f"{flag}: {name} >= {limit}", _either(_is_not(flag), enough)


_FEW = 8
"""A field of so few values is tried with each of them."""

_Compare = Callable[[Any, Any], Any]


def _is(flag: str) -> Claim:
    return lambda v: v[flag]


def _is_not(flag: str) -> Claim:
    return lambda v: z3.Not(v[flag])


def _compared(name: str, compare: _Compare, value: Any) -> Claim:
    return lambda v: compare(v[name], value)


def _of_two(name: str, compare: _Compare, other: str) -> Claim:
    return lambda v: compare(v[name], v[other])


def _either(first: Claim, second: Claim) -> Claim:
    return lambda v: z3.Or(first(v), second(v))


def _of_memory(encoder: Encoder, truth: Term) -> Claim:
    return lambda v: encoder.moment(v, {}).of(truth)


def _keys_read(encoder: Encoder, history: History) -> list[str]:
    """Return the whole-number keys that a history's own formula reads, without those of the tick it looks at."""
    read: list[str] = []

    class Recording(Names):
        def __getattr__(self, name: str) -> Any:
            read.append(name)
            return super().__getattr__(name)

    before, x, _k, after = views(encoder.program, history)
    history.holds(before, x, Recording("key", calibration_of(encoder.graph, encoder.rules)), after)
    plain = {key.name for key in encoder.rules.keys if not key.is_flag}
    return [name for name in dict.fromkeys(read) if name in plain]


def _of_states_alone(encoder: Encoder) -> Iterator[tuple[str, Claim]]:
    """Yield the properties that look at memory after the tick and calibration only: they may hold of any memory."""
    rules = encoder.rules
    for prop in rules.properties:
        graph = Graph()
        nothing = Names("name that a property of memory alone reads", {})
        try:
            term = graph.lift(
                prop.holds(
                    nothing,
                    nothing,
                    Names("calibration key", calibration_of(graph, rules)),
                    Names("memory field", memory_of(graph, rules)),
                )
            )
        except RuleLanguageError:
            continue
        yield f"property {prop.name}", _of_memory(encoder, term)
