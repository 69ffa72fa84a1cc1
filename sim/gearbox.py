"""Gearbox: which gear the as-built schedule wants, and how the ratio moves while a gear changes."""

from math import exp
from typing import NamedTuple

from sim.engine import FULL_LOAD_GRID
from sim.tables import lookup
from sim.vehicle import Vehicle

EASY_THROTTLE = 0.25
# A pedal on the floor is a wish that no lag holds back.
KICKDOWN_THROTTLE = 0.95
TICK_S = 0.01


class Ratio(NamedTuple):
    """Ratio at the two ends of a step, turbine rad/s per rim m/s, and the shift elements' loss share."""

    start: float
    end: float
    shift_loss: float


class Gearbox:
    """Shifts by speed lines over the pedal, one gear at a time, with a least time between shifts.

    Upshift lines run straight over the pedal; downshift lines bend with its square, so that half a pedal asks for
    little and a full one kicks down. The pedal is seen through a lag, quick when it is pressed, slow when it is
    let up and none on the floor, so that a short lift does not bring an upshift; and an upshift after a
    downshift, or the other way about, waits longer than one more of the same, unless the pedal has moved much
    since. There is no upshift on the brake, nor into a gear whose clutch may lock and in which the engine could
    not go on giving the power it gives now. Speeds outside the lines altogether (above the full throttle's
    upshift, under the closed throttle's downshift) wait for none of this: the engine would leave its range.
    """

    def __init__(self, vehicle: Vehicle) -> None:
        shifting = vehicle.file.shifting
        self._ratios = vehicle.turbine_rads_per_ms
        self._up = tuple(zip(shifting.up_closed_kmh, shifting.up_full_kmh, strict=True))
        self._down = tuple(zip(shifting.down_closed_kmh, shifting.down_full_kmh, strict=True))
        self._min_between_s = shifting.min_between_s
        self._min_turn_s = shifting.min_turn_s
        self._rise_share = 1.0 - exp(-TICK_S / shifting.pedal_rise_s)
        self._fall_share = 1.0 - exp(-TICK_S / shifting.pedal_fall_s)
        self._turn_pedal = shifting.turn_pedal_pct / 100.0
        self._usable = 1.0 - shifting.torque_reserve_pct / 100.0
        self._lowest_lock = vehicle.file.locking.lowest_gear
        self._full_load_nm = vehicle.params.full_load_nm
        self._pedal = 0.0
        self._pedal_at_shift = 0.0
        self._shift_s = vehicle.file.gearbox.shift_s
        self._loss_share = vehicle.file.gearbox.shift_loss_share
        self.gear = 1
        self.shifting = False
        self.upshift = False
        self._from_ratio = self._ratios[0]
        self._progress_s = 0.0
        self._last_shift_s = -60.0
        self._steady = Ratio(self._ratios[0], self._ratios[0], 0.0)

    def start_at(self, speed_kmh: float, gear_limit: int) -> None:
        """Be in the gear that easy driving at this speed would have come to, without a shift under way."""
        self.gear = 1
        while self.gear < min(gear_limit, len(self._ratios)):
            closed, full = self._up[self.gear - 1]
            if speed_kmh <= closed + (full - closed) * EASY_THROTTLE:
                break
            self.gear += 1
        ratio = self._ratios[self.gear - 1]
        self._steady = Ratio(ratio, ratio, 0.0)

    def tick(
        self, now_s: float, speed_kmh: float, throttle: float, brake_on: bool, engine_rads: float, gear_limit: int
    ) -> None:
        """Decide, every 10 ms, whether to change gear. `throttle` is 0 to 1; no gear above `gear_limit` is used."""
        if throttle >= KICKDOWN_THROTTLE:
            self._pedal = throttle
        else:
            self._pedal += (throttle - self._pedal) * (self._rise_share if throttle > self._pedal else self._fall_share)
        if self.shifting:
            return
        gear = self.gear
        if gear > gear_limit:
            self._start(now_s, gear - 1)
            return
        since_s = now_s - self._last_shift_s
        if since_s < self._min_between_s:
            return
        pedal = self._pedal
        may_turn = since_s >= self._min_turn_s or abs(throttle - self._pedal_at_shift) >= self._turn_pedal
        if gear > 1:
            closed, full = self._down[gear - 2]
            if speed_kmh < closed or (
                (may_turn or not self.upshift) and speed_kmh < closed + (full - closed) * pedal * pedal
            ):
                self._start(now_s, gear - 1)
                return
        if gear < gear_limit and gear <= len(self._up):
            closed, full = self._up[gear - 1]
            if speed_kmh > full or (
                (may_turn or self.upshift)
                and not brake_on
                and speed_kmh > closed + (full - closed) * pedal
                and self._strong_enough(gear + 1, engine_rads)
            ):
                self._start(now_s, gear + 1)

    def _strong_enough(self, gear: int, engine_rads: float) -> bool:
        if gear < self._lowest_lock:
            return True  # an open converter lets the engine turn as fast as it needs
        # The same power at the engine speed after the shift, which falls as the ratio does.
        fall = self._ratios[gear - 1] / self._ratios[self.gear - 1]
        asked_nm = self._pedal * lookup(self._full_load_nm, engine_rads * FULL_LOAD_GRID) / fall
        return asked_nm <= self._usable * lookup(self._full_load_nm, engine_rads * fall * FULL_LOAD_GRID)

    def advance(self, dt_s: float) -> Ratio:
        """Return the ratio over the next step and move on by `dt_s`."""
        if not self.shifting:
            return self._steady
        new = self._ratios[self.gear - 1]
        before = self._share()
        self._progress_s += dt_s
        # Steps are counted by adding: the last one ends within rounding of the shift time.
        if self._progress_s > self._shift_s - 0.5 * dt_s:
            self._progress_s = self._shift_s
            self.shifting = False
            self._steady = Ratio(new, new, 0.0)
        after = self._share()
        old = self._from_ratio
        middle = 0.5 * (before + after)
        spread = 1.0 - min(old, new) / max(old, new)
        return Ratio(
            old + (new - old) * before,
            old + (new - old) * after,
            self._loss_share * spread * 4.0 * middle * (1.0 - middle),
        )

    def _share(self) -> float:
        x = self._progress_s / self._shift_s
        return x * x * (3.0 - 2.0 * x)

    def _start(self, now_s: float, gear: int) -> None:
        self._from_ratio = self._ratios[self.gear - 1]
        self._progress_s = 0.0
        self._last_shift_s = now_s
        self._pedal_at_shift = self._pedal
        self.upshift = gear > self.gear
        self.gear = gear
        self.shifting = True
