"""`tccbench chart`: the state diagram and the row table, from the rules' own declaration."""

from __future__ import annotations

import click

from bench.options import rules_option


@click.command(short_help="State diagram and rows of the rules.")
@rules_option
@click.option("--table", "only", flag_value="table", help="Only the row table.")
@click.option("--diagram", "only", flag_value="diagram", help="Only the diagram, as Mermaid text.")
def chart(rules_file: str | None, only: str | None) -> None:
    """Print the chart of the rules: state diagram (Mermaid) and rows.

    In each state the first row whose condition holds fires. Ignition off puts everything back to a fresh start.
    """
    from bench.pages.markup import Table
    from bench.terminal import print_table
    from controller.chart import mermaid, row_table
    from controller.user_rules import load_rules

    rules = load_rules(rules_file)
    if only != "table":
        click.echo(mermaid(rules))
    if only is None:
        click.echo()
    if only != "diagram":
        columns = ("row", "in state", "goes to", "if", "reason")
        print_table(Table(f"Rows of {rules.name!r}: the first that holds fires", columns, row_table(rules), left=5))
