"""`tccbench prove`: what must never happen, shown for every input and every calibration."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from bench.options import Within, rules_option

if TYPE_CHECKING:
    from pathlib import Path

    from bench.pages.markup import Judgement
    from controller.proof import Outcome, Verdict

_JUDGEMENTS: dict[Outcome, Judgement] = {"proved": "good", "broken": "bad", "open": "note"}


@click.command(short_help="Prove the rules' properties for every input and calibration.")
@rules_option
@click.option("--only", "only", multiple=True, metavar="NAME", help="Only this property; may be given several times.")
@click.option("--list", "list_names", is_flag=True, help="List the names and what each says; prove nothing.")
@click.option(
    "--search", "search_s", type=Within(1, 3600), default=30.0, show_default=True, metavar="SECONDS",
    help="Longest search for a run that breaks a property which is not proved.",
)  # fmt: skip  # an option a paragraph
@click.option(
    "--out", "out_dir", default="tccbench-out", show_default=True, metavar="DIR",
    help="Folder for the drive and the calibration of each run that breaks a property.",
)  # fmt: skip
@click.pass_context
def prove(
    ctx: click.Context, rules_file: str | None, only: tuple[str, ...], list_names: bool, search_s: float, out_dir: str
) -> None:
    """Prove every property of the rules for all inputs, all reachable memories and all calibrations in range.

    Exits 0 if all are proved, 1 if one is broken or stays open. A broken one comes with the shortest run of ticks
    from power-up that was found, written as a drive that `tccbench run` replays. Needs the `proof` extra (z3).
    """
    from bench.optional import needed
    from controller.user_rules import load_rules

    rules = load_rules(rules_file)
    needed("z3", extra="proof", what="tccbench prove")
    from bench.out_files import ready_folder
    from bench.pages.markup import Table
    from bench.terminal import print_table, print_verdict, progress_line
    from controller.errors import UserError
    from controller.our_rules import OURS
    from controller.proof import Effort, Proof, names_of
    from controller.suggest import nearest

    meanings = names_of(rules)
    for name in only:
        if name not in meanings:
            raise UserError(f"--only {name}: no such property; {nearest(name, list(meanings))}")
    if list_names:
        print_table(Table(f"Properties of {rules.name!r}", ("name", "what it says"), list(meanings.items()), left=2))
        return
    with progress_line("finding what holds of every memory"):
        proof = Proof(rules, Effort(search_s=search_s))
    verdicts: list[Verdict] = []
    for name in only or meanings:
        with progress_line(name):
            verdicts.append(proof.ask(name))
        _print(verdicts[-1])
    bad = [one for one in verdicts if one.outcome != "proved"]
    took_s = proof.prepared_s + sum(one.seconds for one in verdicts)
    click.echo(f"{len(verdicts) - len(bad)} of {len(verdicts)} proved in {took_s:.1f} s")
    gone = [name for name in names_of(OURS) if name not in meanings]
    if gone:
        print_verdict([("note", f"of our own rules' properties this set leaves out: {', '.join(gone)}")])
    for one in bad:
        if one.run is not None:
            _print_run(one, ready_folder(out_dir), rules_file)
    if bad:
        ctx.exit(1)


def _print(verdict: Verdict) -> None:
    from bench.terminal import print_verdict

    judgement = _JUDGEMENTS[verdict.outcome]
    text = f"{verdict.name}: {verdict.meaning}  ({verdict.outcome}: {verdict.note}, {verdict.seconds:.2f} s)"
    print_verdict([(judgement, text)])


def _print_run(verdict: Verdict, folder: Path, rules_file: str | None) -> None:
    from bench.found_drive import repeats, write_found
    from bench.pages.markup import Table
    from bench.terminal import print_table
    from bench.tick_table import COLUMNS, calibration_changes, rows_of

    run = verdict.run
    assert run is not None
    changes = calibration_changes(run)
    note = f"calibration: {'; '.join(changes)}" if changes else "calibration: all keys at their defaults"
    title = f"{verdict.name}: {len(run.inputs)} ticks from power-up"
    print_table(Table(title, COLUMNS, rows_of(run), left=9, note=note))
    drive, calibration = write_found(run, verdict.name, verdict.meaning, folder)
    rules = "" if rules_file is None else f" --rules {rules_file}"
    click.echo(f"replay: tccbench run {calibration} --drive {drive}{rules}")
    if verdict.name not in ("no_chatter", "memory_in_range") and not repeats(run, verdict.name):
        click.echo("the replay, a tick every 10 ms, does not break it: it needs the longer gaps of the table above")
