"""The driver: follows a target speed with pedal and brake the way a person does, a little ahead of it."""

from sim.vehicle import Vehicle


class Driver:
    """PI speed tracker with feed-forward and anti-windup.

    The pedal asks for a force relative to what the engine could pull at that road speed in the best gear,
    so it does not jump when a gear changes. On a descent the engine brakes first: the brake comes on only
    when the vehicle runs over by a margin, and goes off a little under the target, or when the target
    itself slows down or stops.
    """

    KP_PER_S = 2.8
    KI_PER_S2 = 0.25
    KP_WALKING_PER_S = 1.2
    WALKING_MS = 3.0
    OVER_MS = 0.55
    UNDER_MS = 0.3
    SLOWING_MS2 = -0.15
    PEDAL_UP_PER_S = 4.0
    PEDAL_DOWN_PER_S = 4.0
    BRAKE_PER_S = 2.5

    def __init__(self, vehicle: Vehicle) -> None:
        engine = vehicle.file.engine
        losses = vehicle.file.gearbox.gearbox_efficiency * vehicle.file.gearbox.axle_efficiency
        best_w = max(rpm * nm / 9.5493 for rpm, nm in zip(engine.full_load_rpm, engine.full_load_nm, strict=True))
        self._power_w = best_w * losses
        self._force_n = max(engine.full_load_nm) * vehicle.turbine_rads_per_ms[0] * losses
        self._brake_n = vehicle.file.body.brake_n
        self._integral_ms2 = 0.0
        self._braking = False
        self.throttle = 0.0
        self.brake = 0.0

    def tick(
        self,
        dt_s: float,
        speed_ms: float,
        target_ms: float,
        target_ms2: float,
        mass_kg: float,
        resist_n: float,
        engine_brake_n: float,
    ) -> None:
        """Set `throttle` and `brake` (0 to 1) for the next step.

        `resist_n` is the rolling, grade and air force the driver expects at this place; `engine_brake_n`
        what a closed throttle takes off.
        """
        if target_ms < 0.05 and speed_ms < 0.6:
            self._integral_ms2 = 0.0
            self._braking = True
            wanted_throttle, wanted_brake = 0.0, 0.25
        else:
            error_ms = target_ms - speed_ms
            # At a steady walking pace the engine answers through a slipping converter, late: a gentler foot.
            creeping = speed_ms < self.WALKING_MS and -0.1 < target_ms2 < 0.1 and -0.5 < error_ms < 0.5
            gain_per_s = self.KP_WALKING_PER_S if creeping else self.KP_PER_S
            demand_ms2 = target_ms2 + gain_per_s * error_ms + self._integral_ms2
            force_n = mass_kg * demand_ms2 + resist_n
            spare_n = force_n + engine_brake_n
            most_n = self._force_n
            if speed_ms * most_n > self._power_w:
                most_n = self._power_w / speed_ms
            wanted_throttle = spare_n / (most_n + engine_brake_n)
            slowing = target_ms2 < self.SLOWING_MS2 or target_ms < 0.05
            if not self._braking:
                self._braking = spare_n < -200.0 and (slowing or error_ms < -self.OVER_MS)
            elif slowing:
                self._braking = spare_n < 200.0 and error_ms < 0.5
            else:
                self._braking = error_ms < self.UNDER_MS
            wanted_brake = 0.0
            if self._braking:
                if not slowing:
                    # Down to a little under the target, then off again: a brake that drags gets hot.
                    spare_n -= mass_kg * self.KP_PER_S * 1.5 * self.UNDER_MS
                wanted_throttle = 0.0
                wanted_brake = -spare_n / self._brake_n
                wanted_brake = 0.02 if wanted_brake < 0.02 else wanted_brake
            elif resist_n + engine_brake_n < 0.0 and target_ms2 < 0.1 and error_ms < 1.7 * self.UNDER_MS:
                # The hill itself brings the speed back.
                wanted_throttle = 0.0
            full = wanted_throttle > 1.0 or wanted_brake > 1.0
            # No winding up where the pedals cannot follow (full throttle, or lifted and not braking), nor
            # while the brake works between its two margins.
            stuck = (full and error_ms > 0.0) or (wanted_throttle < 0.0 and error_ms < 0.0)
            if not stuck and (slowing or not self._braking):
                self._integral_ms2 += self.KI_PER_S2 * error_ms * dt_s
                self._integral_ms2 = min(max(self._integral_ms2, -1.5), 1.5)
            wanted_throttle = min(max(wanted_throttle, 0.0), 1.0)
            wanted_brake = min(wanted_brake, 1.0)
        self.throttle += min(
            max(wanted_throttle - self.throttle, -self.PEDAL_DOWN_PER_S * dt_s), self.PEDAL_UP_PER_S * dt_s
        )
        self.brake += min(max(wanted_brake - self.brake, -4.0 * self.BRAKE_PER_S * dt_s), self.BRAKE_PER_S * dt_s)
        if not self._braking:
            self.brake = 0.0
