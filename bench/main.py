"""The command line. Commands live in `bench.commands`, one module each; this only lists them.

Nothing heavy is imported here or at the top of a command's module, so that help answers at once.
"""

from __future__ import annotations

import sys
from typing import Any

import click

from bench.commands.bus_bench import bench
from bench.commands.bus_hub import hub
from bench.commands.bus_map import map_
from bench.commands.bus_node import node
from bench.commands.chart import chart
from bench.commands.compare import compare
from bench.commands.device import device
from bench.commands.fuzz import fuzz
from bench.commands.init import init
from bench.commands.list import list_
from bench.commands.log import log
from bench.commands.mutate import mutate
from bench.commands.port import port
from bench.commands.prove import prove
from bench.commands.run import run
from bench.commands.sheet import sheet
from controller.errors import UserError


class _OneLineErrors(click.Group):
    """A group whose wrong input ends in one line and exit code 2."""

    def main(self, *args: Any, **extra: Any) -> Any:
        """Run from the command line; a wrong option or argument is one line, too."""
        try:
            code = super().main(*args, **{**extra, "standalone_mode": False})
        except click.Abort:
            sys.exit(130)
        except click.ClickException as error:
            where = f"{error.ctx.command_path}: " if isinstance(error, click.UsageError) and error.ctx else ""
            click.echo(f"error: {where}{' '.join(error.format_message().split())}", err=True)
            sys.exit(2)
        sys.exit(code if isinstance(code, int) else 0)

    def invoke(self, ctx: click.Context) -> Any:
        """Run the command; turn a user's error into its line."""
        try:
            return super().invoke(ctx)
        except UserError as error:
            click.echo(f"error: {error}", err=True)
            ctx.exit(2)
        except KeyboardInterrupt:
            click.echo("interrupted; nothing was left half-written", err=True)
            ctx.exit(130)
        except BrokenPipeError:  # the reader of our output (head, less) has closed it
            sys.stderr.close()
            ctx.exit(0)


@click.group(cls=_OneLineErrors, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(package_name="tccbench", message="%(prog)s %(version)s")
def main() -> None:
    """Converter-clutch rules: write them, see them on simulated drives, carry them on.

    A simulation is not a road test. Try rules off-road, with a trained person and a way to cut the command;
    local vehicle law and licensed practice decide.
    """


_COMMANDS = (
    compare, run, sheet, chart, bench, device, node, map_, hub, port, prove, fuzz, mutate, log, init, list_,
)  # fmt: skip  # in the order of help
for _command in _COMMANDS:
    main.add_command(_command)
