"""Heat into the transmission oil, from slip, speeds and the vehicle's tables; the formulas are the plant's own."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from bench.logs.clutch import IN, OUT, SLIPPING, Clutch
from bench.logs.gears import Gears
from bench.logs.grid import Grid
from bench.logs.source import Array
from bench.logs.torque import RADS_PER_RPM, converter_torques, engine_torque, rate

if TYPE_CHECKING:
    from sim.vehicle import Vehicle

OIL_WHEN_UNKNOWN_C = 80.0


class OilHeat(NamedTuple):
    """Heat flows into the oil, kW, and the torque at the gearbox's input, N·m; NaN where the recording is silent."""

    converter_kw: Array
    clutch_kw: Array
    pump_kw: Array
    spin_kw: Array
    mesh_kw: Array
    shift_kw: Array
    input_nm: Array

    @property
    def total_kw(self) -> Array:
        """All of it."""
        total: Array = sum(self[:6], np.zeros(len(self.pump_kw)))
        return total


def heat_of(grid: Grid, gears: Gears, clutch: Clutch, vehicle: Vehicle) -> OilHeat:
    """Return the heat flows of a recording.

    Converter: pump power less turbine power at the slip; clutch: the engine's torque beyond the pump's, times slip;
    oil pump, spin and mesh as in docs/plant.md. Where neither torque nor pedal was recorded, a held clutch is taken
    to carry no torque, which leaves out the mesh loss of held driving.
    """
    from sim.vehicle import drag_factor

    p = vehicle.params
    engine_rads = grid.get("engine_rpm") * RADS_PER_RPM
    turbine_rads = clutch.turbine_rpm * RADS_PER_RPM
    pump_nm, turbine_nm = converter_torques(vehicle, grid.get("engine_rpm"), clutch.turbine_rpm)
    torque_nm = engine_torque(grid, vehicle)
    beyond_nm = np.zeros(len(engine_rads)) if torque_nm is None else torque_nm - pump_nm
    # A held clutch's slip is noise, and the converter around it carries nothing.
    held = (clutch.state == IN) | clutch.untold
    pump_nm, turbine_nm = np.where(held, 0.0, pump_nm), np.where(held, 0.0, turbine_nm)
    clutch_nm = np.where(held, beyond_nm + 0.0, np.where(clutch.state == SLIPPING, beyond_nm, 0.0))
    converter_kw = np.maximum(pump_nm * engine_rads - turbine_nm * turbine_rads, 0.0) / 1000.0
    slipping = clutch.state == SLIPPING
    clutch_kw = np.where(slipping, np.maximum(clutch_nm * (engine_rads - turbine_rads), 0.0), 0.0) / 1000.0
    oil_pump_kw = (p.pump_nm + p.pump_nm_per_rads * engine_rads) * engine_rads / 1000.0
    oil_c = grid.get("oil_temp_c")
    oil_c = np.where(np.isnan(oil_c), OIL_WHEN_UNKNOWN_C, oil_c)
    spin_nm = drag_factor(vehicle, oil_c) * (p.spin_nm + p.spin_nm_per_rads * turbine_rads)
    spin_nm = np.where(turbine_rads > 0.0, spin_nm, 0.0)
    input_nm = turbine_nm + clutch_nm - spin_nm - p.turbine_kgm2 * rate(turbine_rads, grid.step_s)
    through_kw = input_nm * turbine_rads / 1000.0
    lost = np.where(through_kw >= 0.0, 1.0 - p.gearbox_efficiency, 1.0 - 1.0 / p.gearbox_efficiency)
    shift_kw = _shift_kw(grid, gears, vehicle, np.abs(through_kw))
    return OilHeat(converter_kw, clutch_kw, oil_pump_kw, spin_nm * turbine_rads / 1000.0, through_kw * lost, shift_kw,
                   input_nm)  # fmt: skip


SHIFT_MEAN = 0.514
"""Mean of 4·m·(1 − m) while m follows the smooth step of a shift."""


def _shift_kw(grid: Grid, gears: Gears, vehicle: Vehicle, through_kw: Array) -> Array:
    """Return the loss of the shift elements: spread over the vehicle's shift time about each change of gear."""
    box = vehicle.file.gearbox
    gear = gears.gear
    lost = np.zeros(len(gear))
    known = np.flatnonzero(gear > 0)
    changes = known[1:][np.diff(gear[known]) != 0]
    before = known[:-1][np.diff(gear[known]) != 0]
    reach = max(round(0.5 * box.shift_s / grid.step_s), 1)
    for start, end in zip(before.tolist(), changes.tolist(), strict=True):
        # A change across a longer silence has no known time.
        if (end - start) * grid.step_s > 2.0 * box.shift_s + 3.0 * grid.step_s:
            continue
        ratios = [vehicle.turbine_rads_per_ms[min(int(gear[at]), vehicle.gear_count) - 1] for at in (start, end)]
        share = box.shift_loss_share * (1.0 - min(ratios) / max(ratios)) * SHIFT_MEAN
        middle = (start + end) // 2
        around = slice(max(middle - reach, 0), middle + reach)
        span_s = (around.stop - around.start) * grid.step_s
        lost[around] += share * np.nan_to_num(through_kw[around]) * box.shift_s / span_s
    return lost


def heat_by_source_kj(heat: OilHeat, step_s: float) -> dict[str, float]:
    """Return the heat of the whole recording by where it came from, kJ."""
    parts = {"converter": heat.converter_kw, "clutch": heat.clutch_kw, "pump": heat.pump_kw, "spin": heat.spin_kw,
             "mesh": heat.mesh_kw, "shift": heat.shift_kw}  # fmt: skip
    return {name: float(np.nansum(part)) * step_s for name, part in parts.items()}


def open_share(clutch: Clutch) -> float:
    """Return the share of the known time in which the clutch was out."""
    known = clutch.state <= IN
    return float((clutch.state[known] == OUT).mean()) if known.any() else 0.0
