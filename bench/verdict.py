"""The verdict of a comparison: a few plain findings, worked out from the figures alone."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from bench.figures import Figures
    from bench.pages.markup import Judgement
    from sim.result import RunResult

Finding = tuple["Judgement", str]

OIL_CRITICAL_C = 130.0
"""Above this a run is bad whatever it is compared with: the oil's life is counted in hours."""

STALL_MARGIN_RPM = 200.0
"""Less than this between the slowest held engine speed and the stall is too little."""

LUGGING_S = 3.0
"""Labouring for longer than this in a run is worth a word."""

OIL_MATTERS_C = 2.0
"""Peaks closer than this are called the same."""

OIL_WARM_C = 90.0
"""Oil that stays under this without the rules needs no cooling; cooler still is no gain."""

HARD_JOLT_MS3 = 12.0
"""A jolt above this, on the flexible driveline, is called hard; it is our own line, not a standard's."""

SLOW_FOLLOW_KMH = 3.0

SLOWER_S = 5.0
"""A run that is behind the target for this much longer than another was not the same drive."""

DISTANCE_SHARE = 0.01
"""Runs whose distances differ by more than this did not do the same work."""

OUR_LATCHES = ("implausible", "not_holding", "stuck_in")


def verdict(
    figures: Sequence[Figures], results: Sequence[RunResult], latching: Collection[str] = OUR_LATCHES
) -> list[Finding]:
    """Return the findings, the one line that sums up first. `latching` names the interlocks that latch."""
    rules = [one for one in figures if one.kind == "rules"]
    others = [one for one in figures if one.kind != "rules"]
    findings: list[Finding] = []
    for run in rules:
        result = results[figures.index(run)]
        faults = _faults(run, result, latching)
        findings.append(_summing_up(run, others, faults))
        findings += faults
        findings += _remarks(run, others, result)
    for run in others:
        findings += _remarks_on_baseline(run, bool(rules))
    findings += _following(figures)
    return findings


def _summing_up(run: Figures, others: Sequence[Figures], faults: Sequence[Finding]) -> Finding:
    if run.by_rules == 0 and not faults:
        return ("note", f"{run.name}: the rules never held the clutch. {_why_never(run)}")
    error = "" if run.oil_peak_error_c is None else f" ± {run.oil_peak_error_c:.1f}"
    oil = f"oil peaks at {run.oil_peak_c:.1f}{error} °C"
    if others:
        oil += " (" + ", ".join(f"{other.name} {other.oil_peak_c:.1f} °C" for other in others) + ")"
    if faults:
        return ("bad", f"{run.name}: do not use as it is. {oil[0].upper()}{oil[1:]}.")
    if not others:
        return ("note", f"{run.name}: {oil}. No stall, hunting or fault on this drive.")
    hotter = [other for other in others if run.oil_peak_c > other.oil_peak_c + OIL_MATTERS_C]
    cooler = [other for other in others if run.oil_peak_c < other.oil_peak_c - OIL_MATTERS_C]
    if hotter:
        return ("bad", f"{run.name}: hotter than {_names(hotter)}; {oil}.")
    if all(other.oil_peak_c <= OIL_WARM_C for other in others):
        return ("note", f"{run.name}: the oil stays under {OIL_WARM_C:.0f} °C without it; {oil}. "
                        "No stall, hunting or fault on this drive.")  # fmt: skip
    slower = [other for other in cooler if run.behind_s > other.behind_s + SLOWER_S]
    if slower:
        return ("note", f"{run.name}: cooler than {_names(cooler)}, but {run.behind_s:.0f} s behind the target at full "
                        f"throttle where {_names(slower)} was not; {oil}.")  # fmt: skip
    if cooler:
        return ("good", f"{run.name}: cooler than {_names(cooler)}; {oil}. No stall, hunting or fault on this drive.")
    return ("note", f"{run.name}: no cooler, no hotter; {oil}. No stall, hunting or fault on this drive.")


def _faults(run: Figures, result: RunResult, latching: Collection[str]) -> list[Finding]:
    faults: list[Finding] = []
    held_stalls = [event for event in result.events if event.kind == "stall"]
    for stall in held_stalls:
        faults.append(("bad", f"{run.name}: engine stalled at {clock(stall.time_s)} ({stall.reason})."))
    if run.hunting:
        faults.append(("bad", f"{run.name}: hunting, {run.engagements} engagements, "
                              f"shortest gap {run.shortest_gap_s:.1f} s."))  # fmt: skip
    if run.stall_margin_rpm is not None and run.stall_margin_rpm < STALL_MARGIN_RPM:
        faults.append(("bad", f"{run.name}: held down to {run.held_low_rpm:.0f} rpm, "
                              f"{run.stall_margin_rpm:.0f} rpm above the stall."))  # fmt: skip
    # A latch opens a hold, or comes on without one and then shows by its lamp alone.
    latched = {event.reason: event.time_s for event in reversed(result.events)
               if event.kind in ("interlock", "lamp") and event.reason in latching}  # fmt: skip
    for reason, time_s in sorted(latched.items(), key=lambda item: item[1]):
        faults.append(("bad", f"{run.name}: {reason} at {clock(time_s)}; no hold until the next start."))
    if run.oil_peak_c > OIL_CRITICAL_C:
        faults.append(("bad", f"{run.name}: oil over {OIL_CRITICAL_C:.0f} °C."))
    return faults


def _remarks(run: Figures, others: Sequence[Figures], result: RunResult) -> list[Finding]:
    remarks: list[Finding] = []
    if run.lugging_s > LUGGING_S:
        remarks.append(("note", f"{run.name}: the engine labours for {run.lugging_s:.0f} s while held."))
    if run.jolt_most_ms3 is not None and run.jolt_most_ms3 > HARD_JOLT_MS3:
        hardest = max((one for one in result.engagements if one.by == "rules"), key=lambda one: one.jolt_ms3 or 0.0)
        remarks.append(("note", f"{run.name}: hardest jolt {run.jolt_most_ms3:.1f} m/s³ at "
                                f"{clock(hardest.start_s)}; a longer ramp is softer."))  # fmt: skip
    opened = [event for event in result.events if event.kind == "interlock"]
    if opened:
        words: dict[str, int] = {}
        for event in opened:
            words[event.reason] = words.get(event.reason, 0) + 1
        text = ", ".join(f"{word} {count}×" for word, count in words.items())
        remarks.append(("note", f"{run.name}: came out for {text}."))
    if run.by_rules:
        remarks += _fuel(run, others)
    shorter = [other for other in others if run.distance_km < (1.0 - DISTANCE_SHARE) * other.distance_km]
    if shorter:
        text = ", ".join(f"{other.name} {other.distance_km:.2f} km" for other in shorter)
        remarks.append(("note", f"{run.name}: slower, only {run.distance_km:.2f} km in the same time ({text}): "
                                "less work, so heat and fuel of the whole drive flatter it."))  # fmt: skip
    return remarks


def _fuel(run: Figures, others: Sequence[Figures]) -> list[Finding]:
    """Compare fuel for the same distance: a slower run is no saving."""
    mine = run.fuel_l_per_100_km
    if mine is None:
        return []
    theirs = [(other.name, other.fuel_l_per_100_km) for other in others if other.fuel_l_per_100_km is not None]
    saved = [f"{(one - mine) / one * 100:.0f} % less than {name}" for name, one in theirs if one - mine > 0.01 * one]
    return [("note", f"{run.name}: fuel {mine:.1f} l/100 km, {', '.join(saved)}.")] if saved else []


def _remarks_on_baseline(run: Figures, beside_rules: bool) -> list[Finding]:
    remarks: list[Finding] = []
    if run.stalls:
        remarks.append(("note", f"{run.name}: engine stalled {run.stalls}×."))
    if run.oil_peak_c > OIL_CRITICAL_C:
        remarks.append(("note", f"{run.name}: oil over {OIL_CRITICAL_C:.0f} °C."))
    if run.hunting:
        remarks.append(("note", f"{run.name}: hunting, {run.engagements} engagements."))
    if not beside_rules and not remarks:
        remarks.append(("note", f"{run.name}: oil peaks at {run.oil_peak_c:.1f} °C, ends at {run.oil_end_c:.1f} °C."))
    return remarks


def _following(figures: Sequence[Figures]) -> list[Finding]:
    behind = [run for run in figures if run.behind_s > 0.0]
    if not behind:
        return []
    text = ", ".join(f"{run.name} {run.behind_s:.0f} s" for run in behind)
    return [("note", f"Full throttle and still more than {SLOW_FOLLOW_KMH:.0f} km/h short of the target: {text}.")]


def _why_never(run: Figures) -> str:
    if not run.refusal_s:
        return "No band was selected on this drive (--band presses the switch)."
    word, seconds = max(run.refusal_s.items(), key=lambda item: item[1])
    return f"Most often because of {word} ({seconds:.0f} s)."


def _names(runs: Sequence[Figures]) -> str:
    return " and ".join(run.name for run in runs)


def clock(time_s: float) -> str:
    """Return a time of the drive as minutes and seconds."""
    return f"{int(time_s // 60)}:{time_s % 60:04.1f}"
