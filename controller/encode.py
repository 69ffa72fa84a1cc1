"""Traced terms as z3 formulas: one `Moment` a tick, chained into a run.

Whole numbers are z3 integers: the range proof shows that no term leaves int32, so that they read as firmware's do.
A product of two unknowns is not linear, and deciding it exactly may take for ever. It is therefore replaced by an
unknown of its own, of which only what every product obeys is assumed: it is nothing where a factor is, no less than
either factor where both are above nothing, and it grows with a factor. What is proved of it so holds of the product; a
counterexample is sought with the factors' calibration keys fixed, where every product is exact.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import z3

from controller.intervals import declared_ranges, variables
from controller.ruleset import COMMAND_FIELDS, RuleSet
from controller.terms import Term, worked_out
from controller.tracer import Program, trace_history, trace_relation


class Encoder:
    """A rule set's tick in z3: calibration once, and as many moments as wanted.

    `fixed` gives calibration keys a value; the others are any that the file check accepts.
    """

    def __init__(self, program: Program, fixed: Mapping[str, int] | None = None) -> None:
        self.program, self.rules = program, program.rules
        self.graph = program.graph
        self.histories = [trace_history(history, program) for history in self.rules.histories]
        self.declared = declared_ranges(self.rules)
        self.assumed: list[Any] = []
        """What holds of every calibration and product met so far; assert it beside each query."""
        self._products: dict[tuple[int, int], tuple[Any, Any, Any]] = {}
        self._kept: list[Any] = []  # z3 reuses the number of a freed formula; these stay
        self._calibration: dict[str, Any] = {}
        for key in self.rules.keys:
            name = f"k.{key.name}"
            if fixed is not None and key.name in fixed:
                value = fixed[key.name]
                self._calibration[name] = z3.BoolVal(bool(value)) if key.is_flag else z3.IntVal(value)
            else:
                self._calibration[name] = self.unknown(name, key.is_flag)
        for relation in self.rules.relations:
            term = trace_relation(relation, self.rules)
            self.assumed.append(_Translation(self, dict(self._calibration)).of(term))

    def unknown(self, name: str, is_flag: bool, at: str = "") -> Any:
        """Return a z3 unknown for a variable at a moment, within its declared range."""
        if is_flag:
            return z3.Bool(f"{name}{at}")
        made = z3.Int(f"{name}{at}")
        low, high = self.declared[name]
        self.assumed += [made >= low, made <= high]
        return made

    def key(self, name: str) -> Any:
        """Return a calibration key's formula."""
        return self._calibration[f"k.{name}"]

    def inputs(self, at: str) -> dict[str, Any]:
        """Return unknown inputs of a tick."""
        return {f"x.{one.name}": self.unknown(f"x.{one.name}", one.is_flag, at) for one in self.rules.signals}

    def any_memory(self, at: str) -> dict[str, Any]:
        """Return an unknown memory of rules and histories, within the declared ranges."""
        made = {f"m.{one.name}": self.unknown(f"m.{one.name}", one.is_flag, at) for one in self.rules.memory}
        for history in self.rules.histories:
            for one in history.keeps:
                name = f"h.{history.name}.{one.name}"
                made[name] = self.unknown(name, one.is_flag, at)
        return made

    def first_memory(self) -> dict[str, Any]:
        """Return the memory at power-up."""

        def value(initial: int, is_flag: bool) -> Any:
            return z3.BoolVal(bool(initial)) if is_flag else z3.IntVal(initial)

        made = {f"m.{one.name}": value(one.initial, one.is_flag) for one in self.rules.memory}
        for history in self.rules.histories:
            for one in history.keeps:
                made[f"h.{history.name}.{one.name}"] = value(one.initial, one.is_flag)
        return made

    def moment(self, memory: Mapping[str, Any], inputs: Mapping[str, Any]) -> Moment:
        """Return a tick from this memory with these inputs."""
        return Moment(self, {**self._calibration, **memory, **inputs}, inputs)

    def product(self, left: Any, right: Any) -> Any:
        """Return a product: exact where a factor is a number, else an unknown with what all products obey."""
        left, right = z3.simplify(left), z3.simplify(right)
        for this, other in ((left, right), (right, left)):
            if z3.is_int_value(this):
                return this * other
            if _is_choice_of_numbers(this):
                return _scale(this, other)
        numbers = sorted((left, right), key=lambda one: int(one.get_id()))
        pair = (numbers[0].get_id(), numbers[1].get_id())
        known = self._products.get(pair)
        if known is not None:
            return known[2]
        self._kept += [left, right]
        made = z3.Int(f"product{len(self._products)}")
        a, b = numbers
        self.assumed += [
            z3.Implies(z3.Or(a == 0, b == 0), made == 0),
            z3.Implies(z3.And(a > 0, b > 0), z3.And(made >= a, made >= b)),
        ]
        for first, second, product in self._products.values():
            for shared, grown, less in ((a, b, (first, second)), (b, a, (first, second))):
                for factor, other in (less, less[::-1]):
                    if shared.eq(factor):
                        self.assumed += [
                            z3.Implies(z3.And(shared >= 0, grown <= other), made <= product),
                            z3.Implies(z3.And(shared >= 0, grown >= other), made >= product),
                        ]
        self._products[pair] = (a, b, made)
        return made


def _is_choice_of_numbers(formula: Any) -> bool:
    if z3.is_int_value(formula):
        return True
    return z3.is_app_of(formula, z3.Z3_OP_ITE) and all(map(_is_choice_of_numbers, formula.children()[1:]))


def _scale(choice: Any, other: Any) -> Any:
    if z3.is_int_value(choice):
        return choice * other
    condition, yes, no = choice.children()
    return z3.If(condition, _scale(yes, other), _scale(no, other))


class _Translation:
    """Terms to formulas over one set of variables."""

    def __init__(self, encoder: Encoder, values: dict[str, Any]) -> None:
        self._encoder, self._values = encoder, values
        self._known: dict[Term, Any] = {}

    def of(self, root: Term) -> Any:
        """Return the formula of a term, of the trace or of a graph of its own as a relation has."""
        return worked_out(root, self._known, self._operation)

    def _operation(self, term: Term, *p: Any) -> Any:
        match term.op:
            case "var":
                return self._values[str(term.value)]
            case "const":
                return z3.BoolVal(bool(term.value)) if term.kind == "bool" else z3.IntVal(term.value)
            case "+":
                return p[0] + p[1]
            case "-":
                return p[0] - p[1]
            case "*":
                return self._encoder.product(p[0], p[1])
            case "<":
                return p[0] < p[1]
            case "<=":
                return p[0] <= p[1]
            case "==":
                return p[0] == p[1]
            case "!=":
                return p[0] != p[1]
            case "&":
                return z3.And(p[0], p[1])
            case "|":
                return z3.Or(p[0], p[1])
            case "not":
                return z3.Not(p[0])
            case "select":
                return z3.If(p[0], p[1], p[2])
            case "min":
                return z3.If(p[0] < p[1], p[0], p[1])
            case "max":
                return z3.If(p[0] > p[1], p[0], p[1])
        raise AssertionError(f"the tracer made an operation that the proof does not know: {term.op}")


class Moment:
    """One tick: its inputs, the memory before and after, and any term of the trace at that tick."""

    def __init__(self, encoder: Encoder, values: dict[str, Any], inputs: Mapping[str, Any]) -> None:
        self.encoder, self.inputs = encoder, inputs
        self.before = {name: value for name, value in values.items() if name[0] in "mh"}
        self._translation = _Translation(encoder, values)

    def of(self, term: Term) -> Any:
        """Return a traced term at this tick."""
        return self._translation.of(term)

    def after(self) -> dict[str, Any]:
        """Return the memory of rules and histories after this tick."""
        program, rules = self.encoder.program, self.encoder.rules
        made = {f"m.{one.name}": self.of(term) for one, term in zip(rules.memory, program.memory, strict=True)}
        for history, (renewed, _holds) in zip(rules.histories, self.encoder.histories, strict=True):
            for one, term in zip(history.keeps, renewed, strict=True):
                made[f"h.{history.name}.{one.name}"] = self.of(term)
        return made

    def command(self, name: str) -> Any:
        """Return a field of the command."""
        return self.of(self.encoder.program.command[COMMAND_FIELDS.index(name)])


def keys_in_products(rules: RuleSet, program: Program) -> set[str]:
    """Return the calibration keys that some product of two unknowns depends on."""
    found: set[str] = set()
    for term in program.graph.terms:
        if term.op == "*" and all(part.op != "const" for part in term.parts):
            for part in term.parts:
                found |= {name[2:] for name in variables(part) if name.startswith("k.")}
    return found & {key.name for key in rules.keys}
