"""Checks that are killed at random moments: ``python -m tests.bench.kills --kills 50``.

A small shoot is checked in a process of its own, which is killed (SIGKILL, of the main process alone) or told
to stop (SIGINT, every fourth). Half of the moments lie anywhere, half about the time that results are
written. Afterwards every file of the result must be whole or absent, the history whole with all that was on
record before, and no process left; the next check must succeed and leave nothing of the killed one behind.
Needs /proc, which tells the processes that are left.
"""

import argparse
import json
import os
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

import cv2
import numpy as np

from attitude.history import read, record
from attitude.kept_tracks import CACHE_VARIABLE
from horizon.clip import damage, probe, read_frames
from tests.commands import CAMERA, CLIP, COMMAND, HORIZON, LOG, film_shoot
from tests.recorded import series

__all__ = ["broken_files", "kill_checks"]

MARK = "HORIZON_DRIFT_KILLED"
GONE_S = 10.0  # by then every process of a killed check must have ended
TITLE = "Shingle bank"
NEXT_EVERY = 3
FAULTS = (
    "broken files", "an incomplete result", "files left", "processes left", "history damaged",
    "more than a line", "next check failed",
)  # fmt: skip


def broken_files(folder: Path) -> list[str]:
    """Names of visible files of a result that are not whole."""
    return [
        path.name for path in sorted(folder.iterdir()) if not path.name.startswith(".") and not _whole(path)
    ]


def _whole(path: Path) -> bool:
    data = path.read_bytes()
    if path.suffix == ".json":
        try:
            return json.loads(data)["format"] == "horizon-drift result"
        except (ValueError, KeyError):
            return False
    if path.suffix == ".html":
        return data.rstrip().endswith(b"</html>")
    if path.suffix == ".csv":
        return data.endswith(b"\n")
    if path.suffix == ".mp4":
        facts = probe(path)
        times_s = [frame.t_s for frame in read_frames(path) if not frame.fault]
        return not damage(facts, len(times_s), times_s[-1])
    # How PNG (ISO/IEC 15948) and JPEG (ISO/IEC 10918-1) end.
    ends = {".png": b"IEND\xae\x42\x60\x82", ".jpg": b"\xff\xd9"}
    return data.endswith(ends[path.suffix]) and cv2.imdecode(np.frombuffer(data, np.uint8), 1) is not None


def _processes(mark: str) -> list[int]:
    """Processes that carry the mark in their environment."""
    found = []
    for place in Path("/proc").iterdir():
        if place.name.isdigit():
            try:
                if f"{MARK}={mark}".encode() in (place / "environ").read_bytes():
                    found.append(int(place.name))
            except OSError:
                continue
    return found


def _left(mark: str) -> list[int]:
    until = time.monotonic() + GONE_S
    while (left := _processes(mark)) and time.monotonic() < until:
        time.sleep(0.1)
    return left


def kill_checks(kills: int, number: int, folder: Path) -> tuple[Counter[str], list[str]]:
    """So many killed checks: how often what happened, and what was wrong, in words."""
    shoot, history = folder / "shoot", folder / "history.sqlite"
    shoot.mkdir()
    film_shoot(shoot)
    sheet = f'rig = "Sandpiper"\ncalibration = "first"\ntitle = "{TITLE}"\n' + HORIZON + CAMERA + LOG + CLIP
    (shoot / "shoot.toml").write_text(sheet, encoding="utf-8")
    given = {path.name: path.read_bytes() for path in shoot.iterdir()}
    earlier = series([0.1, 0.2, 0.3])
    for one in earlier:
        record(history, one)
    line = [sys.executable, "-c", COMMAND, "check", str(shoot), "--history", str(history), "--out"]
    # A check that finds the clip measured is over before most of the moments.
    own = os.environ | {CACHE_VARIABLE: str(folder / "cache")}
    started = time.monotonic()
    subprocess.run([*line, str(folder / "whole")], check=True, capture_output=True, env=own)
    lasts_s = time.monotonic() - started
    complete = {path.name for path in (folder / "whole").iterdir()}
    rng = np.random.default_rng(number)
    counts: Counter[str] = Counter()
    wrong: list[str] = []
    for k in range(kills):
        out = folder / f"out{k // NEXT_EVERY}"
        first = not out.exists()
        # A killed one leaves its folder that waits; the next check that comes so far takes it away.
        stood = set() if first else set(_hidden(out))
        moment_s = lasts_s * (rng.uniform(0, 1) if k % 2 else rng.uniform(0.8, 1.05))
        sent = signal.SIGINT if k % 4 == 3 else signal.SIGKILL
        mark = f"{os.getpid()}-{k}"
        own = os.environ | {CACHE_VARIABLE: str(folder / f"cache{k}")}
        run = subprocess.Popen(
            [*line, str(out)],
            env=own | {MARK: mark},
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
        )
        try:
            run.wait(timeout=moment_s)
        except subprocess.TimeoutExpired:
            run.send_signal(sent)
            counts[sent.name] += 1
        else:
            counts["ended before"] += 1
        said = run.communicate(timeout=120)[1].decode()
        faults = _faults(out, complete, first=first)
        if sent == signal.SIGINT and run.returncode == 1 and len(said.splitlines()) != 1:
            faults["more than a line"] = said[-300:]
        if sent == signal.SIGINT and out.exists() and (hidden := set(_hidden(out)) - stood):
            faults["files left"] = str(sorted(hidden))
        if left := _left(mark):
            faults["processes left"] = str(left)
            for pid in left:
                os.kill(pid, signal.SIGKILL)
        if not _history_whole(history, earlier):
            faults["history damaged"] = str(history)
        if k % NEXT_EVERY == NEXT_EVERY - 1 or k == kills - 1:
            again = subprocess.run([*line, str(out)], capture_output=True, text=True, env=own)
            counts["next checks"] += 1
            if again.returncode or {path.name for path in out.iterdir()} != complete or broken_files(out):
                faults["next check failed"] = f"{again.stderr[-300:]} {sorted(p.name for p in out.iterdir())}"
        counts.update(faults.keys())
        wrong += [
            f"kill {k} ({sent.name} after {moment_s:.1f} s): {name}: {what}" for name, what in faults.items()
        ]
    if {path.name: path.read_bytes() for path in shoot.iterdir()} != given:
        wrong.append("the shoot's own folder was changed")
    return counts, wrong


def _hidden(out: Path) -> list[str]:
    return [path.name for path in out.iterdir() if path.name.startswith(".")]


def _faults(out: Path, complete: set[str], *, first: bool) -> dict[str, str]:
    """What is wrong with a result; ``first``: nothing was there before."""
    if not out.exists():
        return {}
    faults = {}
    if broken := broken_files(out):
        faults["broken files"] = str(broken)
    if odd := [name for name in _hidden(out) if not name.startswith(".waiting-")]:
        faults["files left"] = str(odd)
    there = {path.name for path in out.iterdir()}
    if "result.json" in there and not complete <= there:
        faults["an incomplete result"] = f"{sorted(complete - there)}, first: {first}"
    return faults


def _history_whole(history: Path, earlier: list) -> bool:
    look = sqlite3.connect(history)
    try:
        if look.execute("PRAGMA integrity_check").fetchall() != [("ok",)]:
            return False
    finally:
        look.close()
    found = read(history)
    others = {shoot.title for shoot in found if shoot not in earlier}
    return [shoot for shoot in found if shoot in earlier] == earlier and others <= {TITLE}


def main() -> None:
    """Run the kills and print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--kills", type=int, default=50)
    parser.add_argument("--seed", type=int, default=1)
    told = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        counts, wrong = kill_checks(told.kills, told.seed, Path(name))
    heads = ("SIGKILL", "SIGINT", "ended before", "next checks", *FAULTS)
    print(f"| {' | '.join(heads)} |\n{'|---' * len(heads)}|\n| {' | '.join(str(counts[h]) for h in heads)} |")
    print("\n".join(wrong))
    raise SystemExit(1 if wrong else 0)


if __name__ == "__main__":
    main()
