"""A rule set of a handful of fields, and C for it that was written by hand: small enough to prove in a moment."""

from __future__ import annotations

from typing import Any

from controller.declare import Key, Memory, Refusal, Relation, Row, Signal, State
from controller.port.equality import CText
from controller.ruleset import RuleSet
from controller.words import minimum, not_, select


def _next_band(x: Any, _k: Any, m: Any) -> Any:
    return select(x.brake_on, 0, minimum(m.band + 1, 2))


def _next_hot(x: Any, k: Any, m: Any) -> Any:
    return x.speed > select(m.hot, k.limit - k.gap, k.limit)


def _next_duty_ppm(x: Any, k: Any, m: Any) -> Any:
    return select(m.state == int(State.APPLIED), minimum(m.duty_ppm + x.speed * k.factor, 2_000), 0)


SMALL = RuleSet(
    name="small",
    version="1",
    signals=(
        Signal("ignition_on", "", 0, 1, 0, "ignition", is_flag=True),
        Signal("brake_on", "", 0, 1, 0, "brake", is_flag=True),
        Signal("now_ms", "ms", 0, 2**31 - 1, 0, "clock"),
        Signal("speed", "km/h", -5, 100, 0, "speed"),
        Signal("speed_age_ms", "ms", 0, 5_000, 0, "age of the speed"),
    ),
    keys=(
        Key("limit", "hot.limit", 1, 10, 50, 20, "a faster one is hot"),
        Key("gap", "hot.gap", 1, 0, 10, 5, "hysteresis"),
        Key("factor", "duty.factor", 1, 1, 20, 1, "duty of a tick at 1 km/h"),
        Key("strict", "hot.strict", 1, 0, 1, 0, "no hysteresis", is_flag=True),
    ),
    relations=(
        Relation("hot.gap", "with hot.limit at most 55", lambda k: k.gap + k.limit <= 55),
        Relation("hot.strict", "only with a gap of 0", lambda k: not_(k.strict) | (k.gap == 0)),
    ),
    early=(
        Memory("band", 0, 2, 0, _next_band, "ticks without the brake"),
        Memory("hot", 0, 1, 1, _next_hot, "fast", is_flag=True),
    ),
    interlocks=(),
    late=(Memory("duty_ppm", 0, 2_000, 0, _next_duty_ppm, "duty"),),
    first_refusals=(Refusal("brake", lambda x, _k, _m: x.brake_on, "brake"),),
    last_refusals=(),
    first_rows=(),
    last_rows=(
        Row(State.IDLE, State.APPLIED, "fast", lambda _x, _k, m: m.hot & not_(m.refused), "fast"),
        Row(State.APPLIED, State.IDLE, "slow", lambda _x, _k, m: not_(m.hot), "slow"),
    ),
    lamps=(),
    properties=(),
)
"""Reasons: 0 none, 1 start, 2 brake, 3 fast, 4 slow. States: 0 idle, 2 applied."""

HEADER = """\
typedef struct { bool ignition_on; bool brake_on; int32_t now_ms; int32_t speed; int32_t speed_age_ms; } rules_inputs_t;
typedef struct { int32_t limit; int32_t gap; int32_t factor; bool strict; } rules_calibration_t;
typedef struct { int32_t now_ms; int32_t state; int32_t reason; int32_t band; bool hot; int32_t duty_ppm; }
rules_memory_t;
typedef struct { int32_t duty_ppm; int32_t state; int32_t reason; int32_t refusal; int32_t warnings; int32_t band; }
rules_command_t;
"""

RULES_C = """\
void rules_start(rules_memory_t *m)
{
    m->now_ms = 0;
    m->state = 0;
    m->reason = 1;
    m->band = 0;
    m->hot = true;
    m->duty_ppm = 0;
}

void rules_tick(const rules_calibration_t *k, const rules_inputs_t *x, rules_memory_t *m, rules_command_t *c)
{
    int32_t refusal = 0;
    if (!x->ignition_on)
    {
        rules_start(m);
    }
    m->now_ms = x->now_ms;
    if (x->brake_on)
    {
        m->band = 0;
        refusal = 2;
    }
    else if (m->band < 2)
    {
        m->band = m->band + 1;
    }
    m->hot = (x->speed > (m->hot ? (k->limit - k->gap) : k->limit));
    if ((m->state == 0) && m->hot && (refusal == 0))
    {
        m->state = 2;
        m->reason = 3;
    }
    else if ((m->state == 2) && (!m->hot))
    {
        m->state = 0;
        m->reason = 4;
    }
    if (m->state == 2)
    {
        m->duty_ppm = m->duty_ppm + (x->speed * k->factor);
        if (m->duty_ppm > 2000)
        {
            m->duty_ppm = 2000;
        }
        refusal = 0;
    }
    else
    {
        m->duty_ppm = 0;
    }
    c->duty_ppm = m->duty_ppm;
    c->state = m->state;
    c->reason = m->reason;
    c->refusal = refusal;
    c->warnings = 0;
    c->band = m->band;
}
"""

CHECKS_C = """\
static bool rules_relations_hold(const rules_calibration_t *k)
{
    return ((k->gap + k->limit) <= 55) && ((!k->strict) || (k->gap == 0));
}

bool rules_calibration_valid(const rules_calibration_t *k)
{
    bool valid = true;
    valid = valid && (k->limit >= 10) && (k->limit <= 50);
    valid = valid && (k->gap >= 0) && (k->gap <= 10);
    valid = valid && (k->factor >= 1) && (k->factor <= 20);
    if (valid)
    {
        valid = rules_relations_hold(k);
    }
    return valid;
}

static int32_t rules_limit(int32_t value, int32_t low, int32_t high)
{
    return (value < low) ? low : ((value > high) ? high : value);
}

bool rules_inputs_limit(rules_inputs_t *x)
{
    const bool valid = (x->now_ms >= 0) && (x->speed >= -5) && (x->speed <= 100)
        && (x->speed_age_ms >= 0) && (x->speed_age_ms <= 5000);
    x->now_ms = rules_limit(x->now_ms, 0, 2147483647);
    x->speed = rules_limit(x->speed, -5, 100);
    x->speed_age_ms = rules_limit(x->speed_age_ms, 0, 5000);
    if (!valid)
    {
        x->speed_age_ms = 5000;
    }
    return valid;
}
"""

TEXT = CText(HEADER, RULES_C, CHECKS_C)
