"""The formulas that the proof asks: each operation as Python has it, and of a product what all products obey."""

from __future__ import annotations

from collections.abc import Callable
from itertools import product
from typing import Any

import pytest

pytest.importorskip("z3", reason="the proof extra is not installed: pip install 'tccbench[proof]'")

import z3
from rig import CALIBRATION, calibration

from controller.encode import Encoder, keys_in_products
from controller.our_rules import OURS
from controller.ruleset import COMMAND_FIELDS
from controller.terms import Graph, Term
from controller.tracer import Program, trace, trace_property
from controller.watch import Watch
from controller.words import maximum, minimum, not_, select


@pytest.fixture(scope="module")
def program() -> Program:
    return trace(OURS)


@pytest.fixture
def encoder(program: Program) -> Encoder:
    return Encoder(program)


_INT = ("x.engine_rpm", "x.turbine_rpm")
_FLAG = ("x.brake_on", "x.shift_on")

_OPERATIONS: list[Callable[[Any, Any, Any, Any], Any]] = [
    lambda a, b, _c, _d: a + b,
    lambda a, b, _c, _d: a - b,
    lambda a, b, _c, _d: a * b,
    lambda a, b, _c, _d: a < b,
    lambda a, b, _c, _d: a <= b,
    lambda a, b, _c, _d: a == b,
    lambda a, b, _c, _d: a != b,
    lambda a, b, _c, _d: minimum(a, b),
    lambda a, b, _c, _d: maximum(a, b),
    lambda _a, _b, c, d: c & d,
    lambda _a, _b, c, d: c | d,
    lambda _a, _b, c, _d: not_(c),
    lambda a, b, c, _d: select(c, a, b),
    lambda a, b, c, d: select(c & not_(d), a + 7, b - 3) * 2 + a,
]


def _plain(formula: Any) -> int | bool:
    value = z3.simplify(formula)
    return bool(z3.is_true(value)) if z3.is_bool(value) else int(value.as_long())


@pytest.mark.parametrize("operation", range(len(_OPERATIONS)))
def test_each_operation_reads_as_python_does(operation: int, encoder: Encoder) -> None:
    work = _OPERATIONS[operation]
    numbers = [encoder.graph.variable(name, "int") for name in _INT]
    truths = [encoder.graph.variable(name, "bool") for name in _FLAG]
    term = encoder.graph.lift(work(*numbers, *truths))
    for a, b, c, d in product(range(-2, 3), range(-2, 3), (False, True), (False, True)):
        inputs = dict(zip((*_INT, *_FLAG), (*map(z3.IntVal, (a, b)), *map(z3.BoolVal, (c, d))), strict=True))
        assert _plain(encoder.moment({}, inputs).of(term)) == work(a, b, c, d)


def test_constants_are_numbers_and_truths(encoder: Encoder) -> None:
    moment = encoder.moment({}, {})
    graph = encoder.graph
    assert [_plain(moment.of(graph.constant(one))) for one in (0, 1, -3, True, False)] == [0, 1, -3, True, False]


def test_an_operation_that_is_not_known_is_an_error(encoder: Encoder) -> None:
    graph = Graph()
    with pytest.raises(AssertionError, match="does not know: mystery"):
        encoder.moment({}, {}).of(Term(graph, 0, "mystery", "int", (), 0))


def test_a_long_chain_needs_no_recursion(encoder: Encoder) -> None:
    total = encoder.graph.variable(_INT[0], "int")
    for step in range(3_000):
        total = total + (step % 2)
    assert _plain(encoder.moment({}, {_INT[0]: z3.IntVal(1)}).of(total)) == 1_501


def test_a_whole_tick_reads_as_the_rules_run(program: Program) -> None:
    values = calibration()
    encoder = Encoder(program, values._asdict())
    assert encoder._products == {}
    watch = Watch(OURS, values)
    x = {signal.name: signal.default for signal in OURS.signals}
    fields = [f"h.{history.name}.{one.name}" for history in OURS.histories for one in history.keeps]
    memory = encoder.first_memory()
    changes: list[dict[str, int]] = [
        {"ignition_on": 1},
        {"band_switch": 1, "gear": 2, "road_speed_ckmh": 4_000, "turbine_rpm": 1_805, "engine_rpm": 2_400},
        {"engine_rpm": 1_825},
        {"brake_on": 1},
        {"gear_age_ms": 301},
        {"ignition_on": 0},
    ]
    for now_ms, change in zip(range(0, 9_000, 1_500), changes, strict=True):
        x |= change | {"now_ms": now_ms}
        command, _broken = watch.tick(x)
        inputs = {f"x.{one.name}": z3.BoolVal(bool(x[one.name])) if one.is_flag else z3.IntVal(x[one.name])
                  for one in OURS.signals}  # fmt: skip  # one mapping
        moment = encoder.moment(memory, inputs)
        assert moment.before.keys() == memory.keys()
        memory = {name: z3.simplify(formula) for name, formula in moment.after().items()}
        expected = dict(zip([*(f"m.{name}" for name in OURS.memory_names), *fields],
                            [*watch.memory, *watch.fields], strict=True))  # fmt: skip  # one mapping
        assert {name: _plain(formula) for name, formula in memory.items()} == expected
        assert [_plain(moment.command(name)) for name in COMMAND_FIELDS] == list(command)


def test_at_power_up_everything_is_as_declared(encoder: Encoder) -> None:
    declared = {f"m.{one.name}": one.initial for one in OURS.memory}
    for history in OURS.histories:
        declared |= {f"h.{history.name}.{one.name}": one.initial for one in history.keeps}
    assert {name: _plain(formula) for name, formula in encoder.first_memory().items()} == declared
    assert encoder.any_memory("@1").keys() == declared.keys()


def _follows(assumed: list[Any], formula: Any) -> bool:
    solver = z3.Solver()
    solver.add(*assumed, z3.Not(formula))
    return bool(solver.check() == z3.unsat)


def test_an_unknown_is_anywhere_in_its_range_and_nowhere_else(encoder: Encoder) -> None:
    gear = next(one for one in OURS.signals if one.name == "gear")
    encoder.assumed.clear()
    made = encoder.unknown("x.gear", False, "@3")
    assert made.eq(z3.Int("x.gear@3"))
    assert _follows(encoder.assumed, z3.And(made >= gear.low, made <= gear.high))
    assert not _follows(encoder.assumed, made != gear.low)
    assert not _follows(encoder.assumed, made != gear.high)
    assert encoder.unknown("x.brake_on", True, "@3").eq(z3.Bool("x.brake_on@3"))


def test_keys_are_fixed_or_any_that_the_file_check_accepts(program: Program) -> None:
    free = Encoder(program)
    engage, release = free.key("low_engage_ckmh"), free.key("low_release_ckmh")
    assert _follows(free.assumed, release < engage)
    assert not _follows(free.assumed, engage == 3_400)
    fixed = Encoder(program, {"low_engage_ckmh": 3_400, "hold_through_shifts": 1, "kickdown_opens": 0})
    assert _plain(fixed.key("low_engage_ckmh")) == 3_400
    assert _plain(fixed.key("hold_through_shifts")) is True
    assert _plain(fixed.key("kickdown_opens")) is False
    assert _follows(fixed.assumed, fixed.key("low_release_ckmh") < 3_400)


# Products ----------------------------------------------------------------------------------------------------


def test_a_product_with_a_number_is_exact(encoder: Encoder) -> None:
    x, c, d = z3.Int("x"), z3.Bool("c"), z3.Bool("d")
    choice = z3.If(c, 2, z3.If(d, -3, 0))
    # A choice of products, each with a number: nothing in it is out of reach of linear arithmetic.
    assert encoder.product(choice, x).decl().kind() == z3.Z3_OP_ITE
    for left, right in ((z3.IntVal(7), x), (x, z3.IntVal(7)), (choice, x), (x, choice), (choice, z3.IntVal(7))):
        made = encoder.product(left, right)
        for at, yes, also in product(range(-2, 3), (False, True), (False, True)):
            put = [(x, z3.IntVal(at)), (c, z3.BoolVal(yes)), (d, z3.BoolVal(also))]
            assert _plain(z3.substitute(made, *put)) == _plain(z3.substitute(left, *put)) * _plain(
                z3.substitute(right, *put)
            )
    assert encoder._products == {}


def _products(encoder: Encoder) -> tuple[dict[str, Any], list[tuple[Any, str]]]:
    """Products of four unknowns in which each place shares a factor with each place of another."""
    encoder.assumed.clear()
    unknowns = {name: z3.Int(name) for name in "abcd"}
    made = [(encoder.product(unknowns[one], unknowns[other]), one + other) for one, other in ("ab", "cb", "bd", "da")]
    return unknowns, made


def test_of_a_product_nothing_is_assumed_that_some_product_breaks(encoder: Encoder) -> None:
    unknowns, made = _products(encoder)
    assert encoder.assumed
    for values in product(range(-2, 3), repeat=4):
        at = dict(zip("abcd", values, strict=True))
        put = [(unknowns[name], z3.IntVal(value)) for name, value in at.items()]
        put += [(formula, z3.IntVal(at[pair[0]] * at[pair[1]])) for formula, pair in made]
        assert _plain(z3.substitute(z3.And(*encoder.assumed), *put)) is True, at


def test_what_every_product_obeys_is_assumed(encoder: Encoder) -> None:
    unknowns, made = _products(encoder)
    for formula, (one, other) in made:
        left, right = unknowns[one], unknowns[other]
        for zero in (left, right):
            assert _follows(encoder.assumed, z3.Implies(zero == 0, formula == 0))
        assert _follows(encoder.assumed, z3.Implies(z3.And(left >= 0, right >= 0), formula >= 0))
        for factor in (left, right):
            assert _follows(encoder.assumed, z3.Implies(z3.And(left > 0, right > 0), formula >= factor))
    for (first, pair), (second, other_pair) in product(made, repeat=2):
        shared = set(pair) & set(other_pair)
        if len(shared) != 1:
            continue
        by = unknowns[shared.pop()]
        grown, less = (unknowns[(set(one) - set(by.decl().name())).pop()] for one in (pair, other_pair))
        for bound, order in ((grown <= less, first <= second), (grown >= less, first >= second)):
            assert _follows(encoder.assumed, z3.Implies(z3.And(by >= 0, bound), order)), (pair, other_pair)


def test_a_product_met_again_is_the_same_unknown(encoder: Encoder) -> None:
    x, y, z = z3.Ints("x y z")
    first = encoder.product(x, y)
    assert encoder.product(y, x).eq(first)
    assert encoder.product(x + 0, y).eq(first)
    assert not encoder.product(x, z).eq(first)
    assert not encoder.product(x, x).eq(first)
    assert _follows(encoder.assumed, z3.Implies(x > 0, encoder.product(x, x) >= x))


def test_keys_that_multiply_an_unknown(program: Program) -> None:
    gears = {f"turbine_rpm_at_100_kmh_{gear}" for gear in range(1, 11)}
    slopes = {"fill_permille_per_s", "apply_permille_per_s", "finish_permille_per_s", "slew_limit_permille_per_s"}
    for prop in OURS.properties:
        trace_property(prop, program)
    found = keys_in_products(OURS, program)
    assert found >= gears | {"tyre_scale_permille"} | slopes
    assert found < CALIBRATION.keys()
    assert not found & {"low_engage_ckmh", "oil_hot_dc", "brake_settle_ms"}
