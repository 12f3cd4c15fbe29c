"""How long a log of millions of rows takes to read, against pandas: python -m tests.bench.long_log.

``read_log`` of the default sheet against ``pandas.read_csv`` of the same four columns of eight, every reading
in a process of its own, the two by turns so that a busy computer slows both alike. Time is that of the clock,
and of the processor; memory is the peak of the whole process, the libraries' own included. Needs Linux.
"""

import argparse
import json
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from statistics import median

import numpy as np
import pandas as pd

from attitude import LOG_COLUMNS
from attitude.log import read_log
from attitude.sheet import LogSheet

ROWS, RATE_HZ, REPEATS, SEED = 10_000_000, 200.0, 5, 11
WRITTEN_AT_ONCE = 250_000
FORMAT = "{:.3f},{:.4f},{:.4f},{:.4f},{:.5f},{:.5f},{:.5f},{:.2f}\n"
HEADER = "t_s,roll_deg,pitch_deg,yaw_deg,x_g,y_g,z_g,battery_v\n"
MIB = 1 << 20


def write_log(path: Path, rows: int) -> None:
    """A camera that sways and turns, with noise, and columns that nobody asks for."""
    rng = np.random.default_rng(SEED)
    with path.open("w") as file:
        file.write(HEADER)
        for first in range(0, rows, WRITTEN_AT_ONCE):
            t_s = np.arange(first, min(rows, first + WRITTEN_AT_ONCE)) / RATE_HZ
            angles = [3 * np.sin(t_s / 7), 5 * np.sin(t_s / 11) - 8, (t_s / 2 + 180) % 360 - 180]
            noise = rng.standard_normal((7, t_s.size))
            others = [0.01 * noise[3], 0.01 * noise[4], 0.01 * noise[5] - 1, 15.2 + 0.05 * noise[6]]
            columns = [t_s, *(a + 0.02 * n for a, n in zip(angles, noise[:3], strict=True)), *others]
            file.writelines(FORMAT.format(*row) for row in np.column_stack(columns).tolist())


def peak_mib() -> float:
    """Most memory this process ever held; getrusage would count its parent's, from before it began."""
    told = next(one for one in Path("/proc/self/status").read_text().splitlines() if one.startswith("VmHWM"))
    return int(told.split()[1]) * 1024 / MIB


def by_pandas(path: Path) -> int:
    return len(pd.read_csv(path, usecols=LOG_COLUMNS))


def by_us(path: Path) -> int:
    return len(read_log(LogSheet(path)).table)


WAYS: dict[str, Callable[[Path], int]] = {"pandas": by_pandas, "read_log": by_us}


def read_once(way: str, path: Path) -> dict[str, float]:
    """Rows, seconds of clock and processor, and memory of one reading in this process."""
    start, processor = time.perf_counter(), time.process_time()
    rows = WAYS[way](path)
    used = {"clock_s": time.perf_counter() - start, "processor_s": time.process_time() - processor}
    return {"rows": rows, **used, "peak_mib": peak_mib()}


def read_apart(way: str, path: Path) -> dict[str, float]:
    command = [sys.executable, "-m", "tests.bench.long_log", "--one", way, str(path)]
    return json.loads(subprocess.run(command, check=True, capture_output=True, text=True).stdout)


def main() -> None:
    parser = argparse.ArgumentParser(
        prog="python -m tests.bench.long_log", description=__doc__.split("\n")[0]
    )
    parser.add_argument("--rows", type=int, default=ROWS)
    parser.add_argument("--repeats", type=int, default=REPEATS)
    parser.add_argument("--one", nargs=2, metavar=("WAY", "FILE"), help=argparse.SUPPRESS)
    told = parser.parse_args()
    if told.one:
        print(json.dumps(read_once(told.one[0], Path(told.one[1]))))
        return
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "attitude.csv"
        write_log(path, told.rows)
        print(f"{told.rows} rows, {path.stat().st_size / MIB:.0f} MiB; median of {told.repeats}")
        runs: dict[str, list[dict[str, float]]] = {way: [] for way in WAYS}
        for _ in range(told.repeats):
            for way, readings in runs.items():
                readings.append(read_apart(way, path))
    for way, readings in runs.items():
        assert {one["rows"] for one in readings} == {told.rows}
        middle = {name: median(one[name] for one in readings) for name in readings[0]}
        print(
            f"{way:>9}: {middle['clock_s']:.2f} s by the clock, {middle['processor_s']:.2f} s of processor, "
            f"peak {max(one['peak_mib'] for one in readings):.0f} MiB"
        )
    for name in ("clock_s", "processor_s"):
        ratios = [ours[name] / theirs[name] for theirs, ours in zip(*runs.values(), strict=True)]
        print(f"ratio, {name[:-2]}: {median(ratios):.2f} ({min(ratios):.2f} to {max(ratios):.2f})")


if __name__ == "__main__":
    main()
