"""A clip of a board to a lens file and a picture of where the board was seen."""

import datetime as dt
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from attitude.files import write_whole
from attitude.lens_file import LENS_CHART, LENS_FILE, board_text
from attitude.progress import Progress, stage
from attitude.report.lens_chart import lens_chart
from attitude.report.look import finished, house_style
from horizon.board import Coverage, coverage, find_views, spread_views
from horizon.calibrate import Calibration, calibrate
from horizon.clip import ClipFacts, probe

__all__ = ["MeasuredLens", "measure_lens"]


@dataclass(frozen=True)
class MeasuredLens:
    """A lens and the clip it was measured in. sharp_views : views of the board, alike or not."""

    facts: ClipFacts
    calibration: Calibration
    coverage: Coverage
    sharp_views: int


def measure_lens(
    clip: Path, out: Path | None, *, today: dt.date, progress: Progress | None = None
) -> tuple[MeasuredLens, Path]:
    """Measure the lens of a clip of a board and write its file and picture.

    out : folder for both, made if need be; None: beside the clip. today : the file's date where the clip does
    not tell when it was filmed. Returns what was found and that folder.

    Raises
    ------
    BoardError
        No board is seen, or its views are too few or too alike.
    ClipError
        The clip cannot be read.
    """
    facts = probe(clip)
    size_px = (facts.width_px, facts.height_px)
    with stage(progress, f"looking for the board in {clip.name}") as told:
        sharp = find_views(facts, progress=told)
    with stage(progress, "trying lens models") as told:
        found = calibrate(spread_views(sharp, facts), size_px, clip.name, progress=told)
    measured = MeasuredLens(facts, found, coverage([one.view for one in found.seen], size_px), len(sharp))
    folder = clip.parent if out is None else out
    folder.mkdir(parents=True, exist_ok=True)
    with house_style():
        points = np.vstack([one.view.corners_px for one in found.seen])
        left = np.vstack([one.residuals_px for one in found.seen])
        said = f"{len(points)} corners in {len(found.seen)} views"
        drawn = finished("lens", lens_chart(found.lens, points, left, said))
    write_whole(folder / LENS_CHART, drawn.png)
    filmed = facts.created.date() if facts.created else today
    write_whole(folder / LENS_FILE, board_text(found, facts.path.name, filmed).encode("utf-8"))
    return measured, folder
