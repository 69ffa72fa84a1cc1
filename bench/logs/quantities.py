"""What a recording may hold: each quantity with its unit, its range, and the words that other people name it by."""

from __future__ import annotations

from typing import Literal, NamedTuple

Kind = Literal["speed", "shaft", "share", "heat", "torque", "flag", "count", "grade"]


class Quantity(NamedTuple):
    """One quantity of a drive. `low` to `high` is what a sound reading can be, in the unit of the name.

    `words` are patterns of foreign names, the likeliest first, matched on a name in lower case with spaces for every
    other sign; `never` is a pattern that rules a name out. A `held` quantity keeps its value between readings, the
    others run straight from one to the next.
    """

    name: str
    label: str
    kind: Kind
    unit: str
    low: float
    high: float
    held: bool
    words: tuple[str, ...]
    never: str = r"$^"


QUANTITIES: tuple[Quantity, ...] = (
    Quantity("road_speed_kmh", "road speed", "speed", "km/h", 0.0, 250.0, False,
             (r"^speed( kmh| km h)?$", r"\b(vehicle|road|car|wheel|veh)\b.*\b(speed|velocity)", r"^v?speed\b",
              r"\bvss\b", r"\broadspeed\b", r"\bvelocity\b"),
             r"engine|shaft|fan|target|set|cruise|turbine|gps|satellite|true|wind|limit|compressor|pump"),
    Quantity("true_speed_kmh", "speed over ground", "speed", "km/h", 0.0, 250.0, False,
             (r"\b(gps|satellite|true|ground)\b.*speed", r"\bspeed over ground\b")),
    Quantity("engine_rpm", "engine speed", "shaft", "rpm", 0.0, 10_000.0, False,
             (r"\bengine\b.*\brpm\b", r"\bengine\b.*\bspeed\b", r"\bengine ?speed\b", r"^rpm\b", r"\bn ?eng\b"),
             r"torque|temp|demand|target|requested|desired|governed|fan"),
    Quantity("turbine_rpm", "turbine speed", "shaft", "rpm", 0.0, 10_000.0, False,
             (r"\bturbine\b", r"\binput ?shaft", r"\b(transmission|gearbox|trans)\b.*\binput\b",
              r"^input speed\b"), r"torque|temp|turbo"),
    Quantity("output_rpm", "gearbox output speed", "shaft", "rpm", 0.0, 10_000.0, False,
             (r"\boutput ?shaft", r"\b(transmission|gearbox|trans)\b.*\boutput\b"), r"torque|temp"),
    Quantity("throttle_pct", "accelerator pedal", "share", "%", 0.0, 100.0, False,
             (r"\baccelerator\b.*\bpedal\b", r"\bpedal ?position\b", r"\baccelerator\b", r"\bpedal\b",
              r"\bthrottle\b"), r"brake|clutch"),
    Quantity("brake_on", "brake pedal", "flag", "", 0.0, 1.0, True,
             (r"\bbrake\b.*\b(switch|on|lamp|light)\b", r"\bbrake ?switch\b", r"^brakes?$", r"\bbrake pedal\b"),
             r"pressure|parking|park|temp|pct|retarder"),
    Quantity("gear", "gear in use", "count", "", -3.0, 10.0, True,
             (r"\b(current|actual|engaged)\b.*\bgear\b", r"\bcurrent ?gear\b", r"^gear\b", r"\bgear\b"),
             r"ratio|select|request|desired|limit|target|oil|box"),
    Quantity("shift_on", "shift under way", "flag", "", 0.0, 1.0, True,
             (r"\bshift ?in ?process\b", r"\bshift\b.*\b(process|progress|active|on|under way)\b"), r"lever|select"),
    Quantity("oil_temp_c", "transmission oil temperature", "heat", "°C", -50.0, 200.0, False,
             (r"\b(trans\w*|atf|gearbox)\b.*\b(oil|fluid)\b.*temp", r"\btrans\w*\b.*\btemp", r"\batf\b", r"\btft\b",
              r"^oil c$", r"^oil ?temperature\b", r"^oil temp\b"), r"engine|coolant"),
    Quantity("coolant_temp_c", "coolant temperature", "heat", "°C", -50.0, 150.0, False,
             (r"\bcoolant\b", r"\bect\b", r"\bwater\b.*temp"), r"level|pressure|charge|intercooler"),
    Quantity("ambient_temp_c", "air temperature", "heat", "°C", -50.0, 60.0, False,
             (r"\b(ambient|outside|outdoor)\b",), r"pressure|light"),
    Quantity("lockup_on", "recorded lock-up flag", "flag", "", 0.0, 1.0, True,
             (r"\block ?up ?engaged\b", r"\block ?up\b", r"\btcc\b", r"\bconverter\b.*\b(clutch|lock)"),
             r"slip|pressure|temp|heat|torque"),
    Quantity("duty_pct", "duty of the clutch's valve", "share", "%", 0.0, 100.0, True,
             (r"^duty\b", r"\bhold ?duty\b", r"\b(clutch|lock ?up|tcc)\b.*\bduty\b"), r"fan|injector|egr"),
    Quantity("engine_torque_nm", "engine torque", "torque", "N·m", -500.0, 3000.0, False,
             (r"\bengine\b.*\btorque\b",), r"demand|request|reference|max|limit"),
    Quantity("grade_pct", "grade", "grade", "%", -40.0, 40.0, False, (r"^grade\b", r"\b(slope|incline)\b"), r"gear"),
    Quantity("band", "band selected", "count", "", 0.0, 2.0, True, (r"^band\b", r"\bband ?switch\b"), r"radio"),
)  # fmt: skip  # a quantity a paragraph

BY_NAME: dict[str, Quantity] = {one.name: one for one in QUANTITIES}

UNITS: dict[Kind, dict[str, tuple[float, float]]] = {
    "speed": {"km/h": (1.0, 0.0), "mph": (1.609344, 0.0), "m/s": (3.6, 0.0), "knots": (1.852, 0.0)},
    "shaft": {"rpm": (1.0, 0.0), "1/s": (60.0, 0.0), "rad/s": (9.549296585513721, 0.0)},
    "share": {"%": (1.0, 0.0), "permille": (0.1, 0.0), "share": (100.0, 0.0)},
    "heat": {"°C": (1.0, 0.0), "°F": (5.0 / 9.0, -160.0 / 9.0), "K": (1.0, -273.15)},
    "torque": {"N·m": (1.0, 0.0), "lbf·ft": (1.3558179483314004, 0.0)},
    "flag": {"": (1.0, 0.0)},
    "count": {"": (1.0, 0.0)},
    "grade": {"%": (1.0, 0.0), "permille": (0.1, 0.0)},
}
"""Known units of each kind: value in our unit = scale · value + offset."""

_SPELLINGS: dict[str, tuple[str, ...]] = {
    "km/h": ("km/h", "kmh", "kph", "kmph", "km h"),
    "mph": ("mph", "mi/h", "miles/h"),
    "m/s": ("m/s", "mps", "ms-1"),
    "knots": ("knots", "kn", "kt"),
    "rpm": ("rpm", "1/min", "min-1", "r/min", "u/min"),
    "1/s": ("1/s", "rps", "hz"),
    "rad/s": ("rad/s", "rads"),
    "%": ("%", "pct", "percent", "per cent"),
    "permille": ("permille", "‰"),
    "share": ("share", "0-1"),
    "°C": ("°c", "degc", "deg c", "c", "celsius"),
    "°F": ("°f", "degf", "deg f", "f", "fahrenheit"),
    "K": ("k", "kelvin", "degk"),
    "N·m": ("n·m", "nm", "n m", "n.m", "n*m"),
    "lbf·ft": ("lbf·ft", "lb-ft", "lbft", "lbf ft", "ft-lb", "ftlb", "lb.ft"),
}
_SPELT = {spelling: unit for unit, spellings in _SPELLINGS.items() for spelling in spellings}


def unit_of(text: str, kind: Kind) -> str | None:
    """Return the unit of a kind that a text spells, or None."""
    unit = _SPELT.get(text.strip().lower())
    return unit if unit in UNITS[kind] else None
