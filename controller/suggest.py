"""The end of an error line about a name: the nearest known one, or what there is."""

from __future__ import annotations

from collections.abc import Sequence
from difflib import get_close_matches

MOST_LISTED = 20
"""More names than this are listed by what stands before their dot."""


def nearest(name: str, known: Sequence[str]) -> str:
    """Return `did you mean …?` where a known name is close, else the list of known names."""
    close = get_close_matches(name, known, n=1, cutoff=0.6)
    if close:
        return f"did you mean {close[0]!r}?"
    if len(known) > MOST_LISTED:
        # Keys by their table: a reader finds the table first.
        known = list(
            dict.fromkeys(f"{head}.…" if dot else head for head, dot, _ in (one.partition(".") for one in known))
        )
    return f"known: {', '.join(known)}"
