"""Spoilt input by the thousand: ``python -m tests.bench.fuzz --cases 20000``.

Sheets, logs, lens files, histories and their exports, six-face captures: valid files with seeded mistakes in
them, and files put together at random. Each is read as the commands read it and must give a result or an
error that the command line knows as bad input, with the file's name in it, within ``MOST_S``. Small videos
with flipped, lost and doubled bytes are measured in a process of their own with a limit of memory.

Where something else happens the file is kept in the folder of ``--keep``.
"""

import argparse
import faulthandler
import resource
import signal
import sys
import tempfile
import traceback
import warnings
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

import numpy as np
from hypothesis import HealthCheck, Phase, Verbosity, given, seed, settings

from attitude.bench import read_holds
from attitude.capture_log import read_capture
from attitude.capture_sheet import read_capture_sheet
from attitude.cli import BAD_INPUT
from attitude.face_check import check_capture
from attitude.history import read, record, rigs
from attitude.history_exchange import bring_in
from attitude.log import attitude_at, read_log, read_logs
from attitude.optics import lens_of
from attitude.protocol import protocol
from attitude.sheet import Camera, LogSheet, read_sheet
from attitude.starter import Told, write_starter
from attitude.surroundings import surroundings_of, visible_dip_rad
from attitude.survey import Survey
from horizon.clip import ClipFacts
from horizon.lens import pixels, rays
from tests.bench.fuzz_texts import BENCH, CAPTURE, DRAWN, LENS, LOG, VALID, mutated, small_capture
from tests.bench.fuzz_videos import VIDEO, Answer, Worker, film, spoilt
from tests.recorded import recorded

__all__ = ["TARGETS", "Counts", "fuzz_texts", "fuzz_videos", "known_as_bad_input", "table"]

MOST_S = 10.0
MEMORY_BYTES = 4 << 30
# Cases of a hundred; what is slow gets few.
SHARES = {
    "sheet": 22, "log": 22, "lens": 18, "import": 14, "history": 5, "capture sheet": 9, "capture": 3,
    "new": 2, VIDEO: 5,
}  # fmt: skip
DRAWN_SHARE = 0.3  # of the cases of a target that has them
KINDS = ("result", "one line", "traceback", "warning", "no file named", "too slow", "too much memory")
SIZE = (320, 180)


@dataclass
class Counts:
    """How many cases of a target ended how, and the first few that must not end so."""

    cases: Counter[str] = field(default_factory=Counter)
    bad: list[tuple[str, bytes]] = field(default_factory=list)


class SlowError(BaseException):
    """A case took too long; not to be caught by what it interrupts."""


def known_as_bad_input(error: BaseException) -> bool:
    """Whether the command line says it in one line."""
    if isinstance(error, OSError) and error.filename is not None:
        return True
    return any(f"{kind.__module__}.{kind.__name__}" in BAD_INPUT for kind in type(error).__mro__)


# --- what the commands do with a file ---------------------------------------------------------------------


def _facts(folder: Path, name: str) -> ClipFacts:
    return ClipFacts(folder / name, *SIZE, 2.0, 10.0, 0, "h264", None)


def _sheet(folder: Path, data: bytes) -> None:
    path = folder / "shoot.toml"
    path.write_bytes(data)
    shoot = read_sheet(path)
    for clip in shoot.clips:
        known = lens_of(_facts(folder, clip.files[0].name), shoot.camera, clip)
        surroundings_of(shoot, clip, known)
    visible_dip_rad(shoot.horizon)
    protocol(shoot.rig_kind, certainty_deg=0.1)
    read_logs(shoot)
    read_holds(shoot)


def _log(folder: Path, data: bytes) -> None:
    path = folder / "attitude.csv"
    path.write_bytes(data)
    unit = "iso8601" if b"\n2031-" in data else "s"
    angles = LogSheet(path, time_unit=unit, temperature_c="temp")
    raw = LogSheet(
        path, time_unit=unit, accelerometer=("ax", "ay", "az"), accelerometer_unit=8192.0, angle_unit=0.5
    )
    log = read_log(angles)
    t_s = log.table["t_s"].to_numpy()
    assert np.all(np.diff(t_s) > 0), "times do not rise"
    assert np.isfinite(log.table.to_numpy()).all(), "the log holds values that are not finite"
    attitude_at(log, [t_s[0] - 1, t_s[0], (t_s[0] + t_s[-1]) / 2, t_s[-1] + 1])
    read_log(raw)


def _new(folder: Path, data: bytes) -> None:
    path = folder / "attitude.csv"
    path.write_bytes(data)
    (folder / "shoot.toml").unlink(missing_ok=True)
    found = Survey(folder, (_facts(folder, "clip.mp4"),), (path,), ())
    write_starter(found, {}, Told())


def _lens(folder: Path, data: bytes) -> None:
    path = folder / "lens.toml"
    path.write_bytes(data)
    lens = lens_of(_facts(folder, "clip.mp4"), Camera(lens=path), None).lens
    corners = np.array([[0, 0], [SIZE[0] - 1, 0], [0, SIZE[1] - 1], [160, 90]])
    pixels(lens, rays(lens, corners))


def _import(folder: Path, data: bytes) -> None:
    ending = ".json" if data.lstrip(b"\xef\xbb\xbf \r\n")[:1] in (b"{", b"[") else ".csv"
    source, path = folder / f"export{ending}", folder / "history.sqlite"
    source.write_bytes(data)
    path.unlink(missing_ok=True)
    new, _ = bring_in(path, source)
    assert len(read(path)) <= new


def _history(folder: Path, data: bytes) -> None:
    path = folder / "history.sqlite"
    for left in ("-wal", "-shm", "-journal"):
        path.with_name(path.name + left).unlink(missing_ok=True)
    path.write_bytes(data)
    rigs(path)
    read(path)
    record(path, recorded(7))


def _capture_sheet(folder: Path, data: bytes) -> None:
    path = folder / "faces.toml"
    path.write_bytes(data)
    if b"[words]" in data or b"file" in data:
        read_capture_sheet([path])
    else:
        read_capture_sheet([folder / "cube.csv"], path)


def _capture(folder: Path, data: bytes) -> None:
    path = folder / "cube.csv"
    path.write_bytes(data)
    sheet = read_capture_sheet([path])
    check_capture(sheet, read_capture(sheet))


# The function, the file that is spoilt.
TARGETS: dict[str, Callable[[Path, bytes], None]] = {
    "sheet": _sheet,
    "log": _log,
    "new": _new,
    "lens": _lens,
    "import": _import,
    "history": _history,
    "capture sheet": _capture_sheet,
    "capture": _capture,
}


# --- running them -----------------------------------------------------------------------------------------


@contextmanager
def _limited(seconds: float) -> Iterator[None]:
    def stop(*_: object) -> None:
        raise SlowError

    before = signal.signal(signal.SIGALRM, stop)
    signal.setitimer(signal.ITIMER_REAL, seconds)
    # Code that never comes back to the interpreter cannot be interrupted: then at least it is said where.
    faulthandler.dump_traceback_later(3 * seconds, exit=True)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        faulthandler.cancel_dump_traceback_later()
        signal.signal(signal.SIGALRM, before)


def outcome(target: str, folder: Path, data: bytes) -> tuple[str, str]:
    """How a case ended, one of ``KINDS``, and what is to be said of it."""
    try:
        with _limited(MOST_S), warnings.catch_warnings():
            warnings.simplefilter("error")
            TARGETS[target](folder, data)
    except SlowError:
        return "too slow", traceback.format_exc()
    except MemoryError:
        return "too much memory", traceback.format_exc()
    except Warning:
        return "warning", traceback.format_exc()
    except Exception as error:
        if not known_as_bad_input(error):
            return "traceback", traceback.format_exc()
        text = str(error)
        if not any(path.name in text for path in folder.iterdir()):
            return "no file named", text
        return "one line", text
    return "result", ""


def prepared(folder: Path) -> None:
    """Put the files there that a sheet may name."""
    for name in ("clip.mp4", "a.mp4", "b.mp4"):
        (folder / name).write_bytes(b"a clip that nobody opens")
    (folder / "attitude.csv").write_bytes(LOG)
    (folder / "left.csv").write_bytes(BENCH)
    (folder / "lens.toml").write_bytes(LENS)
    (folder / "cube.csv").write_bytes(small_capture())
    (folder / "faces.toml").write_bytes(CAPTURE)


def fuzz_texts(target: str, cases: int, number: int = 1) -> Counts:
    """So many cases of one target; ``number`` seeds them."""
    counts = Counts()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        valid = VALID[target](folder)
        prepared(folder)

        def one(data: bytes) -> None:
            kind, said = outcome(target, folder, data)
            counts.cases[kind] += 1
            if kind not in KINDS[:2]:
                counts.bad.append((f"{target}: {kind}: {said}", data))

        for data in valid:
            kind, said = outcome(target, folder, data)
            assert kind == "result", f"{target}: what should be valid is not: {said}"
            counts.cases[kind] += 1
        drawn = round(DRAWN_SHARE * cases) if target in DRAWN else 0
        for k in range(cases - drawn - len(valid)):
            rng = np.random.default_rng([number, k])
            one(mutated(rng, valid[k % len(valid)]))
        if drawn:
            _drawn(DRAWN[target], drawn, number, one)
    return counts


def _drawn(strategy: object, cases: int, number: int, one: Callable[[bytes], None]) -> None:
    # Nothing fails within: it is counted outside, so that one find does not end the search.
    calm = settings(
        max_examples=cases,
        deadline=None,
        database=None,
        phases=[Phase.generate],
        verbosity=Verbosity.quiet,
        suppress_health_check=list(HealthCheck),
    )
    calm(seed(number)(given(strategy)(lambda data: one(data))))()


def fuzz_videos(cases: int, number: int = 1, kinds: tuple[str, ...] | None = None) -> Counts:
    """So many spoilt videos, measured in a process of their own."""
    counts = Counts()
    with tempfile.TemporaryDirectory() as name, Worker(MOST_S) as worker:
        valid = film(Path(name), kinds)
        for k in range(cases):
            ending, data = valid[k % len(valid)]
            if k >= len(valid):
                data = spoilt(np.random.default_rng([number, k]), data)
            path = Path(name) / f"case{ending}"
            path.write_bytes(data)
            answer: Answer = worker.measure(path)
            counts.cases[answer.kind] += 1
            assert k >= len(valid) or answer.kind == "result", answer
            if answer.kind not in KINDS[:2]:
                counts.bad.append((f"{VIDEO}{ending}: {answer.kind}: {answer.said}", data))
    return counts


def table(found: dict[str, Counts]) -> str:
    """Markdown: one row per target."""
    lines = [f"| | cases | {' | '.join(KINDS)} |", "|---" * (len(KINDS) + 2) + "|"]
    rows = {**{name: one.cases for name, one in found.items()}}
    rows["all"] = sum((one.cases for one in found.values()), Counter())
    for name, cases in rows.items():
        lines.append(f"| {name} | {sum(cases.values())} | {' | '.join(str(cases[kind]) for kind in KINDS)} |")
    return "\n".join(lines)


def main() -> None:
    """Run the cases and print the table; the first of every kind of bad end is shown."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--cases", type=int, default=20000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", choices=list(SHARES))
    parser.add_argument("--keep", type=Path)
    told = parser.parse_args()
    # A case that asks for more than this is told by a MemoryError of its own.
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY_BYTES, MEMORY_BYTES))
    found: dict[str, Counts] = {}
    for name, share in SHARES.items():
        if told.only not in (None, name):
            continue
        cases = told.cases if told.only else round(told.cases * share / 100)
        run = fuzz_videos if name == VIDEO else partial(fuzz_texts, name)
        found[name] = run(cases, told.seed)
        print(f"{name}: {dict(found[name].cases)}", file=sys.stderr, flush=True)
    print(table(found))
    bad = [one for counts in found.values() for one in counts.bad]
    seen: Counter[str] = Counter()
    for number, (said, data) in enumerate(bad):
        last = " ".join(said.strip().splitlines()[-1:])
        seen[last[:90]] += 1
        if told.keep is not None:
            told.keep.mkdir(parents=True, exist_ok=True)
            (told.keep / f"{number:04d}.case").write_bytes(data)
            (told.keep / f"{number:04d}.txt").write_text(said, encoding="utf-8", errors="replace")
        if seen[last[:90]] == 1:
            print(f"\n--- case {number}: {said[-1800:]}")
    raise SystemExit(1 if bad else 0)


if __name__ == "__main__":
    main()
