"""Rolling shutter: rows that are read one after another, while the camera rolls or pitches.

Row v of H is read ``readout (v + 0.5) / H`` after the first one. A frame's roll and pitch are those of its
middle row, half a readout after the first: what that adds to the frame's own time stamp is the same in every
frame, and the clock takes it up. The edge point with the ray r in row v then obeys, with
s = (v + 0.5) / H - 1/2 and the rate w of the up vector,

    r . (up + s readout w) = -sin(dip)

A fit that takes all rows for simultaneous, with design A (columns r . e_roll, r . e_pitch) and weights W,
therefore finds ``up + readout N w`` with

    N = E (A^T W A)^-1 A^T W diag(s) A E^T,        E = [e_roll, e_pitch]

which is linear least squares and nothing else: exact for the weights that the robust fit ended with. N holds
both effects: a line above or below the middle row is seen early or late, and a line that crosses many rows
gets a false slope while the camera pitches. A turn about the vertical moves no horizon, so w is all there is
to know, and it is read off the neighbouring frames: the derivative of a cubic spline through their up
vectors. How far it can be trusted is told by the parabola through three of them. Of a swing, with x its
phase between two frames, the parabola loses x^2 / 6 of the rate and the spline x^4 / 180 (Taylor series of
sin(x) / x and 3 sin(x) / (x (2 + cos(x)))): the square of what they differ by, over what the parabola
still sees of the rate, bounds the spline's own error. Shaking with a period shorter than two and a half looks
is beyond both: its rate is misread, and the interval does not hold.
"""

import math

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solve_banded

from .angles import angles_from_up, tangent_frame
from .fit import inverse_2x2

__all__ = ["USUAL_READOUT_S", "at_middle_row", "readout_rms_s", "row_shift", "spline_rates"]

Array = NDArray[np.float64]

# What a rolling shutter's readout commonly is, s, where it is not told; never longer than a frame lasts
# (common practice).
USUAL_READOUT_S = (0.008, 0.033)
# Looks further apart than this tell nothing of the motion between them.
GAP_S = 0.6
# Noise of a cubic spline's slope, in units of the noise of its points over their distance: the root of
# 9 (2 / sqrt(3) - 1), the mean of (3 sin(x) / (2 + cos(x)))^2; at its ends about twice that.
SLOPE_NOISE, END_NOISE = 1.18, 2.5
# A motion is one when noise would look like it in one of a thousand frames (chi-square, two parts).
MOVES_CHI2 = -2 * math.log(0.001)
# A parabola that sees nearly nothing of the rate says no more than that it is far too quick for the looks.
LEAST_LEFT = 4.0
# Of a look without neighbours in a clip that tells no rate at all: of a camera that is not held still.
UNKNOWN_RATE_RAD_S = math.radians(5.0)
ROUNDS = 2


def row_shift(axes: Array, normal: Array, late: Array) -> Array:
    """N of the module's text (n, 3, 3): what a rate of the up vector does to the fit, per readout.

    ``axes`` (n, 3, 2): E. ``normal``, ``late`` (n, 2, 2): A^T W A and A^T W diag(s) A.
    """
    steadied = normal + 1e-9 * np.trace(normal, axis1=1, axis2=2)[:, None, None] * np.eye(2)
    return np.asarray(axes @ inverse_2x2(steadied) @ late @ np.swapaxes(axes, 1, 2))


def readout_rms_s(fps: float) -> float:
    """Root mean square, s, of a readout of which only the frame rate is known (0: not even that)."""
    low, high = USUAL_READOUT_S
    high = min(high, 1 / fps) if fps > 0 else high
    low = min(low, high)
    # Anywhere between the two alike.
    return math.sqrt((low**2 + low * high + high**2) / 3)


def at_middle_row(
    t_s: Array, up: Array, shift: Array, covariance: Array, *, readout_s: float | None, fps: float
) -> tuple[Array, Array]:
    """Up vectors and covariances of (roll, pitch), rad^2, of the middle rows of the frames of a clip.

    ``t_s`` (n,) rising; ``up`` (n, 3), ``covariance`` (n, 2, 2): as fitted. ``shift`` (n, 3, 3): of
    :func:`row_shift`. ``readout_s``: from the first to the last row of the stored picture, less than 0 when
    the last is read first; None: not known, then no up vector changes, and what a usual readout at ``fps``
    frames a second may do joins the covariance. A camera at rest is left as it is.
    """
    rate, sd = _rates(t_s, up, covariance)
    seen = up
    for _ in range(ROUNDS if readout_s else 0):
        moved = up - readout_s * np.einsum("nij,nj->ni", shift, rate)
        moves = rate.any(axis=1, keepdims=True)
        seen = np.where(moves, moved / np.linalg.norm(moved, axis=1, keepdims=True), up)
        rate, sd = _rates(t_s, seen, covariance)
    # With the readout told only the rate is open; without it the rate itself becomes an uncertainty.
    open_s = readout_rms_s(fps) if readout_s is None else abs(readout_s)
    roll, pitch = angles_from_up(seen)
    e_roll, e_pitch = tangent_frame(roll, pitch)
    per_rad = np.stack([e_roll / np.maximum(np.cos(pitch), 0.05)[:, None], e_pitch], axis=1)
    to_angles = open_s * per_rad @ shift
    axes = np.stack([e_roll, e_pitch], axis=2)
    spread = axes @ (sd[:, :, None] ** 2 * np.swapaxes(axes, 1, 2))
    if readout_s is None:
        spread = spread + rate[:, :, None] * rate[:, None, :]
    return seen, covariance + to_angles @ spread @ np.swapaxes(to_angles, 1, 2)


def _rates(t_s: Array, up: Array, covariance: Array) -> tuple[Array, Array]:
    """Rates of up vectors (n, 3), rad/s, and the sd of their parts along roll and pitch (n, 2); 0 at rest."""
    rate, sd = np.zeros_like(up), np.full((len(up), 2), np.nan)
    turned_over = np.sum(up[1:] * up[:-1], axis=1) < 0
    for part in np.split(np.arange(len(up)), np.flatnonzero((np.diff(t_s) > GAP_S) | turned_over) + 1):
        if len(part) > 1:
            rate[part], sd[part] = _rates_of(t_s[part], up[part], covariance[part])
    known = ~np.isnan(sd[:, 0])
    if not known.all():
        others = np.sqrt(np.mean(np.sum(rate[known] ** 2, axis=1)) / 2) if known.any() else UNKNOWN_RATE_RAD_S
        sd[~known] = others
    return rate, sd


def spline_rates(t_s: Array, values: Array) -> Array:
    """Derivatives at the knots of the cubic spline through values (n, k), not-a-knot at either end.

    de Boor, A Practical Guide to Splines (1978), chapter IV: rising times (n,), n of 2 or more.
    """
    step, rise = np.diff(t_s), np.diff(values, axis=0) / np.diff(t_s)[:, None]
    if len(t_s) == 2:
        return np.concatenate([rise, rise])
    if len(t_s) == 3:
        # Through three knots the parabola.
        bend = (rise[1] - rise[0]) / (t_s[2] - t_s[0])
        return np.stack([rise[0] - step[0] * bend, rise[0] + step[0] * bend, rise[1] + step[1] * bend])
    band = np.zeros((3, len(t_s)))
    band[0, 2:], band[1, 1:-1], band[2, :-2] = step[:-1], 2 * (step[1:] + step[:-1]), step[1:]
    right = np.empty_like(values)
    right[1:-1] = 3 * (step[1:, None] * rise[:-1] + step[:-1, None] * rise[1:])
    first, last = t_s[2] - t_s[0], t_s[-1] - t_s[-3]
    band[1, 0], band[0, 1] = step[1], first
    right[0] = ((step[0] + 2 * first) * step[1] * rise[0] + step[0] ** 2 * rise[1]) / first
    band[1, -1], band[2, -2] = step[-2], last
    right[-1] = (step[-1] ** 2 * rise[-2] + (2 * last + step[-1]) * step[-2] * rise[-1]) / last
    return np.asarray(solve_banded((1, 1), band, right))


def _rates_of(t_s: Array, up: Array, covariance: Array) -> tuple[Array, Array]:
    """The same of frames that follow one another closely."""
    roll, pitch = angles_from_up(up)
    axes = np.stack(tangent_frame(roll, pitch), axis=1)
    rough = np.einsum("nij,nj->ni", axes, np.gradient(up, t_s, axis=0))
    rate = np.einsum("nij,nj->ni", axes, spline_rates(t_s, up))
    # Two looks tell no more than their difference: the motion may begin or end with either.
    apart = np.abs(rate - rough) if len(t_s) > 2 else np.abs(rate)
    far, fast = _about(apart), _about(np.abs(rate))
    left = np.maximum(np.maximum(fast - far, np.maximum(fast, far) / LEAST_LEFT), 1e-12)
    missed = far**2 / left
    step_s = np.gradient(t_s)
    line = np.sqrt(np.einsum("nii->ni", covariance)) * np.column_stack([np.cos(pitch), np.ones_like(pitch)])
    factor = np.full(len(t_s), SLOPE_NOISE)
    factor[[0, -1]] = END_NOISE
    noise = factor[:, None] * line / step_s[:, None]
    moves = np.sum((rate / np.maximum(noise, 1e-12)) ** 2, axis=1) > MOVES_CHI2
    # Of a swing, the rate is nil where it turns: at rest is what rests with its neighbours.
    moves = _about(moves[:, None].astype(float))[:, 0] > 0
    rate = np.where(moves[:, None], rate, 0.0)
    sd = np.where(moves[:, None], np.hypot(missed, noise), 0.0)
    return np.einsum("nij,ni->nj", axes, rate), sd


def _about(values: Array) -> Array:
    """Largest of each row (n, k) and of the rows beside it."""
    before = np.vstack([values[:1], values[:-1]])
    after = np.vstack([values[1:], values[-1:]])
    return np.asarray(np.maximum(values, np.maximum(before, after)))
