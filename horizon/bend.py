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

from .fit import inverse_2x2
from .lens import Lens, pixels, rays

__all__ = ["Bend", "bend_of", "bending_rays", "effect"]

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


def bending_rays(edge_rays: Array, lens: Lens) -> Array:
    """How rays (n, 3) of points seen through ``lens`` move per unit of s; 0 where that is not known."""
    seen = pixels(lens, edge_rays)
    off_px = seen - [(lens.width_px - 1) / 2, (lens.height_px - 1) / 2]
    rho2 = np.sum(off_px**2, axis=1, keepdims=True) / (lens.width_px / 2) ** 2
    return np.nan_to_num((rays(lens, seen + STEP * rho2 * off_px) - edge_rays) / STEP)


def effect(
    bows: Array, bent: Array, normal: Array, design: Array, towards: Array, cos_pitch: Array, lens: Lens
) -> Array:
    """Bow that is seen, px; and per unit of s its bow, px, and change of roll and of pitch, rad; (n, 4).

    ``bows`` (n, 2, 4), ``bent`` (n, 4, 3): of :class:`horizon.cone.Line`. ``normal`` (n, 2, 2): A^T W A of
    its agreeing points, A = r . ``design`` (n, 3, 2). ``towards`` (n, 4): up vector, in the line's axes, and
    sine of the dip. A bow is how far the line's ends lie towards the sky of its middle.
    """
    slope = np.einsum("nki,nij,nj->nk", np.swapaxes(design, 1, 2), bent[:, :3], towards[:, :3])
    steadied = normal + 1e-9 * np.trace(normal, axis1=1, axis2=2)[:, None, None] * np.eye(2)
    turn = -(inverse_2x2(steadied) @ slope[:, :, None])[:, :, 0]
    turned = np.einsum("nik,nk->ni", design, turn)
    seen = np.einsum("ni,ni->n", bows[:, 0], towards)
    shape = np.einsum("ni,ni->n", bows[:, 1, :3], towards[:, :3]) + np.einsum(
        "ni,ni->n", bows[:, 0, :3], turned
    )
    return np.column_stack(
        [seen / lens.pixel_rad, shape / lens.pixel_rad, turn[:, 0] / cos_pitch, turn[:, 1]]
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
