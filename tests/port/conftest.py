"""Every test of the port needs the extra `port`; where it is missing they are skipped, and say so."""

from __future__ import annotations

from pathlib import Path

import pytest

from controller.calibration import load_calibration
from controller.our_rules import OURS
from controller.port.writing import Port, make_port, write_port

for _package in ("capstone", "pycparser", "z3", "unicorn", "ziglang"):
    pytest.importorskip(_package, reason="the port's tests need: pip install '.[port]'")


@pytest.fixture(scope="session")
def made() -> Port:
    return make_port(OURS, load_calibration("station", OURS))


@pytest.fixture(scope="session")
def folder(made: Port, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("port")
    write_port(made, out)
    return out


@pytest.fixture
def tools(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return a folder that is all there is to be found of programs."""
    folder = tmp_path / "tools"
    folder.mkdir()
    monkeypatch.setenv("PATH", str(folder))
    return folder
