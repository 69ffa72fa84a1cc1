"""The reader of C: what each construct comes out as, for whole values by the standard's text; and what it refuses."""

from __future__ import annotations

from itertools import product
from typing import Any

import pytest
import z3
from put_in import value_at

from controller.port.bits import Bits, Value
from controller.port.c_reader import CTextError, Machine, Pointer, fields_of, read

LOWEST, HIGHEST = -2_147_483_648, 2_147_483_647

HEADER = """\
#ifndef S_H
#define S_H

#include <stdint.h>
#define LIMIT (40)

typedef struct
{
    bool t;
    bool u;
    int32_t a;
    int32_t b;
} s_t;

typedef struct { int32_t n; bool p; } k_t;

void f(const k_t *k, s_t *m);
#endif
"""

NUMBERS = ("m.a", "m.b", "k.n")
TRUTHS = ("m.t", "m.u", "k.p")


class _Undefined(Exception):  # noqa: N818  # no error: what the standard says of such C
    pass


def _fits(value: int) -> int:
    """Return a whole number that an int32 can be; more is undefined in C."""
    if not LOWEST <= value <= HIGHEST:
        raise _Undefined
    return value


def _run(text: str, header: str = HEADER, arguments: list[Any] | None = None, **without: bool) -> Machine:
    """Run `f` of a text on unknown fields, but those that nothing has written yet."""
    bits = Bits()
    store = {path: bits.variable(path, "int") for path in NUMBERS} | {
        path: bits.variable(path, "bool") for path in TRUTHS
    }
    for name in without:
        del store[f"m.{name}"]
    machine = Machine(read(header, text), bits, store)
    machine.call("f", [Pointer("k", "k_t", True), Pointer("m", "s_t", False)] if arguments is None else arguments)
    return machine


def _body(body: str, **without: bool) -> Machine:
    return _run(f"void f(const k_t *k, s_t *m)\n{{\n{body}\n}}", **without)


def _at(machine: Machine, path: str, values: dict[str, int]) -> int | bool | str:
    """Return a field after the run where these were the values before it, or "undefined"."""
    if not all(value_at(shown, **values) for _, shown in machine.bits.obligations):
        return "undefined"
    return value_at(machine.store[path].term, **values)


def _settings(numbers: tuple[int, ...] = (LOWEST, -2, 0, 3, HIGHEST)) -> list[dict[str, int]]:
    return [{"m.a": a, "m.b": b, "m.t": t, "m.u": u}
            for a, b, t, u in product(numbers, numbers, (False, True), (False, True))]  # fmt: skip


def _expected(rule: str, values: dict[str, int]) -> Any:
    """Return the value of Python text over a, b, t and u, or "undefined" where a part of it fits no int32."""
    try:
        return eval(
            rule,
            {"fits": _fits, "min": min, "LOWEST": LOWEST, "HIGHEST": HIGHEST},
            {name[2:]: value for name, value in values.items()},
        )
    except _Undefined:
        return "undefined"


# Expressions --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "rule"),
    [
        ("m->a + m->b", "fits(a + b)"),
        ("m->a - m->b", "fits(a - b)"),
        ("m->a * m->b", "fits(a * b)"),
        ("-m->a", "fits(-a)"),
        ("-7", "-7"),
        ("(-2147483647 - 1)", "LOWEST"),
        ("-(-2147483647 - 1)", "fits(-LOWEST)"),
        ("2147483647", "HIGHEST"),
        ("LIMIT + 0", "40"),
        ("(m->a + 2147483647) - 2147483647", "fits(fits(a + HIGHEST) - HIGHEST)"),
        ("2 - 3 * 4", "-10"),
        ("10 - 3 - 4", "3"),
        ("m->t ? m->a : m->b", "a if t else b"),
        ("m->t ? m->a + 1 : m->b", "fits(a + 1) if t else b"),
        ("m->t ? m->b : m->a + 1", "b if t else fits(a + 1)"),
        ("m->t ? 1 : m->u ? 2 : 3", "1 if t else 2 if u else 3"),
    ],
)
def test_numbers(text: str, rule: str) -> None:
    machine = _body(f"m->a = {text};")
    for values in _settings():
        assert _at(machine, "m.a", values) == _expected(rule, values), values


@pytest.mark.parametrize(
    ("text", "rule"),
    [
        ("m->a < m->b", "a < b"),
        ("m->a <= m->b", "a <= b"),
        ("m->a > m->b", "a > b"),
        ("m->a >= m->b", "a >= b"),
        ("m->a == m->b", "a == b"),
        ("m->a != m->b", "a != b"),
        ("m->t == m->u", "t == u"),
        ("m->t != m->u", "t != u"),
        ("!m->t", "not t"),
        ("!(m->a < 3)", "a >= 3"),
        ("m->t && m->u", "t and u"),
        ("m->t || m->u", "t or u"),
        ("m->t || m->u && m->a < 0", "t or (u and a < 0)"),
        ("true", "True"),
        ("false", "False"),
        ("m->t ? m->u : m->a == 3", "u if t else a == 3"),
        # The right side is not worked out where the left one settles it: then its sum may overflow.
        ("m->t && m->a + 1 > 0", "t and fits(a + 1) > 0"),
        ("m->t || m->a + 1 > 0", "t or fits(a + 1) > 0"),
        ("m->t && m->u && m->a + 1 > 0", "t and u and fits(a + 1) > 0"),
        ("m->a + 1 > 0 && m->t", "fits(a + 1) > 0 and t"),
    ],
)
def test_truth_values(text: str, rule: str) -> None:
    machine = _body(f"m->t = {text};")
    for values in _settings():
        assert _at(machine, "m.t", values) is _expected(rule, values), values


# Statements ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("body", "rule"),
    [
        ("m->a = m->b; m->b = 5;", "b"),
        ("m->b = 5; m->a = m->b;", "5"),
        ("if (m->t) { m->a = 1; }", "1 if t else a"),
        ("if (m->t) { } else { m->a = 1; }", "a if t else 1"),
        ("if (m->t) { m->a = 1; } else if (m->u) { m->a = 2; } else { m->a = 3; }",
         "1 if t else 2 if u else 3"),
        ("if (m->t) m->a = 1; else m->a = 2;", "1 if t else 2"),
        ("if (m->t) { m->a = m->a + 1; }", "fits(a + 1) if t else a"),
        ("if (m->t) { } else { m->a = m->a + 1; }", "a if t else fits(a + 1)"),
        ("if (m->t) { if (m->u) { m->a = m->a + 1; } }", "fits(a + 1) if t and u else a"),
        ("if (m->t) { m->t = false; m->a = 1; } if (m->t) { m->a = 2; }", "1 if t else a"),
        ("if (true) { m->a = 1; } else { m->a = 2; }", "1"),
        ("if (false) { m->a = 1; } else { m->a = 2; }", "2"),
        ("if (false) { m->a = 1; }", "a"),
        ("if (true) { m->a = 1; }", "1"),
        ("int32_t n = m->b; if (m->t) { n = 4; } m->a = n;", "4 if t else b"),
        ("int32_t n = m->b; if (m->t) { } else { n = 4; } m->a = n;", "b if t else 4"),
        ("bool y = m->t; y = !y; if (y) { m->a = 4; }", "a if t else 4"),
        ("const int32_t n = m->b; m->b = 9; m->a = n;", "b"),
        ("if (m->t) { const int32_t n = 1; m->a = n; } else { const int32_t n = 2; m->a = n; }",
         "1 if t else 2"),
        ("if (m->t) { const int32_t n = 1; m->a = n; } int32_t n = 2; n = n + 1; m->b = n;",
         "1 if t else a"),
        ("{ m->a = 1; { m->a = m->a + 1; } }", "2"),
        ("{ const int32_t n = 1; m->a = n; } int32_t n = 2; n = n + m->a; m->a = n;", "3"),
        ("", "a"),
    ],
)  # fmt: skip  # a table
def test_statements(body: str, rule: str) -> None:
    machine = _body(body)
    for values in _settings():
        assert _at(machine, "m.a", values) == _expected(rule, values), values


def test_what_both_arms_write_is_known_after_them_and_what_one_writes_is_not() -> None:
    machine = _body("if (m->t) { m->a = 1; m->b = 1; } else { m->a = 2; }", a=True, b=True)
    assert "m.b" not in machine.store
    assert _at(machine, "m.a", {"m.t": False}) == 2
    machine = _body("if (m->t) { m->a = 1; } else { m->a = 2; m->b = 1; }", a=True, b=True)
    assert "m.b" not in machine.store
    assert _at(machine, "m.a", {"m.t": True}) == 1


@pytest.mark.parametrize("body", ["if (true) { m->b = 1; }", "if (false) { m->a = n; } else { m->b = 1; }"])
def test_an_arm_that_is_never_taken_counts_for_nothing(body: str) -> None:
    machine = _body(f"{body} m->a = m->b;", b=True)
    assert _at(machine, "m.a", {}) == 1


def test_a_field_that_an_if_leaves_alone_stays_the_very_same() -> None:
    assert _body("if (m->t) { m->b = 1; }").store["m.a"].term.eq(z3.BitVec("m.a", 32))


# Functions ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("functions", "body", "rule"),
    [
        ("static int32_t next(int32_t n) { return n + 1; }", "m->a = next(m->b);",
         "fits(b + 1)"),
        ("static inline int32_t least(int32_t x, int32_t y) { return (x < y) ? x : y; }",
         "m->a = least(m->a, m->b) - least(3, 0);", "fits(min(a, b))"),
        ("static bool odd(bool p, bool q) { return p != q; }", "if (odd(m->t, m->u)) { m->a = 1; }",
         "1 if t != u else a"),
        ("static void set(s_t *m) { m->a = m->b; }", "set(m); if (m->t) { m->b = 0; set(m); }",
         "0 if t else b"),
        ("static int32_t get(const s_t *s, int32_t n) { int32_t r = n; if (s->t) { r = s->b; } return r; }",
         "m->a = get(m, 4);", "b if t else 4"),
        ("static int32_t five(void) { return 5; }", "m->a = five();", "5"),
        ("static int32_t five() { return 5; }", "m->a = five();", "5"),
        ("static int32_t keep(s_t *m) { m->a = 1; return 2; }", "m->b = keep(m);", "1"),
        ("static int32_t keep(s_t *m) { m->a = 1; return 2; }", "const int32_t n = keep(m); m->a = m->a + n;",
         "3"),
        ("static void one(s_t *m) { m->a = 1; } static void two(s_t *m) { one(m); m->b = 2; one(m); }", "two(m);",
         "1"),
        ("static int32_t own(int32_t n) { n = n - 1; return n; }", "int32_t n = 8; m->b = own(n); m->a = n;",
         "8"),
    ],
)  # fmt: skip  # a table
def test_functions(functions: str, body: str, rule: str) -> None:
    machine = _run(f"{functions}\nvoid f(const k_t *k, s_t *m)\n{{\n{body}\n}}")
    for values in _settings():
        assert _at(machine, "m.a", values) == _expected(rule, values), values


def test_a_result_is_returned() -> None:
    bits = Bits()
    machine = Machine(read("", "bool f(int32_t n) { return n < 3; } void g(void) { }"), bits, {})
    found = machine.call("f", [bits.number(2)])
    assert isinstance(found, Value)
    assert z3.is_true(z3.simplify(found.term))
    assert machine.call("g", []) is None


# What is refused ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("body", "word"),
    [
        # Statements
        ("for (;;) { }", "a For"),
        ("while (m->t) { }", "a While"),
        ("do { } while (m->t);", "a DoWhile"),
        ("switch (m->a) { default: break; }", "a Switch"),
        ("goto out; out: m->a = 1;", "a Goto"),
        (";", "a EmptyStatement"),
        ("m->a;", "a StructRef"),
        ("(void)m->a;", "a Cast"),
        ("return;", "a Return"),
        ("m->a += 1;", "assignment by +="),
        ("m->a++;", "a UnaryOp"),
        ("if (m->t) { return; }", "a Return"),
        # Locals
        ("int32_t n; n = 0; m->a = n;", "a local that is not an initialised int32_t or bool"),
        ("uint32_t n = 1;", "a local that is not"),
        ("int n = 1;", "a local that is not"),
        ("unsigned int n = 1;", "a local that is not"),
        ("int32_t n[1] = { 1 };", "a local that is not"),
        ("s_t *n = m;", "a local that is not"),
        ("static int32_t n = 0; n = n + 1; m->a = n;", "a local that is not"),
        ("int32_t n = 1; int32_t n = 2;", "'n' declared twice"),
        ("int32_t m = 1;", "'m' declared twice"),
        ("int32_t n = n;", "the unknown name 'n'"),
        ("if (m->t) { int32_t n = 1; } m->a = n;", "the unknown name 'n'"),
        ("if (true) { int32_t n = 1; } m->a = n;", "the unknown name 'n'"),
        ("{ int32_t n = 1; } m->a = n;", "the unknown name 'n'"),
        ("const int32_t n = 1; n = 2;", "an assignment to 'n'"),
        ("if (m->t) { const int32_t n = 1; n = 2; }", "an assignment to 'n'"),
        ("m = m;", "an assignment to 'm'"),
        ("n = 2;", "an assignment to 'n'"),
        # Fields
        ("k->n = 0;", "a write to k.n, which is const"),
        ("m->c = 0;", "the field 'c' of s_t"),
        ("m->a = m->c;", "the field 'c' of s_t"),
        ("(*m).a = 0;", "something that is no field behind a pointer"),
        ("m.a = 0;", "something that is no field behind a pointer"),
        ("*m = *m;", "something that is no field behind a pointer"),
        ("int32_t n = 1; n->a = 2;", "-> on a value"),
        # Kinds
        ("m->a = m->t;", "a bool where a int belongs"),
        ("m->t = m->a;", "a int where a bool belongs"),
        ("m->t = 1;", "a int where a bool belongs"),
        ("int32_t n = m->t;", "a bool where a int belongs"),
        ("bool y = true; y = 1;", "a int where a bool belongs"),
        ("if (m->a) { }", "a int where a bool belongs"),
        ("m->a = m->a ? 1 : 2;", "a int where a bool belongs"),
        ("m->t = m->t ? m->u : 1;", "a choice between a number and a truth value"),
        ("m->t = m->a && m->t;", "a int where a bool belongs"),
        ("m->t = m->t || m->a;", "a int where a bool belongs"),
        ("m->t = !m->a;", "a int where a bool belongs"),
        ("m->a = -m->t;", "a bool where a int belongs"),
        ("m->a = m->t + 1;", "the operator + on a bool and a int"),
        ("m->a = 1 - m->t;", "the operator - on a int and a bool"),
        ("m->t = m->t < m->u;", "the operator < on a bool and a bool"),
        ("m->t = m->t >= m->u;", "the operator >= on a bool and a bool"),
        ("m->t = m->t == 1;", "the operator == on a bool and a int"),
        ("m->t = 0 < m->a < 3;", "the operator < on a bool and a int"),
        ("m->t = m != m;", "a pointer where a value belongs"),
        ("m->a = m;", "a pointer where a value belongs"),
        # Operators and constants
        ("m->a = m->a / 2;", "the operator /"),
        ("m->a = m->a % 2;", "the operator %"),
        ("m->a = m->a << 1;", "the operator <<"),
        ("m->a = m->a & 1;", "the operator &"),
        ("m->t = m->t & m->u;", "the operator & on a bool and a bool"),
        ("m->a = ~m->a;", "the operator ~"),
        ("m->a = +m->a;", "the operator +"),
        ("m->a = m->b++;", "the operator p++"),
        ("m->a = (m->b = 1);", "a Assignment"),
        ("m->a = (m->b, 1);", "a ExprList"),
        ("m->a = (int32_t)m->b;", "a Cast"),
        ("m->a = 010;", "the constant 010"),
        ("m->a = 0x10;", "the constant 0x10"),
        ("m->a = 1u;", "the constant 1u"),
        ("m->a = 1L;", "the constant 1L"),
        ("m->a = 1.0;", "the constant 1.0"),
        ("m->a = 'a';", "the constant 'a'"),
        ("m->a = 2147483648;", "the constant 2147483648, which is no int32"),
        ("m->a = sizeof(int32_t);", "the operator sizeof"),
        # Calls
        ("m->a = (*f)(k, m);", "a call of anything but a name"),
        ("m->f();", "a call of anything but a name"),
    ],
)  # fmt: skip  # a table
def test_what_is_refused_with_its_line(body: str, word: str) -> None:
    with pytest.raises(CTextError) as caught:
        _run(f"/* a comment\n * of two lines */\nvoid f(const k_t *k, s_t *m)\n{{\n\n    {body}\n}}")
    said = str(caught.value)
    assert said.startswith("text, line 6: ")
    assert word in said
    assert said.endswith(" is not in the port's C")


@pytest.mark.parametrize("body", ["return 1; m->a = 2;", "{ return 1; } m->a = 2;"])
def test_nothing_stands_after_a_return(body: str) -> None:
    with pytest.raises(CTextError, match="text, line 1: a statement after return"):
        _run(f"int32_t f(const k_t *k, s_t *m) {{ {body} }}")


@pytest.mark.parametrize("body", ["if (m->t) { return 1; } return 2;", "if (m->t) { } else { return 1; } return 2;"])
def test_no_return_inside_an_if(body: str) -> None:
    with pytest.raises(CTextError, match="a return inside an if"):
        _run(f"int32_t f(const k_t *k, s_t *m) {{ {body} }}")


@pytest.mark.parametrize(
    ("functions", "body", "word"),
    [
        ("", "g(m);", "function 'g' is not in the text"),
        ("void g(s_t *m) { g(m); }", "g(m);", "function 'g' calls itself"),
        ("void h(s_t *m); void g(s_t *m) { h(m); } void h(s_t *m) { g(m); }", "g(m);", "function 'g' calls itself"),
        ("void g(s_t *m) { }", "g();", "g takes 1 arguments, called with 0"),
        ("void g(void) { }", "g(m);", "g takes 0 arguments, called with 1"),
        ("void g(s_t *m) { }", "m->a = g(m);", "a value of a function that has none"),
        ("void g(s_t *m) { return m->a; }", "g(m);", "g: its result is not of its declared type"),
        ("int32_t g(s_t *m) { m->a = 1; }", "m->b = g(m);", "g: its result is not of its declared type"),
        ("int32_t g(s_t *m) { return m->t; }", "m->b = g(m);", "g: its result is not of its declared type"),
        ("bool g(s_t *m) { return m->a; }", "m->t = g(m);", "g: its result is not of its declared type"),
        ("uint32_t g(s_t *m) { return m->a; }", "m->a = g(m);", "g: its result is not of its declared type"),
        ("void g(s_t *m) { }", "g(k);", "another pointer than the declared one"),
        ("void g(const s_t *m) { }", "g(m->a);", "another pointer than the declared one"),
        ("void g(k_t *k) { k->n = 1; }", "g(k);", "a const pointer for one that is not"),
        ("void h(k_t *k) { k->n = 1; } void g(const k_t *k) { h(k); }", "g(k);", "a const pointer for one that is not"),
        ("void g(const s_t *m) { m->a = 1; }", "g(m);", "a write to m.a, which is const"),
        ("void h(s_t *m) { m->a = 1; } void g(const s_t *m) { h(m); }", "g(m);", "a const pointer for one that is not"),
        ("void g(int32_t n) { }", "g(m->t);", "an argument of another type"),
        ("void g(bool n) { }", "g(m->a);", "an argument of another type"),
        ("void g(int32_t n) { }", "g(m);", "an argument of another type"),
        ("void g(uint32_t n) { }", "g(m->a);", "an argument of another type"),
        ("void g(unsigned char n) { }", "g(m->a);", "an argument of another type"),
        ("void g(s_t **m) { }", "g(m);", "another pointer than the declared one"),
        ("void g(void (*h)(void)) { }", "g(m);", "another pointer than the declared one"),
        ("int32_t *g(s_t *m) { return m->a; }", "m->a = g(m);", "g: its result is not of its declared type"),
    ],
)  # fmt: skip  # a table
def test_calls_that_are_refused(functions: str, body: str, word: str) -> None:
    with pytest.raises(CTextError, match=word):
        _run(f"{functions}\nvoid f(const k_t *k, s_t *m)\n{{\n{body}\n}}")


@pytest.mark.parametrize(
    "body",
    [
        "m->a = g(m) + m->b;",
        "m->a = m->b - g(m);",
        "m->t = g(m) == g(m);",
        "m->t = m->t && g(m) == 1;",
        "m->t = m->t || g(m) == 1;",
        "m->a = m->t ? g(m) : 1;",
        "m->a = m->t ? 1 : g(m);",
        "m->a = h(g(m), m->b);",
        "h(m->b, g(m));",
    ],
)
def test_a_call_with_an_effect_stands_alone(body: str) -> None:
    # The order of operands and arguments is the compiler's, and what stands on a condition may not be worked out.
    with pytest.raises(CTextError, match="text, line 2: a call with an effect as an operand or an argument"):
        _run("int32_t g(s_t *m) { m->b = m->b; return 1; } int32_t h(int32_t x, int32_t y) { return x; }\n"
             f"void f(const k_t *k, s_t *m) {{ {body} }}")  # fmt: skip


def test_what_nothing_has_written_is_not_read() -> None:
    with pytest.raises(CTextError, match=r"a read of m\.b, which nothing has written"):
        _body("m->a = m->b;", b=True)
    with pytest.raises(CTextError, match=r"a read of m\.b, which nothing has written"):
        _body("if (m->t) { m->b = 1; } m->a = m->b;", b=True)
    assert _at(_body("m->b = 4; m->a = m->b;", b=True), "m.a", {}) == 4


def test_a_name_keeps_its_values_to_itself_in_either_arm() -> None:
    # What was const in an arm need not be after it.
    machine = _body("int32_t n = 1; if (m->t) { const int32_t p = 2; n = p; } n = n + 1; m->a = n;")
    assert (_at(machine, "m.a", {"m.t": True}), _at(machine, "m.a", {"m.t": False})) == (3, 2)


# The text before it is parsed -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "text",
    [
        "void f( {",
        "void f(void) { int32_t n = 1 }",
        "m->a = 1;",
        "void f(void) { } // a comment",
    ],
)
def test_text_that_is_no_c_is_refused(text: str) -> None:
    with pytest.raises(CTextError, match="not C"):
        read("", text)


@pytest.mark.parametrize(
    ("header", "text", "word"),
    [
        ("", "void f(void) { } void f(void) { }", "function 'f' twice"),
        ("void f(void) { }", "void f(void) { }", "function 'f' twice"),
        ("", '_Static_assert(1, "x");', "text, line 1: a StaticAssert"),
        ("\ntypedef struct { int32_t n : 3; } s_t;", "", "header, line 2: a field that is no int32_t or bool"),
        ("typedef struct { int32_t n[2]; } s_t;", "", "header, line 1: a field that is no int32_t or bool"),
        ("typedef struct { int32_t *n; } s_t;", "", "a field that is no int32_t or bool"),
        ("typedef struct { uint32_t n; } s_t;", "", "a field that is no int32_t or bool"),
        ("typedef struct { short n; } s_t;", "", "a field that is no int32_t or bool"),
        ("typedef struct { unsigned int n; } s_t;", "", "a field that is no int32_t or bool"),
        ("typedef struct { struct { int32_t n; } s; } s_t;", "", "a field that is no int32_t or bool"),
        ("", "void f(void) { } /* comment that ends *\\\n/ void g(void) { } /* */", "a backslash"),
        ("", "/* ??/ */", "a backslash or"),
    ],
)  # fmt: skip  # a table
def test_declarations_that_are_refused(header: str, text: str, word: str) -> None:
    with pytest.raises(CTextError, match=word):
        read(header, text)


def test_what_a_text_declares() -> None:
    program = read(HEADER, "static int32_t g(void);\nint32_t g(void) { return 1; }\nvoid f(const k_t *k, s_t *m) { }")
    assert program.structures == {
        "s_t": {"t": "bool", "u": "bool", "a": "int", "b": "int"},
        "k_t": {"n": "int", "p": "bool"},
    }
    assert set(program.functions) == {"f", "g"}
    assert fields_of(program, "k_t", "k") == {"k.n": "int", "k.p": "bool"}
    assert fields_of(program, "q_t", "q") == {}
    assert read("typedef struct other other_t; typedef struct s *s_t;", "").structures == {"other_t": {}}


@pytest.mark.parametrize(
    "line",
    [
        "#pragma pack(1)",
        " #pragma pack(1)",
        "#if 0",
        "#ifdef S_H",
        "#else",
        "#undef LIMIT",
        "#define LIMIT (41)",  # it is defined: which one counts depends on the place
        "#define S_H",
        "#ifndef LIMIT",  # what follows is left out
        "#ifndef S_H",
        "#define TWICE(n) (2 * n)",
        "#define OTHER 5",
        "#define OTHER (LIMIT)",
        "#define OTHER (1) + (2)",
        "  #define OTHER (5)",
        "#include <stdint.h> int32_t n = 1;",
        "#endif int32_t n = 1;",
        "#endif\fvoid g(void) { }",
    ],
)
def test_directives_that_are_refused(line: str) -> None:
    with pytest.raises(CTextError, match="the directive"):
        read(HEADER, f"{line}\nvoid f(void) {{ }}\n")


def test_names_are_put_in_from_their_line_on() -> None:
    machine = _run("#define NEXT (7)\nvoid f(const k_t *k, s_t *m) { m->a = NEXT; m->b = LIMIT; }")
    assert (_at(machine, "m.a", {}), _at(machine, "m.b", {})) == (7, 40)
    with pytest.raises(CTextError, match="text, line 1: the unknown name 'NEXT'"):
        _run("void f(const k_t *k, s_t *m) { m->a = NEXT; }\n#define NEXT (7)")
    # A name without a value is put in as nothing.
    with pytest.raises(CTextError, match="text, line 2: a bool where a int belongs"):
        _run("#define not_\nvoid f(const k_t *k, s_t *m) { m->a = 3 not_ < 4; }")


def test_a_comment_is_a_blank() -> None:
    with pytest.raises(CTextError, match="not C"):
        _body("m->a = 1/**/2;")
    assert _at(_body("m->a = 1 /* m->a = 2;\n */ + /* two */ 2;"), "m.a", {}) == 3
