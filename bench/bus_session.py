"""Getting a node onto a bus safely: the guard before it, and one clear line after whatever ends it."""

from __future__ import annotations

import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

import click

from bench.cautions import CAUTIONS
from controller.errors import UserError

if TYPE_CHECKING:
    from types import FrameType

    from bus.binding import Binding, Role
    from bus.frame import Frame
    from bus.line import Line

LISTEN_REAL_S, LISTEN_LOOPBACK_S = 2.0, 0.3
"""How long a node listens for its own identifiers before it sends: on a real interface longer than any period."""


def need_bus_packages() -> None:
    """Raise `UserError` where the packages of the bus extra are missing."""
    try:
        import can
        import cantools  # noqa: F401 - only whether it is there
    except ImportError as error:
        missing = f"the bus needs the package {error.name}"
        raise UserError(f"{missing}; install it with: pip install 'tccbench[bus]'") from None
    # Its own chatter would stand between our lines; what matters comes as an error.
    can.set_logging_level("critical")


def check_may_send(url: str, may_send: bool) -> bool:
    """Tell whether a URL is a real interface. Raises `UserError` where it is and `--send` is not given."""
    from bus.open_bus import parse_url

    is_real = parse_url(url).is_real
    if is_real and not may_send:
        raise UserError(f"--bus {url}: this is a real interface, and what is sent on it can move a vehicle. "
                        f"{' '.join(CAUTIONS)} Where you are sure, add --send")  # fmt: skip
    return is_real


@contextmanager
def on_line(
    url: str, binding: Binding, role: Role, may_send: bool, *, is_forged_at: bool = False,
    on_sent: Callable[[Frame], object] | None = None,
) -> Iterator[Line]:  # fmt: skip  # where, for whom, and what a line may be told
    """Open the bus for a role of a map, listening before anything is sent."""
    from bus.line import Line, listen_first
    from bus.nodes import sends
    from bus.open_bus import open_bus, parse_url

    is_real = check_may_send(url, may_send)
    parsed = parse_url(url)
    line = Line(
        open_bus(url), sends(binding, role), is_serial=parsed.is_serial, is_forged_at=is_forged_at, on_sent=on_sent
    )
    try:
        if is_real:
            for caution in CAUTIONS:
                click.echo(f"caution: {caution}", err=True)
        if parsed.interface != "virtual":
            seconds = LISTEN_REAL_S if is_real else LISTEN_LOOPBACK_S
            longest_s = max(message.period_ms for message in binding.sent_by(role)) / 1000
            listen_first(line, max(seconds, 1.2 * longest_s) if is_real else seconds)
        yield line
    finally:
        line.close()


@contextmanager
def told_in_one_line(ending: str = "interrupted; the duty is 0") -> Iterator[None]:
    """Let a stopped bus end the command with one line and exit code 1; a request to end counts as Ctrl-C."""
    from bus.errors import BusError

    def interrupt(_number: int, _frame: FrameType | None) -> None:
        raise KeyboardInterrupt

    before = signal.signal(signal.SIGTERM, interrupt)
    try:
        yield
    except BusError as error:
        click.echo(f"stopped: {error}", err=True)
        raise click.exceptions.Exit(1) from None
    except KeyboardInterrupt:
        click.echo(f"stopped: {ending}", err=True)
        raise click.exceptions.Exit(130) from None
    finally:
        signal.signal(signal.SIGTERM, before)
