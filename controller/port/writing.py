"""Writes a port: every file of it, from a rule set and a calibration."""

from __future__ import annotations

from dataclasses import dataclass
from importlib import resources
from pathlib import Path

from controller.calibration import Calibration
from controller.errors import UserError
from controller.language import check
from controller.port.carriers_c import (
    CALIBRATION_H,
    FLAT_H,
    calibration_c,
    calibration_image_c,
    flat_c,
    image_bytes_c,
    image_bytes_h,
    sizes_h,
)
from controller.port.checks_c import CHECKS_H, checks_c
from controller.port.equality import CText
from controller.port.image import write_image
from controller.port.qemu import BOARD_FILES, board_text
from controller.port.readme import misra_text, readme_text
from controller.port.rules_c import rules_c
from controller.port.rules_h import rules_h
from controller.port.vectors import write_vectors
from controller.ruleset import RuleSet

FIXED = ("calibration_image.h", "device.h", "device.c", "run_vectors.c", "core.ld", "Makefile")
"""Files that are the same for every rule set."""


@dataclass(frozen=True)
class Port:
    """All files of a port by name; texts and bytes."""

    files: dict[str, bytes]

    @property
    def text(self) -> CText:
        """The texts that are proved."""
        return CText(*(self.files[name].decode() for name in ("rules.h", "rules.c", "checks.c")))


def make_port(rules: RuleSet, calibration: Calibration) -> Port:
    """Return every file of the port.

    Raises `UserError` where a rule is outside the vocabulary or a name or number does not fit C.
    """
    check(rules)
    values = list(map(int, calibration.values))
    image = write_image(rules, values)
    texts = {
        "rules.h": rules_h(rules),
        "rules.c": rules_c(rules),
        "checks.h": CHECKS_H,
        "checks.c": checks_c(rules),
        "calibration.h": CALIBRATION_H,
        "calibration.c": calibration_c(rules, values, calibration.title),
        "calibration_image.c": calibration_image_c(rules),
        "calibration_bytes.h": image_bytes_h(image),
        "calibration_bytes.c": image_bytes_c(image),
        "flat.h": FLAT_H,
        "flat.c": flat_c(rules),
        "sizes.h": sizes_h(rules),
        "vectors.txt": write_vectors(rules, values),
        "README.md": readme_text(rules, calibration, image),
        "MISRA.md": misra_text(),
    }
    texts |= {name: (resources.files("controller.port") / "c" / name).read_text(encoding="utf-8") for name in FIXED}
    texts |= {f"board/{name}": board_text(name) for name in BOARD_FILES}
    return Port({name: text.encode() for name, text in texts.items()} | {"calibration.bin": image})


def write_port(port: Port, folder: Path) -> None:
    """Write the files of a port into a folder, which is made where it is missing.

    Raises `UserError` where it cannot be written.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, content in port.files.items():
            (folder / name).parent.mkdir(exist_ok=True)
            (folder / name).write_bytes(content)
    except OSError as error:
        raise UserError(f"{folder}: {(error.strerror or 'cannot be written').lower()}; "
                        "give a folder that you may write to") from None  # fmt: skip
