"""What is burnt into the picture: text, bars, marks, found by pixels that never change.

Over looks spread through the clip, a pixel of the scene changes as the camera or the light moves; one of a
burnt-in mark keeps its value to within what the encoder does. Sharp edges that never change are therefore
marks, with two exceptions: a camera that hardly moves at all (a tripod, a perfect hover) says nothing, since
its horizon stays where it is just as a mark does; and what runs through the picture may be the horizon.
"""

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from .coarse import gradients

__all__ = ["MASK_PX", "burnt_in", "may_be_burnt_in"]

Luma = NDArray[np.uint8]

MASK_PX = 480
FEWEST_LOOKS = 6
STILL_GREY = 8
SHARP_GREY = 12.0
FEWEST_PX = 12
# A camera that moves sweeps its horizon over this share of the picture, which then changes by so much once
# waves and leaves are blurred away.
BLUR_PX, MOVED_SHARE, MOVED_GREY = 4.0, 0.03, 6.0
# A mark is shorter than this share of the picture's width; a horizon is not.
LONGEST_MARK = 0.35
GROW_PX = 5


def may_be_burnt_in(looks: Sequence[Luma]) -> bool:
    """Whether more looks at the same clip may show a mark: what these show to change is none.

    A mark may be missed whose edges are sharp enough in all looks alone, and not in these. ``looks``: as for
    :func:`burnt_in`, and at least as many as that needs; else it may always be.
    """
    if len(looks) < FEWEST_LOOKS:
        return True
    still = _still(np.stack(looks)).astype(np.uint8)
    joined = cv2.morphologyEx(still, cv2.MORPH_CLOSE, np.ones((7, 9), np.uint8))
    boxes = cv2.connectedComponentsWithStats(joined, connectivity=8)[2]
    return bool((boxes[1:, cv2.CC_STAT_AREA] >= FEWEST_PX).any())


def burnt_in(looks: Sequence[Luma]) -> Luma | None:
    """Mask (reduced height, ``MASK_PX`` wide or less) above 0 on marks; None where there are none.

    ``looks``: reduced lumas of one size, spread over the clip.
    """
    if len(looks) < FEWEST_LOOKS:
        return None
    stack = np.stack(looks)
    blurred = np.stack([cv2.GaussianBlur(one, (0, 0), BLUR_PX) for one in looks])
    if np.quantile(blurred.std(axis=0), 1 - MOVED_SHARE) < MOVED_GREY:
        return None
    still = _still(stack).astype(np.uint8)
    joined = cv2.morphologyEx(_without_long_lines(still), cv2.MORPH_CLOSE, np.ones((7, 9), np.uint8))
    count, labels, boxes, _ = cv2.connectedComponentsWithStats(joined, connectivity=8)
    mask = np.zeros_like(joined)
    for k in range(1, count):
        _, _, width, height, area = boxes[k]
        if area >= FEWEST_PX and max(width, height) < LONGEST_MARK * joined.shape[1]:
            mask[labels == k] = 255
    if not mask.any():
        return None
    return np.asarray(cv2.dilate(mask, np.ones((GROW_PX, GROW_PX), np.uint8)), np.uint8)


def _still(stack: Luma) -> NDArray[np.bool_]:
    """Where looks (n, height, width) have a sharp edge that never changes."""
    middle = np.median(stack, axis=0).astype(np.float32)
    return np.asarray((np.hypot(*gradients(middle)) > SHARP_GREY) & (np.ptp(stack, axis=0) <= STILL_GREY))


def _without_long_lines(still: Luma) -> Luma:
    """Without what lies along a long straight line: a well held horizon stays in place in a pan."""
    width = still.shape[1]
    long_px = LONGEST_MARK * width
    lines = cv2.HoughLinesP(
        still * 255, 1, np.pi / 720, int(long_px / 3), minLineLength=long_px, maxLineGap=width / 6
    )
    along = np.zeros_like(still)
    for x0, y0, x1, y1 in [] if lines is None else lines.reshape(-1, 4).tolist():
        # To the picture's ends: what is left of it there is too short to be found alone.
        reach = np.array([x1 - x0, y1 - y0]) * width
        ends = (np.array([x0, y0]) - reach, np.array([x1, y1]) + reach)
        inside, one, other = cv2.clipLine((0, 0, width, still.shape[0]), ends[0].tolist(), ends[1].tolist())
        if inside:
            cv2.line(along, one, other, 1, 2 * GROW_PX)
    return np.asarray(still * (1 - along), np.uint8)
