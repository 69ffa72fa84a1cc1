"""The C of a rule set, built in a moment for this machine and run from here: no optimisation, all warnings."""

from __future__ import annotations

import ctypes
from collections.abc import Iterator, Sequence
from importlib import resources
from pathlib import Path
from random import Random
from typing import Any

import numpy as np

from controller.declare import TIMER_MAX_MS, Key, Memory, Signal
from controller.port.back_to_back import reference_runner
from controller.port.carriers_c import FLAT_H, calibration_image_c, flat_c
from controller.port.checks_c import CHECKS_H, checks_c
from controller.port.rules_c import rules_c
from controller.port.rules_h import rules_h
from controller.port.stimulus import Ticks
from controller.port.toolchain import WARNINGS, host_compiler, run_tool
from controller.ruleset import COMMAND_FIELDS, RuleSet

_PROBE = """\
/* What takes structures, on plain arrays. */
#include "calibration_image.h"
#include "checks.h"
#include "flat.h"

int32_t probe_calibration(const int32_t *values);
int32_t probe_limit(const int32_t *from, int32_t *to);
int32_t probe_image(const uint8_t *image, uint32_t size, int32_t *to);

int32_t probe_calibration(const int32_t *values)
{
    rules_calibration_t k;
    flat_calibration(values, &k);
    return rules_calibration_valid(&k) ? 1 : 0;
}

int32_t probe_limit(const int32_t *from, int32_t *to)
{
    rules_inputs_t x;
    flat_inputs(from, &x);
    const bool valid = rules_inputs_limit(&x);
%(inputs)s
    return valid ? 1 : 0;
}

int32_t probe_image(const uint8_t *image, uint32_t size, int32_t *to)
{
    rules_calibration_t k;
    const int32_t result = calibration_image_read(image, size, &k);
    if (result == IMAGE_GOOD)
    {
%(keys)s
    }
    return result;
}
"""


def _build(folder: Path, sources: Sequence[str], output: str) -> ctypes.CDLL:
    # One file of them all: a compiler that starts once is sooner done.
    (folder / "all.c").write_text("".join(f'#include "{name}"\n' for name in sources))
    run_tool([*host_compiler(), *WARNINGS, "-O0", "-fPIC", "-shared", "-o", output, "all.c"], folder)
    return ctypes.CDLL(str((folder / output).resolve()))


class QuickRules:
    """`rules.c` of a rule set, to run ticks on."""

    def __init__(self, folder: Path, rules: RuleSet) -> None:
        self.rules, self.text = rules, rules_c(rules)
        files = {"rules.h": rules_h(rules), "rules.c": self.text, "flat.h": FLAT_H, "flat.c": flat_c(rules)}
        _write(folder, files | {"device.h": _fixed("device.h")})
        library = _build(folder, ["rules.c", "flat.c"], "rules.so")
        self._flat_run = library.flat_run
        array = np.ctypeslib.ndpointer(dtype=np.int32, flags="C_CONTIGUOUS")
        self._flat_run.argtypes = [array, array, array, array, ctypes.c_uint32, ctypes.c_uint32]
        self._flat_run.restype = None

    def run(self, ticks: Ticks) -> Any:
        """Return memory and command after each tick, one row a tick."""
        rows = np.empty((len(ticks.inputs), len(self.rules.memory) + len(COMMAND_FIELDS)), dtype=np.int32)
        self._flat_run(ticks.calibration, ticks.starts, ticks.inputs, rows, len(ticks.starts), ticks.ticks)
        return rows

    def difference(self, seed: int, runs: int = 60, length: int = 5) -> str:
        """Return the first difference to the reference on random ticks, or nothing."""
        names = [*self.rules.memory_names, *(f"command {name}" for name in COMMAND_FIELDS)]
        for ticks in drawn(self.rules, seed, runs, length):
            in_c, in_rules = self.run(ticks), reference_runner(self.rules)(ticks)
            for at, place in np.argwhere(in_c != in_rules)[:1].tolist():
                return f"{names[place]} after tick {at % length}: {in_c[at, place]} for {in_rules[at, place]}"
        return ""


class QuickChecks:
    """`checks.c` and `calibration_image.c` of a rule set."""

    def __init__(self, folder: Path, rules: RuleSet) -> None:
        self.rules = rules
        files = {"rules.h": rules_h(rules), "rules.c": rules_c(rules), "flat.h": FLAT_H, "flat.c": flat_c(rules),
                 "checks.h": CHECKS_H, "checks.c": checks_c(rules), "calibration_image.c": calibration_image_c(rules),
                 "probe.c": _probe(rules)}  # fmt: skip  # two of a kind a line
        _write(folder, files | {name: _fixed(name) for name in ("device.h", "calibration_image.h")})
        sources = [name for name in files if name.endswith(".c")]
        self._library = _build(folder, sources, "checks.so")

    def valid(self, values: Sequence[int]) -> bool:
        """Say whether a calibration is in range and its relations hold."""
        return bool(self._library.probe_calibration(_array(values)))

    def limited(self, inputs: Sequence[int]) -> tuple[bool, list[int]]:
        """Return whether all inputs are in range, and what became of them."""
        after = (ctypes.c_int32 * len(inputs))()
        return bool(self._library.probe_limit(_array(inputs), after)), list(after)

    def image(self, image: bytes) -> tuple[int, list[int]]:
        """Return what reading an image comes to, and the values; none where it is refused."""
        values = (ctypes.c_int32 * len(self.rules.keys))()
        result = self._library.probe_image(image, len(image), values)
        return result, [] if result else list(values)


def drawn(rules: RuleSet, seed: int, runs: int, length: int) -> Iterator[Ticks]:
    """Yield random ticks under some calibrations, from any memory: waits are met at their edges and off them."""
    random = Random(seed)
    for _ in range(2):
        calibration = [_any(random, key, (key.default,)) for key in rules.keys]
        starts = [[_any(random, field, _usual(field)) for field in rules.memory] for _ in range(runs)]
        inputs = []
        at = rules.memory_names.index("now_ms")
        for start in starts:
            start[at] = now_ms = random.choice((0, 5_000))
            row = [_any(random, signal, ()) for signal in rules.signals]
            for _ in range(length):
                now_ms = max(0, now_ms + random.choice((10, 10, 10, 20, 0, 5, 3_000, -20)))
                for place, signal in enumerate(rules.signals):
                    if signal.name == "now_ms":
                        row[place] = now_ms
                    elif signal.name == "ignition_on":
                        row[place] = int(random.random() < 0.97)
                    elif random.random() < 0.3:
                        row[place] = _any(random, signal, ())
                inputs.append(list(row))
        yield Ticks(*(np.array(part, dtype=np.int32) for part in (calibration, starts, inputs)), length)


def _usual(field: Memory) -> tuple[int, ...]:
    if field.high == TIMER_MAX_MS:
        return -1, 0, 10, 20, 30, TIMER_MAX_MS - 5, TIMER_MAX_MS
    return () if field.name == "state" else (field.initial,)


def _any(random: Random, one: Key | Signal | Memory, usual: tuple[int, ...]) -> int:
    if one.is_flag or not usual or random.random() < 0.4:
        return random.randint(one.low, one.high)
    return random.choice([value for value in usual if one.low <= value <= one.high])


def _probe(rules: RuleSet) -> str:
    inputs = [f"    to[{at}] = x.{one.name}{' ? 1 : 0' * one.is_flag};" for at, one in enumerate(rules.signals)]
    keys = [f"        to[{at}] = k.{one.name}{' ? 1 : 0' * one.is_flag};" for at, one in enumerate(rules.keys)]
    return _PROBE % {"inputs": "\n".join(inputs), "keys": "\n".join(keys)}


def _array(values: Sequence[int]) -> Any:
    return (ctypes.c_int32 * len(values))(*values)


def _fixed(name: str) -> str:
    return (resources.files("controller.port") / "c" / name).read_text(encoding="utf-8")


def _write(folder: Path, files: dict[str, str]) -> None:
    for name, text in files.items():
        (folder / name).write_text(text)
