"""``python -m tests.folders [NAME ...]``: ``horizon-drift new`` on the thirty folders, as a table."""

import argparse
import tempfile
from pathlib import Path

from .build import build
from .habits import habits_of
from .judge import judged, run_new
from .stories import STORIES


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("names", nargs="*", metavar="NAME", help="of folders; all of them by default")
    parser.add_argument("--keep", type=Path, help="build into this folder and leave it there")
    wanted = parser.parse_args()
    counts = {}
    with tempfile.TemporaryDirectory() as scratch:
        root = wanted.keep or Path(scratch)
        for story in STORIES:
            if wanted.names and story.name not in wanted.names:
                continue
            truth = build(story, root / "takes", root)
            ran = run_new(truth.path)
            verdict = judged(truth, ran)
            counts[verdict.outcome] = counts.get(verdict.outcome, 0) + 1
            print(f"{story.name:22} {verdict.outcome:14} {', '.join(sorted(habits_of(story)))}")
            for fault in verdict.faults:
                state = "asked" if fault.asked else "marked" if fault.marked else "not marked"
                print(f"{'':22}   {fault.entry}: {fault.what} [{state}]")
            for words in (*verdict.refused, *verdict.notes):
                print(f"{'':22}   {words}")
            if wanted.keep:
                (truth.path / "terminal.txt").write_text(ran.out + ran.err, encoding="utf-8")
    print(", ".join(f"{outcome}: {count}" for outcome, count in sorted(counts.items())))


if __name__ == "__main__":
    main()
