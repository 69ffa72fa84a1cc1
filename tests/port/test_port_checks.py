"""The checks of a port: each fails where what it asks for is not so, and says so where it could not be asked.

What the checks run is stood for by something small whose answer is known; `test_campaign.py` runs them all in earnest.
"""

from __future__ import annotations

import importlib.util
import re
from collections.abc import Callable, Iterator
from importlib.metadata import PackageNotFoundError
from pathlib import Path
from subprocess import CompletedProcess
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from own_rules import PLAIN, WIDTH
from shell_programs import program

from controller.calibration import load_calibration
from controller.errors import UserError
from controller.our_rules import OURS
from controller.port import back_to_back, campaign, core, elf, equality, host, longest, reached, ways, worst
from controller.port.campaign import LONG, Effort, Outcome
from controller.port.core import TickCost
from controller.port.equality import Claim, CText
from controller.port.image import HEAD_BYTES, read_image, write_image
from controller.port.stimulus import Stimulus, Ticks
from controller.port.toolchain import CORES
from controller.step import initial_memory


def _missing(monkeypatch: pytest.MonkeyPatch, *names: str) -> None:
    monkeypatch.setattr(importlib.util, "find_spec", lambda name: None if name in names else object())


# Vectors through the C runner --------------------------------------------------------------------------------


def _built(monkeypatch: pytest.MonkeyPatch, build: Callable[[tuple[str, ...]], Path]) -> None:
    def build_program(_folder: Path, sources: tuple[str, ...], name: str, flags: tuple[str, ...]) -> Path:
        assert sources == campaign.RUNNER_SOURCES
        assert name == "run_vectors"
        return build(flags)

    monkeypatch.setattr(campaign, "build_program", build_program)


@pytest.mark.parametrize(
    ("does", "passed", "seen"),
    [
        ("echo calibration good; echo 40 ticks, 0 mismatches", True, "40 ticks, 0 mismatches"),
        ("echo 40 ticks, 1 mismatches; exit 1", False, "40 ticks, 1 mismatches"),
        ("echo 40 ticks; echo runtime error: overflow >&2; exit 1", False, "runtime error: overflow"),
        ("exit 1", False, ""),
        ("echo $*", True, "vectors.txt calibration.bin"),
    ],
)
def test_vectors_pass_where_the_runner_ends_well(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, does: str, passed: bool, seen: str
) -> None:
    _built(monkeypatch, lambda _flags: program(tmp_path, "run_vectors", does))
    assert list(campaign._runner(tmp_path)) == [
        Outcome("vectors", passed, seen),
        Outcome("vectors under address and undefined-behaviour sanitizers", passed, seen),
    ]


def test_only_a_missing_compiler_with_sanitizers_is_no_failure(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, tools: Path
) -> None:
    def fails(flags: tuple[str, ...]) -> Path:
        raise UserError(f"no build: {' '.join(flags)}")

    _built(monkeypatch, fails)
    plain, sanitized = campaign._runner(tmp_path)
    assert (plain.passed, plain.seen) == (False, "no build: -O2")
    assert (sanitized.passed, sanitized.seen) == (None, "needs a C compiler with sanitizers")
    program(tools, "gcc", "")
    plain, sanitized = campaign._runner(tmp_path)
    assert plain.passed is sanitized.passed is False
    assert "-fsanitize=address,undefined" in sanitized.seen


# Rules of MISRA C --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("does", "passed", "seen"),
    [
        ("exit 0", True, "nothing found in 4 files; not kept, and said so: 2.5, 8.7, 10.6"),
        ("echo rules.c:7: misra >&2; echo rules.c:9: style >&2; exit 1", False, "rules.c:7: misra"),
        ("echo rules.c:7: misra >&2", True, "rules.c:7: misra"),
    ],
)
def test_cppcheck_passes_where_it_ends_well(tools: Path, tmp_path: Path, does: str, passed: bool, seen: str) -> None:
    program(tools, "cppcheck", does)
    assert list(campaign._cppcheck(tmp_path)) == [Outcome("cppcheck with its MISRA addon", passed, seen)]


def test_cppcheck_is_told_to_fail_on_what_it_finds_in_what_goes_into_firmware(tools: Path, tmp_path: Path) -> None:
    program(tools, "cppcheck", "echo $* >&2")
    (outcome,) = campaign._cppcheck(tmp_path)
    assert {"--addon=misra", "--error-exitcode=1", "--suppress=misra-c2012-8.7"} <= set(outcome.seen.split())
    assert outcome.seen.endswith(" rules.c checks.c calibration_image.c device.c")


def test_cppcheck_that_is_missing_is_said(tools: Path) -> None:
    (outcome,) = campaign._cppcheck(tools)
    assert (outcome.passed, outcome.seen) == (None, "cppcheck is not installed")


# Bad files ---------------------------------------------------------------------------------------------------

_IMAGE = write_image(OURS, load_calibration("station", OURS).values)
_VECTORS = b"k 1\nt 2\nend of a line\nend 1 0\n"


def _refusals(
    monkeypatch: pytest.MonkeyPatch, build: Path, code: int = 2, said: Callable[[str], str] = str
) -> Iterator[Outcome]:
    """Yield what comes of a runner that refuses as it should, but for its code and what `said` makes of its words."""
    (build / "calibration.bin").write_bytes(_IMAGE)
    (build / "vectors.txt").write_bytes(_VECTORS)

    def run(command: list[str], folder: Path) -> CompletedProcess[str]:
        assert command[0] == str((build / "run_vectors").resolve())
        *before, name = command[1:]
        text = "error: short.txt: the file is truncated"
        if name.endswith(".bin"):
            assert before == ["vectors.txt"]
            try:
                read_image(OURS, (folder / name).read_bytes(), name)
                text = "good"
            except UserError as error:
                text = f"{error} truncated; duty 0" if "bytes and" in str(error) else f"{error}; duty 0"
        else:
            assert before == []
        return CompletedProcess(command, code, "", f"{said(text)}\nmore\n")

    monkeypatch.setattr(campaign, "_run", run)
    yield from campaign._bad_files(build)


def test_every_bad_file_that_is_refused_with_the_right_word_is_good(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    outcomes = list(_refusals(monkeypatch, tmp_path))
    assert [one.check for one in outcomes] == [
        "a corrupt calibration image is refused",
        "an image of another format is refused",
        "a truncated image is refused",
        "a truncated vector file is refused",
    ]
    assert all(one.passed for one in outcomes)
    assert outcomes[3].seen == "error: short.txt: the file is truncated"


def test_the_bad_files_are_wrong_by_as_little_as_can_be(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    list(_refusals(monkeypatch, tmp_path))
    corrupt, other = ((tmp_path / name).read_bytes() for name in ("corrupt.bin", "format.bin"))
    assert corrupt == _IMAGE[:HEAD_BYTES] + bytes([_IMAGE[HEAD_BYTES] ^ 1]) + _IMAGE[HEAD_BYTES + 1 :]
    assert other == b"TCBC\0" + _IMAGE[5:]
    assert (tmp_path / "short.bin").read_bytes() == _IMAGE[:-1]
    assert (tmp_path / "short.txt").read_bytes() == b"k 1\nt 2\nend of a line\n"


@pytest.mark.parametrize("code", [0, 1, 3])
def test_a_bad_file_that_does_not_end_in_a_refusal_fails(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, code: int
) -> None:
    assert [one.passed for one in _refusals(monkeypatch, tmp_path, code)] == [False] * 4


@pytest.mark.parametrize(
    ("said", "passed"),
    [
        (lambda text: text.replace("corrupt", "wrong"), [False, True, True, True]),
        (lambda text: text.replace("format", "wrong"), [True, False, True, True]),
        (lambda text: text.replace("truncated", "wrong"), [True, True, False, False]),
        # An image must leave the duty at 0; a vector file has none.
        (lambda text: text.replace("; duty 0", ""), [False, False, False, True]),
        (lambda text: text.replace("; duty 0", "; duty 0.5"), [False, False, False, True]),
    ],
)
def test_a_refusal_for_another_reason_fails(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, said: Callable[[str], str], passed: list[bool]
) -> None:
    assert [one.passed for one in _refusals(monkeypatch, tmp_path, said=said)] == passed


# The proof ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("claims", "passed", "seen"),
    [
        ([Claim("a", "proved"), Claim("b", "proved")], True, "2 claims proved"),
        (
            [Claim("a", "proved"), Claim("b", "refuted", "x = 1"), Claim("c", "undecided", "time")],
            False,
            "b refuted: x = 1",
        ),
        ([Claim("c", "undecided", "time")], False, "c undecided: time"),
    ],
)
def test_the_proof_passes_where_every_claim_is_proved(
    monkeypatch: pytest.MonkeyPatch, claims: list[Claim], passed: bool, seen: str
) -> None:
    port: Any = SimpleNamespace(text=CText("h", "r", "c"))
    monkeypatch.setattr(equality, "prove", lambda rules, text: claims if (rules, text) == (OURS, port.text) else [])
    (outcome,) = campaign._proof(port, OURS)
    assert (outcome.passed, outcome.seen) == (passed, seen)


@pytest.mark.parametrize("missing", [["pycparser"], ["z3"], ["pycparser", "z3"]])
def test_a_proof_without_its_packages_is_not_claimed(monkeypatch: pytest.MonkeyPatch, missing: list[str]) -> None:
    _missing(monkeypatch, *missing)
    (outcome,) = campaign._proof(SimpleNamespace(), OURS)  # type: ignore[arg-type]  # it is not looked at
    assert outcome.passed is None
    assert outcome.seen == f"needs {' and '.join(missing)}: pip install 'tccbench[port]'"


# Back-to-back runs -------------------------------------------------------------------------------------------


class _Backend:
    """Puts out zeros, but for a wrong one in the first tick, and keeps what it was given."""

    def __init__(self, is_wrong: bool = False) -> None:
        self.given: list[Ticks] = []
        self.is_wrong = is_wrong

    def run(self, ticks: Ticks) -> Any:
        self.given.append(ticks)
        rows = np.zeros((len(ticks.inputs), WIDTH), dtype=np.int32)
        rows[0, 3] = self.is_wrong
        return rows

    def took(self, seed: int, ticks: int) -> bool:
        """Say whether it took so many ticks, from the first that this seed gives."""
        first = Stimulus(PLAIN, seed).calibration()
        return sum(len(one.inputs) for one in self.given) == ticks and (self.given[0].calibration == first).all()


@pytest.fixture
def sides(monkeypatch: pytest.MonkeyPatch) -> dict[str, _Backend]:
    """Return what stands for each backend."""
    made = {name: _Backend() for name in ("host", "core", "lanes", "reference")}

    def of(name: str) -> Callable[..., Any]:
        return lambda *_given: made[name] if name in ("host", "core") else made[name].run

    monkeypatch.setattr(host, "HostLibrary", of("host"))
    monkeypatch.setattr(core, "CoreMachine", of("core"))
    monkeypatch.setattr(back_to_back, "lanes_runner", of("lanes"))
    monkeypatch.setattr(back_to_back, "reference_runner", of("reference"))
    monkeypatch.setattr(campaign, "figures", lambda *_given: "so large")
    monkeypatch.setattr(campaign, "_worst", lambda *_given: "so long")
    return made


@pytest.mark.parametrize(
    ("wrong", "passed"), [(None, [True, True]), ("lanes", [False, True]), ("reference", [True, False])]
)
def test_one_mismatch_of_the_host_fails_the_check_it_is_in(
    sides: dict[str, _Backend], tmp_path: Path, wrong: str | None, passed: list[bool]
) -> None:
    if wrong:
        sides[wrong].is_wrong = True
    outcomes = list(campaign._host(PLAIN, tmp_path, Effort(lanes=2_000, reference=1_000)))
    assert [(one.check, one.passed) for one in outcomes] == [
        ("host C and lanes", passed[0]),
        ("host C and the reference", passed[1]),
    ]
    for one, ticks, good in zip(outcomes, ("2,000", "1,000"), passed, strict=True):
        told = f"{ticks} ticks, {0 if good else 20} mismatches"
        assert one.seen == (told if good else f"{told}; first: memory band_was after tick 0 of run 0: 0 and 1")
    # Other ticks for each, the same ones each time: a figure that is published can be seen again.
    assert sides["lanes"].took(1, 2_000)
    assert sides["reference"].took(2, 1_000)


def test_without_numba_the_host_runs_against_the_reference_alone(
    sides: dict[str, _Backend], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    _missing(monkeypatch, "numba")
    lanes, reference = campaign._host(PLAIN, tmp_path, Effort(reference=1_000))
    assert (lanes.passed, lanes.seen) == (None, "needs numba: pip install 'tccbench[lanes]'")
    assert reference.passed is True
    assert sides["lanes"].given == []


@pytest.mark.parametrize("is_wrong", [False, True])
def test_one_mismatch_of_a_core_fails_its_check(sides: dict[str, _Backend], tmp_path: Path, is_wrong: bool) -> None:
    sides["core"].is_wrong = is_wrong
    outcomes = list(campaign._core(PLAIN, tmp_path, CORES["m0"], 1_000, Effort()))
    assert [(one.check, one.passed) for one in outcomes] == [
        ("Cortex-M0+ code and lanes", not is_wrong),
        ("Cortex-M0+ size and random ticks", True),
        ("Cortex-M0+ worst tick", True),
    ]
    assert outcomes[0].seen.startswith(f"1,000 ticks, {20 * is_wrong} mismatches")
    assert [one.seen for one in outcomes[1:]] == ["so large", "so long"]
    assert sides["core"].took(3, 1_000)


@pytest.mark.parametrize(
    "missing", [["ziglang"], ["unicorn"], ["capstone"], ["numba"], ["ziglang", "unicorn", "capstone", "numba"]]
)
def test_a_core_without_what_it_needs_is_not_claimed(
    sides: dict[str, _Backend], monkeypatch: pytest.MonkeyPatch, tmp_path: Path, missing: list[str]
) -> None:
    _missing(monkeypatch, *missing)
    (outcome,) = campaign._core(PLAIN, tmp_path, CORES["m4"], 1_000, Effort())
    assert (outcome.check, outcome.passed) == ("Cortex-M4 code and lanes", None)
    assert outcome.seen == f"needs {' and '.join(missing)}: pip install 'tccbench[port,lanes]'"
    assert sides["core"].given == []


# Figures -----------------------------------------------------------------------------------------------------


class _Machine:
    """A core on which the first run from power-up is the dearest of those, and the first from anywhere of all."""

    def __init__(self) -> None:
        self.given: list[Ticks] = []

    def cost(self, ticks: Ticks) -> TickCost:
        number = len(self.given)
        self.given.append(ticks)
        counts = np.full(len(ticks.inputs), 40 + number % 2 * 100)
        counts[-1] += 500 if number < 2 else -number // 2
        return TickCost(counts, {0: 60, 1: 88}.get(number, 50))


@pytest.mark.parametrize(("ticks", "runs"), [(1, 1), (9_999, 1), (10_000, 2), (50_000, 10)])
def test_size_stack_and_instructions_are_told_of_so_many_ticks_from_power_up_and_from_anywhere(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, ticks: int, runs: int
) -> None:
    built: list[Any] = []
    monkeypatch.setattr(campaign, "build_core", lambda *given: built.append(given) or tmp_path)
    monkeypatch.setattr(elf, "Elf", lambda _path: SimpleNamespace(sizes=lambda: {"text": 1, "data": 2, "bss": 3}))
    machine = _Machine()
    told = campaign.figures(PLAIN, tmp_path, CORES["m4"], machine, ticks)
    count = 20 * runs * 250
    mean = (40 * count + 500 - sum(range(1, 20))) / count
    assert told == (
        "text 1 B, data 2 B, bss 3 B, heap 0 B, stack 88 B; "
        f"instructions a tick: 21 min, {mean:.0f} mean, 540 max of {count:,} ticks from power-up; "
        "640 max from any memory in range"
    )
    assert built == [(tmp_path, CORES["m4"], ["rules.c"], "rules_m4.o")]
    start = [int(value) for value in initial_memory(PLAIN)]
    stimulus = Stimulus(PLAIN, 7)
    assert len(machine.given) == 40
    for number, given in enumerate(machine.given):
        sample = stimulus.runs(stimulus.calibration(), runs, 250)
        assert (given.inputs == sample.inputs).all()
        assert given.starts.tolist() == ([start] * runs if number % 2 == 0 else sample.starts.tolist())
        assert given.starts.dtype == np.int32


@pytest.fixture
def bounds(monkeypatch: pytest.MonkeyPatch) -> dict[str, Any]:
    """Return what stands for the search and the bounds of the worst tick, to be changed at will."""
    made: dict[str, Any] = {"seeds": []}

    def search(_machine: Any, seed: int) -> Any:
        made["seeds"].append(seed)
        return SimpleNamespace(from_start=lambda rounds: 100 + rounds, anywhere=lambda rounds: 200 + rounds)

    class Longest:
        def __init__(self, elf: str) -> None:
            assert elf == "the code"

        def bound(self, function: str) -> int:
            assert function == "rules_tick"
            if "refuses" in made:
                raise UserError(made["refuses"])
            return 500

    monkeypatch.setattr(worst, "Search", search)
    monkeypatch.setattr(longest, "LongestWay", Longest)
    monkeypatch.setattr(ways, "Ways", lambda *_given: SimpleNamespace(bound=lambda known: known))
    monkeypatch.setattr(reached, "any_memory", lambda _rules: {0: 430, 1: 440, 2: 420})
    monkeypatch.setattr(reached, "reached_memory", lambda _rules: {0: 390, 1: 410, 2: 400})
    return made


def _worst_of(core: str) -> str:
    machine = SimpleNamespace(elf="the code", core=CORES[core])
    return campaign._worst(OURS, machine, 3)


def test_the_worst_tick_is_told_as_searched_for_and_as_bounded(bounds: dict[str, Any]) -> None:
    searched = "searched for: 103 instructions from power-up, 203 from any memory in range"
    longest_way = f"{searched}; no way through the code is longer than 500"
    assert _worst_of("m4") == f"{longest_way}, none that exists than 440 from any memory in range, 410 from power-up"
    assert _worst_of("m0") == longest_way
    bounds["refuses"] = "no bound: a loop"
    assert _worst_of("m4") == _worst_of("m0") == f"{searched}; no bound: a loop"
    assert set(bounds["seeds"]) == {8}


# What took part, and how much --------------------------------------------------------------------------------


def test_the_guide_says_how_much_is_run() -> None:
    guide = (Path(__file__).parents[2] / "docs" / "port.md").read_text(encoding="utf-8")
    table = guide.partition("| ticks | usual | `--long` |\n")[2].partition("\n\n")[0]
    rows = [re.findall(r"\| ([\d ]+)(?= \|)", line) for line in table.splitlines()[1:]]
    usual, long = ([int(row[at].replace(" ", "")) for row in rows] for at in (0, 1))
    for effort, told in ((Effort(), usual), (LONG, long)):
        assert [effort.lanes, effort.reference, effort.m4, effort.m0, effort.cost, effort.search] == told


@pytest.mark.parametrize(
    ("installed", "compiler"),
    [
        ({"gcc", "cc", "cppcheck"}, [("gcc", "gcc 12.2")]),
        ({"cc"}, [("cc", "cc 12.2")]),
        ({"cppcheck"}, []),
        (set(), []),
    ],
)
def test_every_tool_is_named_with_its_version_or_as_missing(
    monkeypatch: pytest.MonkeyPatch, tools: Path, installed: set[str], compiler: list[tuple[str, str]]
) -> None:
    for name in installed:
        program(tools, name, f"echo {name} 12.2; echo $1 second line")

    def version(package: str) -> str:
        if package == "unicorn":
            raise PackageNotFoundError
        return f"1.{len(package)}"

    monkeypatch.setattr(campaign, "version", version)
    found = campaign.tools()
    assert found[0][0] == "python"
    packages = [("ziglang", "1.7"), ("unicorn", "not installed"), ("capstone", "1.8"), ("pycparser", "1.9"),
                ("z3-solver", "1.9"), ("numba", "1.5"), ("numpy", "1.5")]  # fmt: skip  # a list
    cppcheck = [("cppcheck", "cppcheck 12.2")] if "cppcheck" in installed else []
    assert found[1:] == [*compiler, *packages, *cppcheck]
