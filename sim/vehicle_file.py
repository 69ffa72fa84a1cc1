"""The vehicle file: what a TOML vehicle may say, checked value by value."""

from typing import Annotated, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]
Number = Annotated[float, Field(allow_inf_nan=False)]
Share = Annotated[float, Field(ge=0, le=1)]
Efficiency = Annotated[float, Field(gt=0.3, le=1)]
Percent = Annotated[float, Field(ge=0, le=100)]


class Table(BaseModel):
    """Base of every table of the file: unknown keys are errors, numbers are numbers."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


def _rising(key: str, values: tuple[float, ...]) -> None:
    for index in range(1, len(values)):
        if values[index] <= values[index - 1]:
            raise ValueError(
                f"{key} must rise from value to value, but {values[index]:g} follows {values[index - 1]:g}"
            )


def _same_length(key_a: str, a: tuple[float, ...], key_b: str, b: tuple[float, ...]) -> None:
    if len(a) != len(b):
        raise ValueError(f"{key_a} has {len(a)} values and {key_b} has {len(b)}; both need the same number")


# A TOML array arrives as a list; `strict` would refuse it for a tuple.
Values = Annotated[tuple[Number, ...], Field(min_length=2, strict=False)]
PositiveValues = Annotated[tuple[Positive, ...], Field(min_length=2, strict=False)]


class Body(Table):
    """Mass, shape and wheels."""

    mass_kg: Annotated[float, Field(ge=200, le=60000)]
    drag_area_m2: Positive
    wheels_kgm2: NotNegative
    rolling_radius_m: Annotated[float, Field(ge=0.15, le=1.0)]
    sensor_rolling_radius_m: Annotated[float, Field(ge=0.15, le=1.0)]
    fitted_tyre: str
    brake_n: Positive


class Engine(Table):
    """Torque, friction, speeds and fuel."""

    inertia_kgm2: Annotated[float, Field(ge=0.03, le=20)]
    full_load_rpm: PositiveValues
    full_load_nm: PositiveValues
    friction_nm: NotNegative
    friction_nm_per_rpm: NotNegative
    lag_s: Annotated[float, Field(ge=0.02, le=5)]
    idle_rpm: Positive
    idle_gain_nm_per_rpm: Positive
    rev_limit_rpm: Positive
    rev_band_rpm: Positive
    stall_rpm: Positive
    lugging_rpm: Positive
    fuel_cut_rpm: Positive
    starter_nm: Positive
    starter_release_rpm: Positive
    efficiency_rpm: PositiveValues
    indicated_efficiency: Annotated[tuple[Efficiency, ...], Field(min_length=2, strict=False)]
    fuel_mj_per_kg: Positive
    fuel_kg_per_l: Positive

    @model_validator(mode="after")
    def _check(self) -> Self:
        _same_length("full_load_rpm", self.full_load_rpm, "full_load_nm", self.full_load_nm)
        _same_length("efficiency_rpm", self.efficiency_rpm, "indicated_efficiency", self.indicated_efficiency)
        _rising("full_load_rpm", self.full_load_rpm)
        _rising("efficiency_rpm", self.efficiency_rpm)
        if not self.stall_rpm < self.idle_rpm < self.rev_limit_rpm:
            raise ValueError("speeds must keep the order stall_rpm < idle_rpm < rev_limit_rpm")
        if not self.starter_release_rpm > self.stall_rpm:
            raise ValueError("starter_release_rpm must be above stall_rpm")
        return self


class Converter(Table):
    """SAE J643 characteristics."""

    turbine_kgm2: Positive
    torque_ratio_at: Values
    torque_ratio: PositiveValues
    capacity_at: Values
    capacity_factor_rpm_per_sqrt_nm: PositiveValues
    overrun_share: Share

    @model_validator(mode="after")
    def _check(self) -> Self:
        _same_length("torque_ratio_at", self.torque_ratio_at, "torque_ratio", self.torque_ratio)
        _same_length(
            "capacity_at",
            self.capacity_at,
            "capacity_factor_rpm_per_sqrt_nm",
            self.capacity_factor_rpm_per_sqrt_nm,
        )
        for key, values in (("torque_ratio_at", self.torque_ratio_at), ("capacity_at", self.capacity_at)):
            _rising(key, values)
            if values[0] != 0.0:
                raise ValueError(f"{key} must start at 0 (stall)")
        if self.capacity_at[-1] >= 1.0:
            raise ValueError("capacity_at must end below 1: at 1 the converter carries nothing and K has no value")
        if self.torque_ratio_at[-1] > 1.0:
            raise ValueError("torque_ratio_at must end at or below 1")
        falling = self.torque_ratio
        for index in range(1, len(falling)):
            if falling[index] > falling[index - 1]:
                raise ValueError(f"torque_ratio must not rise, but {falling[index]:g} follows {falling[index - 1]:g}")
        for at in self.torque_ratio_at:
            ratio = _at(self.torque_ratio_at, self.torque_ratio, at)
            if at * ratio > 1.0:
                raise ValueError(f"torque_ratio {ratio:g} at speed ratio {at:g} gives out more power than goes in")
        return self


def _at(xs: tuple[float, ...], ys: tuple[float, ...], x: float) -> float:
    from sim.tables import interpolate

    return interpolate(xs, ys, x)


class Clutch(Table):
    """The clutch across the converter."""

    full_nm: Positive
    kiss_share: Annotated[float, Field(ge=0, lt=0.9)]
    friction_slip_rpm: Values
    friction_share: PositiveValues
    fill_s: Positive
    dump_s: Positive

    @model_validator(mode="after")
    def _check(self) -> Self:
        _same_length("friction_slip_rpm", self.friction_slip_rpm, "friction_share", self.friction_share)
        _rising("friction_slip_rpm", self.friction_slip_rpm)
        return self


class Gearbox(Table):
    """Ratios and losses."""

    ratios: Annotated[tuple[Positive, ...], Field(strict=False)]
    final_drive: Positive
    gearbox_efficiency: Efficiency
    axle_efficiency: Efficiency
    pump_nm: NotNegative
    pump_nm_per_rads: NotNegative
    spin_nm: NotNegative
    spin_nm_per_rads: NotNegative
    shift_s: Positive
    shift_loss_share: Share
    shift_torque_share: Share
    oil_cst_at_40c: Positive
    oil_cst_at_100c: Positive

    @model_validator(mode="after")
    def _check(self) -> Self:
        if len(self.ratios) < 2:
            raise ValueError(f"ratios lists {len(self.ratios)} gear(s); at least 2 are needed")
        for index in range(1, len(self.ratios)):
            if self.ratios[index] >= self.ratios[index - 1]:
                raise ValueError(
                    f"ratios must fall from gear to gear, but {self.ratios[index]:g} follows {self.ratios[index - 1]:g}"
                )
        if self.oil_cst_at_100c >= self.oil_cst_at_40c:
            raise ValueError("oil_cst_at_100c must be below oil_cst_at_40c: oil thins when it warms")
        return self


class Shifting(Table):
    """As-built shift lines, km/h at closed and at full throttle, one value for each pair of gears."""

    up_closed_kmh: Annotated[tuple[Positive, ...], Field(strict=False)]
    up_full_kmh: Annotated[tuple[Positive, ...], Field(strict=False)]
    down_closed_kmh: Annotated[tuple[Positive, ...], Field(strict=False)]
    down_full_kmh: Annotated[tuple[Positive, ...], Field(strict=False)]
    min_between_s: NotNegative
    min_turn_s: NotNegative
    turn_pedal_pct: Percent
    torque_reserve_pct: Annotated[float, Field(ge=0, le=60)]
    pedal_rise_s: Positive
    pedal_fall_s: Positive


class Locking(Table):
    """As-built lock schedule."""

    lowest_gear: Annotated[int, Field(ge=1)]
    lock_kmh: Positive
    unlock_kmh: Positive
    light_throttle_pct: Percent
    relock_throttle_pct: Percent
    closed_throttle_pct: Percent
    squeeze_pct_per_s: Positive
    squeeze_throttle_pct: Percent
    oil_min_c: Number
    oil_hysteresis_c: NotNegative
    relock_delay_s: NotNegative
    ramp_s: Positive

    @model_validator(mode="after")
    def _check(self) -> Self:
        if self.unlock_kmh >= self.lock_kmh:
            raise ValueError("unlock_kmh must be below lock_kmh")
        if not self.closed_throttle_pct < self.relock_throttle_pct <= self.light_throttle_pct:
            raise ValueError("keep closed_throttle_pct < relock_throttle_pct <= light_throttle_pct")
        return self


# Heat moves by plain steps of 10 ms: a store must take far longer than that to change.
SHORTEST_HEAT_S = 0.2


class Heat(Table):
    """Heat capacities and conductances."""

    oil_kj_per_k: Positive
    case_kj_per_k: Positive
    tank_kj_per_k: Positive
    coolant_kj_per_k: Positive
    block_kj_per_k: Positive
    oil_case_w_per_k: NotNegative
    oil_tank_w_per_k: NotNegative
    oil_air_w_per_k: NotNegative
    oil_air_w_per_k_per_ms: NotNegative
    case_air_w_per_k: NotNegative
    block_coolant_w_per_k: Positive
    block_air_w_per_k: NotNegative
    radiator_w_per_k: Positive
    radiator_w_per_k_per_ms: NotNegative
    thermostat_opens_c: Number
    thermostat_open_c: Number
    tank_flow_min_w_per_k: NotNegative
    tank_flow_w_per_k: Positive
    coolant_base_kw: NotNegative
    coolant_share: Share
    fan_starts_c: Number
    fan_full_c: Number
    fan_nm_at_3000_rpm: NotNegative
    fan_air_ms_at_3000_rpm: NotNegative

    @model_validator(mode="after")
    def _check(self) -> Self:
        if self.thermostat_open_c <= self.thermostat_opens_c:
            raise ValueError("thermostat_open_c must be above thermostat_opens_c")
        for key, j_per_k, w_per_k in (
            ("oil_kj_per_k", self.oil_kj_per_k, self.oil_case_w_per_k + self.oil_tank_w_per_k + self.oil_air_w_per_k),
            ("case_kj_per_k", self.case_kj_per_k, self.oil_case_w_per_k + self.case_air_w_per_k),
            (
                "tank_kj_per_k",
                self.tank_kj_per_k,
                self.oil_tank_w_per_k + self.tank_flow_min_w_per_k + self.tank_flow_w_per_k + self.radiator_w_per_k,
            ),
            (
                "coolant_kj_per_k",
                self.coolant_kj_per_k,
                self.block_coolant_w_per_k + self.tank_flow_min_w_per_k + self.tank_flow_w_per_k,
            ),
            ("block_kj_per_k", self.block_kj_per_k, self.block_coolant_w_per_k + self.block_air_w_per_k),
        ):
            if j_per_k < w_per_k * SHORTEST_HEAT_S / 1000.0:
                raise ValueError(
                    f"{key} {j_per_k:g} is too small beside its conductances of {w_per_k:g} W/K; "
                    f"at least {w_per_k * SHORTEST_HEAT_S / 1000.0:g} is needed"
                )
        if self.fan_full_c <= self.fan_starts_c:
            raise ValueError("fan_full_c must be above fan_starts_c")
        return self


class Shaft(Table):
    """Half shafts and tyres as one spring at the wheels, for the jolt."""

    stiffness_nm_per_rad: Positive
    damping_nm_per_rads: NotNegative


class Fitted(Table):
    """Where fitted values come from: the recordings, each value's error, and how the errors go together."""

    logs: Annotated[tuple[str, ...], Field(min_length=1, strict=False)]
    held_out_rmse_c: NotNegative | None = None
    keys: Annotated[tuple[str, ...], Field(strict=False)] = ()
    error_share: Annotated[tuple[NotNegative, ...], Field(strict=False)] = ()
    correlation: Annotated[
        tuple[Annotated[tuple[Annotated[float, Field(ge=-1, le=1)], ...], Field(strict=False)], ...],
        Field(strict=False),
    ] = ()

    @model_validator(mode="after")
    def _check(self) -> Self:
        count = len(self.keys)
        if len(self.error_share) != count or len(self.correlation) != count:
            raise ValueError(f"keys has {count} entries; error_share and correlation need as many")
        if any(len(row) != count for row in self.correlation):
            raise ValueError(f"each row of correlation needs {count} values")
        return self


class VehicleFile(Table):
    """A whole vehicle file."""

    key: Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]*$")]
    name: str
    about: str
    tyre_lag_s: Positive
    body: Body
    engine: Engine
    converter: Converter
    clutch: Clutch
    gearbox: Gearbox
    shifting: Shifting
    locking: Locking
    heat: Heat
    shaft: Shaft
    fitted: Fitted | None = None

    @model_validator(mode="after")
    def _check(self) -> Self:
        pairs = len(self.gearbox.ratios) - 1
        for key in ("up_closed_kmh", "up_full_kmh", "down_closed_kmh", "down_full_kmh"):
            values = getattr(self.shifting, key)
            if len(values) != pairs:
                raise ValueError(f"shifting.{key} has {len(values)} value(s); {pairs + 1} gears need {pairs}")
        for index in range(pairs):
            for up_key, down_key in (("up_closed_kmh", "down_closed_kmh"), ("up_full_kmh", "down_full_kmh")):
                up, down = getattr(self.shifting, up_key)[index], getattr(self.shifting, down_key)[index]
                if down >= up:
                    raise ValueError(
                        f"shifting.{down_key} {down:g} (gear {index + 2}) must be below {up_key} {up:g}, "
                        "or the gears hunt"
                    )
        if self.locking.lowest_gear > pairs + 1:
            raise ValueError(f"locking.lowest_gear {self.locking.lowest_gear} is above the top gear {pairs + 1}")
        return self
