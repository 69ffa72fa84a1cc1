"""A loopback serial-line hub: several processes share one bus on a machine without kernel CAN.

Each client speaks the ASCII protocol of serial CAN adapters (slcan) over TCP; a frame from one goes to all others
in the order of arrival. There is no arbitration, no bit rate and no bus load: it is a wire, not a model of one.
"""

from __future__ import annotations

import re
import selectors
import socket
from collections.abc import Callable

from controller.errors import UserError

HOST = "127.0.0.1"
_MOST_WAITING = 1 << 20
_LONGEST_LINE = 64
_FRAME = re.compile(rb"(t[0-7][0-9A-Fa-f]{2}|T[01][0-9A-Fa-f]{7})([0-8])((?:[0-9A-Fa-f]{2})*)")


def listen(port: int) -> socket.socket:
    """Return a socket that listens on loopback; `port` 0 takes any free one. Raises `UserError` where it is taken."""
    server = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    server.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        server.bind((HOST, port))
    except OSError as error:
        server.close()
        raise UserError(f"--port {port}: cannot be used ({error.strerror}); give another port") from None
    server.listen()
    return server


class _Client:
    def __init__(self, connection: socket.socket) -> None:
        self.connection = connection
        self.read = bytearray()
        self.waiting = bytearray()
        self.is_open = False


class Hub:
    """The hub. `port` 0 takes any free one; `port` then tells which."""

    def __init__(self, port: int = 0) -> None:
        self._server = listen(port)
        self._server.setblocking(False)
        self.port: int = self._server.getsockname()[1]
        self._clients: list[_Client] = []
        self._selector = selectors.DefaultSelector()
        self._selector.register(self._server, selectors.EVENT_READ)
        self._wake, self._woken = socket.socketpair()
        self._selector.register(self._woken, selectors.EVENT_READ)
        self.frames = 0
        self.malformed = 0
        self.dropped = 0

    @property
    def clients(self) -> int:
        """How many are connected."""
        return len(self._clients)

    def serve(self, on_change: Callable[[str], None] = lambda _text: None) -> None:
        """Serve until `stop` is called. `on_change` gets a line when a client comes or goes."""
        try:
            while True:
                for key, events in self._selector.select():
                    if key.fileobj is self._woken:
                        return
                    if key.fileobj is self._server:
                        self._accept(on_change)
                    elif not self._handle(key.data, events):
                        self._remove(key.data, on_change)
        finally:
            for client in list(self._clients):
                self._remove(client, lambda _text: None)
            self._selector.close()
            self._server.close()
            self._wake.close()
            self._woken.close()

    def stop(self) -> None:
        """End `serve`; may be called from another thread."""
        self._wake.send(b"x")

    def _accept(self, on_change: Callable[[str], None]) -> None:
        connection, _ = self._server.accept()
        connection.setblocking(False)
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        client = _Client(connection)
        self._clients.append(client)
        self._selector.register(connection, selectors.EVENT_READ, client)
        on_change(f"a node has joined; {self.clients} on the bus")

    def _remove(self, client: _Client, on_change: Callable[[str], None]) -> None:
        self._selector.unregister(client.connection)
        self._clients.remove(client)
        client.connection.close()
        on_change(f"a node has left; {self.clients} on the bus")

    def _handle(self, client: _Client, events: int) -> bool:
        try:
            if events & selectors.EVENT_WRITE:
                self._flush(client)
            if not events & selectors.EVENT_READ:
                return True
            received = client.connection.recv(65_536)
        except BlockingIOError:
            return True
        except OSError:
            return False
        if not received:
            return False
        client.read += received
        *lines, rest = client.read.split(b"\r")
        client.read = bytearray() if len(rest) > _LONGEST_LINE else rest
        outgoing = bytearray()
        for line in lines:
            if line.startswith((b"t", b"T")):
                match = _FRAME.fullmatch(line)
                if match is None or len(match[3]) != 2 * int(match[2]):
                    self.malformed += 1
                elif client.is_open:
                    self.frames += 1
                    outgoing += line + b"\r"
            else:
                self._configure(client, bytes(line))
        if outgoing:
            for other in list(self._clients):
                if other is not client and other.is_open:
                    self._send(other, bytes(outgoing))
        return True

    def _configure(self, client: _Client, line: bytes) -> None:
        if line[:1] in (b"O", b"L"):
            client.is_open = True
        elif line[:1] == b"C":
            client.is_open = False
        answers = {b"V": b"V1010\r", b"N": b"N0000\r", b"F": b"F00\r"}
        self._send(client, answers.get(line[:1], b"\r"))

    def _send(self, client: _Client, data: bytes) -> None:
        if len(client.waiting) > _MOST_WAITING:
            # A client that has stopped reading must not take the others' memory.
            self.dropped += 1
            return
        client.waiting += data
        try:
            self._flush(client)
        except OSError:
            client.waiting.clear()  # its own read will find the connection gone

    def _flush(self, client: _Client) -> None:
        try:
            while client.waiting:
                del client.waiting[: client.connection.send(client.waiting)]
        except BlockingIOError:
            pass
        wants = selectors.EVENT_READ | (selectors.EVENT_WRITE if client.waiting else 0)
        self._selector.modify(client.connection, wants, client)
