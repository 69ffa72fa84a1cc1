"""A short run of the rules as a table, one tick a row: what changed at the inputs, and what came out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from controller.declare import Band, State

if TYPE_CHECKING:
    from controller.found_run import FoundRun
    from controller.step import Command

COLUMNS = ("tick", "ms", "inputs that change", "state", "band", "duty %", "last move", "refusal", "broken")


def rows_of(run: FoundRun) -> list[tuple[str, ...]]:
    """Return the table's rows; the first names every input that is not at its default.

    A tick at which nothing but time and the ramp's duty changes is left out.
    """
    rules = run.rules
    before: Mapping[str, int] = {signal.name: signal.default for signal in rules.signals}
    rows = []
    last: tuple[str, ...] = ()
    for number, (x, command, broken) in enumerate(run.replayed(), 1):
        row = (_changes(before, x), *_outcome(rules.reasons, command), ", ".join(broken))
        told = (*row[:3], *row[4:])
        if told != last:
            rows.append((str(number), str(x["now_ms"]), *row))
        last = told
        before = x
    return rows


def calibration_changes(run: FoundRun) -> list[str]:
    """Return `key = value (default)` for every calibration key that is not at its declared default."""
    from controller.calibration import in_file_units

    return [
        f"{key.place}{'' if key.entry is None else f'[{key.entry + 1}]'} = {in_file_units(key, value)} "
        f"({in_file_units(key, key.default)})"
        for key, value in zip(run.rules.keys, run.calibration, strict=True)
        if value != key.default
    ]


def _changes(before: Mapping[str, int], now: Mapping[str, int]) -> str:
    changed = [f"{name} {int(value)}" for name, value in now.items() if name != "now_ms" and value != before[name]]
    return ", ".join(changed) or "–"


def _outcome(reasons: Sequence[str], command: Command) -> tuple[Any, ...]:
    return (
        State(command.state).word,
        Band(command.band).word,
        f"{command.duty_ppm / 10_000:.1f}",
        reasons[command.reason],
        reasons[command.refusal],
    )
