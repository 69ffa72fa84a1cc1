"""A run of the model beside the recording of the drive: error per signal, and whether they are the same story."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from bench.figures import SLIP_FROM_KMH
from bench.logs.clutch import IN, OUT
from bench.logs.findings import LogFinding
from bench.logs.map_file import ChannelTable, LogMap, RunTable, TimeTable
from bench.logs.reading import Log, read_log
from bench.logs.show_files import traces
from controller.errors import UserError
from controller.suggest import nearest

if TYPE_CHECKING:
    from bench.logs.source import Array
    from bench.logs.summary import Shown
    from sim.vehicle import Vehicle

STEP_S = 0.1
MOST_SHIFT_S = 30.0
SAME_DRIVE_KMH = 6.0
"""A run whose road speed is further off than this was another drive."""


@dataclass(frozen=True)
class Line:
    """One signal: its name here and in traces.csv, its unit, and the root mean square error that is called good."""

    name: str
    column: str
    label: str
    unit: str
    good: float


LINES = (
    Line("road_speed_kmh", "speed_kmh", "road speed", "km/h", 2.0),
    Line("engine_rpm", "engine_rpm", "engine speed", "rpm", 150.0),
    Line("turbine_rpm", "turbine_rpm", "turbine speed", "rpm", 150.0),
    Line("slip_pct", "slip_pct", "converter slip", "%", 3.0),
    Line("throttle_pct", "throttle_pct", "pedal", "%", 10.0),
    Line("oil_temp_c", "oil_c", "transmission oil", "°C", 1.5),
    Line("coolant_temp_c", "coolant_c", "coolant", "°C", 3.0),
)
"""Our own lines; no standard sets them."""

CLUTCH_GOOD = 0.95


@dataclass(frozen=True)
class SignalError:
    """Run less recording of one signal: mean, root mean square and largest, over the seconds both know."""

    line: Line
    mean: float
    rmse: float
    worst: float
    worst_at_s: float
    seconds: float

    @property
    def is_good(self) -> bool:
        """Within the line."""
        return self.rmse <= self.line.good


@dataclass(frozen=True)
class Check:
    """What came of it. `shift_s` is how much later the recording's story begins than the run's."""

    run_name: str
    shift_s: float
    time_s: Array
    recorded: dict[str, Array]
    run: dict[str, Array]
    errors: list[SignalError]
    clutch_agrees: float | None
    findings: list[LogFinding]


def run_names(path: Path) -> list[str]:
    """Return the names of the runs in a traces.csv, in their order."""
    names: list[str] = []
    with open(path, encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            if row["run"] not in names:
                names.append(row["run"])
    return names


def read_run(against: str) -> tuple[str, Log]:
    """Return a run's name and its traces as a recording: FOLDER or traces.csv, and after a colon which run of it."""
    given, _, wanted = against.rpartition(":") if ":" in against and not Path(against).exists() else (against, "", "")
    path = Path(given)
    path = path / "traces.csv" if path.is_dir() else path
    if not path.is_file():
        raise UserError(f"--against {against}: no traces.csv there; give a folder that `tccbench compare` wrote")
    with open(path, encoding="utf-8") as file:
        header = file.readline().strip().split(",")
    if header[:2] != ["run", "time_s"]:
        raise UserError(f"{path}: not a traces.csv of tccbench: its first columns must be run,time_s")
    names = run_names(path)
    if not names:
        raise UserError(f"{path}: no run in it")
    if wanted and wanted not in names:
        raise UserError(f"--against {against}: no run {wanted!r} in it; {nearest(wanted, names)}")
    # The last run is the rules': compare puts the baselines before them.
    name = wanted or names[-1]
    columns = {line.name: line.column for line in LINES if line.name != "slip_pct"} | {"duty_pct": "duty_pct",
                                                                                       "gear": "gear"}  # fmt: skip
    units = {"km/h": "km/h", "rpm": "rpm", "%": "%", "°C": "°C"}
    signal = {
        key: ChannelTable(channel=column, unit=_unit(key, units)) for key, column in columns.items() if column in header
    }
    log_map = LogMap(title=name, kind="csv", time=TimeTable(channel="time_s", unit="s"),
                     run=RunTable(channel="run", name=name), signal=signal)  # fmt: skip
    return name, read_log(str(path), given=log_map)


def _unit(name: str, units: dict[str, str]) -> str:
    from bench.logs.quantities import BY_NAME

    return units.get(BY_NAME[name].unit, "")


def check(shown: Shown, name: str, run_log: Log, vehicle: Vehicle | None) -> Check:
    """Lay the run over the recording, find the shift in time, and take the errors.

    With a vehicle the run's road speed is taken as its sensor would give it, from turbine speed and gear: on soft
    ground the wheels turn faster than the ground goes by.
    """
    from bench.logs.grid import on_times

    if not shown.log.has("road_speed_kmh"):
        raise UserError(f"{shown.log.path}: road speed was not recorded; without it a run cannot be laid over it")
    run_s = np.arange(0.0, run_log.duration_s, STEP_S)
    run = {key: on_times(key, one, run_s) for key, one in run_log.readings.items()}
    run["slip_pct"] = _slip(run["engine_rpm"], run["turbine_rpm"])
    if vehicle is not None and "gear" in run and not shown.log.speed_is_grounds:
        run["road_speed_kmh"] = _sensor_speed(run, vehicle)
    own = traces(shown)
    time_s = np.arange(0.0, shown.log.duration_s, STEP_S)
    recorded = {key: _at(shown.grid.time_s, value, time_s) for key, value in own.items()}
    shift = _shift(recorded["road_speed_kmh"], run["road_speed_kmh"])
    laid = {key: _shifted(value, shift, len(time_s)) for key, value in run.items()}
    errors = []
    for line in LINES:
        if line.name in recorded and line.name in laid:
            own_value = recorded[line.name]
            if line.name == "slip_pct":
                # At a standstill in gear it is 100 % and says nothing.
                fast = (recorded["road_speed_kmh"] > SLIP_FROM_KMH) & (laid["road_speed_kmh"] > SLIP_FROM_KMH)
                own_value = np.where(fast, own_value, np.nan)
            one = _error(line, own_value, laid[line.name], time_s)
            if one is not None:
                errors.append(one)
    agrees = _clutch_agrees(recorded.get("state"), laid.get("duty_pct"))
    return Check(name, shift * STEP_S, time_s, recorded, laid, errors, agrees, _findings(name, errors, agrees))


def _slip(engine_rpm: Array, turbine_rpm: Array) -> Array:
    return np.where(engine_rpm > 100.0, 100.0 * (engine_rpm - turbine_rpm) / np.maximum(engine_rpm, 1.0), np.nan)


def _sensor_speed(run: dict[str, Array], vehicle: Vehicle) -> Array:
    speed = run["road_speed_kmh"] * vehicle.sensor_speed_factor
    for gear, per_ms in enumerate(vehicle.turbine_rads_per_ms, start=1):
        per_kmh = per_ms / vehicle.sensor_speed_factor / 3.6 * 30.0 / np.pi
        by_wheel = run["turbine_rpm"] / per_kmh
        # While a gear changes the turbine is between two; the ground's own speed is near enough there.
        is_settled = (run["gear"] == gear) & (np.abs(by_wheel / np.maximum(speed, 1.0) - 1.0) < 0.12)
        speed = np.where(is_settled, by_wheel, speed)
    return np.asarray(speed)


def _at(grid_s: Array, value: Array, time_s: Array) -> Array:
    step_s = float(grid_s[1] - grid_s[0]) if len(grid_s) > 1 else 1.0
    return np.asarray(value[np.clip(np.round(time_s / step_s).astype(np.int64), 0, len(value) - 1)])


def _shift(recorded: Array, run: Array) -> int:
    """Return by how many steps the recording's speeds come later than the run's, the best within half a minute."""
    best, best_error = 0, np.inf
    most = round(MOST_SHIFT_S / STEP_S)
    # Coarse to fine: a drive's speed has no detail finer than a second.
    for candidates in (range(-most, most + 1, 10), None):
        for shift in candidates if candidates is not None else range(best - 9, best + 10):
            laid = _shifted(run, shift, len(recorded))
            known = ~(np.isnan(laid) | np.isnan(recorded))
            if known.sum() < 0.5 * min(len(recorded), len(run)):
                continue
            error = float(np.mean((laid[known] - recorded[known]) ** 2))
            if error < best_error - 1e-9 or (abs(error - best_error) <= 1e-9 and abs(shift) < abs(best)):
                best, best_error = shift, error
    return best


def _shifted(value: Array, shift: int, count: int) -> Array:
    out = np.full(count, np.nan)
    start, end = max(shift, 0), min(count, len(value) + shift)
    if end > start:
        out[start:end] = value[start - shift : end - shift]
    return out


def _error(line: Line, recorded: Array, run: Array, time_s: Array) -> SignalError | None:
    known = ~(np.isnan(recorded) | np.isnan(run))
    if known.sum() < 10:
        return None
    rest = (run - recorded)[known]
    worst = int(np.argmax(np.abs(rest)))
    return SignalError(line, float(rest.mean()), float(np.sqrt((rest**2).mean())), float(rest[worst]),
                       float(time_s[known][worst]), float(known.sum() * STEP_S))  # fmt: skip


def _clutch_agrees(state: Array | None, duty_pct: Array | None) -> float | None:
    if state is None or duty_pct is None:
        return None
    known = np.isin(state, (IN, OUT)) & ~np.isnan(duty_pct)
    return float(((state == IN) == (duty_pct > 0.0))[known].mean()) if known.sum() > 10 else None


def _findings(name: str, errors: list[SignalError], agrees: float | None) -> list[LogFinding]:
    by_name = {one.line.name: one for one in errors}
    speed = by_name.get("road_speed_kmh")
    if speed is not None and speed.rmse > SAME_DRIVE_KMH:
        return [LogFinding("other_drive", "bad", f"the run {name} is another drive: road speed differs by "
                           f"{speed.rmse:.1f} km/h; run `tccbench compare --drive` on the drive.toml that `log show` "
                           "writes")]  # fmt: skip
    oil = by_name.get("oil_temp_c")
    wrong = [one for one in errors if not one.is_good]
    found: list[LogFinding] = []
    if oil is None:
        found.append(LogFinding("no_oil", "note", "the oil's temperature was not recorded: the prediction that matters "
                                "cannot be judged"))  # fmt: skip
    if not wrong and oil is not None:
        found.append(LogFinding("holds", "good", f"the prediction holds: oil within {oil.rmse:.1f} °C (root mean "
                                f"square), at worst {oil.worst:+.1f} °C"))  # fmt: skip
    for one in wrong:
        found.append(LogFinding("off", "bad" if one.line.name in ("oil_temp_c", "slip_pct") else "note",
                                f"{one.line.label}: {one.rmse:.1f} {one.line.unit} off (mean {one.mean:+.1f}, worst "
                                f"{one.worst:+.1f} at {one.worst_at_s:.0f} s); {one.line.good:g} is called "
                                "good"))  # fmt: skip
    if agrees is not None and agrees < CLUTCH_GOOD:
        found.append(LogFinding("clutch", "note", f"the clutch does the same in {agrees:.0%} of the time"))
    if oil is not None and not oil.is_good:
        found.append(LogFinding("fit", "note", "tccbench log fit corrects what the recording can tell of the vehicle"))
    return found
