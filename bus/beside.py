"""Our own controller beside a device in lock-step: fed the same frames, it says which frame must answer each tick."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import NamedTuple, Self

from bus.binding import Binding
from bus.frame import Frame, ident_text
from bus.nodes import ControllerEnd, LockStepEnd
from sim.strategies import ControllerLike


class Compared(NamedTuple):
    """Command frames of a device beside ours: how many, how many of them differ, and the first of these in words."""

    frames: int
    differing: int
    first: str

    @classmethod
    def of(cls, parts: Iterable[Compared]) -> Self:
        """Return several comparisons as one, in their order."""
        parts = list(parts)
        first = next((one.first for one in parts if one.first), "")
        return cls(sum(one.frames for one in parts), sum(one.differing for one in parts), first)


class Beside:
    """Compares a device's commands with ours, byte for byte and tick for tick."""

    def __init__(self, binding: Binding, make_controller: Callable[[], ControllerLike]) -> None:
        self._end = LockStepEnd(ControllerEnd(binding, self, make_controller))
        self._expected: Frame | None = None
        self._frames = self._differing = 0
        self._first = ""

    def send(self, frame: Frame, _now_ms: int) -> None:
        """Take our controller's own frame."""
        self._expected = frame

    def hear(self, frame: Frame) -> None:
        """Take a frame that has been sent to the device."""
        self._end.take(frame)

    def compare(self, frame: Frame, now_ms: int) -> None:
        """Take the device's command for the tick at `now_ms`."""
        self._frames += 1
        if frame != self._expected:
            self._differing += 1
            if not self._first:
                self._first = f"at {now_ms / 1000:.2f} s {_text(frame)} instead of {_text(self._expected)}"

    def take(self) -> Compared:
        """Return what has been compared since this was last asked."""
        compared = Compared(self._frames, self._differing, self._first)
        self._frames = self._differing = 0
        self._first = ""
        return compared


def _text(frame: Frame | None) -> str:
    return "none" if frame is None else f"{ident_text(frame.ident)}#{frame.data.hex().upper()}"
