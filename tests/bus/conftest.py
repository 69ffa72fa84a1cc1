"""The bus tests need the bus extra; without it the whole folder skips, visibly."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from bus.hub import Hub

pytest.importorskip("can", reason="python-can is not installed")
pytest.importorskip("cantools", reason="cantools is not installed")


@pytest.fixture
def hub() -> Iterator[Hub]:
    """A hub in a thread of this process."""
    from bus.hub import Hub

    one = Hub()
    thread = threading.Thread(target=one.serve)
    thread.start()
    yield one
    if thread.is_alive():
        one.stop()
    thread.join()
