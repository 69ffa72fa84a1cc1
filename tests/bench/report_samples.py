"""Synthetic pages for the tests of the report: smooth and noisy traces, states, duty, markers. No physics in them."""

import numpy as np

from bench.pages.codec import FloatArray
from bench.pages.report import Channel, Flag, Marker, Page, Run, Table

STATES = {0: "idle", 1: "armed", 2: "applied", 3: "released"}

CHANNELS = [
    Channel("speed", "road speed", "km/h", "Road", "line"),
    Channel("grade", "grade", "%", "Road", "line"),
    Channel("engine_rpm", "engine speed", "rpm", "Speeds", "line"),
    Channel("turbine_rpm", "turbine speed", "rpm", "Speeds", "line"),
    Channel("slip", "slip", "%", "Slip", "line"),
    Channel("oil", "oil", "°C", "Heat", "line"),
    Channel("case", "case", "°C", "Heat", "line"),
    Channel("coolant", "coolant", "°C", "Heat", "line"),
    Channel("heat", "heat into the oil", "kW", "Heat", "line"),
    Channel("state", "hold", "", "Rules", "step", STATES),
    Channel("duty", "duty", "‰", "Rules", "step"),
    Channel("gear", "gear", "", "Gearbox", "step"),
    Channel("throttle", "throttle", "%", "Driver", "line"),
    Channel("brake", "brake", "", "Driver", "step", {0: "off", 1: "on"}),
    Channel("engine_nm", "engine torque", "N m", "Torques", "line"),
    Channel("clutch_nm", "clutch torque", "N m", "Torques", "line"),
    Channel("output_nm", "output torque", "N m", "Torques", "line"),
    Channel("clutch_kw", "clutch power", "kW", "Clutch", "line"),
    Channel("jolt", "jolt", "m/s³", "Clutch", "line"),
    Channel("fuel", "fuel rate", "l/h", "Fuel", "line"),
]


def held(time_s: FloatArray, run: int) -> FloatArray:
    """1 while the sample run holds the clutch in."""
    if run == 0:
        return np.zeros_like(time_s)
    return ((time_s % 75.0) > (30.0 if run == 1 else 12.0)).astype(np.float64)


def sample_run(name: str, run: int, seconds: float) -> Run:
    """One synthetic run of `seconds` at 100 Hz; a little sensor-like noise keeps the compression honest."""
    time_s = np.arange(round(seconds * 100) + 1) / 100.0
    noise = np.random.default_rng(run).normal(size=time_s.shape)
    hold = held(time_s, run)
    ramp = np.convolve(hold, np.ones(80) / 80.0, mode="same")
    speed = 38.0 + 12.0 * np.sin(time_s / 41.0) + 4.0 * np.sin(time_s / 7.0 + run)
    gear = np.clip(np.floor(speed / 11.0), 1, 6)
    turbine = speed * 42.0 / np.sqrt(gear)
    slip = 20.0 * (1.0 - ramp) + 1.5 * np.sin(time_s / 3.0) * (1.0 - ramp)
    engine = turbine / (1.0 - slip / 100.0)
    oil = 80.0 + (38.0 - 14.0 * run) * (1.0 - np.exp(-time_s / 240.0)) + np.sin(time_s / 9.0)
    throttle = np.clip(32.0 + 20.0 * np.sin(time_s / 5.0) + 0.05 * noise, 0.0, 100.0)
    torque = 2.6 * throttle + 8.0
    heat = slip / 100.0 * torque * engine / 9549.0 * 4.0
    jump = np.abs(np.diff(hold, prepend=hold[0]))
    state = np.where(hold > 0, 2.0, np.where(speed < 34.0, 0.0, np.where(ramp > 0, 3.0, 1.0)))
    data = {
        "speed": speed, "grade": 4.0 + 4.0 * np.sin(time_s / 60.0), "engine_rpm": engine, "turbine_rpm": turbine,
        "slip": slip, "oil": oil,
        "case": oil - 9.0 + np.sin(time_s / 30.0), "coolant": 88.0 + 3.0 * np.sin(time_s / 50.0),
        "heat": heat, "state": state, "duty": np.rint(1000.0 * ramp), "gear": gear, "throttle": throttle,
        "brake": ((time_s % 97.0) < 3.0).astype(np.float64), "engine_nm": torque, "clutch_nm": torque * ramp,
        "output_nm": torque * 6.0 / gear, "clutch_kw": 12.0 * jump + 0.4 * ramp * (1.0 - ramp),
        "jolt": 0.2 * noise * (ramp * (1.0 - ramp) * 4.0), "fuel": 4.0 + 0.12 * throttle + 0.01 * noise,
    }  # fmt: skip
    return Run(name, time_s, data)


def sample_markers(run: int, sample: Run) -> list[Marker]:
    """An `in` or `out` for each change of the sample run's hold."""
    change = np.diff(held(sample.time_s, run))
    reasons = ["engage speed crossed", "brake", "below_release", "stall_guard"]
    return [
        Marker(
            run,
            float(sample.time_s[at + 1]),
            "in" if change[at] > 0 else "out",
            reasons[0] if change[at] > 0 else reasons[1 + at % 3],
        )
        for at in np.flatnonzero(change)
    ]


def sample_page(seconds: float = 600.0, names: tuple[str, ...] = ("open", "as-built", "rules: river and pass")) -> Page:
    """A page like the one that a comparison makes: as many runs as names, 20 channels."""
    runs = [sample_run(name, run, seconds) for run, name in enumerate(names)]
    markers = [marker for run, sample in enumerate(runs) for marker in sample_markers(run, sample)]
    markers.append(Marker(0, seconds / 2.0, "event", "oil over 110 °C"))
    columns = ["", *names]
    width = len(names)
    rows = [
        [
            "Peak oil temperature, °C",
            *(Flag("bad", "121.3") if run == 0 else Flag("good", "98.4") for run in range(width)),
        ],
        ["Time above 110 °C, s", *("212.40" if run == 0 else "0.00" for run in range(width))],
        ["Lowest margin to stall, rpm", *("412" for _ in range(width))],
        ["Hunting", *(Flag("note", "no") for _ in range(width))],
    ]
    return Page(
        title="Shingle riverbed, 1.2 t of feed",
        subtitle="Pukeko 2.8 TD six-speed, 25 °C, ten minutes at 100 Hz",
        verdict=[
            ("good", "The rules keep the oil 23 °C cooler than never locking, and under 110 °C throughout."),
            ("bad", "Open, the oil passes 120 °C after 7 min 40 s."),
            ("note", "As built, the clutch comes out on every squeeze of the throttle (9 times)."),
        ],
        tables=[
            Table("Oil, clutch, engine", columns, rows, note="Times are counted from the raw 10 ms values."),
            Table("Energy ledger", columns, [["Residual, %", *("0.004" for _ in range(width))]]),
        ],
        channels=CHANNELS,
        runs=runs,
        markers=markers,
        cautions=[
            "A simulation is not a road test: real oil, real clutches and real ground differ.",
            "Test off-road with a trained person and a way to cut the command.",
        ],
        settings=[("Vehicle", "pukeko_28td.toml"), ("Drive", "riverbed.toml"), ("Ambient", "25 °C")],
    )
