"""`tccbench log`: record a drive, explain the recording, replay rules on it, fit the vehicle, check a run."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, TypeVar

import click

from bench.commands.log_record import record
from bench.options import Within, rules_option

if TYPE_CHECKING:
    from bench.logs.reading import Log
    from sim.vehicle import Vehicle

_Command = TypeVar("_Command", bound=Callable[..., Any])


@click.group("log", short_help="Record drives, and what recordings tell.")
def log() -> None:
    """Record a drive from a bus, and read recorded drives: CSV, ASAM MDF 4, or a candump log with its DBC.

    A recording is data and runs nothing. What it cannot tell is said.
    """


log.add_command(record)


def _reading_options(command: _Command) -> _Command:
    command = click.option("--dbc", default=None, metavar="FILE", help="DBC of a CAN recording; without it the "
                           "SAE J1939 subset that comes along, and OBD-II.")(command)  # fmt: skip
    return click.option("--map", "map_path", default=None, metavar="FILE", help="Map of the recording's channels; "
                        "without it, one is proposed.")(command)  # fmt: skip


def _vehicle_option(command: _Command) -> _Command:
    return click.option("--vehicle", default=None, metavar="NAME|FILE", help="Vehicle: a name from `tccbench list`, "
                        "or a TOML file. Gives gearing, converter table and heat.")(command)  # fmt: skip


def _out_option(command: _Command) -> _Command:
    return click.option("--out", "out_dir", default="tccbench-out", show_default=True, metavar="DIR",
                        help="Folder for the files; they replace those of an earlier run.")(command)  # fmt: skip


@contextmanager
def _progress(label: str) -> Iterator[Callable[[float], None]]:
    """Show a bar on standard error where that is a terminal."""
    import sys

    if not sys.stderr.isatty():
        yield lambda _share: None
        return
    from rich.console import Console
    from rich.markup import escape
    from rich.progress import Progress

    with Progress(console=Console(stderr=True), transient=True) as bars:
        task = bars.add_task(escape(label), total=1.0)
        yield lambda share: bars.update(task, completed=share)


def _read(path: str, map_path: str | None, dbc: str | None) -> Log:
    from bench.logs.reading import read_log

    with _progress(f"reading {path}") as progress:
        return read_log(path, map_path, dbc, progress)


def _vehicle(name: str | None) -> Vehicle | None:
    from sim.vehicle import load_vehicle

    return load_vehicle(name) if name else None


def _no_folder(write_path: str | None) -> None:
    from pathlib import Path

    from controller.errors import UserError

    if write_path is not None and Path(write_path).is_dir():
        raise UserError(f"--write {write_path}: this is a folder; give a file's name")


@log.command("map", short_help="Propose a map of a recording's channels.")
@click.argument("recording", metavar="LOG")
@click.option("--dbc", default=None, metavar="FILE", help="DBC of a CAN recording.")
@click.option("--write", "write_path", default=None, metavar="FILE", help="Write the map here instead of printing it.")
def map_(recording: str, dbc: str | None, write_path: str | None) -> None:
    """Propose which channel of LOG is which quantity, with units; edit it and give it with --map."""
    from pathlib import Path

    from bench.logs.map_file import map_text
    from bench.logs.reading import open_source, proposed_map
    from bench.out_files import ready_folder, write_whole

    _no_folder(write_path)
    proposed = proposed_map(recording, dbc)
    used = {one.channel for one in proposed.signal.values()} | ({proposed.time.channel} if proposed.time else set())
    left = [one.name for one in open_source(recording, dbc).channels() if one.name not in used]
    text = map_text(proposed)
    if left:
        text += "\n# Not used: " + ", ".join(left) + "\n"
    if write_path is None:
        click.echo(text, nl=False)
        return
    path = Path(write_path)
    ready_folder(str(path.parent))
    write_whole(path, [text])
    click.echo(f"written: {path}")


@log.command(short_help="What the vehicle did.")
@click.argument("recording", metavar="LOG")
@_reading_options
@_vehicle_option
@_out_option
def show(recording: str, map_path: str | None, dbc: str | None, vehicle: str | None, out_dir: str) -> None:
    """Explain LOG: gears, slip, clutch, engagements, heat, oil; and what is wrong with it or cannot be told.

    Writes report.html, log.json and drive.toml (the recorded speeds, for `tccbench compare --drive`).
    """
    from bench.cautions import CAUTIONS
    from bench.logs.show_files import write_shown
    from bench.logs.show_tables import (
        engagements_table,
        gears_table,
        segments_table,
        signals_table,
        summary_table,
    )
    from bench.logs.summary import take_apart
    from bench.out_files import ready_folder
    from bench.terminal import print_table, print_verdict

    chosen = _vehicle(vehicle)
    ready_folder(out_dir)
    shown = take_apart(_read(recording, map_path, dbc), chosen)
    paths = write_shown(shown, chosen, out_dir)
    click.echo(f"recording {recording}, vehicle {chosen.name if chosen else 'none given'}\n")
    print_verdict([(one.judgement, one.text) for one in shown.findings])
    summary = shown.summary
    for table in (signals_table(shown.log), summary_table(summary), gears_table(summary), engagements_table(summary),
                  segments_table(summary)):  # fmt: skip
        if table.rows:
            print_table(table)
    for caution in CAUTIONS:
        click.echo(caution)
    click.echo(f"written: {', '.join(map(str, paths))}")


@log.command(short_help="What rules would have commanded on it.")
@click.argument("recording", metavar="LOG")
@click.option("--calibration", required=True, metavar="NAME|FILE", help="Calibration of the rules.")
@click.option("--band", type=click.Choice(["none", "low", "high"]), default="low", show_default=True,
              help="Band selected at the start, where the recording has no switch.")  # fmt: skip
@click.option("--strict-ages", is_flag=True, help="Count slowly recorded signals as lost, as the rules would.")
@rules_option
@_reading_options
@_vehicle_option
@_out_option
def replay(
    recording: str,
    calibration: str,
    band: str,
    strict_ages: bool,
    rules_file: str | None,
    map_path: str | None,
    dbc: str | None,
    vehicle: str | None,
    out_dir: str,
) -> None:
    """Step the rules over LOG: what they would have commanded beside what the vehicle did, and why they differ."""
    from bench.cautions import CAUTIONS
    from bench.comparison import misfit
    from bench.logs.replay import replay as replay_on
    from bench.logs.replay_files import differences_table, replay_findings, write_replay
    from bench.logs.summary import take_apart
    from bench.out_files import ready_folder
    from bench.terminal import print_table, print_verdict
    from controller.calibration import load_calibration
    from controller.errors import UserError
    from controller.user_rules import load_rules

    rules, chosen = load_rules(rules_file), _vehicle(vehicle)
    values = load_calibration(calibration, rules)
    wrong = misfit(values, chosen) if chosen else ""
    if wrong:
        raise UserError(wrong)
    ready_folder(out_dir)
    shown = take_apart(_read(recording, map_path, dbc), chosen)
    with _progress("replaying") as progress:
        done = replay_on(shown, rules, values, {"none": 0, "low": 1, "high": 2}[band], strict_ages, progress)
    paths = write_replay(shown, done, values, out_dir)
    click.echo(f"recording {recording}, calibration {values.name}\n")
    print_verdict(replay_findings(done))
    table = differences_table(done)
    if table.rows:
        print_table(table)
    for caution in CAUTIONS:
        click.echo(caution)
    click.echo(f"written: {', '.join(map(str, paths))}")


@log.command("fit", short_help="Correct the vehicle by recordings.")
@click.argument("recordings", metavar="LOG...", nargs=-1, required=True)
@click.option("--vehicle", required=True, metavar="NAME|FILE", help="Vehicle to start from.")
@click.option("--ambient", "ambient_c", type=Within(-40, 55), default=None, metavar="°C",
              help="Air temperature of the drives, where it was not recorded.")  # fmt: skip
@click.option("--mass", "total_kg", type=Within(200, 60000), default=None, metavar="KG",
              help="Mass as driven, with load and trailer; without it, the file's.")  # fmt: skip
@click.option("--write", "write_path", default=None, metavar="FILE",
              help="Where the fitted vehicle is written; without it, fitted.toml in the --out folder.")  # fmt: skip
@_reading_options
@_out_option
def fit_(
    recordings: tuple[str, ...],
    vehicle: str,
    ambient_c: float | None,
    total_kg: float | None,
    write_path: str | None,
    map_path: str | None,
    dbc: str | None,
    out_dir: str,
) -> None:
    """Identify what LOG... can tell of the vehicle, refuse what it cannot, and write a fitted vehicle file.

    `tccbench compare --vehicle fitted.toml` then predicts the next drive with an error band. Writes drive.toml too:
    the speeds of the first recording on the surfaces that the fit found.
    """
    from pathlib import Path

    from bench.cautions import CAUTIONS
    from bench.logs.fit import fit
    from bench.logs.fit_tables import changes_table, converter_table, gearing_table, oil_table, road_table
    from bench.logs.show_files import drive_text
    from bench.out_files import ready_folder, write_whole
    from bench.terminal import print_table, print_verdict
    from controller.errors import UserError
    from sim.vehicle import load_vehicle

    _no_folder(write_path)
    chosen = load_vehicle(vehicle)
    own_kg = chosen.file.body.mass_kg
    if total_kg is not None and total_kg < own_kg:
        raise UserError(f"--mass {total_kg:g}: {chosen.name} alone weighs {own_kg:g} kg by its file; give the mass as "
                        "driven, or correct mass_kg in a file of your own")  # fmt: skip
    folder = ready_folder(out_dir)
    done = fit([_read(path, map_path, dbc) for path in recordings], chosen, ambient_c, total_kg)
    files = {}
    if done.text:
        files[Path(write_path) if write_path else folder / "fitted.toml"] = done.text
    load_kg = 0.0 if total_kg is None else total_kg - own_kg
    drive = drive_text(done.shown[0], done.road[0].stretches, load_kg, ambient_c)
    if drive:
        files[folder / "drive.toml"] = drive
    for path, text in files.items():
        ready_folder(str(path.parent))
        write_whole(path, [text])
    click.echo(f"vehicle {chosen.name}, recordings {', '.join(recordings)}\n")
    print_verdict([(one.judgement, one.text) for one in done.findings])
    for table in (changes_table(done), gearing_table(done), converter_table(done), road_table(done), oil_table(done)):
        if table.rows:
            print_table(table)
    for caution in CAUTIONS:
        click.echo(caution)
    if not done.text:
        click.echo("no value of the file is changed, so no fitted file is written")
    click.echo(f"written: {', '.join(map(str, files))}")


@log.command("check", short_help="Prediction beside measurement.")
@click.argument("recording", metavar="LOG")
@click.option("--against", required=True, metavar="RUN", help="Folder that `tccbench compare` or `run` wrote, or its "
              "traces.csv; `:NAME` behind it says which run, otherwise the last.")  # fmt: skip
@_reading_options
@_vehicle_option
@_out_option
def check_(
    recording: str, against: str, map_path: str | None, dbc: str | None, vehicle: str | None, out_dir: str
) -> None:
    """Lay a simulated run over LOG: the error of each signal, and whether the prediction holds."""
    from bench.cautions import CAUTIONS
    from bench.logs.check import check, read_run
    from bench.logs.check_files import errors_table, write_check
    from bench.logs.summary import take_apart
    from bench.out_files import ready_folder
    from bench.terminal import print_table, print_verdict

    chosen = _vehicle(vehicle)
    ready_folder(out_dir)
    name, run_log = read_run(against)
    shown = take_apart(_read(recording, map_path, dbc), chosen)
    done = check(shown, name, run_log, chosen)
    paths = write_check(shown, done, out_dir)
    click.echo(f"recording {recording}, run {name}\n")
    print_verdict([(one.judgement, one.text) for one in done.findings])
    table = errors_table(done)
    print_table(table)
    for caution in CAUTIONS:
        click.echo(caution)
    click.echo(f"written: {', '.join(map(str, paths))}")
