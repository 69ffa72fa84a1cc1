"""`tccbench log show` on a gigabyte of CSV: `python -m tests.benchmarks.gigabyte [BYTES]`.

The rows are those of a recorded drive at 100 Hz over and over, in seven columns. Printed are the times and the most
memory that the command took; the absolute figures are those of one machine, and of what else runs on it.
"""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from sim.vehicle import load_vehicle
from tests.bench.logs.synthetic import columns, run, write_csv

BYTES = 1_000_000_000
STEP_S = 0.01
MAIN = "from bench.main import main; main()"


def write(path: Path, size: int) -> int:
    """Write at least so many bytes; return the number of rows."""
    vehicle = load_vehicle("pukeko")
    once = write_csv(path, columns(run("pukeko", "riverbed", "station"), vehicle, rate_hz=100)).read_text().splitlines()
    tails = [line.partition(",")[2] for line in once[1:]]
    rows = done = 0
    with path.open("w") as file:
        done += file.write(once[0] + "\n")
        while done < size:
            done += file.write("".join(f"{(rows + at) * STEP_S:.2f},{tail}\n" for at, tail in enumerate(tails)))
            rows += len(tails)
    return rows


def main() -> None:
    """Write, run, measure and print."""
    size = int(sys.argv[1]) if len(sys.argv) > 1 else BYTES
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "long.csv"
        rows = write(path, size)
        print(f"{path.stat().st_size / 1e9:.2f} GB, {rows / 1e6:.1f} million rows, {rows * STEP_S / 3600.0:.0f} h")
        print(f"load before: {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors", flush=True)
        began = time.perf_counter()
        command = [
            sys.executable,
            "-c",
            MAIN,
            "log",
            "show",
            str(path),
            "--vehicle",
            "pukeko",
            "--out",
            f"{folder}/out",
        ]
        done = subprocess.run(command, capture_output=True, text=True, check=True)
        wall_s = time.perf_counter() - began
        used = resource.getrusage(resource.RUSAGE_CHILDREN)
        print(next(line.strip() for line in done.stdout.splitlines() if "a long recording" in line))
        print(f"{wall_s:.0f} s by the wall, {used.ru_utime + used.ru_stime:.0f} s of processor, "
              f"{used.ru_maxrss / 1024:.0f} MB at most; load after: {os.getloadavg()[0]:.1f}")  # fmt: skip


if __name__ == "__main__":
    main()
