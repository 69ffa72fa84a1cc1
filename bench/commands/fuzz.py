"""`tccbench fuzz`: random drives by the million, looking for what must never happen."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from bench.options import Within, rules_option

if TYPE_CHECKING:
    from bench.fuzzing.campaign import Progress
    from bench.fuzzing.found import Found
    from controller.ruleset import RuleSet

_MOST_SHOWN = 3
"""Failures made small before the command ends; the others are most often the same fault."""


@click.command(short_help="Look for failures in random drives, vehicles, calibrations and faults.")
@rules_option
@click.option("--minutes", type=Within(0.05, 100_000), default=2.0, show_default=True, metavar="M",
              help="How long to look, after the lanes are compiled.")  # fmt: skip  # an option a paragraph
@click.option("--seed", type=click.IntRange(0, 2**31 - 1), default=1, show_default=True, metavar="N",
              help="Which campaign: the same seed draws the same batches.")  # fmt: skip
@click.option(
    "--fresh", is_flag=True, help="Start over, though the folder holds a campaign of these rules and this seed."
)
@click.option("--out", "out_dir", default="tccbench-fuzz", show_default=True, metavar="DIR",
              help="Folder for the campaign's state and each failure's drive, calibration and vehicle.")  # fmt: skip
@click.pass_context
def fuzz(ctx: click.Context, rules_file: str | None, minutes: float, seed: int, fresh: bool, out_dir: str) -> None:
    """Run the closed loop over random vehicles, drives, calibrations, switch presses and faults, and check every tick.

    Exits 0 if nothing failed and every row of the chart and every refusal was seen, else 1. A campaign goes on where
    it was left, also after an interrupt. Needs the `lanes` extra (numba).
    """
    from bench.optional import needed
    from controller.user_rules import load_rules

    rules = load_rules(rules_file)
    needed("numba", extra="lanes", what="tccbench fuzz")
    from bench.fuzzing import campaign
    from bench.fuzzing.found import make_small
    from bench.fuzzing.watching import Watching
    from bench.out_files import ready_folder

    folder = ready_folder(out_dir)
    progress = campaign.begin(rules, seed, folder, fresh)
    found: list[Found] = []
    with Watching(progress, rules, minutes * 60.0) as watching:
        watching.compile()
        while not found and watching.goes_on():
            batch, failures = campaign.run_batch(rules, progress)
            first = {failure.check: failure for failure in reversed(failures)}
            for failure in list(first.values())[:_MOST_SHOWN]:
                found.append(make_small(rules, batch, failure, seed, folder))
                progress.failures.append(found[-1].name)
            watching.note()
            campaign.keep(progress, folder)
    missing = campaign.uncovered(rules, progress)
    _print(rules, progress, found, missing, rules_file)
    if found or missing:
        ctx.exit(1)


def _print(rules: RuleSet, progress: Progress, found: list[Found], missing: list[str], rules_file: str | None) -> None:
    from bench.pages.markup import Table
    from bench.terminal import print_table, print_verdict

    print_table(Table(
        "Rows of the chart, and how often each fired",
        ("row", "in state", "goes to", "reason", "fired"),
        [(str(at), row.source.word, row.destination.word, row.reason, f"{progress.rows[at]:,}")
         for at, row in enumerate(rules.rows, 1)],
        left=4))  # fmt: skip
    refused = [(word, f"{progress.refusals[number]:,}") for number, word in
               sorted({rules.reason_numbers[one.reason]: one.reason for one in rules.refusals}.items())]  # fmt: skip
    print_table(Table("Refusals, and for how many ticks each was given", ("refusal", "ticks"), refused))
    for one in found:
        _print_found(one, rules_file)
    speed = progress.lane_ticks / max(progress.seconds, 1e-9) / 1e6
    click.echo(
        f"{progress.lane_ticks / 1e6:,.0f} million lane-ticks ({progress.lane_ticks / 360_000:,.0f} vehicle-hours) in "
        f"{progress.next_batch} batches, {progress.seconds:,.0f} s, {speed:.1f} million a second"
    )
    if found:
        print_verdict([("bad", f"{one.check}: {one.meaning} ({one.events} events)") for one in found])
    if missing:
        print_verdict([("note", f"not seen yet: {'; '.join(missing)}")])
    if not found and not missing:
        print_verdict([("good", "no property failed; every row and every refusal was seen")])


def _print_found(found: Found, rules_file: str | None) -> None:
    from bench.pages.markup import Table
    from bench.terminal import print_table
    from bench.tick_table import COLUMNS, calibration_changes, rows_of

    rules = "" if rules_file is None else f" --rules {rules_file}"
    by_kind = {path.name.split(".")[-2]: path for path in found.paths}
    vehicle = f" --vehicle {by_kind['vehicle']}" if "vehicle" in by_kind else ""
    if found.run is not None:
        changes = calibration_changes(found.run)
        note = f"calibration: {'; '.join(changes)}" if changes else "calibration: all keys at their defaults"
        print_table(Table(f"{found.name}: {found.events} events", COLUMNS, rows_of(found.run), left=9, note=note))
    click.echo(f"replay: tccbench run {by_kind['calibration']} --drive {by_kind['drive']}{vehicle}{rules}")
