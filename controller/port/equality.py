"""Proves that the emitted C does what the rules say: for every input, every memory and every valid calibration.

The text is read back (`c_reader`) into 32-bit terms and compared with the traced rules, output by output. Every
sum, difference and product on both sides is shown to stay within int32, so that a bit-vector is the whole number
of the reference and nothing in C is undefined. Every memory field is shown to stay in its declared range, so what
is assumed of the memory before a tick holds after it, from `rules_start` on.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

import z3

from controller.declare import Key, Memory, Signal
from controller.port.bits import Bits, Kind, Value, all_in_range
from controller.port.c_reader import CTextError, Machine, Pointer, fields_of, read
from controller.ruleset import COMMAND_FIELDS, RuleSet
from controller.terms import Term, worked_out
from controller.tracer import trace, trace_relation

_QUERY_MS = 60_000
_QUICK_MS = 1_500


@dataclass(frozen=True)
class Claim:
    """One thing that was to be shown; `verdict` is proved, refuted or undecided."""

    name: str
    verdict: str
    detail: str = ""


@dataclass(frozen=True)
class CText:
    """The three texts that are proved."""

    header: str
    rules: str
    checks: str


def prove(rules: RuleSet, text: CText) -> list[Claim]:
    """Return every claim with its verdict; a text that cannot be read is one refuted claim."""
    try:
        return list(_claims(rules, text))
    except CTextError as error:
        return [Claim("the text is C that the port may emit", "refuted", str(error))]


def failures(claims: Iterable[Claim]) -> list[Claim]:
    """Return the claims that are not proved."""
    return [claim for claim in claims if claim.verdict != "proved"]


def tick_differs(rules: RuleSet, text: CText) -> Claim | None:
    """Return a claim on the tick that is not proved, or None where all are; a refuted one before an undecided one.

    Raises `CTextError` where the text cannot be read.
    """
    # A quick round first: of several outputs that differ, one is usually refuted at once.
    for query_ms in (_QUICK_MS, _QUERY_MS):
        claims = []
        for claim in _tick_claims(rules, text, query_ms):
            if claim.verdict == "refuted":
                return claim
            claims.append(claim)
        if not failures(claims):
            return None
    return failures(claims)[0]


def _claims(rules: RuleSet, text: CText) -> Iterator[Claim]:
    yield from _tick_claims(rules, text)
    yield from _start_claims(rules, text)
    yield from _calibration_claims(rules, text)
    yield from _limit_claims(rules, text)


# The tick ---------------------------------------------------------------------------------------------------


def _tick_claims(rules: RuleSet, text: CText, query_ms: int = _QUERY_MS) -> Iterator[Claim]:
    # The C has a branch of its own for each; apart, both sides are nearly the same term.
    for ignition_on in (True, False):
        for claim in _tick_case(rules, text, ignition_on, query_ms):
            yield Claim(f"{claim.name}, ignition {'on' if ignition_on else 'off'}", claim.verdict, claim.detail)


def _tick_case(rules: RuleSet, text: CText, ignition_on: bool, query_ms: int) -> Iterator[Claim]:
    bits = Bits()
    variables = _declared(bits, "x", rules.signals) | _declared(bits, "k", rules.keys)
    variables |= _declared(bits, "m", rules.memory)
    variables["x.ignition_on"] = bits.truth(ignition_on)
    bits.assumptions = [*all_in_range(list(variables.values())), *_relations(rules, Bits(), variables)]
    solver = _solver(bits.assumptions, query_ms)

    program = read(text.header, text.rules)
    store = {f"x.{one.name}": variables[f"x.{one.name}"] for one in rules.signals}
    store |= {f"k.{one.name}": variables[f"k.{one.name}"] for one in rules.keys}
    store |= {f"m.{one.name}": variables[f"m.{one.name}"] for one in rules.memory}
    _check_layout(fields_of(program, "rules_inputs_t", "x") | fields_of(program, "rules_calibration_t", "k"), store)
    machine = Machine(program, bits, store)
    machine.call("rules_tick", [
        Pointer("k", "rules_calibration_t", True), Pointer("x", "rules_inputs_t", True),
        Pointer("m", "rules_memory_t", False), Pointer("c", "rules_command_t", False),
    ])  # fmt: skip
    traced = trace(rules)
    of_rules = Evaluator(bits, variables)
    for field, term in zip(rules.memory, traced.memory, strict=True):
        in_c = _written(machine, f"m.{field.name}")
        yield _same(solver, f"memory {field.name}", in_c, of_rules.value(term))
        if not field.is_flag:
            yield _stays(solver, field, in_c)
    for name, term in zip(COMMAND_FIELDS, traced.command, strict=True):
        yield _same(solver, f"command {name}", _written(machine, f"c.{name}"), of_rules.value(term))
    yield _discharged(solver, bits)


def _written(machine: Machine, path: str) -> Value:
    if path not in machine.store:
        raise CTextError(f"{path} is not written on every way through the tick")
    return machine.store[path]


def _check_layout(found: dict[str, Kind], expected: dict[str, Value]) -> None:
    for path, kind in found.items():
        if path not in expected or expected[path].kind != kind:
            raise CTextError(f"the header's {path} is no {kind} of the rules")


def _same(solver: Any, name: str, in_c: Value, in_rules: Value) -> Claim:
    if in_c.kind != in_rules.kind:
        return Claim(name, "refuted", f"C has a {in_c.kind}, the rules a {in_rules.kind}")
    if in_c.term.eq(in_rules.term):
        return Claim(name, "proved")
    return _show(solver, name, in_c.term == in_rules.term)


def _stays(solver: Any, field: Memory, in_c: Value) -> Claim:
    name = f"memory {field.name} stays from {field.low} to {field.high}"
    return _show(solver, name, z3.And(in_c.term >= field.low, in_c.term <= field.high))


def _discharged(solver: Any, bits: Bits) -> Claim:
    name = "no sum, difference or product leaves int32"
    for what, obligation in bits.obligations:
        claim = _show(solver, name, obligation)
        if claim.verdict != "proved":
            return Claim(name, claim.verdict, f"{what}: {claim.detail}")
    return Claim(name, "proved", f"{len(bits.obligations)} by z3, the others by their intervals")


# Start, calibration, inputs ---------------------------------------------------------------------------------


def _start_claims(rules: RuleSet, text: CText) -> Iterator[Claim]:
    bits = Bits()
    machine = Machine(read(text.header, text.rules), bits, {})
    machine.call("rules_start", [Pointer("m", "rules_memory_t", False)])
    solver = _solver([])
    for field in rules.memory:
        expected = bits.truth(bool(field.start)) if field.is_flag else bits.number(field.start)
        yield _same(solver, f"start {field.name}", _written(machine, f"m.{field.name}"), expected)


def _calibration_claims(rules: RuleSet, text: CText) -> Iterator[Claim]:
    bits = Bits()
    anything = {f"k.{key.name}": bits.variable(f"k.{key.name}", "bool" if key.is_flag else "int") for key in rules.keys}
    machine = Machine(read(text.header, text.checks), bits, dict(anything))
    in_c = machine.call("rules_calibration_valid", [Pointer("k", "rules_calibration_t", True)])
    ranges = [
        z3.And(anything[f"k.{key.name}"].term >= key.low, anything[f"k.{key.name}"].term <= key.high)
        for key in rules.keys
        if not key.is_flag
    ]
    if in_c is None:
        raise CTextError("rules_calibration_valid returns nothing")
    solver = _solver([])
    bits.path += ranges
    in_rules = Value(z3.And(*ranges, *_relations(rules, bits, anything)), "bool")
    yield _same(solver, "rules_calibration_valid: ranges and relations", in_c, in_rules)
    claim = _discharged(solver, bits)
    yield Claim(f"rules_calibration_valid: {claim.name}", claim.verdict, claim.detail)


def _limit_claims(rules: RuleSet, text: CText) -> Iterator[Claim]:
    bits = Bits()
    anything = {
        f"x.{one.name}": bits.variable(f"x.{one.name}", "bool" if one.is_flag else "int") for one in rules.signals
    }
    machine = Machine(read(text.header, text.checks), bits, dict(anything))
    in_c = machine.call("rules_inputs_limit", [Pointer("x", "rules_inputs_t", False)])
    if in_c is None:
        raise CTextError("rules_inputs_limit returns nothing")
    inside = z3.And(*(
        z3.And(anything[f"x.{one.name}"].term >= one.low, anything[f"x.{one.name}"].term <= one.high)
        for one in rules.signals if not one.is_flag
    ))  # fmt: skip
    solver = _solver([])
    yield _same(solver, "rules_inputs_limit: says whether all were in range", in_c, Value(inside, "bool"))
    for one in rules.signals:
        was, now = anything[f"x.{one.name}"].term, _written(machine, f"x.{one.name}").term
        kept = z3.Implies(inside, now == was)
        if one.is_flag:
            yield _show(solver, f"rules_inputs_limit: {one.name} kept where all were in range", kept)
        else:
            yield _show(solver, f"rules_inputs_limit: {one.name} in range",
                        z3.And(now >= one.low, now <= one.high, kept))  # fmt: skip
    lost = [
        _written(machine, f"x.{one.name}").term == one.high for one in rules.signals if one.name.endswith("_age_ms")
    ] or [z3.Not(_written(machine, "x.ignition_on").term)]
    yield _show(solver, "rules_inputs_limit: where one was outside, every signal is lost", z3.Or(inside, z3.And(*lost)))


# Tools ------------------------------------------------------------------------------------------------------


class Evaluator:
    """Works out traced terms on given variables (`x.<name>`, `k.<name>`, `m.<name>`)."""

    def __init__(self, bits: Bits, variables: dict[str, Value]) -> None:
        self.bits, self.variables = bits, variables
        self._done: dict[Term, Value] = {}

    def value(self, term: Term) -> Value:
        """Return the value of a term."""
        return worked_out(term, self._done, self._work_out)

    def _work_out(self, term: Term, *parts: Value) -> Value:
        bits = self.bits
        if term.op == "var":
            return self.variables[str(term.value)]
        if term.op == "const":
            return bits.truth(bool(term.value)) if term.kind == "bool" else bits.number(int(term.value))
        if term.op == "not":
            return bits.opposite(*parts)
        if term.op == "select":
            return bits.choice(*parts)
        if term.op == "&":
            return bits.both(*parts)
        if term.op == "|":
            return bits.either(*parts)
        if term.op in ("min", "max"):
            return bits.extreme(term.op, *parts)
        if term.op in ("+", "-", "*"):
            return bits.arithmetic(term.op, *parts)
        return bits.compare(term.op, *parts)


def _declared(bits: Bits, root: str, parts: Iterable[Signal | Key | Memory]) -> dict[str, Value]:
    return {
        f"{root}.{one.name}": bits.variable(f"{root}.{one.name}", "bool" if one.is_flag else "int", one.low, one.high)
        for one in parts
    }


def _relations(rules: RuleSet, bits: Bits, variables: dict[str, Value]) -> list[Any]:
    # Their sums are judged with those of `rules_calibration_valid`; in the tick they only say what is assumed.
    return [Evaluator(bits, variables).value(trace_relation(one, rules)).term for one in rules.relations]


def _solver(assumptions: list[Any], query_ms: int = _QUERY_MS) -> Any:
    solver = z3.SolverFor("QF_BV")
    solver.set("timeout", query_ms)
    solver.set("random_seed", 0)
    solver.add(*assumptions)
    return solver


def _show(solver: Any, name: str, claim: Any) -> Claim:
    solver.push()
    solver.add(z3.Not(claim))
    answer = solver.check()
    if answer == z3.sat:
        model = solver.model()
        shown = ", ".join(
            f"{one.name()}={_number(model[one])}" for one in sorted(model.decls(), key=lambda d: d.name())
        )
        result = Claim(name, "refuted", shown)
    else:
        result = Claim(name, "proved" if answer == z3.unsat else "undecided")
    solver.pop()
    return result


def _number(value: Any) -> str:
    return str(value.as_signed_long()) if z3.is_bv_value(value) else str(value).lower()
