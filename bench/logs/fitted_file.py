"""Writing a fitted vehicle file: the user's own text with changed values, their errors, and where they are from."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from dataclasses import dataclass
from importlib.metadata import version


@dataclass(frozen=True)
class Change:
    """One value of the file: `section.key`, the values before and after, and the standard error as a share."""

    place: str
    before: tuple[float, ...]
    after: tuple[float, ...]
    error_share: float
    is_told: bool = True


def fitted_text(
    text: str,
    changes: Sequence[Change],
    logs: Sequence[str],
    held_out_rmse_c: float | None,
    keys: Sequence[str],
    errors: Sequence[float],
    correlation: Sequence[Sequence[float]],
) -> str:
    """Return the vehicle's text with the changes and a table [fitted]; everything else stays as it was written."""
    lines = _without_fitted(text).rstrip("\n").split("\n")
    for change in changes:
        _put(lines, change)
    _suffix(lines)
    head = [f"# Fitted by tccbench {version('tccbench')} from {', '.join(logs)}.",
            "# A fit repeats what these recordings show; it is no measurement of what they do not."]  # fmt: skip
    tail = ["", "[fitted]", f"logs = {json.dumps(list(logs), ensure_ascii=False)}"]
    if held_out_rmse_c is not None:
        tail.append(f"held_out_rmse_c = {held_out_rmse_c:.3f}")
    tail += [f"keys = {json.dumps(list(keys))}", f"error_share = [{', '.join(f'{one:.4f}' for one in errors)}]",
             "correlation = [" + ", ".join("[" + ", ".join(f"{one:.3f}" for one in row) + "]" for row in correlation)
             + "]"]  # fmt: skip
    return "\n".join([*head, *lines, *tail]) + "\n"


def _without_fitted(text: str) -> str:
    """Leave out what an earlier fit wrote of itself."""
    text = re.sub(r"(?ms)^\[fitted\]\n.*?(?=^\[|\Z)", "", text)
    return re.sub(r"(?m)\A(# Fitted by tccbench .*\n|# A fit repeats .*\n)+", "", text)


def _put(lines: list[str], change: Change) -> None:
    section, _, key = change.place.rpartition(".")
    inside = False
    for at, line in enumerate(lines):
        header = re.match(r"\[([^\]]+)\]", line.strip())
        if header:
            inside = header[1] == section
        if not inside or not re.match(rf"{re.escape(key)}\s*=", line.strip()):
            continue
        value = _number(change.after[0]) if len(change.after) == 1 else f"[{', '.join(map(_number, change.after))}]"
        was = _number(change.before[0]) if len(change.before) == 1 else f"[{', '.join(map(_number, change.before))}]"
        what = f"fitted, ±{100.0 * change.error_share:.2g} %" if change.is_told else "not told by the recording"
        end = at + 1
        # A list may run over several lines.
        while "[" in line and "]" not in "".join(lines[at:end]) and end < len(lines):
            end += 1
        lines[at:end] = [f"{key} = {value}  # {what}; was {was}"]
        return
    raise ValueError(f"{change.place} is not in the vehicle's text")


def _number(value: float) -> str:
    return f"{value:.6g}" if value != round(value) or abs(value) >= 1e6 else f"{value:.1f}"


def _suffix(lines: list[str]) -> None:
    for at, line in enumerate(lines):
        if line.startswith("["):
            return
        for key, end in (("key", "_fitted"), ("name", " (fitted)")):
            found = re.match(rf'{key}\s*=\s*"(.*)"\s*$', line)
            if found and not found[1].endswith(end):
                lines[at] = f'{key} = "{found[1]}{end}"'
