"""result.json: everything a comparison found out, for other programs; byte for byte the same for the same input."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from controller.declare import Band, State

if TYPE_CHECKING:
    from bench.figures import Figures
    from bench.verdict import Finding
    from sim.result import RunResult

_PLACES = 9
"""Decimal places kept; more would differ between machines and mean nothing."""


def result_text(
    settings: dict[str, Any], findings: Sequence[Finding], figures: Sequence[Figures], results: Sequence[RunResult]
) -> str:
    """Return the file's text."""
    content = {
        "settings": settings,
        "verdict": [{"judgement": judgement, "text": text} for judgement, text in findings],
        "runs": [
            {
                "figures": dataclasses.asdict(run),
                "engagements": [dataclasses.asdict(one) for one in result.engagements],
                "events": [dataclasses.asdict(one) for one in result.events],
                "energy": result.energy._asdict(),
                "reason_words": list(result.reason_words),
                "surface_words": list(result.surface_words),
                "as_built_reason_words": list(result.as_built_reason_words),
                "state_words": [state.word for state in State],
                "band_words": [band.word for band in Band],
                "total_mass_kg": result.total_mass_kg,
                "ambient_c": result.ambient_c,
            }
            for run, result in zip(figures, results, strict=True)
        ],
    }
    return json.dumps(plain(content), indent=1, ensure_ascii=False) + "\n"


def plain(value: Any) -> Any:
    """Return a value as JSON can hold it: numbers rounded, so that machines agree."""
    if isinstance(value, dict):
        return {key: plain(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [plain(inner) for inner in value]
    if isinstance(value, float):
        # Ledger residuals are tiny by design; they keep three figures, the rest its decimal places.
        return float(f"{value:.3g}") if abs(value) < 1e-6 else round(value, _PLACES)
    return value
