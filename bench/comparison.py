"""A comparison from its settings to its files: plan, run, judge, write."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bench.out_files import ready_folder, write_whole
from bench.runs import AS_BUILT, OPEN, Plan, run_plans
from controller.errors import UserError
from controller.suggest import nearest

if TYPE_CHECKING:
    from bench.figures import Figures
    from bench.verdict import Finding
    from controller.calibration import Calibration
    from controller.ruleset import RuleSet
    from sim.drives import Drive
    from sim.result import RunResult
    from sim.vehicle import Vehicle

SIMULATED = ("coolant_temp_dc", "grade_permille", "tyre_slip_permille", "fuel_cut_on")
"""What the simulator provides besides the inputs of our rules, for rules of a user's own."""

GEAR_LIST_SHARE = 0.05
"""A calibration's gear list that is further off than this from the vehicle's belongs to another vehicle."""


@dataclass(frozen=True)
class Settings:
    """What was asked for: names or files as given, and the day's conditions."""

    vehicle: str
    drive: str
    strategies: tuple[str, ...]
    rules_file: str | None = None
    ambient_c: float | None = None
    trailer_kg: float | None = None
    band: str | None = None


@dataclass(frozen=True)
class Comparison:
    """What came of it."""

    settings: Settings
    vehicle: Vehicle
    drive: Drive
    rules: RuleSet
    results: list[RunResult]
    figures: list[Figures]
    findings: list[Finding]
    trace_rows: list[str]


def check(settings: Settings) -> tuple[Vehicle, Drive, RuleSet, list[Finding]]:
    """Read and check all files of the settings; return them with what the fitted tyres ask for.

    Raises `UserError` for the first thing that is wrong.
    """
    from bench.gear_table import tyre_findings
    from controller.calibration import calibration_names, load_calibration
    from controller.user_rules import load_rules
    from sim.drives import load_drive
    from sim.vehicle import load_vehicle

    vehicle, drive, rules = load_vehicle(settings.vehicle), load_drive(settings.drive), load_rules(settings.rules_file)
    _check_signals(drive, rules)
    findings: list[Finding] = []
    for strategy in settings.strategies:
        if strategy in (OPEN, AS_BUILT):
            continue
        known = [OPEN, AS_BUILT, *calibration_names()]
        if not strategy.endswith(".toml") and strategy not in known:
            raise UserError(f"strategy {strategy!r} is not known; {nearest(strategy, known)} "
                            "(a calibration of your own ends in .toml)")  # fmt: skip
        calibration = load_calibration(strategy, rules)
        wrong = misfit(calibration, vehicle)
        if wrong:
            raise UserError(wrong)
        findings += [one for one in tyre_findings(vehicle, calibration) if one[0] == "bad"]
    return vehicle, drive, rules, findings


def _check_signals(drive: Drive, rules: RuleSet) -> None:
    """Refuse an event that sets a signal nobody knows, or to a value out of its range."""
    known = {signal.name: signal for signal in rules.signals}
    names = sorted({*known, *SIMULATED})
    for number, event in enumerate(drive.events, 1):
        for name, value in event.signals.items():
            if name not in names:
                raise UserError(f"drive {drive.name!r}: event[{number}].signals: {name!r} is no signal; "
                                f"{nearest(name, names)}")  # fmt: skip
            signal = known.get(name)
            if signal is not None and not signal.low <= value <= signal.high:
                raise UserError(f"drive {drive.name!r}: event[{number}].signals: {name} = {value} is out of range; "
                                f"it must be from {signal.low} to {signal.high}")  # fmt: skip


def compare(settings: Settings) -> Comparison:
    """Run and judge. Raises `UserError`, before the first run, for anything wrong in the settings' files."""
    from bench.figures import figures_of
    from bench.verdict import verdict

    vehicle, drive, rules, tyres = check(settings)
    labels = _labels(settings.strategies)
    plans = [
        Plan(settings.vehicle, settings.drive, strategy, label, settings.rules_file,
             settings.ambient_c, settings.trailer_kg, settings.band)
        for strategy, label in zip(settings.strategies, labels, strict=True)
    ]  # fmt: skip
    outcomes = run_plans(plans)
    results = [outcome.result for outcome in outcomes]
    figures = [figures_of(result, vehicle) for result in results]
    latching = [one.reason for one in rules.interlocks if one.latches]
    return Comparison(
        settings, vehicle, drive, rules, results, figures, [*verdict(figures, results, latching), *tyres],
        [outcome.rows for outcome in outcomes],
    )  # fmt: skip


def _labels(strategies: Sequence[str]) -> list[str]:
    """Return a short label a strategy: a file's name without its ending, with folders where two would be the same."""
    paths = [Path(one).with_suffix("") if one.endswith(".toml") else Path(one) for one in strategies]
    labels: list[str] = []
    for path in paths:
        parts = 1
        while parts < len(path.parts) and any(
            other != path and other.parts[-parts:] == path.parts[-parts:] for other in paths
        ):
            parts += 1
        plain = label = "/".join(path.parts[-parts:])
        number = 2
        while label in labels:  # one file twice
            label, number = f"{plain} {number}", number + 1
        labels.append(label)
    return labels


def default_calibration(vehicle_name: str, rules_file: str | None) -> str:
    """Return the first embedded calibration, by name, that is made for the vehicle."""
    from controller.calibration import calibration_names, load_calibration
    from controller.user_rules import load_rules
    from sim.vehicle import load_vehicle

    vehicle, rules = load_vehicle(vehicle_name), load_rules(rules_file)
    for name in calibration_names():
        if not misfit(load_calibration(name, rules), vehicle):
            return name
    raise UserError(f"vehicle {vehicle.name!r}: none of the calibrations that come along is made for its gears; "
                    "give one with --calibration (tccbench init writes one to edit)")  # fmt: skip


def misfit(calibration: Calibration, vehicle: Vehicle) -> str:
    """Return what is wrong where a calibration's gear list is another vehicle's: its rules would trip at once."""
    for gear, rpm in enumerate(vehicle.turbine_rpm_at_100_kmh, 1):
        indicated_rpm = round(rpm / vehicle.sensor_speed_factor)
        name = f"turbine_rpm_at_100_kmh_{gear}"
        listed = getattr(calibration.values, name, indicated_rpm)
        if listed == 0 or abs(listed - indicated_rpm) > GEAR_LIST_SHARE * indicated_rpm:
            what = "is missing" if listed == 0 else f"is {listed}"
            whole = ", ".join(str(round(one / vehicle.sensor_speed_factor)) for one in vehicle.turbine_rpm_at_100_kmh)
            return (f"{calibration.source}: plausible.turbine_rpm_at_100_kmh[{gear}] {what}, but {vehicle.name} turns "
                    f"{indicated_rpm} rpm there; for this vehicle write [{whole}]")  # fmt: skip
    return ""


def _version() -> str:
    try:
        return version("tccbench")
    except PackageNotFoundError:  # run from a source tree
        return "not installed"


def settings_rows(comparison: Comparison) -> list[tuple[str, str]]:
    """Return what was run, in words."""
    result = comparison.results[0]
    return [
        ("vehicle", f"{comparison.vehicle.name} ({comparison.settings.vehicle})"),
        ("drive", f"{comparison.drive.title} ({comparison.settings.drive})"),
        ("strategies", ", ".join(run.name for run in comparison.figures)),
        ("rules", f"{comparison.rules.name}, version {comparison.rules.version}"),
        (
            "switch",
            f"{comparison.settings.band} from 1 s on" if comparison.settings.band else "as the drive presses it",
        ),
        ("ambient", f"{result.ambient_c:.1f} °C"),
        ("total mass", f"{result.total_mass_kg:.0f} kg"),
        ("duration", f"{result.duration_s:.1f} s at 100 ticks a second"),
        ("tccbench", _version()),
    ]


def write_files(comparison: Comparison, out_dir: str) -> list[Path]:
    """Write result.json, traces.csv and report.html; return their paths."""
    from bench.compare_page import compare_page
    from bench.pages.report import render
    from bench.result_file import result_text
    from bench.tables import energy_table, engagements_table, figures_table, interlocks_table, refusals_table
    from bench.traces_file import HEADER

    folder = ready_folder(out_dir)
    rows = settings_rows(comparison)
    named: dict[str, Any] = dict(rows)
    page = compare_page(
        f"{comparison.vehicle.name}: {comparison.drive.title}",
        comparison.drive.about,
        comparison.findings,
        [
            table
            for table in (
                figures_table(comparison.figures),
                engagements_table(comparison.results),
                interlocks_table(comparison.results),
                refusals_table(comparison.figures),
                energy_table(comparison.results),
            )
            if table.rows
        ],
        comparison.results,
        rows,
        comparison.vehicle,
    )
    files: dict[str, list[str]] = {
        "result.json": [result_text(named, comparison.findings, comparison.figures, comparison.results)],
        "traces.csv": [HEADER, *comparison.trace_rows],
        "report.html": [render(page)],
    }
    for name, parts in files.items():
        write_whole(folder / name, parts)
    return [folder / name for name in files]
