"""Devices that run: a process, an emulated core or an emulated board, each behind a serial line on loopback TCP."""

from __future__ import annotations

import selectors
import socket
import subprocess
from pathlib import Path
from types import TracebackType
from typing import Protocol, Self

from bus.binding import Binding
from bus.clock import RealTime
from bus.device.choice import Choice
from bus.device.core import EmulatedCore
from bus.device.firmware import build_board, build_host, build_mailbox, write_firmware
from bus.errors import BusError
from bus.hub import HOST, listen
from bus.nodes import TICK_MS
from controller.port.qemu import Board


class Device(Protocol):
    """A running device; a context that ends it."""

    @property
    def url(self) -> str:
        """The bus URL that reaches it."""

    def serve(self) -> None:
        """Return once `stop` is called. Raises `BusError` where the device ends by itself."""

    def stop(self) -> None:
        """End `serve`; may be called from another thread."""

    def __enter__(self) -> Self:
        """Return itself."""

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """End it."""


def start_device(choice: Choice, binding: Binding, image: bytes, folder: Path) -> Device:
    """Write the firmware to a folder, build it there and start it.

    Raises `UserError` where a compiler or QEMU is missing, or something does not fit C.
    """
    folder = folder.resolve()
    write_firmware(binding, image, folder)
    if choice.kind == "host":
        return HostDevice(build_host(folder), choice.port)
    if choice.kind == "core":
        return CoreDevice(EmulatedCore(build_mailbox(folder, choice.core), choice.core), choice.port)
    return BoardDevice(build_board(folder, choice.core), choice.core, choice.port)


class _Ended:
    """The context of every kind; `close` ends it."""

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """End it."""
        raise NotImplementedError


class _Process(_Ended):
    """A device that is a process of its own: its end is seen by its output's end."""

    url: str

    def __init__(self) -> None:
        self._wake, self._woken = socket.socketpair()

    def _watch(self, process: subprocess.Popen[str]) -> None:
        assert process.stdout is not None  # both kinds are started with a pipe there
        with selectors.DefaultSelector() as selector:
            selector.register(process.stdout, selectors.EVENT_READ)
            selector.register(self._woken, selectors.EVENT_READ)
            while True:
                ready = [key.fileobj for key, _ in selector.select()]
                if self._woken in ready:
                    return
                if not process.stdout.readline():
                    raise BusError(f"the device's process has ended by itself, exit code {process.wait()}")

    def stop(self) -> None:
        """End `serve`; may be called from another thread."""
        self._wake.send(b"x")

    def close(self) -> None:
        """Close what woke it."""
        self._wake.close()
        self._woken.close()


class HostDevice(_Process):
    """The firmware as a program of this machine. It is handed the listening socket, and ends when we are gone."""

    def __init__(self, program: Path, port: int) -> None:
        with listen(port) as server:
            super().__init__()
            self.url = f"slcan:socket://{HOST}:{server.getsockname()[1]}"
            self.process = subprocess.Popen([str(program)], stdin=server.fileno(), stdout=subprocess.PIPE, text=True)

    def serve(self) -> None:
        """Return once `stop` is called. Raises `BusError` where the process ends by itself."""
        self._watch(self.process)

    def close(self) -> None:
        """End the process."""
        self.process.kill()
        self.process.communicate()
        super().close()


class BoardDevice(_Process):
    """The firmware on QEMU."""

    def __init__(self, firmware: Path, core: str, port: int) -> None:
        self._board = Board(firmware, core, port)
        super().__init__()
        self.url = self._board.url

    def serve(self) -> None:
        """Return once `stop` is called. Raises `BusError` where QEMU ends by itself."""
        self._watch(self._board.process)

    def close(self) -> None:
        """End QEMU."""
        self._board.close()
        super().close()


class CoreDevice(_Ended):
    """An emulated core, served here: one connection at a time, as a serial line has one other end."""

    def __init__(self, core: EmulatedCore, port: int) -> None:
        self._core = core
        self._server = listen(port)
        self._client: socket.socket | None = None
        self._wake, self._woken = socket.socketpair()
        self._clock = RealTime()
        self.url = f"slcan:socket://{HOST}:{self._server.getsockname()[1]}"

    def serve(self) -> None:
        """Return once `stop` is called. Raises `BusError` where the core faults."""
        with selectors.DefaultSelector() as selector:
            selector.register(self._woken, selectors.EVENT_READ)
            selector.register(self._server, selectors.EVENT_READ)
            while True:
                # A core's own timer would wake it for each tick: so do we.
                ready = [key.fileobj for key, _ in selector.select(self._clock.left_s(TICK_MS))]
                if self._woken in ready:
                    return
                if self._server in ready:
                    self._answer(selector)
                received = b""
                if self._client is not None and self._client in ready:
                    received = self._receive(selector)
                self._write(self._core.run(received, self._clock.now_ms()), selector)

    def stop(self) -> None:
        """End `serve`; may be called from another thread."""
        self._wake.send(b"x")

    def close(self) -> None:
        """Close every connection."""
        for one in (self._client, self._server, self._wake, self._woken):
            if one is not None:
                one.close()

    def _answer(self, selector: selectors.BaseSelector) -> None:
        self._client, _ = self._server.accept()
        self._client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        selector.unregister(self._server)
        selector.register(self._client, selectors.EVENT_READ)

    def _receive(self, selector: selectors.BaseSelector) -> bytes:
        assert self._client is not None  # the caller has looked
        try:
            received = self._client.recv(65_536)
        except OSError:
            received = b""
        if not received:
            self._hang_up(selector)
        return received

    def _write(self, written: bytes, selector: selectors.BaseSelector) -> None:
        if written and self._client is not None:
            try:
                self._client.sendall(written)
            except OSError:
                self._hang_up(selector)

    def _hang_up(self, selector: selectors.BaseSelector) -> None:
        assert self._client is not None  # only then is there something to hang up
        selector.unregister(self._client)
        self._client.close()
        self._client = None
        selector.register(self._server, selectors.EVENT_READ)
