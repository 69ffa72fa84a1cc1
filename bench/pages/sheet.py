"""A printable one-page sheet in the look of the report: plain words, a few tables, cautions."""

from collections.abc import Sequence

from bench.pages.markup import Table, asset, cautions_html, document, escaped, table_html


def render_sheet(title: str, paragraphs: Sequence[str], tables: Sequence[Table], cautions: Sequence[str]) -> str:
    """The sheet as one HTML file that needs no other. All texts are plain and escaped here."""
    body = (
        f"<header><h1>{escaped(title)}</h1></header>\n<main>\n"
        + "".join(f"<p>{escaped(paragraph)}</p>\n" for paragraph in paragraphs)
        + "".join(table_html(table, heading="h2") for table in tables)
        + f"{cautions_html(cautions)}</main>\n"
    )
    return document(title, body, styles=[asset("paper.css")], kind="sheet")
