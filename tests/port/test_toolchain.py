"""Compilers: which is taken, what it is told, and what is said where it fails. A shell script stands for each."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import pytest
from shell_programs import program

from controller.errors import UserError
from controller.port import toolchain
from controller.port.toolchain import CORE_FLAGS, CORES, WARNINGS, build_core, build_program, build_shared, run_tool


def _without_zig(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(importlib.util, "find_spec", lambda name: None if name == "ziglang" else 1 / 0)


def test_the_machines_own_compiler_comes_before_zigs(tools: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    zig = [sys.executable, "-m", "ziglang", "cc"]
    assert toolchain.host_compiler() == toolchain.zig() == zig
    cc = str(program(tools, "cc"))
    assert toolchain.host_compiler() == [cc]
    gcc = str(program(tools, "gcc"))
    assert toolchain.host_compiler() == [gcc]
    _without_zig(monkeypatch)
    assert toolchain.host_compiler() == [gcc]


def test_no_compiler_at_all_is_one_clear_line(tools: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    _without_zig(monkeypatch)
    assert toolchain.zig() is None
    with pytest.raises(UserError, match=r"^port: no C compiler: install gcc, or the extra: "):
        toolchain.host_compiler()
    program(tools, "gcc")
    with pytest.raises(UserError, match=r"^port: no compiler for Cortex-M; install the extra: "):
        build_core(tmp_path, CORES["m4"], ["a.c"], "a.o")


def test_what_a_tool_says_is_returned_its_errors_first(tools: Path) -> None:
    tool = program(tools, "tool", "echo out; echo err >&2; pwd")
    assert run_tool([tool], tools) == f"err\nout\n{tools}"


@pytest.mark.parametrize(
    ("does", "said"),
    [
        ("echo in file; echo a.c:1: error: one; echo a.c:2: error: two; exit 1", "a.c:1: error: one"),
        ("echo first; echo second; exit 1", "first"),
        ("echo out; echo err >&2; exit 2", "err"),
        ("exit 1", "no message"),
    ],
)
def test_a_tool_that_fails_is_told_by_its_first_error(tools: Path, does: str, said: str) -> None:
    tool = program(tools, "tool", does)
    with pytest.raises(UserError) as error:
        run_tool([tool, "-c"], tools)
    assert str(error.value) == f"port: tool failed in {tools}: {said}"


def test_each_kind_of_build_tells_the_compiler_what_to_make(tools: Path, tmp_path: Path) -> None:
    program(tools, "gcc", f"echo $* > {tmp_path}/said")
    always = " ".join(WARNINGS)

    def said() -> str:
        return (tmp_path / "said").read_text().strip()

    assert build_shared(tmp_path, ["a.c", "b.c"], "lib.so") == tmp_path / "lib.so"
    assert said() == f"{always} -O2 -fPIC -shared -o lib.so a.c b.c"
    assert build_program(tmp_path, ["a.c"], "run") == tmp_path / "run"
    assert said() == f"{always} -O2 -o run a.c"
    build_program(tmp_path, ["a.c"], "run", ["-O1", "-g"])
    assert said() == f"{always} -O1 -g -o run a.c"


@pytest.mark.parametrize(("core", "cpu"), [("m4", "cortex_m4"), ("m3", "cortex_m3"), ("m0", "cortex_m0plus")])
def test_a_core_gets_an_object_or_what_a_linker_script_makes(
    tools: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, core: str, cpu: str
) -> None:
    zig = program(tools, "zig", f"echo $* > {tmp_path}/said")
    monkeypatch.setattr(toolchain, "zig", lambda: [zig, "cc"])
    always = f"cc -target thumb-freestanding-eabi -mcpu={cpu} {' '.join((*WARNINGS, *CORE_FLAGS))}"

    def said() -> str:
        return (tmp_path / "said").read_text().strip()

    assert build_core(tmp_path, CORES[core], ["a.c"], "a.o") == tmp_path / "a.o"
    assert said() == f"{always} -c -o a.o a.c"
    build_core(tmp_path, CORES[core], ["a.c", "b.c"], "a.elf", ["-T", "core.ld"])
    assert said() == f"{always} -T core.ld -o a.elf a.c b.c"


def test_warnings_are_errors_in_every_build() -> None:
    assert {"-std=c99", "-Wall", "-Wextra", "-Wconversion", "-Werror"} <= set(WARNINGS)
