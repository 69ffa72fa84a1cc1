"""`tccbench log`: after the drive, read the recording, explain it, replay rules on it, fit the vehicle, check a run."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, TypeVar

import click

from bench.options import rules_option

if TYPE_CHECKING:
    from bench.logs.reading import Log
    from sim.vehicle import Vehicle

_Command = TypeVar("_Command", bound=Callable[..., Any])


@click.group("log", short_help="After the drive: recordings.")
def log() -> None:
    """Read a recorded drive: CSV, ASAM MDF 4, or a candump log with its DBC.

    A recording is data and runs nothing. What it cannot tell is said.
    """


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
    for table, left in ((signals_table(shown.log), 3), (summary_table(summary), 1), (gears_table(summary), 1),
                        (engagements_table(summary), 1), (segments_table(summary), 3)):  # fmt: skip
        if table.rows:
            print_table(table.title, table.columns, table.rows, left=left, note=table.note)
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
        print_table(table.title, table.columns, table.rows, left=4, note=table.note)
    for caution in CAUTIONS:
        click.echo(caution)
    click.echo(f"written: {', '.join(map(str, paths))}")
