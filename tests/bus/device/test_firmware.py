"""The firmware's two clocks, its power-up and its own check of the calibration, on Cortex-M code, without waiting."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest
from device_parts import IMAGE, POWERTRAIN, STATION, Talk, duty, emulated, line

from bus.device.core import EmulatedCore
from bus.device.firmware import SOURCES, build_board, build_mailbox, write_firmware
from bus.errors import BusError
from bus.frame import Frame
from bus.stand import Stand
from controller.declare import State
from controller.port.campaign import MISRA_NOT_KEPT
from controller.port.elf import Elf
from controller.port.toolchain import WARNINGS, run_tool, zig

START, TICK, END = 0, 1, 2


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("firmware")
    emulated(folder)
    return folder


@pytest.fixture
def talk(folder: Path) -> Talk:
    return Talk(EmulatedCore(folder / "device_m4.elf", "m4"))


def _hold(talk: Talk, ticks: int, *, free: bool = False) -> list[bytes]:
    """Drive until the clutch is in, by lock-step or by the board's clock."""
    stand = Stand(POWERTRAIN.rules, STATION.values, State.APPLIED)
    said: list[bytes] = []
    for tick in range(ticks):
        now_ms = 10 * tick
        inputs = talk.inputs(dict(stand.inputs(now_ms, now_ms, duty(said[-1]) if said else 0)))
        if free:
            talk.board_ms += 10
            said += talk.say(inputs)
        else:
            said += talk.say(inputs, talk.time(TICK, now_ms))
    return said


def _is_out(data: bytes) -> bool:
    return data[2:] == bytes(6) and data[1] >> 4 == 0


def test_it_ticks_freely_every_10_ms_and_says_nothing_while_the_line_is_closed(talk: Talk) -> None:
    assert talk.wait(50) == []
    talk.open()
    said = talk.wait(1_000)
    assert [data[1] & 15 for data in said] == [(5 + at) % 15 for at in range(100)]
    assert all(duty(data) == 0 for data in said)


def test_late_ticks_are_left_out_not_made_up_for(talk: Talk) -> None:
    talk.open()
    talk.wait(20)
    talk.board_ms += 500
    assert len(talk.say()) == 1
    talk.board_ms += 9
    assert talk.say() == []
    talk.board_ms += 1
    assert len(talk.say()) == 1


def test_freely_it_holds_and_lets_go_when_frames_stop(talk: Talk) -> None:
    talk.open()
    said = _hold(talk, 400, free=True)
    assert duty(said[-1]) == STATION.values.end_duty_ppm
    said = talk.wait(400)
    # The brake is the first of what ages.
    out = next(at for at, data in enumerate(said) if duty(data) == 0)
    assert 10 * out <= STATION.values.brake_limit_ms + 20
    assert all(duty(data) == 0 for data in said[out:])


def test_a_bench_in_real_time_does_not_drive_it(talk: Talk) -> None:
    talk.open()
    talk.wait(20)
    assert talk.say(talk.time(TICK, 10)) == []
    assert len(talk.wait(50)) == 5


def test_a_start_is_a_power_up_with_one_command_and_then_a_command_a_tick(talk: Talk) -> None:
    talk.open()
    _hold(talk, 400, free=True)
    said = talk.say(talk.time(START))
    assert len(said) == 1
    assert _is_out(said[0])
    assert talk.wait(500) == []
    said = talk.say(talk.time(TICK, 0))
    assert [data[1] & 15 for data in said] == [0]
    assert [len(talk.say(talk.time(TICK, 10 * at))) for at in range(1, 5)] == [1, 1, 1, 1]


def test_the_end_announces_duty_0_and_gives_the_clock_back(talk: Talk) -> None:
    talk.open()
    talk.say(talk.time(START))
    said = _hold(talk, 400)
    assert duty(said[-1]) == STATION.values.end_duty_ppm
    said = talk.say(talk.time(END, 4_000))
    assert len(said) == 1
    assert _is_out(said[0])
    assert [data[1] & 15 for data in talk.wait(30)] == [0, 1, 2]


@pytest.mark.parametrize(("ticks", "limit_ms"), [(400, 2_000), (0, 10_000)])
def test_a_bench_that_falls_silent_is_let_go_of(talk: Talk, ticks: int, limit_ms: int) -> None:
    talk.open()
    talk.say(talk.time(START))
    _hold(talk, ticks)
    assert talk.wait(limit_ms - 10) == []
    said = talk.wait(10)
    assert len(said) == 1
    assert _is_out(said[0])
    assert len(talk.wait(100)) == 10


def test_frames_beyond_what_a_tick_can_bring_are_lost_and_nothing_else(talk: Talk) -> None:
    talk.open()
    talk.say(talk.time(START))
    _hold(talk, 400)
    flood = line(Frame(0x0A0, bytes(8))) * 300 + line(Frame(0x123, bytes(8))) * 300
    said = talk.say(flood, talk.time(TICK, 4_000))
    assert [duty(data) for data in said] == [STATION.values.end_duty_ppm]


def _damage(place: int, byte: int) -> bytes:
    return IMAGE[:place] + bytes([IMAGE[place] ^ byte]) + IMAGE[place + 1 :]


@pytest.mark.parametrize("image", [_damage(40, 1), _damage(4, 3), _damage(8, 1), b"\0" * len(IMAGE), IMAGE[:-4]],
                         ids=["corrupt", "version", "rules", "none", "short"])  # fmt: skip
def test_a_bad_image_stays_at_duty_0_over_the_bus(tmp_path: Path, image: bytes, folder: Path) -> None:
    if len(image) == len(IMAGE):
        built = (folder / "device_m4.elf").read_bytes()
        assert built.count(IMAGE) == 1
        (tmp_path / "bad.elf").write_bytes(built.replace(IMAGE, image))
        talk = Talk(EmulatedCore(tmp_path / "bad.elf", "m4"))
    else:
        talk = Talk(emulated(tmp_path, image))
    talk.open()
    assert {duty(data) for data in _hold(talk, 100, free=True)} == {0}
    talk.say(talk.time(START))
    said = _hold(talk, 400)
    assert len(said) == 400
    assert {duty(data) for data in said} == {0}


def test_a_core_that_faults_is_one_clear_line(folder: Path, tmp_path: Path) -> None:
    built = folder / "device_m4.elf"
    elf, content = Elf(built), bytearray(built.read_bytes())
    address = elf.symbols["firmware_take"][0] & ~1
    start, segment = next((start, part) for start, part, _ in elf.segments() if start <= address < start + len(part))
    at = content.index(segment) + address - start
    content[at : at + 2] = b"\x00\xde"  # an instruction that is none
    (tmp_path / "bad.elf").write_bytes(content)
    core = EmulatedCore(tmp_path / "bad.elf", "m4")
    with pytest.raises(BusError, match="the emulated core has faulted"):
        core.run(b"V\r", 0)


def test_every_source_builds_without_a_warning_on_every_compiler(folder: Path) -> None:
    command = zig()
    assert command is not None
    for compiler in (command, *([[found]] if (found := shutil.which("gcc")) else [])):
        run_tool([*compiler, *WARNINGS, "-O2", "-o", "warned", *SOURCES, "posix.c"], folder)
    build_mailbox(folder, "m0")
    build_board(folder, "m4")


@pytest.mark.skipif(shutil.which("cppcheck") is None, reason="needs cppcheck: apt-get install cppcheck")
def test_the_portable_sources_keep_the_misra_rules_that_the_port_names(tmp_path: Path) -> None:
    write_firmware(POWERTRAIN, IMAGE, tmp_path)
    done = subprocess.run(
        ["cppcheck", "--enable=warning,style,performance,portability", "--std=c99", "--addon=misra", "--quiet",
         "--error-exitcode=1", "--suppress=missingIncludeSystem", "--template={file}:{line}: {id}",
         *(f"--suppress=misra-c2012-{rule}" for rule in MISRA_NOT_KEPT),
         "firmware.c", "frames.c", "protection.c", "can_map.c", "main.c"],
        cwd=tmp_path, capture_output=True, text=True, check=False,
    )  # fmt: skip  # a command line
    assert (done.returncode, done.stderr) == (0, "")
