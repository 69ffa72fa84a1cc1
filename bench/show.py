"""Running a comparison from the command line: check the folder, run, print verdict and figures, write the files."""

from __future__ import annotations

import click

from bench.cautions import CAUTIONS
from bench.comparison import Settings, check, compare, settings_rows, write_files
from bench.out_files import ready_folder


def show(settings: Settings, out_dir: str) -> None:
    """Do all of it. Raises `UserError` before the first run for anything wrong in the input."""
    from bench.tables import energy_table, engagements_table, figures_table, interlocks_table
    from bench.terminal import print_table, print_verdict

    check(settings)
    ready_folder(out_dir)
    comparison = compare(settings)
    paths = write_files(comparison, out_dir)
    click.echo(", ".join(f"{what} {value}" for what, value in settings_rows(comparison)[:2]))
    click.echo()
    print_verdict(comparison.findings)
    results = comparison.results
    tables = (figures_table(comparison.figures), engagements_table(results), interlocks_table(results))
    for table in (*tables, energy_table(results)):
        if table.rows:
            print_table(table)
    for caution in CAUTIONS:
        click.echo(caution)
    click.echo(f"written: {', '.join(map(str, paths))}")
