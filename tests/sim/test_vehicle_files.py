"""Vehicle files: the embedded ones load, and each mistake gets one line that says what would be right."""

from __future__ import annotations

from pathlib import Path

import pytest

from controller.errors import UserError
from sim.vehicle import Vehicle, load_vehicle, vehicle_names


def test_embedded_vehicles_load() -> None:
    assert vehicle_names() == ["pukeko", "takahe"]
    pukeko, takahe = (load_vehicle(name) for name in vehicle_names())
    assert (pukeko.gear_count, takahe.gear_count) == (6, 8)
    assert takahe.file.body.mass_kg < pukeko.file.body.mass_kg
    assert pukeko.key == "pukeko"
    assert pukeko.name == "Pukeko 2.8 TD"
    assert pukeko.fitted_tyre == "33-inch"
    assert pukeko.turbine_rpm_at_100_kmh[4] == 1800


def test_own_text_is_a_file_again(tmp_path: Path, pukeko: Vehicle) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(pukeko.text, encoding="utf-8")
    assert load_vehicle(str(path)).params == pukeko.params


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("mass_kg = 2850.0", "mass_kgs = 2850.0", "body.mass_kgs: unknown key; did you mean 'mass_kg'?"),
        ("mass_kg = 2850.0", "", "body.mass_kg: this key is missing"),
        ("mass_kg = 2850.0", 'mass_kg = "heavy"', "body.mass_kg: input should be a valid number, but it is 'heavy'"),
        ("mass_kg = 2850.0", "mass_kg = 20.0", "body.mass_kg: input should be greater than or equal to 200"),
        ("mass_kg = 2850.0", "mass_kg = nan", "body.mass_kg"),
        ("1500.0, 2000.0, 2500.0,", "1500.0, 1500.0, 2500.0,", "full_load_rpm must rise"),
        ("torque_ratio = [1.92, 1.54,", "torque_ratio = [1.92, 1.95,", "torque_ratio must not rise"),
        ("torque_ratio_at = [0.0, 0.4,", "torque_ratio_at = [0.0, 0.7,", "torque_ratio_at must rise"),
        ("1.09, 1.0]", "1.09, 1.0, 1.0]", "both need the same number"),
        ("1.205, 1.09, 1.0]", "1.205, 1.205, 1.203]", "more power than goes in"),
        ("0.8, 0.86]", "0.8, 1.86]", "torque_ratio_at must end at or below 1"),
        ("0.9, 0.95]", "0.9, 1.0]", "capacity_at must end below 1"),
        ("capacity_at = [0.0,", "capacity_at = [0.1,", "capacity_at must start at 0"),
        ("ratios = [3.75, 1.88, 1.41, 1.00, 0.75, 0.60]", "ratios = [3.75]", "at least 2 are needed"),
        ("ratios = [3.75, 1.88,", "ratios = [3.75, 3.88,", "ratios must fall"),
        ("ratios = [3.75, 1.88, 1.41, 1.00, 0.75, 0.60]", "ratios = [3.75, 1.88]", "2 gears need 1"),
        ("down_full_kmh = [24.0,", "down_full_kmh = [44.0,", "or the gears hunt"),
        ("lowest_gear = 4", "lowest_gear = 7", "above the top gear 6"),
        ("unlock_kmh = 56.0", "unlock_kmh = 62.0", "unlock_kmh must be below lock_kmh"),
        ("closed_throttle_pct = 1.0", "closed_throttle_pct = 90.0", "keep closed_throttle_pct <"),
        ("stall_rpm = 420.0", "stall_rpm = 900.0", "stall_rpm < idle_rpm"),
        ("starter_release_rpm = 500.0", "starter_release_rpm = 400.0", "must be above stall_rpm"),
        ("thermostat_open_c = 94.0", "thermostat_open_c = 80.0", "thermostat_open_c must be above"),
        ("tank_kj_per_k = 12.0", "tank_kj_per_k = 0.1", "tank_kj_per_k 0.1 is too small beside its conductances"),
        ("inertia_kgm2 = 0.36", "inertia_kgm2 = 0.001", "engine.inertia_kgm2"),
        ("fan_full_c = 103.0", "fan_full_c = 95.0", "fan_full_c must be above"),
        ("oil_cst_at_100c = 5.4", "oil_cst_at_100c = 54.0", "oil thins when it warms"),
        ("friction_slip_rpm = [0.0, 50.0,", "friction_slip_rpm = [0.0, 500.0,", "friction_slip_rpm must rise"),
        ("indicated_efficiency = [0.40,", "indicated_efficiency = [4.0,", "engine.indicated_efficiency[1]"),
        ('key = "pukeko"', 'key = "pukeko', "not TOML"),
    ],
)
def test_each_mistake_gets_one_line(tmp_path: Path, pukeko: Vehicle, old: str, new: str, says: str) -> None:
    path = tmp_path / "wrong.toml"
    assert old in pukeko.text
    path.write_text(pukeko.text.replace(old, new), encoding="utf-8")
    with pytest.raises(UserError) as caught:
        load_vehicle(str(path))
    line = str(caught.value)
    assert says in line
    assert line.startswith(f"{path}: ")
    assert "\n" not in line


def test_unknown_name_suggests_the_nearest() -> None:
    with pytest.raises(UserError, match="unknown vehicle 'pukekoo'; did you mean 'pukeko'"):
        load_vehicle("pukekoo")
    with pytest.raises(UserError, match="known: pukeko, takahe"):
        load_vehicle("zzz")


def test_missing_and_unreadable_files(tmp_path: Path) -> None:
    with pytest.raises(UserError, match=r"none\.toml: cannot read this vehicle file"):
        load_vehicle(str(tmp_path / "none.toml"))
    bad = tmp_path / "bytes.toml"
    bad.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(UserError, match="not UTF-8"):
        load_vehicle(str(bad))
