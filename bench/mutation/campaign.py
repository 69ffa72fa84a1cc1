"""A mutation run: every mutant before every judge, results kept as they come, survivors matched with their reasons."""

from __future__ import annotations

import json
import subprocess
import sys
import tomllib
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

from bench.mutation.rule_edits import edits_of
from bench.mutation.source_mutants import Mutant, mutants_of
from controller.errors import UserError
from controller.ruleset import RuleSet

RULE_MODULES = ("interlocks", "our_rules", "tick", "words", "signals", "keys")
"""Modules of `controller` that say what the rules do; the others are the machinery around them."""

LIMIT_S = {"tests": 240, "proof": 240}


@dataclass(frozen=True)
class Result:
    """What one judge said of one mutant."""

    name: str
    judge: str
    outcome: str
    note: str
    seconds: float


def unchanged(rules_file: str | None) -> Mutant:
    """Return the rules as they are, as a mutant that every judge must pass."""
    path = Path("controller", "our_rules.py") if rules_file is None else Path(rules_file)
    text = path.read_text(encoding="utf-8")
    return Mutant("our_rules" if rules_file is None else rules_file, "nothing", lambda: text)


def all_mutants(rules: RuleSet, modules: Sequence[str], rules_file: str | None) -> Iterator[Mutant]:
    """Yield the declaration mutants of a rule set, then the source mutants of the modules, or of the user's file."""
    if rules_file is not None:
        text = Path(rules_file).read_text(encoding="utf-8")
        yield from mutants_of(rules_file, text)
        return
    folder = Path("controller")
    text = (folder / "our_rules.py").read_text(encoding="utf-8")
    for name in edits_of(rules):
        yield Mutant("our_rules", f"declared {name}", partial(_edited, text, name))
    for module in modules:
        yield from mutants_of(module, (folder / f"{module}.py").read_text(encoding="utf-8"))


def _edited(text: str, name: str) -> str:
    return f"{text}\nfrom bench.mutation.rule_edits import edits_of as _edits\nOURS = _edits(OURS)[{name!r}](OURS)\n"


def check_judges(sound: Mutant, judges: Sequence[str], tests: Sequence[str], invariants: Sequence[str]) -> None:
    """Raise `UserError` where a judge does not pass the rules as they are: it would kill every mutant."""
    jobs = iter([_job(sound, judge, tests, invariants) for judge in judges])
    with ThreadPoolExecutor(1) as pool:
        for result in _judged(jobs, 1, pool):
            if result.outcome != "survived":
                raise UserError(f"the {result.judge} do not pass the rules as they are: {result.note}; mend that first")


def run(
    mutants: Sequence[Mutant],
    judges: Sequence[str],
    tests: Sequence[str],
    invariants: Sequence[str],
    kept: Path,
    workers: int,
    tell: Callable[[Result, int, int], None],
) -> list[Result]:
    """Judge every mutant that the kept results do not name yet; each result is written down at once.

    An interrupt loses no more than what is being judged.
    """
    done = {(one.name, one.judge): one for one in read_results(kept)}
    pairs = [(one, judge) for one in mutants for judge in judges if (one.name, judge) not in done]
    total = len(pairs)
    waiting = (_job(mutant, judge, tests, invariants) for mutant, judge in pairs)
    with kept.open("a", encoding="utf-8") as file, ThreadPoolExecutor(workers) as pool:
        for finished, result in enumerate(_judged(waiting, workers, pool), 1):
            done[result.name, result.judge] = result
            file.write(json.dumps(vars(result)) + "\n")
            file.flush()
            tell(result, finished, total)
    names = {mutant.name for mutant in mutants}
    return [one for one in done.values() if one.name in names and one.judge in judges]


def _job(mutant: Mutant, judge: str, tests: Sequence[str], invariants: Sequence[str]) -> dict[str, Any]:
    of_ours = not mutant.module.endswith(".py")
    return {
        "name": mutant.name,
        "judge": judge,
        "module": f"controller.{mutant.module}" if of_ours else "",
        "path": str(Path("controller", f"{mutant.module}.py").resolve()) if of_ours else mutant.module,
        "rules_file": None if of_ours else mutant.module,
        "text": mutant.text(),
        "tests": list(tests),
        "invariants": list(invariants),
        "limit_s": LIMIT_S[judge],
    }


def _judged(jobs: Iterator[dict[str, Any]], workers: int, pool: ThreadPoolExecutor) -> Iterator[Result]:
    from queue import SimpleQueue
    from threading import Lock

    answers: SimpleQueue[Result | None] = SimpleQueue()
    lock = Lock()

    def work() -> None:
        judge = subprocess.Popen(
            [sys.executable, "-m", "bench.mutation.judge"], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        assert judge.stdin is not None
        assert judge.stdout is not None
        try:
            while True:
                with lock:
                    job = next(jobs, None)
                if job is None:
                    break
                judge.stdin.write(json.dumps(job) + "\n")
                judge.stdin.flush()
                line = judge.stdout.readline()
                if not line:
                    answers.put(Result(job["name"], job["judge"], "unknown", "the judge broke", 0.0))
                    break
                answers.put(Result(**json.loads(line)))
        finally:
            judge.stdin.close()
            judge.wait()
            answers.put(None)

    for _ in range(workers):
        pool.submit(work)
    ended = 0
    while ended < workers:
        answer = answers.get()
        if answer is None:
            ended += 1
        else:
            yield answer


def read_results(kept: Path) -> list[Result]:
    """Return the results of earlier runs; a line that an interrupt cut short is left out."""
    if not kept.exists():
        return []
    results = []
    for line in kept.read_text(encoding="utf-8").splitlines():
        try:
            results.append(Result(**json.loads(line)))
        except (ValueError, TypeError):
            continue
    return results


def survivors(results: Sequence[Result]) -> list[str]:
    """Return the names that no judge killed, unknown ones included."""
    killed = {one.name for one in results if one.outcome == "killed"}
    return list(dict.fromkeys(one.name for one in results if one.name not in killed))


def reasons_in(path: Path) -> dict[str, str]:
    """Return the reason for each survivor that a reasons file (TOML: `"name" = "reason"`) explains."""
    if not path.exists():
        return {}
    try:
        reasons = tomllib.loads(path.read_text(encoding="utf-8"))
    except tomllib.TOMLDecodeError as error:
        raise UserError(f"{path}: not TOML: {error}") from None
    return {str(name): str(reason) for name, reason in reasons.items()}


def tally(results: Sequence[Result], judges: Sequence[str]) -> dict[str, int]:
    """Count mutants: killed by each judge alone, by several, survived, unknown."""
    by_name: dict[str, dict[str, str]] = {}
    for one in results:
        by_name.setdefault(one.name, {})[one.judge] = one.outcome
    counts = {"mutants": len(by_name), **{f"killed by {judge} alone": 0 for judge in judges}, "killed by several": 0,
              "survived": 0, "unknown": 0}  # fmt: skip  # one row
    for outcomes in by_name.values():
        killers = [judge for judge, outcome in outcomes.items() if outcome == "killed"]
        if len(killers) > 1:
            counts["killed by several"] += 1
        elif killers:
            counts[f"killed by {killers[0]} alone"] += 1
        elif "unknown" in outcomes.values():
            counts["unknown"] += 1
        else:
            counts["survived"] += 1
    return counts
