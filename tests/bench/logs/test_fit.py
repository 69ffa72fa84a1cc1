"""Fitting: what is put wrong in a vehicle file is found again, a steady run is refused, and the loop closes."""

import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from click.testing import Result
from synthetic import columns, run, write_csv

pytest.importorskip("scipy")

from bench.error_band import oil_band
from bench.logs.fit import Fit, fit
from bench.logs.fitted_file import Change, fitted_text
from bench.logs.oil_model import OilDrive, oil_temperature
from bench.logs.reading import read_log
from controller.errors import UserError
from sim.vehicle import Vehicle, load_vehicle, vehicle_from_text

Write = Callable[..., Path]
Tccbench = Callable[..., Result]

WRONG = {"oil_kj_per_k": 1.3, "oil_case_w_per_k": 0.85, "case_kj_per_k": 1.15, "oil_tank_w_per_k": 0.8}

TRUE_OIL_KJ_PER_K = load_vehicle("pukeko").file.heat.oil_kj_per_k


def _wrong(vehicle: str, factors: dict[str, float], k_factor: float = 1.0) -> Vehicle:
    text = load_vehicle(vehicle).text
    for key, factor in factors.items():
        text = re.sub(rf"(?m)^{key} = ([\d.]+)", lambda m, k=key, f=factor: f"{k} = {float(m[1]) * f:.4f}", text)
    numbers = re.search(r"(?m)^capacity_factor_rpm_per_sqrt_nm = \[(.*?)\]", text)
    assert numbers
    text = text.replace(numbers[1], ", ".join(f"{float(one) * k_factor:.3f}" for one in numbers[1].split(",")))
    return vehicle_from_text(text, "wrong")


def _fit(path: Path, vehicle: Vehicle, drive: str = "riverbed", strategy: str = "as-built") -> Fit:
    result = run("pukeko", drive, strategy)
    return fit([read_log(str(path))], vehicle, result.ambient_c, result.total_mass_kg)


@pytest.mark.parametrize("drive", ["riverbed", "pass_climb"])
def test_oil_is_found_again(recorded: Write, drive: str) -> None:
    done = _fit(recorded("pukeko", drive, "as-built"), _wrong("pukeko", WRONG), drive)
    assert done.oil is not None
    true = load_vehicle("pukeko").file.heat
    assert done.fitted.file.heat.oil_kj_per_k == pytest.approx(true.oil_kj_per_k, rel=0.05)
    assert done.fitted.file.heat.oil_tank_w_per_k == pytest.approx(true.oil_tank_w_per_k, rel=0.10)
    assert done.oil.held_out_rmse_c is not None
    assert done.oil.held_out_rmse_c <= 0.7
    assert done.oil.before_rmse_c > 2.0 * done.oil.rmse_c
    # An error bar that the truth lies far outside of would be worth nothing.
    off = abs(done.fitted.file.heat.oil_kj_per_k / true.oil_kj_per_k - 1.0)
    assert off < 3.0 * done.oil.error_share[0]
    assert "fitted, ±" in done.text
    assert "sha256" in done.text


def test_whole_degrees_are_enough(recorded: Write) -> None:
    path = recorded("pukeko", "riverbed", "as-built", temp_step_c=1.0)
    done = _fit(path, _wrong("pukeko", WRONG))
    assert done.fitted.file.heat.oil_kj_per_k == pytest.approx(TRUE_OIL_KJ_PER_K, rel=0.05)
    assert done.oil is not None
    assert (done.oil.held_out_rmse_c or 9.0) <= 0.7


@pytest.mark.parametrize("factor", [0.96, 1.05])
def test_gearing_is_found_again(recorded: Write, factor: float) -> None:
    wrong = _wrong("pukeko", {"rolling_radius_m": factor, "sensor_rolling_radius_m": factor})
    done = _fit(recorded("pukeko", "riverbed", "station"), wrong, strategy="station")
    assert done.fitted.file.body.sensor_rolling_radius_m == pytest.approx(0.40, rel=0.005)
    assert done.fitted.file.body.rolling_radius_m == pytest.approx(0.40, rel=0.005)


def test_gearing_by_engine_speed_while_held(recorded: Write) -> None:
    path = recorded("pukeko", "riverbed", "station", drop=("turbine_rpm",))
    done = _fit(path, load_vehicle("pukeko"), strategy="station")
    gear = next(one for one in done.gearing[0].gears if one.gear == 2)
    assert gear.share == pytest.approx(1.0, rel=0.005)
    assert gear.by == "engine while held"


@pytest.mark.parametrize("k_factor", [0.93, 1.08])
def test_a_wrong_converter_table_is_noticed(recorded: Write, k_factor: float) -> None:
    done = _fit(recorded("pukeko", "riverbed", "as-built"), _wrong("pukeko", {}, k_factor))
    assert any(one.code == "converter" and one.judgement == "bad" for one in done.findings)
    fitted = done.fitted.file.converter.capacity_factor_rpm_per_sqrt_nm
    true = load_vehicle("pukeko").file.converter.capacity_factor_rpm_per_sqrt_nm
    assert np.allclose(fitted, true, rtol=0.02)


def test_a_right_converter_table_is_left_alone(recorded: Write) -> None:
    done = _fit(recorded("pukeko", "riverbed", "as-built"), load_vehicle("pukeko"))
    assert not any(one.code == "converter" and one.judgement == "bad" for one in done.findings)
    assert not any(one.place.startswith("converter") for one in done.changes)
    assert not any(one.place.startswith("body") for one in done.changes)


def test_own_traces_serve_as_a_recording(tccbench: Tccbench, tmp_path: Path) -> None:
    """Their speed is the ground's: the tyres' slip on sand must not be taken for another gearing."""
    theirs = tmp_path / "theirs.toml"
    theirs.write_text(_wrong("pukeko", {"oil_kj_per_k": 0.9, "oil_tank_w_per_k": 0.8}).text)
    drive, out = tmp_path / "drive", tmp_path / "out"
    assert tccbench("run", "as-built", "--vehicle", theirs, "--drive", "riverbed", "--out", drive).exit_code == 0
    result = tccbench("log", "fit", drive / "traces.csv", "--vehicle", "pukeko", "--ambient", "32", "--out", out)
    assert result.exit_code == 0, result.output
    fitted = load_vehicle(str(out / "fitted.toml")).file
    assert fitted.heat.oil_kj_per_k == pytest.approx(0.9 * TRUE_OIL_KJ_PER_K, rel=0.05)
    assert fitted.gearbox.ratios == load_vehicle("pukeko").file.gearbox.ratios


def test_ground_is_told(recorded: Write) -> None:
    done = _fit(recorded("pukeko", "riverbed", "as-built"), load_vehicle("pukeko"))
    sand = next(one for one in done.road[0].stretches if one.start_s <= 150.0 < one.end_s)
    track = next(one for one in done.road[0].stretches if one.start_s <= 520.0 < one.end_s)
    assert sand.rolling == pytest.approx(0.197, abs=0.01)
    assert sand.surface == "sand"
    assert track.rolling == pytest.approx(0.030, abs=0.004)


def _steady(tmp_path: Path, vehicle: Vehicle) -> Path:
    """Ten minutes of one speed, one slip, one heat, at the temperature that goes with them."""
    found = columns(run("pukeko", "riverbed", "as-built"), vehicle)
    draw = np.random.default_rng(5)
    at = int(np.argmin(np.abs(found["time_s"] - 150.0)))
    count = 6000
    steady = {"time_s": np.arange(count) / 10.0}
    for name, scatter in (("speed_kmh", 0.1), ("engine_rpm", 3.0), ("turbine_rpm", 3.0), ("throttle_pct", 0.3)):
        steady[name] = np.round(found[name][at] + draw.normal(0.0, scatter, count), 1)
    for name, level in (("oil_c", 98.0), ("coolant_c", 90.0)):
        steady[name] = np.where(np.arange(count) % 10 == 0, level + np.round(draw.normal(0.0, 0.1, count), 1), np.nan)
    return write_csv(tmp_path / "steady.csv", steady)


def test_a_steady_run_is_refused(tmp_path: Path) -> None:
    vehicle = load_vehicle("pukeko")
    done = fit([read_log(str(_steady(tmp_path, vehicle)))], vehicle, 32.0, None)
    assert done.oil is not None
    assert not any(done.oil.told)
    assert not any(one.place.startswith("heat") for one in done.changes)
    assert any("a steady run tells neither its heat capacity nor its conductances" in one.text for one in done.findings)


def test_an_even_warm_up_is_refused(recorded: Write) -> None:
    """The oil warms, but under one even heat: capacity and conductances cannot be told apart."""
    done = _fit(recorded("pukeko", "cold_morning", "as-built"), _wrong("pukeko", WRONG), "cold_morning")
    assert done.oil is not None
    if done.oil.told[0]:
        off = abs(done.fitted.file.heat.oil_kj_per_k / TRUE_OIL_KJ_PER_K - 1.0)
        assert off < 3.0 * done.oil.error_share[0]


def test_a_speed_in_miles_is_not_fitted(recorded: Write) -> None:
    path = recorded("pukeko", "riverbed", "as-built")
    lines = path.read_text().splitlines()
    at = lines[0].split(",").index("speed_kmh")
    out = [lines[0]]
    for line in lines[1:]:
        cells = line.split(",")
        cells[at] = f"{float(cells[at]) / 1.609344:.2f}" if cells[at] else ""
        out.append(",".join(cells))
    path.write_text("\n".join(out) + "\n")
    with pytest.raises(UserError, match="mph"):
        _fit(path, load_vehicle("pukeko"))


def test_nothing_to_tell_is_one_line(tccbench: Tccbench, tmp_path: Path) -> None:
    path = tmp_path / "idle.csv"
    path.write_text("time_s,speed_kmh,rpm\n" + "".join(f"{at / 10},0,780\n" for at in range(600)))
    result = tccbench("log", "fit", path, "--vehicle", "pukeko", "--out", tmp_path / "out")
    assert result.exit_code == 2
    assert "nothing can be told of the vehicle" in result.stderr
    assert len(result.stderr.strip().splitlines()) == 1
    assert not (tmp_path / "out" / "fitted.toml").exists()


def test_fitted_file_keeps_the_rest() -> None:
    vehicle = load_vehicle("pukeko")
    changes = [Change("heat.oil_kj_per_k", (27.0,), (25.5,), 0.02), Change("gearbox.ratios", (1.0,), (3.7, 1.9), 0.01)]
    text = fitted_text(vehicle.text, changes, ["a.csv"], 0.4, ["x"], [0.1], [[1.0]])
    assert "oil_kj_per_k = 25.5  # fitted, ±2 %; was 27.0" in text
    assert "ratios = [3.7, 1.9]" in text
    assert 'key = "pukeko_fitted"' in text
    assert "brake_n = 22000.0" in text
    again = fitted_text(text, changes[:1], ["b.csv"], None, [], [], [])
    assert again.count("[fitted]") == 1
    assert "pukeko_fitted_fitted" not in again
    assert "a.csv" not in again


def test_oil_model_is_the_plants() -> None:
    """The plant's own heat put through the balance by itself gives the plant's oil temperature."""
    result, vehicle = run("pukeko", "riverbed", "as-built"), load_vehicle("pukeko")
    traces = result.traces
    count = len(traces["time_s"]) // 100

    def by_second(name: str) -> np.ndarray:
        return traces[name][: count * 100].reshape(count, 100).mean(axis=1)

    drive = OilDrive(1.0, 1000.0 * by_second("oil_heat_kw"), by_second("coolant_c"), by_second("speed_kmh") / 3.6,
                     by_second("engine_rpm") * np.pi / 30.0, result.ambient_c)  # fmt: skip
    oil_c, case_c = oil_temperature(drive, vehicle, np.ones(4), traces["oil_c"][0], traces["case_c"][0])
    assert np.abs(oil_c - traces["oil_c"][: count * 100 : 100]).max() < 0.35
    assert np.abs(case_c - traces["case_c"][: count * 100 : 100]).max() < 0.35


def test_compare_predicts_with_a_band(recorded: Write) -> None:
    done = _fit(recorded("pukeko", "riverbed", "as-built"), _wrong("pukeko", WRONG))
    result = run("pukeko", "pass_climb", "as-built")
    band = oil_band(result, done.fitted)
    assert band is not None
    assert 0.05 < band.peak_c < 4.0
    assert band.error_c.shape == result.traces["oil_c"].shape
    assert oil_band(result, load_vehicle("pukeko")) is None


def test_the_loop_closes(tccbench: Tccbench, recorded: Write, tmp_path: Path) -> None:
    """Record, show, fit, compare, check: a wrong file is corrected until the prediction holds."""
    path = recorded("pukeko", "riverbed", "as-built")
    result = run("pukeko", "riverbed", "as-built")
    start = tmp_path / "start.toml"
    start.write_text(_wrong("pukeko", WRONG).text)
    out = tmp_path / "out"
    kg = result.total_mass_kg
    assert tccbench("log", "show", path, "--vehicle", start, "--out", out).exit_code == 0
    fitted = tccbench("log", "fit", path, "--vehicle", start, "--ambient", result.ambient_c, "--mass", kg, "--out", out)
    assert fitted.exit_code == 0, fitted.output
    errors = {}
    for name, vehicle in (("start", start), ("fitted", out / "fitted.toml")):
        folder = tmp_path / name
        ran = tccbench("run", "as-built", "--vehicle", vehicle, "--drive", out / "drive.toml", "--out", folder)
        assert ran.exit_code == 0, ran.output
        checked = tccbench("log", "check", path, "--against", folder, "--vehicle", vehicle, "--out", folder)
        assert checked.exit_code == 0, checked.output
        import json

        found = json.loads((folder / "check.json").read_text())
        errors[name] = next(one["rmse"] for one in found["errors"] if one["line"]["name"] == "oil_temp_c")
    assert errors["fitted"] < 1.5
    assert errors["fitted"] < errors["start"]


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (("--mass", "1000"), "alone weighs 2850 kg by its file; give the mass as driven"),
        (("--write", "."), "--write .: this is a folder; give a file's name"),
    ],
)
def test_wrong_options_are_one_line(
    tccbench: Tccbench, recorded: Write, tmp_path: Path, options: tuple[str, ...], said: str
) -> None:
    path = recorded("pukeko", "riverbed", "as-built")
    result = tccbench("log", "fit", path, "--vehicle", "pukeko", "--out", tmp_path / "out", *options)
    assert result.exit_code == 2
    assert said in result.stderr
    assert result.stderr.count("\n") == 1


def test_another_gearbox_is_asked_about(recorded: Write) -> None:
    done = _fit(recorded("pukeko", "riverbed", "as-built"), _wrong("pukeko", {}))
    assert not any("is it this vehicle?" in one.text for one in done.findings)
    text = load_vehicle("pukeko").text
    ratios = load_vehicle("pukeko").file.gearbox.ratios
    other = tuple(one * factor for one, factor in zip(ratios, (1.03, 1.0, 0.97, 1.03, 0.97, 1.03), strict=True))
    text = re.sub(r"(?m)^ratios = .*$", f"ratios = [{', '.join(f'{one:.4f}' for one in other)}]", text)
    done = _fit(recorded("pukeko", "riverbed", "as-built"), vehicle_from_text(text, "other"))
    assert any(one.judgement == "bad" and "is it this vehicle?" in one.text for one in done.findings)
