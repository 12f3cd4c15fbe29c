"""The two sides of a line: is one of them a sky, and which.

Three cues, none of them sure by itself: a sky is smooth (little gradient), even (its greys lie close
together) and, by day, brighter than what lies below it. They are read off the reduced picture between a few
pixels and about a fifth of the picture away from the line.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from .lens import Lens, rays

__all__ = ["Sides", "TwoSides"]

Array = NDArray[np.float64]

# Greys are compared close to the line, where clouds have faded into haze; texture is judged further out too.
NEAR_PX, MIDDLE_PX, FAR_PX = 5, 40, 110
FEWEST_PX = 60
# Limits set on drawn frames, real strips and pictures without a horizon: three quarters of a sky's pixels
# have a gradient below about 2 grey levels per pixel; buildings, foliage and ground lie above.
SKY_GRADIENT_GREY = 1.7
SKY_UNEVENNESS = 0.45
LEAST_CONTRAST_GREY = 18.0
# Snow or sand may outshine a dull sky, but most dark smooth sides of a line are water, walls or pavements.
DARK_SKY = 0.35


@dataclass(frozen=True)
class TwoSides:
    """What lies on either side of a line.

    ``brighter_grey``: median grey of the side towards ``up_cam`` minus that of the other. ``smoother``: log
    of the other side's gradient over this side's. ``sky_likeness``: 0 to 1, that one side or the other is a
    sky and the other is not.
    """

    brighter_grey: float
    smoother: float
    sky_likeness: float


class Sides:
    """A picture prepared for looking at both sides of any line through it."""

    def __init__(self, luma: NDArray[np.uint8], lens: Lens, area: tuple[int, int, int, int]) -> None:
        picture = cv2.GaussianBlur(luma, (0, 0), 0.8).astype(np.float32)
        gx = cv2.Scharr(picture, cv2.CV_32F, 1, 0, scale=1 / 32)
        gy = cv2.Scharr(picture, cv2.CV_32F, 0, 1, scale=1 / 32)
        left, top, right, bottom = area
        rows = slice(top + 2, bottom - 2, 2)
        columns = slice(left + 2, right - 2, 2)
        x, y = np.meshgrid(np.arange(luma.shape[1])[columns], np.arange(luma.shape[0])[rows])
        self._grey = picture[rows, columns].ravel()
        self._gradient = np.hypot(gx, gy)[rows, columns].ravel()
        self._rays = rays(lens, np.column_stack([x.ravel(), y.ravel()]))
        self._pixel = lens.pixel_rad

    def at(self, up_cam: Array) -> TwoSides:
        """Both sides of the line whose up vector, either way round, is ``up_cam``."""
        height_px = self._rays @ up_cam / self._pixel
        near = self._between(height_px, NEAR_PX, MIDDLE_PX)
        whole = self._between(height_px, NEAR_PX, FAR_PX)
        if near is None or whole is None:
            return TwoSides(0.0, 0.0, 0.0)
        likeness = 0.0
        for sky, ground in ((0, 1), (1, 0)):
            contrast = abs(near.grey[sky] - near.grey[ground])
            smooth = 1 / (1 + (whole.gradient[sky] / SKY_GRADIENT_GREY) ** 4)
            calmer = 1 / (1 + (whole.gradient[sky] / max(1.6 * whole.gradient[ground], 0.3)) ** 4)
            different = 1 - np.exp(-((contrast / LEAST_CONTRAST_GREY) ** 2))
            # Clouds leave the sky even close to the line, distant hills leave it even further up.
            even = max(_evenness(near, sky, ground), _evenness(whole, sky, ground))
            usual = 1.0 if near.grey[sky] >= near.grey[ground] else DARK_SKY
            likeness = max(likeness, float(usual * smooth * even * different * calmer))
        smoother = float(np.log((whole.gradient[1] + 0.2) / (whole.gradient[0] + 0.2)))
        return TwoSides(near.grey[0] - near.grey[1], smoother, likeness)

    def _between(self, height_px: Array, low_px: float, high_px: float) -> "_Bands | None":
        """The two bands between these distances from the line; None where one is hardly in the picture."""
        masks = [(side * height_px > low_px) & (side * height_px < high_px) for side in (1, -1)]
        if min(int(mask.sum()) for mask in masks) < FEWEST_PX:
            return None
        grey = [float(np.median(self._grey[mask])) for mask in masks]
        uneven = [
            1.4826 * float(np.median(np.abs(self._grey[mask] - middle)))
            for mask, middle in zip(masks, grey, strict=True)
        ]
        gradient = [float(np.percentile(self._gradient[mask], 75)) for mask in masks]
        return _Bands((grey[0], grey[1]), (uneven[0], uneven[1]), (gradient[0], gradient[1]))


@dataclass(frozen=True)
class _Bands:
    """Medians of grey, their unevenness, and the upper quartile of the gradient, towards and away from up."""

    grey: tuple[float, float]
    uneven: tuple[float, float]
    gradient: tuple[float, float]


def _evenness(bands: _Bands, sky: int, ground: int) -> float:
    contrast = abs(bands.grey[sky] - bands.grey[ground])
    return 1 / (1 + (bands.uneven[sky] / max(SKY_UNEVENNESS * contrast, 1.0)) ** 4)
