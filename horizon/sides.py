"""The two sides of a line: what lies directly along it, around it, and as far as the picture reaches.

A sky is smooth (little gradient), even (its greys lie close together) and, by day, brighter than what lies
below it; none of these is sure by itself, so they are only gathered here, and weighed in
:mod:`horizon.verify`. They are read off the reduced picture.
"""

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from .coarse import gradients
from .lens import Lens, rays

__all__ = ["Bands", "Sides", "TwoSides"]

Array = NDArray[np.float64]

# Greys are compared close to the line, where clouds have faded into haze; texture is judged further out too.
NEAREST_PX, NEAR_PX, FAR_PX = 5, 40, 110
FEWEST_PX = 60
STRIDE_PX = 2
GREYS = 256


@dataclass(frozen=True)
class Bands:
    """Two bands along a line, towards and away from up.

    ``grey``: median; ``uneven``: 1.48 x median absolute deviation of the grey; ``gradient`` and ``rough``:
    upper quartile and upper twentieth of the gradient, grey levels per pixel of the reduced picture.
    """

    grey: tuple[float, float]
    uneven: tuple[float, float]
    gradient: tuple[float, float]
    rough: tuple[float, float]


@dataclass(frozen=True)
class TwoSides:
    """What lies on either side of a line: ``near`` it, ``around`` it, and in the ``whole`` picture.

    ``share``: of the picture that lies towards up. ``brighter_grey``: median grey of the side towards up
    minus that of the other.
    """

    near: Bands
    around: Bands
    whole: Bands
    share: float

    @property
    def brighter_grey(self) -> float:
        """Median grey of the side towards up minus that of the other, near the line."""
        return self.near.grey[0] - self.near.grey[1]


class Sides:
    """A picture prepared for looking at both sides of any line through it."""

    def __init__(
        self,
        luma: NDArray[np.uint8],
        lens: Lens,
        area: tuple[int, int, int, int],
        covered: NDArray[np.uint8] | None = None,
    ) -> None:
        picture = np.asarray(cv2.GaussianBlur(luma, (0, 0), 0.8), np.uint8)
        gx, gy = gradients(picture.astype(np.float32))
        left, top, right, bottom = area
        rows = slice(top + 2, bottom - 2, STRIDE_PX)
        columns = slice(left + 2, right - 2, STRIDE_PX)
        ray = _ray_grid(lens)[rows, columns]
        seen = np.ones(ray.shape[:2], bool) if covered is None else covered[rows, columns] == 0
        self._grey = picture[rows, columns][seen]
        self._gradient = np.hypot(gx[rows, columns], gy[rows, columns])[seen]
        self._rays = ray[seen]
        self._pixel = lens.pixel_rad

    def at(self, up_cam: Array) -> TwoSides | None:
        """Both sides of the line whose up vector, either way round, is ``up_cam``.

        None where one side is hardly in the picture.
        """
        height_px = self._rays @ up_cam / self._pixel
        bands = [self._between(height_px, NEAREST_PX, reach) for reach in (NEAR_PX, FAR_PX, float("inf"))]
        near, around, whole = bands
        if near is None or around is None or whole is None:
            return None
        return TwoSides(near, around, whole, float(np.mean(height_px > 0)))

    def _between(self, height_px: Array, low_px: float, high_px: float) -> Bands | None:
        """The two bands between these distances from the line; None where one is hardly in the picture."""
        masks = [(side * height_px > low_px) & (side * height_px < high_px) for side in (1, -1)]
        if min(int(mask.sum()) for mask in masks) < FEWEST_PX:
            return None
        sides = [_statistics(self._grey[mask], self._gradient[mask]) for mask in masks]
        grey, uneven, gradient, rough = ((one, other) for one, other in zip(*sides, strict=True))
        return Bands(grey, uneven, gradient, rough)


@lru_cache(maxsize=4)
def _ray_grid(lens: Lens) -> Array:
    """Rays of all pixels, (height, width, 3)."""
    x, y = np.meshgrid(np.arange(lens.width_px, dtype=float), np.arange(lens.height_px, dtype=float))
    return rays(lens, np.column_stack([x.ravel(), y.ravel()])).reshape(lens.height_px, lens.width_px, 3)


def _statistics(grey: NDArray[np.uint8], gradient: NDArray[np.float32]) -> tuple[float, float, float, float]:
    count = np.bincount(grey, minlength=GREYS)
    middle = _median(np.arange(GREYS), count)
    away = np.abs(np.arange(GREYS) - middle)
    order = np.argsort(away, kind="stable")
    quartile, twentieth = _quantiles(gradient, (0.75, 0.95))
    return middle, 1.4826 * _median(away[order], count[order]), quartile, twentieth


def _median(values: NDArray[Any], count: NDArray[np.intp]) -> float:
    """Median of rising values that occur so many times."""
    upto = np.cumsum(count)
    half = [(upto[-1] - 1) // 2, upto[-1] // 2]
    low, high = values[np.searchsorted(upto, half, side="right")]
    return (float(low) + float(high)) / 2


def _quantiles(values: NDArray[np.float32], shares: tuple[float, ...]) -> list[float]:
    """Quantiles, linear between neighbours; one sorting for all, and only as far as they need it."""
    places = [share * (len(values) - 1) for share in shares]
    below = [int(place) for place in places]
    parted = np.partition(values, [k for low in below for k in (low, min(low + 1, len(values) - 1))])
    ends = [(float(parted[low]), float(parted[min(low + 1, len(values) - 1)])) for low in below]
    return [
        low + (place - k) * (high - low) for (low, high), place, k in zip(ends, places, below, strict=True)
    ]
