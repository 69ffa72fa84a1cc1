"""Vehicles: from a TOML file to the flat values the plant runs on."""

from __future__ import annotations

from dataclasses import dataclass
from math import log10, pi
from typing import TYPE_CHECKING, Any

from sim import converter, heat
from sim.clutch import FRICTION_GRID
from sim.engine import FULL_LOAD_GRID
from sim.files import embedded_names, parse, read_toml
from sim.params import Lags, Params
from sim.tables import even_grid

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from sim.vehicle_file import VehicleFile

RPM_PER_RADS = 30.0 / pi
FOLDER = "vehicles"


@dataclass(frozen=True)
class Vehicle:
    """A vehicle ready to drive: the checked file, its text, and the values derived from it."""

    key: str
    name: str
    about: str
    text: str
    file: VehicleFile
    params: Params
    lags: Lags

    @property
    def gear_count(self) -> int:
        """Number of forward gears."""
        return len(self.file.gearbox.ratios)

    @property
    def fitted_tyre(self) -> str:
        """The tyre's designation, for people."""
        return self.file.body.fitted_tyre

    @property
    def turbine_rads_per_ms(self) -> tuple[float, ...]:
        """Turbine speed for each m/s at the wheel rim, by gear."""
        box, radius_m = self.file.gearbox, self.file.body.rolling_radius_m
        return tuple(ratio * box.final_drive / radius_m for ratio in box.ratios)

    @property
    def turbine_rpm_at_100_kmh(self) -> tuple[int, ...]:
        """Turbine speed at 100 km/h without tyre slip, by gear; the sensors' basis for plausibility."""
        return tuple(round(ratio * RPM_PER_RADS / 0.036) for ratio in self.turbine_rads_per_ms)

    @property
    def sensor_speed_factor(self) -> float:
        """Indicated over true speed with the fitted tyres and no tyre slip."""
        return self.file.body.sensor_rolling_radius_m / self.file.body.rolling_radius_m


def vehicle_names() -> list[str]:
    """Return the names of the embedded vehicles."""
    return embedded_names(FOLDER)


def load_vehicle(name_or_path: str) -> Vehicle:
    """Return an embedded vehicle by name, or one from a TOML file.

    Raises `UserError` with one line: unknown name (nearest suggested), missing file, or the file's key
    with what is wrong and what would be right.
    """
    source, text, data = read_toml(name_or_path, FOLDER, "vehicle")
    return vehicle_of(data, source, text)


def vehicle_from_text(text: str, source: str) -> Vehicle:
    """Return the vehicle of a TOML text; `source` names it in error lines. Raises `UserError` as above."""
    import tomllib

    from controller.errors import UserError

    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise UserError(f"{source}: not TOML: {error}") from None
    return vehicle_of(data, source, text)


def vehicle_of(data: dict[str, Any], source: str, text: str) -> Vehicle:
    """Return a vehicle from a file's content; `source` names it in error lines. Raises `UserError` as above."""
    from sim.vehicle_file import VehicleFile

    file = parse(VehicleFile, data, source)
    lags = Lags(file.engine.lag_s, file.clutch.fill_s, file.clutch.dump_s, file.tyre_lag_s)
    return Vehicle(file.key, file.name, file.about, text, file, _params(file), lags)


def viscosity_cst(cst_at_40c: float, cst_at_100c: float, temp_c: float) -> float:
    """Return kinematic viscosity by the law log10 log10(ν + 0.7) = A − B·log10 T (ASTM D341, short form)."""
    low, high = log10(313.15), log10(373.15)
    y40, y100 = log10(log10(cst_at_40c + 0.7)), log10(log10(cst_at_100c + 0.7))
    b = (y40 - y100) / (high - low)
    return float(10.0 ** (10.0 ** (y40 + b * low - b * log10(temp_c + 273.15))) - 0.7)


def _params(file: VehicleFile) -> Params:
    engine, conv, clutch, box, warm = file.engine, file.converter, file.clutch, file.gearbox, file.heat
    spare = int(converter.GRID) + 2
    # C = 1/K² in N·m/rpm², carried over to rad/s; nothing is left of it at speed ratio 1.
    capacity_at = (*conv.capacity_at, 1.0)
    capacity = (*((RPM_PER_RADS / k) ** 2 for k in conv.capacity_factor_rpm_per_sqrt_nm), 0.0)
    top_rads = (engine.rev_limit_rpm + 500.0) / RPM_PER_RADS
    full_load_rads = [rpm / RPM_PER_RADS for rpm in engine.full_load_rpm]
    # Under the first point of the curve the torque falls with speed: there is none at standstill.
    full_load = even_grid(
        [0.0, *full_load_rads], [0.0, *engine.full_load_nm], 1 / FULL_LOAD_GRID, int(top_rads * FULL_LOAD_GRID) + 2
    )
    # Drag of a churned oil follows a low power of its viscosity; 80 °C is where spin loss is given.
    at_80 = viscosity_cst(box.oil_cst_at_40c, box.oil_cst_at_100c, 80.0)
    drag = tuple(
        (viscosity_cst(box.oil_cst_at_40c, box.oil_cst_at_100c, heat.OIL_GRID_START_C + i / heat.OIL_GRID) / at_80)
        ** 0.3
        for i in range(25)
    )
    slips = [rpm / RPM_PER_RADS for rpm in clutch.friction_slip_rpm]
    friction = even_grid(slips, clutch.friction_share, 1 / FRICTION_GRID, int(slips[-1] * FRICTION_GRID) + 2)
    at_3000 = 3000.0 / RPM_PER_RADS
    kilo = 1000.0
    return Params(
        engine_kgm2=engine.inertia_kgm2,
        full_load_nm=full_load,
        friction_nm=engine.friction_nm,
        friction_nm_per_rads=engine.friction_nm_per_rpm * RPM_PER_RADS,
        idle_rads=engine.idle_rpm / RPM_PER_RADS,
        idle_gain_nm_per_rads=engine.idle_gain_nm_per_rpm * RPM_PER_RADS,
        rev_limit_rads=engine.rev_limit_rpm / RPM_PER_RADS,
        rev_band_rads=engine.rev_band_rpm / RPM_PER_RADS,
        turbine_kgm2=conv.turbine_kgm2,
        capacity_nm_per_rads2=even_grid(capacity_at, capacity, 1 / converter.GRID, spare),
        torque_ratio=even_grid(conv.torque_ratio_at, conv.torque_ratio, 1 / converter.GRID, spare),
        overrun_share=conv.overrun_share,
        clutch_nm=clutch.full_nm,
        kiss_share=clutch.kiss_share,
        clutch_friction=friction,
        gearbox_efficiency=box.gearbox_efficiency,
        axle_efficiency=box.axle_efficiency,
        pump_nm=box.pump_nm,
        pump_nm_per_rads=box.pump_nm_per_rads,
        spin_nm=box.spin_nm,
        spin_nm_per_rads=box.spin_nm_per_rads,
        oil_drag=drag,
        oil_j_per_k=warm.oil_kj_per_k * kilo,
        case_j_per_k=warm.case_kj_per_k * kilo,
        tank_j_per_k=warm.tank_kj_per_k * kilo,
        coolant_j_per_k=warm.coolant_kj_per_k * kilo,
        block_j_per_k=warm.block_kj_per_k * kilo,
        oil_case_w_per_k=warm.oil_case_w_per_k,
        oil_tank_w_per_k=warm.oil_tank_w_per_k,
        oil_air_w_per_k=warm.oil_air_w_per_k,
        oil_air_w_per_k_per_ms=warm.oil_air_w_per_k_per_ms,
        case_air_w_per_k=warm.case_air_w_per_k,
        block_coolant_w_per_k=warm.block_coolant_w_per_k,
        block_air_w_per_k=warm.block_air_w_per_k,
        radiator_w_per_k=warm.radiator_w_per_k,
        radiator_w_per_k_per_ms=warm.radiator_w_per_k_per_ms,
        thermostat_opens_c=warm.thermostat_opens_c,
        thermostat_open_c=warm.thermostat_open_c,
        tank_flow_min_w_per_k=warm.tank_flow_min_w_per_k,
        tank_flow_w_per_k=warm.tank_flow_w_per_k,
        coolant_base_w=warm.coolant_base_kw * kilo,
        coolant_share=warm.coolant_share,
        fan_starts_c=warm.fan_starts_c,
        fan_full_c=warm.fan_full_c,
        fan_nm_per_rads2=warm.fan_nm_at_3000_rpm / at_3000**2,
        fan_air_ms_per_rads=warm.fan_air_ms_at_3000_rpm / at_3000,
    )


def drag_factor(vehicle: Vehicle, oil_c: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the oil's drag relative to 80 °C at each temperature, from the same table the plant reads."""
    import numpy as np

    table = vehicle.params.oil_drag
    at_c = [heat.OIL_GRID_START_C + i / heat.OIL_GRID for i in range(len(table))]
    return np.interp(oil_c, at_c, table)
