"""The files of one shoot's results: written into a folder that waits, and put in place together."""

import json
import os
from collections.abc import Callable
from concurrent.futures import Executor
from pathlib import Path

import pandas as pd

from attitude.files import guarded, write_whole
from attitude.report import PLOTS_OF_RIG, REPORT_FILES, Material, plots_begun, write_report
from attitude.report.drawn import Drawn
from attitude.review import SHEET, VIDEO

__all__ = ["put_in_place", "write_frames", "write_results"]

# What frames shown whole were called before.
FORMER = ("frame_1.png", "frame_2.png", "frame_3.png")
FRAMES, CORRECTIONS, RESULT = "frames.csv", "corrections.csv", "result.json"


def write_results(
    material: Material, waiting: Path, plots: Callable[[], dict[str, Drawn]], executor: Executor | None
) -> None:
    """Write everything beside the video and the sheet of the worst moments, which wait there already.

    ``plots``: of the footage, begun before. ``executor`` draws those of the rig, where there are processes.
    """
    of_rig = plots_begun(material, executor, PLOTS_OF_RIG)
    write_frames(material.frames, waiting)
    table = material.corrections.round({"from_s": 2, "to_s": 2, "turn_deg": 2, "crop_percent": 1})
    table["clip"] = table["clip"].map(guarded)
    _write_text(waiting / CORRECTIONS, table.to_csv(index=False, lineterminator="\n"))
    text = json.dumps(material.result, indent=1, ensure_ascii=False, allow_nan=False)
    _write_text(waiting / RESULT, text + "\n")
    write_report(material, waiting, lambda: {**plots(), **of_rig()})


def put_in_place(waiting: Path, folder: Path, *, stands: bool) -> None:
    """Rename every file of a result into its folder; what this shoot does not have is removed there.

    ``stands``: the video there is this result's own.
    """
    # The result last, so that whoever waits for it finds the rest beside it, and none of an earlier check
    # stands beside files that are not its own.
    (folder / RESULT).unlink(missing_ok=True)
    for name in (*REPORT_FILES, *FORMER, VIDEO, SHEET, FRAMES, CORRECTIONS, RESULT):
        if (waiting / name).exists():
            os.replace(waiting / name, folder / name)
        elif not (stands and name == VIDEO):
            (folder / name).unlink(missing_ok=True)


def write_frames(frames: pd.DataFrame, folder: Path) -> None:
    """Write ``frames.csv``: the track, angles to 0.0001 deg, names of clips as no spreadsheet runs them."""
    frames = frames.assign(clip=frames["clip"].map(guarded))
    _write_text(folder / FRAMES, frames.to_csv(index=False, float_format="%.4f", lineterminator="\n"))


def _write_text(path: Path, text: str) -> None:
    """Write a file whole or not at all."""
    # A clip's name may be bytes that are no text.
    write_whole(path, text.encode("utf-8", errors="replace"))
