"""Does a frame follow the one before it? The policy is the table `POLICY`, and nothing else.

A refused counter never moves the baseline: a stray frame of another sender cannot pull the receiver along.
"""

from __future__ import annotations

from enum import IntEnum
from typing import NamedTuple

SLACK = 2
"""A counter may run ahead by as many steps as periods have passed since the last believed frame, and one more than
the next: a frame that was sent a little late must not count as another sender's."""


class Watch(IntEnum):
    """What the receiver knows of a sender's counter."""

    FRESH = 0
    FOLLOWING = 1
    LOST = 2
    SYNCING = 3


class Step(IntEnum):
    """How a frame's counter stands to the baseline."""

    SAME = 0
    NEXT = 1
    AHEAD = 2
    JUMP = 3


class Verdict(IntEnum):
    """What the receiver does with a frame whose checksum is right."""

    BELIEVED = 0
    BELIEVED_SOME_LOST = 1
    REPEATED = 2
    WRONG_COUNTER = 3
    NOT_YET = 4

    @property
    def is_believed(self) -> bool:
        """The frame's values count and renew their age."""
        return self <= Verdict.BELIEVED_SOME_LOST


class Row(NamedTuple):
    """One row of the policy."""

    verdict: Verdict
    watch: Watch
    moves_baseline: bool
    why: str


_FIRST = Row(Verdict.BELIEVED, Watch.FOLLOWING, True, "power-up: nothing to compare with, the checksum vouches")
_OLD_NEWS = Row(Verdict.REPEATED, Watch.FOLLOWING, False, "old news renews nothing")
_AGAIN = Row(Verdict.NOT_YET, Watch.SYNCING, True, "after a loss one good frame is not enough")

POLICY: dict[tuple[Watch, Step], Row] = {
    (Watch.FRESH, Step.SAME): _FIRST,
    (Watch.FRESH, Step.NEXT): _FIRST,
    (Watch.FRESH, Step.AHEAD): _FIRST,
    (Watch.FRESH, Step.JUMP): _FIRST,
    (Watch.FOLLOWING, Step.SAME): _OLD_NEWS,
    (Watch.FOLLOWING, Step.NEXT): Row(Verdict.BELIEVED, Watch.FOLLOWING, True, "in sequence"),
    (Watch.FOLLOWING, Step.AHEAD): Row(Verdict.BELIEVED_SOME_LOST, Watch.FOLLOWING, True, "some went missing"),
    (Watch.FOLLOWING, Step.JUMP): Row(Verdict.WRONG_COUNTER, Watch.FOLLOWING, False, "late, or another sender's"),
    (Watch.LOST, Step.SAME): _AGAIN,
    (Watch.LOST, Step.NEXT): _AGAIN,
    (Watch.LOST, Step.AHEAD): _AGAIN,
    (Watch.LOST, Step.JUMP): _AGAIN,
    (Watch.SYNCING, Step.SAME): Row(Verdict.REPEATED, Watch.SYNCING, False, "old news renews nothing"),
    (Watch.SYNCING, Step.NEXT): Row(Verdict.BELIEVED, Watch.FOLLOWING, True, "two in sequence: back"),
    (Watch.SYNCING, Step.AHEAD): Row(Verdict.BELIEVED_SOME_LOST, Watch.FOLLOWING, True, "two in sequence: back"),
    (Watch.SYNCING, Step.JUMP): Row(Verdict.WRONG_COUNTER, Watch.LOST, False, "one of the two was a stray: start over"),
}
"""By what the receiver knew and how the counter stands. A loss (no believed frame within the timeout) sets LOST."""


class CounterWatch:
    """Follows one sender's counter of `values` values."""

    def __init__(self, values: int) -> None:
        self._values = values
        self.watch = Watch.FRESH
        self.baseline = 0

    def judge(self, counter: int, periods: int = 1) -> Verdict:
        """Return the verdict on a frame with this counter, and remember what the policy says to remember.

        `periods` is how many of the message's periods have passed since the last believed frame. Half of the
        counter's values are the most that it may run ahead: what looks further ahead is behind.
        """
        ahead = (counter - self.baseline) % self._values
        most = min(periods + SLACK - 1, self._values // 2)
        step = Step(ahead) if ahead < 2 else Step.AHEAD if ahead <= most else Step.JUMP
        verdict, self.watch, moves, _ = POLICY[self.watch, step]
        if moves:
            self.baseline = counter
        return verdict

    def lose(self) -> None:
        """Note that no believed frame came within the timeout."""
        if self.watch is Watch.FOLLOWING:
            self.watch = Watch.LOST
