"""Bands: engage and release speeds at one count of the sensor, the switch, the tyre scale, the hot offset."""

from __future__ import annotations

import pytest
from draws import sensor_count
from rig import Rig

from controller.declare import State

_BANDS = [(1, "low", 2), (2, "high", 5)]


def _engage(rig: Rig, word: str) -> int:
    return sensor_count(getattr(rig.k, f"{word}_engage_ckmh"), rig.k)


def _release(rig: Rig, word: str) -> int:
    return sensor_count(getattr(rig.k, f"{word}_release_ckmh"), rig.k)


@pytest.mark.parametrize("scale", [1_000, 937, 1_083, 500, 2_000])
@pytest.mark.parametrize(("band", "word", "gear"), _BANDS)
def test_engages_at_its_speed_and_not_one_count_below(band: int, word: str, gear: int, scale: int) -> None:
    # The sensor counts more or fewer turns of other tyres; the gear's own speed is the sensor's, so none is judged.
    rig = Rig(tyre_scale_permille=scale, plausible_tolerance_rpm=2_000, lugging_rpm=1_000).ready(band, 1_000, gear)
    engage = _engage(rig, word)
    rig.set(turbine_rpm=1_500, engine_rpm=1_600)
    rig.tick(road_speed_ckmh=engage - 1)
    assert (rig.state, rig.refusal) == ("armed", "below_engage")
    rig.tick(road_speed_ckmh=engage)
    assert (rig.state, rig.reason, rig.refusal) == ("applied", "engage_speed", "none")


@pytest.mark.parametrize("above", [1, 2])
@pytest.mark.parametrize(("band", "word", "gear"), _BANDS)
def test_engages_above_its_speed(band: int, word: str, gear: int, above: int) -> None:
    rig = Rig().ready(band, 2_000, gear)
    rig.rolling(_engage(rig, word) + above, 2 if band == 1 else 4)
    assert rig.run(500).state == State.APPLIED


@pytest.mark.parametrize("scale", [1_000, 937, 1_083])
@pytest.mark.parametrize(("band", "word", "gear"), _BANDS)
def test_releases_one_count_below_its_speed_and_not_at_it(band: int, word: str, gear: int, scale: int) -> None:
    rig = Rig(tyre_scale_permille=scale).holding(band, 8_200 if band == 2 else 4_000, 4 if band == 2 else gear)
    release = _release(rig, word)
    for speed in (release + 1, release):
        rig.tick(road_speed_ckmh=speed)
        assert rig.state == "applied"
    rig.tick(road_speed_ckmh=release - 1)
    assert (rig.state, rig.reason, rig.command.duty_ppm) == ("released", "below_release", 0)


def test_between_release_and_engage_nothing_changes() -> None:
    rig = Rig().holding()
    rig.rolling(3_250)
    assert rig.run(10_000, 100).state == State.APPLIED
    rig.rolling(3_099)
    assert rig.tick().state == State.RELEASED
    rig.rolling(3_399, 2)
    rig.run(10_000, 100)
    assert (rig.state, rig.refusal) == ("armed", "below_engage")
    rig.rolling(3_400)
    assert rig.tick().state == State.APPLIED


def test_a_hold_lasts_at_any_speed_above() -> None:
    rig = Rig().holding()
    for speed, gear in ((5_000, 3), (9_000, 5), (14_000, 6), (30_000, 6)):
        rig.rolling(speed, gear)
        assert rig.run(2_000, 100).state == State.APPLIED


def test_switched_off_goes_idle_in_the_same_tick() -> None:
    for prepare in (Rig().holding, Rig().ready):
        rig = prepare()
        rig.tick(band_switch=0)
        assert (rig.state, rig.reason, rig.refusal, rig.command.band) == ("idle", "driver_off", "driver_off", 0)
        rig.rolling(9_000)
        assert rig.run(3_000).state == State.IDLE
    rig = Rig().holding()
    rig.tick(brake_on=1)
    assert rig.state == "released"
    rig.tick(band_switch=0)
    assert (rig.state, rig.reason) == ("idle", "driver_off")


def test_another_band_under_its_engage_speed_comes_out_in_the_same_tick() -> None:
    rig = Rig().holding(1, 5_000, 4)
    rig.tick(band_switch=2)
    assert (rig.state, rig.reason, rig.command.duty_ppm, rig.command.band) == ("released", "driver_off", 0, 2)
    rig.run(10_000, 100)
    assert rig.refusal == "below_engage"
    rig.rolling(7_199)
    assert rig.tick().state == State.ARMED
    rig.rolling(7_200)
    assert rig.tick().state == State.APPLIED


@pytest.mark.parametrize(("speed", "held"), [(7_199, False), (7_200, True), (7_201, True)])
def test_another_band_whose_engage_speed_is_reached_keeps_the_hold(speed: int, held: bool) -> None:
    rig = Rig().holding(1, speed, 4)
    rig.tick(band_switch=2)
    assert (rig.state == "applied") is held
    assert (rig.command.duty_ppm == 1_000_000) is held


def test_from_high_to_low_keeps_the_hold() -> None:
    rig = Rig().holding(2, 7_500, 4)
    rig.tick(band_switch=1)
    assert (rig.state, rig.command.band) == ("applied", 1)
    rig.rolling(4_000)
    assert rig.run(1_000).state == State.APPLIED


def test_only_a_change_of_the_switch_selects() -> None:
    rig = Rig()
    rig.rolling(4_000)
    rig.set(band_switch=1, ignition_on=0)
    rig.tick()
    assert rig.refusal == "ignition_off"
    rig.run(5_000, 100, ignition_on=1)
    assert (rig.state, rig.command.band, rig.refusal) == ("idle", 0, "driver_off")
    rig.tick(band_switch=0)
    rig.tick(band_switch=1)
    assert rig.command.band == 1


def test_ignition_off_drops_everything_and_a_start_is_idle() -> None:
    rig = Rig().holding()
    rig.tick(ignition_on=0)
    assert (rig.state, rig.reason, rig.command.duty_ppm, rig.command.band) == ("idle", "start", 0, 0)
    rig.run(5_000, 100, ignition_on=1)
    assert (rig.state, rig.command.band) == ("idle", 0)


def test_a_switch_without_a_good_signal_does_not_select() -> None:
    rig = Rig()
    limit = rig.k.band_switch_limit_ms
    rig.tick(band_switch=0)
    rig.tick(band_switch=1, band_switch_age_ms=limit + 1)
    assert rig.command.band == 0
    rig.tick(band_switch_age_ms=limit)
    assert rig.command.band == 1


@pytest.mark.parametrize(("oil", "engages"), [(1_099, False), (1_100, False), (1_101, True)])
def test_hot_oil_engages_earlier_by_the_offset(oil: int, engages: bool) -> None:
    rig = Rig().ready()
    rig.rolling(3_200)
    rig.tick(oil_temp_dc=oil)
    assert (rig.state == "applied") is engages
    assert ("hot_oil" in rig.lamps) is engages


def test_hot_offset_to_the_count_and_not_below() -> None:
    rig = Rig().ready()
    rig.tick(oil_temp_dc=1_101)
    rig.rolling(3_199)
    assert (rig.tick().state, rig.refusal) == (State.ARMED, "below_engage")
    rig.rolling(3_200)
    assert rig.tick().state == State.APPLIED


@pytest.mark.parametrize(("oil", "hot"), [(1_051, True), (1_050, False), (1_049, False)])
def test_hot_has_its_own_hysteresis(oil: int, hot: bool) -> None:
    rig = Rig()
    rig.tick(oil_temp_dc=1_101)
    rig.tick(oil_temp_dc=oil)
    assert ("hot_oil" in rig.lamps) is hot


@pytest.mark.parametrize(("oil", "lit"), [(1_299, False), (1_300, False), (1_301, True)])
def test_critical_oil_warns_and_never_opens(oil: int, lit: bool) -> None:
    rig = Rig().holding()
    rig.tick(oil_temp_dc=oil)
    assert ("critical_oil" in rig.lamps) is lit
    assert rig.run(20_000, 100).state == State.APPLIED


def test_a_start_forgets_that_the_oil_was_hot() -> None:
    rig = Rig()
    rig.tick(oil_temp_dc=1_101)
    rig.tick(oil_temp_dc=1_080)
    assert rig.lamps == ["hot_oil"]
    rig.tick(ignition_on=0)
    rig.tick(ignition_on=1)
    assert rig.lamps == []
