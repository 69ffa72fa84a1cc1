"""`tccbench mutate`: would the checks notice a small mistake in the rules?"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from bench.options import Within, rules_option

if TYPE_CHECKING:
    from bench.mutation.campaign import Result

RESULTS_FILE, SURVEY_FILE = "mutation.jsonl", "tests.json"


@click.command(short_help="Change the rules a little, wrongly, and see which check notices.")
@rules_option
@click.option("--tests", "tests", multiple=True, metavar="PATH",
              help="Test files or folders to judge by, for pytest; without any, the proof alone judges.")  # fmt: skip
@click.option("--but", "but", multiple=True, metavar="PATH",
              help="Test files not to judge by: those that only ask the proof, which judges by itself.")  # fmt: skip
@click.option("--pages", "pages", multiple=True, metavar="PATH",
              help="Test files that hold a page equal to the declarations; counted apart, and asked where no other "
              "test notices.")  # fmt: skip
@click.option("--module", "modules", multiple=True, metavar="NAME",
              help="Modules of `controller` to change (`port/bits` for one of a folder, `port` for all of it); without "
              "any, those that say what the rules do. The others are judged by tests alone.")  # fmt: skip
@click.option("--explained", "reasons_file", default="docs/mutation_survivors.toml", show_default=True, metavar="FILE",
              help='TOML file with a line for each survivor: "name" = "reason".')  # fmt: skip
@click.option("--every", type=click.IntRange(1), default=1, show_default=True, metavar="N",
              help="Only every N-th mutant: a quick look.")  # fmt: skip
@click.option("--proof-every", type=click.IntRange(1), default=1, show_default=True, metavar="N",
              help="Ask the proof of every N-th mutant that the tests kill, and of all that they do not.")  # fmt: skip
@click.option("--again", is_flag=True, help="Judge anew what an earlier run into the same folder has not killed.")
@click.option("--quick-s", type=Within(0, 60), default=0.05, show_default=True, metavar="S",
              help="A test that takes longer is asked only where nothing else notices.")  # fmt: skip
@click.option("--workers", type=click.IntRange(1, 64), default=2, show_default=True, help="Judges side by side.")
@click.option("--out", "out_dir", default="tccbench-mutation", show_default=True, metavar="DIR",
              help="Folder for the results, kept as they come; a run goes on where it was left.")  # fmt: skip
@click.pass_context
def mutate(
    ctx: click.Context,
    rules_file: str | None,
    tests: tuple[str, ...],
    but: tuple[str, ...],
    pages: tuple[str, ...],
    modules: tuple[str, ...],
    reasons_file: str,
    every: int,
    proof_every: int,
    again: bool,
    quick_s: float,
    workers: int,
    out_dir: str,
) -> None:
    """Judge small wrong changes to the rules, the chart, its order, the interlocks, ranges and relations.

    Our own rules are changed in a checkout of the workbench, with its tests; with `--rules` the functions of that
    file and what it declares beyond ours. A judge that breaks or does not finish counts as unknown, never as a kill.
    Exits 1 where a survivor has no reason. Needs the `proof` extra (z3).
    """
    from bench.mutation import campaign
    from bench.optional import needed
    from bench.out_files import ready_folder
    from bench.pages.markup import Table
    from bench.terminal import print_table, print_verdict, progress_line
    from controller.errors import UserError
    from controller.user_rules import load_rules

    rules = load_rules(rules_file)
    needed("z3", extra="proof", what="tccbench mutate")
    if rules_file is None and not Path("controller", "our_rules.py").exists():
        raise UserError("tccbench mutate: run it in a checkout of the workbench, or give --rules FILE.py")
    for option, paths in (("--tests", tests), ("--but", but), ("--pages", pages)):
        for path in paths:
            if not Path(path).exists():
                raise UserError(f"{option} {path}: no such file or folder")
    modules = tuple(dict.fromkeys(one for name in modules for one in campaign.modules_named(name)))
    folder = ready_folder(out_dir)
    reasons = campaign.reasons_in(Path(reasons_file))
    # Which range of a key is right no proof can say.
    made = campaign.all_mutants(rules, modules or campaign.RULE_MODULES, rules_file, ranges=bool(tests or pages))
    mutants = list(made)[::every]
    by_proof = any(campaign.is_rule(one) for one in mutants)
    if not by_proof and not tests:
        raise UserError("--module: the machinery around the rules is judged by tests; give --tests PATH")
    with progress_line("running the tests on the rules as they are"):
        seen = campaign.surveyed(tests, but, pages, folder / SURVEY_FILE, quick_s, workers)
    plan = campaign.Plan(seen, pages, proof_every)
    with progress_line("finding what holds of the rules as they are"):
        if by_proof:
            campaign.ready_proof(plan, rules)

    def tell(result: Result, finished: int, total: int) -> None:
        click.echo(f"{finished}/{total} {result.judge} {result.outcome} {result.seconds} s: {result.name}", err=True)

    results = campaign.run(mutants, plan, folder / RESULTS_FILE, workers, tell, again)
    counts = campaign.tally(results)
    print_table(
        Table(
            "Mutants, and what noticed them",
            ("mutants of", *campaign.COUNTED),
            [(group, *(str(one) for one in row.values())) for group, row in counts.items()],
        )
    )
    left = campaign.survivors(results)
    unexplained = [name for name in left if name not in reasons]
    if left:
        print_table(
            Table(
                "Not killed", ("mutant", "reason"), [(name, reasons.get(name, "– none given")) for name in left], left=2
            )
        )
    stale = [name for name in reasons if name in {one.name for one in results} and name not in left]
    if stale:
        print_verdict([("note", f"explained, but killed by now: {name}") for name in stale])
    total = sum(row["judged"] for row in counts.values())
    if unexplained:
        print_verdict([("bad", f"{len(unexplained)} of {total} mutants are neither killed nor explained")])
        ctx.exit(1)
    print_verdict([("good", f"{total} mutants: every one is killed or explained")])
