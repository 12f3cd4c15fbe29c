"""Lens models with some of their terms free, and which of them views that were held back ask for.

A term too many fits the noise of the views it saw, one too few bends all others: both show on views that were
held back. Of the candidates that are no worse there than the best by more than one standard error of the
difference, view by view, the one with the fewest terms is taken (the one-standard-error rule of L. Breiman
and others, "Classification and regression trees", 1984).
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .lens import Lens, pixels, rays

__all__ = ["Candidate", "Tried", "field_of_view_deg", "simplest_good", "whole"]

Array = NDArray[np.float64]

AS_GOOD = 0.02  # of the mean square


@dataclass(frozen=True)
class Candidate:
    """A lens model with some of its terms free. radial : how many, lowest powers first."""

    model: str
    radial: int
    tangential: bool = False

    @property
    def terms(self) -> tuple[str, ...]:
        """Names of its free terms of distortion, in OpenCV's words."""
        radial = tuple(f"k{k + 1}" for k in range(self.radial))
        return (*radial, "p1", "p2") if self.tangential else radial


@dataclass(frozen=True)
class Tried:
    """A candidate and its error on held-back views, px rms."""

    candidate: Candidate
    held_back_px: float


def field_of_view_deg(lens: Lens) -> float:
    """Angle, deg, between the rays at the picture's left and right edges, at the principal point's height."""
    left, right = rays(lens, [[-0.5, lens.cy_px], [lens.width_px - 0.5, lens.cy_px]])
    # Each from the axis: a fisheye may see more than half a turn.
    return math.degrees(sum(math.atan2(math.hypot(x, y), z) for x, y, z in (left, right)))


def simplest_good(errors: Mapping[Candidate, Array]) -> Candidate:
    """The one-standard-error rule, on differences from the best view by view.

    errors : mean square of each held-back view, px^2, shape (views,). Where points are seen to hundredths of
    a pixel the standard error is smaller than what the detector itself bends, so that a hundredth of the rms
    is allowed in any case.
    """
    best = min(errors, key=lambda one: float(errors[one].mean()))

    def good(one: Candidate) -> bool:
        more = errors[one] - errors[best]
        allowed = max(more.std(ddof=1) / math.sqrt(len(more)), AS_GOOD * errors[best].mean())
        return bool(more.mean() <= allowed)

    return min(filter(good, errors), key=lambda one: (len(one.terms), float(errors[one].mean())))


def whole(lens: Lens) -> bool:
    """Whether every pixel has one ray: polynomials may turn back before the picture's corner."""
    x, y = (np.linspace(-0.5, size - 0.5, 25) for size in (lens.width_px, lens.height_px))
    grid = np.array([(a, b) for a in x for b in y])
    back = pixels(lens, rays(lens, grid))
    return bool(np.nanmax(np.abs(back - grid)) < 0.01 and np.isfinite(back).all())
