"""The end of an error line about a name: the nearest known one, or all of them."""

from __future__ import annotations

from collections.abc import Sequence
from difflib import get_close_matches


def nearest(name: str, known: Sequence[str]) -> str:
    """Return `did you mean …?` where a known name is close, else the list of known names."""
    close = get_close_matches(name, known, n=1, cutoff=0.6)
    if close:
        return f"did you mean {close[0]!r}?"
    return f"known: {', '.join(known)}"
