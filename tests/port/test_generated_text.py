"""The C that is written from small rule sets, as text: no more of it than is needed, and what it says of itself."""

from __future__ import annotations

import re

import pytest
from rule_pieces import is_a, is_b, is_c, lock, small
from rule_shapes import ELSEWHERE, LONG, MIXTURES, OWN, READING, SHAPES, WAITS

from controller.declare import Key
from controller.errors import UserError
from controller.port.rules_c import rules_c, transient_fields
from controller.ruleset import RuleSet


def _plain(text: str) -> str:
    return re.sub(r"/\*.*?\*/", "", text, flags=re.S)


def _words(rules: RuleSet) -> int:
    return len(re.findall(r"\w+|[^\w\s]", _plain(rules_c(rules))))


@pytest.mark.parametrize(
    ("shapes", "most"),
    [(WAITS, 10_766), (OWN, 14_796), (READING, 11_432), (LONG, 8_091), (ELSEWHERE, 16_286), (MIXTURES, 22_144)],
    ids=["waits", "own", "reading", "long", "elsewhere", "mixtures"],
)
def test_the_text_is_as_short_as_it_was(shapes: dict[str, RuleSet], most: int) -> None:
    # Names, numbers and signs of all the shapes together. What makes it shorter lowers the figure.
    assert sum(map(_words, shapes.values())) <= most


@pytest.mark.parametrize("name", list(SHAPES))
def test_the_text_says_of_itself_what_is_so(name: str) -> None:
    text = rules_c(SHAPES[name])
    plain = _plain(text)
    # What a function returns is told above it.
    for about, result in re.findall(
        r"/\* ((?:(?!\*/).)*?) \*/\nstatic (?:inline )?(\w+) rules_(?:locks|tick)", text, re.S
    ):
        assert ("Returns" in about) is (result == "int32_t")
    # No condition is constant, and no helper or argument is there for nothing.
    assert re.findall(r"(?:if \(|&& |\|\| |\? )(?:true|false)\b", plain) == []
    for helper in re.findall(r"static inline int32_t (rules_(?:min|max|counted))\(", plain):
        assert plain.count(f"{helper}(") > 1
    assert ("(void)k;" in plain) is ("k->" not in plain)


@pytest.mark.parametrize("name", list(OWN | READING))
def test_interlocks_are_written_from_the_last_unless_one_reads_another(name: str) -> None:
    text = rules_c(SHAPES[name])
    reasons = [interlock.reason for interlock in SHAPES[name].interlocks]
    written = re.findall(r"/\* (\w+): what \1 means", text)
    is_kept = name.startswith("reads_") and name not in ("reads_only_its_own_time", "reads_what_bars_before_any_does")
    assert written == (reasons if is_kept else reasons[::-1])
    assert ("in their order" in text) is is_kept
    assert ("the last first" in text) is (bool(reasons) and not is_kept)


@pytest.mark.parametrize(
    ("name", "times"),
    [
        ("no_interlock", 1), ("lamps_of_what_is_remembered", 1), ("a_command_of_all_that_is_remembered", 1),
        ("a_lamp_of_this_tick_only", 2), ("a_lamp_of_what_bars", 2),
    ],
)  # fmt: skip  # one list
def test_a_command_is_written_once_where_what_is_remembered_says_it_all(name: str, times: int) -> None:
    assert rules_c(SHAPES[name]).count("c->duty_ppm =") == times


def test_only_what_lasts_for_a_tick_and_is_needed_is_kept_in_the_memory_for_it() -> None:
    def kept(name: str) -> dict[str, bool]:
        return {name: is_flag for name, is_flag, _ in transient_fields(SHAPES[name])}

    assert kept("no_interlock") == kept("all_refuse_only") == {}
    assert kept("one_that_opens") == {"out_reason": False}
    assert kept("idle_above_released") == {"released_standing": False, "out_reason": False}
    assert kept("a_lamp_of_this_tick_only") == {"released_standing": False, "two_trips": True, "out_reason": False}
    assert kept("idle_between_released") == {"one_stands": True, "three_stands": True, "out_reason": False}


@pytest.mark.parametrize(("high", "is_good"), [(599_999, True), (600_000, True), (600_001, False)])
@pytest.mark.parametrize("word", ["confirm", "settle"])
def test_a_wait_is_at_most_as_long_as_timers_count(word: str, high: int, is_good: bool) -> None:
    rules = small(lock("one", is_a, **{word: "long_ms"}), keys=[Key("long_ms", "a.long_ms", 1, 0, high, 0, "long")])
    if is_good:
        assert "k->long_ms" in rules_c(rules)
        return
    with pytest.raises(UserError, match="long_ms may be longer than 600000 ms"):
        rules_c(rules)


def test_rows_that_differ_in_their_source_only_are_one_branch() -> None:
    text = _plain(rules_c(small(lock("one", is_b), lock("two", is_c))))
    assert text.count("m->reason = RULES_REASON_NO_BAND;") == 1
    assert "(m->state != RULES_STATE_IDLE) && (m->band == 0)" in text


@pytest.mark.parametrize(
    ("name", "times"),
    [
        ("idle_above_released", 1), ("states_that_are_the_same_for_the_last", 1), ("released_above_idle", 0),
        ("one_that_opens_under_one_to_idle", 0), ("all_come_on_in_the_same_states", 0), ("reads_the_one_above", 0),
    ],
)  # fmt: skip  # one list
def test_one_test_of_the_state_serves_all_that_follow_each_other_in_the_same_states(name: str, times: int) -> None:
    # Where one is alone, or all come on in the same states, none is needed.
    assert rules_c(SHAPES[name]).count("? takes_out : RULES_REASON_NONE") == times


def test_what_only_one_condition_needs_is_worked_out_only_where_the_rest_of_it_holds() -> None:
    own = _plain(rules_c(LONG["a_condition_whose_working_out_is_its_own"]))
    block = r"{\s*const int32_t t1 = rules_max\([^;]*;\s*one_trips = [^;]*;\s*}"
    assert re.search(rf"if \(x->a && \(!x->b\)\)\s*{block}", own)
    shared = _plain(rules_c(LONG["a_condition_whose_working_out_is_anothers_too"]))
    assert shared.index("const int32_t t1 = rules_max(") < shared.index("if (two_trips")
    assert shared.count("rules_max((") == 1


def test_what_one_condition_needs_all_of_and_another_any_of_the_opposites_of_is_asked_once() -> None:
    for name in (
        "one_condition_has_the_opposites_of_another",
        "one_condition_has_one_opposite_of_another_and_two_of_a_third",
    ):
        text = _plain(rules_c(LONG[name]))
        assert len(re.findall(r"x->[bc]\b", text)) == 2
