"""The clock and the progress line of a campaign, and its end by time or by interrupt."""

from __future__ import annotations

import sys
import time
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self

from bench.fuzzing.campaign import Progress, uncovered
from controller.ruleset import RuleSet

if TYPE_CHECKING:
    from rich.status import Status


class Watching:
    """Shows a campaign on standard error and says whether it goes on.

    An interrupt (Ctrl-C) ends it after the batch that is under way: what was done is kept, and nothing is shown twice.
    """

    def __init__(self, progress: Progress, rules: RuleSet, seconds: float) -> None:
        self._progress, self._rules = progress, rules
        self._ends = seconds
        self._began = self._last = time.monotonic()
        self._status: Status | None = None
        self._interrupted = False

    def __enter__(self) -> Self:
        """Start showing, and take interrupts until the end."""
        import signal

        def note(*_: Any) -> None:
            if self._interrupted:
                raise KeyboardInterrupt
            self._interrupted = True
            self._say("finishing this batch; once more to leave at once")

        self._before = signal.signal(signal.SIGINT, note)
        if sys.stderr.isatty():
            from rich.console import Console

            self._status = Console(stderr=True).status("")
            self._status.start()
        return self

    def __exit__(self, *_: type[BaseException] | BaseException | TracebackType | None) -> None:
        """Stop showing."""
        import signal

        signal.signal(signal.SIGINT, self._before)
        if self._status is not None:
            self._status.stop()

    def compile(self) -> None:
        """Compile the lanes for the rules, before the campaign's time begins."""
        from bench.fuzzing.world import draw_batch
        from sim.lanes import run

        self._say("compiling the rules for lanes …")
        batch = draw_batch(self._rules, 0, 0, 1, 1)
        run(self._rules, batch.places, batch.lanes[:1])
        self._began = self._last = time.monotonic()

    def goes_on(self) -> bool:
        """Return whether there is time for another batch."""
        return not self._interrupted and time.monotonic() - self._began < self._ends

    def note(self) -> None:
        """Add the batch's time to the progress and show where the campaign stands."""
        now = time.monotonic()
        self._progress.seconds += now - self._last
        self._last = now
        left_s = max(self._ends - (now - self._began), 0.0)
        missing = len(uncovered(self._rules, self._progress))
        self._say(
            f"{self._progress.lane_ticks / 1e6:,.0f} million lane-ticks, {left_s:.0f} s to go, "
            f"{'every row and refusal seen' if not missing else f'{missing} rows or refusals not seen yet'}"
        )

    def _say(self, text: str) -> None:
        if self._status is not None:
            self._status.update(text)
