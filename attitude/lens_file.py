"""Lens files: what the sheet's ``lens`` reads, then, for people, where it comes from and how good it is."""

import datetime as dt
import json
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from attitude.files import write_whole
from attitude.report.lens_chart import lens_chart
from attitude.report.look import finished, house_style
from horizon.calibrate import Calibration
from horizon.lens import Lens
from horizon.selfcalibrate import FootageLens

__all__ = ["FOUND_IN_FOOTAGE", "FOUND_ON_BOARD", "LENS_CHART", "LENS_FILE", "board_text"]
__all__ += ["footage_text", "in_the_way", "plain_text", "write_lens"]

Array = NDArray[np.float64]

LENS_FILE, LENS_CHART = "lens.toml", "lens.png"
FOUND_ON_BOARD, FOUND_IN_FOOTAGE = "measured with a checkerboard", "found from horizons in the footage"
HOLDS_FOR = "# It holds for this video mode, zoom and focus; another size of the same aspect is allowed for."
NO_CROP = "# It is of the picture as it was filmed: a crop in the sheet would cut it once more."


def in_the_way(folder: Path, how: str) -> str:
    """What to say of a lens file that is there already and was come by in another way; "" for nothing."""
    try:
        first = (folder / LENS_FILE).read_text(encoding="utf-8", errors="replace").partition("\n")[0]
    except FileNotFoundError:
        return ""
    if first.startswith(f"# A lens, {how};"):
        return ""
    return f"{folder / LENS_FILE}: is there already and not of this kind; give another folder, --out DIR"


def write_lens(folder: Path, text: str, lens: Lens, seen: tuple[Array, Array], said: str) -> None:
    """Write a lens file and its picture into a folder, which is made if need be.

    seen, said : points (n, 2) and what is left of them, and what they are, as of
    :func:`attitude.report.lens_chart.lens_chart`.
    """
    folder.mkdir(parents=True, exist_ok=True)
    with house_style():
        drawn = finished("lens", lens_chart(lens, *seen, said))
    write_whole(folder / LENS_CHART, drawn.png)
    write_whole(folder / LENS_FILE, text.encode("utf-8"))


def plain_text(lens: Lens) -> str:
    """The keys that :func:`horizon.lens.read_lens` reads."""
    known = ""
    if lens.focal_sd is not None:
        known = (
            f"focal_sd = {lens.focal_sd:.6f}  # standard uncertainty of the focal length, as a share of it\n"
        )
    return f"""\
width_px = {lens.width_px}
height_px = {lens.height_px}
fx_px = {lens.fx_px:.3f}
fy_px = {lens.fy_px:.3f}
cx_px = {lens.cx_px:.3f}
cy_px = {lens.cy_px:.3f}
model = "{lens.model}"
distortion = [{", ".join(f"{k:.7f}" for k in lens.distortion)}]
{known}"""


def board_text(found: Calibration, clip: str, filmed: dt.date) -> str:
    """The lens file of a board in a clip."""
    how = f"""\
held_back_px = {found.held_back_px:.4f}
views = {len(found.seen)}
"""
    sds = (found.sds[2], found.sds[3])
    about = _about(found.hfov_deg, found.hfov_sd_deg, sds, found.sds[4:])
    return _whole(found.lens, FOUND_ON_BOARD, _quoted(clip), filmed, about + how)


def footage_text(found: FootageLens, clips: Sequence[str], filmed: dt.date) -> str:
    """The lens file of horizons in the footage."""
    how = f"""\
held_back_px = {found.held_back_px:.4f}
horizons = {found.lines}
horizons_with_logged_pitch = {found.logged}
"""
    source = f"[{', '.join(_quoted(clip) for clip in clips)}]"
    about = _about(found.hfov_deg, found.hfov_sd_deg, (found.sds[1], found.sds[2]), found.sds[3:])
    return _whole(found.lens, FOUND_IN_FOOTAGE, source, filmed, about + how)


def _whole(lens: Lens, how: str, source: str, filmed: dt.date, rest: str) -> str:
    return f"""\
# A lens, {how}; name this file in the sheet: [camera] lens = "{LENS_FILE}".
{HOLDS_FOR}
{NO_CROP}
{plain_text(lens)}
# Where it comes from, and how good it is: for people.
source = {source}
date = {filmed}
{rest}"""


def _about(
    hfov_deg: float, hfov_sd_deg: float, centre_sd_px: tuple[float, float], sds: Sequence[float]
) -> str:
    return f"""\
hfov_deg = {hfov_deg:.4f}
hfov_sd_deg = {hfov_sd_deg:.4f}
principal_point_sd_px = [{centre_sd_px[0]:.3f}, {centre_sd_px[1]:.3f}]
distortion_sd = [{", ".join(f"{sd:.7f}" for sd in sds)}]
"""


def _quoted(name: str) -> str:
    # JSON strings are TOML's, but for one letter that TOML wants escaped.
    return json.dumps(name, ensure_ascii=False).replace("\x7f", "\\u007f")
