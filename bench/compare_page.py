"""A comparison as a report page: which traces are drawn, and what is marked on them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from bench.cautions import CAUTIONS
from bench.error_band import ErrorBand, oil_band
from bench.pages.markup import Table
from bench.pages.page import Channel, Marker, Page, Run
from controller.declare import Band, State

if TYPE_CHECKING:
    from bench.pages.codec import FloatArray
    from bench.verdict import Finding
    from sim.result import RunResult
    from sim.vehicle import Vehicle

_STATES = {int(state): state.word for state in State}
_BANDS = {int(band): band.word for band in Band}

_LINES = (
    ("oil_c", "Transmission oil", "°C", "Temperatures"),
    ("coolant_c", "Coolant", "°C", "Temperatures"),
    ("speed_kmh", "Road speed", "km/h", "Speed"),
    ("target_kmh", "Target", "km/h", "Speed"),
    ("engine_rpm", "Engine", "rpm", "Shafts"),
    ("turbine_rpm", "Turbine", "rpm", "Shafts"),
    ("slip_pct", "Converter slip", "%", "Slip"),
    ("oil_heat_kw", "Heat into the oil", "kW", "Heat"),
    ("clutch_torque_nm", "Clutch torque", "N·m", "Clutch"),
    ("duty_pct", "Clutch duty", "%", "Duty"),
    ("throttle_pct", "Throttle", "%", "Pedals"),
    ("brake_pct", "Brake", "%", "Pedals"),
    ("grade_pct", "Grade", "%", "Road"),
)

_BAND = (("oil_low_c", "Oil, less one standard error"), ("oil_high_c", "Oil, more one standard error"))


def compare_page(
    title: str,
    subtitle: str,
    findings: Sequence[Finding],
    tables: Sequence[Table],
    results: Sequence[RunResult],
    settings: Sequence[tuple[str, str]],
    vehicle: Vehicle,
) -> Page:
    """Return the page of a comparison; a fitted vehicle's oil is drawn with its error band."""
    surfaces = dict(enumerate(results[0].surface_words))
    channels = [Channel(key, label, unit, panel, "line") for key, label, unit, panel in _LINES]
    channels += [
        Channel("gear", "Gear", "", "Gear", "step"),
        Channel("state", "Clutch state", "", "State", "step", _STATES),
        Channel("band", "Band selected", "", "Band", "step", _BANDS),
        Channel("surface", "Surface", "", "Surface", "step", surfaces),
    ]
    # A tick of the rules has a reason word for why the hold is refused; the words differ from rule set to rule set.
    with_rules = [result for result in results if result.strategy_kind == "rules"]
    if with_rules:
        names = dict(enumerate(with_rules[0].reason_words))
        channels.append(Channel("refusal", "Why not in", "", "Refusal", "step", names))
    bands = [oil_band(result, vehicle) for result in results]
    if any(band is not None for band in bands):
        channels[1:1] = [Channel(key, label, "°C", "Temperatures", "line") for key, label in _BAND]
    runs = [
        Run(result.strategy_name, result.traces["time_s"], _drawn(result, channels, band))
        for result, band in zip(results, bands, strict=True)
    ]
    return Page(title, subtitle, findings, tables, channels, runs, _markers(results), CAUTIONS, settings)


def _drawn(result: RunResult, channels: Sequence[Channel], band: ErrorBand | None) -> dict[str, FloatArray]:
    drawn = {channel.key: result.traces[channel.key] for channel in channels if channel.key in result.traces}
    if band is not None:
        oil_c = result.traces["oil_c"]
        drawn |= {"oil_low_c": oil_c - band.error_c, "oil_high_c": oil_c + band.error_c}
    if result.strategy_kind != "rules":
        drawn.pop("refusal", None)
    return drawn


def _markers(results: Sequence[RunResult]) -> list[Marker]:
    markers: list[Marker] = []
    for at, result in enumerate(results):
        for one in result.engagements:
            words = f"in at {one.speed_kmh:.1f} km/h: {one.reason_in}"
            markers.append(Marker(at, one.start_s, "in", words))
            if one.end_s is not None:
                markers.append(Marker(at, one.end_s, "out", f"out: {one.reason_out}"))
        markers += [
            Marker(at, event.time_s, "event", event.text)
            for event in result.events
            if event.kind in ("stall", "restart", "cannot_follow", "lamp")
        ]
    return sorted(markers, key=lambda marker: (marker.time_s, marker.run))
