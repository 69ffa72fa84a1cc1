"""An emulated board: firmware on QEMU, its serial line on a loopback TCP port."""

from __future__ import annotations

import json
import shutil
import socket
import subprocess
from importlib import resources
from pathlib import Path
from typing import Any, NamedTuple

from controller.errors import UserError
from controller.port.toolchain import CORES, build_core

BOARD_FILES = ("slcan.h", "slcan.c", "board.h", "cortex.h", "cortex.c", "an386.c", "sf2.c", "startup.c",
               "emulated.ld", "line_test.c")  # fmt: skip
PROGRAM = "qemu-system-arm"


class Machine(NamedTuple):
    """An emulated board: its name in QEMU and its own sources."""

    name: str
    sources: tuple[str, ...]


MACHINES = {
    "m3": Machine("emcraft-sf2", ("sf2.c", "cortex.c")),
    "m4": Machine("mps2-an386", ("an386.c", "cortex.c")),
}
"""The emulated boards by their core."""


def board_text(name: str) -> str:
    """Return a file of the board support."""
    return (resources.files("controller.port") / "board" / name).read_text(encoding="utf-8")


def build_firmware(folder: Path, core: str, sources: tuple[str, ...], output: str) -> Path:
    """Build firmware for a core's emulated board in a folder that holds the board files, and return its path.

    Raises `UserError` where the compiler is missing or the sources do not build.
    """
    board = ("slcan.c", *MACHINES[core].sources, "startup.c")
    return build_core(folder, CORES[core], (*board, *sources), output, ["-g", "-T", "emulated.ld"])


_TRY_S, _TRIES = 0.5, 60
"""The firmware is asked so often; an answer takes milliseconds."""


class Board:
    """Firmware running on the emulated board of its core; a context that ends it. `port` 0 takes any free one.

    Raises `UserError` where QEMU is missing or does not start.
    """

    def __init__(self, firmware: Path, core: str, port: int = 0) -> None:
        program = shutil.which(PROGRAM)
        if program is None:
            raise UserError(
                f"port: {PROGRAM} is not installed (package qemu-system-arm); other kinds of device need none"
            )
        # The machine's own control line tells when the serial port listens, and on which port: no waiting by guess.
        command = [program, "-machine", MACHINES[core].name, "-kernel", str(firmware), "-nodefaults", "-display",
                   "none", "-monitor", "none", "-serial", "chardev:line", "-qmp", "stdio", "-chardev",
                   f"socket,id=line,host=127.0.0.1,port={port},server=on,wait=off,nodelay=on"]  # fmt: skip
        self.process = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
        )
        try:
            self._read()
            self._ask("qmp_capabilities")
            lines = {one["label"]: one["filename"] for one in self._ask("query-chardev")}
            self.port = int(lines["line"].partition("tcp:")[2].split(":")[1].split(",")[0])
        except (OSError, ValueError, LookupError):
            self.process.kill()
            said = self.process.communicate()[1].strip().splitlines() or ["no message"]
            raise UserError(f"port: {PROGRAM} did not start: {said[0]}") from None
        if not self._answers():
            self.close()
            raise UserError(f"port: the firmware on {PROGRAM} does not answer on its serial line")

    def _answers(self) -> bool:
        """Wait until the firmware answers an empty line: what comes before its serial port is set up is lost."""
        try:
            with socket.create_connection(("127.0.0.1", self.port), timeout=_TRY_S) as line:
                for _ in range(_TRIES):
                    line.sendall(b"\r")
                    try:
                        return line.recv(1) != b""
                    except TimeoutError:
                        continue
        except OSError:
            pass
        return False

    @property
    def url(self) -> str:
        """The bus URL of its serial line."""
        return f"slcan:socket://127.0.0.1:{self.port}"

    def close(self) -> None:
        """End it."""
        self.process.kill()
        self.process.communicate()

    def _ask(self, what: str) -> Any:
        if self.process.stdin is None:
            raise OSError
        self.process.stdin.write(json.dumps({"execute": what}) + "\n")
        self.process.stdin.flush()
        while True:
            answer = self._read()
            if "return" in answer:
                return answer["return"]

    def _read(self) -> Any:
        if self.process.stdout is None:
            raise OSError
        return json.loads(self.process.stdout.readline())
