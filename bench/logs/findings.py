"""What is wrong with a recording, or what it cannot tell: one line each, with a word that tests and programs read."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from bench.pages.markup import Judgement


class LogFinding(NamedTuple):
    """One finding. `code` is its kind, such as `gap` or `cut`; `text` says what, where and what was done about it."""

    code: str
    judgement: Judgement
    text: str


def times(count: int, noun: str) -> str:
    """Return e.g. `1 reading` or `12 readings`."""
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"
