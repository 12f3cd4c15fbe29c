"""Checkerboards with markers in their white squares (ChArUco): which of the corners seen is which.

Neither the markers' dictionary nor the board's size nor the markers' width needs telling. Two markers in
white squares that touch share one inner corner, and each of the two, drawn out by its own four corners (a
homography of a few squares, which a lens hardly bends), tells where the other and where that corner is: so
the corners of a look are found without knowing the board, however few of them are seen. Ids run row by row
through the white squares, so the ids of such pairs tell how many squares a row has and with which colour the
first begins. Pairs that the most probable board does not explain (a wrong id, a marker that is not on the
board) are dropped. A marker whose neighbour is cut off or hidden tells its square's corner alone, if four
squares of a checkerboard are seen there.

Layout of the board: OpenCV's documentation of ``cv2.aruco.CharucoBoard``. The top left square is black; with
``setLegacyPattern`` and an even number of rows it is white.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

__all__ = ["FAMILIES", "Layout", "MarkedLook", "board_corners", "layout_of", "markers_in"]

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Luma = NDArray[np.uint8]

# Of dictionaries of one width the largest begins with the markers of the smaller ones.
NAMES = (
    *(f"DICT_{n}X{n}_1000" for n in (4, 5, 6, 7)),
    "DICT_ARUCO_ORIGINAL",
    "DICT_ARUCO_MIP_36h12",
    *(f"DICT_APRILTAG_{name}" for name in ("36h11", "36h10", "25h9", "16h5")),
)
FAMILIES: tuple[str, ...] = (
    tuple(name for name in NAMES if hasattr(cv2.aruco, name)) if hasattr(cv2, "aruco") else ()
)
SEARCHED_PX = 1920  # width in which markers are searched: their bits are finer than the squares
GUESSED_PX = 960  # the same while their family is not known, which takes ten times as long
FEW_QUADS = 4  # fewer dark quadrilaterals with something light in them are no board of any family
LIGHT_WITHIN = 25  # of 255 steps of grey
SURE_CORNERS = 4  # between markers of one family, which no other family's markers give
OFF_LATTICE = 0.25  # in squares: how far from its place a neighbour may seem
APART = 0.2  # in squares: how far apart two markers may see the corner between them, and refining may move it
WIDEST_MARKER, NARROWEST_MARKER = 0.95, 0.3  # in squares
HIDDEN = 0.7  # a corner with so little of the others' contrast is covered by something
LEAST_GAP_PX = 3.0  # from a corner to the markers around it
MOST_SQUARES = 64  # in a row
EXPLAINED = 0.6  # share of all pairs that a board must explain
LEAST_CORNERS, LEAST_ACROSS = 9, 3  # in a view, and in its columns and rows
MARKER = np.array([[-0.5, -0.5], [0.5, -0.5], [0.5, 0.5], [-0.5, 0.5]], np.float32)


@dataclass(frozen=True)
class MarkedLook:
    """Markers of one family in one picture, and the corners between them.

    ids : (n,). near, far : (m,), of each corner the markers on either side, as places in ``ids``; far is -1
    where only one is seen. towards : (m, 2), 1 or -1, where from the near one the corner lies: right, down.
    corners_px : (m, 2). edge_px : width of the edges, the smaller the sharper.
    """

    family: str
    ids: Ints
    near: Ints
    far: Ints
    towards: Ints
    corners_px: Array
    edge_px: float

    @property
    def pairs(self) -> int:
        """How many corners lie between two markers."""
        return int(np.count_nonzero(self.far >= 0))


@dataclass(frozen=True)
class Layout:
    """Where ids lie. squares : in a row. white_first : the top left square is white."""

    squares: int
    white_first: bool

    def cells(self, ids: Ints) -> Ints:
        """Column and row, (n, 2), of the squares with these ids."""
        # Two rows together hold as many white squares as a row has squares.
        white = int(self.white_first)
        even = (self.squares + white) // 2
        block, place = np.divmod(ids, self.squares)
        odd = (place >= even).astype(np.int64)
        column = 2 * (place - even * odd) + np.where(odd == 1, white, 1 - white)
        return np.column_stack([column, 2 * block + odd])


def markers_in(luma: Luma, families: Sequence[str]) -> MarkedLook | None:
    """The markers of the first of these families that fits, or fits best; None if none does."""
    shrink = max(1.0, luma.shape[1] / (SEARCHED_PX if len(families) == 1 else GUESSED_PX))
    size = (round(luma.shape[1] / shrink), round(luma.shape[0] / shrink))
    small = luma if shrink == 1.0 else cv2.resize(luma, size, interpolation=cv2.INTER_AREA)
    best: MarkedLook | None = None
    for family in families:
        known = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, family))
        quads, ids, others = cv2.aruco.ArucoDetector(known).detectMarkers(small)
        if (
            family == families[0]
            and sum(_is_patterned(small, quad) for quad in (*quads, *others)) < FEW_QUADS
        ):
            break
        if len(quads) < 2:
            continue
        # Pixel centres are whole numbers: the corner of the first pixel lies at -0.5 in both pictures.
        full = (np.asarray(quads, np.float64).reshape(-1, 4, 2) + 0.5) * shrink - 0.5
        look = _look(luma, family, np.ravel(ids).astype(np.int64), full)
        if look is not None and (best is None or look.pairs > best.pairs):
            best = look
            if look.pairs >= SURE_CORNERS:
                break
    return best


def layout_of(looks: Sequence[MarkedLook]) -> Layout | None:
    """The board that explains most pairs of markers; None if it does not explain most of them."""
    if not looks:
        return None
    paired = [(one, one.far >= 0) for one in looks]
    near = np.concatenate([one.ids[one.near[both]] for one, both in paired])
    far = np.concatenate([one.ids[one.far[both]] for one, both in paired])
    step = np.concatenate([one.towards[both] for one, both in paired])
    best: tuple[int, Layout] | None = None
    for squares in range(3, MOST_SQUARES + 1):
        for white_first in (False, True):
            layout = Layout(squares, white_first)
            score = int((layout.cells(far) - layout.cells(near) == step).all(axis=1).sum())
            if best is None or score > best[0]:
                best = score, layout
    return best[1] if best is not None and best[0] > EXPLAINED * len(near) else None


def board_corners(look: MarkedLook, layout: Layout) -> tuple[Ints, Array] | None:
    """Column and row of inner corners, (n, 2), from 0 at the top left, and their pixels, (n, 2).

    None if they are too few, or in line.
    """
    cells, count = layout.cells(look.ids), len(look.ids)
    right = (look.far >= 0) & (cells[look.far] - cells[look.near] == look.towards).all(axis=1)
    if not right.any():
        return None
    # Markers that hang together: what lies elsewhere is on another board, or on none.
    one, other = look.near[right], look.far[right]
    graph = coo_array((np.ones(len(one)), (one, other)), shape=(count, count))
    part = connected_components(graph, directed=False)[1]
    on_board = part == np.bincount(part[one]).argmax()
    kept = np.flatnonzero((right | (look.far < 0)) & on_board[look.near])
    at = cells[look.near[kept]] + (look.towards[kept] - 1) // 2
    inner = (at >= 0).all(axis=1) & (at[:, 0] < layout.squares - 1)
    at, kept = at[inner], kept[inner]
    # Row by row; a corner that is told twice once.
    order = np.unique(at[:, ::-1], axis=0, return_index=True)[1]
    at, kept = at[order], kept[order]
    across = min(len(np.unique(at[:, 0])), len(np.unique(at[:, 1])))
    if len(at) < LEAST_CORNERS or across < LEAST_ACROSS:
        return None
    return at, look.corners_px[kept]


def _look(luma: Luma, family: str, ids: Ints, quads: Array) -> MarkedLook | None:
    """The corners between these markers, (n, 4, 2), refined in the picture of full size."""
    count = len(ids)
    to_picture = [cv2.getPerspectiveTransform(MARKER, np.float32(quad)) for quad in quads]
    # The last row tells what lies before a marker's vanishing line: 1 at its own centre, both ways.
    to_marker = [np.linalg.inv(one) for one in to_picture]
    centres = np.array([_mapped(one, np.zeros((1, 2)))[0] for one in to_picture])
    seen = np.array([_mapped(one, centres) for one in to_marker])  # by the first marker, the second's centre
    far = np.linalg.norm(np.nan_to_num(seen, nan=1e6), axis=2) + np.diag(np.full(count, 1e6))
    # The nearest white square touches corner to corner.
    square = float(np.median(far.min(axis=1))) / 2**0.5
    if not 1 / WIDEST_MARKER <= square <= 1 / NARROWEST_MARKER:
        return None
    steps = np.nan_to_num(seen / square, nan=1e6)
    whole = np.round(steps)
    touching = (np.abs(whole) == 1).all(axis=2) & (np.abs(steps - whole) < OFF_LATTICE).all(axis=2)
    agreed = touching & touching.T & (whole == -whole.transpose(1, 0, 2)).all(axis=2)
    upper, lower = np.nonzero(agreed & (whole[..., 1] > 0))
    if not len(upper):
        return None
    step = whole[upper, lower].astype(np.int64)
    told = {(k, *way) for k, way in zip(upper.tolist(), step.tolist(), strict=True)}
    told |= {(k, *way) for k, way in zip(lower.tolist(), (-step).tolist(), strict=True)}
    ways = [(k, x, y) for k in range(count) for x in (-1, 1) for y in (-1, 1) if (k, x, y) not in told]
    alone = np.array(ways, np.int64).reshape(-1, 3)
    near = np.concatenate([upper, alone[:, 0]])
    far = np.concatenate([lower, np.full(len(alone), -1)])
    towards = np.concatenate([step, alone[:, 1:]])
    half = towards * square / 2
    one = np.array([_mapped(to_picture[k], at[None])[0] for k, at in zip(near, half, strict=True)])
    other = one.copy()
    for k in range(len(upper)):
        other[k] = _mapped(to_picture[lower[k]], -half[k][None])[0]
    start = (one + other) / 2
    # A marker seen aslant is as wide as its area tells, not as its sides do.
    longest = np.linalg.norm(np.roll(quads, -1, axis=1) - quads, axis=2).max(axis=1)
    sides = np.array([cv2.contourArea(np.float32(quad)) for quad in quads]) / longest
    side_px = np.where(far < 0, sides[near], np.minimum(sides[near], sides[far]))
    # Short of the markers, whose edges would pull the corner to themselves.
    gap_px = np.minimum((square - 1) / 2 * side_px, 0.4 * square * side_px)
    good = (np.linalg.norm(one - other, axis=1) < APART * square * side_px) & (gap_px >= LEAST_GAP_PX)
    refined = _refined(luma, start, np.clip(gap_px - 0.5, 2, 11).astype(int))
    good &= np.linalg.norm(refined - start, axis=1) < APART * square * side_px
    diagonal = towards * min((square - 1) / 2, 0.4 * square) * 0.7
    contrast = _contrast(luma, [to_picture[k] for k in near], half, diagonal)
    good &= contrast > HIDDEN * np.median(contrast[far >= 0])
    if not good.any():
        return None
    edge_px = _edge_px(luma, refined[good])
    return MarkedLook(family, ids, near[good], far[good], towards[good], refined[good], edge_px)


def _contrast(luma: Luma, to_picture: Sequence[Array], corners: Array, diagonal: Array) -> Array:
    """How much lighter both white squares are than both black ones, next to each corner.

    corners, diagonal : (n, 2), in each near marker's own plane: the corner, and how far to go from it.
    """
    across = np.column_stack([-diagonal[:, 1], diagonal[:, 0]])
    places = np.stack([corners + step for step in (diagonal, -diagonal, across, -across)], axis=1)
    at = np.array([_mapped(one, around) for one, around in zip(to_picture, places, strict=True)], np.float32)
    grey = cv2.remap(luma, at[..., 0], at[..., 1], cv2.INTER_LINEAR).astype(float)
    return np.asarray(grey[:, :2].min(axis=1) - grey[:, 2:].max(axis=1))


def _is_patterned(luma: Luma, quad: Array) -> bool:
    """Whether this quadrilateral (1, 4, 2) is more than a black square."""
    side = 16
    square = np.float32((MARKER + 0.5) * side - 0.5)
    seen = cv2.warpPerspective(luma, cv2.getPerspectiveTransform(np.float32(quad[0]), square), (side, side))
    within = seen[side // 5 : -(side // 5), side // 5 : -(side // 5)]
    dark, light = np.quantile(within, [0.05, 0.95])
    return bool(light - dark > LIGHT_WITHIN)


def _mapped(homography: Array, points: Array) -> Array:
    """Points (n, 2) through a homography, (n, 2); NaN on and beyond its vanishing line."""
    at = np.column_stack([points, np.ones(len(points))]) @ homography.T
    ahead = np.where(at[:, 2] > 1e-6, at[:, 2], np.nan)
    return np.asarray(at[:, :2] / ahead[:, None])


def _refined(luma: Luma, start: Array, reach: Ints) -> Array:
    """Corners (n, 2) refined in windows of ``reach`` (n,) px; NaN where the picture's edge cuts one."""
    stop = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_MAX_ITER, 40, 0.001)
    refined = np.full_like(start, np.nan)
    last = np.array(luma.shape[::-1]) - 1
    inside = ((start > reach[:, None] + 1) & (start < last - reach[:, None] - 1)).all(axis=1)
    for size in np.unique(reach[inside]):
        mine = inside & (reach == size)
        window = (int(size), int(size))
        seed = np.float32(start[mine]).reshape(-1, 1, 2)
        refined[mine] = cv2.cornerSubPix(luma, seed, window, (-1, -1), stop).reshape(-1, 2)
    return refined


def _edge_px(luma: Luma, corners_px: Array) -> float:
    """Width of the edges among the corners, from 10 to 90 % as if they were blurred by a Gaussian.

    Across such an edge of contrast C and sd s the slope g has sum(g) / sum(g^2) = 2 sqrt(pi) s / C.
    """
    left, top = np.maximum(np.floor(corners_px.min(axis=0)).astype(int) - 2, 0)
    right, bottom = np.ceil(corners_px.max(axis=0)).astype(int) + 3
    part = luma[top:bottom, left:right].astype(np.float32)
    within = np.zeros(part.shape, np.uint8)
    cv2.fillConvexPoly(within, cv2.convexHull(np.int32(np.round(corners_px - [left, top]))), 1)
    low, high = np.quantile(part[within == 1], [0.1, 0.9])
    slope = np.hypot(*np.gradient(part))[within == 1]
    slope = slope[slope > 0.1 * (high - low)]
    if not len(slope):
        return float("inf")
    sd_px = float(slope.sum() / (slope**2).sum()) * float(high - low) / (2 * np.pi**0.5)
    return float(2 * 1.2816 * sd_px)
