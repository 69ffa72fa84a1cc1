"""Running strategies on a drive: in worker processes where there are several, with progress and a clean stop."""

from __future__ import annotations

import multiprocessing
import os
import sys
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, wait
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING, Any

from bench.traces_file import trace_rows

if TYPE_CHECKING:
    from sim.drives import Drive
    from sim.result import RunResult
    from sim.strategies import Strategy

OPEN, AS_BUILT = "open", "as-built"
"""The two strategies that need no rules: never locked, and the transmission's own schedule."""

_POLL_S = 0.1

SWITCH_PRESSED_S = 1.0
"""When `band` presses the switch: after the rules have seen it stand at none."""


@dataclass(frozen=True)
class Plan:
    """One run: vehicle, drive and the day's conditions, and who commands the clutch.

    `strategy` is `open`, `as-built`, or the name or file of a calibration. All are names, not objects: a rule set
    holds functions, which do not travel between processes, so each process loads it again.
    """

    vehicle: str
    drive: str
    strategy: str
    label: str
    rules_file: str | None = None
    ambient_c: float | None = None
    trailer_kg: float | None = None
    band: str | None = None


@dataclass(frozen=True)
class Outcome:
    """What a run left: its result and its rows of traces.csv."""

    result: RunResult
    rows: str


def strategy_of(plan: Plan) -> Strategy:
    """Return the strategy that a plan names. Raises `UserError` where its files are wrong."""
    from sim.strategies import AsBuilt, Open, Rules

    if plan.strategy == OPEN:
        return Open()
    if plan.strategy == AS_BUILT:
        return AsBuilt()
    from controller.calibration import load_calibration
    from controller.straight import Straight
    from controller.user_rules import load_rules

    rules = load_rules(plan.rules_file)
    return Rules(Straight(rules, load_calibration(plan.strategy, rules).values), plan.label)


def run_plan(plan: Plan, progress: Callable[[float], None] | None = None) -> Outcome:
    """Run one plan here and now."""
    from sim.drives import load_drive
    from sim.loop import simulate
    from sim.vehicle import load_vehicle

    result = simulate(
        load_vehicle(plan.vehicle),
        _pressed(load_drive(plan.drive), plan.band),
        strategy_of(plan),
        ambient_c=plan.ambient_c,
        trailer_kg=plan.trailer_kg,
        progress=progress,
    )
    return Outcome(result, trace_rows(result))


def _pressed(drive: Drive, band: str | None) -> Drive:
    if band is None:
        return drive
    from sim.drives import BANDS, DriveEvent

    return replace(drive, events=(DriveEvent(at_s=SWITCH_PRESSED_S, band=BANDS[band]), *drive.events))


def run_plans(plans: Sequence[Plan], show_progress: bool | None = None) -> list[Outcome]:
    """Run the plans, several at a time, and return the outcomes in the same order.

    Progress goes to standard error where that is a terminal, or as `show_progress` says.
    """
    shown = sys.stderr.isatty() if show_progress is None else show_progress
    with _bars([plan.label for plan in plans] if shown else []) as update:
        workers = min(len(plans), os.cpu_count() or 1)
        if workers < 2:
            return [run_plan(plan, partial(update, at)) for at, plan in enumerate(plans)]
        shares = multiprocessing.Array("d", len(plans), lock=False)
        with ProcessPoolExecutor(workers, initializer=_keep_shares, initargs=(shares,)) as pool:
            # Rules take longest and stand last: starting with them keeps all workers busy to the end.
            last_first = reversed(list(enumerate(plans)))
            futures = [pool.submit(_run_in_worker, at, plan) for at, plan in last_first][::-1]
            try:
                waiting = set(futures)
                while waiting:
                    _, waiting = wait(waiting, timeout=_POLL_S)
                    for at, share in enumerate(shares):
                        update(at, share)
                return [future.result() for future in futures]
            except KeyboardInterrupt:
                # A worker would finish its run first: nobody waits for that.
                for worker in multiprocessing.active_children():
                    worker.terminate()
                raise


_shares: Any = None


def _keep_shares(shares: Any) -> None:
    global _shares  # set once as the worker starts; the only way a pool's worker gets shared memory
    _shares = shares


def _run_in_worker(at: int, plan: Plan) -> Outcome:
    def progress(share: float) -> None:
        _shares[at] = share

    return run_plan(plan, progress)


@contextmanager
def _bars(labels: Sequence[str]) -> Iterator[Callable[[int, float], None]]:
    if not labels:
        yield lambda _at, _share: None
        return
    from rich.console import Console
    from rich.markup import escape
    from rich.progress import Progress

    with Progress(console=Console(stderr=True), transient=True) as bars:
        tasks = [bars.add_task(escape(label), total=1.0) for label in labels]
        yield lambda at, share: bars.update(tasks[at], completed=share)
