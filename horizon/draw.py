"""The measured horizon drawn on a picture, so that a person can judge it by eye.

Lines follow the lens exactly and are placed to a sixteenth of a pixel. Each is light on a dark casing, so
that it stands out on sky, water, snow and night alike, and broken, so that the edge under it stays in view:
long dashes for what was measured, dots for where a level camera would have it. Edge points that the fit rests
on are rings, those it left aside crosses: shape tells what colour does, too. Words stand in a strip below the
picture, where they cover nothing. Colours are of the palette of Okabe and Ito ("Color universal design",
2008), which colour-blind readers tell apart.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from .angles import angles_from_up, directions, rolled, up_from_angles
from .frame import EdgePoints
from .lens import Lens, pixels
from .lettering import ABOVE, BELOW, readable, shortened, width_px, write

# fmt: off
__all__ = [
    "Caption", "captioned", "draw_horizon", "draw_reference", "letterboxed", "strip_px", "turned",
]
# fmt: on

Array = NDArray[np.float64]
Image = NDArray[np.uint8]
Colour = tuple[int, int, int]

# Blue, green, red.
BLACK: Colour = (0, 0, 0)
YELLOW: Colour = (66, 228, 240)
SKY_BLUE: Colour = (233, 180, 86)
VERMILLION: Colour = (0, 94, 213)
PAPER_GREY, INK, FAINT = 24, (255, 255, 255), (190, 190, 190)

# All lengths below are for a picture of this longer side and grow with it.
LONG_PX = 960
CASING_PX = 1.0
MARK_PX, USED_APART_PX, REJECTED_APART_PX = 4.5, 48.0, 18.0
BAR_PX = 5.0
# Letters of the strip as a share of its width: there must be room for a sentence.
WIDE_PX, LETTERS_WIDE, LETTERS_NARROW = 600, 1 / 42, 1 / 26
FRACTION_BITS = 4
DASH_POINTS = 4


@dataclass(frozen=True)
class _Line:
    bgr: Colour
    thick_px: float
    on_px: float
    off_px: float


MEASURED = _Line(YELLOW, 2.0, 26.0, 14.0)
LEVEL = _Line(SKY_BLUE, 1.6, 5.0, 15.0)


@dataclass(frozen=True)
class Caption:
    """What stands below a picture. left_out : a broken bar marks it. line : what was measured."""

    words: str
    clip: str
    time: str
    left_out: bool = False
    line: str = "horizon"


def draw_horizon(
    picture: Image,
    lens: Lens,
    up_cam: Array,
    *,
    dip_rad: float = 0.0,
    level_rad: float | None = None,
    points: EdgePoints | None = None,
) -> Image:
    """Copy of a BGR picture (height, width, 3), as stored, with the measured horizon on it.

    ``lens``: for the picture's size. ``level_rad``: the roll that counts as level, a multiple of a quarter
    turn; None for the one nearest to the measured roll. The level line is where the same camera would have
    the horizon, were it turned about its lens axis to that roll. ``points``: edge points to mark, thinned.
    """
    drawn = picture.copy()
    scale = max(picture.shape[:2]) / LONG_PX
    roll_rad, pitch_rad = angles_from_up(up_cam)
    if level_rad is None:
        level_rad = float(np.round(roll_rad / (np.pi / 2)) * (np.pi / 2))
    for kind, up in ((LEVEL, up_from_angles(level_rad, pitch_rad)), (MEASURED, up_cam)):
        _stroke(drawn, _curve(lens, up, dip_rad), kind, scale)
    _marks(drawn, points, scale)
    return drawn


def draw_reference(
    picture: Image,
    lens: Lens,
    normal: Array,
    *,
    roll_rad: float,
    points: EdgePoints | None = None,
) -> Image:
    """Copy of a BGR picture (height, width, 3), as stored, with the measured plumb or level line on it.

    ``lens``: for the picture's size. ``normal`` (3,): of the plane through line and camera, in camera axes.
    ``roll_rad``: the roll read from it; the level stroke is where the same camera would have the line
    were it turned about its lens axis to the nearest quarter turn. ``points``: edge points to mark, thinned.
    """
    drawn = picture.copy()
    scale = max(picture.shape[:2]) / LONG_PX
    lean_rad = roll_rad - float(np.round(roll_rad / (np.pi / 2)) * (np.pi / 2))
    for kind, one in ((LEVEL, rolled(normal, lean_rad)), (MEASURED, normal)):
        _stroke(drawn, _curve(lens, one, 0.0), kind, scale)
    _marks(drawn, points, scale)
    return drawn


def turned(picture: Image, counterclockwise_deg: int) -> Image:
    """A stored picture as a player shows it: turned by the clip's ``rotation_deg``, in quarter turns."""
    return np.ascontiguousarray(np.rot90(picture, round(counterclockwise_deg / 90)))


def letterboxed(picture: Image, width_px: int, height_px: int) -> Image:
    """A picture in the middle of a black one at least as large."""
    height, width = picture.shape[:2]
    boxed = np.zeros((height_px, width_px, 3), np.uint8)
    top, left = (height_px - height) // 2, (width_px - width) // 2
    boxed[top : top + height, left : left + width] = picture
    return boxed


def strip_px(width_px: int, height_px: int, *, key: bool = False) -> int:
    """Height of the strip below a picture of this size; always even."""
    size = _letters_px(width_px, height_px)
    line = round((ABOVE + BELOW) * 1.25 * size)
    lines = 1 if _is_wide(width_px, height_px) else 2
    extra = _key_rows(width_px, height_px) * round(0.85 * line) if key else 0
    return (lines * line + extra + _bar_px(width_px, height_px) + size // 3) // 2 * 2


def captioned(picture: Image, caption: Caption, *, key: EdgePoints | None = None) -> Image:
    """A picture with a strip below it: lean in words, clip, time, and for ``key`` what the marks mean."""
    height, width = picture.shape[:2]
    size, wide, bar = _letters_px(width, height), _is_wide(width, height), _bar_px(width, height)
    strip = np.full((strip_px(width, height, key=key is not None), width, 3), PAPER_GREY, np.uint8)
    if caption.left_out:
        _bar(strip, bar)
    line, left = round((ABOVE + BELOW) * 1.25 * size), size // 2
    top = bar + size // 6
    time = readable(caption.time)
    right = width - left - width_px(time, size)
    words = shortened(caption.words, size, (right - 2 * left) if wide else width - 2 * left)
    write(strip, words, left, top, size_px=size, bgr=INK)
    top_of_clip = top if wide else top + line
    room = right - left - (left + width_px(words, size) + size if wide else left)
    clip = shortened(caption.clip, size, max(room, 0))
    write(strip, time, right, top_of_clip, size_px=size, bgr=FAINT)
    clip_at = right - size // 2 - width_px(clip, size) if wide else left
    write(strip, clip, clip_at, top_of_clip, size_px=size, bgr=FAINT)
    if key is not None:
        _key(strip, key, caption.line, top_of_clip + line, round(0.75 * size), _key_rows(width, height))
    return np.vstack([picture, strip])


def _curve(lens: Lens, up_cam: Array, dip_rad: float) -> list[tuple[Array, Array]]:
    """Runs of the visible horizon in the picture: pixels (n, 2) and their way along it, 0 straight ahead."""
    points = pixels(lens, directions(up_cam, np.radians(np.linspace(-100, 100, 801)), -dip_rad))
    size = np.array([lens.width_px, lens.height_px])
    # Far enough outside for a point to lie there, also through a long lens.
    beyond = max(0.1 * size.max(), 2 * np.radians(200 / 800) / lens.pixel_rad)
    inside = np.isfinite(points).all(axis=1)
    inside &= ((points > -beyond) & (points < size + beyond)).all(axis=1)
    ends = np.flatnonzero(np.diff(np.concatenate([[False], inside, [False]]).astype(int))).reshape(-1, 2)
    runs = []
    for first, last in ends:
        run = points[first:last]
        along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(run, axis=0).T))])
        # Dashes that start from straight ahead stay put from frame to frame.
        runs.append((run, along - along[np.clip(400 - first, 0, len(along) - 1)]))
    return runs


def _stroke(drawn: Image, runs: list[tuple[Array, Array]], kind: _Line, scale: float) -> None:
    """Draw runs, broken into dashes, light on dark."""
    core, casing = _widths(kind.thick_px, scale)
    lines = list(_fixed(_dashes(runs, kind.on_px * scale, kind.off_px * scale)))
    for bgr, width in ((BLACK, casing), (kind.bgr, core)):
        cv2.polylines(drawn, lines, False, bgr, width, cv2.LINE_AA, FRACTION_BITS)


def _dashes(runs: list[tuple[Array, Array]], on_px: float, off_px: float) -> Array:
    """The runs, cut into dashes: pixels (dashes, ``DASH_POINTS``, 2)."""
    found = [np.empty((0, DASH_POINTS, 2))]
    for run, along in runs:
        period = on_px + off_px
        middle = period * np.arange(np.ceil(along[0] / period), np.floor(along[-1] / period) + 1)
        at = middle[:, None] + on_px * np.linspace(-0.5, 0.5, DASH_POINTS)
        found.append(np.stack([np.interp(at, along, run[:, axis]) for axis in (0, 1)], axis=-1))
    return np.concatenate(found)


def _widths(thick_px: float, scale: float) -> tuple[int, int]:
    core = max(1, round(thick_px * scale))
    return core, core + 2 * max(1, round(CASING_PX * scale))


def _fixed(points: Array) -> NDArray[np.int32]:
    return np.asarray(np.round(points * 2**FRACTION_BITS), np.int32)


def _marks(drawn: Image, points: EdgePoints | None, scale: float) -> None:
    if points is None:
        return
    for used in (False, True):
        apart_px = (USED_APART_PX if used else REJECTED_APART_PX) * scale
        for point in _thinned(points.points_px[points.used == used], apart_px):
            _mark(drawn, point, used, scale)


def _thinned(points: Array, apart_px: float) -> list[Array]:
    """Points in their order, each at least so far from the one before."""
    kept: list[Array] = []
    for point in points:
        if not kept or np.hypot(*(point - kept[-1])) >= apart_px:
            kept.append(point)
    return kept


def _mark(drawn: Image, point: Array, used: bool, scale: float) -> None:
    """A ring for a point that the fit rests on, a cross for one it left aside."""
    reach = MARK_PX * scale
    core, casing = _widths(1.0, scale)
    for bgr, width in ((BLACK, casing), (YELLOW if used else VERMILLION, core)):
        if used:
            centre = _fixed(point).tolist()
            cv2.circle(drawn, centre, round(reach * 2**FRACTION_BITS), bgr, width, cv2.LINE_AA, FRACTION_BITS)
        else:
            arms = [_fixed(point + reach * np.array([[-1, way], [1, -way]])) for way in (1, -1)]
            cv2.polylines(drawn, arms, False, bgr, width, cv2.LINE_AA, FRACTION_BITS)


def _is_wide(width_px: int, height_px: int) -> bool:
    return width_px >= max(0.9 * height_px, WIDE_PX)


def _letters_px(width_px: int, height_px: int) -> int:
    share = LETTERS_WIDE if _is_wide(width_px, height_px) else LETTERS_NARROW
    return max(11, round(width_px * share))


def _bar_px(width_px: int, height_px: int) -> int:
    return max(3, round(BAR_PX * max(width_px, height_px) / LONG_PX))


def _bar(strip: Image, bar_px: int) -> None:
    for x in range(0, strip.shape[1], 8 * bar_px):
        strip[:bar_px, x : x + 4 * bar_px] = FAINT


def _key_rows(width_px: int, height_px: int) -> int:
    return 1 if _is_wide(width_px, height_px) else 2


def _key(strip: Image, points: EdgePoints, name: str, top_px: int, size_px: int, rows: int) -> None:
    """What the marks mean: measured and level line, and how many edge points were used and left aside."""
    used, scale = int(points.used.sum()), size_px / 16
    labels = (f"measured {name}", "level", f"edge used ({used})", f"left aside ({len(points.used) - used})")
    begin, line = size_px * 2 // 3, round(1.4 * size_px)
    x = begin
    for number, label in enumerate(labels):
        if rows > 1 and number == 2:
            x, top_px = begin, top_px + line
        is_line = number < 2
        long_px = (3 if is_line else 1) * size_px
        middle_px = top_px + 0.55 * size_px
        ends = np.array([[x, middle_px], [x + long_px, middle_px]])
        if is_line:
            kind = MEASURED if number == 0 else LEVEL
            _stroke(strip, [(ends, np.array([0.0, long_px]))], kind, scale)
        else:
            _mark(strip, ends.mean(axis=0), number == 2, scale)
        x += long_px + round(0.6 * size_px)
        write(strip, label, x, top_px, size_px=size_px, bgr=FAINT)
        x += width_px(label, size_px) + round(1.2 * size_px)
