"""A checkerboard in a clip to views that calibrate a lens: sharp ones, each unlike the others.

The clip is cut into as many stretches as are to be looked at, and in each the sharpest frame is searched for
a board of any size (OpenCV's detector of corners by sectors, which lets a grid grow). The size that is seen
most often is the board's; a smaller grid is a board that the picture's edge cuts, and as good a view, because
only the grid counts and not which square it begins with. Corners are refined in the picture of full size. Of
views that are alike the sharpest is kept, and of the rest those farthest from one another: a view more of the
same place makes a lens look surer than it is.

A board with markers (:mod:`horizon.markers`) tells which of its corners is which, so that any part of it is a
view: where one is seen, plain grids are not searched for.
"""

import math
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from .clip import ClipFacts, Frame, read_frames
from .markers import FAMILIES, MarkedLook, board_corners, layout_of, markers_in

__all__ = ["HOW_TO_MOVE", "BoardError", "BoardView", "Coverage", "coverage", "find_views", "spread_views"]

Array = NDArray[np.float64]
Luma = NDArray[np.uint8]

MOST_LOOKS, LEAST_APART_S = 100, 0.2
SEARCHED_PX = 960  # width in which the board is searched: enough for squares that make a good view
LEAST_GRID = (3, 3)
LEAST_VIEWS, MOST_VIEWS = 8, 24
SEEN_OFTEN = 3  # looks that must agree on a board's size, which one false grid does not
PLAIN_ENOUGH = 6  # looks with a grid and no markers, after which none are searched for
LEAST_SQUARE_PX = 10.0
WIDEST_EDGE = 1.6  # of a view, as a multiple of those of the sharpest quarter
ALIKE = 0.04  # of the picture's width: how far the grid's outer corners must move to make another view
CORNER = 0.15  # of the picture's width and height: what counts as a corner of the picture
HOW_TO_MOVE = (
    "show the board in every corner of the picture, near and far, tilted 20 to 40 deg to each side, "
    "and hold it still for a second each time"
)


class BoardError(ValueError):
    """A clip that gives no lens: file, what is wrong, how to film it."""


@dataclass(frozen=True)
class BoardView:
    """A board in one frame.

    columns, rows : inner corners that were seen, or of the whole board where it has markers. corners_px :
    (n, 2), row by row. edge_px : width of the edges between its squares, the smaller the sharper. at : of a
    board with markers, column and row of each corner, (n, 2); None: all of them, n = rows * columns.
    """

    t_s: float
    columns: int
    rows: int
    corners_px: Array
    edge_px: float
    at: NDArray[np.int64] | None = None

    @property
    def points(self) -> Array:
        """The corners on the board, (n, 3), in squares."""
        if self.at is not None:
            return np.column_stack([self.at.astype(float), np.zeros(len(self.at))])
        y, x = np.mgrid[0 : self.rows, 0 : self.columns]
        return np.column_stack([x.ravel(), y.ravel(), np.zeros(x.size)])

    @property
    def outline_px(self) -> Array:
        """Outer corners (4, 2) in the order of their going round, the one nearest the top left first.

        Of a part of a board: those of the rectangle of squares around it.
        """
        if self.at is None:
            last = self.columns * self.rows - 1
            around = self.corners_px[[0, self.columns - 1, last, last - self.columns + 1]]
        else:
            (left, top), (right, bottom) = self.at.min(axis=0), self.at.max(axis=0)
            rectangle = np.array([[left, top], [right, top], [right, bottom], [left, bottom]], float)
            to_picture = cv2.findHomography(self.points[:, :2], self.corners_px)[0]
            around = cv2.perspectiveTransform(rectangle[None], to_picture)[0]
        a, b = around[1] - around[0], around[3] - around[0]
        if a[0] * b[1] - a[1] * b[0] < 0:
            around = around[::-1]
        return np.asarray(np.roll(around, -int(np.argmin(around.sum(axis=1))), axis=0))

    @property
    def hull_px(self) -> Array:
        """The polygon (k, 2) that holds the corners which were seen."""
        if self.at is None:
            return self.outline_px
        return np.asarray(cv2.convexHull(np.float32(self.corners_px)).reshape(-1, 2), float)


@dataclass(frozen=True)
class Coverage:
    """Where in the picture the board was: share of its area, 0 to 1, and the corners it never came to."""

    share: float
    missed: tuple[str, ...]


def coverage(views: Sequence[BoardView], size_px: tuple[int, int]) -> Coverage:
    """What the grids of these views cover of a picture of ``size_px`` (width, height)."""
    side = 200
    covered = np.zeros((side, side), np.uint8)
    for view in views:
        hull = (view.hull_px + 0.5) / size_px * side
        cv2.fillConvexPoly(covered, np.int32(np.round(hull)), 1)
    edge = round(CORNER * side)
    corners = {
        "top left": covered[:edge, :edge],
        "top right": covered[:edge, -edge:],
        "bottom left": covered[-edge:, :edge],
        "bottom right": covered[-edge:, -edge:],
    }
    missed = tuple(name for name, corner in corners.items() if not corner.any())
    return Coverage(float(covered.mean()), missed)


def find_views(facts: ClipFacts, *, progress: Callable[[float], None] | None = None) -> list[BoardView]:
    """Sharp views of the board in a clip, in the order of time; those that are alike are all there.

    progress : is told the share of the clip that was looked through.

    Raises
    ------
    BoardError
        No board is seen in the clip, or in too few frames to tell its size.
    ClipError
        The clip cannot be read.
    """
    plain: list[BoardView] = []
    marked: list[tuple[float, MarkedLook]] = []
    families = FAMILIES
    for frame in _sharpest_frames(facts):
        look = markers_in(frame.luma, families) if families else None
        if look is not None:
            marked.append((frame.t_s, look))
            if len(families) > 1:
                first = _family(marked)
                known = len(_marked_views(marked)) >= SEEN_OFTEN
                families = (first, *(() if known else (one for one in FAMILIES if one != first)))
        if len(families) != 1:
            view = _board_in(frame)
            plain += [] if view is None else [view]
            families = families if len(plain) - len(marked) < PLAIN_ENOUGH else ()
        if progress is not None and facts.duration_s > 0:
            progress(min(0.999, frame.t_s / facts.duration_s))
    views = _marked_views(marked)
    if len(views) < SEEN_OFTEN:
        views = _of_one_size(plain, facts)
    sharp_px = WIDEST_EDGE * float(np.quantile([one.edge_px for one in views], 0.25))
    return [one for one in views if one.edge_px <= sharp_px]


def _family(marked: Sequence[tuple[float, MarkedLook]]) -> str:
    """The markers' family: the one with most corners between its markers."""
    corners: Counter[str] = Counter()
    for _, look in marked:
        corners[look.family] += look.pairs
    return corners.most_common(1)[0][0]


def _marked_views(marked: Sequence[tuple[float, MarkedLook]]) -> list[BoardView]:
    """Views of the board whose markers these looks (t_s and what was seen) agree on; none if they do not."""
    if not marked:
        return []
    family = _family(marked)
    looks = [(t_s, look) for t_s, look in marked if look.family == family]
    layout = layout_of([look for _, look in looks])
    if layout is None:
        return []
    found = [(t_s, look.edge_px, board_corners(look, layout)) for t_s, look in looks]
    rows = max((int(seen[0][:, 1].max()) + 1 for _, _, seen in found if seen is not None), default=0)
    return [
        BoardView(t_s, layout.squares - 1, rows, seen[1], edge_px, seen[0])
        for t_s, edge_px, seen in found
        if seen is not None
    ]


def _of_one_size(views: Sequence[BoardView], facts: ClipFacts) -> list[BoardView]:
    """The views of the plain board that is seen most often, whole or cut by the picture's edge.

    Raises
    ------
    BoardError
        No board is seen, or in too few looks to tell its size.
    """
    sizes = Counter((max(one.columns, one.rows), min(one.columns, one.rows)) for one in views)
    # Of sizes seen alike often the larger: the smaller ones are parts of it.
    (long, short), seen = max(sizes.items(), key=lambda item: (item[1], item[0]), default=((0, 0), 0))
    if seen < SEEN_OFTEN:
        where = "more than a frame or two" if views else "it"
        raise BoardError(
            f"{facts.path.name}: no checkerboard is seen in {where}; "
            "film a flat printed board with a white margin, all of it in the picture, sharp and evenly lit"
        )
    return [
        one
        for one in views
        if max(one.columns, one.rows) <= long
        and min(one.columns, one.rows) <= short
        and 2 * one.columns * one.rows >= long * short
    ]


def spread_views(views: list[BoardView], facts: ClipFacts) -> list[BoardView]:
    """At most 24 views that differ, the most different ones first.

    Raises
    ------
    BoardError
        Fewer than 8 views differ.
    """
    outlines = {id(one): one.outline_px / facts.width_px for one in views}
    kept: list[BoardView] = []
    for view in sorted(views, key=lambda one: one.edge_px):
        if all(_apart(outlines[id(view)], outlines[id(other)]) >= ALIKE for other in kept):
            kept.append(view)
    if len(kept) < LEAST_VIEWS:
        raise BoardError(
            f"{facts.path.name}: the board is seen sharply in {len(views)} looks, of which only {len(kept)} "
            f"differ, and {LEAST_VIEWS} are needed; {HOW_TO_MOVE}"
        )
    chosen = [kept.pop(int(np.argmax([cv2.contourArea(np.float32(one.outline_px)) for one in kept])))]
    distances = [_apart(outlines[id(one)], outlines[id(chosen[0])]) for one in kept]
    while kept and len(chosen) < MOST_VIEWS:
        farthest = int(np.argmax(distances))
        distances.pop(farthest)
        chosen.append(kept.pop(farthest))
        near = outlines[id(chosen[-1])]
        distances = [min(d, _apart(outlines[id(one)], near)) for d, one in zip(distances, kept, strict=True)]
    return chosen


def _apart(one: Array, other: Array) -> float:
    """How far the outer corners moved: the root mean square of the four."""
    return float(np.sqrt(np.mean(np.sum((one - other) ** 2, axis=1))))


def _sharpest_frames(facts: ClipFacts) -> Iterator[Frame]:
    """The sharpest frame of each stretch of the clip."""
    stretch_s = max(LEAST_APART_S, facts.duration_s / MOST_LOOKS)
    best: tuple[float, Frame] | None = None
    ends_s = stretch_s
    for frame in read_frames(facts.path):
        if frame.t_s >= ends_s and best is not None:
            yield best[1]
            best, ends_s = None, stretch_s * (math.floor(frame.t_s / stretch_s) + 1)
        sharpness = float(cv2.Laplacian(_reduced(frame.luma)[0], cv2.CV_32F).var())
        if best is None or sharpness > best[0]:
            best = sharpness, frame
    if best is not None:
        yield best[1]


def _reduced(luma: Luma) -> tuple[Luma, float]:
    """The picture in which the board is searched, and pixels of the full one per pixel of it."""
    shrink = max(1.0, luma.shape[1] / SEARCHED_PX)
    if shrink == 1.0:
        return luma, shrink
    size = (round(luma.shape[1] / shrink), round(luma.shape[0] / shrink))
    return cv2.resize(luma, size, interpolation=cv2.INTER_AREA), shrink


def _board_in(frame: Frame) -> BoardView | None:
    """The board in one frame, if there is one with squares large enough."""
    small, shrink = _reduced(frame.luma)
    flags = cv2.CALIB_CB_NORMALIZE_IMAGE | cv2.CALIB_CB_LARGER
    found, corners, meta = cv2.findChessboardCornersSBWithMeta(small, LEAST_GRID, flags=flags)
    if not found or min(meta.shape) <= min(LEAST_GRID):
        return None
    columns, rows = meta.shape[1], meta.shape[0]
    if len(corners) != columns * rows:
        return None
    # Pixel centres are whole numbers: the corner of the first pixel lies at -0.5 in both pictures.
    full = (np.asarray(corners, np.float32).reshape(rows, columns, 2) + 0.5) * shrink - 0.5
    steps = [np.linalg.norm(np.diff(full, axis=axis), axis=2).min() for axis in (0, 1)]
    square_px = float(min(steps))
    if square_px < LEAST_SQUARE_PX:
        return None
    # As far as the next edges of the grid, whatever the board's tilt; more gives nothing but time.
    reach = int(np.clip(0.4 * square_px, 2, 11))
    stop = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_MAX_ITER, 40, 0.001)
    refined = cv2.cornerSubPix(frame.luma, full.reshape(-1, 1, 2), (reach, reach), (-1, -1), stop)
    sharpness = cv2.estimateChessboardSharpness(frame.luma, (columns, rows), refined)[0]
    return BoardView(frame.t_s, columns, rows, np.asarray(refined.reshape(-1, 2), float), float(sharpness[0]))
