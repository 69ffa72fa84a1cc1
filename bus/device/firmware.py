"""The device's firmware: every source file for a binding and a calibration image, and how each kind is built."""

from __future__ import annotations

from importlib import resources
from pathlib import Path

from bus.binding import Binding
from bus.device.can_map_c import can_map_c, can_map_h
from controller.errors import UserError
from controller.language import check
from controller.port.carriers_c import calibration_image_c, image_bytes_c, image_bytes_h
from controller.port.checks_c import CHECKS_H, checks_c
from controller.port.qemu import MACHINES, board_text
from controller.port.rules_c import rules_c
from controller.port.rules_h import rules_h
from controller.port.toolchain import CORES, build_core, build_program

_OWN = (
    "firmware.c", "firmware.h", "frame_tables.h", "frames.c", "frames.h", "mailbox.c", "mailbox.h", "main.c",
    "posix.c", "protection.c", "protection.h",
)  # fmt: skip  # one list
_FROM_PORT = ("calibration_image.h", "device.c", "device.h")
_FROM_BOARD = (
    "an386.c", "board.h", "emulated.ld", "sf2.c", "slcan.c", "slcan.h", "startup.c", "cortex.c", "cortex.h",
)  # fmt: skip  # one list

SOURCES = (
    "main.c", "firmware.c", "frames.c", "protection.c", "can_map.c", "slcan.c", "device.c", "calibration_image.c",
    "calibration_bytes.c", "checks.c", "rules.c",
)  # fmt: skip  # one list
"""What every kind of device is made of; its board support comes on top."""


def firmware_files(binding: Binding, image: bytes) -> dict[str, str]:
    """Return every source file by name. The image is carried as it is: the firmware checks it at its start.

    Raises `UserError` where a rule, a name or a number does not fit C.
    """
    rules = binding.rules
    check(rules)
    files = {
        "can_map.h": can_map_h(binding),
        "can_map.c": can_map_c(binding),
        "rules.h": rules_h(rules),
        "rules.c": rules_c(rules),
        "checks.h": CHECKS_H,
        "checks.c": checks_c(rules),
        "calibration_image.c": calibration_image_c(rules),
        "calibration_bytes.h": image_bytes_h(image),
        "calibration_bytes.c": image_bytes_c(image),
    }
    files |= {name: (resources.files("bus.device") / "c" / name).read_text(encoding="utf-8") for name in _OWN}
    port = resources.files("controller.port") / "c"
    files |= {name: (port / name).read_text(encoding="utf-8") for name in _FROM_PORT}
    return files | {name: board_text(name) for name in _FROM_BOARD}


def write_firmware(binding: Binding, image: bytes, folder: Path) -> None:
    """Write every source file to a folder, which is made where it is missing.

    Raises `UserError` where it cannot be written, and as `firmware_files` does.
    """
    files = firmware_files(binding, image)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, text in files.items():
            (folder / name).write_text(text, encoding="utf-8")
    except OSError as error:
        raise UserError(f"{folder}: {(error.strerror or 'cannot be written').lower()}; "
                        "give a folder that you may write to") from None  # fmt: skip


def build_host(folder: Path) -> Path:
    """Build written firmware as a program of this machine."""
    return build_program(folder, (*SOURCES, "posix.c"), "device_host")


def build_mailbox(folder: Path, core: str) -> Path:
    """Build written firmware for a core that another program emulates."""
    return _build(folder, core, ("mailbox.c",), f"device_{core}.elf")


def build_board(folder: Path, core: str) -> Path:
    """Build written firmware for the emulated board of a core."""
    return _build(folder, core, MACHINES[core].sources, f"board_{core}.elf")


def _build(folder: Path, core: str, board: tuple[str, ...], output: str) -> Path:
    linked = ["-g", "-T", "emulated.ld"]
    return build_core(folder, CORES[core], (*SOURCES, *board, "startup.c"), output, linked)
