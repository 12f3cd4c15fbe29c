"""The measured horizon drawn on a picture, so that a person can judge it by eye."""

import cv2
import numpy as np
from numpy.typing import NDArray

from .angles import directions
from .lens import Lens, pixels

__all__ = ["draw_horizon"]

LINE_BGR = (60, 110, 255)
LEVEL_BGR = (255, 255, 255)


def draw_horizon(
    picture: NDArray[np.uint8], lens: Lens, up_cam: NDArray[np.float64], *, dip_rad: float = 0.0
) -> NDArray[np.uint8]:
    """Copy of a BGR picture (height, width, 3) with the measured horizon on it, exact through the lens.

    The line is broken at short intervals, so that the edge below it stays visible; a thin white line through
    its middle shows where a level camera would have it.
    """
    drawn = picture.copy()
    thick = max(1, round(max(picture.shape[:2]) / 640))
    points = pixels(lens, directions(up_cam, np.radians(np.linspace(-100, 100, 801)), -dip_rad))
    inside = np.asarray(np.isfinite(points).all(axis=1))
    inside &= (points >= -50).all(axis=1) & (points <= np.array(picture.shape[1::-1]) + 50).all(axis=1)
    _level_line(drawn, points[inside], up_cam, thick)
    for k in range(len(points) - 1):
        if inside[k] and inside[k + 1] and k % 8 < 6:
            ends = [tuple(round(c * 16) for c in points[j]) for j in (k, k + 1)]
            cv2.line(drawn, ends[0], ends[1], LINE_BGR, thick, cv2.LINE_AA, 4)
    return drawn


def _level_line(
    drawn: NDArray[np.uint8], points: NDArray[np.float64], up_cam: NDArray[np.float64], thick: int
) -> None:
    """Thin line through the middle of the horizon, horizontal (vertical for a camera held in portrait)."""
    if len(points) == 0:
        return
    middle = points[len(points) // 2]
    height, width = drawn.shape[:2]
    upright = abs(up_cam[1]) >= abs(up_cam[0])
    at = round(float(middle[1] if upright else middle[0]))
    ends = ((0, at), (width - 1, at)) if upright else ((at, 0), (at, height - 1))
    cv2.line(drawn, ends[0], ends[1], LEVEL_BGR, max(1, thick // 2), cv2.LINE_AA)
