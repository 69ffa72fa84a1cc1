"""What several test files of the proof ask, made once."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from controller.proof import Proof


@pytest.fixture(scope="session")
def ours() -> Proof:
    """Return our rules with what holds of their memory; their files are skipped where z3 is missing."""
    from controller.our_rules import OURS
    from controller.proof import Proof

    return Proof(OURS)
