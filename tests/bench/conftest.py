"""Short input files and a way to run the command line in this process."""

from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from short_drive import SHORT_DRIVE

from bench.main import main


@pytest.fixture
def tccbench() -> Callable[..., Result]:
    """Run the command line with these arguments."""
    return lambda *arguments: CliRunner().invoke(main, [str(argument) for argument in arguments])


@pytest.fixture
def short_drive(tmp_path: Path) -> Path:
    """A drive file that takes about a second to compare."""
    path = tmp_path / "short.toml"
    path.write_text(SHORT_DRIVE)
    return path
