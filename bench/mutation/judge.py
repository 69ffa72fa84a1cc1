"""Judges one mutant after another, each in a process of its own that is forked from this one.

Started as `python -m bench.mutation.judge` in the repository's root: reads a job a line (JSON) and answers a line
each. What is slow to import and not ours is imported once, before the first fork; what is ours only in the child,
through a finder that gives the mutant's text for its module.
"""

from __future__ import annotations

import importlib.abc
import importlib.machinery
import importlib.util
import json
import os
import select
import signal
import sys
import time
from collections.abc import Sequence
from pathlib import Path
from types import ModuleType
from typing import Any

KILLED, SURVIVED, UNKNOWN = "killed", "survived", "unknown"

_PRELOADED = ("pytest", "hypothesis", "hypothesis.stateful", "z3", "transitions", "pydantic", "numpy", "rich", "click")


class _Swapped(importlib.abc.MetaPathFinder, importlib.abc.ExecutionLoader):
    """Finds one module with another text in it; no byte code of the true file stands in for it."""

    def __init__(self, module: str, path: str, text: str) -> None:
        self._module, self._path, self._text = module, path, text

    def find_spec(
        self, fullname: str, _path: Sequence[str] | None, _target: ModuleType | None = None
    ) -> importlib.machinery.ModuleSpec | None:
        """Answer for the one module only."""
        if fullname != self._module:
            return None
        return importlib.util.spec_from_file_location(fullname, self._path, loader=self)

    def get_filename(self, fullname: str) -> str:  # noqa: ARG002 - the library's
        """Return the true file, which errors name."""
        return self._path

    def get_source(self, fullname: str) -> str:  # noqa: ARG002 - the library's
        """Return the mutant's text."""
        return self._text


def _by_tests(job: dict[str, Any]) -> tuple[str, str]:
    import pytest
    from hypothesis import Phase, settings

    # A failing example is enough: no shrinking, and nothing learnt from one mutant to the next.
    settings.register_profile("mutation", phases=[Phase.explicit, Phase.generate], database=None)
    settings.load_profile("mutation")

    class Listener:
        first = ""

        def pytest_runtest_logreport(self, report: Any) -> None:
            if report.failed and not self.first:
                self.first = report.nodeid

        def pytest_collectreport(self, report: Any) -> None:
            if report.failed and not self.first:
                self.first = f"{report.nodeid} (at import)"

    listener = Listener()
    # In this process, without the project's own options: workers of pytest would import the rules as they are.
    code = pytest.main(
        ["-x", "-q", "-p", "no:cacheprovider", "-o", "addopts=", "-m", "not long", *job["tests"]], plugins=[listener]
    )
    if code == 0:
        return SURVIVED, ""
    if listener.first:
        return KILLED, listener.first
    return UNKNOWN, f"pytest ended with {int(code)}"


def _by_proof(job: dict[str, Any]) -> tuple[str, str]:
    from controller.errors import UserError

    try:
        from controller.proof import Effort, Proof, names_of
        from controller.user_rules import load_rules

        rules = load_rules(job.get("rules_file"))
        effort = Effort(query_s=10, search_s=40, most_ticks=8)
        proof = Proof(rules, effort, among=job["invariants"])
        whole: Proof | None = None
        left_open = ""
        for name in names_of(rules):
            verdict = proof.ask(name)
            if verdict.outcome == "open":
                # The invariants of the true rules may just not fit: look for those of the mutant.
                whole = whole or Proof(rules, effort)
                verdict = whole.ask(name)
            if verdict.outcome == "broken":
                return KILLED, name
            if verdict.outcome == "open":
                left_open = left_open or name
    except UserError as error:
        return KILLED, f"refused: {error}"
    # Neither proved nor broken in the time given: `prove` would not pass it, but no kill is claimed.
    return (UNKNOWN, f"open: {left_open}") if left_open else (SURVIVED, "")


_JUDGES = {"tests": _by_tests, "proof": _by_proof}


def _judge(job: dict[str, Any]) -> tuple[str, str]:
    sys.meta_path.insert(0, _Swapped(job["module"], job["path"], job["text"]))
    sys.argv = ["mutation"]
    return _JUDGES[job["judge"]](job)


def _forked(job: dict[str, Any]) -> tuple[str, str]:
    """Run a job in a child; a child that ends without an answer, or too late, is unknown and never counts as a kill."""
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(reading)
        nothing = os.open(os.devnull, os.O_RDWR)
        for stream in (0, 1, 2):
            os.dup2(nothing, stream)
        os.setsid()
        try:
            answer: tuple[str, str] = _judge(job)
        except BaseException as error:  # the child must answer whatever happens
            answer = (UNKNOWN, f"{type(error).__name__}: {error}")
        os.write(writing, json.dumps(answer).encode())
        os._exit(0)
    os.close(writing)
    ready, _, _ = select.select([reading], [], [], job["limit_s"])
    text = os.read(reading, 65_536) if ready else b""
    os.close(reading)
    if not ready:
        os.killpg(child, signal.SIGKILL)
    os.waitpid(child, 0)
    if not ready:
        return UNKNOWN, f"no answer within {job['limit_s']} s"
    if not text:
        return UNKNOWN, "the judge ended without an answer"
    outcome, note = json.loads(text)
    return outcome, note


def main() -> None:
    """Answer jobs until the input ends."""
    for name in _PRELOADED:
        if importlib.util.find_spec(name) is not None:
            importlib.import_module(name)
    sys.path.insert(0, str(Path.cwd()))
    for line in sys.stdin:
        job = json.loads(line)
        began = time.perf_counter()
        outcome, note = _forked(job)
        answer = {"name": job["name"], "judge": job["judge"], "outcome": outcome, "note": note[:200],
                  "seconds": round(time.perf_counter() - began, 1)}  # fmt: skip  # one record
        print(json.dumps(answer), flush=True)


if __name__ == "__main__":
    main()
