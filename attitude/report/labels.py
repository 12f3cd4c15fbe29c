"""Names written beside what they name, where nothing is in the way.

Of the places above and below a line or a group of points, the first is taken in whose box the fewest points
of other things lie and no other name. All is in points of the figure: axes know their box and their limits
before a name is placed in them.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from matplotlib.axes import Axes
from matplotlib.text import Text
from matplotlib.transforms import BboxBase
from numpy.typing import ArrayLike, NDArray

from attitude.report.look import POINTS_PER_IN

__all__ = ["Crowd", "beside", "crowd_in", "width_of"]

Array = NDArray[np.float64]

PLACES, GAP, STEP = 25, 3.0, 3.0
NAME_WEIGHT = 1000.0
MARKER_ROOM = "   "


@dataclass(frozen=True)
class Crowd:
    """What is drawn in some axes so far: points (n, 2) of each thing, and boxes (x0, y0, x1, y1) of names."""

    points: list[Array] = field(default_factory=list)
    boxes: list[tuple[float, float, float, float]] = field(default_factory=list)


def crowd_in(crowd: Crowd, axes: Axes, x: ArrayLike, low: ArrayLike, high: ArrayLike) -> None:
    """Add bars from low to high at each x, shape (n,), in the axes' units; those with NaN are left out."""
    for across, bottom, top in zip(*_in_points(axes, x, low, high), strict=True):
        y = np.arange(bottom, top + STEP, STEP)
        crowd.points.append(np.stack([np.full(len(y), across), y], axis=1))


def beside(
    axes: Axes,
    crowd: Crowd,
    words: str,
    x: ArrayLike,
    low: ArrayLike,
    high: ArrayLike,
    *,
    colour: str | None = None,
    marker: str = "",
) -> Text:
    """Write words above or below the band from low to high at x, shape (n,), in the axes' units.

    colour : of the words, or of the marker that stands before them where there is one.
    """
    # In inches, which stay where they are at every sharpness.
    in_inches = axes.figure.dpi_scale_trans
    text = axes.text(0, 0, words, transform=in_inches, ha="center", va="center_baseline")
    if marker:
        text.set(text=f"{MARKER_ROOM}{words}", weight="bold")
    elif colour:
        text.set_color(colour)
    size = text.get_window_extent()
    box = _free_box((size.width, size.height), axes.bbox, _in_points(axes, x, low, high), crowd)
    crowd.boxes.append(box)
    middle = (box[1] + box[3]) / 2 / POINTS_PER_IN
    text.set_position(((box[0] + box[2]) / 2 / POINTS_PER_IN, middle))
    if marker:
        left = (box[0] + 4.0) / POINTS_PER_IN
        axes.plot([left], [middle], marker, color=colour, transform=in_inches, markersize=6)
    return text


def _free_box(
    size: tuple[float, float], frame: BboxBase, bars: tuple[Array, Array, Array], crowd: Crowd
) -> tuple[float, float, float, float]:
    """The box of that width and height, within the frame, beside the bars, in which the least is."""
    half_width, half_height = size[0] / 2, size[1] / 2
    across, bottom, top = bars
    points = np.concatenate([*crowd.points, np.zeros((0, 2))])
    inside = (frame.x0 + half_width + GAP, frame.x1 - half_width - GAP)
    middles: list[tuple[float, float]] = []
    for centre in np.unique(np.clip(np.linspace(across.min(), across.max(), PLACES), *inside)):
        off = np.abs(across - centre)
        under = off <= max(half_width + GAP, off.min())
        middles += [(centre, top[under].max() + GAP + half_height)]
        middles += [(centre, bottom[under].min() - GAP - half_height)]
    # Where the bars fill the height, beside them.
    across_it = (bottom.min() + top.max()) / 2
    middles += [(across.max() + GAP + half_width, across_it), (across.min() - GAP - half_width, across_it)]
    best, least = (frame.x0, frame.y0, frame.x0 + size[0], frame.y0 + size[1]), np.inf
    for x, y in middles:
        box = (x - half_width, y - half_height, x + half_width, y + half_height)
        whole = frame.x0 <= box[0] and box[2] <= frame.x1 and frame.y0 <= box[1] and box[3] <= frame.y1
        taken = NAME_WEIGHT * sum(_overlap(box, other) for other in crowd.boxes) + _within(points, box)
        if whole and taken < least:
            best, least = box, taken
    return best


def width_of(text: Text) -> float:
    """Width of a text, points."""
    return float(text.get_window_extent().width)


def _in_points(axes: Axes, x: ArrayLike, low: ArrayLike, high: ArrayLike) -> tuple[Array, Array, Array]:
    """Bars in points of the figure, cut off at the axes' edges, those with NaN left out."""
    bars = np.stack([np.asarray(one, float) for one in (x, low, high)])
    across, *ends = bars[:, np.isfinite(bars).all(axis=0)]
    lower, upper = (axes.transData.transform(np.stack([across, y], axis=1)) for y in ends)
    frame = axes.bbox
    return lower[:, 0], *(np.clip(one[:, 1], frame.y0, frame.y1) for one in (lower, upper))


def _overlap(one: Sequence[float], other: Sequence[float]) -> bool:
    return one[0] < other[2] and other[0] < one[2] and one[1] < other[3] and other[1] < one[3]


def _within(points: Array, box: tuple[float, float, float, float]) -> int:
    x, y = points.T
    return int(np.count_nonzero((x > box[0]) & (x < box[2]) & (y > box[1]) & (y < box[3])))
