"""Calibration files: one clear line for everything that can be wrong, and a round trip for everything that is right."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest
from draws import calibrations
from hypothesis import given, settings
from hypothesis import strategies as st
from rig import CALIBRATION, calibration

from controller.calibration import (
    calibration_names,
    calibration_text,
    default_values,
    in_file_units,
    load_calibration,
    parse_calibration,
    values_type,
    write_calibration,
)
from controller.declare import Key
from controller.errors import UserError
from controller.our_rules import OURS


def _error(text: str) -> str:
    with pytest.raises(UserError) as caught:
        parse_calibration(text, "mine.toml", OURS)
    line = str(caught.value)
    assert line.startswith("mine.toml: ")
    assert "\n" not in line
    return line.removeprefix("mine.toml: ")


_PLACE = "plausible.turbine_rpm_at_100_kmh"

_WRONG = [
    # unknown
    ("low.engage_kph = 30", "unknown key low.engage_kph; did you mean 'low.engage_kmh'?"),
    ("[oil]\nminimun_c = 20", "unknown key oil.minimun_c; did you mean 'oil.minimum_c'?"),
    ("[oli]\nminimum_c = 20", "unknown key oli.minimum_c; did you mean 'oil.minimum_c'?"),
    ("[lowest]", "unknown key lowest; known: "),
    ("low = 30", "unknown key low; known: low.engage_kmh, low.gear_highest, low.gear_lowest, low.release_kmh"),
    ("[oil.minimum_c]", "oil.minimum_c = {} is not a number; write one from -40 to 60"),
    ("[[low]]\nengage_kmh = 30", "unknown key low; "),
    # out of range, at one step beyond each end
    ("low.engage_kmh = 160.01", "low.engage_kmh = 160.01 is out of range; it must be from 5 to 160"),
    ("low.engage_kmh = 4.99", "low.engage_kmh = 4.99 is out of range; it must be from 5 to 160"),
    ("oil.minimum_c = -40.1", "oil.minimum_c = -40.1 is out of range; it must be from -40 to 60"),
    ("tyre.speed_scale = 2.001", "tyre.speed_scale = 2.001 is out of range; it must be from 0.5 to 2"),
    ("low.gear_lowest = 0", "low.gear_lowest = 0 is out of range; it must be from 1 to 10"),
    ("low.engage_kmh = 1e999999", "low.engage_kmh = 1E+999999 is out of range; it must be from 5 to 160"),
    ("low.engage_kmh = 1" + "0" * 400, "is out of range; it must be from 5 to 160"),
    (f"{_PLACE} = [9000, 20001]", f"{_PLACE}[2] = 20001 is out of range; it must be from 0 to 20000"),
    # wrong type
    ('low.engage_kmh = "34"', "low.engage_kmh = '34' is not a number; write one from 5 to 160"),
    ("low.engage_kmh = true", "low.engage_kmh = True is not a number; write one from 5 to 160"),
    ("low.engage_kmh = nan", "low.engage_kmh = NaN is not a number; write one from 5 to 160"),
    ("low.engage_kmh = inf", "low.engage_kmh = Infinity is not a number; write one from 5 to 160"),
    ("low.engage_kmh = [34]", "low.engage_kmh = [34] is not a number"),
    ("low.engage_kmh = [34.5, [true]]", "low.engage_kmh = [34.5, [True]] is not a number"),
    ('"a\\nb" = 1', r"unknown key 'a\nb'; known: "),
    ("low.engage_kmh = 1979-05-27", "low.engage_kmh = 1979-05-27 is not a number"),
    ("shift.hold_through = 1", "shift.hold_through = 1 is not true or false"),
    ('shift.hold_through = "yes"', "shift.hold_through = 'yes' is not true or false"),
    (f"{_PLACE} = 9000", f"{_PLACE} = 9000 is not a list; write [first, second, …]"),
    (f'{_PLACE} = [9000, "4500"]', f"{_PLACE}[2] = '4500' is not a number; write one from 0 to 20000"),
    # finer than a step
    ("low.engage_kmh = 34.005", "low.engage_kmh = 34.005 is finer than the rules can tell; steps are of 0.01"),
    ("oil.minimum_c = 20.05", "oil.minimum_c = 20.05 is finer than the rules can tell; steps are of 0.1"),
    ("delays.reengage_ms = 1500.5", "delays.reengage_ms = 1500.5 is finer than the rules can tell; steps are of 1"),
    ("low.engage_kmh = 34." + "0" * 40 + "1", "is finer than the rules can tell; steps are of 0.01"),
    ("oil.minimum_c = 1e-999999", "is finer than the rules can tell; steps are of 0.1"),
    # relations
    ("low.release_kmh = 34", "low.release_kmh = 34 must be at least 1 km/h under low.engage_kmh"),
    ("low.release_kmh = 33.01", "low.release_kmh = 33.01 must be at least 1 km/h under low.engage_kmh"),
    ("low.release_kmh = 50", "low.release_kmh = 50 must be at least 1 km/h under low.engage_kmh"),
    ("low.engage_kmh = 31", "low.release_kmh = 31 (the default) must be at least 1 km/h under low.engage_kmh"),
    ("low.release_kmh = 32.01",
     "oil.hot_engage_earlier_kmh = 1 (the default) must be so small that low.engage_kmh less it stays 1 km/h above "
     "low.release_kmh"),
    ("high.engage_kmh = 33\nhigh.release_kmh = 20",
     "low.engage_kmh = 34 (the default) must be at most high.engage_kmh"),
    ("low.gear_lowest = 6\nlow.gear_highest = 5", "low.gear_lowest = 6 must be at most low.gear_highest"),
    ("oil.critical_c = 110", "oil.critical_c = 110 must be above oil.hot_c"),
    ("engine.lugging_rpm = 999", "engine.lugging_rpm = 999 must be at least engine.stall_guard_rpm and its gap"),
    ("throttle.closed_clear_pct = 2", "throttle.closed_clear_pct = 2 must be above throttle.closed_below_pct"),
    ("throttle.kickdown_clear_pct = 92", "throttle.kickdown_clear_pct = 92 must be under throttle.kickdown_above_pct"),
    ("plausible.confirm_ms = 299",
     "plausible.confirm_ms = 299 must be at least signals.gear_limit_ms: an old signal alone must not latch a fault"),
    ("plausible.confirm_ms = 500\nsignals.road_speed_limit_ms = 501",
     "plausible.confirm_ms = 500 must be at least signals.road_speed_limit_ms"),
    ("plausible.confirm_ms = 500\nsignals.turbine_rpm_limit_ms = 501", "must be at least signals.turbine_rpm_limit_ms"),
    ("faults.holding_confirm_ms = 199", "= 199 must be at least signals.engine_rpm_limit_ms"),
    ("signals.turbine_rpm_limit_ms = 600\nfaults.holding_confirm_ms = 599",
     "= 599 must be at least signals.turbine_rpm_limit_ms"),
    ("faults.stuck_confirm_ms = 199", "faults.stuck_confirm_ms = 199 must be at least signals.engine_rpm_limit_ms"),
    ("signals.turbine_rpm_limit_ms = 600\nfaults.stuck_confirm_ms = 599",
     "faults.stuck_confirm_ms = 599 must be at least signals.turbine_rpm_limit_ms"),
    ("faults.stuck_confirm_ms = 300\nsignals.throttle_limit_ms = 301",
     "faults.stuck_confirm_ms = 300 must be at least signals.throttle_limit_ms"),
    ("ramp.knee_duty_pct = 21.9999", "ramp.knee_duty_pct = 21.9999 must be at least ramp.kiss_duty_pct"),
    ("ramp.end_duty_pct = 69", "ramp.end_duty_pct = 69 must be at least ramp.knee_duty_pct"),
    ("ramp.fill_permille_per_s = 4001",
     "ramp.fill_permille_per_s = 4001 must be at most ramp.slew_limit_permille_per_s"),
    (f"{_PLACE} = [9002, 4513, 4513, 2401, 1800, 1440]",
     f"{_PLACE} = [9002, 4513, 4513, 2401, 1800, 1440] must be falling from gear to gear: entry 3 under entry 2"),
    (f"{_PLACE} = [9002, 4513, 0, 2401, 1800, 1440]", "must be falling from gear to gear: entry 4 under entry 3"),
    (f"{_PLACE} = [9002, 4513, 3385]",
     "must be long enough for low.gear_highest: each gear up to it needs an entry above 0, gear 4 has none"),
    (f"{_PLACE} = []", "[] must be long enough for low.gear_highest"),
    (f"{_PLACE} = [11, 10, 9, 8, 7, 6, 5, 4, 3, 2, 1]", f"{_PLACE} has 11 entries; at most 10 are known"),
    # not a calibration at all
    ("low.engage_kmh 34", "not TOML: Expected '=' after a key in a key/value pair (at line 1, column 16)"),
    ("x = " + "9" * 5_000, "not TOML: Exceeds the limit"),
    ("x = " + "[" * 20_000, "not TOML: "),
    ("title = 3", 'title = 3 is not a text; write title = "…"'),
]  # fmt: skip


@pytest.mark.parametrize(("text", "expected"), _WRONG)
def test_one_clear_line(text: str, expected: str) -> None:
    assert expected in _error(text)


_FALLING = [10_000 - 100 * place for place in range(1, 11)]


@pytest.mark.parametrize("gear", range(2, 11))
@pytest.mark.parametrize(("word", "other"), [("low", "high"), ("high", "low")])
def test_the_list_reaches_up_to_the_highest_gear_of_each_band(gear: int, word: str, other: str) -> None:
    bands = "\n".join([f"{word}.gear_highest = {gear}", f"{other}.gear_highest = 1",
                       "low.gear_lowest = 1", "high.gear_lowest = 1"])  # fmt: skip  # one text
    parse_calibration(f"{bands}\n{_PLACE} = {_FALLING[:gear]}", "x.toml", OURS)
    expected = f"long enough for {word}.gear_highest: each gear up to it needs an entry above 0, gear {gear} has none"
    assert expected in _error(f"{bands}\n{_PLACE} = {_FALLING[: gear - 1]}")


@pytest.mark.parametrize("gear", range(2, 11))
def test_the_list_falls_from_gear_to_gear(gear: int) -> None:
    level = [*_FALLING[: gear - 1], _FALLING[gear - 2], *_FALLING[gear:]]
    assert f"falling from gear to gear: entry {gear} under entry {gear - 1}" in _error(f"{_PLACE} = {level}")


def test_the_tests_calibration_is_complete() -> None:
    assert set(CALIBRATION) == {key.name for key in OURS.keys}


def test_missing_and_unreadable_files(tmp_path: Path) -> None:
    for path, said in (
        (tmp_path / "none.toml", "no such file or directory; give a calibration file (.toml) or a name"),
        (tmp_path / "folder.toml", "is a directory; give a calibration file"),
    ):
        if "folder" in path.name:
            path.mkdir()
        with pytest.raises(UserError, match=r"\.toml: ") as caught:
            load_calibration(str(path), OURS)
        assert said in str(caught.value)
    latin = tmp_path / "latin.toml"
    latin.write_bytes('title = "Grüße"'.encode("latin-1"))
    with pytest.raises(UserError, match="not UTF-8 text; a calibration is a TOML file"):
        load_calibration(str(latin), OURS)


def test_unknown_name_suggests_the_nearest() -> None:
    with pytest.raises(UserError, match=r"calibration 'statoin' is not known; did you mean 'station'\?"):
        load_calibration("statoin", OURS)
    with pytest.raises(UserError, match=r"known: .*station"):
        load_calibration("qqq", OURS)


@pytest.mark.parametrize("name", calibration_names())
def test_embedded_calibrations_are_good_and_complete(name: str) -> None:
    found = load_calibration(name, OURS)
    assert found.name == name
    assert found.source == name
    text, _ = calibration_text(name)
    written = tomllib.loads(text)
    for key in OURS.keys:
        table, _, last = key.place.rpartition(".")
        assert last in written[table]


def test_the_defaults_are_a_good_calibration() -> None:
    assert parse_calibration("", "mine.toml", OURS).values == default_values(OURS)


def test_a_title_and_its_absence() -> None:
    assert parse_calibration('title = "A & <b>"', "mine.toml", OURS).title == "A & <b>"
    assert parse_calibration("", "folder/mine.toml", OURS).title == "mine"


def test_empty_tables_are_fine() -> None:
    assert parse_calibration("[low]\n[oil]\n", "mine.toml", OURS).values == default_values(OURS)


def test_a_file_of_ones_own(tmp_path: Path) -> None:
    path = tmp_path / "soft.toml"
    path.write_text("low.engage_kmh = 40\nlow.release_kmh = 36.5\n", encoding="utf-8")
    found = load_calibration(str(path), OURS)
    assert (found.name, found.values.low_engage_ckmh, found.values.low_release_ckmh) == ("soft", 4_000, 3_650)


@pytest.mark.parametrize("key", OURS.keys, ids=lambda key: key.name)
def test_both_ends_of_every_range_are_read(key: Key) -> None:
    for value in (key.low, key.high):
        cell = in_file_units(key, value)
        written = f"[{cell}]" if key.entry is not None else cell
        try:
            found = getattr(parse_calibration(f"{key.place} = {written}", "mine.toml", OURS).values, key.name)
        except UserError as error:  # in range, but alone against a relation
            assert " must be " in str(error)  # noqa: PT017  # either way is right
            assert "out of range" not in str(error) or key.entry is not None  # noqa: PT017  # as above
        else:
            assert found == value or key.entry is not None


@settings(max_examples=100, deadline=None, derandomize=True)
@given(calibrations(), st.text(st.characters(codec="utf-8")))
def test_round_trip(values: Any, title: str) -> None:
    text = write_calibration(OURS, values, title)
    found = parse_calibration(text, "mine.toml", OURS)
    assert (found.values, found.title) == (values, title)
    assert write_calibration(OURS, found.values, title) == text


@settings(max_examples=100, deadline=None, derandomize=True)
@given(st.data())
def test_whatever_breaks_a_relation_is_refused(data: st.DataObject) -> None:
    # One key of a good calibration goes anywhere in its range: read back or refused with its relation's text.
    values = data.draw(calibrations())
    key = data.draw(st.sampled_from(OURS.keys))
    moved = values._replace(**{key.name: bool(data.draw(st.booleans())) if key.is_flag
                               else data.draw(st.integers(key.low, key.high))})  # fmt: skip
    text = write_calibration(OURS, moved, "moved")
    broken = [relation for relation in OURS.relations if not relation.holds(moved)]
    if broken:
        assert _error(text).endswith(f"must be {broken[0].text}")
    else:
        assert parse_calibration(text, "mine.toml", OURS).values == moved


def test_the_usual_pairs_can_be_written_as_they_are() -> None:
    text = "low.engage_kmh = 40\nlow.release_kmh = 38\nhigh.engage_kmh = 80\nhigh.release_kmh = 75\n"
    assert parse_calibration(text, "mine.toml", OURS).values.low_release_ckmh == 3_800


_STATION = calibration_text("station")[0]


@settings(max_examples=300, deadline=None, derandomize=True)
@given(
    st.integers(0, len(_STATION)),
    st.integers(0, 12),
    st.text(st.sampled_from("0123456789.-+e_=[]{}\"'#\n truefalsninkmhdg")),
)
def test_a_file_spoilt_anywhere_is_read_or_refused_in_one_line(at: int, cut: int, put: str) -> None:
    text = _STATION[:at] + put + _STATION[at + cut :]
    try:
        parse_calibration(text, "mine.toml", OURS)
    except UserError as error:
        assert str(error).startswith("mine.toml: ")  # noqa: PT017  # reading it is right, too
        assert "\n" not in str(error)  # noqa: PT017  # as above


def test_keys_without_a_table_and_deeper_tables_round_trip() -> None:
    rules = OURS.adding(
        keys=[
            Key("deep_ms", "a.b.deep_ms", 1, 0, 10, 5, "in a deeper one"),
            Key("own_ms", "own_ms", 1, 0, 10, 5, "without a table"),
            Key("half_ms", "half_ms", 2, 0, 10, 5, "in halves"),
        ]
    )
    values = default_values(rules)._replace(own_ms=3, deep_ms=4, half_ms=3)
    text = write_calibration(rules, values, "t")
    assert text.startswith(
        'title = "t"\n\n# without a table (0 to 10)\nown_ms = 3\n# in halves (0 to 5)\nhalf_ms = 1.5\n'
    )
    assert parse_calibration(write_calibration(rules, values, "t"), "mine.toml", rules).values == values


def test_each_comment_gives_meaning_and_range() -> None:
    text = write_calibration(OURS, calibration(), "t")
    assert "# the clutch comes out under this speed (3 to 158)\nrelease_kmh = 31\n" in text
    assert "# the hold stays in while the gearbox shifts\nhold_through = false\n" in text
    assert "turbine_rpm_at_100_kmh = [9002, 4513, 3385, 2401, 1800, 1440]\n" in text


def test_a_title_is_written_as_a_person_would() -> None:
    assert write_calibration(OURS, calibration(), 'Mud, 3 °C "soft"').startswith('title = "Mud, 3 °C \\"soft\\""\n')


def test_one_type_a_rule_set() -> None:
    assert values_type(OURS) is values_type(OURS)
