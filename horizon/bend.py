"""Lines that stay bent: what the stated lens leaves out, and what that may do to roll and pitch.

A lens that bends more than it is told to moves a point at the distance rho from the picture's middle, in
half widths, by the share s rho^2 of that distance: the first term of every radial model (D. C. Brown,
"Close-range camera calibration", 1971). A line off the middle is then seen as a bow, and the fit through it
is off in roll and pitch. All three are linear in s, and the bow is seen: with b the bow per unit of s and c
what waves and hills bend at all heights alike,

    bow = c + s b,

fitted over the looks of a clip with a prior of s, says how large s may be. What roll and pitch would be off
by, at that size, joins their uncertainty, in all looks together. A bow that grows with the height beyond
doubt is a lens that was not told: it is said.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .angles import angles_from_up, tangent_frame
from .fit import bow
from .lens import Lens, pixels, rays

__all__ = ["Bend", "bend_of", "effect", "no_bend"]

Array = NDArray[np.float64]

STEP = 1e-3  # of s, for its slope
LEAST_PX = 0.05
ALIKE_S = 10.0  # looks so close in time see the same waves and hills
FEWEST_LOOKS, BEYOND_DOUBT = 10, 4.0
# What is worth a word: how far some look's roll or pitch is off.
TELLING_RAD = np.radians([0.03, 0.1])


@dataclass(frozen=True)
class Bend:
    """How much a lens bends beyond what it was told, at the picture's side, as a share; and whether it does.

    share, sd : with the prior. certain : beyond doubt, and worth a word.
    """

    share: float
    sd: float
    certain: bool


def no_bend() -> Array:
    """What :func:`effect` is of a look that was not measured."""
    return np.full(4, np.nan)


def effect(
    edge_rays: Array, weight: Array, along_px: Array, up_cam: Array, dip_rad: float, lens: Lens
) -> Array:
    """Bow that is seen, px; and per unit of s its bow, px, and change of roll and of pitch, rad; (4,).

    edge_rays (n, 3), weight (n,), along_px (n,) : the points that a line was fitted to, through ``lens``. A
    bow is how far the line's ends lie towards the sky of its middle.
    """
    used = weight > 0
    ray, weighed, along = edge_rays[used], weight[used], along_px[used]
    roll, pitch = angles_from_up(up_cam)
    axes = np.column_stack(tangent_frame(roll, pitch))
    design = ray @ axes
    seen = pixels(lens, ray)
    off_px = seen - [(lens.width_px - 1) / 2, (lens.height_px - 1) / 2]
    rho2 = np.sum(off_px**2, axis=1, keepdims=True) / (lens.width_px / 2) ** 2
    level = ray @ up_cam + math.sin(dip_rad)
    moved = (rays(lens, seen + STEP * rho2 * off_px) @ up_cam + math.sin(dip_rad) - level) / STEP
    moved = np.nan_to_num(moved)
    normal = design.T @ (weighed[:, None] * design)
    turn = np.linalg.lstsq(normal, -design.T @ (weighed * moved), rcond=None)[0]
    left = (moved + design @ turn) / lens.pixel_rad
    return np.array(
        [
            bow(along, level / lens.pixel_rad),
            bow(along, left),
            turn[0] / max(math.cos(pitch), 0.05),
            turn[1],
        ]
    )


def bend_of(t_s: Array, effects: Array, prior_sd: float) -> Bend:
    """How much the lens of a clip bends beyond what it was told, by its looks.

    t_s (n,) rising, effects (n, 4) : of :func:`effect`. prior_sd : of the share.
    """
    bows, shape = effects[:, 0], effects[:, 1]
    if prior_sd <= 0 or len(t_s) < FEWEST_LOOKS:
        return Bend(0.0, max(prior_sd, 0.0), certain=False)
    design = np.column_stack([np.ones(len(bows)), shape])
    weight = np.ones(len(bows))
    for _ in range(5):
        fit = np.linalg.lstsq(design * weight[:, None], bows * weight, rcond=None)[0]
        off = np.abs(bows - design @ fit)
        noise_px = max(LEAST_PX, 1.4826 * float(np.median(off)))
        weight = np.sqrt(np.minimum(1.0, 2 * noise_px / np.maximum(off, 1e-9)))
    spread = float(np.sum((weight * (shape - np.average(shape, weights=weight**2))) ** 2))
    step_s = max(float(np.median(np.diff(t_s))), 1e-3)
    told = spread / noise_px**2 / max(1.0, ALIKE_S / step_s)
    precision = told + prior_sd**-2
    worst = np.abs(fit[1] * effects[:, 2:]).max(axis=0)
    certain = told > 0 and abs(fit[1]) > BEYOND_DOUBT / math.sqrt(told) and bool((worst > TELLING_RAD).any())
    return Bend(float(fit[1] * told / precision), precision**-0.5, certain)
