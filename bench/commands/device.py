"""`tccbench device`: the rules as firmware, running behind a bus URL."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from bench.bus_options import calibration_option, map_options
from bench.options import rules_option

if TYPE_CHECKING:
    from bus.binding import Binding
    from bus.device.choice import Choice
    from controller.ruleset import RuleSet


@click.group()
def device() -> None:
    """Build the rules as firmware that speaks a map, and run it: on this machine, a core, or an emulated board."""


@device.command()
@click.option("--kind", type=click.Choice(["host", "core", "board"]), default="host", show_default=True,
              help="host: a program of this machine. core: Cortex-M code on an emulated core. board: Cortex-M code on "
              "QEMU, its serial port on loopback TCP.")  # fmt: skip
@click.option("--core", type=click.Choice(["m4", "m3", "m0+"]), default=None,
              help="Core for core (m4, m3 or m0+; m4 if not given) and board (m3 or m4; m3 if not given).")  # fmt: skip
@click.option("--port", type=click.IntRange(0, 65535), default=0, show_default=True, help="TCP port; 0 takes any.")
@map_options
@calibration_option
@click.option("--image", default=None, metavar="FILE",
              help="Calibration image in place of --calibration. A bad one is said, and the device started all the "
              "same: its own check must keep the duty at 0.")  # fmt: skip
@rules_option
@click.option("--keep", default=None, metavar="DIR", help="Folder for the firmware's sources and the built program.")
def start(
    kind: str, core: str | None, port: int, map_name: str, dbc_path: str | None, calibration: str, image: str | None,
    rules_file: str | None, keep: str | None,
) -> None:  # fmt: skip  # the options
    """Build a device and run it until Ctrl-C.

    Prints its bus URL. `tccbench bench --device external --bus URL` then puts it through every drive and fault.
    """
    import tempfile
    from pathlib import Path

    from bench.bus_session import need_bus_packages, told_in_one_line

    need_bus_packages()
    from bus.binding import load_binding
    from bus.device.choice import Choice
    from bus.device.running import start_device
    from controller.user_rules import load_rules

    choice = Choice.checked(kind, core, port)
    rules = load_rules(rules_file)
    binding = load_binding(map_name, rules, dbc_path)
    content, told = _image(image, calibration, rules)
    with told_in_one_line("the device is off"), tempfile.TemporaryDirectory() as temporary:
        folder = Path(keep) if keep else Path(temporary)
        with start_device(choice, binding, content, folder) as running:
            for line in _about(choice, binding, told):
                click.echo(line)
            click.echo(f"device on {running.url}; Ctrl-C ends it")
            running.serve()


def _image(path: str | None, calibration: str, rules: RuleSet) -> tuple[bytes, str]:
    """Return the image and what is said of it."""
    from pathlib import Path

    from bench.identity import image_checksum
    from controller.calibration import load_calibration
    from controller.errors import UserError
    from controller.port.image import read_image, write_image

    if path is None:
        loaded = load_calibration(calibration, rules)
        content = write_image(rules, list(map(int, loaded.values)))
        return content, f"{loaded.name}, CRC-32 {image_checksum(content)}"
    try:
        content = Path(path).read_bytes()
    except OSError as error:
        raise UserError(f"--image {path}: {(error.strerror or 'cannot be read').lower()}; give another file") from None
    try:
        read_image(rules, content, path)
    except UserError as error:
        click.echo(f"error: {error}; the duty stays 0", err=True)
        return content, f"{path}, refused"
    return content, f"{path}, CRC-32 {image_checksum(content)}"


def _about(choice: Choice, binding: Binding, calibration: str) -> list[str]:
    from bench.identity import rules_text

    return [f"kind: {choice.title}", f"rules: {rules_text(binding.rules)}", f"calibration: {calibration}",
            f"map: {binding.title}"]  # fmt: skip
