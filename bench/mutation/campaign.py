"""A mutation run: every mutant before every judge, results kept as they come, survivors matched with their reasons."""

from __future__ import annotations

import json
import re
import subprocess
import sys
import tomllib
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import Any
from zlib import crc32

from bench.mutation import survey
from bench.mutation.judge import KILLED, LOOKED, SURVIVED, UNKNOWN
from bench.mutation.rule_edits import edits_of
from bench.mutation.source_mutants import Mutant, mutants_of
from controller.errors import UserError
from controller.our_rules import OURS
from controller.ruleset import RuleSet

RULE_MODULES = ("interlocks", "our_rules", "tick", "words", "signals", "keys")
"""Modules of `controller` that say what the rules do; the others are the machinery around them."""

PROVED = (*RULE_MODULES, "properties")
"""Modules whose mutants the proof can judge: the rules, and what must hold of them."""

LIMIT_S = {"tests": 60, "slow tests": 240, "pages": 60, "proof": 240, "look": 900}


@dataclass(frozen=True)
class Result:
    """What one judge said of one mutant."""

    name: str
    judge: str
    outcome: str
    note: str
    seconds: float


@dataclass
class Plan:
    """What the judges know: the tests, and of the rules as they are what the proof found and reads."""

    survey: survey.Survey
    pages: tuple[str, ...] = ()
    """Test files that hold a page equal to the declarations: they notice a change without knowing which is right."""
    proof_every: int = 1
    """The proof is asked of what the tests have not killed, and of every so-manieth that they have; 0: of nothing."""
    invariants: tuple[str, ...] = ()
    true_view: tuple[str, dict[str, list[int]]] = ("", {})
    runs: tuple[dict[str, Any], ...] = ()
    broken: list[str] = field(default_factory=list)
    """Names that the proof has found broken, the last one first."""

    def next_judge(self, mutant: Mutant, said: dict[str, str]) -> str | None:
        """Return whom to ask next about a mutant; None where what was said is enough.

        A page is asked last, but settles a mere figure (a range, a default) before anything slow is asked of it: no
        behaviour says which figure is right.
        """
        tests = self.survey.files.keys() - set(self.pages)
        if tests and "tests" not in said:
            return "tests"
        by_tests = KILLED in (said.get("tests"), said.get("slow tests"))
        if self.pages and is_figure(mutant) and not by_tests:
            if "pages" not in said:
                return "pages"
            if said["pages"] == KILLED:
                return None
        if "proof" not in said and self._is_for_proof(mutant, said.get("tests")):
            return "proof"
        if not tests or by_tests:
            return None
        if "slow tests" not in said:
            return "slow tests"
        return "pages" if self.pages and "pages" not in said else None

    def _is_for_proof(self, mutant: Mutant, by_tests: str | None) -> bool:
        if not is_rule(mutant) or self.proof_every == 0:
            return False
        # By the name alone, so that a run that goes on asks the same.
        return by_tests != KILLED or crc32(mutant.name.encode()) % self.proof_every == 0

    def heard(self, result: Result) -> None:
        """Learn who killed: it is asked first next time."""
        if result.outcome != KILLED:
            return
        if result.judge != "proof":
            self.survey.killed_by(result.note)
        elif not result.note.startswith("refused: "):
            self.broken[:] = [result.note, *(one for one in self.broken if one != result.note)]

    def job(self, mutant: Mutant, judge: str) -> dict[str, Any] | None:
        """Return what the judge is asked; None where no test of the kind touches what the mutant changes."""
        job = _job(mutant, judge)
        if judge == "proof":
            return job | {"invariants": self.invariants, "true_view": self.true_view, "runs": self.runs,
                          "killers": self.broken}  # fmt: skip  # one record
        if judge == "pages":
            return job | {"tests": self.pages, "order": None, "left_out": ()}
        tests = [path for path in self.survey.files if path not in self.pages]
        paths, order = self.survey.plan(mutant, judge == "slow tests", tests)
        left_out = {name for path in paths for name in self.survey.files[path].seconds} - set(order)
        return job | {"tests": paths, "order": order, "left_out": sorted(left_out)} if order else None


def is_rule(mutant: Mutant) -> bool:
    """Return whether a mutant changes what the rules do or must do, not the machinery around them."""
    return mutant.module in PROVED or mutant.module.endswith(".py")


def is_figure(mutant: Mutant) -> bool:
    """Return whether a mutant changes nothing but a number in the declaration of a key or a signal."""
    if mutant.what.startswith("declared key "):
        return True
    return mutant.module in ("keys", "signals") and re.search(r": \d+ → \d+( \(\d+\))?$", mutant.what) is not None


def modules_named(name: str) -> list[str]:
    """Return the module of `controller` that a name says, or those of a folder in it.

    Raises `UserError` where there is neither.
    """
    if Path("controller", f"{name}.py").is_file():
        return [name]
    found = sorted(one.stem for one in Path("controller", name).glob("*.py")) if name.isidentifier() else []
    if not found:
        raise UserError(f"--module {name}: there is no controller/{name}.py, and no such folder of modules")
    return [f"{name}/{one}" for one in found if one != "__init__"]


def all_mutants(
    rules: RuleSet, modules: Sequence[str], rules_file: str | None, ranges: bool = True
) -> Iterator[Mutant]:
    """Yield the mutants of the modules, or of the user's file; of both what is declared first.

    Of a user's set the declarations that ours has not. Without `ranges` those of its keys are left out.
    """
    if rules_file is not None:
        text = Path(rules_file).read_text(encoding="utf-8")
        of_ours = edits_of(OURS)
        for name in edits_of(rules):
            if name not in of_ours and (ranges or not name.startswith("key ")):
                yield Mutant(rules_file, f"declared {name}", partial(_edited, text, name, "RULES"))
        # Which test of a user's own calls what is not known.
        yield from (replace(one, owner="") for one in mutants_of(rules_file, text))
        return
    folder = Path("controller")
    text = (folder / "our_rules.py").read_text(encoding="utf-8")
    if "our_rules" in modules:
        for name in edits_of(rules):
            yield Mutant("our_rules", f"declared {name}", partial(_edited, text, name, "OURS"), "module")
    for module in modules:
        yield from mutants_of(module, (folder / f"{module}.py").read_text(encoding="utf-8"))


def _edited(text: str, name: str, variable: str) -> str:
    edited = f"{variable} = _edits({variable})[{name!r}]({variable})"
    return f"{text}\nfrom bench.mutation.rule_edits import edits_of as _edits\n{edited}\n"


def group_of(name: str) -> str:
    """Return the group that a mutant's name is counted in."""
    module, what = name.split(": ", 1)
    if what.startswith("declared key "):
        return "declared: key ranges"
    return "declared: all else" if what.startswith("declared ") else module


def surveyed(tests: Sequence[str], but: Sequence[str], pages: Sequence[str], kept: Path, quick_s: float,
             workers: int) -> survey.Survey:  # fmt: skip  # two lines
    """Run every test file on the rules as they are, unless an earlier run kept what they do.

    Raises `UserError` where a file does not pass: it would kill every mutant.
    """
    files = survey.files_of(tests, [*but, *pages]) if tests else []
    files += survey.files_of(pages, ())
    digest = survey.digest(files)
    answers: dict[str, str] = {}
    if kept.exists():
        known = json.loads(kept.read_text(encoding="utf-8"))
        answers = known["files"] if known["digest"] == digest else {}
    if not answers:
        jobs = iter([Mutant(path, "nothing", lambda: "") for path in files])

        def ask(judge: Judge) -> Iterator[Result]:
            while (one := next(jobs, None)) is not None:
                yield judge.asked({"name": one.module, "judge": "look", "text": None, "tests": [one.module],
                                   "limit_s": LIMIT_S["look"]})  # fmt: skip  # one record

        for result in _by_workers(ask, workers):
            if result.outcome != LOOKED:
                raise UserError(f"the tests do not pass the rules as they are: {result.note}; mend that first")
            answers[result.name] = result.note
        kept.write_text(json.dumps({"digest": digest, "files": answers}), encoding="utf-8")
    return survey.Survey({path: survey.read_file(answers[path]) for path in files}, quick_s)


def ready_proof(plan: Plan, rules: RuleSet) -> None:
    """Let the proof look at the rules as they are.

    Raises `UserError` where it does not pass them: it would kill every mutant.
    """
    from bench.mutation.proof_view import runs_to_rows, seen_by_proof
    from controller.proof import Effort, Proof, names_of

    proof = Proof(rules)
    for name in names_of(rules):
        verdict = proof.ask(name)
        if verdict.outcome != "proved":
            raise UserError(f"the proof does not pass the rules as they are: {name} is {verdict.outcome}; "
                            "mend that first")  # fmt: skip  # one sentence
    plan.invariants = tuple(sorted(proof.invariants))
    plan.true_view = seen_by_proof(rules)
    plan.runs = tuple(runs_to_rows(rules, Effort(query_s=10, search_s=40, most_ticks=8)))


def run(
    mutants: Sequence[Mutant],
    plan: Plan,
    kept: Path,
    workers: int,
    tell: Callable[[Result, int, int], None],
    again: bool = False,
) -> list[Result]:
    """Judge every mutant that the kept results do not settle yet; each result is written down at once.

    With `again`, what no judge has killed is judged anew. An interrupt loses no more than what is being judged.
    """
    said: dict[str, dict[str, Result]] = {}
    for one in read_results(kept):
        said.setdefault(one.name, {})[one.judge] = one
        plan.heard(one)
    if again:
        said = {name: by for name, by in said.items() if any(one.outcome == KILLED for one in by.values())}
    waiting = [one for one in mutants if plan.next_judge(one, _outcomes(said.get(one.name, {}))) is not None]
    total, finished = len(waiting), 0
    left = iter(waiting)

    def ask(judge: Judge) -> Iterator[Result]:
        while (mutant := next(left, None)) is not None:
            by = dict(said.get(mutant.name, {}))
            while (whom := plan.next_judge(mutant, _outcomes(by))) is not None:
                job = plan.job(mutant, whom)
                if job is None:
                    by[whom] = Result(mutant.name, whom, SURVIVED, "no such test touches it", 0.0)
                else:
                    by[whom] = judge.asked(job)
                yield by[whom]

    seen: set[str] = set()
    with kept.open("a", encoding="utf-8") as file:
        for result in _by_workers(ask, min(workers, total)):
            said.setdefault(result.name, {})[result.judge] = result
            plan.heard(result)
            file.write(json.dumps(vars(result)) + "\n")
            file.flush()
            finished += result.name not in seen
            seen.add(result.name)
            tell(result, finished, total)
    names = {mutant.name for mutant in mutants}
    return [one for name, by in said.items() if name in names for one in by.values()]


def _outcomes(by: dict[str, Result]) -> dict[str, str]:
    return {judge: one.outcome for judge, one in by.items()}


def _job(mutant: Mutant, judge: str) -> dict[str, Any]:
    of_ours = not mutant.module.endswith(".py")
    return {
        "name": mutant.name,
        "judge": judge,
        "module": f"controller.{mutant.module.replace('/', '.')}" if of_ours else "",
        "path": str(Path("controller", f"{mutant.module}.py").resolve()) if of_ours else mutant.module,
        "rules_file": None if of_ours else mutant.module,
        "text": mutant.text(),
        "limit_s": LIMIT_S[judge],
    }


def _started() -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "bench.mutation.judge"], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )


class Judge:
    """A process that judges one job after another."""

    def __init__(self) -> None:
        self._process = _started()

    def asked(self, job: dict[str, Any]) -> Result:
        """Return the answer to a job; one that breaks the judge itself is unknown, and the next gets a new judge."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        try:
            self._process.stdin.write(json.dumps(job) + "\n")
            self._process.stdin.flush()
            line = self._process.stdout.readline()
        except BrokenPipeError:
            line = ""
        if line:
            return Result(**json.loads(line))
        self._process.kill()
        self._process.communicate()
        self._process = _started()
        return Result(job["name"], job["judge"], UNKNOWN, "the judge broke", 0)

    def end(self) -> None:
        """Let it end."""
        assert self._process.stdin is not None
        self._process.stdin.close()
        self._process.wait()


def _by_workers(ask: Callable[[Judge], Iterator[Result]], workers: int) -> Iterator[Result]:
    """Yield the answers of several judges side by side, as they come; `ask` runs in a thread for each of them."""
    from queue import SimpleQueue

    answers: SimpleQueue[Result | BaseException | None] = SimpleQueue()

    def work() -> None:
        try:
            judge = Judge()
            try:
                for result in ask(judge):
                    answers.put(result)
            finally:
                judge.end()
        except BaseException as error:  # told to the caller, who waits for this thread
            answers.put(error)
        answers.put(None)

    with ThreadPoolExecutor(max(1, workers)) as pool:
        for _ in range(workers):
            pool.submit(work)
        ended = 0
        while ended < workers:
            answer = answers.get()
            if answer is None:
                ended += 1
            elif isinstance(answer, BaseException):
                raise answer
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
    killed = {one.name for one in results if one.outcome == KILLED}
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


COUNTED = ("judged", "tests alone", "tests and proof", "proof alone", "pages alone", "survived", "unknown")
"""What becomes of mutants. A survivor was passed by every judge; of an unknown one some judge could not tell."""


def tally(results: Sequence[Result]) -> dict[str, dict[str, int]]:
    """Count by group what became of the mutants."""
    by_name: dict[str, dict[str, str]] = {}
    for one in results:
        by_name.setdefault(one.name, {})[one.judge] = one.outcome
    counts: dict[str, dict[str, int]] = {}
    for name, said in by_name.items():
        of_group = counts.setdefault(group_of(name), dict.fromkeys(COUNTED, 0))
        of_group["judged"] += 1
        of_group[_became(said)] += 1
    return counts


def _became(said: dict[str, str]) -> str:
    by_tests = KILLED in (said.get("tests"), said.get("slow tests"))
    by_proof = said.get("proof") == KILLED
    if by_tests:
        return "tests and proof" if by_proof else "tests alone"
    if by_proof:
        return "proof alone"
    if said.get("pages") == KILLED:
        return "pages alone"
    return "unknown" if UNKNOWN in said.values() else "survived"
