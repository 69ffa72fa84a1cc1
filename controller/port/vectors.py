"""Test vectors as a text file that a C program of any firmware can read, and their expected results.

One record a line, numbers separated by one blank:

* `tccbench-vectors 1 SIGNATURE` first: format version and layout signature (8 hex digits)
* `k` and a value a key: the calibration from here on
* `m` and a value a memory field: a run starts with this memory
* `t`, a value an input, then a value a field of the command: one tick and what must come out
* `e` and a value a memory field: the memory that a run must leave
* `end TICKS CRC` last: number of ticks, CRC-32 (IEEE 802.3, 8 hex digits) over every byte before this line
"""

from __future__ import annotations

import zlib
from collections.abc import Iterable, Iterator

from controller.port.back_to_back import reference_runner
from controller.port.signature import layout_signature
from controller.port.stimulus import Stimulus
from controller.ruleset import RuleSet

FORMAT = 1
_CALIBRATIONS, _RUNS, _TICKS = 12, 8, 50
_SEED = 5


def write_vectors(rules: RuleSet, own: Iterable[int]) -> str:
    """Return the vector file: random runs under the given calibration first, then under random valid ones."""
    lines = [f"tccbench-vectors {FORMAT} {layout_signature(rules):08X}", *_records(rules, list(map(int, own)))]
    body = "\n".join(lines) + "\n"
    ticks = sum(1 for line in lines if line.startswith("t "))
    return f"{body}end {ticks} {zlib.crc32(body.encode()):08X}\n"


def _records(rules: RuleSet, own: list[int]) -> Iterator[str]:
    import numpy as np

    stimulus, reference = Stimulus(rules, _SEED), reference_runner(rules)
    width = len(rules.memory)
    for number in range(_CALIBRATIONS):
        calibration = np.array(own, dtype=np.int32) if number == 0 else stimulus.calibration()
        sample = stimulus.runs(calibration, _RUNS, _TICKS)
        rows = reference(sample)
        yield _line("k", calibration)
        for run in range(_RUNS):
            yield _line("m", sample.starts[run])
            for tick in range(run * _TICKS, (run + 1) * _TICKS):
                yield _line("t", [*sample.inputs[tick].tolist(), *rows[tick, width:].tolist()])
            yield _line("e", rows[(run + 1) * _TICKS - 1, :width])


def _line(word: str, values: Iterable[int]) -> str:
    return f"{word} {' '.join(str(int(value)) for value in values)}"
