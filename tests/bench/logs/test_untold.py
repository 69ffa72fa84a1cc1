"""Where the slip does not tell in from out: told about as much as it can be, and no more."""

import numpy as np
import pytest

from bench.logs.clutch import IN, OUT
from bench.logs.collect import Readings
from bench.logs.edges import Slip
from bench.logs.grid import is_read_near
from bench.logs.untold import settle

STEP_S, NOISE_RPM = 0.1, 4.0
TIME_S = np.arange(0.0, 60.0, STEP_S)


def _slip(clean_rpm: np.ndarray, seed: int) -> Slip:
    noise = np.random.default_rng(seed).normal(0.0, NOISE_RPM, len(TIME_S))
    return Slip(TIME_S, clean_rpm + noise, NOISE_RPM, np.zeros(len(TIME_S)), 1500.0 + clean_rpm, 3.0)


def _settled(let_go_s: float, seen_s: float, void_rpm: float, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """A clutch lets go at one time and is seen to be out at another; from 20 to 40 s hardly anything is pulled."""
    expected = np.where((TIME_S > 20.0) & (TIME_S < 40.0), void_rpm, 120.0)
    slip = _slip(np.where(let_go_s > TIME_S, 0.0, expected), seed)
    return settle(np.where(seen_s > TIME_S, IN, OUT), slip, expected, IN)


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("void_rpm", [0.0, 2.0, -3.0])
def test_a_change_where_nothing_is_pulled(seed: int, void_rpm: float) -> None:
    state, untold = _settled(30.0, 40.0, void_rpm, seed)
    assert untold[round(30.0 / STEP_S)]
    assert not untold[TIME_S < 19.0].any()
    assert not untold[TIME_S > 41.0].any()
    true = np.where(TIME_S < 30.0, IN, OUT)
    assert (state == true)[~untold].all()


@pytest.mark.parametrize("seed", range(5))
def test_a_change_into_a_hold_is_the_same_backwards(seed: int) -> None:
    expected = np.where((TIME_S > 20.0) & (TIME_S < 40.0), 1.0, 120.0)
    slip = _slip(np.where(TIME_S < 30.0, expected, 0.0), seed)
    state, untold = settle(np.where(TIME_S < 20.0, OUT, IN), slip, expected, IN)
    assert untold[round(30.0 / STEP_S)]
    assert (state == np.where(TIME_S < 30.0, OUT, IN))[~untold].all()


def test_a_change_under_pull_is_left_alone() -> None:
    expected = np.full(len(TIME_S), 120.0)
    given = np.where(TIME_S < 30.0, IN, OUT)
    state, untold = settle(given, _slip(np.where(TIME_S < 30.0, 0.0, expected), 1), expected, IN)
    assert (state == given).all()
    assert not untold.any()


def test_a_state_that_changed_late_is_put_right() -> None:
    """Slip of 25 rpm, told as in for 10 s though it is well over what a hold shows."""
    state, untold = _settled(22.0, 40.0, 25.0, 1)
    assert untold.sum() * STEP_S < 3.0
    assert (state == np.where(TIME_S < 22.0, IN, OUT))[~untold].mean() > 0.99


@pytest.mark.parametrize("turn", [1, -1])
def test_one_sample_on_the_way_does_not_undo_a_hold(turn: int) -> None:
    """Held for 3 s under full pull, then let go as the pull ends; at its far end a sample still slips."""
    expected = np.full(len(TIME_S), 30.0)
    expected[250:280] = np.linspace(1800.0, 60.0, 30)
    rpm = expected.copy()
    rpm[250], rpm[251:290] = 100.0, 0.0
    given = np.full(len(TIME_S), OUT)
    given[250:290] = IN
    state, untold = settle(given[::turn], _slip(rpm[::turn], 1), expected[::turn], IN)
    assert (state[::turn][252:280] == IN).all()
    assert not untold[::turn][252:280].any()


def _told_whole(inside_rpm: float, true_rpm: np.ndarray, told: int, beside: int, seed: int) -> tuple[np.ndarray, ...]:
    expected = np.where((TIME_S >= 25.0) & (TIME_S < 35.0), inside_rpm, 100.0)
    given = np.where((TIME_S >= 25.0) & (TIME_S < 35.0), told, beside)
    return settle(given, _slip(true_rpm, seed), expected, IN)


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("rpm", [15.0, -15.0])
def test_a_hold_whose_slip_is_the_open_converters_is_none(rpm: float, seed: int) -> None:
    inside = (TIME_S >= 25.0) & (TIME_S < 35.0)
    state, untold = _told_whole(rpm, np.where(inside, rpm, 100.0), IN, OUT, seed)
    assert (state[inside] == OUT).all()
    assert not untold[inside].any()


@pytest.mark.parametrize("seed", range(3))
def test_an_opening_without_the_open_converters_slip_is_none(seed: int) -> None:
    inside = (TIME_S >= 25.0) & (TIME_S < 35.0)
    state, untold = _told_whole(35.0, np.zeros(len(TIME_S)), OUT, IN, seed)
    assert (state[inside] == IN).all()
    assert not untold[inside].any()


@pytest.mark.parametrize(("told", "beside"), [(IN, OUT), (OUT, IN)])
def test_a_stretch_that_hardly_speaks_for_what_was_told_is_untold(told: int, beside: int) -> None:
    inside = (TIME_S >= 25.0) & (TIME_S < 35.0)
    true_rpm = np.where(inside, 0.0, 100.0 if beside == OUT else 0.0)
    state, untold = _told_whole(0.5, true_rpm, told, beside, 1)
    assert untold[inside].all()
    assert (state[~inside] == beside).all()


def test_a_hold_under_pull_is_not_weighed() -> None:
    inside = (TIME_S >= 25.0) & (TIME_S < 35.0)
    state, untold = _told_whole(60.0, np.where(inside, 60.0, 100.0), IN, OUT, 1)
    assert (state[inside] == IN).all()
    assert not untold.any()


def test_read_near() -> None:
    """A reading is missing at 0.4 s: just before and after it nothing was read near, at the readings it was."""
    times = np.array([0.0, 0.1, 0.2, 0.3, 0.5, 0.6])
    one = Readings(times, np.zeros(6), 0.1)
    assert is_read_near(one, times).all()
    assert is_read_near(one, np.array([0.05, 0.25, 0.55])).all()
    assert not is_read_near(one, np.array([0.31, 0.4, 0.49])).any()
