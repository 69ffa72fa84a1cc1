"""Cyclic work on one clock: no thread, and no timer of its own, per message."""

from __future__ import annotations

import heapq
from collections.abc import Callable

from bus.clock import Clock


class Scheduler:
    """Runs cyclic tasks in the order of their due times, and of their registration where those are equal."""

    def __init__(self, clock: Clock) -> None:
        self.clock = clock
        self._tasks: list[tuple[int, Callable[[int], None]]] = []
        self._queue: list[tuple[int, int]] = []

    def every(self, period_ms: int, task: Callable[[int], None], first_ms: int = 0) -> None:
        """Register `task(due_ms)` for `first_ms` and every `period_ms` after it."""
        heapq.heappush(self._queue, (first_ms, len(self._tasks)))
        self._tasks.append((period_ms, task))

    def run_until(self, until_ms: int) -> None:
        """Run everything that is due by `until_ms`, and leave the clock there."""
        queue, waited_ms = self._queue, -1
        while queue and queue[0][0] <= until_ms:
            due_ms, number = queue[0]
            if due_ms != waited_ms:
                self.clock.wait_until(due_ms)
                waited_ms = due_ms
            period_ms, task = self._tasks[number]
            heapq.heapreplace(queue, (due_ms + period_ms, number))
            task(due_ms)
        if waited_ms < until_ms:
            self.clock.wait_until(until_ms)
