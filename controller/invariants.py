"""What holds of the memory after every tick: guessed from the declarations, kept where induction bears it out.

A property of one tick is proved from any memory that satisfies these, whether or not it can be reached. None is
stated by hand: candidates are made of the declared fields, and the largest subset that holds at power-up and
carries itself over a tick is what remains (Flanagan and Leino's "Houdini", FME 2001; cited from memory). A wrong
candidate costs time, never truth.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping
from itertools import product
from typing import Any

import z3

from controller.declare import History, State
from controller.encode import Encoder
from controller.terms import Graph, RuleLanguageError
from controller.tracer import Names, calibration_of, memory_of, views

Claim = Callable[[Mapping[str, Any]], Any]
"""A formula over a memory, given by name (`m.*`, `h.*`)."""


def find(encoder: Encoder, among: Collection[str] | None = None) -> dict[str, Claim]:
    """Return the candidates that hold at power-up and carry themselves over any tick, by their text.

    `among` limits the search, to what held of a rule set much like this one.
    """
    first = encoder.first_memory()
    before = encoder.any_memory("")
    moment = encoder.moment(before, encoder.inputs(""))
    after = moment.after()
    alive: dict[str, Claim] = {}
    solver = z3.SolverFor("QF_LIA")
    for text, claim in _candidates(encoder):
        if among is not None and text not in among:
            continue
        if _holds_at_first(encoder, claim(first)):
            alive[text] = claim
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


def _holds_at_first(encoder: Encoder, formula: Any) -> bool:
    plain = z3.simplify(formula)
    if z3.is_true(plain) or z3.is_false(plain):
        return bool(z3.is_true(plain))
    solver = z3.SolverFor("QF_LIA")
    solver.add(*encoder.assumed, z3.Not(plain))
    return bool(solver.check() == z3.unsat)


def _candidates(encoder: Encoder) -> Iterator[tuple[str, Claim]]:
    rules = encoder.rules
    flags = [f"m.{one.name}" for one in rules.memory if one.is_flag]
    numbers = [one for one in rules.memory if not one.is_flag and one.name not in ("state", "now_ms")]
    for state, flag in product(State, flags):
        yield (f"{state.word}: not {flag}", lambda v, s=int(state), f=flag: z3.Or(v["m.state"] != s, z3.Not(v[f])))
        yield f"{state.word}: {flag}", lambda v, s=int(state), f=flag: z3.Or(v["m.state"] != s, v[f])
    for state, field in product(State, numbers):
        name = f"m.{field.name}"
        values = {field.initial, field.low} if field.high - field.low > 8 else set(range(field.low, field.high + 1))
        for value in sorted(values):
            yield (f"{state.word}: {name} = {value}",
                   lambda v, s=int(state), n=name, c=value: z3.Or(v["m.state"] != s, v[n] == c))
            yield (f"{state.word}: {name} not {value}",
                   lambda v, s=int(state), n=name, c=value: z3.Or(v["m.state"] != s, v[n] != c))
    for interlock in rules.interlocks:
        on, timer = f"m.{interlock.on}", f"m.{interlock.timer}"
        yield f"{timer} runs: {on}", lambda v, o=on, t=timer: z3.Or(v[t] < 0, v[o])
        yield f"{timer} runs: not {on}", lambda v, o=on, t=timer: z3.Or(v[t] < 0, z3.Not(v[o]))
    yield from _of_states_alone(encoder)
    for history in rules.histories:
        limits = _keys_read(encoder, history)
        for one in history.keeps:
            yield from _links(encoder, f"h.{history.name}.{one.name}", one.is_flag, flags, limits)


def _links(encoder: Encoder, name: str, is_flag: bool, flags: list[str], limits: list[str]) -> Iterator[tuple[str, Claim]]:
    """Yield guesses that tie a history's field to the rules' memory."""
    fields = [(f"m.{one.name}", one) for one in encoder.rules.memory if one.name != "now_ms"]
    if is_flag:
        for other, field in fields:
            at_first = bool(field.initial) if field.is_flag else field.initial
            yield f"{name} or {other} = {at_first}", lambda v, n=name, o=other, c=at_first: z3.Or(v[n], v[o] == c)
            yield (f"{name}: {other} = {at_first}",
                   lambda v, n=name, o=other, c=at_first: z3.Or(z3.Not(v[n]), v[o] == c))
        return
    for other, field in fields:
        if not field.is_flag:
            yield f"{name} >= {other}", lambda v, n=name, o=other: v[n] >= v[o]
            yield f"{name} <= {other}", lambda v, n=name, o=other: v[n] <= v[o]
            yield f"{name} = {other}", lambda v, n=name, o=other: v[n] == v[o]
    for flag, key in product(flags, limits):
        limit = encoder.key(key)
        yield f"{flag} or {name} >= {key}", lambda v, n=name, f=flag, c=limit: z3.Or(v[f], v[n] >= c)
        yield f"{flag}: {name} >= {key}", lambda v, n=name, f=flag, c=limit: z3.Or(z3.Not(v[f]), v[n] >= c)


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
        yield f"property {prop.name}", lambda v, t=term: encoder.moment(v, {}).of(t)
