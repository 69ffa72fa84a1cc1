"""Short input files and a way to run the command line in this process."""

from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from bench.main import main

SHORT_DRIVE = """
title = "Short"
about = "A minute of shingle."
ambient_c = 30.0
oil_c = 85.0
coolant_c = 85.0

[[point]]
at_s = 0.0
speed_kmh = 0.0
surface = "sand"
gear_limit = 2

[[point]]
at_s = 20.0
speed_kmh = 42.0

[[point]]
at_s = 60.0
speed_kmh = 44.0

[[event]]
at_s = 1.0
band = "low"
"""


@pytest.fixture()
def tccbench() -> Callable[..., Result]:
    """Run the command line with these arguments."""
    return lambda *arguments: CliRunner().invoke(main, [str(argument) for argument in arguments])


@pytest.fixture()
def short_drive(tmp_path: Path) -> Path:
    """A drive file that takes about a second to compare."""
    path = tmp_path / "short.toml"
    path.write_text(SHORT_DRIVE)
    return path
