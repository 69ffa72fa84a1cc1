"""What the device's tests share: bindings, images, a core with a bench of frames at its mailbox."""

from __future__ import annotations

from pathlib import Path

from bus.binding import Binding, load_binding
from bus.device.core import EmulatedCore
from bus.device.firmware import build_mailbox, write_firmware
from bus.frame import Frame
from bus.known import PHASE_SIGNAL, TIME_SIGNAL
from bus.send import Sender
from controller.calibration import load_calibration
from controller.our_rules import OURS
from controller.port.image import write_image

STATION = load_calibration("station", OURS)
IMAGE = write_image(OURS, list(map(int, STATION.values)))
POWERTRAIN = load_binding("powertrain", OURS)


def emulated(folder: Path, image: bytes = IMAGE, core: str = "m4", binding: Binding = POWERTRAIN) -> EmulatedCore:
    """Return a core with freshly built firmware."""
    write_firmware(binding, image, folder)
    return EmulatedCore(build_mailbox(folder, core), core)


def line(frame: Frame) -> bytes:
    """Return an 11-bit frame as a serial line."""
    return f"t{frame.ident:03X}{len(frame.data)}{frame.data.hex().upper()}\r".encode()


class Talk:
    """The vehicle's end at a core's mailbox: writes frames, reads commands. `board_ms` is the board's clock."""

    def __init__(self, core: EmulatedCore, binding: Binding = POWERTRAIN) -> None:
        self._core, self._binding = core, binding
        self.sender = Sender(binding.sent_by("vehicle"), binding.unused_bits)
        self.board_ms = 0

    def say(self, *parts: bytes) -> list[bytes]:
        """Send bytes and return the data of the commands that were answered with."""
        command = f"t{self._binding.command_message.ident:03X}8".encode()
        answered = self._core.run(b"".join(parts), self.board_ms).split(b"\r")
        return [bytes.fromhex(one.removeprefix(command).decode()) for one in answered if one.startswith(command)]

    def wait(self, ms: int) -> list[bytes]:
        """Let the board's clock run, as its timer wakes it, and return the commands."""
        said = []
        for _ in range(ms // 10):
            self.board_ms += 10
            said += self.say()
        return said

    def open(self) -> list[bytes]:
        """Open the line."""
        return self.say(b"\rO\r")

    def time(self, phase: int, now_ms: int = 0) -> bytes:
        """Return the line of the bench's time."""
        frame = self.sender.frame("BenchTime", {TIME_SIGNAL: now_ms, PHASE_SIGNAL: phase})
        assert frame is not None
        return line(frame)

    def inputs(self, values: dict[str, int]) -> bytes:
        """Return the lines of every input message."""
        frames = [self.sender.frame(message.name, values) for message in self._binding.input_messages]
        return b"".join(line(frame) for frame in frames if frame is not None)


def duty(data: bytes) -> int:
    """Return the duty in a command of the powertrain map, ppm."""
    return int.from_bytes(data, "little") >> 16 & 0xFFFFF
