"""Firing, stalling and starting the engine."""

from __future__ import annotations

from sim.vehicle import RPM_PER_RADS, Vehicle

# A driver notices, the starter engages.
CRANK_DELAY_S = 1.0


class Ignition:
    """Says whether the engine fires and what the starter gives; notes each stall as (time, speed, why)."""

    def __init__(self, vehicle: Vehicle) -> None:
        engine = vehicle.file.engine
        self._stall_rads = engine.stall_rpm / RPM_PER_RADS
        self._release_rads = engine.starter_release_rpm / RPM_PER_RADS
        self._starter_nm = engine.starter_nm
        self._off_since_s = 0.0
        self.fires = True
        self.starter_nm = 0.0
        self.stalls: list[tuple[float, float, str]] = []
        self.restarts: list[float] = []

    def tick(self, now_s: float, key_on: int, engine_rads: float, speed_kmh: float, clutch_in: bool) -> None:
        """Renew `fires` and `starter_nm` for the next step."""
        if self.fires:
            if not key_on:
                self.fires = False
                self._off_since_s = now_s
            elif engine_rads < self._stall_rads:
                self.fires = False
                self._off_since_s = now_s
                why = "converter clutch held in" if clutch_in else "load at idle"
                self.stalls.append((now_s, speed_kmh, why))
        elif not key_on:
            self.starter_nm = 0.0
            self._off_since_s = now_s
        elif engine_rads >= self._release_rads:
            self.fires = True
            self.starter_nm = 0.0
            self.restarts.append(now_s)
        elif clutch_in:
            # Cranking against the wheels is hopeless: wait for the clutch, then for the driver.
            self.starter_nm = 0.0
            self._off_since_s = now_s
        elif now_s - self._off_since_s >= CRANK_DELAY_S:
            self.starter_nm = self._starter_nm
