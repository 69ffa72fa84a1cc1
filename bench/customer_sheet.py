"""The page that the customer takes home: what the switch does, in plain words."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from bench.cautions import CAUTIONS
from bench.gear_speeds import gear_speed
from bench.pages.markup import Table
from bench.pages.sheet import render_sheet

if TYPE_CHECKING:
    from controller.calibration import Calibration
    from controller.ruleset import RuleSet
    from sim.vehicle import Vehicle

_USE = {"low": "soft ground", "high": "towing and hills"}


def customer_page(vehicle: Vehicle, calibration: Calibration, rules: RuleSet, cruise_kmh: float, customer: str) -> str:
    """Return the customer's page as printable HTML."""
    k = calibration.values
    paragraphs = [
        "The automatic gearbox has a clutch beside its oil coupling (the converter). While that clutch is out the "
        "coupling slips, and on soft ground or a long pull the slip turns into heat in the gearbox oil. The switch "
        "lets you have the clutch held in while you drive.",
        "Every start begins with the switch's choice forgotten: the gearbox behaves as it was built until you turn "
        "the switch. Turning it to none lets the clutch out at once and gives the gearbox back to its own schedule.",
        _what_lets_it_out(k, rules),
    ]
    if "cold_oil" in {one.reason for one in rules.interlocks}:
        paragraphs.append(f"Cold oil (under {k.oil_minimum_dc / 10:g} °C) never holds: drive until it is warm.")
    bands = Table(
        "The switch",
        ("Position", "For", "In from, km/h", "Out under, km/h", "Gears"),
        [
            ("none", "everyday driving", "as built", "as built", "as built"),
            *(
                (
                    band,
                    _USE[band],
                    f"{getattr(k, f'{band}_engage_ckmh') / 100:g}",
                    f"{getattr(k, f'{band}_release_ckmh') / 100:g}",
                    f"{getattr(k, f'{band}_gear_lowest')} to {getattr(k, f'{band}_gear_highest')}",
                )
                for band in ("low", "high")
            ),
        ],
        left=2,
    )
    lamp_rows = [(_plain(lamp.word), lamp.meaning) for lamp in rules.lamps]
    lamps = Table("The lamp", ("It shows", "It means"), lamp_rows, left=2)
    top = vehicle.gear_count
    speeds = Table(
        f"At {cruise_kmh:g} km/h on the level",
        ("Gear", "Engine with the clutch in, rpm", "Engine with it out, rpm"),
        [
            (str(one.gear), f"{one.locked_rpm:.0f}", "–" if one.unlocked_rpm is None else f"{one.unlocked_rpm:.0f}")
            for one in (gear_speed(vehicle, gear, cruise_kmh, "sealed") for gear in range(max(1, top - 2), top + 1))
        ],
        f"Oil over {k.oil_hot_dc / 10:g} °C lights the hot lamp; over {k.oil_critical_dc / 10:g} °C it says stop.",
    )
    title = f"Holding the converter clutch: {vehicle.name}"
    if customer:
        title += f", {customer}"
    return render_sheet(title, paragraphs, [bands, lamps, speeds], CAUTIONS)


def _what_lets_it_out(k: Any, rules: RuleSet) -> str:
    """Say it of the interlocks that these rules have: ours in the driver's words, a user's own in theirs."""
    reasons = {one.reason for one in rules.interlocks}
    stays = "shift" not in reasons or k.hold_through_shifts
    words = {
        "brake": "you press the brake",
        "stall_guard": "the engine turns too slowly",
        "shift": "" if stays else "the gearbox shifts",
        "gear": "the gear is not one of the band's",
        "signal_lost": "a sensor that it needs falls silent",
        "implausible": "two speed sensors contradict each other",
        "not_holding": "it slips though it is held in",
        # these are told in sentences of their own, or open no hold
        **dict.fromkeys(("cold_oil", "closed_throttle", "kickdown", "stuck_in"), ""),
    }
    grounds = ["you slow down under the band's speed"]
    grounds += [words[word] for word in words if word in reasons and words[word]]
    grounds += [one.meaning for one in rules.interlocks if one.out_to is not None and one.reason not in words]
    text = f"The clutch comes out by itself when {'; when '.join(grounds)}. "
    if stays:
        text += "It stays in while the gearbox shifts. "
    closed = "closed_throttle" in reasons and k.closed_throttle_opens
    floored = "kickdown" in reasons and k.kickdown_opens
    text += "A closed throttle lets it out. " if closed else "Lifting your foot does not let it out. "
    return text + ("A floored throttle lets it out." if floored else "Pressing the throttle does not let it out.")


def _plain(word: str) -> str:
    return word.replace("_", " ")
