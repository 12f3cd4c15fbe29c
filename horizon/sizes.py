"""A frame at the two sizes at which it is looked at.

Lines are fitted at its own size; they are searched, and what lies on either side of them is looked at, in the
reduced picture.
"""

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from .coarse import Area, picture_area
from .lens import Lens, scaled
from .sides import Sides

__all__ = ["SMALL_PX", "Look", "Scale", "full_size", "look_at", "reduced_too"]

Luma = NDArray[np.uint8]

SMALL_PX, SMALL_HALF_PX, SMALL_GROUP_PX = 480, 12, 4
# Half a profile, and the width of a group of them, at the size of 1920 px.
HALF_PX, GROUP_PX, LEAST_GROUP_PX = 14, 8, 3


@dataclass(frozen=True)
class Scale:
    """A picture at one size. area : inside black bars. half_px, group_px : reach and width of its profiles.

    covered : above 0 where something is burnt into it.
    """

    luma: Luma
    lens: Lens
    area: Area
    half_px: int
    group_px: int
    covered: Luma | None


@dataclass(frozen=True)
class Look:
    """A frame prepared for measuring: full size, reduced, and the sides of lines in the reduced picture."""

    full: Scale
    small: Scale
    sides: Sides


def look_at(luma: Luma, lens: Lens, covered: Luma | None = None) -> Look:
    """Prepare a frame: black bars found, the picture reduced."""
    return reduced_too(full_size(luma, lens, covered))


def full_size(luma: Luma, lens: Lens, covered: Luma | None) -> Scale:
    """A frame at its own size, black bars found."""
    larger = max(lens.width_px, lens.height_px) / 1920
    half_px, group_px = round(HALF_PX * max(1.0, larger)), max(LEAST_GROUP_PX, round(GROUP_PX * larger))
    return Scale(luma, lens, picture_area(luma), half_px, group_px, covered)


def reduced_too(full: Scale) -> Look:
    """The same, reduced as well."""
    small = _reduced(full)
    return Look(full, small, Sides(small.luma, small.lens, small.area, small.covered))


def _reduced(full: Scale) -> Scale:
    lens, area = full.lens, full.area
    shrink = min(1.0, SMALL_PX / max(lens.width_px, lens.height_px))
    luma = full.luma
    if shrink < 1:
        width, height = round(lens.width_px * shrink), round(lens.height_px * shrink)
        luma = np.asarray(cv2.resize(luma, (width, height), interpolation=cv2.INTER_AREA), np.uint8)
        lens = scaled(lens, width, height)
        area = (
            int(np.ceil(area[0] * shrink)) + (area[0] > 0),
            int(np.ceil(area[1] * shrink)) + (area[1] > 0),
            int(area[2] * shrink) - (area[2] < full.lens.width_px),
            int(area[3] * shrink) - (area[3] < full.lens.height_px),
        )
    covered = full.covered
    if covered is not None:
        covered = np.asarray(cv2.resize(covered, luma.shape[::-1], interpolation=cv2.INTER_NEAREST), np.uint8)
    return replace(
        full,
        luma=luma,
        lens=lens,
        area=area,
        half_px=SMALL_HALF_PX,
        group_px=SMALL_GROUP_PX,
        covered=covered,
    )
