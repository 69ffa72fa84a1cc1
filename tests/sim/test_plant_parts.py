"""Tables, converter, clutch and engine, each on its own."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sim.clutch import capacity_nm, couple
from sim.converter import converter_torques
from sim.engine import torque_demand_nm
from sim.heat import fan_engagement, radiator_opening
from sim.params import Lags, stepping
from sim.plant import Inputs, State, step
from sim.tables import even_grid, interpolate, lookup
from sim.vehicle import Vehicle, viscosity_cst

speeds = st.floats(0.0, 500.0)


@pytest.mark.parametrize(("x", "y"), [(-1, 2), (0, 2), (0.5, 3), (1, 4), (2, 2), (3, 0), (9, 0)])
def test_straight_lines_between_points_and_level_outside(x: float, y: float) -> None:
    assert interpolate([0, 1, 3], [2, 4, 0], x) == y


@given(st.floats(-1, 30))
def test_even_grid_gives_the_same_lines(x: float) -> None:
    xs, ys = [0.0, 2.0, 5.0, 20.0], [1.0, 5.0, 3.0, 3.5]
    assert lookup(even_grid(xs, ys, 0.5, 42), x / 0.5) == pytest.approx(interpolate(xs, ys, x))


@given(speeds, speeds)
def test_converter_never_makes_power(pukeko: Vehicle, engine_rads: float, turbine_rads: float) -> None:
    p = pukeko.params
    pump, turbine = converter_torques(
        p.capacity_nm_per_rads2, p.torque_ratio, p.overrun_share, engine_rads, turbine_rads
    )
    assert pump * engine_rads - turbine * turbine_rads >= -1e-9


def test_converter_mirrors_on_overrun_and_is_empty_at_equal_speeds(pukeko: Vehicle) -> None:
    p = pukeko.params
    args = p.capacity_nm_per_rads2, p.torque_ratio, p.overrun_share
    assert converter_torques(*args, 0.0, 0.0) == (0.0, 0.0)
    assert converter_torques(*args, 200.0, 200.0) == (0.0, 0.0)
    pump, turbine = converter_torques(*args, 160.0, 200.0)
    forward, _ = converter_torques(*args, 200.0, 160.0)
    assert pump == turbine == pytest.approx(-p.overrun_share * forward)


@pytest.mark.parametrize(
    ("pressure", "share"), [(0.0, 0.0), (0.0999, 0.0), (0.10, 0.0), (0.1001, 0.0001 / 0.9), (1.0, 1.0)]
)
def test_clutch_carries_nothing_up_to_the_kiss_point(pukeko: Vehicle, pressure: float, share: float) -> None:
    p = pukeko.params
    assert capacity_nm(p.clutch_nm, p.kiss_share, p.clutch_friction, pressure, 0.0) == pytest.approx(
        share * p.clutch_nm
    )


def test_friction_depends_on_slip_either_way(pukeko: Vehicle) -> None:
    p = pukeko.params
    one, other = (capacity_nm(p.clutch_nm, p.kiss_share, p.clutch_friction, 1.0, s) for s in (60.0, -60.0))
    assert one == other < p.clutch_nm


@given(
    engine=st.floats(50, 450), speed=st.floats(0.5, 40), engine_nm=st.floats(-150, 450),
    turbine_nm=st.floats(-100, 600), resist=st.floats(-8000, 15000), limit=st.floats(0, 900),
)  # fmt: skip
def test_projected_clutch_sticks_or_slips_at_its_capacity_and_obeys_newton(
    engine: float, speed: float, engine_nm: float, turbine_nm: float, resist: float, limit: float
) -> None:
    dt, je, jt, mass, eta, ratio = 0.01, 0.36, 0.07, 2890.0, 0.92, 17.0
    we, v, clutch, inp, hold = couple(
        dt, je, jt, mass, eta, ratio, ratio, ratio, engine, speed, engine_nm, turbine_nm, resist, limit
    )
    slip = we - ratio * v
    assert abs(clutch) <= limit
    assert abs(slip) < 1e-6 or abs(clutch) == limit
    # A clutch at its limit pulls the slip down, never up past zero.
    if abs(slip) > 1e-6 and limit > 0.0:
        assert slip * clutch > 0.0
    k = ratio * eta if inp >= 0 else ratio / eta
    assert mass * (v - speed) / dt == pytest.approx(k * inp - resist + hold, abs=1e-3)
    assert je * (we - engine) / dt == pytest.approx(engine_nm - clutch, abs=1e-6)
    assert v >= 0.0


def test_standing_vehicle_is_held_and_does_not_roll_back() -> None:
    _, v, _, _, hold = couple(0.01, 0.36, 0.07, 2890.0, 0.92, 34.0, 34.0, 34.0, 75.0, 0.0, 0.0, 50.0, 9000.0, 0.0)
    assert v == 0.0
    assert hold == pytest.approx(9000.0 - 34.0 * 0.92 * 50.0)


def test_pedal_governor_and_limiter(pukeko: Vehicle) -> None:
    p = pukeko.params

    def demand(throttle: float, rads: float) -> float:
        friction = p.friction_nm + p.friction_nm_per_rads * rads
        return torque_demand_nm(
            p.full_load_nm, friction, p.idle_rads, p.idle_gain_nm_per_rads, p.rev_limit_rads,
            p.rev_band_rads, throttle, rads,
        )  # fmt: skip

    assert demand(0.0, 250.0) == 0.0
    assert demand(0.0, p.idle_rads) > 0.0
    assert demand(0.0, p.idle_rads - 10.0) > demand(0.0, p.idle_rads)
    assert demand(0.3, p.idle_rads) > demand(0.0, p.idle_rads)
    assert demand(1.0, 230.0) == pytest.approx(455.0 + p.friction_nm + p.friction_nm_per_rads * 230.0, rel=1e-3)
    assert demand(1.0, p.rev_limit_rads) == 0.0
    assert demand(1.0, p.rev_limit_rads + 20.0) == 0.0
    assert demand(1.0, p.rev_limit_rads - 0.5 * p.rev_band_rads) > 0.0


@pytest.mark.parametrize(("at_c", "share"), [(79.9, 0.0), (80.0, 0.0), (87.0, 0.5), (94.0, 1.0), (99.0, 1.0)])
def test_thermostat(at_c: float, share: float) -> None:
    assert radiator_opening(at_c, 80.0, 94.0) == pytest.approx(share)


@pytest.mark.parametrize(("at_c", "share"), [(94.9, 0.0), (95.0, 0.0), (99.0, 0.5), (103.0, 1.0), (120.0, 1.0)])
def test_fan(at_c: float, share: float) -> None:
    assert fan_engagement(at_c, 95.0, 103.0) == pytest.approx(share)


def test_lag_shares_compose() -> None:
    lags = Lags(0.25, 0.12, 0.03, 0.4)
    one, ten = stepping(lags, 0.01), stepping(lags, 0.001)
    for name in ("torque_share", "fill_share", "dump_share", "tyre_share"):
        assert 1.0 - getattr(one, name) == pytest.approx((1.0 - getattr(ten, name)) ** 10)


def test_cold_oil_drags_more(pukeko: Vehicle) -> None:
    drag = pukeko.params.oil_drag
    assert all(cold > warm for cold, warm in pairwise(drag))
    assert lookup(drag, 12.0) == pytest.approx(1.0)
    assert viscosity_cst(32.0, 5.4, 40.0) == pytest.approx(32.0)


@settings(max_examples=30, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.floats(0, 1), st.sampled_from([0.0, 0.0, 4000.0, 22000.0]), st.floats(0, 1), st.floats(-5000, 5000),
            st.sampled_from([8.5, 17.0, 34.0]), st.floats(-20, 20), st.booleans(),
        ),
        min_size=1, max_size=12,
    )
)  # fmt: skip
def test_whatever_is_asked_of_it_the_plant_stays_in_range_and_its_books_close(
    pukeko: Vehicle, orders: list[tuple[float, float, float, float, float, float, bool]]
) -> None:
    p = pukeko.params
    h = stepping(pukeko.lags, 0.01)
    s = State(80.0, 0.0, 50.0, 0.0, 0.0, 0.0, 60.0, 50.0, 60.0, 80.0, 82.0)
    ratio = 34.0
    for throttle, brake, duty, grade, gear, wind, fuel in orders:
        for i in range(20):
            end = gear if i == 0 else ratio
            u = Inputs(
                throttle, float(fuel), 1.0, 0.0, brake, duty, ratio, end, 0.05, 2890.0, 500.0, grade, 0.73, wind,
                0.06, 5000.0, 25.0,
            )  # fmt: skip
            after, b = step(s, u, p, h)
            wt0, wt1 = (g * x.speed_ms / (1 - x.tyre_slip) for g, x in ((ratio, s), (end, after)))
            stored = 0.5 * (
                p.engine_kgm2 * (after.engine_rads**2 - s.engine_rads**2)
                + p.turbine_kgm2 * (wt1**2 - wt0**2)
                + 2890.0 * (after.speed_ms**2 - s.speed_ms**2)
            )
            lost = (
                b.friction + b.fan + b.pump + b.converter + b.clutch + b.spin + b.shift + b.mesh + b.axle + b.tyre
                + b.rolling + b.air + b.climbing + b.braking
            )  # fmt: skip
            scale = abs(stored) + abs(b.indicated) + abs(b.braking) + abs(b.clutch) + 1.0
            assert abs(b.indicated + b.starter + b.holding - lost - stored) < 1e-9 * scale
            assert after.engine_rads >= 0.0
            assert after.speed_ms >= 0.0
            assert 0.0 <= after.pressure <= 1.0
            s, ratio = after, end
    assert all(value - value == 0.0 for value in s)
