"""The transmission's own lock-up schedule: light throttle in high gears, out on a squeeze."""

from sim.vehicle import Vehicle

REASONS = (
    "none",
    "lock_conditions",
    "gear",
    "below_speed",
    "throttle_level",
    "throttle_squeeze",
    "closed_throttle",
    "brake",
    "shift",
    "cold_oil",
    "stall_guard",
    "waiting",
)
_WORD = {word: code for code, word in enumerate(REASONS)}
_NONE, _LOCK = _WORD["none"], _WORD["lock_conditions"]
_GEAR, _SPEED, _LEVEL = _WORD["gear"], _WORD["below_speed"], _WORD["throttle_level"]
_SQUEEZE, _CLOSED, _BRAKE = _WORD["throttle_squeeze"], _WORD["closed_throttle"], _WORD["brake"]
_SHIFT, _COLD, _STALL, _WAITING = _WORD["shift"], _WORD["cold_oil"], _WORD["stall_guard"], _WORD["waiting"]


class LockSchedule:
    """As-built lock-up: `duty` 0 to 1, `locked` and the code (`REASONS`) of why it is as it is."""

    def __init__(self, vehicle: Vehicle) -> None:
        lock = vehicle.file.locking
        self._lock = lock
        self._stall_rpm = vehicle.file.engine.idle_rpm
        self._pedal_slow = 0.0
        self._out_since_s = -60.0
        self._cold = True
        self.locked = False
        self.duty = 0.0
        self.reason = _NONE
        self.refusal = _NONE

    def stand_by(self, now_s: float) -> None:
        """Wait while someone else commands the clutch: given back, it is out for the relock delay first."""
        self.locked = False
        self.duty = 0.0
        self._out_since_s = now_s

    def tick(
        self,
        now_s: float,
        dt_s: float,
        speed_kmh: float,
        throttle_pct: float,
        brake_on: bool,
        gear: int,
        shifting: bool,
        oil_c: float,
        engine_rpm: float,
    ) -> float:
        """Return the duty that the schedule commands now."""
        lock = self._lock
        if self._cold:
            self._cold = oil_c < lock.oil_min_c + lock.oil_hysteresis_c
        else:
            self._cold = oil_c < lock.oil_min_c
        # Rate against a pedal that follows with half a second's lag: a slow press is not a squeeze.
        self._pedal_slow += (throttle_pct - self._pedal_slow) * dt_s / 0.5
        rate_pct_per_s = (throttle_pct - self._pedal_slow) / 0.5
        why = self._blocked(speed_kmh, throttle_pct, rate_pct_per_s, brake_on, gear, shifting, engine_rpm)
        if self.locked:
            if why != _NONE:
                self.locked = False
                self.duty = 0.0
                self.reason = why
                self._out_since_s = now_s
            else:
                self.duty = min(1.0, self.duty + dt_s / lock.ramp_s)
        else:
            if why == _NONE and now_s - self._out_since_s < lock.relock_delay_s:
                why = _WAITING
            elif why in (_LEVEL, _SQUEEZE, _CLOSED, _SHIFT):
                # These must be gone for the whole delay before the clutch goes in again.
                self._out_since_s = now_s
            if why == _NONE:
                self.locked = True
                self.reason = _LOCK
        self.refusal = _NONE if self.locked else why
        return self.duty

    def _blocked(
        self,
        speed_kmh: float,
        throttle_pct: float,
        rate_pct_per_s: float,
        brake_on: bool,
        gear: int,
        shifting: bool,
        engine_rpm: float,
    ) -> int:
        lock = self._lock
        if brake_on:
            return _BRAKE
        if engine_rpm < self._stall_rpm:
            return _STALL
        if gear < lock.lowest_gear:
            return _GEAR
        if shifting:
            return _SHIFT
        if speed_kmh < (lock.unlock_kmh if self.locked else lock.lock_kmh):
            return _SPEED
        if self._cold:
            return _COLD
        if throttle_pct < lock.closed_throttle_pct:
            return _CLOSED
        if throttle_pct > lock.squeeze_throttle_pct and rate_pct_per_s > lock.squeeze_pct_per_s:
            return _SQUEEZE
        if throttle_pct > (lock.light_throttle_pct if self.locked else lock.relock_throttle_pct):
            return _LEVEL
        return _NONE
