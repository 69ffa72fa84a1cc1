"""The calibrator's gear sheet: engine speed per gear where a band goes in, comes out and cruises."""

from __future__ import annotations

from typing import TYPE_CHECKING

from bench.gear_speeds import gear_speed
from bench.pages.markup import Flag, Table

if TYPE_CHECKING:
    from bench.pages.markup import Cell
    from bench.verdict import Finding
    from controller.calibration import Calibration
    from sim.vehicle import Vehicle

TYRE_SHARE = 0.005
"""A speed scale that is further off the tyres than this is worth a word: half a per cent."""


def gear_tables(vehicle: Vehicle, calibration: Calibration, cruise_kmh: float, surface: str) -> list[Table]:
    """Return a table a band: each gear's engine speed at engage, release and cruise, clutch in and out."""
    return [_band_table(vehicle, calibration, band, cruise_kmh, surface) for band in ("low", "high")]


def _band_table(vehicle: Vehicle, calibration: Calibration, band: str, cruise_kmh: float, surface: str) -> Table:
    k = calibration.values
    engage_kmh = getattr(k, f"{band}_engage_ckmh") / 100
    release_kmh = getattr(k, f"{band}_release_ckmh") / 100
    lowest, highest = getattr(k, f"{band}_gear_lowest"), getattr(k, f"{band}_gear_highest")
    rows: list[list[Cell]] = []
    for gear in range(1, vehicle.gear_count + 1):
        row: list[Cell] = [f"{gear}" if lowest <= gear <= highest else f"{gear} (not held)"]
        for speed_kmh in (engage_kmh, release_kmh, cruise_kmh):
            at = gear_speed(vehicle, gear, speed_kmh, surface)
            row.append(_locked(vehicle, k.lugging_rpm, at.locked_rpm))
            row.append("–" if at.unlocked_rpm is None else f"{at.unlocked_rpm:.0f}")
        rows.append(row)
    return Table(
        f"Band {band}: in from {engage_kmh:g} km/h, out under {release_kmh:g} km/h; engine rpm, clutch in and out",
        (
            "gear",
            *(f"{speed:g} km/h {way}" for speed in (engage_kmh, release_kmh, cruise_kmh) for way in ("in", "out")),
        ),
        rows,
        f"True road speed on level ground ({surface}), steady, no wind, no trailer. Flagged: slower than the "
        f"calibration's lugging speed of {k.lugging_rpm} rpm, where the rules refuse to go in, or the engine's own of "
        f"{vehicle.file.engine.lugging_rpm:.0f} rpm; or faster than its limit. –: not to be had in that gear.",
    )


def _locked(vehicle: Vehicle, lugging_rpm: int, rpm: float) -> Cell:
    if rpm < lugging_rpm:
        return Flag("bad", f"{rpm:.0f} refused")
    if rpm < vehicle.file.engine.lugging_rpm:
        return Flag("note", f"{rpm:.0f} labours")
    if rpm > vehicle.file.engine.rev_limit_rpm:
        return Flag("bad", f"{rpm:.0f} too fast")
    return f"{rpm:.0f}"


def tyre_findings(vehicle: Vehicle, calibration: Calibration) -> list[Finding]:
    """Return what the fitted tyres do to speeds, and whether the calibration's speed scale answers it."""
    body = vehicle.file.body
    needed = body.rolling_radius_m / body.sensor_rolling_radius_m
    scale = calibration.values.tyre_scale_permille / 1000
    tyres = (
        f"fitted tyres ({body.fitted_tyre}) roll {body.rolling_radius_m:.3f} m, the speed sensor was made for "
        f"{body.sensor_rolling_radius_m:.3f} m: true speed is {needed:.3f} of the sensor's"
    )
    if abs(scale - needed) <= TYRE_SHARE:
        return [("good", f"{tyres}; tyre.speed_scale = {scale:g} answers that.")]
    off_kmh = calibration.values.low_engage_ckmh / 100 * (needed / scale - 1)
    return [("bad", f"{tyres}, but tyre.speed_scale = {scale:g}: the low band would go in {abs(off_kmh):.1f} km/h "
                    f"{'late' if off_kmh > 0 else 'early'}; write speed_scale = {needed:.3f}.")]  # fmt: skip
