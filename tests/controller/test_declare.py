"""The words and numbers of states, bands and signals, which firmware, files and tables share."""

from __future__ import annotations

from controller.declare import Band, State
from controller.keys import KEYS
from controller.signals import SIGNALS


def test_states_and_bands_have_their_numbers_and_words() -> None:
    assert [(int(one), one.word) for one in State] == [(0, "idle"), (1, "armed"), (2, "applied"), (3, "released")]
    assert [(int(one), one.word) for one in Band] == [(0, "none"), (1, "low"), (2, "high")]


def test_signals_begin_with_a_parked_vehicle_whose_ignition_is_on() -> None:
    begins = {one.name: one.default for one in SIGNALS if one.default != 0}
    assert begins == {"ignition_on": 1, "oil_temp_dc": 200}
    assert {(one.low, one.high) for one in SIGNALS if one.is_flag} == {(0, 1)}
    assert {(one.low, one.high) for one in SIGNALS if one.unit == "ms" and one.name != "now_ms"} == {(0, 60_000)}
    assert all(one.low == 0 for one in SIGNALS if one.name not in ("oil_temp_dc", "gear"))


def test_a_flag_of_the_calibration_is_written_as_it_is() -> None:
    assert {(one.scale, one.low, one.high) for one in KEYS if one.is_flag} == {(1, 0, 1)}
