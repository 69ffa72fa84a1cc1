"""A run that a proof or a fuzz campaign found, written as a drive and a calibration that `tccbench run` replays."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from bench.out_files import write_whole
from controller.calibration import write_calibration
from controller.watch import Watch

if TYPE_CHECKING:
    from controller.found_run import FoundRun

TICK_MS = 10
"""The simulator's tick."""

_AFTER_S = 1.0
"""A replay goes on for this long after the last tick of the run."""


def write_found(run: FoundRun, name: str, about: str, folder: Path) -> tuple[Path, Path]:
    """Write `<name>.drive.toml` and `<name>.calibration.toml`; return their paths."""
    drive, calibration = folder / f"{name}.drive.toml", folder / f"{name}.calibration.toml"
    write_whole(drive, [drive_text(run, name, about)])
    write_whole(calibration, [write_calibration(run.rules, run.calibration, f"Found with {name}")])
    return drive, calibration


def drive_text(run: FoundRun, name: str, about: str) -> str:
    """Return the run as a drive: a standing vehicle whose signals are all forced to the run's inputs."""
    end_s = run.inputs[-1]["now_ms"] / 1_000 + _AFTER_S
    lines = [
        "# Every signal is forced: the plant under it stands still and says nothing.",
        f'title = "Found: {name}"',
        f'about = "{about}"',
        "ambient_c = 20.0",
        "oil_c = 60.0",
        "coolant_c = 80.0",
        "",
        "[[point]]",
        "at_s = 0.0",
        "speed_kmh = 0.0",
        "",
        "[[point]]",
        f"at_s = {end_s}",
        "speed_kmh = 0.0",
    ]
    before: dict[str, int] = {}
    for x in run.inputs:
        changed = [f"{name} = {int(value)}" for name, value in x.items()
                   if name != "now_ms" and before.get(name) != value]  # fmt: skip
        if changed:
            lines += ["", "[[event]]", f"at_s = {x['now_ms'] / 1_000}", f"signals = {{ {', '.join(changed)} }}"]
        before = x
    return "\n".join(lines) + "\n"


def repeats(run: FoundRun, name: str) -> bool:
    """Return whether the property also breaks when the run is replayed at the simulator's tick, inputs held between."""
    watch = Watch(run.rules, run.calibration)
    ahead = list(run.inputs)
    x = ahead.pop(0)
    for now_ms in range(0, run.inputs[-1]["now_ms"] + int(_AFTER_S * 1_000), TICK_MS):
        while ahead and ahead[0]["now_ms"] <= now_ms:
            x = ahead.pop(0)
        _command, broken = watch.tick({**x, "now_ms": now_ms})
        if name in broken:
            return True
    return False
