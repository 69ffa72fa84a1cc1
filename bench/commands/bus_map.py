"""`tccbench map`: is a map right for a DBC, and what does a log say through it."""

from __future__ import annotations

import click

from bench.options import rules_option


@click.group("map")
def map_() -> None:
    """Check a map file against a DBC, or read a candump log through it."""


@map_.command()
@click.argument("dbc", type=click.Path())
@click.argument("map_name", metavar="MAP")
@rules_option
def check(dbc: str, map_name: str, rules_file: str | None) -> None:
    """Check MAP (a name or a TOML file) against DBC, each check on its own.

    Ends with exit code 1 where anything is bad.
    """
    from bench.bus_session import need_bus_packages
    from bench.pages.markup import Flag, Table
    from bench.terminal import print_table, print_verdict

    need_bus_packages()
    from bus.binding import check as check_binding
    from bus.dbc import load_dbc
    from bus.map_file import load_map
    from controller.user_rules import load_rules

    mapped = load_map(map_name, dbc)
    _, findings = check_binding(mapped, load_dbc(dbc), load_rules(rules_file))
    rows = [(one.check, one.where, Flag(one.grade, one.text)) for one in findings]
    print_table(Table(f"{mapped.file.title} ({map_name}) on {dbc}", ("check", "where", "finding"), rows, left=3))
    bad = sum(one.grade == "bad" for one in findings)
    notes = sum(one.grade == "note" for one in findings)
    if bad:
        print_verdict([("bad", f"{bad} of {len(findings)} findings are bad: the map cannot be used")])
        raise click.exceptions.Exit(1)
    print_verdict([("good", f"the map can be used; {len(findings)} findings, {notes} of them notes")])


@map_.command("log")
@click.argument("map_name", metavar="MAP")
@click.argument("log", type=click.Path())
@click.option("--dbc", "dbc_path", default=None, metavar="FILE", help="DBC in place of the one that the map names.")
@rules_option
def log_(map_name: str, log: str, dbc_path: str | None, rules_file: str | None) -> None:
    """Read a candump LOG through MAP: how many frames of each message are good, and its signals' range."""
    from bench.bus_log import foreign_text
    from bench.bus_session import need_bus_packages
    from bench.pages.markup import Table
    from bench.terminal import print_table, print_verdict

    need_bus_packages()
    from bus.binding import load_binding
    from bus.survey import survey
    from controller.user_rules import load_rules

    found = survey(load_binding(map_name, load_rules(rules_file), dbc_path), log)
    print_table(Table(
        f"{log}: {found.seconds:.2f} s", ("message", "from", "frames", "good", "refused", "period ms"),
        [(one.message, one.sender, str(one.frames), str(one.good), one.refused, one.period_text)
         for one in found.messages],
        note=foreign_text(found.unknown), left=2,
    ))  # fmt: skip  # a row a line
    print_table(Table(
        "Signals", ("signal", "unit", "good readings", "lowest", "highest"),
        [(one.name, one.unit, str(one.readings), one.lowest, one.highest) for one in found.signals], left=2,
    ))  # fmt: skip
    if found.cut_row is not None:
        print_verdict([("note", f"the log is cut in the middle of line {found.cut_row}; read up to there")])
    silent = [one.message for one in found.messages if not one.good and one.sender == "vehicle"]
    if silent:
        print_verdict([("bad", f"no good frame of {', '.join(silent)}")])
        raise click.exceptions.Exit(1)
    print_verdict([("good", "every message of the vehicle has good frames")])
