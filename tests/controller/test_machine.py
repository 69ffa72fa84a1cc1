"""A state machine of presses, speeds at thresholds, pedals, shifts, gears and bad signals; every row, every refusal.

Each step runs both controllers and asks every property on memory before and after. What luck does not reach is
scripted below, so that the last test can demand all of it.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest
from draws import thresholds
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, precondition, rule, run_state_machine_as_test
from rig import Rig

from controller.declare import State
from controller.our_rules import OURS
from controller.signals import AGED

_Seen = set[tuple[str, ...]]


def _moves(rig: Rig, before: str) -> tuple[str, str, str]:
    return before, rig.state, rig.reason


class Drives(RuleBasedStateMachine):
    """A driver, a gearbox and a bus that do anything at any moment."""

    moves: _Seen = set()  # noqa: RUF012  # gathered over all runs
    refusals: set[str] = set()  # noqa: RUF012  # as above

    @initialize(throttle=st.booleans(), through=st.booleans(), held=st.booleans())
    def start(self, throttle: bool, through: bool, held: bool) -> None:
        self.rig = Rig(closed_throttle_opens=throttle, kickdown_opens=throttle, hold_through_shifts=through)
        if held:
            self.rig.holding()

    def _step(self, ms: int = 10, **inputs: int) -> None:
        before = self.rig.state
        self.rig.tick(ms, **inputs)
        if self.rig.state != before:
            self.moves.add(_moves(self.rig, before))
        self.refusals.add(self.rig.refusal)

    @rule(band=st.sampled_from((0, 1, 2)))
    def press(self, band: int) -> None:
        self._step(band_switch=band)

    @rule(data=st.data(), name=st.sampled_from(
        ("road_speed_ckmh", "engine_rpm", "turbine_rpm", "oil_temp_dc", "throttle_permille", "gear")))  # fmt: skip
    def to_a_threshold(self, data: st.DataObject, name: str) -> None:
        self._step(**{name: data.draw(st.sampled_from(thresholds(self.rig.k, self.rig.inputs)[name]))})

    @rule(name=st.sampled_from(("brake_on", "shift_on")), on=st.booleans())
    def pedal_or_shift(self, name: str, on: bool) -> None:
        self._step(**{name: on})

    @rule(name=st.sampled_from(AGED), data=st.data())
    def signal_ages(self, name: str, data: st.DataObject) -> None:
        age = f"{name}_age_ms"
        self._step(**{age: data.draw(st.sampled_from(thresholds(self.rig.k, self.rig.inputs)[age]))})

    @rule(on=st.sampled_from((True, True, True, False)))
    def ignition(self, on: bool) -> None:
        self._step(ignition_on=on)

    @rule(ms=st.sampled_from((0, 1, 10, 200, 499, 500, 999, 1_000, 1_001, 5_000)))
    def time_passes(self, ms: int) -> None:
        self._step(ms)

    @rule(seconds=st.integers(1, 5))
    def seconds_pass(self, seconds: int) -> None:
        for _ in range(seconds):
            self._step(1_000)

    @rule(speed=st.sampled_from((0, 2_000, 3_100, 3_400, 4_000, 6_600, 7_200, 9_000)), gear=st.sampled_from((2, 3, 4)))
    def roll(self, speed: int, gear: int) -> None:
        self.rig.rolling(speed, gear)
        self._step()

    @precondition(lambda self: self.rig.state != "applied")
    @rule()
    def all_is_well(self) -> None:
        self.rig.rolling(4_000, 2)
        self.rig.set(brake_on=0, shift_on=0, oil_temp_dc=800, throttle_permille=200, ignition_on=1)
        self.rig.set(**{f"{name}_age_ms": 0 for name in AGED})
        self._step()


# Scripts for what luck may miss: from a fresh rig to one row or refusal -------------------------------------


def _slips_at_band_change(rig: Rig, watch: Callable[..., None]) -> None:
    rig.holding(1, 4_500, 3)
    rig.set(engine_rpm=rig.inputs["turbine_rpm"] + 300)
    rig.tick(1)
    for _ in range(3):
        rig.tick(833)
    watch(1, band_switch=2)
    watch(1)


def _slips(rig: Rig, watch: Callable[..., None]) -> None:
    rig.holding()
    for _ in range(5):
        watch(1_000, engine_rpm=rig.inputs["turbine_rpm"] + 100)


def _sticks_armed(rig: Rig, watch: Callable[..., None]) -> None:
    rig.ready()
    for _ in range(5):
        watch(1_000, throttle_permille=400, turbine_rpm=902, engine_rpm=902)


def _sticks_released(rig: Rig, watch: Callable[..., None]) -> None:
    rig.holding()
    watch(1, brake_on=1)
    for _ in range(5):
        watch(1_000, throttle_permille=400, engine_rpm=rig.inputs["turbine_rpm"])


def _disagrees(prepare: Callable[[Rig], object]) -> Callable[[Rig, Callable[..., None]], None]:
    def script(rig: Rig, watch: Callable[..., None]) -> None:
        prepare(rig)
        for _ in range(3):
            watch(500, turbine_rpm=rig.inputs["turbine_rpm"] + 400, engine_rpm=rig.inputs["turbine_rpm"] + 800)

    return script


def _each(prepare: Callable[[Rig], object], **opens: int) -> Callable[[Rig, Callable[..., None]], None]:
    def script(rig: Rig, watch: Callable[..., None]) -> None:
        prepare(rig)
        for _ in range(4):
            watch(300, **opens)

    return script


def _braked(rig: Rig) -> None:
    rig.holding()
    rig.tick(brake_on=1)


def _held_low(rig: Rig) -> None:
    rig.holding(1, 5_000, 3)


def _in_and_out(rig: Rig, watch: Callable[..., None]) -> None:
    rig.tick(band_switch=0)
    rig.rolling(4_000, 2)
    for _ in range(3):
        watch(10, band_switch=1)
    watch(10, brake_on=1)
    for _ in range(30):
        watch(100, brake_on=0)


_SCRIPTS: dict[str, Callable[[Rig, Callable[..., None]], None]] = {
    "slips at a band change": _slips_at_band_change,
    "slips": _slips,
    "sticks, armed": _sticks_armed,
    "sticks, released": _sticks_released,
    "disagrees, held": _disagrees(Rig.holding),
    "disagrees, armed": _disagrees(Rig.ready),
    "disagrees, released": _disagrees(_braked),
    "in and out": _in_and_out,
    "lugging": _each(Rig.ready, road_speed_ckmh=3_500, turbine_rpm=1_140, gear=3, engine_rpm=1_600),
    "under release": _each(Rig.holding, road_speed_ckmh=3_000),
    "under engage": _each(Rig.ready, road_speed_ckmh=3_300, turbine_rpm=1_489),
    "other band": _each(_held_low, band_switch=2),
    "kickdown": _each(Rig.holding, throttle_permille=1_000),
    "closed": _each(Rig.holding, throttle_permille=0),
    "ignition": _each(Rig.holding, ignition_on=0),
    **{f"{word}, {name}": _each(prepare, **opens)
       for word, prepare in (("held", Rig.holding), ("armed", Rig.ready), ("released", _braked))
       for name, opens in (("no band", {"band_switch": 0}), ("cold", {"oil_temp_dc": 0}), ("brake", {"brake_on": 1}),
                           ("lost", {"gear_age_ms": 60_000}), ("gear", {"gear": 1}), ("shift", {"shift_on": 1}),
                           ("stall", {"engine_rpm": 500}))},
}  # fmt: skip  # a table


@pytest.fixture(scope="module")
def scripted() -> tuple[_Seen, set[str]]:
    moves: _Seen = set()
    refusals: set[str] = set()
    for script in _SCRIPTS.values():
        # The shift opens by default, the throttle where asked.
        rig = Rig(closed_throttle_opens=True, kickdown_opens=True)

        def watch(ms: int, rig: Rig = rig, **inputs: int) -> None:
            before = rig.state
            rig.tick(ms, **inputs)
            if rig.state != before:
                moves.add(_moves(rig, before))
            refusals.add(rig.refusal)

        script(rig, watch)
    return moves, refusals


def test_every_row_is_reached(scripted: tuple[_Seen, set[str]]) -> None:
    wanted = {(row.source.word, row.destination.word, row.reason) for row in OURS.rows}
    # Ignition off resets the chart: a move without a row.
    assert scripted[0] - {("applied", "idle", "start")} == wanted


def test_every_refusal_is_reached(scripted: tuple[_Seen, set[str]]) -> None:
    assert scripted[1] == {"none", *(refusal.reason for refusal in OURS.refusals)}


def test_random_drives_keep_every_property() -> None:
    Drives.moves.clear()
    Drives.refusals.clear()
    run_state_machine_as_test(
        Drives, settings=settings(max_examples=120, stateful_step_count=40, deadline=None, derandomize=True)
    )
    # Luck alone gets round: every state is entered and left, and most refusals are heard.
    assert {move[0] for move in Drives.moves} == {move[1] for move in Drives.moves} == {one.word for one in State}
    assert len(Drives.refusals) > len(OURS.refusals) // 2
