from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from controller.our_rules import OURS
from controller.port.campaign import Effort, check_port
from controller.port.writing import Port

_LITTLE = Effort(lanes=2_000, reference=500, m4=500, m0=500, cost=500, search=1)


def test_every_check_of_a_good_port_passes(made: Port, tmp_path: Path) -> None:
    outcomes = list(check_port(made, OURS, tmp_path, _LITTLE))
    assert [one for one in outcomes if one.passed is False] == []
    assert len(outcomes) == 16
    assert shutil.which("cppcheck") is None or "nothing found" in outcomes[2].seen


def test_a_port_with_a_wrong_field_fails_its_checks(made: Port, tmp_path: Path) -> None:
    pytest.importorskip("numba", reason="needs numba: pip install '.[lanes]'")
    text = made.files["rules.c"].decode()
    wrong = Port(made.files | {"rules.c": text.replace("x->engine_rpm < ", "x->turbine_rpm < ").encode()})
    effort = Effort(lanes=10_000, reference=5_000, m4=10_000, m0=500, cost=500, search=1)
    last = "Cortex-M4 code and lanes"  # what follows is asked of the good port
    failed = set()
    for one in check_port(wrong, OURS, tmp_path, effort):
        if one.passed is False:
            failed.add(one.check)
        if one.check == last:
            break
    assert failed >= {
        "vectors",
        "C text equal to the rules for every input and valid calibration",
        "host C and lanes",
        "host C and the reference",
        last,
    }
