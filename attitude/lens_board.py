"""A clip of a board to a lens file and a picture of where the board was seen."""

import datetime as dt
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from attitude.lens_file import FOUND_ON_BOARD, board_text, in_the_way, write_lens
from attitude.progress import Progress, stage
from horizon.board import BoardError, Coverage, coverage, find_views, spread_views
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
        No board is seen, its views are too few or too alike, or a lens file of another kind is there already.
    ClipError
        The clip cannot be read.
    """
    facts = probe(clip)
    folder = clip.parent if out is None else out
    if taken := in_the_way(folder, FOUND_ON_BOARD):
        raise BoardError(taken)
    size_px = (facts.width_px, facts.height_px)
    with stage(progress, f"looking for the board in {clip.name}") as told:
        sharp = find_views(facts, progress=told)
    with stage(progress, "trying lens models") as told:
        found = calibrate(spread_views(sharp, facts), size_px, clip.name, progress=told)
    measured = MeasuredLens(facts, found, coverage([one.view for one in found.seen], size_px), len(sharp))
    points = np.vstack([one.view.corners_px for one in found.seen])
    left = np.vstack([one.residuals_px for one in found.seen])
    said = f"{len(points)} corners in {len(found.seen)} views"
    filmed = facts.created.date() if facts.created else today
    text = board_text(found, facts.path.name, filmed)
    write_lens(folder, text, found.lens, (points, left), said)
    return measured, folder
