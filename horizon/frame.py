"""One frame: candidate lines through edges and fit to the horizon, or the reason why there is none.

A line is taken for the horizon only on its own evidence in the picture: most of its visible length must show
an edge where the fit says, all with the same side brighter, closely enough; the verifier must find the line
and its two sides horizon-like; and no second line may be nearly as good. The attitude log takes no part in
this, because the log is what is being tested.
"""

import math
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from .angles import apart_rad, up_from_angles
from .coarse import candidates
from .cone import KeptLine, Reading, fitted, kept_line, no_line, stacked
from .edge import Edges, find_edges, seen_from_below
from .fit import LineFit, fit_up
from .lens import Lens, pixels
from .sides import TwoSides
from .sizes import SMALL_PX, Look, Scale, full_size, reduced_too
from .verify import UNKNOWN_OTHERS, Others, Weighed, edge_strength, weighed

# fmt: off
__all__ = [
    "EdgePoints", "HorizonFit", "Line", "Look", "edge_points", "lines_of", "measure_frame", "refused",
]
# fmt: on

Array = NDArray[np.float64]
Luma = NDArray[np.uint8]

# Refusal limits, set on the tuning part of the evaluation (tests/bench).
LEAST_INLIERS = 0.4
LEAST_SPREAD = 0.4
MOST_RMS_PX = 3.0
LEAST_STEP_GREY = 3.0
LEAST_GAIN = 4.0
LEAST_LIKENESS = 0.7
# Once found and fitted at full size, the line must not turn out unlike a horizon.
STILL_LIKE = 0.4
SURE_LIKENESS = 0.9
# Log odds by which the horizon must beat every other line.
RIVAL_ODDS = 2.5
AGREE_PX = 2.0
# Shares of a profile's half: by which the last profiles may stand off the line, and a line move that plainly
# goes on. How much its contrast may change.
SETTLED, MOVED, ALIKE = 1 / 14, 5 / 14, 1.5
# Of so many profiles one, to get near.
SPARSE = 4
# The wide window, as a share of the picture's longer side, and what a skyline must show in it.
WIDE_SHARE, WIDE_INLIERS, WIDE_STEP_GREY, WIDE_GAIN = 0.03, 0.7, 12.0, 10.0
SAME_LINE_RAD = math.radians(1.5)
TWIN_RAD = math.radians(0.4)
BESIDE_RAD = (math.radians(0.4), math.radians(30))
NO_SKY = "no line with a sky on one side of it"


@dataclass(frozen=True)
class HorizonFit:
    """Horizon in one frame.

    ``up_cam`` (3,) in the likelier of two readings of which side is sky; ``up_flipped``: the other reading.
    ``width_rad``: angle over which the line was seen. ``quality``: share of the visible line that agrees.
    ``likeness``: probability that it is the horizon. ``brighter_grey``: sky side minus surface side;
    ``sky_odds``: log odds that the sky lies towards ``up_cam``. ``step_grey``: median step of the edge, sky
    side minus surface; ``edge_shape``: number of its shape. ``followed``: found from the start, without a
    search; ``judged``: by its own sides, not by those of a frame just before. ``line``: what is kept of the
    edge points, to read them with another dip than ``dip_rad``; ``lens``: of the picture. ``reason``: "" or
    why the frame was refused (then the rest is NaN).
    """

    up_cam: Array
    up_flipped: Array
    width_rad: float
    quality: float
    likeness: float
    brighter_grey: float
    sky_odds: float
    step_grey: float
    edge_shape: int
    followed: bool
    judged: bool
    line: KeptLine
    lens: Lens | None
    dip_rad: float
    reason: str

    @cached_property
    def _reading(self) -> Reading | None:
        if self.lens is None:
            return None
        return fitted(stacked([self.line]), np.ones(1), self.lens, self.dip_rad)

    @property
    def covariance(self) -> Array:
        """Of the line's (roll, pitch), (2, 2), rad^2, read with ``dip_rad`` from what is kept of it."""
        return np.full((2, 2), np.nan) if self._reading is None else self._reading.covariance[0]


@dataclass(frozen=True)
class EdgePoints:
    """Edge points of one frame: pixels (n, 2), and which of them the fit rests on (n,)."""

    points_px: Array
    used: NDArray[np.bool_]


@dataclass(frozen=True)
class Line:
    """A line of the reduced picture: its sides, the other lines beside it, and what it is taken for."""

    fit: LineFit
    seen: TwoSides | None
    others: Others
    weighed: Weighed

    @property
    def likeness(self) -> float:
        """Probability that it is the horizon."""
        return self.weighed.likeness

    @property
    def up_cam(self) -> Array:
        """Up vector, one way round or the other."""
        return self.fit.up_cam


@dataclass(frozen=True)
class _Said:
    """What was found about a line as its fit has it: as of :class:`HorizonFit`."""

    likeness: float
    brighter_grey: float
    sky_odds: float


def refused(reason: str) -> HorizonFit:
    """A frame that is not measured, and why."""
    nan, nan3 = float("nan"), np.full(3, np.nan)
    return HorizonFit(nan3, nan3, nan, nan, nan, nan, nan, nan, 0, False, False, no_line(), None, nan, reason)


def measure_frame(
    luma: Luma,
    lens: Lens,
    *,
    dip_rad: float = 0.0,
    start: Array | None = None,
    covered: Luma | None = None,
    judged: HorizonFit | None = None,
) -> HorizonFit:
    """Horizon of a luma picture (height, width) seen through ``lens``.

    ``start``: up vector of a neighbouring frame; tried first, and the whole picture is searched only when it
    does not lead to a horizon. Of the two readings (which side is sky) the one nearer to ``start``, else the
    likelier one, is returned. ``covered`` (any size, of the same proportions): above 0 where
    something is burnt into the picture. ``judged``: of a frame of a moment ago, whose line was found to be
    the horizon; where it plainly goes on, hardly off ``start`` and with much the same contrast, this one's
    line is not judged once more, and has its likeness and its sides.
    """
    full = full_size(luma, lens, covered)
    near = edges = None
    if start is not None:
        known = None if judged is None else judged.edge_shape
        near, edges = _refine(full, start, dip_rad, agree_px=3.0, known=known)
        if known is not None and (near is None or _why_not(near, full)):
            near, edges = _refine(full, start, dip_rad, agree_px=3.0)
        near = None if near is None or _why_not(near, full) else near
    if near is not None and edges is not None and start is not None and judged is not None:
        way = 1.0 if float(near.up_cam @ start) > 0 else -1.0
        if _goes_on(near, full, way * start, way * judged.step_grey):
            said = _Said(judged.likeness, way * judged.brighter_grey, way * judged.sky_odds)
            return _result(near, edges, said, full, dip_rad, start, followed=True, judged=False)
    look = reduced_too(full)
    tracked: list[Line] = []
    if near is not None and edges is not None:
        line = _line_at(look, near.up_cam, None)
        if line is not None and line.likeness >= SURE_LIKENESS:
            return _result(near, edges, _said(line, near), full, dip_rad, start, followed=True)
        # A quick move leaves the window on waves or clouds: it has to stand against the whole picture.
        tracked = [] if line is None else [line]
    lines = lines_of(look)
    found = _distinct([*tracked, *lines])
    if not found:
        return refused("no line of sufficient length")
    reason, reach_px = "", max(2.0, 1.2 * lens.width_px / SMALL_PX)
    for one in found[:3]:
        if one.likeness < LEAST_LIKENESS:
            reason = reason or NO_SKY
            break
        fit, edges = _refine(full, one.up_cam, dip_rad, agree_px=reach_px)
        why = "no continuous edge along the line" if fit is None else _why_not(fit, full)
        if why:
            # Only now: a wide window takes in what stands before the line, and errs where a narrow one holds.
            ragged, wide = _refine_wide(full, one.up_cam, dip_rad)
            fit, edges, why = (ragged, wide, "") if ragged is not None else (fit, edges, why)
        if fit is None or edges is None:
            reason = reason or why
            continue
        again = _line_at(look, fit.up_cam, [line.fit for line in lines])
        if not why and (again is None or again.likeness < STILL_LIKE):
            why = NO_SKY
        if not why and again is not None:
            if _has_rival(found, again) or _has_twin(full, lines, fit, again, dip_rad):
                return refused("two lines could be the horizon")
            return _result(fit, edges, _said(again, fit), full, dip_rad, start, followed=False)
        reason = reason or why
    return refused(reason)


def edge_points(
    luma: Luma, lens: Lens, up_cam: Array, *, dip_rad: float = 0.0, covered: Luma | None = None
) -> EdgePoints:
    """Edge points along the line of a measured frame, fitted once more from its up vector; none if it fails.

    Arguments as of :func:`measure_frame`.
    """
    full = full_size(luma, lens, covered)
    fit, edges = _refine(full, up_cam, dip_rad, agree_px=3.0)
    if fit is None or _why_not(fit, full):
        fit, edges = _refine_wide(full, up_cam, dip_rad)
    if fit is None or edges is None:
        return EdgePoints(np.empty((0, 2)), np.empty(0, bool))
    return EdgePoints(pixels(lens, edges.rays), fit.agreeing)


def _edges(at: Scale, up_cam: Array, dip_rad: float, every: int = 1, shape: int | None = None) -> Edges:
    return find_edges(
        at.luma,
        at.lens,
        up_cam,
        dip_rad=dip_rad,
        half_px=at.half_px,
        group_px=at.group_px,
        area=at.area,
        covered=at.covered,
        every=every,
        shape=shape,
    )


def lines_of(look: Look) -> list[Line]:
    """Lines of the reduced picture that may be the horizon, with their likeness to one."""
    ups = [
        up_from_angles(one.roll_rad, one.pitch_rad)
        for one in candidates(look.small.luma, look.small.lens, look.small.covered)
    ]
    fits = [fit for fit in (_small_fit(look, up) for up in ups) if fit is not None]
    return [_line(look, fit, fits) for fit in fits]


def _line_at(look: Look, up_cam: Array, among: list[LineFit] | None) -> Line | None:
    """The line of the reduced picture near ``up_cam``, judged ``among`` the others where known."""
    fit = _small_fit(look, up_cam)
    return None if fit is None else _line(look, fit, among)


def _small_fit(look: Look, up_cam: Array) -> LineFit | None:
    small = look.small
    return fit_up(_edges(small, up_cam, 0.0), up_cam, small.lens, dip_rad=0.0, agree_px=AGREE_PX)


def _line(look: Look, fit: LineFit, among: list[LineFit] | None) -> Line:
    seen = look.sides.at(fit.up_cam)
    others = UNKNOWN_OTHERS if among is None else _others(fit, among)
    left, top, right, bottom = look.small.area
    return Line(fit, seen, others, weighed(fit, seen, others, min(right - left, bottom - top)))


def _others(fit: LineFit, among: list[LineFit]) -> Others:
    """The strongest lines beside one, of those that run much the same way, and the strongest across it."""
    towards = away = across = 0.0
    for other in among:
        up = other.up_cam if other.up_cam @ fit.up_cam > 0 else -other.up_cam
        along, strength = float(up @ fit.up_cam), edge_strength(other)
        if along <= math.cos(BESIDE_RAD[1]):
            across = max(across, strength)
        elif along < math.cos(BESIDE_RAD[0]):
            # The line of the greater pitch lies lower in the picture.
            if up[2] > fit.up_cam[2]:
                away = max(away, strength)
            else:
                towards = max(towards, strength)
    return Others(towards, away, across)


def _distinct(lines: list[Line]) -> list[Line]:
    """The most likely of each bundle of twins, most likely first; twins settle on one line."""
    kept: list[Line] = []
    for line in sorted(lines, key=lambda line: -line.likeness):
        if not any(_same_line(line.up_cam, other.up_cam) for other in kept):
            kept.append(line)
    return kept


def _same_line(up_cam: Array, other: Array) -> bool:
    return abs(float(up_cam @ other)) > math.cos(SAME_LINE_RAD)


def _refine(
    full: Scale, up_cam: Array, dip_rad: float, *, agree_px: float, known: int | None = None
) -> tuple[LineFit, Edges] | tuple[None, None]:
    """Full-resolution fit, repeated from its own result so that the last profiles stand on the line.

    ``known``: edge shape of a line that lay near a moment ago; without it, the first time is only to get
    there, by some of the profiles.
    """
    up, agree, near = up_cam, agree_px, known is not None
    for every in (1 if near else SPARSE, 1):
        edges = _edges(full, up, dip_rad, every, known)
        fit = fit_up(edges, up, full.lens, dip_rad=dip_rad, agree_px=agree, near=near)
        if fit is None:
            if every > 1:
                continue
            return None, None
        near = True
        if every == 1 and apart_rad(fit.up_cam, up) < SETTLED * full.half_px * full.lens.pixel_rad:
            break
        up, agree = fit.up_cam, AGREE_PX
    return (fit, edges) if fit is not None else (None, None)


def _refine_wide(full: Scale, up_cam: Array, dip_rad: float) -> tuple[LineFit, Edges] | tuple[None, None]:
    """The line through a skyline too uneven for the narrow window; (None, None) where there is none."""
    wide_px = round(WIDE_SHARE * max(full.lens.width_px, full.lens.height_px))
    wide = replace(full, half_px=max(full.half_px, wide_px))
    edges = _edges(wide, up_cam, dip_rad)
    fit = fit_up(edges, up_cam, full.lens, dip_rad=dip_rad, agree_px=wide.half_px / 3)
    if fit is None or fit.inlier_share < WIDE_INLIERS or fit.spread < WIDE_INLIERS:
        return None, None
    strong = abs(fit.step_grey) >= WIDE_STEP_GREY and fit.gain >= WIDE_GAIN
    return (fit, edges) if strong and fit.rms_px <= wide.half_px / 5 else (None, None)


def _why_not(fit: LineFit, full: Scale) -> str:
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


def _has_rival(found: list[Line], best: Line) -> bool:
    others = [line.likeness for line in found if not _same_line(line.up_cam, best.up_cam)]
    return bool(others and _odds(best.likeness) - _odds(max(others)) < RIVAL_ODDS)


def _has_twin(full: Scale, lines: list[Line], fit: LineFit, best: Line, dip_rad: float) -> bool:
    """Whether another line close by is as likely and stays another line at full size: shore and horizon."""
    for line in lines:
        up = line.up_cam if float(line.up_cam @ fit.up_cam) > 0 else -line.up_cam
        if not apart_rad(up, fit.up_cam) > TWIN_RAD or not _same_line(line.up_cam, fit.up_cam):
            continue
        if _odds(best.likeness) - _odds(line.likeness) < RIVAL_ODDS:
            near, _ = _refine(full, up, dip_rad, agree_px=AGREE_PX)
            if near is None or _why_not(near, full):
                continue
            if apart_rad(near.up_cam, fit.up_cam) > TWIN_RAD:
                return True
    return False


def _odds(likeness: float) -> float:
    limited = min(max(likeness, 1e-6), 1 - 1e-6)
    return math.log(limited / (1 - limited))


def _goes_on(fit: LineFit, full: Scale, up_cam: Array, step_grey: float) -> bool:
    """Whether a line plainly is one that a moment ago lay at ``up_cam`` with that contrast."""
    stayed = apart_rad(fit.up_cam, up_cam) < MOVED * full.half_px * full.lens.pixel_rad
    return bool(stayed and 1 / ALIKE <= fit.step_grey / step_grey <= ALIKE)


def _said(line: Line, fit: LineFit) -> _Said:
    """What was found about a line of the reduced picture, which may be named the other way round."""
    way = 1.0 if float(line.up_cam @ fit.up_cam) > 0 else -1.0
    brighter = 0.0 if line.seen is None else way * line.seen.brighter_grey
    return _Said(line.likeness, brighter, way * line.weighed.sky_odds)


def _result(
    fit: LineFit,
    edges: Edges,
    said: _Said,
    full: Scale,
    dip_rad: float,
    start: Array | None,
    *,
    followed: bool,
    judged: bool = True,
) -> HorizonFit:
    flip = said.sky_odds < 0 if start is None else float(fit.up_cam @ start) < 0
    flipped = -fit.up_cam
    if dip_rad:
        # The visible line is a cone, not a plane: the other reading is fitted anew, on the other cone.
        other = fit_up(seen_from_below(edges), flipped, full.lens, dip_rad=dip_rad, agree_px=AGREE_PX)
        flipped = other.up_cam if other is not None else flipped
    sign = -1.0 if flip else 1.0
    return HorizonFit(
        flipped if flip else fit.up_cam,
        fit.up_cam if flip else flipped,
        fit.width_rad,
        fit.inlier_share,
        said.likeness,
        sign * said.brighter_grey,
        sign * said.sky_odds,
        sign * fit.step_grey,
        edges.shape,
        followed,
        judged,
        kept_line(edges, fit, sign * fit.up_cam, full.lens),
        full.lens,
        dip_rad,
        "",
    )
