"""The observation model fitted with the filter's time constant left open.

The fit is made at each time constant of a coarse grid and again between the neighbours of the best one.
Weights are the penalised likelihood (evidence without its volume term: that term prefers, for every wide
prior whose column vanishes with a short time constant, the short time constant, which is no finding), with
the log of it divided by the square of the inflation that all uncertainties get. What is reported is the
mean and covariance of the weighted mixture, so that a time constant that the footage cannot tell widens
what depends on it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.stats import t as student

from attitude.causes import ObservationModel
from attitude.findings import Estimate
from attitude.gls import Fit, Noise, fit, mixture

__all__ = ["INFLATE", "Solution", "solve"]

Array = NDArray[np.float64]

# Wrong model constants and slow noise left 95 % intervals covering 80 to 89 times in 100 in simulation;
# 1.4 times the sd and a floor restore 95 and more.
INFLATE = 1.4
TIME_CONSTANTS_S = (0.5, 0.7, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.5, 8.0, 10.0, 13.0, 17.0, 22.0)
REFINED = 7
USUAL_SD_DEG = 0.02  # noise of a block where the footage is clean


@dataclass(frozen=True)
class Solution:
    """The model fitted at every time constant, with the weights of the fits.

    floor_deg : sd that all frames share in roll and pitch, to be added to what turns with the camera.
    width : share of the log time-constant axis that each fit stands for.
    """

    model: ObservationModel
    time_constants_s: Array
    columns: tuple[Array, ...]
    fits: tuple[Fit, ...]
    width: Array
    weights: Array
    noise: Noise
    floor_deg: float
    t95: float

    @property
    def best_columns(self) -> Array:
        """Columns at the most probable time constant."""
        return self.columns[int(np.argmax(self.weights / self.width))]

    def vector(self, **weights: float) -> Array:
        """Coefficients of a sum of unknowns; those that the model does not have count as nothing."""
        out = np.zeros(len(self.model.unknowns))
        for name, weight in weights.items():
            if name in self.model.names:
                out[self.model.names.index(name)] = weight
        return out

    def joint(self, vectors: Sequence[Array]) -> tuple[Array, Array]:
        """Mean and inflated covariance of several sums of unknowns, floors not added."""
        G = np.stack(list(vectors))
        mean, cov = mixture(self.fits, self.weights, lambda one: (G @ one.mean, G @ one.cov @ G.T))
        return mean, INFLATE**2 * cov

    def estimate(self, vector: Array, *, floor: float, limit: float, scale: float = 1.0) -> Estimate:
        """A sum of unknowns times ``scale``; determined when its sd before scaling is at most ``limit``."""
        mean, cov = self.joint([vector])
        sd = float(np.sqrt(cov[0, 0] + floor**2))
        return Estimate(float(mean[0]) * scale, sd * scale, self.t95, sd <= limit)

    def time_constant(self) -> Estimate:
        """Filter time constant, seconds; determined when narrowed to a third of itself."""
        mean = float(self.weights @ self.time_constants_s)
        sd = float(np.sqrt(self.weights @ (self.time_constants_s - mean) ** 2))
        return Estimate(mean, max(sd, 0.03 * mean), determined=sd < mean / 3)


def solve(model: ObservationModel, floor_deg: float) -> Solution:
    """Fit the model at every time constant."""
    blocks = model.blocks
    component = np.repeat([0, 1], len(blocks)).astype(np.intp)
    series = np.concatenate([model.piece, model.piece + model.piece.max() + 1]).astype(np.intp)
    sds = [np.nan_to_num(blocks[f"{axis}_sd_deg"].to_numpy(float)) for axis in ("roll", "pitch")]
    usual = np.array([max(USUAL_SD_DEG, float(np.median(sd))) for sd in sds])
    relative = [np.clip(sd / s0, 1.0, 5.0) for sd, s0 in zip(sds, usual, strict=True)]
    noise = Noise(series, component, np.concatenate(relative))

    coarse = np.array(TIME_CONSTANTS_S)
    done = {float(tau): _fit(model, float(tau), noise, usual) for tau in coarse}
    best = int(np.argmax([likelihood for _, _, likelihood in done.values()]))
    low, high = coarse[max(best - 1, 0)], coarse[min(best + 1, len(coarse) - 1)]
    for tau in np.geomspace(low, high, REFINED + 2)[1:-1]:
        if float(tau) not in done:
            done[float(tau)] = _fit(model, float(tau), noise, usual)

    taus = np.array(sorted(done))
    width = np.gradient(np.log(taus))
    log_weights = np.array([done[tau][2] for tau in taus]) / INFLATE**2
    weights = width * np.exp(log_weights - log_weights.max())
    weights /= weights.sum()
    fits = tuple(done[tau][1] for tau in taus)
    dof = float(sum(w * one.dof.min() for w, one in zip(weights, fits, strict=True)))
    return Solution(
        model=model,
        time_constants_s=taus,
        columns=tuple(done[tau][0] for tau in taus),
        fits=fits,
        width=width / width.sum(),
        weights=weights,
        noise=noise,
        floor_deg=floor_deg,
        t95=float(student.ppf(0.975, dof)),
    )


def _fit(model: ObservationModel, tau_s: float, noise: Noise, usual: Array) -> tuple[Array, Fit, float]:
    """Columns, posterior and penalised log likelihood at one time constant."""
    wide = np.array([unknown.wide_sd for unknown in model.unknowns])
    mean = np.array([unknown.mean for unknown in model.unknowns])
    A = model.columns(tau_s)
    one = fit(A, model.residual_deg - A @ mean, noise, wide, usual_sd=usual)
    scaled = noise.whiten(A, one.rho, one.sd) * wide
    volume = 0.5 * float(np.linalg.slogdet(np.eye(len(wide)) + scaled.T @ scaled)[1])
    return A, replace(one, mean=one.mean + mean), one.log_evidence + volume
