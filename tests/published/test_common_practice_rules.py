"""What the trade expects of the rules. Common practice, no source: check values only, no demonstration data."""

from __future__ import annotations

from typing import Any

import pytest

from controller.calibration import parse_calibration
from controller.declare import State
from controller.our_rules import OURS
from controller.step import Command, Reference

_PAIRS = """
low.engage_kmh = 40
low.release_kmh = 38
high.engage_kmh = {engage}
high.release_kmh = {release}
oil.hot_engage_earlier_kmh = 0
engine.stall_guard_rpm = 700
engine.lugging_rpm = 800
high.gear_lowest = 3
"""
_RPM_AT_100 = {2: 4513, 3: 3385, 4: 2401}


class Vehicle:
    """The rules with a vehicle that has everything in order and rolls at a given speed."""

    def __init__(self, engage_kmh: int = 80, release_kmh: int = 75) -> None:
        text = _PAIRS.format(engage=engage_kmh, release=release_kmh)
        self.calibration: Any = parse_calibration(text, "usual.toml", OURS).values
        self.controller = Reference(OURS, self.calibration)
        self.inputs = {signal.name: signal.default for signal in OURS.signals}
        self.inputs |= {"oil_temp_dc": 850, "throttle_permille": 150, "ignition_on": True}

    def roll(self, speed_ckmh: int, ticks: int = 1, gear: int = 3, **inputs: int) -> Command:
        """Take ticks of 10 ms at that speed."""
        turbine_rpm = speed_ckmh * _RPM_AT_100[gear] // 10_000
        for _ in range(ticks):
            self.inputs |= {"now_ms": self.inputs["now_ms"] + 10, "road_speed_ckmh": speed_ckmh, "gear": gear,
                            "turbine_rpm": turbine_rpm, "engine_rpm": turbine_rpm + 40, **inputs}  # fmt: skip
            command = self.controller.tick(self.inputs)
        return command

    def started(self, band: int, speed_ckmh: int) -> Vehicle:
        """Start, select a band, and wait out every delay at that speed."""
        self.roll(speed_ckmh, band_switch=0)
        self.roll(speed_ckmh, 300, band_switch=band)
        return self


def test_low_band_engages_rising_through_40_and_releases_falling_through_38() -> None:
    """Common practice, no source: low band, a usual pair 40/38 km/h, held at any speed above; exact."""
    vehicle = Vehicle().started(1, 3_000)
    assert vehicle.roll(3_999, 200).state == State.ARMED
    assert vehicle.roll(4_000).state == State.APPLIED
    for speed in (5_000, 8_000, 12_000):
        assert vehicle.roll(speed, 200, gear=4).state == State.APPLIED
    assert vehicle.roll(3_801, 200).state == State.APPLIED
    assert vehicle.roll(3_800, 200).state == State.APPLIED
    command = vehicle.roll(3_799)
    assert (command.state, command.duty_ppm) == (State.RELEASED, 0)
    assert vehicle.roll(3_999, 1_000).state == State.ARMED
    assert vehicle.roll(4_001).state == State.APPLIED


@pytest.mark.parametrize("engage_kmh", [80, 85])
def test_high_band_engages_at_80_or_85_and_releases_5_below(engage_kmh: int) -> None:
    """Common practice, no source: high band, engage 80 km/h (some set 85), release 5 km/h below engage; exact."""
    engage = engage_kmh * 100
    vehicle = Vehicle(engage_kmh, engage_kmh - 5).started(2, 6_000)
    assert vehicle.roll(engage - 1, 200).state == State.ARMED
    assert vehicle.roll(engage).state == State.APPLIED
    assert vehicle.roll(engage - 500, 200).state == State.APPLIED
    assert vehicle.roll(engage - 501).state == State.RELEASED


def test_changing_to_the_high_band_at_50_drops_out_until_its_engage_speed() -> None:
    """Common practice, no source: low to high at about 50 km/h: out at once, in again only at the high band's speed."""
    vehicle = Vehicle().started(1, 5_000)
    assert vehicle.roll(5_000).state == State.APPLIED
    command = vehicle.roll(5_000, band_switch=2)
    assert (command.state, command.duty_ppm) == (State.RELEASED, 0)
    for speed in range(5_000, 8_000, 10):
        assert vehicle.roll(speed, 3).duty_ppm == 0
    assert vehicle.roll(7_999, 200).state == State.ARMED
    assert vehicle.roll(8_000).state == State.APPLIED


@pytest.mark.parametrize("switch", [0, 1, 2])
def test_every_start_begins_with_no_band(switch: int) -> None:
    """Common practice, no source: each ignition cycle begins with no band; the transmission behaves as built."""
    vehicle = Vehicle()
    command = vehicle.roll(9_000, 500, band_switch=switch)
    assert (command.state, command.band, command.duty_ppm) == (State.IDLE, 0, 0)
    vehicle = Vehicle().started(1, 5_000)
    assert vehicle.roll(5_000, band_switch=1).state == State.APPLIED
    vehicle.roll(5_000, 10, ignition_on=False, band_switch=switch)
    command = vehicle.roll(5_000, 500, ignition_on=True, band_switch=switch)
    assert (command.state, command.band, command.duty_ppm) == (State.IDLE, 0, 0)


@pytest.mark.parametrize(("band", "speed_ckmh"), [(1, 5_000), (2, 9_000)])
def test_switching_off_opens_at_once(band: int, speed_ckmh: int) -> None:
    """Common practice, no source: the driver switches the band off, the clutch comes out at once."""
    vehicle = Vehicle().started(band, speed_ckmh)
    assert vehicle.roll(speed_ckmh).state == State.APPLIED
    command = vehicle.roll(speed_ckmh, band_switch=0)
    assert (command.state, command.duty_ppm) == (State.IDLE, 0)


@pytest.mark.parametrize(("band", "speed_ckmh"), [(1, 5_000), (2, 9_000)])
def test_a_light_throttle_alone_never_opens_a_hold(band: int, speed_ckmh: int) -> None:
    """Common practice, no source: a squeeze that pops the as-built clutch out leaves a hold in; so does any other."""
    vehicle = Vehicle().started(band, speed_ckmh)
    for throttle in (*range(0, 1_001, 20), *range(1_000, -1, -20), 150, 350, 150):
        assert vehicle.roll(speed_ckmh, 20, throttle_permille=throttle).state == State.APPLIED
