"""`tccbench port`: the rules as C99 firmware, proved and checked."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from bench.options import rules_option

if TYPE_CHECKING:
    from controller.port.writing import Port
    from controller.ruleset import RuleSet


@click.command(short_help="The rules as C99 firmware, proved and checked.")
@click.argument("out", metavar="OUT")
@rules_option
@click.option("--calibration", default="station", show_default=True, metavar="NAME|FILE",
              help="Calibration that goes into the constant, the image and the first vectors.")  # fmt: skip
@click.option("--write-only", is_flag=True, help="Write the files and check nothing.")
@click.option("--ticks", type=click.IntRange(1_000, 1_000_000_000), default=1_000_000, show_default=True,
              help="Random ticks of host C against lanes.")  # fmt: skip
@click.option("--long", "is_long", is_flag=True,
              help="Also a million ticks against the reference and on Cortex-M4, 200 000 on Cortex-M0+, and 60 mutants "
              "of the C text. Takes minutes.")  # fmt: skip
def port(out: str, rules_file: str | None, calibration: str, write_only: bool, ticks: int, is_long: bool) -> None:
    """Write the rules as C99 to the folder OUT, and check what was written.

    The C text is read back and proved equal to the rules; host and Cortex-M code run random ticks against the other
    backends. What a check needs and is not installed is said, not passed over. Exit code 1 if a check fails.
    """
    from dataclasses import replace
    from pathlib import Path

    from bench.pages.markup import Table
    from bench.terminal import print_table
    from controller.calibration import load_calibration
    from controller.port.campaign import LONG, Effort, check_port, tools
    from controller.port.writing import make_port, write_port
    from controller.user_rules import load_rules

    rules = load_rules(rules_file)
    made = make_port(rules, load_calibration(calibration, rules))
    folder = Path(out)
    write_port(made, folder)
    click.echo(f"{len(made.files)} files written to {out}")
    if write_only:
        return
    effort = replace(LONG if is_long else Effort(), lanes=ticks)
    failed = 0
    for outcome in check_port(made, rules, folder, effort):
        word = {True: "good", False: "FAILS", None: "not run"}[outcome.passed]
        failed += outcome.passed is False
        click.echo(f"{word:8}{outcome.check}: {outcome.seen}")
    if is_long:
        failed += _mutants(made, rules)
    print_table(Table("Tools", ("tool", "version"), tools(), left=2))
    if failed:
        click.echo(f"{failed} checks fail", err=True)
        raise click.exceptions.Exit(1)


def _mutants(made: Port, rules: RuleSet) -> int:
    from controller.port.mutants import judge

    found, escaped = 0, 0
    for mutant, verdict in judge(rules, made.text, 60):
        found += verdict == "refuted"
        if verdict != "refuted":
            escaped += 1
            click.echo(f"{verdict:8}mutant at line {mutant.line}: {mutant.change}")
    click.echo(f"{'good' if not escaped else 'FAILS':8}mutants of the C text: {found} of {found + escaped} refuted")
    return int(escaped > 0)
