"""What the tests do on the rules as they are: how long each takes, and which functions each test file calls.

A mutant is judged by the files whose tests call its function (or import its module, where it changes a
declaration), those that killed last first, quick ones before slow ones.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from bench.mutation.source_mutants import Mutant


@dataclass(frozen=True)
class File:
    """One test file: seconds of each test, the tests that share what is made once, what it calls and imports."""

    seconds: dict[str, float]
    shares: tuple[str, ...]
    called: frozenset[str]
    imported: frozenset[str]

    @property
    def total_s(self) -> float:
        """Seconds of the whole file."""
        return sum(self.seconds.values())


@dataclass
class Survey:
    """Every test file, and which tests killed last."""

    files: dict[str, File]
    quick_s: float
    """A test that takes longer is slow: it is asked only where nothing else has noticed a mutant."""
    killers: list[str] = field(default_factory=list)
    """Tests that have killed, the last one first."""

    def killed_by(self, test: str) -> None:
        """Remember a kill."""
        if test in self.killers:
            self.killers.remove(test)
        self.killers.insert(0, test)

    def plan(self, mutant: Mutant, slow: bool, among: Sequence[str] | None = None) -> tuple[list[str], list[str]]:
        """Return the files and, in order, the quick (or the slow) tests to judge a mutant by."""
        places = {name: place for place, name in enumerate(self.killers)}
        last = len(places)
        wanted: dict[str, list[str]] = {}
        for path, one in self.files.items():
            if among is not None and path not in among:
                continue
            if mutant.owner and not self._calls(one, mutant):
                continue
            tests = [name for name, seconds in one.seconds.items() if (seconds > self.quick_s) == slow]
            if tests:
                wanted[path] = tests
        shared = {name for path in wanted for name in self.files[path].shares}

        def rank(path: str) -> tuple[int, float]:
            return min(places.get(name, last) for name in wanted[path]), self.files[path].total_s

        order: list[str] = []
        for path in sorted(wanted, key=rank):
            seconds = self.files[path].seconds
            order += sorted(wanted[path], key=lambda name: (places.get(name, last), seconds[name]))
        # Tests that share something made once stay with their file; other killers may go before all.
        first = [name for name in self.killers if name in set(order) - shared]
        return list(wanted), list(dict.fromkeys([*first, *order]))

    @staticmethod
    def _calls(one: File, mutant: Mutant) -> bool:
        if mutant.owner == "module":
            return mutant.module in one.imported
        return f"{mutant.module}:{mutant.owner}" in one.called


def read_file(answer: str) -> File:
    """Return what the judge saw of one file, from its answer."""
    seen: dict[str, Any] = json.loads(answer)
    return File(seen["seconds"], tuple(seen["shares"]), frozenset(seen["called"]), frozenset(seen["imported"]))


def files_of(paths: Sequence[str], but: Sequence[str]) -> list[str]:
    """Return the test files of files and folders, in order, each once, without some."""
    left_out = {Path(one).resolve() for one in but}
    found: dict[str, None] = {}
    for path in paths:
        whole = Path(path.split("::")[0])
        for one in sorted(whole.rglob("test_*.py")) if whole.is_dir() else [whole]:
            if one.resolve() not in left_out:
                found.setdefault(one.as_posix())
    return list(found)


def digest(test_paths: Sequence[str]) -> str:
    """Return a digest of the tests and of what they test: a survey holds as long as neither changes."""
    made = hashlib.sha256()
    folders = {Path(path).parent for path in test_paths}
    for path in sorted(
        {*Path("controller").rglob("*.py"), *(one for folder in folders for one in folder.glob("*.py"))}
    ):
        made.update(path.read_bytes())
    made.update("\n".join(test_paths).encode())
    return made.hexdigest()
