"""Generalised least squares with Gaussian priors on correlated blocks, and the evidence for a set of priors.

Noise: each component (roll, pitch, other witnesses) is a first-order autoregression between the blocks of a
gapless piece. Rows are whitened as Prais and Winsten (1954) do: z_1 = sqrt(1 - rho^2) y_1, z_i = y_i - rho
y_(i-1), over s. rho is the residuals' lag-one correlation, corrected for its bias in short series, rho +
(1 + 3 rho) / n (Kendall 1954; Marriott and Pope 1954). s^2 = (nu s0^2 + sum of squares) / (nu + n - p): the
few degrees nu of a usual s0 keep it off 0 where a shoot has a handful of blocks, and count in the t quantile.

With whitened columns A, data y and prior sd in S = diag(sd), F = A'A, b = A'y:

    posterior covariance = S (I + S F S)^-1 S,  mean = covariance b
    log evidence = log N(y; 0, I + A S S A') = -1/2 [ log det(I + S F S) + y'y - b' covariance b ] + const

where the constant holds the determinant of the whitening, so that noise of different size can be compared.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

# fmt: off
__all__ = [
    "Fit", "Noise", "Normal", "effective_count", "fit", "log_evidence", "mixture", "normal_of", "posterior",
]
# fmt: on

Array = NDArray[np.float64]

USUAL_DOF = 3.0
ROUNDS = 6
MOST_RHO = 0.9


@dataclass(frozen=True)
class Noise:
    """How the rows of a fit hang together.

    series : shape (rows,), number of the unbroken piece of one component that a row belongs to; neighbours
    in time are neighbours in the array. component : 0 roll, 1 pitch, more for other witnesses. relative_sd :
    1 where usual.
    """

    series: NDArray[np.intp]
    component: NDArray[np.intp]
    relative_sd: Array

    @cached_property
    def first(self) -> NDArray[np.bool_]:
        """Rows (rows,) that begin a series."""
        return np.concatenate([[True], np.diff(self.series) != 0])

    def whiten(self, x: Array, rho: Array, sd: Array) -> Array:
        """Rows of ``x``, shape (rows, ...), decorrelated and scaled to unit variance."""
        aside = (-1, *([1] * (x.ndim - 1)))
        row_rho = rho[self.component]
        # What a row keeps of itself and takes off of the one before; the first of a series has none before.
        size = 1 / (self.relative_sd * sd[self.component])
        keeps = np.where(self.first, np.sqrt(1 - row_rho**2), 1.0) * size
        takes = (
            np.where(self.first, 0.0, row_rho)[1:] * size[1:] * self.relative_sd[1:] / self.relative_sd[:-1]
        )
        out = x * keeps.reshape(aside)
        out[1:] -= takes.reshape(aside) * x[:-1]
        return np.asarray(out)

    def log_scale(self, rho: Array, sd: Array) -> float:
        """Log determinant of the whitening."""
        row = -np.log(sd[self.component] * self.relative_sd)
        return float(np.sum(row) + 0.5 * np.sum(np.log(1 - rho[self.component[self.first]] ** 2)))


@dataclass(frozen=True)
class Fit:
    """Posterior of the unknowns. ``rho``, ``sd`` (innovation) and ``dof`` of each component of the noise."""

    mean: Array
    cov: Array
    rho: Array
    sd: Array
    dof: Array
    log_evidence: float


def effective_count(count: float, rho: float) -> float:
    """How many independent values ``count`` correlated ones are worth: n (1 - r) / (1 + r).

    Zwiers and von Storch, J. Climate 1995, p. 336 ff. Negative correlation is taken as none.
    """
    rho = max(rho, 0.0)
    return count * (1 - rho) / (1 + rho)


def fit(
    columns: Array,
    y: Array,
    noise: Noise,
    prior_sd: Array,
    *,
    usual_sd: Array,
    usual_dof: Array | float = USUAL_DOF,
) -> Fit:
    """Posterior with the noise found from the residuals.

    usual_sd : shape (components,), s0. usual_dof : nu, how many residuals s0 counts for.
    """
    known = np.broadcast_to(np.asarray(usual_dof, float), usual_sd.shape)
    rho, sd, dof = np.zeros(len(usual_sd)), usual_sd.copy(), known.copy()
    for _ in range(ROUNDS):
        A, z = noise.whiten(columns, rho, sd), noise.whiten(y, rho, sd)
        mean, cov = posterior(A, z, prior_sd)
        left = (y - columns @ mean) / noise.relative_sd
        used = np.sum((A @ cov) * A, axis=1)
        innovation = noise.whiten(y - columns @ mean, rho, np.ones(len(sd)))
        follows = np.flatnonzero(~noise.first)
        for k in range(len(sd)):
            rows = noise.component == k
            n = np.count_nonzero(rows)
            pairs = follows[rows[follows]]
            power = float(left[rows] @ left[rows])
            if len(pairs) > 3 and power > 0:
                raw = float(left[pairs] @ left[pairs - 1]) / power * n / len(pairs)
                rho[k] = np.clip(raw + (1 + 3 * raw) / n, 0.0, MOST_RHO)
            dof[k] = max(known[k] + n - float(used[rows].sum()), known[k], 1.0)
            sd[k] = np.sqrt((known[k] * usual_sd[k] ** 2 + float(np.sum(innovation[rows] ** 2))) / dof[k])
    A, z = noise.whiten(columns, rho, sd), noise.whiten(y, rho, sd)
    mean, cov = posterior(A, z, prior_sd)
    return Fit(mean, cov, rho, sd, dof, log_evidence(columns, y, noise, prior_sd, rho, sd))


@dataclass(frozen=True)
class Normal:
    """Normal equations of whitened columns A and data z: F = A'A, b = A'z, z'z, and the whitening's size."""

    F: Array
    b: Array
    power: float
    log_scale: float

    def log_evidence(self, prior_sd: Array) -> float:
        """:func:`log_evidence` of what these are of."""
        inner = np.eye(len(prior_sd)) + prior_sd[:, np.newaxis] * self.F * prior_sd
        chol = np.linalg.cholesky(inner)
        half = np.linalg.solve(chol, prior_sd * self.b)
        log_det = 2 * float(np.sum(np.log(np.diag(chol))))
        return self.log_scale - 0.5 * (log_det + self.power - float(half @ half))


def normal_of(columns: Array, y: Array, noise: Noise, rho: Array, sd: Array) -> Normal:
    """Normal equations of columns (rows, unknowns) and data (rows,) for given noise."""
    A, z = noise.whiten(columns, rho, sd), noise.whiten(y, rho, sd)
    return Normal(A.T @ A, A.T @ z, float(z @ z), noise.log_scale(rho, sd))


def log_evidence(columns: Array, y: Array, noise: Noise, prior_sd: Array, rho: Array, sd: Array) -> float:
    """Log probability of the data for given noise, the unknowns integrated over their priors."""
    return normal_of(columns, y, noise, rho, sd).log_evidence(prior_sd)


def mixture(parts: Sequence[tuple[Array, Array]], weights: Array) -> tuple[Array, Array]:
    """Mean and covariance of a weighted mixture of means and covariances."""
    mean = np.asarray(sum(w * m for w, (m, _) in zip(weights, parts, strict=True)))
    cov = sum(w * (c + np.outer(m - mean, m - mean)) for w, (m, c) in zip(weights, parts, strict=True))
    return mean, np.asarray(cov)


def posterior(A: Array, z: Array, prior_sd: Array) -> tuple[Array, Array]:
    """Mean and covariance of the unknowns for whitened columns ``A`` (rows, k) and data ``z`` (rows,)."""
    scaled = A * prior_sd
    inner = np.linalg.inv(np.eye(len(prior_sd)) + scaled.T @ scaled)
    cov = prior_sd[:, np.newaxis] * inner * prior_sd
    return cov @ (A.T @ z), cov
