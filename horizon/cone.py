"""A line kept as sums over its edge points, from which it is fitted to the horizon of any dip.

Of the visible horizon the rays lie on a cone, r . up = -sin(dip), which in the picture is the more bent the
deeper it lies. A clip is measured as if the dip were nil; which height, and so which dip, the sheet tells is
a matter of afterwards. The weights of the edge points must then be no matter of the dip either: they are
Tukey's of the cone that suits the points best, with a dip anywhere within ``DEEPEST_RAD`` of nil to either
side (of a line that is known no better, its sky may lie on either).

With q = (r, 1) and v = (up, sin(dip)) the residual of a point is q . v, and all that the fit needs of the
points with the weights w is

    Q = sum of w q q^T,        sum of w (q . v)^2 = v^T Q v

so that the up vector which minimises it, for the dip that is wanted, comes from a few steps of Newton's
method on the unit sphere, E the tangent plane's axes:

    up <- up - E (E^T Q_rr E)^-1 E^T (Q_rr up + Q_r1 sin(dip))

The covariance is that of :mod:`horizon.fit` with these weights: its blocks have a Q each, and the cosine
series of the residuals is linear in v. What a readout (:mod:`horizon.readout`) and a bending lens
(:mod:`horizon.bend`) do to the fit are sums, too. Everything is kept in axes in which the line's plane is
one: the residuals are then not the small difference of large numbers, and short floats will do.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray
from scipy.fft import dct

from .angles import angles_from_up, tangent_axes, tangent_frame
from .bend import bending_rays, effect
from .edge import Edges
from .fit import BLOCKS, TUKEY, LineFit, bow_shape, combined, inverse_2x2, jackknifed, median, spectral
from .lens import Lens, pixels
from .readout import row_shift

__all__ = ["KeptLine", "Reading", "chosen", "fitted", "kept_line", "no_line", "stacked"]

Array = NDArray[np.float64]
Array32 = NDArray[np.float32]

# Of a height of 600 m and a little.
DEEPEST_RAD = math.radians(0.75)
NEAR_PX, LEAST_SCALE_PX, ROUNDS, SETTLED_RAD = 6.0, 0.04, 8, 1e-8
STEPS = 6
ROWS, COLUMNS = np.triu_indices(4)
ALL, LATE, AGREEING, FORMAL, FIRST_BLOCK = range(5)
FIRST_ORDER, LAST_ORDER = 2, 10


@dataclass(frozen=True)
class KeptLine:
    """Sums over the edge points of one line, or, with a leading axis, of many; NaN where there is none.

    ``up_cam`` (3,): as fitted for no dip: the axes of all else are e_roll and e_pitch there, and itself.
    ``sums`` (16, 10): upper triangles of Q with all weights, with each times how late its row is read, of
    the points that agree, of these with their formal precision per px^2, and of each block. ``cosines``
    (8, 3): orders 2 to 9 of the cosine series of r, agreeing points in order. ``bows`` (2, 4): by which the
    bow follows from v, of the points and of what a bending lens moves them by; ``bent`` (4, 3): sum of
    w q d^T, d that move. ``agree``: number of agreeing points. ``length_px`` between the outermost of them;
    ``softness_px``: of the edge.
    """

    up_cam: Array
    sums: Array32
    cosines: Array32
    bows: Array32
    bent: Array32
    agree: Array
    length_px: Array
    softness_px: Array


@dataclass(frozen=True)
class Reading:
    """Lines as read with a dip, one per row.

    ``up_cam`` (n, 3). ``covariance`` (n, 2, 2): of (roll, pitch), rad^2; ``shared_variance`` (n, 2): the part
    of its diagonal that frames which see the same stretch of the line have in common. ``row_shift``
    (n, 3, 3) and ``bend`` (n, 4) as of :mod:`horizon.readout` and :mod:`horizon.bend`.
    """

    up_cam: Array
    covariance: Array
    shared_variance: Array
    row_shift: Array
    bend: Array


def no_line() -> KeptLine:
    """What there is of a frame that was not measured."""
    nan = np.array(np.nan)
    sums, cosines, bows, bent = (
        np.full(shape, np.nan, np.float32)
        for shape in ((FIRST_BLOCK + BLOCKS, len(ROWS)), (LAST_ORDER - FIRST_ORDER, 3), (2, 4), (4, 3))
    )
    return KeptLine(np.full(3, np.nan), sums, cosines, bows, bent, nan, nan, nan)


def stacked(lines: Sequence[KeptLine]) -> KeptLine:
    """Many lines as one with a leading axis; at least one."""
    return KeptLine(
        **{one.name: np.stack([getattr(line, one.name) for line in lines]) for one in fields(KeptLine)}
    )


def chosen(line: KeptLine, rows: NDArray[np.intp]) -> KeptLine:
    """These of many lines."""
    return KeptLine(**{one.name: getattr(line, one.name)[rows] for one in fields(KeptLine)})


def kept_line(edges: Edges, fit: LineFit, up_cam: Array, lens: Lens) -> KeptLine:
    """Sums over the edge points that ``fit`` rests on; ``lens``: of their picture.

    ``up_cam`` (3,): as fitted, or the other way up.
    """
    axes = np.column_stack([tangent_axes(up_cam), up_cam])
    ray = edges.rays @ axes
    weight, agreeing = _weights(ray, fit, lens)
    point = np.column_stack([ray, np.ones(len(ray))])
    late = (pixels(lens, edges.rays)[:, 1] + 0.5) / lens.height_px - 0.5
    order = np.flatnonzero(agreeing)[np.argsort(edges.along_px[agreeing], kind="stable")]
    weights = np.zeros((FIRST_BLOCK + BLOCKS, len(ray)))
    weights[ALL], weights[LATE], weights[AGREEING] = weight, weight * late, weight * agreeing
    weights[FORMAL] = np.where(agreeing, 1 / edges.sd_px**2, 0)
    for k, block in enumerate(np.array_split(order, min(BLOCKS, len(order) // 2))):
        weights[FIRST_BLOCK + k, block] = weight[block]
    cosines = np.zeros((LAST_ORDER - FIRST_ORDER, 3))
    if len(order) >= LAST_ORDER:
        cosines = dct(ray[order], axis=0, norm="ortho")[FIRST_ORDER:LAST_ORDER]
    along = edges.along_px[agreeing]
    shape = bow_shape(along)
    moved = bending_rays(edges.rays, lens) @ axes
    bows = np.zeros((2, 4))
    bows[0], bows[1, :3] = shape @ point[agreeing], shape @ moved[agreeing]
    return KeptLine(
        up_cam,
        (weights @ (point[:, ROWS] * point[:, COLUMNS])).astype(np.float32),
        cosines.astype(np.float32),
        bows.astype(np.float32),
        ((point * weights[AGREEING][:, None]).T @ moved).astype(np.float32),
        np.array(float(agreeing.sum())),
        np.array(max(float(np.ptp(along)), 10.0)),
        np.array(edges.softness_px),
    )


def fitted(line: KeptLine, sign: Array, lens: Lens, dip_rad: float) -> Reading:
    """Lines (n) fitted to the horizon that lies ``dip_rad`` below the level, exactly for their weights.

    ``sign`` (n,): below 0 for the other reading, in which the sky lies on the other side of ``line.up_cam``.
    ``lens``: of the picture that they were kept from.
    """
    axes = _axes(line.up_cam)
    whole = _whole(line.sums)
    up, sine = np.sign(sign)[:, None] * line.up_cam, np.full((len(sign), 1), math.sin(dip_rad))
    weighed = whole[:, ALL]
    for _ in range(STEPS):
        tangent = _axes(up)[:, :, :2]
        design = _turned(axes, tangent)
        slope = _slope(weighed, _turned(axes, up[:, :, None])[:, :, 0], sine)
        step = _steadied(weighed, design) @ (np.swapaxes(design, 1, 2) @ slope[:, :, None])
        up = up - (tangent @ step)[:, :, 0]
        up = up / np.linalg.norm(up, axis=1, keepdims=True)
    tangent = _axes(up)[:, :, :2]
    design, here = _turned(axes, tangent), _turned(axes, up[:, :, None])[:, :, 0]
    towards = np.concatenate([here, sine], axis=1)
    covariance, noise = _covariances(line, whole, design, towards, lens)
    cos_pitch = np.maximum(np.hypot(up[:, 0], up[:, 1]), 0.05)
    to_angles = np.stack([1 / cos_pitch, np.ones_like(cos_pitch)], axis=1)
    covariance = to_angles[:, :, None] * covariance * to_angles[:, None, :]
    diagonal = np.einsum("nii->ni", covariance)
    return Reading(
        up,
        covariance,
        diagonal - np.minimum(to_angles**2 * noise, diagonal),
        row_shift(tangent, _inner(weighed, design), _inner(whole[:, LATE], design)),
        effect(
            np.asarray(line.bows, float),
            np.asarray(line.bent, float),
            _inner(whole[:, AGREEING], design),
            design,
            towards,
            cos_pitch,
            lens,
        ),
    )


def _weights(ray: Array, fit: LineFit, lens: Lens) -> tuple[Array, NDArray[np.bool_]]:
    """Tukey's weights about the best cone, and which points agree with it; ``ray``: in the line's axes."""
    used = fit.precision > 0
    weight, target = fit.weight, -ray[:, 2]
    deepest = math.sin(DEEPEST_RAD)
    near = max(NEAR_PX, 4 * fit.rms_px) * lens.pixel_rad
    design = np.column_stack([ray[:, :2], np.ones(len(ray))])
    before = np.full(2, np.inf)
    for _ in range(ROUNDS):
        weighed = weight * design.T
        normal, pull = weighed @ design, weighed @ target
        # Along a line seen through a long lens, raising and pitching it are the same.
        normal += 1e-13 * np.trace(normal) * np.eye(3)
        free = np.linalg.solve(normal, pull)
        raised = min(max(float(free[2]), -deepest), deepest)
        if raised != free[2]:
            free = np.linalg.solve(normal[:2, :2], pull[:2] - raised * normal[:2, 2])
        if np.abs(free[:2] - before).max() < SETTLED_RAD:
            break
        before = free[:2]
        residual = target - raised - design[:, :2] @ free[:2]
        inside = used & (np.abs(residual) < near)
        if inside.sum() < 6:
            break
        spread = 1.4826 * median(np.abs(residual[inside]))
        limit = TUKEY * max(spread, LEAST_SCALE_PX * lens.pixel_rad)
        found = fit.precision * np.clip(1 - (residual / limit) ** 2, 0, 1) ** 2
        if ((found > 0.2 * fit.precision) & used).sum() < 6:
            break
        weight = found
    agreeing = (weight > 0.2 * fit.precision) & used
    return weight, agreeing if agreeing.sum() >= 6 else fit.agreeing


def _covariances(
    line: KeptLine, whole: Array, design: Array, towards: Array, lens: Lens
) -> tuple[Array, Array]:
    """Covariance (n, 2, 2) along the tangent plane's axes, and what pixel noise alone would give (n, 2)."""
    pixel = lens.pixel_rad
    agreeing = whole[:, AGREEING]
    left = np.einsum("ni,nij,nj->n", towards, agreeing, towards)
    rms_px = np.sqrt(np.maximum(left, 0) / agreeing[:, 3, 3]) / pixel
    blocks = whole[:, FIRST_BLOCK:]
    parts = np.swapaxes(design, 1, 2)[:, None] @ blocks[:, :, :3, :3] @ design[:, None]
    pulls = np.swapaxes(design, 1, 2)[:, None] @ (blocks @ towards[:, None, :, None])[:, :, :3]
    power = (np.einsum("nki,ni->nk", line.cosines, towards[:, :3]) / pixel) ** 2
    roll, offset = spectral(power, line.agree, line.length_px)
    covariance = combined(
        jackknifed(_inner(whole[:, ALL], design), parts, pulls[..., 0]),
        roll,
        offset,
        rms_px,
        line.length_px,
        line.softness_px,
        pixel,
    )
    formal = inverse_2x2(_inner(whole[:, FORMAL], design) / pixel**2 + 1e-6 * np.eye(2))
    return covariance, np.einsum("nii->ni", formal)


def _axes(up: Array) -> Array:
    """e_roll, e_pitch and the up vector itself as columns, (n, 3, 3)."""
    return np.stack([*tangent_frame(*angles_from_up(up)), up], axis=2)


def _turned(axes: Array, vectors: Array) -> Array:
    """Columns (n, 3, k) in camera axes, in a line's own."""
    return np.asarray(np.swapaxes(axes, 1, 2) @ vectors)


def _whole(sums: Array32) -> Array:
    """Q (n, 16, 4, 4) from its upper triangles."""
    full = np.zeros((*sums.shape[:-1], 4, 4))
    full[..., ROWS, COLUMNS] = full[..., COLUMNS, ROWS] = sums
    return full


def _slope(weighed: Array, here: Array, sine: Array) -> Array:
    """Half the slope of the sum of squares by the up vector, (n, 3)."""
    return np.asarray(np.einsum("nij,nj->ni", weighed[:, :3, :3], here) + weighed[:, :3, 3] * sine)


def _inner(weighed: Array, design: Array) -> Array:
    """Normal matrix (n, 2, 2) of steps along the columns of ``design`` (n, 3, 2)."""
    return np.asarray(np.swapaxes(design, 1, 2) @ weighed[:, :3, :3] @ design)


def _steadied(weighed: Array, design: Array) -> Array:
    normal = _inner(weighed, design)
    return inverse_2x2(normal + 1e-9 * np.trace(normal, axis1=1, axis2=2)[:, None, None] * np.eye(2))
