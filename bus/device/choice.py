"""Which device: its kind and core. Nothing heavy is imported here, so that wrong choices are told at once."""

from __future__ import annotations

from typing import NamedTuple, Self

from controller.errors import UserError
from controller.port.qemu import MACHINES
from controller.port.toolchain import CORES

KINDS = {
    "host": "a program of this machine",
    "core": "emulated core",
    "board": "emulated board",
}
CORE_NAMES = {"m4": "m4", "m3": "m3", "m0+": "m0"}
"""Cores as options name them, and as the port does."""

_USUAL = {"core": "m4", "board": "m3"}


class Choice(NamedTuple):
    """A device: its kind, its core as the port names it (empty for the host's own), its TCP port (0: any free one)."""

    kind: str
    core: str
    port: int

    @classmethod
    def checked(cls, kind: str, core: str | None, port: int = 0) -> Self:
        """Return the choice of these options. Raises `UserError` where they do not go together."""
        if kind == "host":
            if core is not None:
                raise UserError("--core: host runs on this machine's own core; leave --core out, or take the kind core")
            return cls(kind, "", port)
        ours = CORE_NAMES[core or _USUAL[kind]]
        if kind == "board" and ours not in MACHINES:
            named = ", ".join(name for name, one in CORE_NAMES.items() if one in MACHINES)
            raise UserError(f"--core {core}: no emulated board has this core, they have {named}; the kind core runs it")
        return cls(kind, ours, port)

    @property
    def title(self) -> str:
        """The choice in words."""
        if self.kind == "host":
            return f"host, {KINDS['host']}"
        where = f" {MACHINES[self.core].name} (QEMU)" if self.kind == "board" else " (unicorn)"
        return f"{self.kind}, {KINDS[self.kind]}{where}, {CORES[self.core].title}"

    @property
    def tools(self) -> tuple[str, ...]:
        """What it is built and run with, as `bench.identity.tool_versions` names it."""
        return {
            "host": ("C compiler",),
            "core": ("ziglang", "unicorn"),
            "board": ("ziglang", "QEMU"),
        }[self.kind]
