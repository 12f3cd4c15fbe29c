"""Edge points to the up vector, with covariance: robust, in ray space.

A ray r of the horizon satisfies r . up = -sin(dip) for every lens, so the up vector is fitted there and roll
and pitch follow with their covariance. With up = u0 + a e_roll + b e_pitch the residual is linear in (a, b).
A start is sought over pairs of points (least median-like count of agreeing points), then Tukey's biweight is
iterated; its scale is taken about zero, since a scale about the median collapses on clean data.

Neighbouring edge points share their errors (texture, terrain, compression), so the covariance comes from
leaving out twelve blocks of the line in turn (jackknife), and from carrying the residuals' spectrum on to the
lowest two orders, which the fit itself has absorbed. Whatever shifts the whole line leaves no residual at
all; for that, floors proportional to the residual rms are added, set on drawn frames of known truth.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.fft import dct

from .angles import apart_rad, tangent_axes
from .edge import Edges
from .lens import Lens

__all__ = ["LineFit", "bow_shape", "combined", "fit_up", "inverse_2x2", "jackknifed", "median", "spectral"]

Array = NDArray[np.float64]

TUKEY = 4.685
BLOCKS = 12
JACKKNIFE = 1.12
ROLL_FLOOR = 0.3
PITCH_FLOOR_RMS = 0.6
PITCH_FLOOR_PX = 0.3
PITCH_FLOOR_SOFT = 0.12
MODEL_PX = 0.15
FEWEST_SPECTRAL = 16


@dataclass(frozen=True)
class _Solved:
    """What a fit's errors follow from: they cost as much as the fit, and most fits are only steps to another.

    to_angles : (2, 2), from the tangent plane to roll and pitch.
    """

    design: Array
    target: Array
    solution: Array
    edges: Edges
    length_px: float
    pixel: float
    to_angles: Array


@dataclass(frozen=True)
class LineFit:
    """Up vector fitted to edge points.

    ``covariance``: of (roll, pitch) in rad^2, of the line itself. ``noise_variance`` (2,): the part of its
    diagonal that pixel noise explains and that the next frame therefore draws anew; the rest is shared by
    all frames that see the same stretch of the line. ``inlier_share``: of all groups along the visible line,
    those that agree. ``rms_px`` of the agreeing ones. ``spread``: share of the visible line that the agreeing
    points span. ``step_grey``: median step of the agreeing points, sky side minus surface; ``step_uneven``:
    its scatter along the line over its size. ``width_rad``: angle between the outermost agreeing points.
    ``bow_px``: how far the points bend away from the fit at its ends, as a line off eye level does.
    ``agreeing`` (n,): which of the edge points the fit rests on; ``weight`` (n,): how much each counts, of
    ``precision`` (n,), what it would count were it on the line.
    """

    up_cam: Array
    inlier_share: float
    rms_px: float
    spread: float
    length_px: float
    step_grey: float
    step_uneven: float
    gradient_grey_px: float
    gain: float
    softness_px: float
    width_rad: float
    bow_px: float
    agreeing: NDArray[np.bool_]
    weight: Array
    precision: Array
    solved: _Solved

    @cached_property
    def covariance(self) -> Array:
        """As above."""
        to_angles = self.solved.to_angles
        return np.asarray(to_angles @ _covariance(self) @ to_angles)

    @cached_property
    def noise_variance(self) -> Array:
        """As above."""
        at = self.solved
        precision_px = np.where(self.agreeing, 1 / at.edges.sd_px**2, 0)
        normal = at.design.T @ (precision_px[:, None] * at.design) / at.pixel**2
        formal = np.linalg.inv(normal + 1e-6 * np.eye(2))
        noise = np.diag(at.to_angles @ formal @ at.to_angles)
        return np.asarray(np.minimum(noise, np.diag(self.covariance)))


def fit_up(
    edges: Edges, up_cam: Array, lens: Lens, *, dip_rad: float, agree_px: float, near: bool = False
) -> LineFit | None:
    """Up vector of the line most edge points lie on, started at ``up_cam``; None with too few points.

    ``agree_px``: how far off a point may lie and still count for the start. ``near``: the line is known to
    lie so near, and is not sought through pairs of points.
    """
    if len(edges.rays) < 6:
        return None
    axes = tangent_axes(up_cam)
    design = edges.rays @ axes
    pixel = lens.pixel_rad
    target = -(edges.rays @ up_cam + np.sin(dip_rad))
    strength = np.clip(edges.gain / 20, 0.02, 1.0)
    tried = np.zeros((1, 2)) if near else _tries(design, target, strength)
    start, sign = _start(tried, design, target, strength, np.sign(edges.step_grey), agree_px * pixel)
    precision = 1 / (edges.sd_px**2 + MODEL_PX**2)
    precision = np.where(np.sign(edges.step_grey) == sign, precision, 0)
    precision *= np.minimum(1, (edges.gradient_grey_px / 4) ** 2)
    if (precision > 0).sum() < 6:
        return None
    solution, weight = _tukey(design, target, precision, start, agree_px * pixel)
    agreeing = weight > 0.2 * precision
    agreeing &= precision > 0
    if agreeing.sum() < 6:
        return None
    residual_px = (target - design @ solution) / pixel
    rms_px = float(np.sqrt(np.average(residual_px[agreeing] ** 2, weights=weight[agreeing])))
    along = edges.along_px[agreeing]
    spread = float(np.ptp(along)) / max(edges.length_px, 1)
    length_px = max(float(np.ptp(along)), 10.0)
    up = up_cam + axes @ solution
    up = up / np.linalg.norm(up)
    cos_pitch = max(float(np.hypot(up[0], up[1])), 0.05)
    to_angles = np.diag([1 / cos_pitch, 1.0])
    ends = edges.rays[agreeing][[np.argmin(along), np.argmax(along)]]
    step = edges.step_grey[agreeing]
    step_grey = median(step)
    return LineFit(
        up,
        float(agreeing.sum()) / max(edges.seen, 1),
        rms_px,
        spread,
        edges.length_px,
        step_grey,
        1.4826 * median(np.abs(step - step_grey)) / max(abs(step_grey), 1.0),
        median(edges.gradient_grey_px[agreeing]),
        median(edges.gain[agreeing]),
        edges.softness_px,
        float(apart_rad(*ends)),
        abs(float(bow_shape(along) @ residual_px[agreeing])),
        agreeing,
        weight,
        precision,
        _Solved(design, target, solution, edges, length_px, pixel, to_angles),
    )


def bow_shape(along_px: Array) -> Array:
    """What makes, of residuals without mean and slope, the size of their parabola at its ends: by a product.

    ``along_px`` (n,): their places.
    """
    place = 2 * (along_px - along_px.min()) / max(float(np.ptp(along_px)), 1.0) - 1
    bend = place**2 - 1 / 3
    return np.asarray(bend / max(float(bend @ bend), 1e-9))


def _tries(design: Array, target: Array, strength: Array) -> Array:
    """(a, b) through pairs of well separated points, and none at all."""
    order = np.argsort(-strength, kind="stable")[: max(24, len(strength) // 2)]
    order = np.sort(order)
    picked = order[np.linspace(0, len(order) - 1, min(28, len(order))).astype(int)]
    i, j = np.triu_indices(len(picked), k=max(1, len(picked) // 6))
    a, b = design[picked[i]], design[picked[j]]
    det = a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]
    good = np.abs(det) > 1e-9
    i, j, a, b, det = i[good], j[good], a[good], b[good], det[good]
    ti, tj = target[picked[i]], target[picked[j]]
    tried = np.column_stack([(ti * b[:, 1] - tj * a[:, 1]) / det, (tj * a[:, 0] - ti * b[:, 0]) / det])
    return np.vstack([tried, np.zeros(2)])


def _start(
    tried: Array, design: Array, target: Array, strength: Array, sign: Array, agree: float
) -> tuple[Array, float]:
    """That (a, b) of those tried on which most of the strength agrees, and its step sign."""
    miss = np.abs(target[None, :] - tried @ design.T)
    near = strength * np.maximum(0, 1 - (miss / agree) ** 2)
    sides = (1.0, -1.0)
    votes = near @ np.column_stack([sign == side for side in sides]).astype(float)
    k, side = np.unravel_index(int(np.argmax(votes)), votes.shape)
    return tried[k], sides[int(side)]


def _tukey(design: Array, target: Array, precision: Array, start: Array, agree: float) -> tuple[Array, Array]:
    solution, used = start, precision > 0
    a, b = np.ascontiguousarray(design[used].T)
    aim, sure = target[used], precision[used]
    weight = sure
    for step in range(12):
        residual = aim - solution[0] * a - solution[1] * b
        size = np.abs(residual)
        near = size[size < 3 * agree]
        if len(near) < 6:
            break
        scale = max(1.4826 * median(near), agree * 0.02)
        limit = TUKEY * scale if step > 1 else max(TUKEY * scale, agree)
        weight = sure * np.maximum(1 - (residual / limit) ** 2, 0) ** 2
        if np.count_nonzero(weight) < 6:
            break
        across, along = weight * a, weight * b
        aa, ab, bb = float(across @ a), float(across @ b), float(along @ b)
        ridge = 1e-9 * (aa + bb)
        pull_a, pull_b = float(across @ aim), float(along @ aim)
        share = 1 / ((aa + ridge) * (bb + ridge) - ab * ab)
        update = share * np.array([(bb + ridge) * pull_a - ab * pull_b, (aa + ridge) * pull_b - ab * pull_a])
        moved = float(np.max(np.abs(update - solution)))
        solution = update
        if moved < 1e-8 and step > 2:
            break
    whole = np.zeros_like(precision)
    whole[used] = weight
    return solution, whole


def median(values: Array) -> float:
    """As numpy's, of some finite values (n,), which takes most of its time on seeing to all others."""
    half = len(values) // 2
    parted = np.partition(values, half)
    return float(parted[half] if len(values) % 2 else (parted[half] + parted[:half].max()) / 2)


def _covariance(fit: LineFit) -> Array:
    at, weight = fit.solved, fit.weight
    design, edges, pixel = at.design, at.edges, at.pixel
    order = np.flatnonzero(fit.agreeing)[np.argsort(edges.along_px[fit.agreeing], kind="stable")]
    blocks = np.array_split(order, min(BLOCKS, len(order) // 2))
    weighted = weight[:, None] * design
    left = design @ at.solution - at.target
    parts = np.array([design[block].T @ weighted[block] for block in blocks])
    pulls = np.array([weighted[block].T @ left[block] for block in blocks])
    series = (
        dct(left[fit.agreeing] / pixel, norm="ortho")[2:10] if len(order) >= FEWEST_SPECTRAL else np.zeros(8)
    )
    n, length = np.array(float(len(order))), np.array(at.length_px)
    roll, offset = spectral(series**2, n, length)
    jack = jackknifed(design.T @ weighted, parts, pulls)
    return combined(jack, roll, offset, np.array(fit.rms_px), length, np.array(edges.softness_px), pixel)


def combined(
    jack: Array, roll: Array, offset_px: Array, rms_px: Array, length_px: Array, soft_px: Array, pixel: float
) -> Array:
    """Covariance (..., 2, 2) along e_roll and e_pitch, rad^2, from all that the residuals of a line tell.

    ``jack`` (..., 2, 2): of :func:`jackknifed`. ``roll``, ``offset_px`` (...): of :func:`spectral`.
    ``rms_px`` of the residuals, ``length_px`` of the line, ``soft_px``: blur of its edge. ``pixel``: rad.
    """
    roll2 = np.maximum(JACKKNIFE**2 * jack[..., 0, 0], roll**2)
    pitch2 = np.maximum(JACKKNIFE**2 * jack[..., 1, 1], (offset_px * pixel) ** 2)
    correlation = jack[..., 0, 1] / np.sqrt(np.maximum(jack[..., 0, 0] * jack[..., 1, 1], 1e-30))
    both = correlation * np.sqrt(roll2 * pitch2)
    roll2 = roll2 + (ROLL_FLOOR * rms_px * np.sqrt(12) / length_px) ** 2
    # A soft edge has no one place: haze and blur move what the shape calls its middle along with the line.
    floor_px = PITCH_FLOOR_SOFT * np.maximum(soft_px - 1.0, 0.0)
    pitch2 = pitch2 + pixel**2 * ((PITCH_FLOOR_RMS * rms_px) ** 2 + PITCH_FLOOR_PX**2 + floor_px**2)
    return np.stack([np.stack([roll2, both], axis=-1), np.stack([both, pitch2], axis=-1)], axis=-2)


def jackknifed(normal: Array, parts: Array, pulls: Array) -> Array:
    """Covariance (..., 2, 2) by a delete-one-block jackknife of a weighted fit.

    ``normal`` (..., 2, 2): A^T W A of all points. ``parts`` (..., m, 2, 2), ``pulls`` (..., m, 2): of each
    block A^T W A and A^T W times the residuals; a block of zeros is none. Without a block, the solution moves
    by (A^T W A - part)^-1 pull, since the pulls of all together are nil.
    """
    kept = normal[..., None, :, :] - parts
    ridge = 1e-9 * np.trace(normal, axis1=-2, axis2=-1)[..., None, None, None] * np.eye(2)
    moved = (inverse_2x2(kept + ridge) @ pulls[..., None])[..., 0]
    m = np.sum(np.trace(parts, axis1=-2, axis2=-1) > 0, axis=-1)
    share = ((m - 1) / np.maximum(m, 1))[..., None, None]
    return np.asarray(share * (np.swapaxes(moved, -1, -2) @ moved))


def inverse_2x2(matrix: Array) -> Array:
    """Inverses of matrices (..., 2, 2); of a singular one no number."""
    a, b, c, d = (matrix[..., i, j] for i, j in ((0, 0), (0, 1), (1, 0), (1, 1)))
    turned = np.stack([np.stack([d, -b], axis=-1), np.stack([-c, a], axis=-1)], axis=-2)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(turned / (a * d - b * c)[..., None, None])


def spectral(power: Array, n: Array, length_px: Array) -> tuple[Array, Array]:
    """Roll (rad) and offset (px) that a power-law spectrum of the residuals has at the two lowest orders.

    ``power`` (..., 8): squares of orders 2 to 9 of the residuals' cosine series, px^2, of ``n`` (...) points
    over ``length_px`` (...). The fit absorbs orders 0 and 1; what they held is read off a power law through
    the others. Order 1, amplitude A over N points, has the slope 24 A / (pi^2 N) per point. Nil for few
    points.
    """
    order = np.log(np.arange(2, 10))
    off = order - order.mean()
    logs = np.log(np.maximum(power, 1e-12))
    slope = np.clip(logs @ off / (off @ off), -4.0, 0.0)
    level = logs.mean(axis=-1) - slope * order.mean()
    # exp(mean log) of a chi-square with one degree of freedom is 0.28 of its mean.
    power_1 = np.exp(level) / 0.28
    power_0 = np.exp(level + slope * np.log(0.6)) / 0.28
    roll = np.sqrt(power_1) * np.sqrt(2 / n) * 24 / np.pi**2 / length_px
    told = n >= FEWEST_SPECTRAL
    return np.where(told, roll, 0.0), np.where(told, np.sqrt(power_0 / n), 0.0)
