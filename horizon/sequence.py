"""Frames of a clip against each other: which of them follow one and the same line.

Every run of looks is searched on its own, so that a cloud bank or a shore taken for the horizon once is not
handed on through the clip. Afterwards the looks are strung together. Two of them belong to one line when the
second was followed from the first, or when the turn between them is small, or when the picture turned with
the line: the earlier picture, turned as the line says, has to resemble the later one more than it does
unturned. A line that was changed for another jumps while the picture stays; a quick tilt moves both. The
string with the greatest weight, the sum of its looks' log odds, is the horizon; looks off it are refused. A
second string that has nearly the weight of the first means that the picture does not tell which line is the
horizon, and then neither is.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from .angles import apart_rad
from .lens import Lens, pixels, rays, scaled

__all__ = ["DISAGREES", "THUMB_PX", "TWO_LINES", "Seen", "off_sequence"]

Array = NDArray[np.float64]
Luma = NDArray[np.uint8]

DISAGREES = "disagrees with the frames before and after it"
TWO_LINES = "two lines could be the horizon"
THUMB_PX = 96
JITTER_RAD = np.radians(0.35)
# Rate at which a camera may turn unseen, and how much of the rate seen near by it may have elsewhere.
SLOWEST_RAD_S, RATE_MARGIN, NEAR_S = np.radians(4.0), 1.6, 2.0
# A gap longer than this lets the camera be anywhere.
LONGEST_GAP_S = 2.0
FARTHEST_BACK = 40
LEAST_ODDS, MOST_ODDS = 0.2, 4.0
RIVAL = 0.6


@dataclass(frozen=True)
class Seen:
    """A measured look: ``t_s``, ``up_cam`` either way round, ``likeness``, ``thumb`` (``THUMB_PX`` wide).

    ``followed``: found from the look before it, not by a search of the whole picture.
    """

    t_s: float
    up_cam: Array
    likeness: float
    followed: bool
    thumb: Luma


def off_sequence(seen: Sequence[Seen], lens: Lens) -> list[str]:
    """Why each look is refused; empty for those on the main string. ``lens``: of the full picture."""
    if len(seen) < 3:
        return [""] * len(seen)
    t_s = np.array([one.t_s for one in seen])
    up = np.array([one.up_cam for one in seen])
    odds = np.array([np.log(one.likeness / (1 - min(one.likeness, 0.999))) for one in seen])
    weight = np.clip(odds, LEAST_ODDS, MOST_ODDS)
    sure = _sure_steps(seen, up, lens)
    rate = _usual_rate(sure, t_s, up)
    main = _heaviest(t_s, up, weight, rate, sure)
    reasons = [DISAGREES] * len(seen)
    for k in main:
        reasons[k] = ""
    left = [k for k in range(len(seen)) if reasons[k]]
    if len(left) >= 3:
        joined = sure[left] & (np.diff(left, prepend=-2) == 1)
        rival = [left[k] for k in _heaviest(t_s[left], up[left], weight[left], rate[left], joined)]
        if weight[rival].sum() > RIVAL * weight[main].sum():
            return [TWO_LINES] * len(seen)
    return reasons


def _turned(one: Array, other: Array) -> Array:
    """Angle between lines, whichever side of each is sky."""
    angle = apart_rad(one, other)
    return np.minimum(angle, np.pi - angle)


def _sure_steps(seen: Sequence[Seen], up: Array, lens: Lens) -> NDArray[np.bool_]:
    """Whether each look surely follows the line of the one before it; the first does not."""
    sure = np.array([one.followed for one in seen])
    sure[0] = False
    turned = np.concatenate([[0.0], _turned(up[1:], up[:-1])])
    for k in np.flatnonzero(~sure & (turned > JITTER_RAD)).tolist():
        before, after = seen[k - 1], seen[k]
        if k and after.t_s - before.t_s <= LONGEST_GAP_S:
            sure[k] = _picture_turned(before, after, lens)
    return np.asarray(sure)


def _picture_turned(before: Seen, after: Seen, lens: Lens) -> bool:
    """Whether the earlier picture, turned as the line says, resembles the later one more than unturned."""
    height, width = before.thumb.shape
    small = scaled(lens, width, height)
    x, y = np.meshgrid(np.arange(width, dtype=float), np.arange(height, dtype=float))
    ray = rays(small, np.column_stack([x.ravel(), y.ravel()]))
    up = before.up_cam if before.up_cam @ after.up_cam > 0 else -before.up_cam
    # The shortest turn from one up vector to the other (Rodrigues); a pan about them changes no horizon.
    axis = np.cross(after.up_cam, up)
    cross = np.array([[0, -axis[2], axis[1]], [axis[2], 0, -axis[0]], [-axis[1], axis[0], 0]])
    back = np.eye(3) + cross + cross @ cross / (1 + float(up @ after.up_cam))
    place = pixels(small, ray @ back.T).reshape(height, width, 2).astype(np.float32)
    inside = np.isfinite(place).all(axis=2)
    inside &= (place >= 0).all(axis=2) & (place[..., 0] <= width - 1) & (place[..., 1] <= height - 1)
    if inside.mean() < 0.3:
        return True
    moved = cv2.remap(before.thumb, place[..., 0], place[..., 1], cv2.INTER_LINEAR)
    later = after.thumb[inside].astype(float)
    return _alike(moved[inside].astype(float), later) > _alike(before.thumb[inside].astype(float), later)


def _alike(one: Array, other: Array) -> float:
    one, other = one - one.mean(), other - other.mean()
    return float(one @ other / np.sqrt((one @ one) * (other @ other) + 1e-9))


def _usual_rate(sure: NDArray[np.bool_], t_s: Array, up: Array) -> Array:
    """Upper limit of the camera's rate about each look, rad/s, from the sure steps near it."""
    followed = sure[1:] & (np.diff(t_s) > 0)
    rates = np.where(followed, _turned(up[1:], up[:-1]) / np.maximum(np.diff(t_s), 1e-6), 0.0)
    first = np.searchsorted(t_s, t_s - NEAR_S)
    last = np.searchsorted(t_s, t_s + NEAR_S, side="right") - 1
    usual = np.array([rates[a:b].max(initial=0.0) for a, b in zip(first, last, strict=True)])
    return np.maximum(SLOWEST_RAD_S, RATE_MARGIN * usual)


def _heaviest(t_s: Array, up: Array, weight: Array, rate: Array, sure: NDArray[np.bool_]) -> list[int]:
    """Indices of the string of possible turns with the greatest weight."""
    n = len(t_s)
    total, before = weight.copy(), np.full(n, -1)
    for k in range(1, n):
        first = max(0, k - FARTHEST_BACK)
        gap_s = t_s[k] - t_s[first:k]
        fastest = np.maximum(rate[first:k], rate[k])
        possible = (_turned(up[first:k], up[k]) <= JITTER_RAD + fastest * gap_s) | (gap_s > LONGEST_GAP_S)
        possible[-1] |= sure[k]
        if possible.any():
            at = np.flatnonzero(possible)
            best = at[np.argmax(total[first:k][at])]
            total[k] += total[first + best]
            before[k] = first + best
    string = [int(np.argmax(total))]
    while before[string[-1]] >= 0:
        string.append(int(before[string[-1]]))
    return string[::-1]
