"""Plausibility is judged in every gear that the calibration lists, and in no other."""

from __future__ import annotations

from dataclasses import replace

import pytest
from rig import CALIBRATION, Rig

from controller.errors import UserError
from controller.our_rules import OURS

SIX = {gear: CALIBRATION[f"turbine_rpm_at_100_kmh_{gear}"] for gear in range(1, 7)}
TEN = SIX | {7: 1_200, 8: 1_000, 9: 800, 10: 1}  # 1 is the least that lists a gear


@pytest.mark.parametrize("listed", [SIX, TEN], ids=["six", "ten"])
@pytest.mark.parametrize("gear", range(1, 11))
def test_a_turbine_off_by_more_than_the_tolerance_latches_in_a_listed_gear(gear: int, listed: dict[int, int]) -> None:
    rig = Rig(**{f"turbine_rpm_at_100_kmh_{one}": rpm for one, rpm in listed.items()})
    rig.rolling(4_000, gear)
    rig.run(2_000, 100)
    assert "implausible" not in rig.lamps
    rig.set(turbine_rpm=rig.inputs["turbine_rpm"] + CALIBRATION["plausible_tolerance_rpm"] + 1)
    rig.run(2_000, 100)
    assert ("implausible" in rig.lamps) == (gear in listed)


def test_entries_of_one_list_have_one_range() -> None:
    key = next(one for one in OURS.keys if one.name == "turbine_rpm_at_100_kmh_3")
    with pytest.raises(UserError, match="another range"):
        OURS.replacing(replace(key, high=key.high + 1))
