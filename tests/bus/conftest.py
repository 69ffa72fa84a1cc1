"""The bus tests need the bus extra; without it the whole folder skips, visibly."""

from __future__ import annotations

import pytest

pytest.importorskip("can", reason="python-can is not installed")
pytest.importorskip("cantools", reason="cantools is not installed")
