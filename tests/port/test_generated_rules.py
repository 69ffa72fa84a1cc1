"""The C that is written from small rule sets of every shape, built and run beside the rules themselves."""

from __future__ import annotations

from pathlib import Path

import pytest
from quick_host import QuickRules
from rule_shapes import MIXTURES, SHAPES

_SETS = SHAPES | MIXTURES


@pytest.mark.parametrize("name", list(_SETS))
def test_the_c_does_what_the_rules_do(tmp_path: Path, name: str) -> None:
    assert QuickRules(tmp_path, _SETS[name]).difference(seed=1) == ""
