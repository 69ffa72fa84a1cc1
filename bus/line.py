"""One node's access to a bus: sends only what its map declares, hears data frames, logs and counts both."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from bus.candump import LogWriter
from bus.clock import Deadline
from bus.errors import BusError
from bus.frame import EXTENDED, MOST_BYTES, Frame, ident_text

if TYPE_CHECKING:
    from can import BusABC

_SERIAL_POLL_S = 0.001


class Line:
    """A bus as one node uses it.

    `may_send` are the identifiers that its role declares; sending any other raises `BusError`, as does hearing
    one of them from somebody else, unless `is_forged_at` says that this is part of the trial. `on_sent` gets every
    frame that has been sent.
    """

    def __init__(
        self, bus: BusABC, may_send: frozenset[int], log: LogWriter | None = None, *,
        is_serial: bool = False, is_forged_at: bool = False, on_sent: Callable[[Frame], object] | None = None,
    ) -> None:  # fmt: skip  # what a line is, two switches and a listener
        from can import Message

        self._message = Message
        self._bus, self._may_send = bus, may_send
        self._log = log
        self._is_forged_at, self._on_sent = is_forged_at, on_sent
        self._poll_s = _SERIAL_POLL_S if is_serial else 0.0
        self.sent = 0
        self.heard = 0
        self.garbled = 0
        self.driver_stamp_s = 0.0
        """The driver's own stamp of the frame that came last, in whatever clock it has."""

    @property
    def may_send(self) -> frozenset[int]:
        """The identifiers that this node may send."""
        return self._may_send

    def send(self, frame: Frame, now_ms: int) -> None:
        """Send a frame. Raises `BusError` for an identifier that is not declared, or where the bus refuses."""
        ident, data = frame
        if ident not in self._may_send:
            raise BusError(f"refused to send identifier {ident_text(ident)}: the map declares no such message for us")
        self._put(ident, data)
        self.sent += 1
        if self._log is not None:
            self._log.note(frame, now_ms)
        if self._on_sent is not None:
            self._on_sent(frame)

    def on_same_bus(self, may_send: frozenset[int]) -> Line:
        """Return a line for another sender on the same connection; its frames are logged and told as this one's."""
        return Line(self._bus, may_send, self._log, is_forged_at=True, on_sent=self._on_sent)

    def _put(self, ident: int, data: bytes) -> None:
        try:
            self._bus.send(
                self._message(
                    arbitration_id=ident & ~EXTENDED, is_extended_id=bool(ident & EXTENDED), data=data, check=False
                )
            )
        except Exception as error:  # each driver raises what it likes
            raise BusError(f"the bus refused a frame: {_first_line(error)}") from None

    def drain(self, now_ms: int) -> list[Frame]:
        """Return all frames that have arrived."""
        frames: list[Frame] = []
        while True:
            frame = self._get(self._poll_s)
            if frame is None:
                return frames
            self._note(frame, now_ms)
            frames.append(frame)

    def wait(self, seconds: float, now_ms: int) -> Frame | None:
        """Return the next frame, or None where none comes within the wall's `seconds`."""
        deadline = Deadline(seconds)
        while True:
            frame = self._get(deadline.left_s())
            if frame is not None:
                self._note(frame, now_ms)
                return frame
            if deadline.left_s() <= 0.0:
                return None

    def _note(self, frame: Frame, now_ms: int) -> None:
        self.heard += 1
        if frame.ident in self._may_send and not self._is_forged_at:
            raise BusError(f"another node sends {ident_text(frame.ident)}, which is ours to send")
        if self._log is not None:
            self._log.note(frame, now_ms)

    def set_log(self, log: LogWriter | None) -> None:
        """Log to `log` from now on."""
        self._log = log

    def _get(self, seconds: float) -> Frame | None:
        while True:
            try:
                message = self._bus.recv(seconds)
            except (ValueError, IndexError, UnicodeDecodeError):
                # What a serial adapter makes of noise on its line; the next line is whole again.
                self.garbled += 1
                return None
            except Exception as error:  # each driver raises what it likes
                raise BusError(f"the bus was lost: {_first_line(error)}") from None
            if message is None:
                return None
            if message.is_error_frame or message.is_remote_frame or message.is_fd or len(message.data) > MOST_BYTES:
                self.garbled += 1
                if self._poll_s:
                    return None
                seconds = 0.0
                continue
            self.driver_stamp_s = message.timestamp
            ident = message.arbitration_id | (EXTENDED if message.is_extended_id else 0)
            return Frame(ident, bytes(message.data))

    def close(self) -> None:
        """Leave the bus."""
        self._bus.shutdown()


def listen_first(line: Line, seconds: float) -> None:
    """Listen for the wall's `seconds` before the first frame. Raises `BusError` where our identifiers are taken."""
    deadline = Deadline(seconds)
    while (left_s := deadline.left_s()) > 0.0:
        line.wait(left_s, 0)


def _first_line(error: Exception) -> str:
    return str(error).splitlines()[0] if str(error) else type(error).__name__
