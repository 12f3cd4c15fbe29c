"""Thin lines in one picture: a plumb line's string, or the line of a laser on a wall.

The search works on a reduced picture, freed of the lens's distortion, in which straight lines are straight.
It is sheared so that a line of one angle stands upright, averaged in blocks along it, and each block gives
its ridges: how far the middle stands out beyond the *nearer* of its two sides, which is nothing at the edge
of a door. Ridges are then added up along every line (a Radon transform), each block with a limited voice, so
that a long faint line beats a short strong one. What was found is fitted at full size as the horizon is, in
ray space, with the profile of a thin line in place of a step.

A line is taken on strict terms, because a room is full of lines: thin, both sides alike, one polarity and
contrast, straight, long, through the middle of the picture, and no other like it.
"""

import math
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from .angles import angles_from_up, apart_rad, directions, tangent_frame
from .coarse import Area, picture_area
from .edge import Edges, find_edges
from .fit import LineFit, fit_up
from .lens import Lens, lens_from_hfov, pixels, rays

__all__ = ["LEVEL_LINE", "PLUMB_LINE", "ThinLine", "fitted", "rivals_of", "search", "thin_lines", "why_not"]

Array = NDArray[np.float64]
Array32 = NDArray[np.float32]
Luma = NDArray[np.uint8]

PLUMB_LINE, LEVEL_LINE = "plumb_line", "level_line"

# The search picture: its longer side, and the widest view that it shows.
SEARCH_PX, SEARCH_HFOV_DEG = 960, 110.0
BLOCKS = 16
COARSE_DEG, REACH_DEG = 2.0, 30.0
# Width of the middle, and distance of its sides from it, of ridges in the search picture, px.
RIDGES_PX = ((1, 2), (3, 3), (5, 5))
# A block's voice is its ridge in units of its own unrest, no more than so many.
MOST_VOICE, LEAST_GREY = 4.0, 0.6
PER_POLARITY, APART_PX = 5, 6
# Lines weaker than this, against the best or at all, are not looked at more closely.
LEAST_SHARE, LEAST_SCORE = 0.35, 0.8

# Limits at full size, px of a picture 1920 long.
ZONE = 0.12
MOST_WIDTH_PX = 8.0
LEAST_INLIERS = 0.5
LEAST_EXTENT = 0.5
MOST_RMS_PX, MOST_BOW_PX = 1.0, 1.0
LEAST_STEP_GREY, LEAST_GAIN = 3.0, 4.0
MOST_UNLIKE, MOST_UNEVEN = 0.25, 0.6
# How far beyond its sides something broad is looked for, px, and how far the picture may fall away there.
CREST_PX, MOST_CREST = 28.0, 0.5
# A hanging cable is straight for a part of its length only: points as strong as the line's beside it, and a
# lean that depends on which part is looked at (its sd, px at the line's ends).
LEAST_STEADY, MOST_LEAN_PX = 0.75, 0.2
# Another line is a rival when it has this share of the line's strength.
RIVAL_SHARE = 0.5
# So does one outside the middle that looks the same: grout between tiles, laths, cables side by side.
LIKE_SHARE = 0.7
TWIN_PX, TWIN_RAD = 4.0, math.radians(0.3)
# Of the place of either end of a line: what all frames share however small the scatter. A laser's light
# follows what it falls on.
FLOOR_PX = {PLUMB_LINE: 0.02, LEVEL_LINE: 0.05}
MOST_MEMORY = 0.6
START_PX, AGREE_PX, SETTLED_PX, PASSES = 4.0, 2.0, 0.5, 4


@dataclass(frozen=True)
class ThinLine:
    """A thin line at full size.

    ``normal``: unit normal of the plane through it and the camera, to the right for a plumb line and up for a
    level line. ``fit``: with the normal in place of the up vector. ``covariance``: of (roll, pitch) of the
    normal, rad^2, from the points' scatter and its memory along the line (a string has no skyline's unrest);
    ``shared_variance`` (2,): the part of its diagonal that all frames share. ``middle_px``: where it crosses
    the picture's middle row (plumb line) or column (level line), from the picture's middle. ``unlike``: how
    far its sides are apart, as a share of its contrast. ``crest``: how much further the picture falls away
    on both sides of it, as a share of its contrast: the light along a pipe is the crest of something broad.
    """

    normal: Array
    fit: LineFit
    edges: Edges
    covariance: Array
    shared_variance: Array
    middle_px: float
    unlike: float
    crest: float

    @property
    def contrast_grey(self) -> float:
        """Line minus the mean of its sides."""
        return self.fit.step_grey

    @property
    def strength(self) -> float:
        """Contrast times the share of the line that was found."""
        return abs(self.fit.step_grey) * self.fit.inlier_share


@dataclass(frozen=True)
class _View:
    """The undistorted search picture: its lens, and where its pixels lie in the reduced picture."""

    lens: Lens
    size: tuple[int, int]
    map_x: Array32
    map_y: Array32


def thin_lines(
    luma: Luma, lens: Lens, kind: str, covered: Luma | None = None
) -> tuple[list[ThinLine], list[ThinLine]]:
    """Acceptable thin lines of a picture, strongest first: those through its middle, and those beside it.

    ``luma`` (height, width) of the lens's size. ``kind``: ``PLUMB_LINE`` or ``LEVEL_LINE``. ``covered`` (any
    size, of the same proportions): above 0 where something is burnt into the picture.
    """
    area = picture_area(luma)
    middle: list[ThinLine] = []
    beside: list[ThinLine] = []
    for normal in search(luma, lens, kind):
        line = fitted(luma, lens, normal, kind, area=area, covered=covered)
        if line is None or why_not(line, lens, area, kind):
            continue
        if any(_same(line, other, lens) for other in (*middle, *beside)):
            continue
        (middle if _in_zone(line, lens, kind) else beside).append(line)
    middle.sort(key=lambda line: -line.strength)
    beside.sort(key=lambda line: -line.strength)
    return middle, beside


def rivals_of(line: ThinLine, middle: list[ThinLine], beside: list[ThinLine]) -> list[ThinLine]:
    """Other lines through the middle that are comparably strong, and lines beside it that look the same.

    A line beside it that is stronger is one whatever it looks like: who hangs a string aims near it.
    """
    return [
        other
        for others, share, alike in ((middle, RIVAL_SHARE, False), (beside, LIKE_SHARE, True))
        for other in others
        if other is not line
        and other.strength >= share * line.strength
        and (not alike or other.contrast_grey * line.contrast_grey > 0 or other.strength > line.strength)
    ]


def fitted(
    luma: Luma,
    lens: Lens,
    normal: Array,
    kind: str,
    *,
    area: Area | None = None,
    covered: Luma | None = None,
    agree_px: float = START_PX,
) -> ThinLine | None:
    """The thin line near a plane's normal, fitted at full size; None where there is nothing to fit."""
    fine = _fine(lens)
    inside = picture_area(luma) if area is None else area
    long_px = max(lens.width_px, lens.height_px)
    agree, up, fit, edges = agree_px * fine, normal, None, None
    for _ in range(PASSES):
        edges = find_edges(
            luma,
            lens,
            up,
            dip_rad=0.0,
            half_px=round(14 * fine),
            group_px=max(3, round(8 * long_px / 1920)),
            area=inside,
            covered=covered,
            thin=True,
        )
        fit = fit_up(edges, up, lens, dip_rad=0.0, agree_px=agree)
        if fit is None:
            return None
        moved = float(apart_rad(fit.up_cam, up))
        up, agree = fit.up_cam, AGREE_PX * fine
        if moved < SETTLED_PX * lens.pixel_rad:
            break
    if fit is None or edges is None:
        return None
    named = up if (up[0] > 0 if kind == PLUMB_LINE else up[1] < 0) else -up
    middle_px = _middle_px(lens, named, kind)
    step = np.median(edges.step_grey[fit.agreeing])
    unlike = float(np.median(np.abs(edges.unlike_grey[fit.agreeing])) / max(abs(float(step)), 1e-6))
    covariance, shared = _uncertainty(fit, edges, lens, kind)
    crest = _fall_grey(luma, lens, fit, edges) / max(abs(float(step)), 1e-6)
    return ThinLine(named, fit, edges, covariance, shared, middle_px, unlike, crest)


def _fall_grey(luma: Luma, lens: Lens, fit: LineFit, edges: Edges) -> float:
    """How far the picture falls away (rises, of a dark line) beyond the sides of a line, beyond both."""
    points = pixels(lens, edges.rays[fit.agreeing])
    along = np.gradient(points, axis=0)
    across = np.column_stack([-along[:, 1], along[:, 0]])
    across /= np.maximum(np.linalg.norm(across, axis=1, keepdims=True), 1e-9)
    near_px = edges.thin_px / 2 + 2 * edges.softness_px
    offsets = near_px + np.linspace(0, CREST_PX * _fine(lens), 17)
    falls = []
    for side in (-1.0, 1.0):
        at = points[:, None] + side * offsets[None, :, None] * across[:, None]
        grey = cv2.remap(
            luma,
            at[..., 0].astype(np.float32),
            at[..., 1].astype(np.float32),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )
        profile = np.median(grey, axis=0)
        falls.append(float(np.max(np.sign(fit.step_grey) * (profile[0] - profile))))
    return min(falls)


def _uncertainty(fit: LineFit, edges: Edges, lens: Lens, kind: str) -> tuple[Array, Array]:
    """Covariance of the line's (roll, pitch), and the part of its diagonal that all frames share, rad^2."""
    used = edges.rays[fit.agreeing]
    roll, pitch = angles_from_up(fit.up_cam)
    e_roll, e_pitch = tangent_frame(roll, pitch)
    design = used @ np.column_stack([e_roll * np.cos(pitch), e_pitch])
    left = used @ fit.up_cam
    memory = float(left[1:] @ left[:-1]) / max(float(left @ left), 1e-30)
    memory = min(max(memory, 0.0), MOST_MEMORY)
    variance = float(left @ left) / max(len(left) - 2, 1) * (1 + memory) / (1 - memory)
    covariance = variance * np.linalg.inv(design.T @ design)
    # Pixel noise is new in every frame; what is left of the scatter, and the sampling's own errors, stay.
    noise = np.minimum(fit.noise_variance, 0.8 * np.diag(covariance))
    floor = (FLOOR_PX[kind] * np.array([1 / max(fit.spread * fit.length_px, 10.0), lens.pixel_rad])) ** 2
    covariance = covariance + np.diag(floor)
    return np.asarray(covariance, np.float64), np.asarray(np.diag(covariance) - noise, np.float64)


def why_not(line: ThinLine, lens: Lens, area: Area, kind: str) -> str:
    """Why a fitted line is no thin line of the kind; "" when it is one."""
    fit, fine = line.fit, _fine(lens)
    if not abs(_off_nominal_rad(line.normal, kind)) <= math.radians(REACH_DEG):
        return "the line leans by more than 30 deg"
    extent = area[3] - area[1] if kind == PLUMB_LINE else area[2] - area[0]
    if fit.inlier_share < LEAST_INLIERS or fit.spread * fit.length_px < LEAST_EXTENT * extent:
        return "the line is seen over less than half of the picture"
    if line.edges.thin_px > MOST_WIDTH_PX:
        return "the line is too broad"
    if abs(fit.step_grey) < LEAST_STEP_GREY or fit.gain < LEAST_GAIN:
        return "the line is too faint"
    if line.crest > MOST_CREST:
        return "the line lies along something broad"
    if line.unlike > MOST_UNLIKE:
        return "an edge, not a thin line"
    if fit.step_uneven > MOST_UNEVEN:
        return "the line's contrast is uneven"
    lean_px = math.sqrt(line.covariance[0, 0]) * fit.spread * fit.length_px
    bent = fit.rms_px > MOST_RMS_PX * fine or fit.bow_px > MOST_BOW_PX * fine
    if bent or lean_px > MOST_LEAN_PX * fine or _steady(line) < LEAST_STEADY:
        return "the line is not straight"
    return ""


def _steady(line: ThinLine) -> float:
    """Of the points as strong as the line's, the share that lies on it."""
    steps = line.edges.step_grey
    strong = (steps * line.fit.step_grey > 0) & (np.abs(steps) > 0.5 * abs(line.fit.step_grey))
    return float(line.fit.agreeing[strong].mean()) if strong.any() else 0.0


def _fine(lens: Lens) -> float:
    return max(1.0, max(lens.width_px, lens.height_px) / 1920)


def _off_nominal_rad(normal: Array, kind: str) -> float:
    """Turn of a line from upright, or from level, in the picture."""
    roll_rad = float(angles_from_up(normal)[0])
    return roll_rad + math.pi / 2 if kind == PLUMB_LINE else roll_rad


def _in_zone(line: ThinLine, lens: Lens, kind: str) -> bool:
    return abs(line.middle_px) <= ZONE * (lens.width_px if kind == PLUMB_LINE else lens.height_px)


def _middle_px(lens: Lens, normal: Array, kind: str) -> float:
    """Where a line crosses the picture's middle row or column, px from the picture's middle; NaN if not."""
    along, across = (1, 0) if kind == PLUMB_LINE else (0, 1)
    size = (lens.width_px, lens.height_px)
    points = pixels(lens, directions(normal, np.radians(np.linspace(-60, 60, 241))))
    points = points[np.isfinite(points).all(axis=1)]
    off = points[:, along] - (size[along] - 1) / 2
    crossing = np.flatnonzero(np.diff(np.sign(off)) != 0)
    if not len(crossing):
        return math.nan
    k = int(crossing[0])
    share = off[k] / (off[k] - off[k + 1])
    place = points[k, across] + share * (points[k + 1, across] - points[k, across])
    return float(place - (size[across] - 1) / 2)


def _same(one: ThinLine, other: ThinLine, lens: Lens) -> bool:
    near = abs(one.middle_px - other.middle_px) < TWIN_PX * _fine(lens)
    return near and bool(apart_rad(one.normal, other.normal) < TWIN_RAD + TWIN_PX * lens.pixel_rad)


def search(luma: Luma, lens: Lens, kind: str) -> list[Array]:
    """Normals of the lines of the reduced picture that may be thin lines, best first."""
    view = _view(lens)
    small = cv2.resize(luma, view.size, interpolation=cv2.INTER_AREA)
    flat = small if lens.model == "pinhole" else cv2.remap(small, view.map_x, view.map_y, cv2.INTER_LINEAR)
    upright = flat if kind == PLUMB_LINE else flat.T
    score, angle = _radon(np.ascontiguousarray(upright, np.float32))
    found: list[tuple[float, int, float]] = []
    for side in (0, 1):
        left = score[side].copy()
        for _ in range(PER_POLARITY):
            x = int(np.argmax(left))
            if left[x] < LEAST_SCORE:
                break
            found.append((float(left[x]), x, float(angle[side, x])))
            left[max(0, x - APART_PX) : x + APART_PX + 1] = 0
    found.sort(reverse=True)
    best = found[0][0] if found else 0.0
    rows = upright.shape[0]
    normals = []
    for strength, x, slope in found:
        if strength < LEAST_SHARE * best:
            continue
        ends = np.array([[x - slope * rows / 2, -0.5], [x + slope * rows / 2, rows - 0.5]])
        one, two = rays(view.lens, ends if kind == PLUMB_LINE else ends[:, ::-1])
        normal = np.cross(one, two)
        normals.append(normal / np.linalg.norm(normal))
    return normals


@lru_cache(maxsize=4)
def _view(lens: Lens) -> _View:
    shrink = min(1.0, SEARCH_PX / max(lens.width_px, lens.height_px))
    width, height = round(lens.width_px * shrink), round(lens.height_px * shrink)
    kx, ky = width / lens.width_px, height / lens.height_px
    if lens.model == "pinhole":
        flat = Lens(
            width,
            height,
            lens.fx_px * kx,
            lens.fy_px * ky,
            (lens.cx_px + 0.5) * kx - 0.5,
            (lens.cy_px + 0.5) * ky - 0.5,
        )
        none = np.empty((0, 0), np.float32)
        return _View(flat, (width, height), none, none)
    ends = rays(lens, [[0, lens.cy_px], [lens.width_px - 1, lens.cy_px]])
    flat = lens_from_hfov(width, height, min(SEARCH_HFOV_DEG, math.degrees(float(apart_rad(*ends)))))
    x, y = np.meshgrid(np.arange(width, dtype=float), np.arange(height, dtype=float))
    at = (pixels(lens, rays(flat, np.column_stack([x.ravel(), y.ravel()]))) + 0.5) * [kx, ky] - 0.5
    maps = np.nan_to_num(at, nan=-10.0).astype(np.float32).reshape(height, width, 2)
    return _View(
        flat, (width, height), np.ascontiguousarray(maps[..., 0]), np.ascontiguousarray(maps[..., 1])
    )


def _radon(upright: Array32) -> tuple[Array, Array]:
    """Best score (darker or brighter: 2, width) of lines by where they cross the middle row, and their slope.

    Slope: columns to the right for each row down.
    """
    rows, width = upright.shape
    best = np.zeros((2, width))
    slope = np.zeros((2, width))
    within = math.tan(math.radians(COARSE_DEG / 2))
    steps = max(1, round(rows * within / 1.0))
    fine = np.arange(-steps, steps + 1) / rows
    # Where the blocks' middles stand along the line, in rows from the middle one.
    place = ((np.arange(BLOCKS) + 0.5) / BLOCKS - 0.5) * rows
    pad = steps + 1
    for coarse in np.tan(np.radians(np.arange(-REACH_DEG, REACH_DEG + 0.1, COARSE_DEG))):
        back = np.array([[1, coarse, -coarse * (rows - 1) / 2], [0, 1, 0]])
        sheared = cv2.warpAffine(
            upright,
            back,
            (width, rows),
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_REPLICATE,
        )
        voices = _voices(cv2.resize(sheared, (width, BLOCKS), interpolation=cv2.INTER_AREA))
        padded = np.pad(voices, ((0, 0), (0, 0), (pad, pad)))
        for more in fine:
            total = np.zeros((2, width), np.float32)
            for block, shift in enumerate(np.round(more * place).astype(int)):
                total += padded[:, block, pad + shift : pad + shift + width]
            total /= BLOCKS
            better = total > best
            best[better] = total[better]
            slope[better] = coarse + more
    return best, slope


def _voices(blocks: Array32) -> Array32:
    """Ridges of the rows of (blocks, width), darker and brighter: (2, blocks, width), by their unrest."""
    best = np.full((2, *blocks.shape), -np.inf, np.float32)
    for middle, off in RIDGES_PX:
        centre = cv2.blur(blocks, (middle, 1), borderType=cv2.BORDER_REPLICATE)
        side = cv2.blur(blocks, (3, 1), borderType=cv2.BORDER_REPLICATE)
        padded = np.pad(side, ((0, 0), (off + 1, off + 1)), mode="edge")
        left, right = padded[:, : blocks.shape[1]], padded[:, 2 * off + 2 :]
        np.maximum(best[0], np.minimum(left, right) - centre, out=best[0])
        np.maximum(best[1], centre - np.maximum(left, right), out=best[1])
    ridge = np.maximum(best, 0)
    unrest = 2.0 * ridge.mean(axis=(0, 2), keepdims=True) + LEAST_GREY
    return np.asarray(np.minimum(ridge / unrest, MOST_VOICE), np.float32)
