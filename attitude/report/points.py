"""What the plots of single means share: points with their bars, poses, and leans in words and on axes."""

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.axis import Axis
from matplotlib.ticker import FuncFormatter, MaxNLocator
from numpy.typing import ArrayLike, NDArray

from attitude.report.drawn import COLOURS
from attitude.report.labels import Crowd, beside
from attitude.words import places

__all__ = [
    "PORTRAIT",
    "UPRIGHT",
    "UPSIDE_DOWN",
    "draw_points",
    "every",
    "lean_axis",
    "lean_range_words",
    "name_points",
    "parted",
    "pose_names",
    "poses_of",
    "room",
    "said",
    "side_words",
    "sizes_only",
    "tolerance_band",
]

Array = NDArray[np.float64]

UPRIGHT, UPSIDE_DOWN, PORTRAIT = "upright", "upside-down", "portrait"
MARKERS = {UPRIGHT: "o", UPSIDE_DOWN: "v", PORTRAIT: "s"}
MOST_POINTS = 400
WORDS_ROOM = 15.0  # points that words along an axes' edge take
NEAR_END = 4.0  # points
AWAY = 30.0  # of the words about an axis from it


def pose_names(pose_deg: ArrayLike) -> NDArray[np.str_]:
    """Name of each pose, shape (n,), for 0, 180 and +-90 deg."""
    size = np.abs(np.asarray(pose_deg, float))
    return np.where(size < 45, UPRIGHT, np.where(size > 135, UPSIDE_DOWN, PORTRAIT))


def poses_of(names: NDArray[np.str_]) -> list[str]:
    """Those of the poses that occur, in the order in which they are drawn and told."""
    return [pose for pose in MARKERS if (names == pose).any()]


def name_points(axes: Axes, crowd: Crowd, pose: str, x: ArrayLike, low: ArrayLike, high: ArrayLike) -> None:
    """Name of a pose beside its points, behind their marker."""
    beside(axes, crowd, said(pose), x, low, high, marker=MARKERS[pose], colour=COLOURS[pose][0])


def said(pose: str) -> str:
    """Name of a pose within a sentence."""
    return pose.replace("-", " ")


def every(count: int) -> int:
    """Of how many points one is drawn, so that a long shoot is not a blot."""
    return -(-count // MOST_POINTS)


def draw_points(axes: Axes, x: Array, y: Array, half: Array, pose: str) -> None:
    """Points of one pose, each with a bar from y - half to y + half."""
    colour = COLOURS[pose][0]
    bars = np.stack([y - half, y + half, np.full(len(y), np.nan)], axis=1).ravel()
    axes.plot(np.repeat(x, 3), bars, color=colour, linewidth=0.9, alpha=0.55, solid_capstyle="butt")
    axes.plot(x, y, linestyle="", marker=MARKERS[pose], color=colour, alpha=0.85)


def tolerance_band(axes: Axes, tolerance_deg: float) -> None:
    """The band within tolerance, its edges, and level."""
    axes.axhspan(-tolerance_deg, tolerance_deg, color=COLOURS["tolerance"][0], zorder=0)
    for y_deg in (-tolerance_deg, 0.0, tolerance_deg):
        axes.axhline(y_deg, color=COLOURS["faint"][0], linewidth=0.8 if y_deg == 0 else 0.4, zorder=0.5)


def room(low_deg: float, high_deg: float, height: float, top: float, bottom: float) -> tuple[float, float]:
    """Limits of an axis of so many points that leave ``top`` and ``bottom`` points beside low to high."""
    per_point = (high_deg - low_deg) / max(height - top - bottom, 1.0)
    return low_deg - bottom * per_point, high_deg + top * per_point


def lean_axis(axes: Axes, crowd: Crowd, *, words: bool = True, foot: float = 0.0) -> None:
    """Leans without a sign: sizes at the ticks, and the sides in words within the axes' left corners.

    With ``words`` the limits must leave ``WORDS_ROOM`` above, and below as much and ``foot`` points.
    """
    sizes_only(axes.yaxis)
    if not words:
        return
    for side, corner, above, align in (("right", 1, -1.0, "top"), ("left", 0, foot + 2.0, "bottom")):
        arrow = "\N{UPWARDS ARROW}" if corner else "\N{DOWNWARDS ARROW}"
        text = axes.annotate(
            f"{arrow} {side} side low, deg",
            (0, corner),
            (4, above),
            xycoords="axes fraction",
            textcoords="offset points",
            va=align,
            color=COLOURS["faint"][0],
        )
        crowd.boxes.append(text.get_window_extent().extents)


def sizes_only(axis: Axis) -> None:
    """Ticks without a sign, for an axis whose sides are told in words; its limits must stand."""
    low, high = axis.get_view_interval()
    box = axis.axes.bbox
    # Close to an end a number would run into those of the other axis, or into what stands above.
    edge = NEAR_END * (high - low) / (box.height if axis is axis.axes.yaxis else box.width)
    ticks = MaxNLocator(nbins=5, steps=[1, 2, 5, 10]).tick_values(low, high)
    axis.set_ticks([tick for tick in ticks if low + edge <= tick <= high - edge])
    axis.set_major_formatter(FuncFormatter(lambda value, _: f"{abs(value):g}"))


def side_words(axis: Axis, low: str, middle: str, high: str) -> None:
    """What an axis shows, in its middle, and at its ends what lies that way; no ends where they are empty."""
    axes = axis.axes
    upright = axis is axes.yaxis
    placed = [(0.5, "center", middle)]
    if low and high:
        placed += [
            (0.0, "left", f"\N{LEFTWARDS ARROW} {low}"),
            (1.0, "right", f"{high} \N{RIGHTWARDS ARROW}"),
        ]
    for at, align, words in placed:
        axes.annotate(
            words,
            (0, at) if upright else (at, 0),
            (-AWAY, 0) if upright else (0, -AWAY),
            xycoords="axes fraction",
            textcoords="offset points",
            rotation=90 if upright else 0,
            rotation_mode="anchor",
            ha=align,
            va="baseline",
        )


def parted(cells: pd.DataFrame, run: NDArray[np.intp], width: float) -> pd.DataFrame:
    """Cells, their place in the first column, with a row of NaN between two runs, so that no line joins them.

    run : shape (n,), number of the run that each belongs to. A run of a single cell is drawn a ``width``
    long: a point would not be seen.
    """
    parts: list[pd.DataFrame] = []
    for _, part in cells.groupby(run, sort=False):
        if len(part) == 1:
            part = pd.concat([part, part])
            part.iloc[:, 0] += np.array([-0.5, 0.5]) * width
        parts += [part, pd.DataFrame(np.nan, index=[0], columns=cells.columns)]
    return pd.concat(parts[:-1], ignore_index=True)


def lean_range_words(lean_deg: ArrayLike, half_deg: float) -> str:
    """``right side low by 0.31 to 0.52 deg``, to the digits that half an interval allows."""
    digits = places(half_deg)
    low, high = (round(float(end(lean_deg)), digits) + 0.0 for end in (np.min, np.max))
    if low == high == 0:
        return f"level to {half_deg:.{digits}f} deg"
    if low < 0 < high:
        return f"left side low by {-low:.{digits}f} deg to right side low by {high:.{digits}f} deg"
    side, near, far = ("right", low, high) if high > 0 else ("left", -high + 0.0, -low)
    sizes = f"{far:.{digits}f}" if near == far else f"{near:.{digits}f} to {far:.{digits}f}"
    return f"{side} side low by {sizes} deg"
