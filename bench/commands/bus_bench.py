"""`tccbench bench`: every drive and every fault over a bus, with a verdict for each."""

from __future__ import annotations

import click

from bench.bus_options import bus_option, calibration_option, clock_option, map_options, send_option, wait_option
from bench.options import rules_option, vehicle_option


@click.command()
@bus_option("virtual:bench")
@click.option("--device", type=click.Choice(["ours", "external", "host", "core", "board"]), default="ours",
              show_default=True,
              help="ours: the rules in this process, on virtual:NAME. external: what answers on the bus. host, core, "
              "board: firmware that is built and started for the run; see `tccbench device`.")  # fmt: skip
@click.option("--core", type=click.Choice(["m4", "m3", "m0+"]), default=None,
              help="Core for --device core (m4 if not given) and board (m3 or m4; m3 if not given).")  # fmt: skip
@click.option("--describe", "described", default="", metavar="TEXT",
              help="What an external device is, for the conformity record: board, serial number.")  # fmt: skip
@map_options
@vehicle_option
@click.option("--drive", "drives", multiple=True, metavar="NAME|FILE",
              help="Drive; may be given several times. Without it, every one that comes along.")  # fmt: skip
@click.option("--fault", "faults", multiple=True, metavar="NAME",
              help="Fault of the sweep, such as drop; may be given several times. Without it, every one.")  # fmt: skip
@click.option("--no-drives", is_flag=True, help="Leave the drives out.")
@click.option("--no-sweep", is_flag=True, help="Leave the fault sweep out.")
@calibration_option
@rules_option
@clock_option
@wait_option
@send_option
@click.option("--out", "out_dir", default="tccbench-bench", show_default=True, metavar="DIR",
              help="Folder for conformity.html, bench.html, junit.xml and bench.log; they replace those of an "
              "earlier run.")  # fmt: skip
def bench(
    url: str, device: str, core: str | None, described: str, map_name: str, dbc_path: str | None, vehicle: str,
    drives: tuple[str, ...], faults: tuple[str, ...], no_drives: bool, no_sweep: bool, calibration: str,
    rules_file: str | None, clock: str, wait_s: float, may_send: bool, out_dir: str,
) -> None:  # fmt: skip  # the options
    """Put a controller on the bench: run the drives over the bus, then every fault in every state.

    The device must hold the same rules and calibration as are given here: they are what it is compared with. In
    lock-step every frame that it sends is compared with ours. Ends with exit code 1 where anything fails.
    """
    from bench.bus_report import write_reports
    from bench.bus_session import need_bus_packages, told_in_one_line
    from bench.out_files import ready_folder
    from bench.terminal import print_table, print_verdict

    need_bus_packages()
    from bench.bus_conformity import Setup, run_bench
    from bus.device.choice import KINDS, Choice
    from bus.open_bus import parse_url
    from controller.errors import UserError
    from sim.drives import drive_names

    if device == "ours" and parse_url(url).interface != "virtual":
        raise UserError(f"--bus {url}: --device ours needs virtual:NAME; on this bus start `tccbench node controller` "
                        "and give --device external")  # fmt: skip
    if core is not None and device not in ("core", "board"):
        raise UserError(f"--core {core}: only --device core and board have one")
    if described and device != "external":
        raise UserError("--describe: only of an external device is anything unknown here")
    choice = Choice.checked(device, core) if device in KINDS else None
    if device == "external" and parse_url(url).interface == "virtual":
        raise UserError(f"--bus {url}: a virtual bus ends with this process; an external device needs another bus")
    chosen = () if no_drives else drives or tuple(drive_names())
    setup = Setup(
        url, device, choice, described, map_name, dbc_path, vehicle, chosen, _kinds(faults), not no_sweep, calibration,
        rules_file, clock == "real", wait_s, may_send,
    )  # fmt: skip  # the options again
    folder = ready_folder(out_dir)
    with told_in_one_line():
        outcome = run_bench(setup, folder / "bench.log", _progress)
    for table in outcome.tables():
        print_table(table)
    print_verdict(outcome.verdict())
    write_reports(outcome, folder)
    click.echo("written: " + ", ".join(str(folder / name) for name in ("conformity.html", "bench.html", "junit.xml",
                                                                       "bench.log")))  # fmt: skip
    if outcome.has_failed:
        raise click.exceptions.Exit(1)


def _kinds(words: tuple[str, ...]) -> tuple[str, ...]:
    from bus.faults import Kind
    from controller.errors import UserError
    from controller.suggest import nearest

    known = [kind.word for kind in Kind]
    for word in words:
        if word not in known:
            raise UserError(f"--fault {word}: not known; {nearest(word, known)}")
    return words or tuple(known)


def _progress(text: str) -> None:
    click.echo(text, err=True)
