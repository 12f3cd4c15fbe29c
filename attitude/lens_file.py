"""Lens files: what the sheet's ``lens`` reads, then, for people, where it comes from and how good it is."""

import datetime as dt
import json
from collections.abc import Sequence

from horizon.calibrate import Calibration
from horizon.lens import Lens
from horizon.selfcalibrate import FootageLens

__all__ = ["LENS_CHART", "LENS_FILE", "board_text", "footage_text", "plain_text"]

LENS_FILE, LENS_CHART = "lens.toml", "lens.png"
HOLDS_FOR = "# It holds for this video mode, zoom and focus; another size of the same aspect is allowed for."


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
    head = "measured with a checkerboard"
    about = _about(found.hfov_deg, found.hfov_sd_deg, sds, found.sds[4:])
    return _whole(found.lens, head, _quoted(clip), filmed, about + how)


def footage_text(found: FootageLens, clips: Sequence[str], filmed: dt.date) -> str:
    """The lens file of horizons in the footage."""
    how = f"""\
held_back_px = {found.held_back_px:.4f}
horizons = {found.lines}
horizons_with_logged_pitch = {found.logged}
"""
    source = f"[{', '.join(_quoted(clip) for clip in clips)}]"
    about = _about(found.hfov_deg, found.hfov_sd_deg, (found.sds[1], found.sds[2]), found.sds[3:])
    return _whole(found.lens, "found from horizons in the footage", source, filmed, about + how)


def _whole(lens: Lens, how: str, source: str, filmed: dt.date, rest: str) -> str:
    return f"""\
# A lens, {how}; name this file in the sheet: [camera] lens = "{LENS_FILE}".
{HOLDS_FOR}
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
