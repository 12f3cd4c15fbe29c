"""A clip of a board to a lens file and a picture of where the board was seen."""

import datetime as dt
import json
from dataclasses import dataclass
from pathlib import Path

from attitude.files import write_whole
from attitude.progress import Progress, stage
from attitude.report.lens_chart import lens_chart
from attitude.report.look import finished, house_style
from horizon.board import Coverage, coverage, find_views, spread_views
from horizon.calibrate import Calibration, calibrate
from horizon.clip import ClipFacts, probe

__all__ = ["LENS_CHART", "LENS_FILE", "MeasuredLens", "lens_text", "measure_lens"]

LENS_FILE, LENS_CHART = "lens.toml", "lens.png"


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

    out : folder for both, made if need be; None: beside the clip. Returns what was found and that folder.

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
        drawn = finished("lens", lens_chart(found))
    write_whole(folder / LENS_CHART, drawn.png)
    write_whole(folder / LENS_FILE, lens_text(measured, today).encode("utf-8"))
    return measured, folder


def lens_text(measured: MeasuredLens, today: dt.date) -> str:
    """The lens file. today : its date where the clip does not tell when it was filmed."""
    found, facts = measured.calibration, measured.facts
    lens, filmed = found.lens, facts.created.date() if facts.created else today
    # JSON strings are TOML's, but for one letter that TOML wants escaped.
    source = json.dumps(facts.path.name, ensure_ascii=False).replace("\x7f", "\\u007f")
    return f"""\
# A lens, measured with a checkerboard; name this file in the sheet: [camera] lens = "{LENS_FILE}".
# It holds for this video mode, zoom and focus; another size of the same aspect is allowed for.
width_px = {lens.width_px}
height_px = {lens.height_px}
fx_px = {lens.fx_px:.3f}
fy_px = {lens.fy_px:.3f}
cx_px = {lens.cx_px:.3f}
cy_px = {lens.cy_px:.3f}
model = "{lens.model}"
distortion = [{", ".join(f"{k:.7f}" for k in lens.distortion)}]
focal_sd = {lens.focal_sd:.6f}  # standard uncertainty of the focal length, as a share of it

# Where it comes from, and how good it is: for people.
source = {source}
date = {filmed}
hfov_deg = {found.hfov_deg:.4f}
hfov_sd_deg = {found.hfov_sd_deg:.4f}
principal_point_sd_px = [{found.sds[2]:.3f}, {found.sds[3]:.3f}]
distortion_sd = [{", ".join(f"{sd:.7f}" for sd in found.sds[4:])}]
held_back_px = {found.held_back_px:.4f}
views = {len(found.seen)}
"""
