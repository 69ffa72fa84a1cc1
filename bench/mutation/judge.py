"""Judges one mutant after another, each in a process of its own that is forked from this one.

Started as `python -m bench.mutation.judge` in the repository's root: reads a job a line (JSON) and answers a line
each. What is slow to import and not ours is imported once, before the first fork; what is ours only in the child,
through a finder that gives the mutant's text for its module.
"""

from __future__ import annotations

import gc
import importlib.abc
import importlib.machinery
import importlib.util
import io
import json
import os
import select
import signal
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from types import ModuleType
from typing import Any

KILLED, SURVIVED, UNKNOWN, LOOKED = "killed", "survived", "unknown", "looked"

_PRELOADED = (
    "pytest", "hypothesis", "hypothesis.stateful", "z3", "transitions", "pydantic", "numpy", "rich", "click",
    "numba", "pycparser", "unicorn", "capstone",
)  # fmt: skip  # one list


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


class _Listener:
    """Tells pytest which tests to run in which order, and hears what came of them."""

    def __init__(self, order: Sequence[str] | None = None, left_out: Sequence[str] = ()) -> None:
        self._places = None if order is None else {name: place for place, name in enumerate(order)}
        self._left_out = set(left_out)
        self.first_failed = ""
        self.seconds: dict[str, float] = {}
        self.shares: list[str] = []
        """Tests that use what is made once for their whole file."""
        self.hear: Callable[[Any, str, Any], None] | None = None
        """Hears each call; set anew for each test, as Python drops it where a test exhausts the stack."""

    def pytest_collection_modifyitems(self, config: Any, items: list[Any]) -> None:
        for item in items:
            made = [one for ones in item._fixtureinfo.name2fixturedefs.values() for one in ones]
            if any(one.scope not in ("function", "session") for one in made):
                self.shares.append(item.nodeid)
        places = self._places
        if places is None:
            return
        # A mutant may change the names of tests that are made from the declarations: those come last.
        last = len(places)
        kept = [item for item in items if item.nodeid not in self._left_out]
        config.hook.pytest_deselected(items=[item for item in items if item not in kept])
        items[:] = sorted(kept, key=lambda item: places.get(item.nodeid, last))

    def pytest_runtest_setup(self) -> None:
        if self.hear is not None:
            sys.setprofile(self.hear)

    def pytest_runtest_logreport(self, report: Any) -> None:
        self.seconds[report.nodeid] = self.seconds.get(report.nodeid, 0.0) + report.duration
        if report.failed and not self.first_failed:
            self.first_failed = report.nodeid

    def pytest_collectreport(self, report: Any) -> None:
        if report.failed and not self.first_failed:
            self.first_failed = f"{report.nodeid} (at import)"


def _asked(paths: Sequence[str], listener: _Listener) -> int:
    import pytest
    from hypothesis import Phase, settings

    # A failing example is enough: no shrinking, nothing learnt from one mutant to the next, and no kill by the clock.
    settings.register_profile("mutation", phases=[Phase.explicit, Phase.generate], database=None, deadline=None)
    settings.load_profile("mutation")
    os.environ["PYTEST_DISABLE_PLUGIN_AUTOLOAD"] = "1"
    # In this process, without the project's own options: workers of pytest would import the rules as they are.
    options = ["-x", "-q", "-p", "no:cacheprovider", "-o", "addopts=", "-m", "not long", "--tb=no"]
    return int(pytest.main([*options, *paths], plugins=[listener]))


def _by_tests(job: dict[str, Any]) -> tuple[str, str]:
    listener = _Listener(job["order"], job["left_out"])
    code = _asked(job["tests"], listener)
    if code == 0:
        return SURVIVED, ""
    if listener.first_failed:
        return KILLED, listener.first_failed
    return UNKNOWN, f"pytest ended with {code}"


def _look(job: dict[str, Any]) -> tuple[str, str]:
    """Run test files on the rules as they are: how long each test takes, and which functions the files call."""
    folder = str(Path("controller").resolve()) + os.sep
    called: set[tuple[str, str]] = set()

    def hear(frame: Any, event: str, _argument: Any) -> None:
        if event == "call" and frame.f_code.co_filename.startswith(folder):
            called.add((frame.f_code.co_filename, frame.f_code.co_name))

    listener = _Listener()
    listener.hear = hear
    sys.setprofile(hear)
    code = _asked(job["tests"], listener)
    sys.setprofile(None)
    if code != 0:
        return UNKNOWN, listener.first_failed or f"pytest ended with {code}"
    seen = {
        "seconds": {name: round(seconds, 4) for name, seconds in listener.seconds.items()},
        "shares": listener.shares,
        "called": sorted({f"{_module(path)}:{name}" for path, name in called}),
        "imported": sorted(_module(one.__file__) for name, one in list(sys.modules.items())
                           if name.startswith("controller.") and one.__file__),
    }  # fmt: skip  # one record
    return LOOKED, json.dumps(seen)


def _module(path: str | None) -> str:
    return Path(path or "").resolve().relative_to(Path("controller").resolve()).with_suffix("").as_posix()


def _by_proof(job: dict[str, Any]) -> tuple[str, str]:
    from controller.errors import UserError

    try:
        from bench.mutation.proof_view import fires_every_row, narrowed, seen_by_proof
        from controller.language import check
        from controller.proof import Effort, Proof, names_of
        from controller.user_rules import load_rules

        rules = load_rules(job.get("rules_file"))
        check(rules)
        terms, ranges = seen_by_proof(rules)
        if terms == job["true_view"][0] and narrowed(ranges, job["true_view"][1]):
            # What is proved for all of the wider ranges holds in these, but a row may have lost the runs that fire it.
            if ranges == job["true_view"][1]:
                return SURVIVED, "the proof reads nothing of it"
            if fires_every_row(rules, job["runs"]):
                return SURVIVED, "narrower ranges only, and every row still fires"
        effort = Effort(query_s=10, search_s=20, most_ticks=8, plain=False)
        proof = Proof(rules, effort, among=job["invariants"])
        whole: Proof | None = None
        left_open = ""
        # Searching runs to every row takes longest.
        places = {name: place for place, name in enumerate(job["killers"])} | {
            "every_row_can_fire": len(names_of(rules))
        }
        settled = {*(one.name for one in rules.checks), "memory_in_range"} if proof.all_at_once() else set()
        if fires_every_row(rules, job["runs"]):
            settled.add("every_row_can_fire")
        for name in sorted(names_of(rules).keys() - settled, key=lambda name: (places.get(name, len(places)), name)):
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


_JUDGES = {"tests": _by_tests, "slow tests": _by_tests, "pages": _by_tests, "proof": _by_proof, "look": _look}


def _swap_file(path: str, text: str) -> None:
    """Give the text to whoever runs the file as code: `runpy` opens it through the one function meant for that."""
    true_open, swapped = io.open_code, Path(path).resolve()

    def open_code(path: str) -> Any:
        return io.BytesIO(text.encode()) if Path(path).resolve() == swapped else true_open(path)

    io.open_code = open_code


def _judge(job: dict[str, Any]) -> tuple[str, str]:
    if job["text"] is None:
        pass
    elif job["rules_file"] is not None:
        _swap_file(job["rules_file"], job["text"])
    else:
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
        gc.disable()  # it would walk all that was imported before the fork; the child does not live long
        try:
            answer: tuple[str, str] = _judge(job)
        except BaseException as error:  # the child must answer whatever happens
            answer = (UNKNOWN, f"{type(error).__name__}: {error}")
        with os.fdopen(writing, "wb") as pipe:
            pipe.write(json.dumps(answer).encode())
        os._exit(0)
    os.close(writing)
    stop = time.monotonic() + job["limit_s"]
    text, ended = b"", False
    while not ended and select.select([reading], [], [], max(0.0, stop - time.monotonic()))[0]:
        piece = os.read(reading, 65_536)
        text, ended = text + piece, not piece
    os.close(reading)
    if not ended:
        os.killpg(child, signal.SIGKILL)
    os.waitpid(child, 0)
    if not ended:
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
        answer = {"name": job["name"], "judge": job["judge"], "outcome": outcome,
                  "note": note if outcome == LOOKED else note[:200],
                  "seconds": round(time.perf_counter() - began, 1)}  # fmt: skip  # one record
        print(json.dumps(answer), flush=True)


if __name__ == "__main__":
    main()
