"""`tccbench log record`: what passes on a bus, into a log that survives a kill at any moment."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

import click

from bench.bus_options import bus_option
from bench.options import Within, rules_option

if TYPE_CHECKING:
    from types import FrameType

    from bus.binding import Binding
    from bus.record import ByArrival, ByBenchTime, Recorder

TERMINAL_S, FILE_S = 0.5, 30.0
"""How often progress is shown on a terminal, and how often where standard error goes elsewhere."""


@click.command(short_help="Record from a bus.")
@bus_option()
@click.option("--out", "path", required=True, metavar="FILE", help="Log in candump's format; must not exist yet.")
@click.option("--append", is_flag=True, help="Go on with FILE where it exists.")
@click.option("--overwrite", is_flag=True, help="Replace FILE where it exists.")
@click.option("--seconds", type=Within(0.1, 1e7), default=None, metavar="S", help="Stop after this time; without it, "
              "at Ctrl-C or when a drive on the bench ends.")  # fmt: skip
@click.option("--map", "map_name", default=None, metavar="NAME|FILE", help="Map of the bus (powertrain, j1939, or a "
              "TOML file): stamps are the bench's time where it has that; foreign identifiers are named.")  # fmt: skip
@click.option("--dbc", "dbc_path", default=None, metavar="FILE", help="DBC in place of the one that the map names.")
@click.option("--clock", type=click.Choice(["lock-step", "real"]), default=None,
              help="lock-step: stamp with the bench's time. real: with the time of arrival. Without it, the bench's "
              "time where the map has it and it comes.")  # fmt: skip
@rules_option
def record(
    url: str, path: str, append: bool, overwrite: bool, seconds: float | None, map_name: str | None,
    dbc_path: str | None, clock: str | None, rules_file: str | None,
) -> None:  # fmt: skip  # the options
    """Record every data frame of a bus; nothing is sent.

    Each frame is in FILE as soon as it is stamped, so that a kill leaves a log that can be read. Ends with exit code 1
    where the bus is lost or nothing was heard.
    """
    from bench.bus_log import whole_lines
    from bench.bus_session import need_bus_packages
    from bus.errors import BusError
    from bus.line import Line
    from bus.open_bus import open_bus, parse_url
    from bus.record import Recorder

    need_bus_packages()
    binding = _binding(map_name, dbc_path, rules_file)
    stamping = _stamping(binding, clock, map_name)
    parsed = parse_url(url)
    why = ""
    # First the bus: where there is none, no file is replaced.
    line = Line(open_bus(url, listens_only=True), frozenset(), is_serial=parsed.is_serial)
    try:
        with whole_lines(path, append, overwrite) as (log, after_us, note), _stopped() as is_stopped:
            recorder = Recorder(line, log, stamping, parsed.wire, after_us)
            click.echo(f"recording {url} to {path}; Ctrl-C ends it", err=True)
            for told in (note, _not_heard_here(url)):
                if told:
                    click.echo(told, err=True)
            try:
                with _progress(recorder) as report:
                    recorder.run(seconds, is_stopped, report)
            except BusError as error:
                why = str(error)
            except OSError as error:
                why = f"{path}: {(error.strerror or 'cannot be written').lower()}"
    finally:
        line.close()
    _tell(recorder, binding, path, stamping.words, line.garbled)
    if why:
        click.echo(f"stopped: {why}{'; what came before is in the log' if recorder.frames else ''}", err=True)
    if why or not recorder.frames:
        raise click.exceptions.Exit(1)


def _binding(map_name: str | None, dbc_path: str | None, rules_file: str | None) -> Binding | None:
    from bus.binding import load_binding
    from controller.errors import UserError
    from controller.user_rules import load_rules

    if map_name is None:
        if dbc_path is not None:
            raise UserError("--dbc needs --map: it is the map that says which of its messages are meant")
        return None
    return load_binding(map_name, load_rules(rules_file), dbc_path)


def _stamping(binding: Binding | None, clock: str | None, map_name: str | None) -> ByArrival | ByBenchTime:
    from bus.known import PHASE_SIGNAL, TIME_SIGNAL
    from bus.record import ByArrival, ByBenchTime
    from controller.errors import UserError

    has_time = binding is not None and binding.time_message is not None
    if clock == "lock-step" and not has_time:
        where = f"{map_name}: lock-step needs" if map_name else "--clock lock-step needs --map with"
        raise UserError(f"{where} {TIME_SIGNAL} and {PHASE_SIGNAL} bound in one message from the vehicle; "
                        "without them give --clock real")  # fmt: skip
    if binding is None or not has_time or clock == "real":
        return ByArrival()
    return ByBenchTime(binding, is_sure=clock == "lock-step")


def _not_heard_here(url: str) -> str:
    if not url.startswith("virtual:"):
        return ""
    return "note: a virtual bus lives inside one process and this one sends nothing; use tccbench hub"


@contextmanager
def _stopped() -> Iterator[Callable[[], bool]]:
    """Yield what tells whether somebody asked to stop; no frame is cut by it."""
    import signal

    asked: list[int] = []

    def note(number: int, _frame: FrameType | None) -> None:
        asked.append(number)

    names = [name for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)]
    before = {getattr(signal, name): signal.signal(getattr(signal, name), note) for name in names}
    try:
        yield lambda: bool(asked)
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


@contextmanager
def _progress(recorder: Recorder) -> Iterator[Callable[[], None]]:
    """Show frames and seconds on standard error: in one line on a terminal, else a line now and then."""
    import sys

    from bus.clock import Elapsed

    elapsed, is_terminal = Elapsed(), sys.stderr.isatty()
    every_s = TERMINAL_S if is_terminal else FILE_S
    due_s = every_s

    def report() -> None:
        nonlocal due_s
        now_s = elapsed.s
        if now_s < due_s:
            return
        due_s = now_s + every_s
        text = f"{recorder.frames} frames, {now_s:.0f} s"
        click.echo(f"\r{text}", nl=False, err=True) if is_terminal else click.echo(text, err=True)

    try:
        yield report
    finally:
        if is_terminal:
            click.echo("\r\x1b[K", nl=False, err=True)


def _tell(recorder: Recorder, binding: Binding | None, path: str, stamped: str, garbled: int) -> None:
    from bench.bus_log import foreign_text

    if recorder.ended:
        click.echo(recorder.ended)
    if garbled:
        click.echo(f"{garbled} remote, error, CAN FD or garbled frames passed over")
    if not recorder.frames:
        click.echo("no frame was heard, nothing is written: is somebody sending, is the bit rate right?", err=True)
        return
    seconds = (recorder.last_us - recorder.first_us) / 1e6
    click.echo(f"{path}: {recorder.frames} frames of {len(recorder.by_ident)} identifiers, {seconds:.2f} s, {stamped}")
    if recorder.shifted_s:
        click.echo(f"their stamps are moved by {recorder.shifted_s:.2f} s, to follow those of the log gone on with")
    if binding is None:
        return
    known = {binding.key(one.ident): one.name for one in binding.messages}
    foreign = {ident: count for ident, count in recorder.by_ident.items() if binding.key(ident) not in known}
    heard = {binding.key(ident) for ident in recorder.by_ident}
    silent = [name for key, name in known.items() if key not in heard]
    click.echo(foreign_text(foreign))
    if silent:
        click.echo(f"in the map but never heard: {', '.join(silent)}")
