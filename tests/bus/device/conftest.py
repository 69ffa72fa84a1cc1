"""The device's tests need the extras bus and port; without them the folder skips, visibly."""

from __future__ import annotations

import pytest

for _package in ("can", "cantools", "unicorn", "ziglang"):
    pytest.importorskip(_package, reason="the device's tests need: pip install '.[bus,port]'")
