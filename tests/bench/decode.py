"""What measuring costs beside decoding: ``python -m tests.bench.decode --what ratios``, and other parts.

Drawn sea of 1080p at 65 Mb/s (60 s) and 4K at 100 Mb/s (30 s), on all cores. "Decoding" is what the same
reader, with the same segments, processes and threads, takes to bring every frame's luma; every figure is a
ratio of wall times in one run, the median of ``--repeats``.

ratios : measuring, every frame measured, and a whole check with its page and video.
long : a 30 min clip, which is measured by its key frames, against decoding and against all looks.
workers : four clips with two workers and with one, one decoding thread each.
memory : proportional set size of this process and its workers, 20 min of 4K against 1 min.
"""

import argparse
import os
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from multiprocessing import get_context
from pathlib import Path

import numpy as np

from attitude.infer import picture_lean
from attitude.picture import footage_roll
from attitude.sheet import read_sheet
from attitude.workers import workers
from horizon.clip import ClipFacts, probe
from horizon.lens import lens_from_hfov
from horizon.looking import in_order
from horizon.measure import measure_clip
from horizon.segments import SegmentReader, key_segments
from tests.bench.footage_files import FPS, HFOV_DEG, drawn, megabits_per_s, repeated

CLIPS = {"1080p": ((1920, 1080), 56.0, 60.0), "4K": ((3840, 2160), 80.0, 30.0)}
GOALS = {"1080p": (1.2, 1.6, 1.6), "4K": (1.2, 1.2, 1.4)}
LONG_S, LONG_SIZE, LONG_MBITS = 1800.0, (1280, 720), 10.0


def decoded(facts: ClipFacts, segment, threads: int = 1) -> int:
    """How many frames of a segment came with their luma."""
    reader = SegmentReader(facts, segment, 1e-9, threads)
    return sum(1 for _ in reader.frames())


def decode_all(path: Path, executor) -> None:
    facts = probe(path)
    tasks = (partial(decoded, facts, one) for one in key_segments(facts))
    assert sum(in_order(executor, tasks)) == round(facts.duration_s * facts.fps)


def measured(path: Path, executor, looks_per_s: float | None = None):
    facts = probe(path)
    return measure_clip(
        facts,
        lens_from_hfov(facts.width_px, facts.height_px, HFOV_DEG),
        looks_per_s=looks_per_s,
        executor=executor,
    )


def sheet_of(path: Path, folder: Path) -> Path:
    """A sheet that tells of the clip what there is to tell."""
    shoot = folder / "shoot"
    shoot.mkdir(exist_ok=True)
    sheet = shoot / "shoot.toml"
    sheet.write_text(
        f'title = "drawn"\n[camera]\nhfov_deg = {HFOV_DEG}\n[horizon]\nsurface = "sea"\nheight_m = 20.0\n'
        f'[[clip]]\nfile = "{path}"\n',
        encoding="utf-8",
    )
    return sheet


def checked(path: Path, folder: Path) -> None:
    """A whole check as the command runs it, nothing kept from before."""
    sheet = sheet_of(path, folder)
    with tempfile.TemporaryDirectory() as fresh:
        history = str(Path(fresh) / "history.sqlite")
        command = [sys.executable, "-c", "from attitude.command import run; run()", "check"]
        subprocess.run(
            [*command, str(sheet), "--history", history],
            env={**os.environ, "HORIZON_DRIFT_CACHE": fresh},
            check=True,
            capture_output=True,
        )


def wall_s(job: Callable[[], object]) -> float:
    start = time.monotonic()
    job()
    return time.monotonic() - start


def ratios(folder: Path, repeats: int, names: list[str]) -> None:
    """Print a row per clip."""
    print("| clip | measuring | every frame | whole check |\n|---|---|---|---|")
    for name in names:
        size_px, mbits, lasts_s = CLIPS[name]
        once, path = folder / f"{name}-once.mp4", folder / f"{name}.mp4"
        drawn(once, size_px, mbits)
        repeated(once, path, lasts_s)
        found = []
        with workers() as executor:
            decode_all(path, executor)  # from the disk into memory
            jobs = (
                partial(measured, path, executor),
                partial(measured, path, executor, FPS),
                partial(checked, path, folder),
            )
            for _ in range(repeats):
                # Each beside a decoding of its own: a machine that others use is not as fast all the time.
                found.append([wall_s(job) / wall_s(partial(decode_all, path, executor)) for job in jobs])
        cells = " | ".join(
            f"{np.median(one):.2f} ({min(one):.2f} to {max(one):.2f}; goal {goal})"
            for one, goal in zip(np.transpose(found), GOALS[name], strict=True)
        )
        print(f"| {name}, {megabits_per_s(path, lasts_s):.0f} Mb/s, {lasts_s:.0f} s | {cells} |", flush=True)


def long(folder: Path, repeats: int) -> None:
    """Print what a long clip takes by its key frames, and how its mean roll compares."""
    once, path = folder / "long-once.mp4", folder / "long.mp4"
    drawn(once, LONG_SIZE, LONG_MBITS)
    repeated(once, path, LONG_S)
    found = []
    with workers() as executor:
        for _ in range(repeats):
            base = wall_s(partial(decode_all, path, executor))
            found.append(wall_s(partial(measured, path, executor)) / base)
        tracks = [measured(path, executor), measured(path, executor, 5.0)]
    assert any("key frames" in note for note in tracks[0].notes)
    shoot = read_sheet(sheet_of(path, folder))
    by_keys, whole = (picture_lean(footage_roll([track], shoot, None)) for track in tracks)
    print(f"{LONG_S / 60:.0f} min, key frames 1 s apart: {np.median(found):.2f} of decoding (goal 0.35)")
    assert by_keys is not None
    assert whole is not None
    print(
        f"leans {by_keys.value:+.3f} +- {by_keys.half_width:.3f} deg by {len(tracks[0].track)} looks, "
        f"{whole.value:+.3f} deg by all {len(tracks[1].track)}"
    )


def several(folder: Path, repeats: int) -> None:
    """Print how much faster two workers are than one."""
    size_px, mbits, _ = CLIPS["1080p"]
    once = folder / "once.mp4"
    drawn(once, size_px, mbits)
    paths = [folder / f"{k}.mp4" for k in range(4)]
    for path in paths:
        repeated(once, path, 20.0)
    found = []
    for _ in range(repeats):
        took = []
        for count in (1, 2):
            with ProcessPoolExecutor(count, get_context("spawn")) as executor:
                list(executor.map(int, range(count)))
                took.append(wall_s(lambda: [measured(path, executor) for path in paths]))
        found.append(took[0] / took[1])
    print(f"four clips, two workers against one: {np.median(found):.2f} times as fast (goal 1.7)")


def pss_mib(parent: int) -> float:
    """Proportional set size of a process and all below it, Linux."""
    below: dict[int, list[int]] = {}
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            below.setdefault(int(stat.read_text().rsplit(")", 1)[1].split()[1]), []).append(
                int(stat.parent.name)
            )
        except OSError:
            continue
    total, waiting = 0.0, [parent]
    while waiting:
        pid = waiting.pop()
        waiting += below.get(pid, [])
        try:
            lines = Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines()
        except OSError:
            continue
        total += sum(int(line.split()[1]) for line in lines if line.startswith("Pss:")) / 1024
    return total


def memory(folder: Path) -> None:
    """Print peaks for a long clip of 4K and a short one, each in a process of its own."""
    once = folder / "once.mp4"
    drawn(once, CLIPS["4K"][0], 20.0)
    peaks = []
    for lasts_s in (60.0, 1200.0):
        path = folder / f"{lasts_s:.0f}.mp4"
        repeated(once, path, lasts_s)
        code = (
            "import sys; from pathlib import Path; from attitude.workers import workers\n"
            "from tests.bench.decode import measured\n"
            "if __name__ == '__main__':\n"
            "    with workers() as executor:\n"
            "        measured(Path(sys.argv[1]), executor, 5.0)\n"
        )
        script = folder / "one.py"
        script.write_text(code, encoding="utf-8")
        peak, process = 0.0, subprocess.Popen([sys.executable, str(script), str(path)])
        while process.poll() is None:
            peak = max(peak, pss_mib(process.pid))
            threading.Event().wait(0.3)
        assert process.returncode == 0
        peaks.append(peak)
    times = peaks[1] / peaks[0]
    print(f"4K, 20 min against 1 min: {times:.2f} times (goal 1.1), {peaks[1]:.0f} MiB in all (goal 900)")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--what", choices=["ratios", "long", "workers", "memory"], default="ratios")
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument("--clips", nargs="+", choices=list(CLIPS), default=list(CLIPS))
    told = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        if told.what == "ratios":
            ratios(folder, told.repeats, told.clips)
        elif told.what == "long":
            long(folder, told.repeats)
        elif told.what == "workers":
            several(folder, told.repeats)
        else:
            memory(folder)


if __name__ == "__main__":
    main()
