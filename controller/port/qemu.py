"""An emulated board: firmware on QEMU, its serial line on a loopback TCP port."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from importlib import resources
from pathlib import Path
from types import TracebackType
from typing import Any

from controller.errors import UserError
from controller.port.toolchain import CORES, build_core

BOARD_FILES = ("slcan.h", "slcan.c", "board.h", "lm3s6965.c", "startup.c", "lm3s6965.ld", "line_test.c")
BOARD_SOURCES = ("slcan.c", "lm3s6965.c", "startup.c")
_PROGRAM, _MACHINE = "qemu-system-arm", "lm3s6965evb"


def board_text(name: str) -> str:
    """Return a file of the board support."""
    return (resources.files("controller.port") / "board" / name).read_text(encoding="utf-8")


def build_firmware(folder: Path, sources: tuple[str, ...], output: str) -> Path:
    """Build firmware for the emulated board in a folder that holds the board files, and return its path.

    Raises `UserError` where the compiler is missing or the sources do not build.
    """
    return build_core(folder, CORES["m3"], (*BOARD_SOURCES, *sources), output, ["-g", "-T", "lm3s6965.ld"])


class Board:
    """Firmware running on an emulated board; a context that ends it.

    Raises `UserError` where QEMU is missing or does not start.
    """

    def __init__(self, firmware: Path) -> None:
        program = shutil.which(_PROGRAM)
        if program is None:
            raise UserError(
                f"port: {_PROGRAM} is not installed (package qemu-system-arm); other kinds of device need none"
            )
        # The machine's own control line tells when the serial port listens, and on which port: no waiting by guess.
        command = [program, "-machine", _MACHINE, "-kernel", str(firmware), "-nodefaults", "-display", "none",
                   "-monitor", "none", "-serial", "chardev:line", "-qmp", "stdio", "-chardev",
                   "socket,id=line,host=127.0.0.1,port=0,server=on,wait=off,nodelay=on"]  # fmt: skip
        self._process = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
        )
        try:
            self._read()
            self._ask("qmp_capabilities")
            lines = {one["label"]: one["filename"] for one in self._ask("query-chardev")}
        except (OSError, ValueError, KeyError):
            self._process.kill()
            said = self._process.communicate()[1].strip().splitlines() or ["no message"]
            raise UserError(f"port: {_PROGRAM} did not start: {said[0]}") from None
        found = re.search(r":(\d+)", lines["line"].split("tcp:")[-1])
        self.port = int(found[1]) if found else 0

    @property
    def url(self) -> str:
        """The bus URL of its serial line."""
        return f"slcan:socket://127.0.0.1:{self.port}"

    def close(self) -> None:
        """End it."""
        self._process.kill()
        self._process.communicate()

    def __enter__(self) -> Board:
        """Return itself."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """End it."""
        self.close()

    def _ask(self, what: str) -> Any:
        if self._process.stdin is None:
            raise OSError
        self._process.stdin.write(json.dumps({"execute": what}) + "\n")
        self._process.stdin.flush()
        while True:
            answer = self._read()
            if "return" in answer:
                return answer["return"]

    def _read(self) -> Any:
        if self._process.stdout is None:
            raise OSError
        return json.loads(self._process.stdout.readline())
