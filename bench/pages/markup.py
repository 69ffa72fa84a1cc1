"""HTML shared by every page: escaping, verdicts, tables, cautions and the paper-like frame.

Everything that reaches a page as text goes through `escaped`: names come from the user's files.
"""

import base64
import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from html import escape
from importlib.resources import files
from typing import Final, Literal

Judgement = Literal["good", "bad", "note"]

_SIGNS: Final[dict[Judgement, tuple[str, str]]] = {
    "good": ("✓", "good"),
    "bad": ("✗", "bad"),
    "note": ("•", "note"),
}


@dataclass(frozen=True)
class Flag:
    """A table cell that carries a judgement: shown by a sign and a weight as well as a colour."""

    kind: Judgement
    text: str


Cell = str | Flag


@dataclass(frozen=True)
class Table:
    """A table of preformatted text; the first column names the row.

    The first `left` columns hold words and are aligned left, the others are aligned right.
    """

    title: str
    columns: Sequence[str]
    rows: Sequence[Sequence[Cell]]
    note: str = ""
    left: int = 1


@cache
def asset(name: str) -> str:
    """The text of a file that ships beside this module, such as `paper.css` or `vendor/uPlot.min.css`."""
    return files("bench.pages").joinpath(name).read_text(encoding="utf-8")


def escaped(text: str) -> str:
    """`text` made safe as element content and inside double-quoted attributes."""
    return escape(text, quote=True)


def _sign(kind: Judgement) -> str:
    sign, word = _SIGNS[kind]
    return f'<span class="sign" aria-hidden="true">{sign}</span><span class="unseen">{word}: </span>'


def _cell(cell: Cell) -> str:
    if isinstance(cell, Flag):
        return f'<span class="flag {cell.kind}">{_sign(cell.kind)}{escaped(cell.text)}</span>'
    return escaped(cell)


def table_html(table: Table, heading: str = "h3") -> str:
    """One table under its heading. Raises `ValueError` where a row's length differs from the columns'."""
    for row in table.rows:
        if len(row) != len(table.columns):
            raise ValueError(f"table {table.title!r}: a row has {len(row)} cells for {len(table.columns)} columns")
    align = [' class="words"' if column < table.left else "" for column in range(len(table.columns))]
    head = "".join(
        f'<th scope="col"{words}>{escaped(column)}</th>' for words, column in zip(align, table.columns, strict=True)
    )
    body = ""
    for row in table.rows:
        cells = "".join(f"<td{words}>{_cell(cell)}</td>" for words, cell in zip(align[1:], row[1:], strict=True))
        body += f'<tr><th scope="row">{_cell(row[0])}</th>{cells}</tr>\n'
    note = f'<p class="aside">{escaped(table.note)}</p>' if table.note else ""
    title = escaped(table.title)
    return (
        f'<section class="table"><{heading}>{title}</{heading}>\n'
        f'<div class="scroll" role="region" tabindex="0" aria-label="{title}">'
        f"<table><thead><tr>{head}</tr></thead>\n<tbody>\n{body}</tbody></table></div>{note}</section>\n"
    )


def verdict_html(verdict: Sequence[tuple[Judgement, str]]) -> str:
    """The verdict: one line a finding, each with its sign."""
    if not verdict:
        return ""
    items = "".join(
        f'<li class="flag {kind}">{_sign(kind)}<span>{escaped(text)}</span></li>\n' for kind, text in verdict
    )
    return (
        '<section aria-labelledby="verdict"><h2 id="verdict">Verdict</h2>\n'
        f'<ul class="verdict">\n{items}</ul></section>\n'
    )


def cautions_html(cautions: Sequence[str]) -> str:
    """The cautions, in a frame of their own that prints."""
    if not cautions:
        return ""
    items = "".join(f"<li>{escaped(text)}</li>\n" for text in cautions)
    return (
        '<section class="cautions" aria-labelledby="cautions"><h2 id="cautions">Cautions</h2>\n'
        f"<ul>\n{items}</ul></section>\n"
    )


def settings_html(settings: Sequence[tuple[str, str]]) -> str:
    """What the page was made from: name and value pairs."""
    if not settings:
        return ""
    items = "".join(f"<div><dt>{escaped(name)}</dt><dd>{escaped(value)}</dd></div>\n" for name, value in settings)
    return (
        '<section aria-labelledby="settings"><h2 id="settings">What was run</h2>\n'
        f'<dl class="settings">\n{items}</dl></section>\n'
    )


def _digest(text: str) -> str:
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode("ascii")


def document(title: str, body: str, styles: Sequence[str], scripts: Sequence[str] = (), kind: str = "report") -> str:
    """A whole page that needs nothing else: styles and scripts inside, and a policy that lets nothing in or out.

    Only the scripts given here may run (the policy names them by digest), so that text which slipped through as
    markup would still do nothing.
    """
    allowed = " ".join(f"'{_digest(script)}'" for script in scripts) or "'none'"
    policy = f"default-src 'none'; script-src {allowed}; style-src 'unsafe-inline'; img-src data:; base-uri 'none'"
    style_elements = "".join(f"<style>{style}</style>\n" for style in styles)
    script_elements = "".join(f"<script>{script}</script>\n" for script in scripts)
    return (
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<link rel="icon" href="data:,">\n'
        f"<title>{escaped(title)}</title>\n{style_elements}</head>\n"
        f'<body class="{kind}">\n{body}{script_elements}</body>\n</html>\n'
    )
