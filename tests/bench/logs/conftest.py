"""The command line in this process, and recordings of simulated drives."""

import os
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from synthetic import columns, run, write_csv

from bench.logs.reading import read_log
from bench.logs.summary import Shown, take_apart
from bench.main import main
from sim.vehicle import load_vehicle


@pytest.fixture
def tccbench() -> Callable[..., Result]:
    """Run the command line with these arguments."""
    return lambda *arguments: CliRunner().invoke(main, [str(argument) for argument in arguments])


@pytest.fixture
def recorded(tmp_path: Path) -> Callable[..., Path]:
    """Write the recording of a simulated drive."""

    def write(
        vehicle: str, drive: str, strategy: str, drop: tuple[str, ...] = (), name: str = "rec.csv", **options: object
    ) -> Path:
        found = columns(run(vehicle, drive, strategy), load_vehicle(vehicle), **options)  # type: ignore[arg-type]
        return write_csv(tmp_path / name, found, drop)

    return write


@pytest.fixture
def shown(recorded: Callable[..., Path]) -> Callable[..., Shown]:
    """Take the recording of a simulated drive apart with its own vehicle."""

    def take(vehicle: str, drive: str, strategy: str, **options: object) -> Shown:
        return take_apart(read_log(str(recorded(vehicle, drive, strategy, **options))), load_vehicle(vehicle))

    return take


@pytest.fixture
def open_data() -> Path:
    """The folder of real recordings; tests that need it skip, and say so, where it is not there."""
    folder = os.environ.get("TCCBENCH_OPEN_DATA", "")
    if not folder or not Path(folder).is_dir():
        pytest.skip("set TCCBENCH_OPEN_DATA to the folder of real recordings")
    return Path(folder)
