"""How fast the camera pans, from the picture alone, for aligning clocks.

A band just below the measured horizon is unrolled into azimuth and elevation, so that roll and pitch drop
out and a pan is a plain sideways shift; phase correlation (Kuglin and Hines, 1975) of neighbouring looks
gives that shift. The band below the horizon is used because its texture is far away and there always is some;
sky bands shift only where there are strong clouds.
"""

import cv2
import numpy as np
from numpy.typing import NDArray

from .angles import directions
from .lens import Lens, pixels

__all__ = ["band", "pan_shift_deg"]

Array32 = NDArray[np.float32]

WIDTH, HEIGHT = 256, 32
NEAREST_DEG, FARTHEST_DEG = 0.6, 9.0
LEAST_RESPONSE = 0.08


def band(luma: NDArray[np.uint8], lens: Lens, up_cam: NDArray[np.float64], reach_deg: float) -> Array32:
    """Unrolled band below the horizon, (HEIGHT, WIDTH): azimuth -reach..reach, horizontal gradient only.

    Parts outside the picture are zero.
    """
    azimuth = np.radians(np.linspace(-reach_deg, reach_deg, WIDTH))
    below = np.radians(np.linspace(NEAREST_DEG, FARTHEST_DEG, HEIGHT))
    level = directions(up_cam, azimuth)
    ray = level[None] * np.cos(below)[:, None, None] - np.sin(below)[:, None, None] * up_cam
    place = pixels(lens, ray.reshape(-1, 3)).reshape(HEIGHT, WIDTH, 2)
    seen = np.asarray(np.isfinite(place).all(axis=2))
    place = np.where(seen[..., None], place, -10).astype(np.float32)
    grey = cv2.remap(
        luma, place[..., 0], place[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=0
    ).astype(np.float32)
    seen &= (place[..., 0] > 1) & (place[..., 0] < lens.width_px - 2)
    seen &= (place[..., 1] > 1) & (place[..., 1] < lens.height_px - 2)
    gradient = cv2.Sobel(grey, cv2.CV_32F, 1, 0)
    inner = cv2.erode(seen.astype(np.uint8), np.ones((1, 5), np.uint8)).astype(bool)
    limit = max(3 * float(np.median(np.abs(gradient[inner]))), 2.0) if inner.any() else 1.0
    return np.where(inner, np.clip(gradient, -limit, limit), 0).astype(np.float32)


def pan_shift_deg(before: Array32, after: Array32, reach_deg: float) -> float:
    """Turn to the right, deg, between two bands; NaN where they do not match."""
    if not before.any() or not after.any():
        return float("nan")
    window = cv2.createHanningWindow((WIDTH, HEIGHT), cv2.CV_32F)
    (shift_px, _), response = cv2.phaseCorrelate(before, after, window)
    if response < LEAST_RESPONSE or abs(shift_px) > WIDTH / 4:
        return float("nan")
    # What turns right sees the scene move left.
    return float(-shift_px * 2 * reach_deg / (WIDTH - 1))
