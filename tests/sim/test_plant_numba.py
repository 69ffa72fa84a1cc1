"""numba compiles the plant's functions as they are, and gives the same bits."""

from __future__ import annotations

import types
from typing import Any

import numpy as np
import pytest

from sim import plant
from sim.params import stepping
from sim.plant import Inputs, State
from sim.vehicle import Vehicle

numba = pytest.importorskip("numba", reason="numba is not installed: compiled plant not compared")


def compiled(function: Any, done: dict[Any, Any]) -> Any:
    """Compile a function and every function of ours that it calls, source unchanged."""
    if function not in done:
        scope = dict(function.__globals__)
        for name in function.__code__.co_names:
            value = scope.get(name)
            if isinstance(value, types.FunctionType) and value.__module__.startswith("sim."):
                scope[name] = compiled(value, done)
        copy = types.FunctionType(function.__code__, scope, function.__name__, function.__defaults__)
        done[function] = numba.njit(copy)
    return done[function]


def test_same_bits_over_a_launch_a_shift_a_lock_and_a_stop(pukeko: Vehicle) -> None:
    fast = compiled(plant.step, {})
    params = pukeko.params
    arrays = params._replace(
        **{name: np.array(value) for name, value in params._asdict().items() if isinstance(value, tuple)}
    )
    h = stepping(pukeko.lags, 0.01)
    first, second = pukeko.turbine_rads_per_ms[:2]
    ours = theirs = State(75.0, 0.0, 60.0, 0.0, 0.0, 0.0, 60.0, 55.0, 60.0, 96.0, 97.0)
    for k in range(1500):
        share = min(max((k - 300) / 50.0, 0.0), 1.0)
        after = min(max((k + 1 - 300) / 50.0, 0.0), 1.0)
        u = Inputs(
            0.8 if k < 900 else 0.0, 1.0, 1.0, 0.0, 0.0 if k < 1000 else 12000.0, 1.0 if k > 500 else 0.0,
            first + (second - first) * share, first + (second - first) * after, 0.1 * share * (1.0 - share),
            2890.0, 900.0, 300.0, 0.73, 2.0, 0.05, 5000.0, 25.0,
        )  # fmt: skip
        ours, books = plant.step(ours, u, params, h)
        theirs, fast_books = fast(theirs, u, arrays, h)
        assert tuple(ours) == tuple(theirs), f"step {k}"
        assert tuple(books) == tuple(fast_books), f"step {k}"
    assert ours.speed_ms == 0.0
