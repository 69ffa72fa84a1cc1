"""What commands print: aligned tables with units, verdict lines with a sign, progress on standard error."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rich.console import Console
    from rich.text import Text

    from bench.pages.markup import Cell, Judgement, Table

_SIGNS: dict[Judgement, tuple[str, str]] = {"good": ("✓", "green"), "bad": ("✗", "bold red"), "note": ("•", "yellow")}

_PLAIN_WIDTH = 150
"""Columns where the output is not a terminal, so that a file reads the same everywhere."""


def console() -> Console:
    """Return a console on standard output; plain text of a fixed width where that is not a terminal."""
    from rich.console import Console

    return Console(width=None if sys.stdout.isatty() else _PLAIN_WIDTH, highlight=False, soft_wrap=False)


def print_table(table: Table) -> None:
    """Print a table as reports show it. Texts are not markup."""
    from rich import box
    from rich.table import Table as Grid
    from rich.text import Text

    grid = Grid(title=Text(table.title), title_justify="left", title_style="bold", box=box.SIMPLE_HEAD, pad_edge=False)
    for at, column in enumerate(table.columns):
        grid.add_column(Text(column), justify="left" if at < table.left else "right", overflow="fold")
    for row in table.rows:
        grid.add_row(*(_cell(cell) for cell in row))
    out = console()
    out.print(grid)
    if table.note:
        out.print(Text(table.note), style="dim")


def print_verdict(lines: Sequence[tuple[Judgement, str]]) -> None:
    """Print findings, each with its sign."""
    from rich.text import Text

    out = console()
    for judgement, text in lines:
        sign, style = _SIGNS[judgement]
        out.print(Text(f"{sign} ", style=style) + Text(text))


def _cell(cell: Cell) -> Text:
    from rich.text import Text

    if isinstance(cell, str):
        return Text(cell)
    sign, style = _SIGNS[cell.kind]
    return Text(f"{sign} {cell.text}", style=style)
