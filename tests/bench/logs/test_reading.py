"""Reading: foreign tables, CAN text of both formats, MDF, polled values, maps; and that nothing is invented."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from click.testing import Result
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.logs.collect import Readings
from bench.logs.grid import grid_of, on_times
from bench.logs.map_file import load_map, map_text
from bench.logs.quantities import BY_NAME, QUANTITIES, UNITS, unit_of
from bench.logs.reading import proposed_map, read_log
from controller.errors import UserError


def _file(tmp_path: Path, text: str, name: str = "rec.csv") -> Path:
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    return path


def _rows(count: int = 60) -> list[tuple[float, float, float]]:
    return [(at * 0.5, 20.0 + at * 0.3, 1200.0 + at * 7.0) for at in range(count)]


def test_foreign_names_and_units(tmp_path: Path) -> None:
    text = "Timestamp [ms];Vehicle Speed (mph);Engine Speed [1/min];ATF temperature (°F);Pedal position\n"
    text += "".join(f"{t * 1000:.0f};{v / 1.609344:.3f};{n:.1f};212,0;0,5\n".replace(".", ",") for t, v, n in _rows())
    log = read_log(str(_file(tmp_path, text)))
    assert log.map.text.delimiter == ";"
    assert log.map.text.decimal == ","
    assert log.readings["road_speed_kmh"].value[10] == pytest.approx(23.0, abs=0.01)
    assert log.readings["engine_rpm"].value[10] == pytest.approx(1270.0)
    assert log.readings["oil_temp_c"].value[0] == pytest.approx(100.0, abs=1e-3)
    assert log.readings["throttle_pct"].value[0] == pytest.approx(50.0)
    assert log.duration_s == pytest.approx(29.5)


@pytest.mark.parametrize(
    ("header", "quantity", "unit"),
    [
        ("Vehicle Speed Sensor [km/h]", "road_speed_kmh", "km/h"),
        ("wheel_speed_mph", "road_speed_kmh", "mph"),
        ("GPS speed (m/s)", "true_speed_kmh", "m/s"),
        ("EngineSpeed", "engine_rpm", "rpm"),
        ("InputShaftSpeed", "turbine_rpm", "rpm"),
        ("Accelerator Pedal Position D [%]", "throttle_pct", "%"),
        ("transmition_oil_temperature", "oil_temp_c", "°C"),
        ("Engine Coolant Temperature [°C]", "coolant_temp_c", "°C"),
        ("Current_Gear", "gear", ""),
        ("ShiftInProcess", "shift_on", ""),
        ("TCC status", "lockup_on", ""),
        ("engine_torque_nm", "engine_torque_nm", "N·m"),
    ],
)
def test_names(tmp_path: Path, header: str, quantity: str, unit: str) -> None:
    path = _file(tmp_path, f"time_s,{header}\n" + "".join(f"{at},{at % 2}\n" for at in range(40)))
    mapped = proposed_map(str(path))
    assert list(mapped.signal) == [quantity]
    assert mapped.signal[quantity].unit == unit


@pytest.mark.parametrize(
    "header", ["target_kmh", "engine oil pressure", "Engine Fan Speed", "gear_ratio", "Engine_torque"]
)
def test_names_that_are_nothing_of_ours(tmp_path: Path, header: str) -> None:
    path = _file(tmp_path, f"time_s,{header},rpm\n" + "".join(f"{at},{at},900\n" for at in range(40)))
    assert list(proposed_map(str(path)).signal) == ["engine_rpm"]


def test_brake_switch_that_counts_from_one(tmp_path: Path) -> None:
    path = _file(tmp_path, "time_s,rpm,brake ON(2)/OFF(1)\n" + "".join(f"{at},900,{1 + at % 2}\n" for at in range(40)))
    assert read_log(str(path)).readings["brake_on"].value[:4].tolist() == [0.0, 1.0, 0.0, 1.0]


def test_clock_runs_on_past_midnight(tmp_path: Path) -> None:
    rows = ["23:59:58.0", "23:59:59.5", "00:00:01.0", "00:00:02.5", "00:00:04.0"]
    path = _file(tmp_path, "Time,rpm\n" + "".join(f"{row},{900 + at}\n" for at, row in enumerate(rows)))
    assert read_log(str(path)).readings["engine_rpm"].time_s.tolist() == [0.0, 1.5, 3.0, 4.5, 6.0]


def test_dates(tmp_path: Path) -> None:
    rows = [f"2026-03-01T10:00:{at:02d}.500+00:00" for at in range(20)]
    path = _file(tmp_path, "when,rpm\n" + "".join(f"{row},900\n" for row in rows))
    assert read_log(str(path)).duration_s == pytest.approx(19.0)


def test_polled_values_that_repeat(tmp_path: Path) -> None:
    """A row changes one value and repeats the others: only what was polled counts, at its own time."""
    lines = ["time_s,speed_kmh,rpm,coolant_c,pedal_pct"]
    now = [0.0, 800.0, 60.0, 0.0]
    for at in range(400):
        which = at % 4
        now[which] = [at * 0.1, 800.0 + at, 60.0 + at // 40, 10.0 + (at % 8)][which]
        lines.append(f"{at * 0.1:.1f}," + ",".join(f"{one:g}" for one in now))
    log = read_log(str(_file(tmp_path, "\n".join(lines) + "\n")))
    assert log.map.text.repeats
    one = log.readings["engine_rpm"]
    # Polled at every fourth row from the second one on; each reading stands at its poll.
    polled = np.isin(np.round(one.time_s * 10).astype(int) % 4, (1,))
    assert polled.mean() > 0.9
    speed = on_times("road_speed_kmh", log.readings["road_speed_kmh"], np.arange(5.0, 35.0, 0.1))
    assert np.abs(speed - (np.arange(5.0, 35.0, 0.1))).max() < 0.6


def test_one_run_of_several(tmp_path: Path) -> None:
    text = "run,time_s,engine_rpm\n" + "".join(f"{run},{at},{base + at}\n" for run, base in (("a", 900), ("b", 2000))
                                              for at in range(30))  # fmt: skip
    path = _file(tmp_path, text)
    assert read_log(str(path)).readings["engine_rpm"].value[0] == 900.0
    mapped = tmp_path / "map.toml"
    mapped.write_text(map_text(proposed_map(str(path))).replace('name = "a"', 'name = "b"'))
    assert read_log(str(path), str(mapped)).readings["engine_rpm"].value[0] == 2000.0


def test_map_is_written_and_read_back(tmp_path: Path) -> None:
    path = _file(tmp_path, 'time_s,Speed "odd" [mph],rpm\n' + "".join(f"{at},1,900\n" for at in range(30)))
    proposed = proposed_map(str(path))
    mapped = tmp_path / "map.toml"
    mapped.write_text(map_text(proposed))
    assert load_map(str(mapped)) == proposed


def test_long_recording_is_thinned(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from bench.logs import collect, grid

    monkeypatch.setattr(collect, "MOST_READINGS", 500)
    monkeypatch.setattr(grid, "MOST_READINGS", 500)
    path = _file(
        tmp_path, "time_s,speed_kmh,rpm\n" + "".join(f"{at / 10},20,{900 + at % 100}\n" for at in range(20_000))
    )
    log = read_log(str(path))
    assert max(len(one.value) for one in log.readings.values()) <= 1000
    assert log.duration_s > 1990.0
    assert "thinned" in {one.code for one in log.findings}
    assert len(grid_of(log).time_s) <= 501


@given(
    times=st.lists(st.floats(0.0, 100.0), min_size=2, max_size=40, unique=True),
    ask=st.lists(st.floats(-5.0, 120.0), min_size=1, max_size=20),
)
@settings(max_examples=60, deadline=None)
def test_nothing_is_invented(times: list[float], ask: list[float]) -> None:
    """Between near readings a value lies between theirs; across a gap, before and after there is none."""
    time_s = np.sort(np.array(times))
    value = np.round(time_s * 7.0 % 50.0, 3)
    one = Readings(time_s, value, 0.5)
    got = on_times("engine_rpm", one, np.array(ask))
    for t, v in zip(ask, got.tolist(), strict=True):
        after = int(np.searchsorted(time_s, t, side="right"))
        if np.isnan(v):
            assert after == 0 or after == len(time_s) or time_s[after] - time_s[after - 1] > 2.5
            continue
        assert after > 0
        ends = [value[after - 1], value[min(after, len(value) - 1)]]
        assert min(ends) - 1e-9 <= v <= max(ends) + 1e-9


def test_every_unit_is_spelt() -> None:
    for kind, units in UNITS.items():
        for unit in units:
            assert not unit or unit_of(unit, kind) == unit
    assert len(BY_NAME) == len(QUANTITIES)


# CAN ---------------------------------------------------------------------------------------------------------


def _frames() -> list[tuple[float, int, bytes]]:
    cantools = pytest.importorskip("cantools")
    from importlib.resources import files

    dbc = cantools.database.load_string(files("dbc_examples").joinpath("j1939.dbc").read_text("cp1252"), "dbc")
    found = []
    for at in range(300):
        t = at * 0.02
        eec1 = dbc.encode_message("EEC1", {"EngineSpeed": 1500.0 + at, "EngineTorque": 20}, padding=True)
        etc1 = dbc.encode_message("ETC1", {"DrivelineEngaged": 1, "LockupEngaged": int(at > 100), "ShiftInProcess": 0,
                                           "OutputShaftSpeed": 700.0, "ClutchSlip": 0, "InputShaftSpeed": 1400.0 + at},
                                  padding=True)  # fmt: skip
        found += [(t, 0x0CF00400, eec1), (t + 0.001, 0x0CF00203, etc1)]
        if at % 5 == 0:
            ccvs = dbc.encode_message("CCVS", {"RoadSpeed": 30.0 + at / 10.0, "BrakeSwitch": 0}, padding=True)
            found += [(t + 0.002, 0x18FEF100, ccvs), (t + 0.003, 0x18FEF131, b"\xff" * 8)]
    return found


@pytest.mark.parametrize("form", ["log", "screen"])
def test_candump_both_formats(tmp_path: Path, form: str) -> None:
    lines = [
        f"({t:017.6f}) can0 {ident:08X}#{data.hex().upper()}" if form == "log"
        else f" ({t:010.6f})  can0  {ident:08X}   [8]  {' '.join(f'{one:02X}' for one in data)}"
        for t, ident, data in _frames()
    ]  # fmt: skip
    log = read_log(str(_file(tmp_path, "\n".join(lines) + "\n", "drive.log")))
    assert log.map.dbc == "j1939"
    assert log.readings["engine_rpm"].value[100] == pytest.approx(1600.0)
    assert log.readings["turbine_rpm"].value[100] == pytest.approx(1500.0)
    assert log.readings["road_speed_kmh"].value[10] == pytest.approx(35.0)
    assert log.readings["lockup_on"].value.sum() == 199
    assert any(one.code == "not_available" and "18FEF131" in one.text for one in log.findings)


def test_vectors_of_the_standard(tmp_path: Path) -> None:
    """SAE J1939-71 as public parameter tables have it: CCVS 100 km/h with the brake, TRF1 90 °C, EEC1 836 rpm."""
    pytest.importorskip("cantools")
    vectors = {0x18FEF100: "FF006 4DFFFFFFFFF".replace(" ", ""), 0x18FEF803: "FFFFFFFF602DFFFF",
               0x0CF00400: "FFFFAF201AFFFFFF"}  # fmt: skip
    lines = [f"({at}.000000) can0 {ident:08X}#{data}" for at in range(8) for ident, data in vectors.items()]
    log = read_log(str(_file(tmp_path, "\n".join(lines) + "\n", "v.log")))
    assert log.readings["road_speed_kmh"].value[0] == pytest.approx(100.0)
    assert log.readings["brake_on"].value[0] == 1.0
    assert log.readings["oil_temp_c"].value[0] == pytest.approx(90.0)
    assert log.readings["engine_rpm"].value[0] == pytest.approx(836.0)


def test_polled_obd_values(tmp_path: Path) -> None:
    """SAE J1979 mode 01 as public tables have it: 0C engine speed in quarters, 0D km/h, 05 °C − 40."""
    pytest.importorskip("cantools")
    answers = ["04410C1AF8CCCCCC", "03410D64CCCCCCCC", "03410582CCCCCCCC"]
    lines = [f"({at + n / 10:.6f}) can0 7E8#{data}" for at in range(20) for n, data in enumerate(answers)]
    log = read_log(str(_file(tmp_path, "\n".join(lines) + "\n", "obd.log")))
    assert log.map.dbc is None
    assert log.readings["engine_rpm"].value[0] == 1726.0
    assert log.readings["road_speed_kmh"].value[0] == 100.0
    assert log.readings["coolant_temp_c"].value[0] == 90.0


DBC = """VERSION ""
NS_ :
BS_:
BU_: A
BO_ 291 M: 8 A
 SG_ Big : 7|12@0+ (0.5,-10) [0|0] "" A
 SG_ BigSigned : 23|16@0- (1,0) [0|0] "" A
 SG_ Little : 32|11@1+ (1,0) [0|0] "" A
 SG_ LittleSigned : 43|13@1- (0.25,3) [0|0] "" A
"""


@given(data=st.binary(min_size=8, max_size=8))
@settings(max_examples=100, deadline=None)
def test_decoding_equals_cantools(data: bytes) -> None:
    cantools = pytest.importorskip("cantools")
    from bench.logs.can_decode import Decoder
    from bench.logs.can_frames import Frames

    database = cantools.database.load_string(DBC, "dbc")
    frames = Frames(np.array([0.0]), np.array([291]), np.array([8]), np.frombuffer(data, dtype=np.uint8).reshape(1, 8))
    got = {one.channel: one.value[0] for one in Decoder(database, False).decode(frames)}
    expected = database.decode_message(291, data)
    assert got == {f"M.{name}": pytest.approx(float(value)) for name, value in expected.items()}


def test_mdf_of_physical_channels(tmp_path: Path) -> None:
    asammdf = pytest.importorskip("asammdf")
    time_s = np.arange(0.0, 30.0, 0.1)
    mdf = asammdf.MDF(version="4.10")
    mdf.append([asammdf.Signal(1500.0 + time_s, time_s, name="EngineSpeed", unit="rpm"),
                asammdf.Signal(np.full(300, 40.0), time_s, name="VehicleSpeed", unit="mph")])  # fmt: skip
    path = tmp_path / "drive.mf4"
    mdf.save(path)
    mdf.close()
    log = read_log(str(path))
    assert log.map.kind == "mdf"
    assert log.readings["road_speed_kmh"].value[0] == pytest.approx(64.374, abs=1e-3)
    assert log.readings["engine_rpm"].value[-1] == pytest.approx(1529.9)


def test_dbc_beside_a_table_is_refused(tmp_path: Path) -> None:
    with pytest.raises(UserError, match="no recording of CAN frames"):
        read_log(str(_file(tmp_path, "time_s,rpm\n1,900\n2,900\n")), dbc="j1939")


def test_two_runs_write_the_same_bytes(tccbench: Callable[..., Result], recorded: Callable[..., Path]) -> None:
    path = recorded("pukeko", "riverbed", "station")
    texts = []
    for number in (1, 2):
        out = path.parent / f"out{number}"
        assert tccbench("log", "show", path, "--vehicle", "pukeko", "--out", out).exit_code == 0
        texts.append([(out / name).read_bytes() for name in ("report.html", "log.json", "drive.toml")])
    assert texts[0] == texts[1]
