"""Serial CAN adapter lines (slcan) over TCP as a python-can bus: for the hub, emulated devices and serial servers.

python-can's own slcan bus opens serial devices; over a socket it reads byte by byte and its small writes wait for
each other's acknowledgement (about 40 ms a tick), so this one takes what has arrived at once and sends at once.
"""

from __future__ import annotations

import select
import socket
import time
from collections import deque

from can import BusABC, CanOperationError, CanProtocol, Message

from controller.errors import UserError

_LONGEST_LINE = 64
_BITRATES = {10_000: 0, 20_000: 1, 50_000: 2, 100_000: 3, 125_000: 4, 250_000: 5, 500_000: 6, 800_000: 7, 1_000_000: 8}


class TcpLineBus(BusABC):
    """A bus behind `host:port`. Lines that are no data frame are passed over and counted in `malformed`.

    `listens_only` opens the adapter's channel for listening only.
    Raises `OSError` where nothing answers, `UserError` for a bit rate that the protocol has no number for.
    """

    def __init__(self, host: str, port: int, bitrate: int | None = None, listens_only: bool = False) -> None:
        self._can_protocol = CanProtocol.CAN_20
        self._socket = socket.create_connection((host, port), timeout=2.0)
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._read = bytearray()
        self._frames: deque[Message] = deque()
        self.malformed = 0
        self.channel_info = f"slcan over TCP {host}:{port}"
        if bitrate is not None:
            if bitrate not in _BITRATES:
                self._socket.close()
                raise UserError(f"slcan knows no bit rate of {bitrate}; it knows {', '.join(map(str, _BITRATES))}")
            self._socket.sendall(f"C\rS{_BITRATES[bitrate]}\r".encode())
        # The first line end closes whatever a former end of this line has left half-said.
        self._socket.sendall(b"\rL\r" if listens_only else b"\rO\r")
        super().__init__(channel=f"{host}:{port}")

    def send(self, msg: Message, timeout: float | None = None) -> None:  # noqa: ARG002 - python-can's signature
        """Send a data frame."""
        kind, digits = ("T", 8) if msg.is_extended_id else ("t", 3)
        line = f"{kind}{msg.arbitration_id:0{digits}X}{len(msg.data)}{msg.data.hex().upper()}\r"
        try:
            self._socket.sendall(line.encode())
        except OSError as error:
            raise CanOperationError(f"the line is closed ({error.strerror or 'no answer'})") from None

    def _recv_internal(self, timeout: float | None) -> tuple[Message | None, bool]:
        if self._frames:
            return self._frames.popleft(), False
        try:
            ready, _, _ = select.select([self._socket], [], [], timeout)
            received = self._socket.recv(65_536) if ready else None
        except OSError as error:
            raise CanOperationError(f"the line is closed ({error.strerror or 'no answer'})") from None
        if received is None:
            return None, False
        if not received:
            raise CanOperationError("the line is closed by its other end")
        self._read += received
        *lines, rest = self._read.split(b"\r")
        self._read = bytearray() if len(rest) > _LONGEST_LINE else rest
        for line in lines:
            # An adapter answers commands with bare line ends and sent frames with z or Z; a bell is a refusal.
            text = bytes(line).lstrip(b"\x07zZ")
            if text[:1] in (b"t", b"T"):
                self._take(text)
        return (self._frames.popleft(), False) if self._frames else (None, False)

    def _take(self, line: bytes) -> None:
        digits = 8 if line[:1] == b"T" else 3
        try:
            ident, length = int(line[1 : 1 + digits], 16), int(line[1 + digits : 2 + digits])
            end = 2 + digits + 2 * length
            data = bytes.fromhex(line[2 + digits : end].decode("ascii"))
        except ValueError:
            self.malformed += 1
            return
        # Some adapters put four digits of a time stamp after the data.
        if length > 8 or len(data) != length or len(line) not in (end, end + 4):
            self.malformed += 1
            return
        self._frames.append(
            Message(timestamp=time.time(), arbitration_id=ident, is_extended_id=digits == 8, data=data, check=False)
        )

    def shutdown(self) -> None:
        """Close the channel and the connection."""
        super().shutdown()
        try:
            self._socket.sendall(b"C\r")
        except OSError:
            pass  # gone already
        finally:
            self._socket.close()
