from __future__ import annotations

import shutil
import subprocess
import zlib
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st
from own_rules import RULES

from bench.commands.port import port
from controller.calibration import load_calibration
from controller.declare import Key, Memory, Signal
from controller.errors import UserError
from controller.our_rules import OURS
from controller.port.campaign import FIRMWARE_SOURCES, RUNNER_SOURCES
from controller.port.image import read_image, write_image
from controller.port.rules_c import rules_c
from controller.port.rules_h import rules_h
from controller.port.signature import layout_signature
from controller.port.toolchain import CORES, WARNINGS, build_core, build_program, run_tool, zig
from controller.port.writing import Port, make_port

_STATION = load_calibration("station", OURS)
_IMAGE = write_image(OURS, _STATION.values)


@pytest.fixture(scope="module")
def runner(folder: Path) -> Path:
    return build_program(folder, RUNNER_SOURCES, "run_vectors").resolve()


def _run(runner: Path, *files: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([str(runner), *files], cwd=runner.parent, capture_output=True, text=True, check=False)


def test_the_runner_agrees_with_every_vector(runner: Path) -> None:
    done = _run(runner, "vectors.txt", "calibration.bin")
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout == "calibration.bin: good, duty 0\n4800 ticks, 0 mismatches\n"


def _sealed(body: str) -> str:
    ticks = sum(1 for line in body.splitlines() if line.startswith("t "))
    return f"{body}end {ticks} {zlib.crc32(body.encode()):08X}\n"


def test_a_wrong_result_in_a_whole_file_is_a_mismatch(runner: Path, made: Port) -> None:
    body = made.files["vectors.txt"].decode().rpartition("end ")[0]
    lines = body.splitlines()
    at = next(at for at, line in enumerate(lines) if line.startswith("t "))
    lines[at] = lines[at][:-1] + str((int(lines[at][-1]) + 1) % 3)
    (runner.parent / "wrong.txt").write_text(_sealed("\n".join(lines) + "\n"))
    done = _run(runner, "wrong.txt")
    assert done.returncode == 1
    assert f"wrong.txt:{at + 1}: field 6" in done.stdout
    assert "4800 ticks, 1 mismatches" in done.stdout


@pytest.mark.parametrize("keep", [0, 1, 20, 27, 28, 400, 100_000, -1, -2, -9, -12])
def test_a_truncated_vector_file_runs_nothing(runner: Path, made: Port, keep: int) -> None:
    (runner.parent / "short.txt").write_bytes(made.files["vectors.txt"][:keep])
    done = _run(runner, "short.txt")
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.startswith("error: short.txt:")
    assert done.stderr.count("\n") == 1


@pytest.mark.parametrize(
    ("old", "new", "word"),
    [
        (b"tccbench-vectors 1 ", b"tccbench-vectors 2 ", "reads 1"),
        (b"vectors 1 ", b"vectors 1 F", "other rules"),
        (b" 0 ", b" 1 ", "checksum"),
        (b"\nend ", b"\nend 9", "counts other ticks"),
        (b"\nk ", b"\nz ", "not a record"),
        (b"\nk ", b"\nk 99999999999 ", "not a record"),
    ],
)
def test_a_changed_vector_file_runs_nothing(runner: Path, made: Port, old: bytes, new: bytes, word: str) -> None:
    (runner.parent / "changed.txt").write_bytes(made.files["vectors.txt"].replace(old, new, 1))
    done = _run(runner, "changed.txt")
    assert (done.returncode, done.stdout) == (2, "")
    assert word in done.stderr


def _with_value(place: int, value: int) -> bytes:
    body = bytearray(_IMAGE[:-4])
    body[16 + 4 * place : 20 + 4 * place] = value.to_bytes(4, "little", signed=True)
    return bytes(body) + zlib.crc32(bytes(body)).to_bytes(4, "little")


_NAMES = [key.name for key in OURS.keys]
_BAD_IMAGES = {
    "corrupt": (_IMAGE[:30] + bytes([_IMAGE[30] ^ 4]) + _IMAGE[31:], "checksum"),
    "format": (_IMAGE[:4] + b"\x02" + _IMAGE[5:], "format"),
    "rules": (_IMAGE[:8] + b"\x00\x00\x00\x00" + _IMAGE[12:], "rules"),
    "magic": (b"XXXX" + _IMAGE[4:], "image"),
    "short": (_IMAGE[:-1], "size"),
    "long": (_IMAGE + b"\0", "size"),
    "empty": (b"", "size"),
    "range": (_with_value(_NAMES.index("lugging_rpm"), 4_001), "range"),
    "negative": (_with_value(_NAMES.index("lugging_rpm"), -5), "range"),
    "flag": (_with_value(_NAMES.index("hold_through_shifts"), 2), "range"),
    "relation": (_with_value(_NAMES.index("low_release_ckmh"), 3_350), "relation"),
}


@pytest.mark.parametrize("name", list(_BAD_IMAGES))
def test_a_bad_image_is_refused_on_both_sides_and_the_duty_stays_0(runner: Path, name: str) -> None:
    image, word = _BAD_IMAGES[name]
    (runner.parent / "bad.bin").write_bytes(image)
    done = _run(runner, "vectors.txt", "bad.bin")
    assert (done.returncode, done.stdout) == (2, "")
    assert word in done.stderr
    assert done.stderr.endswith("; duty 0\n")
    with pytest.raises(UserError, match=r"^bad\.bin: "):
        read_image(OURS, image, "bad.bin")


def test_an_image_reads_back_as_it_was_written() -> None:
    assert read_image(OURS, _IMAGE, "x") == _STATION.values


@given(st.integers(0, len(_IMAGE) - 1), st.integers(1, 255))
@settings(max_examples=60)
def test_no_changed_byte_of_an_image_passes(at: int, change: int) -> None:
    with pytest.raises(UserError):
        read_image(OURS, _IMAGE[:at] + bytes([_IMAGE[at] ^ change]) + _IMAGE[at + 1 :], "x")


def test_everything_builds_without_a_warning_on_every_compiler(folder: Path) -> None:
    sources = [*RUNNER_SOURCES, "calibration_bytes.c"]
    command = zig()
    assert command is not None
    for compiler in ([*command], *([[found]] if (found := shutil.which("gcc")) else [])):
        for source in sources:
            run_tool([*compiler, *WARNINGS, "-O2", "-c", "-o", "warned.o", source], folder)
    for core in CORES.values():
        for source in FIRMWARE_SOURCES:
            build_core(folder, core, [source], "warned.o")


def test_the_firmware_calls_no_library_and_keeps_nothing(folder: Path) -> None:
    from controller.port.elf import Elf

    for source in FIRMWARE_SOURCES:
        elf = Elf(build_core(folder, CORES["m4"], [source], "alone.o"))
        own = ("rules_", "calibration_", "device_")
        library = [name for name, (_, size, is_function) in elf.symbols.items()
                   if not size and not is_function and not name.startswith(own) and name[0] not in "$."]  # fmt: skip
        assert [name for name in library if not name.endswith(".c") and name not in ("memcpy", "__aeabi_memcpy4",
                "__aeabi_memcpy")] == []  # fmt: skip  # a structure copy
        assert elf.sizes()["data"] == elf.sizes()["bss"] == 0


def test_rules_alone_call_nothing_at_all(folder: Path) -> None:
    from controller.port.elf import Elf

    for core in CORES.values():
        elf = Elf(build_core(folder, core, ["rules.c"], "rules_alone.o"))
        outside = [
            name for name, (_, size, _) in elf.symbols.items() if not size and name[0] not in "$." and name != "rules.c"
        ]
        assert outside == []


def test_the_same_rules_give_the_same_files_byte_for_byte(made: Port) -> None:
    assert make_port(OURS, _STATION).files == made.files


def test_the_header_tells_units_ranges_and_order(made: Port) -> None:
    header = made.text.header
    assert "0 to 30000 0.01 km/h: road speed" in header.replace("\n", " ")
    fields = [f" {signal.name};" for is_flag in (True, False) for signal in OURS.signals if signal.is_flag is is_flag]
    assert sorted(fields, key=header.index) == fields
    assert header.isascii()


def test_the_signature_tells_rule_sets_apart() -> None:
    assert layout_signature(OURS) != layout_signature(RULES)


@pytest.mark.parametrize(
    "rules",
    [
        OURS.adding(signals=[Signal("float", "", 0, 1, 0, "a word of C")]),
        OURS.adding(signals=[Signal("register", "", 0, 1, 0, "a word of C")]),
        OURS.adding(signals=[Signal("Gear", "", 0, 1, 0, "case only")]),
        OURS.adding(keys=[Key("a" * 57, "a.b", 1, 0, 1, 0, "too long")]),
    ],
)
def test_names_that_c_cannot_carry_are_one_clear_line(rules: object) -> None:
    with pytest.raises(UserError, match=r"^rule set 'ours': "):
        rules_h(rules)  # type: ignore[arg-type]  # a rule set


@pytest.mark.parametrize("name", ["out_reason", "released_standing"])
def test_a_memory_field_that_firmware_needs_itself_is_refused(name: str) -> None:
    field = Memory(name, 0, 1, 0, lambda _x, _k, m: m.hot, "taken", is_flag=True)
    with pytest.raises(UserError, match=f"'{name}' is set by the tick itself"):
        rules_c(OURS.adding(early=[field]))


def test_a_wait_longer_than_timers_count_is_refused() -> None:
    key = next(key for key in OURS.keys if key.name == "brake_settle_ms")
    with pytest.raises(UserError, match="brake_settle_ms may be longer than 600000 ms"):
        rules_c(OURS.replacing(replace(key, high=700_000)))


def test_a_comment_cannot_be_ended_by_a_users_text() -> None:
    rules = OURS.adding(signals=[Signal("odd", "°C", 0, 1, 0, "ends */ here \\ and ??/ there")])
    header = rules_h(rules)
    assert "ends * / here / and ? ?/ there" in header


def test_the_command_writes_and_says_what_is_wrong(tmp_path: Path) -> None:
    done = CliRunner().invoke(port, [str(tmp_path / "out"), "--write-only"])
    assert (done.exit_code, done.output) == (0, f"32 files written to {tmp_path / 'out'}\n")
    (tmp_path / "file").write_text("")
    with pytest.raises(UserError, match=r"file: .*; give a folder"):
        CliRunner().invoke(
            port, [str(tmp_path / "file"), "--write-only"], catch_exceptions=False, standalone_mode=False
        )
