"""The apply ramp: three rates, three corners, a slew limit; every release is immediate."""

from __future__ import annotations

import pytest
from rig import Rig

from controller.declare import State


def _start() -> Rig:
    """Return a rig in the tick in which the clutch goes in, with 1 ms ticks."""
    rig = Rig().ready()
    rig.rolling(4_000)
    rig.tick(1)
    assert rig.state == "applied"
    return rig


def test_goes_in_with_the_first_tick_of_the_fill_rate() -> None:
    assert _start().command.duty_ppm == 3_000


@pytest.mark.parametrize(
    ("corner_ppm", "rate_before", "rate_after"), [(220_000, 3_000, 700), (700_000, 700, 1_500), (1_000_000, 1_500, 0)]
)
def test_rates_change_at_the_corners(corner_ppm: int, rate_before: int, rate_after: int) -> None:
    rig = _start()
    before = rig.command.duty_ppm
    while (duty := rig.tick(1).duty_ppm) < corner_ppm:
        assert duty - before <= 3_000
        before = duty
    # The corner itself is met exactly, from no more than one step below.
    assert duty == corner_ppm
    assert 0 < corner_ppm - before <= rate_before
    assert rig.tick(1).duty_ppm - corner_ppm == rate_after


@pytest.mark.parametrize("tick_ms", [1, 7, 10, 100, 1_000])
def test_the_whole_ramp_takes_its_time(tick_ms: int) -> None:
    # 220 / 3000 s, 480 / 700 s, 300 / 1500 s; each part may end within a tick.
    rig = Rig().ready()
    rig.rolling(4_000)
    ticks = 0
    while rig.tick(tick_ms).duty_ppm < 1_000_000:
        ticks += 1
    assert 959 - tick_ms <= ticks * tick_ms <= 959 + 3 * tick_ms


def test_a_hold_stays_at_its_end_duty() -> None:
    rig = Rig(end_duty_ppm=850_000).holding()
    assert {rig.tick().duty_ppm for _ in range(100)} == {850_000}


def test_every_corner_may_be_the_same() -> None:
    rig = Rig(kiss_duty_ppm=500_000, knee_duty_ppm=500_000, end_duty_ppm=500_000).ready()
    rig.rolling(4_000)
    assert rig.run(1_000).duty_ppm == 500_000


def test_a_band_change_that_keeps_the_hold_keeps_the_ramp() -> None:
    rig = Rig().ready(1, 2_000, 2)
    rig.rolling(8_000, 4)
    rig.until(State.APPLIED)
    duty = rig.run(200).duty_ppm
    assert rig.tick(1, band_switch=2).duty_ppm == duty + 700


@pytest.mark.parametrize("after_ms", [0, 10, 80, 400, 2_000])
def test_every_release_is_immediate_and_the_next_ramp_starts_at_zero(after_ms: int) -> None:
    rig = _start()
    rig.run(after_ms)
    assert rig.tick(brake_on=1).duty_ppm == 0
    rig.run(500, brake_on=0)
    rig.until(State.APPLIED)
    assert 0 < rig.command.duty_ppm <= 30_000


def test_a_late_tick_rises_by_a_second_at_most() -> None:
    rig = Rig(fill_permille_per_s=100, apply_permille_per_s=100, finish_permille_per_s=100).ready()
    rig.rolling(4_000)
    assert rig.tick(60_000).duty_ppm == 100_000
