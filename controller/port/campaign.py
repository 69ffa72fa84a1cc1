"""Checks of a written port: build, vectors, bad files, proof, back-to-back runs, figures; one result line each."""

from __future__ import annotations

import importlib.util
import platform
import shutil
import subprocess
from collections.abc import Iterator
from dataclasses import dataclass, replace
from importlib.metadata import version
from pathlib import Path
from typing import Any

from controller.errors import UserError
from controller.port.image import HEAD_BYTES, MAGIC
from controller.port.toolchain import CORES, Core, build_core, build_program
from controller.port.writing import Port, write_port
from controller.ruleset import RuleSet
from controller.step import initial_memory

RUNNER_SOURCES = ("rules.c", "checks.c", "calibration.c", "calibration_image.c", "device.c", "flat.c", "run_vectors.c")
FIRMWARE_SOURCES = ("rules.c", "checks.c", "calibration_image.c", "device.c")
_SANITIZERS = ("-O1", "-g", "-fsanitize=address,undefined", "-fno-sanitize-recover=all")
MISRA_NOT_KEPT = ("2.5", "8.7", "10.6")
_COST_CALIBRATIONS, _COST_RUN = 20, 250


@dataclass(frozen=True)
class Outcome:
    """One check: whether it passed (None: could not be run here, and why), and what was seen."""

    check: str
    passed: bool | None
    seen: str


@dataclass(frozen=True)
class Effort:
    """How many ticks the back-to-back runs take."""

    lanes: int = 1_000_000
    reference: int = 20_000
    m4: int = 100_000
    m0: int = 20_000
    cost: int = 10_000
    search: int = 10
    """Rounds of the search for the worst tick."""


LONG = Effort(reference=1_000_000, m4=1_000_000, m0=200_000, cost=50_000, search=100)
"""What a campaign of some minutes takes."""


def check_port(port: Port, rules: RuleSet, folder: Path, effort: Effort) -> Iterator[Outcome]:
    """Check a port that has been written to `folder`; building leaves its files in `folder`/build."""
    build = folder / "build"
    write_port(port, build)
    yield from _runner(build)
    yield from _cppcheck(build)
    yield from _bad_files(build)
    yield from _proof(port, rules)
    yield from _host(rules, build, effort)
    for core, ticks in ((CORES["m4"], effort.m4), (CORES["m0"], effort.m0)):
        yield from _core(rules, build, core, ticks, effort)


def _runner(build: Path) -> Iterator[Outcome]:
    for name, flags in (
        ("vectors", ("-O2",)),
        ("vectors under address and undefined-behaviour sanitizers", _SANITIZERS),
    ):
        try:
            program = build_program(build, RUNNER_SOURCES, "run_vectors", flags)
        except UserError as error:
            if flags is _SANITIZERS and shutil.which("gcc") is None:
                yield Outcome(name, None, "needs a C compiler with sanitizers")
                continue
            yield Outcome(name, False, str(error))
            continue
        done = _run([str(program.resolve()), "vectors.txt", "calibration.bin"], build)
        yield Outcome(name, done.returncode == 0, _last_line(done.stdout + done.stderr))


def _cppcheck(build: Path) -> Iterator[Outcome]:
    name = "cppcheck with its MISRA addon"
    if shutil.which("cppcheck") is None:
        yield Outcome(name, None, "cppcheck is not installed")
        return
    command = ["cppcheck", "--enable=warning,style,performance,portability", "--std=c99", "--addon=misra", "--quiet",
               "--error-exitcode=1", "--suppress=missingIncludeSystem", "--template={file}:{line}: {id}",
               *(f"--suppress=misra-c2012-{rule}" for rule in MISRA_NOT_KEPT), *FIRMWARE_SOURCES]  # fmt: skip
    done = _run(command, build)
    clean = f"nothing found in {len(FIRMWARE_SOURCES)} files; not kept, and said so: {', '.join(MISRA_NOT_KEPT)}"
    first = _first_line(done.stderr) or clean
    yield Outcome(name, done.returncode == 0, first)


def _bad_files(build: Path) -> Iterator[Outcome]:
    runner = str((build / "run_vectors").resolve())
    image, vectors = (build / "calibration.bin").read_bytes(), (build / "vectors.txt").read_bytes()
    # The least that is wrong: one bit, one byte, a last line.
    cases = (
        ("a corrupt calibration image", "corrupt.bin", _flipped(image, HEAD_BYTES), "corrupt"),
        ("an image of another format", "format.bin", _flipped(image, len(MAGIC)), "format"),
        ("a truncated image", "short.bin", image[:-1], "truncated"),
        ("a truncated vector file", "short.txt", vectors[: vectors.rindex(b"end ")], "truncated"),
    )
    for what, name, content, word in cases:
        (build / name).write_bytes(content)
        files = ["vectors.txt", name] if name.endswith(".bin") else [name]
        done = _run([runner, *files], build)
        said = _first_line(done.stderr)
        good = done.returncode == 2 and word in said and (not name.endswith(".bin") or said.endswith("duty 0"))
        yield Outcome(f"{what} is refused", good, said)


def _flipped(content: bytes, at: int) -> bytes:
    return content[:at] + bytes([content[at] ^ 1]) + content[at + 1 :]


def _proof(port: Port, rules: RuleSet) -> Iterator[Outcome]:
    name = "C text equal to the rules for every input and valid calibration"
    missing = [one for one in ("pycparser", "z3") if importlib.util.find_spec(one) is None]
    if missing:
        yield Outcome(name, None, f"needs {' and '.join(missing)}: pip install 'tccbench[port]'")
        return
    from controller.port.equality import failures, prove

    claims = prove(rules, port.text)
    wrong = failures(claims)
    seen = f"{len(claims)} claims proved" if not wrong else f"{wrong[0].name} {wrong[0].verdict}: {wrong[0].detail}"
    yield Outcome(name, not wrong, seen)


def _host(rules: RuleSet, build: Path, effort: Effort) -> Iterator[Outcome]:
    from controller.port.back_to_back import compare, lanes_runner, reference_runner
    from controller.port.host import HostLibrary

    library = HostLibrary(build, rules)
    if importlib.util.find_spec("numba") is None:
        yield Outcome("host C and lanes", None, "needs numba: pip install 'tccbench[lanes]'")
    else:
        result = compare(rules, "host C and lanes", library.run, lanes_runner(rules), ticks=effort.lanes, seed=1)
        yield Outcome(result.name, result.mismatches == 0, result.seen(rules))
    reference = reference_runner(rules)
    result = compare(rules, "host C and the reference", library.run, reference, ticks=effort.reference, seed=2)
    yield Outcome(result.name, result.mismatches == 0, result.seen(rules))


def _core(rules: RuleSet, build: Path, core: Core, ticks: int, effort: Effort) -> Iterator[Outcome]:
    name = f"{core.title} code and lanes"
    missing = [one for one in ("ziglang", "unicorn", "capstone", "numba") if importlib.util.find_spec(one) is None]
    if missing:
        yield Outcome(name, None, f"needs {' and '.join(missing)}: pip install 'tccbench[port,lanes]'")
        return
    from controller.port.back_to_back import compare, lanes_runner
    from controller.port.core import CoreMachine

    machine = CoreMachine(build, rules, core)
    result = compare(rules, name, machine.run, lanes_runner(rules), ticks=ticks, seed=3)
    yield Outcome(name, result.mismatches == 0, result.seen(rules))
    yield Outcome(f"{core.title} size and random ticks", True, figures(rules, build, core, machine, effort.cost))
    yield Outcome(f"{core.title} worst tick", True, _worst(rules, machine, effort.search))


def _worst(rules: RuleSet, machine: Any, rounds: int) -> str:
    from controller.port.longest import LongestWay
    from controller.port.reached import any_memory, reached_memory
    from controller.port.ways import Ways
    from controller.port.worst import Search

    search = Search(machine, 8)
    found = (f"searched for: {search.from_start(rounds)} instructions from power-up, "
             f"{search.anywhere(rounds)} from any memory in range")  # fmt: skip
    try:
        longest = LongestWay(machine.elf)
        found += f"; no way through the code is longer than {longest.bound('rules_tick')}"
        if machine.core.name == "m0":
            return found  # without conditional instructions there are too many ways to tell apart
        ways = Ways(longest, "rules_tick", ("k", "x", "m", "c"))
        after, anywhere = (max(map(ways.bound, memory(rules).values())) for memory in (reached_memory, any_memory))
        return f"{found}, none that exists than {anywhere} from any memory in range, {after} from power-up"
    except UserError as error:
        return f"{found}; {error}"


def figures(rules: RuleSet, build: Path, core: Core, machine: Any, ticks: int) -> str:
    """Return size, stack and instructions of the rules on a core, in one line."""
    import numpy as np

    from controller.port.elf import Elf
    from controller.port.stimulus import Stimulus

    size = Elf(build_core(build, core, ["rules.c"], f"rules_{core.name}.o")).sizes()
    stimulus = Stimulus(rules, 7)
    stacks: list[int] = []
    counts: dict[bool, list[Any]] = {True: [], False: []}
    runs = max(1, ticks // _COST_RUN // _COST_CALIBRATIONS)
    start = np.array([int(value) for value in initial_memory(rules)], dtype=np.int32)
    for _ in range(_COST_CALIBRATIONS):
        for from_start in (True, False):
            sample = stimulus.runs(stimulus.calibration(), runs, _COST_RUN)
            if from_start:
                sample = replace(sample, starts=np.tile(start, (runs, 1)))
            cost = machine.cost(sample)
            counts[from_start].append(cost.instructions)
            stacks.append(cost.stack_bytes)
    usual, anywhere = (np.concatenate(counts[from_start]) for from_start in (True, False))
    return (f"text {size['text']} B, data {size['data']} B, bss {size['bss']} B, heap 0 B, stack {max(stacks)} B; "
            f"instructions a tick: {usual.min()} min, {usual.mean():.0f} mean, {usual.max()} max of {len(usual):,} "
            f"ticks from power-up; {anywhere.max()} max from any memory in range")  # fmt: skip


def tools() -> list[tuple[str, str]]:
    """Return name and version of every tool that takes part."""
    found = [("python", platform.python_version())]
    compiler = shutil.which("gcc") or shutil.which("cc")
    if compiler:
        found.append((Path(compiler).name, _first_line(_run([compiler, "--version"], Path()).stdout)))
    for package in ("ziglang", "unicorn", "capstone", "pycparser", "z3-solver", "numba", "numpy"):
        try:
            found.append((package, version(package)))
        except ModuleNotFoundError:
            found.append((package, "not installed"))
    if shutil.which("cppcheck"):
        found.append(("cppcheck", _first_line(_run(["cppcheck", "--version"], Path()).stdout)))
    return found


def _run(command: list[str], folder: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)


def _first_line(text: str) -> str:
    return next(iter(text.strip().splitlines()), "")


def _last_line(text: str) -> str:
    return (text.strip().splitlines() or [""])[-1]
