"""Evaluate the measurement: ``python -m tests.bench --part tune`` (or ``test``, the frozen part).

Draws the part's stills, clips, strips and negatives, measures them by the whole chain (no truth used), writes
``table.md``, ``stills.csv``, ``clips.csv`` and contact sheets of the worst frames into ``--out``, and prints
the table. Every run of the frozen part is added to ``runs.csv`` beside this file.
"""

import argparse
import subprocess
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from datetime import UTC, datetime
from pathlib import Path

import pandas as pd

from tests.bench.measured import clip_rows, still_row
from tests.bench.parts import SEEDS
from tests.bench.sheets import contact_sheets
from tests.bench.tables import table
from tests.bench.worlds import KINDS
from tests.real import FOLDER

RUNS = Path(__file__).parent / "runs.csv"


def stills(pool: ProcessPoolExecutor, part: str, counts: dict[str, int]) -> pd.DataFrame:
    """One row per picture: so many of every source."""
    todo = [(part, source, k) for source, count in counts.items() for k in range(count)]
    return pd.DataFrame(pool.map(still_row, *_turned(todo), chunksize=4))


def clips(pool: ProcessPoolExecutor, part: str, count: int) -> pd.DataFrame:
    """Rows of every look of ``count`` clips, the kinds in turn."""
    todo = [(part, KINDS[k % len(KINDS)], k) for k in range(count)]
    found = [row for rows in pool.map(clip_rows, *_turned(todo)) for row in rows]
    return pd.DataFrame(found)


def _turned(todo: list[tuple[str, str, int]]) -> Iterable[tuple[str | int, ...]]:
    return zip(*todo, strict=True) if todo else ((), (), ())


def main() -> None:
    """Measure, tell, keep."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--part", choices=sorted(SEEDS), default="tune")
    parser.add_argument("--stills", type=int, default=20, help="pictures of each kind")
    parser.add_argument(
        "--negatives", type=int, default=60, help="drawn pictures without a horizon, and real ones"
    )
    parser.add_argument("--strips", type=int, default=30, help="looks into real strips of known level")
    parser.add_argument("--clips", type=int, default=0, help="drawn clips of 10 s, the kinds in turn")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--processes", type=int, default=2)
    wanted = parser.parse_args()
    wanted.out.mkdir(parents=True, exist_ok=True)
    counts = dict.fromkeys(KINDS, wanted.stills) | {"negative": wanted.negatives}
    if (FOLDER / "panoramas").is_dir():
        counts |= {"real negative": wanted.negatives, "strip": wanted.strips}
    with ProcessPoolExecutor(wanted.processes) as pool:
        still_table = stills(pool, wanted.part, counts)
        still_table.to_csv(wanted.out / "stills.csv", index=False)
        clip_table = clips(pool, wanted.part, wanted.clips)
        clip_table.to_csv(wanted.out / "clips.csv", index=False)
    text = table(still_table, clip_table)
    (wanted.out / "table.md").write_text(text, encoding="utf-8")
    contact_sheets(still_table, wanted.part, wanted.out)
    print(text)
    if wanted.part == "test":
        _log(wanted, still_table, clip_table)


def _git(*words: str) -> str:
    return subprocess.run(
        ["git", *words], capture_output=True, text=True, check=False, cwd=RUNS.parent
    ).stdout.strip()


def _log(wanted: argparse.Namespace, still_table: pd.DataFrame, clip_table: pd.DataFrame) -> None:
    """Add this run to the list of runs of the frozen part."""
    shown = _git("rev-parse", "--short", "HEAD") + ("+" if _git("status", "--porcelain", "-uno") else "")
    positives = still_table[still_table["positive"]]
    row = {
        "when": datetime.now(UTC).strftime("%Y-%m-%d %H:%M"),
        "commit": shown,
        "seed": SEEDS["test"],
        "stills": len(positives),
        "negatives": int((~still_table["positive"]).sum()),
        "clips": 0 if clip_table.empty else clip_table["clip"].nunique(),
        "kept": int((positives["reason"] == "").sum()),
        "wrong": int(positives["wrong"].sum()),
        "negatives_accepted": int((still_table[~still_table["positive"]]["reason"] == "").sum()),
        "clips_wrong": 0 if clip_table.empty else int(clip_table.groupby("clip")["wrong"].any().sum()),
    }
    line = pd.DataFrame([row])
    line.to_csv(RUNS, mode="a", header=not RUNS.exists(), index=False)


if __name__ == "__main__":
    main()
