"""One frame: candidate lines through edges and fit to the horizon, or the reason why there is none.

A line is taken for the horizon only on its own evidence in the picture: most of its visible length must show
an edge where the fit says, all with the same side brighter, closely enough, and no second line may be nearly
as good. The attitude log takes no part in this, because the log is what is being tested.
"""

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from .angles import up_from_angles
from .coarse import Area, candidates, picture_area
from .edge import Edges, find_edges, seen_from_below
from .fit import LineFit, fit_up
from .lens import Lens, scaled
from .sides import Sides, TwoSides

__all__ = ["HorizonFit", "measure_frame"]

Array = NDArray[np.float64]
Luma = NDArray[np.uint8]

SMALL_PX = 480
SMALL_HALF_PX = 12
# Refusal limits, set on drawn frames, on real strips and on pictures without a horizon (see tests).
LEAST_INLIERS = 0.4
LEAST_SPREAD = 0.4
MOST_RMS_PX = 3.0
LEAST_STEP_GREY = 3.0
LEAST_GAIN = 4.0
LEAST_STRENGTH = 0.12
SURE_STRENGTH = 0.4
RIVAL = 0.5
AGREE_PX = 2.0
SETTLED_PX = 1.0
SAME_LINE_RAD = math.radians(1.5)


@dataclass(frozen=True)
class HorizonFit:
    """Horizon in one frame.

    ``up_cam`` and ``covariance`` (roll, pitch; rad^2) with the brighter of two readings of which side is
    sky; ``up_flipped``: the other reading. ``quality``: share of the visible line that agrees.
    ``brighter_grey``: sky side minus surface side; ``smoother``: log of the surface's texture over the
    sky's. ``reason``: "" or why the frame was refused (then the rest is NaN).
    """

    up_cam: Array
    up_flipped: Array
    covariance: Array
    quality: float
    brighter_grey: float
    smoother: float
    reason: str


@dataclass(frozen=True)
class _Line:
    strength: float
    up_cam: Array


@dataclass(frozen=True)
class _Scale:
    luma: Luma
    lens: Lens
    area: Area
    half_px: int
    group_px: int


def _refused(reason: str) -> HorizonFit:
    nan3, nan22 = np.full(3, np.nan), np.full((2, 2), np.nan)
    return HorizonFit(nan3, nan3, nan22, float("nan"), float("nan"), float("nan"), reason)


def measure_frame(luma: Luma, lens: Lens, *, dip_rad: float = 0.0, start: Array | None = None) -> HorizonFit:
    """Horizon of a luma picture (height, width) seen through ``lens``.

    ``start``: up vector of a neighbouring frame; tried first, and the whole picture is searched only when it
    does not lead to a horizon. Of the two readings (which side is sky) the one nearer to ``start``, else the
    one with the brighter sky, is returned.
    """
    full, small = _scales(luma, lens)
    sides = Sides(small.luma, small.lens, small.area)
    found: list[_Line] = []
    if start is not None:
        near, edges = _refine(full, start, dip_rad, agree_px=3.0)
        if near is not None and edges is not None and not _why_not(near, full):
            seen = sides.at(near.up_cam)
            strength = _strength(near, full) * seen.sky_likeness
            if strength >= SURE_STRENGTH:
                return _result(near, edges, seen, full, dip_rad, start)
            # A quick move leaves the window on waves or clouds: it has to stand against the whole picture.
            found.append(_Line(strength, near.up_cam))
    found = _distinct([*found, *_search(small, sides)])
    if not found:
        return _refused("no line of sufficient length")
    reason = ""
    for one in found[:3]:
        if one.strength < LEAST_STRENGTH:
            reason = reason or "no line with a sky on one side of it"
            break
        line, edges = _refine(full, one.up_cam, dip_rad, agree_px=max(2.0, 1.2 * lens.width_px / SMALL_PX))
        if line is None or edges is None:
            reason = reason or "no continuous edge along the line"
            continue
        why = _why_not(line, full)
        seen = sides.at(line.up_cam)
        if not why and _strength(line, full) * seen.sky_likeness < LEAST_STRENGTH:
            why = "no line with a sky on one side of it"
        if not why:
            if _has_rival(found, line):
                return _refused("two lines could be the horizon")
            return _result(line, edges, seen, full, dip_rad, start)
        reason = reason or why
    return _refused(reason)


def _scales(luma: Luma, lens: Lens) -> tuple[_Scale, _Scale]:
    area = picture_area(luma)
    long_px = max(lens.width_px, lens.height_px)
    fine = max(1.0, long_px / 1920)
    full = _Scale(luma, lens, area, round(14 * fine), max(3, round(8 * long_px / 1920)))
    shrink = SMALL_PX / long_px
    if shrink >= 1:
        return full, _Scale(luma, lens, area, SMALL_HALF_PX, 4)
    width, height = round(lens.width_px * shrink), round(lens.height_px * shrink)
    reduced = cv2.resize(luma, (width, height), interpolation=cv2.INTER_AREA)
    small_area = (
        int(np.ceil(area[0] * shrink)) + (area[0] > 0),
        int(np.ceil(area[1] * shrink)) + (area[1] > 0),
        int(area[2] * shrink) - (area[2] < lens.width_px),
        int(area[3] * shrink) - (area[3] < lens.height_px),
    )
    return full, _Scale(reduced, scaled(lens, width, height), small_area, SMALL_HALF_PX, 4)


def _edges(at: _Scale, up_cam: Array, dip_rad: float) -> Edges:
    return find_edges(
        at.luma, at.lens, up_cam, dip_rad=dip_rad, half_px=at.half_px, group_px=at.group_px, area=at.area
    )


def _search(small: _Scale, sides: Sides) -> list[_Line]:
    """Lines of the reduced picture with their likeness to a horizon."""
    lines: list[_Line] = []
    for candidate in candidates(small.luma, small.lens):
        up = up_from_angles(candidate.roll_rad, candidate.pitch_rad)
        fit = fit_up(_edges(small, up, 0.0), up, small.lens, dip_rad=0.0, agree_px=AGREE_PX)
        if fit is not None:
            lines.append(_Line(_strength(fit, small) * sides.at(fit.up_cam).sky_likeness, fit.up_cam))
    return lines


def _distinct(lines: list[_Line]) -> list[_Line]:
    """The strongest of each bundle of twins, strongest first; twins settle on one line."""
    kept: list[_Line] = []
    for line in sorted(lines, key=lambda line: -line.strength):
        if not any(_same_line(line.up_cam, other.up_cam) for other in kept):
            kept.append(line)
    return kept


def _same_line(up_cam: Array, other: Array) -> bool:
    return abs(float(up_cam @ other)) > math.cos(SAME_LINE_RAD)


def _strength(fit: LineFit, at: _Scale) -> float:
    """How much of the line is there, how clearly: the measure by which lines of a picture compete."""
    clear = 1 - np.exp(-fit.gain / 8)
    contrast = 1 - np.exp(-abs(fit.step_grey) / 10)
    close = np.exp(-((fit.rms_px / max(1.0, at.lens.width_px / 1920) / 1.5) ** 2))
    return float(fit.inlier_share**2 * clear * contrast * close * min(1.0, fit.spread / 0.8))


def _refine(
    full: _Scale, up_cam: Array, dip_rad: float, *, agree_px: float
) -> tuple[LineFit, Edges] | tuple[None, None]:
    """Full-resolution fit, repeated from its own result so that the last profiles stand on the line."""
    up = up_cam
    for agree in (agree_px, AGREE_PX):
        edges = _edges(full, up, dip_rad)
        fit = fit_up(edges, up, full.lens, dip_rad=dip_rad, agree_px=agree)
        if fit is None:
            return None, None
        if float(np.arccos(min(1.0, float(fit.up_cam @ up)))) < SETTLED_PX * full.lens.pixel_rad:
            return fit, edges
        up = fit.up_cam
    return (fit, edges) if fit is not None else (None, None)


def _why_not(fit: LineFit, full: _Scale) -> str:
    """Why a fitted line is not to be taken for the horizon; "" when it may."""
    short_px = min(full.area[2] - full.area[0], full.area[3] - full.area[1])
    if fit.length_px < 0.45 * short_px:
        return "only a corner of the horizon is in the picture"
    if fit.inlier_share < LEAST_INLIERS:
        return "no continuous edge along the line"
    if fit.spread < LEAST_SPREAD:
        return "the edge covers too little of the line"
    if fit.rms_px > MOST_RMS_PX * max(1.0, full.lens.width_px / 1920):
        return "the edge is too ragged for a horizon"
    if abs(fit.step_grey) < LEAST_STEP_GREY or fit.gain < LEAST_GAIN:
        return "the edge is too faint"
    return ""


def _has_rival(found: list[_Line], best: LineFit) -> bool:
    own = [line.strength for line in found if _same_line(line.up_cam, best.up_cam)]
    others = [line.strength for line in found if not _same_line(line.up_cam, best.up_cam)]
    return bool(own and others and max(others) > RIVAL * max(own))


def _result(
    fit: LineFit, edges: Edges, seen: TwoSides, full: _Scale, dip_rad: float, start: Array | None
) -> HorizonFit:
    brighter, smoother = seen.brighter_grey, seen.smoother
    flip = brighter < 0 if start is None else float(fit.up_cam @ start) < 0
    flipped = -fit.up_cam
    if dip_rad:
        # The visible line is a cone, not a plane: the other reading is fitted anew, on the other cone.
        other = fit_up(seen_from_below(edges), flipped, full.lens, dip_rad=dip_rad, agree_px=AGREE_PX)
        flipped = other.up_cam if other is not None else flipped
    if flip:
        return HorizonFit(flipped, fit.up_cam, fit.covariance, fit.inlier_share, -brighter, -smoother, "")
    return HorizonFit(fit.up_cam, flipped, fit.covariance, fit.inlier_share, brighter, smoother, "")
