"""Our own controller beside a device in lock-step: fed the same frames, it says which frame must answer each tick."""

from __future__ import annotations

from collections.abc import Callable

from bus.binding import Binding
from bus.frame import Frame, ident_text
from bus.nodes import ControllerEnd, LockStepEnd
from sim.strategies import ControllerLike


class Beside:
    """Compares a device's commands with ours, byte for byte and tick for tick."""

    def __init__(self, binding: Binding, make_controller: Callable[[], ControllerLike]) -> None:
        self._end = LockStepEnd(ControllerEnd(binding, self, make_controller))
        self._expected: Frame | None = None
        self.compared = 0
        self.differing = 0
        self.first = ""
        """The first difference in words."""

    def send(self, frame: Frame, _now_ms: int) -> None:
        """Take our controller's own frame."""
        self._expected = frame

    def hear(self, frame: Frame) -> None:
        """Take a frame that has been sent to the device."""
        self._end.take(frame)

    def compare(self, frame: Frame, now_ms: int) -> None:
        """Take the device's command for the tick at `now_ms`."""
        self.compared += 1
        if frame != self._expected:
            self.differing += 1
            if not self.first:
                self.first = f"at {now_ms / 1000:.2f} s the device sent {_text(frame)}, ours {_text(self._expected)}"


def _text(frame: Frame | None) -> str:
    return "none" if frame is None else f"{ident_text(frame.ident)}#{frame.data.hex().upper()}"
