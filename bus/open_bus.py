"""`open_bus`: the only place where a bus is opened, and what must be there before it is."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from bus.candump import CHANNEL
from controller.errors import UserError
from controller.suggest import nearest

if TYPE_CHECKING:
    from can import BusABC

FORMS = "virtual:NAME, slcan:socket://127.0.0.1:PORT, slcan:/dev/ttyACM0@115200, socketcan:can0"
_LOOPBACK = ("127.0.0.1", "localhost", "::1")
_NETS = Path("/sys/class/net")


class BusUrl(NamedTuple):
    """A parsed bus URL. `bitrate` is bit/s, None for the interface's own."""

    text: str
    interface: str
    channel: str
    bitrate: int | None

    @property
    def is_real(self) -> bool:
        """Frames may reach a vehicle: anything but a bus inside this machine."""
        if self.interface == "virtual":
            return False
        if self.interface == "slcan":
            return _host(self.channel)[0] not in _LOOPBACK
        return not (self.interface == "socketcan" and self.channel.startswith("vcan"))

    @property
    def wire(self) -> str:
        """A word for it in logs: the device's name, or the bench's own where there is none."""
        last = re.sub(r"[^0-9A-Za-z_.-]", "_", self.channel.partition("@")[0].rpartition("/")[2])
        return CHANNEL if self.is_tcp or self.interface == "virtual" else last

    @property
    def is_tcp(self) -> bool:
        """A serial line over TCP."""
        return self.interface == "slcan" and "://" in self.channel

    @property
    def is_serial(self) -> bool:
        """A serial device: reads must wait a little for a whole frame."""
        return self.interface == "slcan" and not self.is_tcp


def parse_url(url: str) -> BusUrl:
    """Return the parts of a bus URL, `INTERFACE:CHANNEL[?bitrate=BIT/S]`. Raises `UserError`."""
    from can.interfaces import VALID_INTERFACES

    interface, colon, rest = url.partition(":")
    channel, question, options = rest.partition("?")
    if not colon or not channel:
        raise UserError(f"--bus {url}: not a bus; write one of {FORMS}")
    if interface not in VALID_INTERFACES:
        raise UserError(f"--bus {url}: no interface {interface!r}; {_near_interface(interface)}")
    bitrate = None
    if question:
        key, _, value = options.partition("=")
        if key != "bitrate" or not value.isascii() or not value.isdigit() or not 10_000 <= int(value) <= 1_000_000:
            raise UserError(f"--bus {url}: only ?bitrate=10000 to 1000000 may follow, not ?{options}")
        bitrate = int(value)
    return BusUrl(url, interface, channel, bitrate)


def open_bus(url: str, *, listens_only: bool = False) -> BusABC:
    """Return an open python-can bus. `listens_only` asks a serial line's adapter not even to acknowledge frames.

    Raises `UserError` where the URL is wrong, or where the interface it names is not there; the line says what is
    missing and how to come by it.
    """
    import can

    parsed = parse_url(url)
    if parsed.is_tcp:
        return _open_tcp(parsed, listens_only)
    _check_is_there(parsed)
    options: dict[str, object] = {}
    if parsed.is_serial:
        options["sleep_after_open"] = 0.1
        options["listen_only"] = listens_only
    if parsed.bitrate is not None:
        options["bitrate"] = parsed.bitrate
    try:
        return can.Bus(interface=parsed.interface, channel=parsed.channel, **options)  # type: ignore[arg-type]
    except Exception as error:  # each driver raises what it likes; in all cases the bus did not open
        first = str(error).splitlines()[0] if str(error) else type(error).__name__
        raise UserError(f"--bus {url}: the bus did not open: {first}") from None


def _check_is_there(url: BusUrl) -> None:
    if url.interface == "slcan":
        device = url.channel.partition("@")[0]
        if device.startswith("/") and not Path(device).exists():
            raise UserError(f"--bus {url.text}: there is no device {device}; plug the adapter in, or look for "
                            "its name under /dev/serial/by-id")  # fmt: skip
    elif url.interface == "socketcan":
        if not _NETS.is_dir():
            raise UserError(f"--bus {url.text}: socketcan is Linux only; use an slcan adapter here")
        if not (_NETS / url.channel).exists():
            advice = (
                f"make it: sudo modprobe vcan && sudo ip link add {url.channel} type vcan && "
                f"sudo ip link set {url.channel} up; without kernel CAN use `tccbench hub`"
                if url.channel.startswith("vcan")
                else f"bring it up: sudo ip link set {url.channel} up type can bitrate 500000"
            )
            raise UserError(f"--bus {url.text}: there is no network interface {url.channel}; {advice}")


def _open_tcp(url: BusUrl, listens_only: bool) -> BusABC:
    from bus.tcp_line import TcpLineBus

    host, port = _host(url.channel)
    if port is None or not url.channel.startswith("socket://"):
        raise UserError(f"--bus {url.text}: write slcan:socket://HOST:PORT, the port 1 to 65535")
    try:
        return TcpLineBus(host, port, url.bitrate, listens_only)
    except OSError as error:
        raise UserError(f"--bus {url.text}: nothing answers at {host}:{port} ({error.strerror or 'no answer'}); start "
                        f"`tccbench hub --port {port}` first") from None  # fmt: skip


def _host(channel: str) -> tuple[str, int | None]:
    where = channel.removeprefix("socket://")
    host, _, port = where.rpartition(":")
    is_port = port.isascii() and port.isdigit() and 1 <= int(port) <= 65_535
    return (host.strip("[]"), int(port)) if host and is_port else (where, None)


def _near_interface(interface: str) -> str:
    from can.interfaces import VALID_INTERFACES

    return nearest(interface, sorted(str(one) for one in VALID_INTERFACES))
