"""How much one shoot of a rig differs from the next while nothing is changed: learned from the rig's shoots.

A run is a rig's shoots, in the order filmed, from one that follows a change (a calibration, a trim, anything
in ``changed``) up to the next change. Within run r the leans scatter about one mean,

    L_i ~ N(m_r, sigma^2 + u_i^2),   u_i of the measurement, sigma the repeatability that is sought.

With m_r integrated out (the restricted likelihood: Patterson and Thompson 1971) and a scaled inverse
chi-square prior on sigma^2, scale 0.07 deg and 3 degrees of freedom, the posterior stands on a grid of sigma.
It is handed on as E[sigma^2], because it is added to other variances, and as the degrees of freedom nu with
which log sigma^2 of a scaled inverse chi-square is known as well: var[log sigma^2] = trigamma(nu / 2).

Where u is nothing that is E[sigma^2] = (nu0 s0^2 + sum (L - mean)^2) / (nu - 2), nu = nu0 + shoots - runs
(Gelman et al., Bayesian Data Analysis, section 2.6; from memory); else the measurement's variance is taken
off, and where hardly anything is left the few degrees of freedom say so instead of a variance below zero.
The median or 1 / E[1 / sigma^2] in its place let 6 to 7 of 100 unchanged pairs pass for changed at a true
0.1 deg learned from five or eight shoots; the mean 4 (simulated, one shoot a side measured to 0.05 deg).

Three degrees for the default: a figure from common practice that is right to a factor of two or so (GUM
G.4.2: nu = 1/2 (relative uncertainty)^-2, 3 for 40 %). An unmarked calibration or a drift within a run makes
the repeatability too large, never too small: what is claimed from it errs to the side of "no evidence".
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.special import polygamma

from attitude.findings import REPEAT_SD_DEG
from attitude.recorded import Recorded, moment
from attitude.words import range_words

__all__ = ["DEFAULT", "Repeatability", "carried", "in_order", "label", "learn", "repeat_words"]

Array = NDArray[np.float64]

DEFAULT_DOF = 3.0
LEAST_DOF = 4  # as five shoots in one run have
SIGMA_DEG = np.geomspace(1e-3, 10.0, 300)


@dataclass(frozen=True)
class Repeatability:
    """Standard deviation of a rig's lean from shoot to shoot, measurement taken off.

    low_deg, high_deg : 95 % interval of it. dof : degrees of freedom of sd_deg. shoots : it was learned
    from, 0 where it is the default.
    """

    sd_deg: float
    low_deg: float
    high_deg: float
    dof: float
    shoots: int

    @property
    def learned(self) -> bool:
        """Whether the rig's own shoots say so."""
        return self.shoots > 0


# Interval: sd sqrt(dof / chi-square quantile).
DEFAULT = Repeatability(REPEAT_SD_DEG, low_deg=0.040, high_deg=0.26, dof=DEFAULT_DOF, shoots=0)


def label(text: str) -> str:
    """A label as it is compared: white space and capitals do not tell two apart."""
    return " ".join(text.split()).casefold()


def in_order(shoots: Sequence[Recorded]) -> list[Recorded]:
    """Shoots as they were filmed; those of one date as they were checked."""
    return sorted(shoots, key=lambda shoot: (moment(shoot.filmed), moment(shoot.recorded)))


def carried(shoots: Sequence[Recorded]) -> list[Recorded]:
    """Shoots of one rig in order, each without a calibration under that of the one before.

    A label that was left out is not known, and no new calibration.
    """
    out: list[Recorded] = []
    for shoot in shoots:
        known = label(shoot.calibration) or not out
        out.append(shoot if known else replace(shoot, calibration=out[-1].calibration))
    return out


def learn(shoots: Sequence[Recorded], rig: str) -> Repeatability:
    """Repeatability of one rig from all that is on record of it.

    The default where the rig's runs have fewer than four degrees of freedom together (five shoots in one
    run, six in two), and for a rig without a name, which may be several.
    """
    own = carried([shoot for shoot in in_order(shoots) if rig and label(shoot.rig) == label(rig)])
    runs = [run for run in _runs(own) if len(run) > 1]
    count = sum(len(run) for run in runs)
    if count - len(runs) < LEAST_DOF:
        return DEFAULT
    variance = SIGMA_DEG**2
    log_density = -DEFAULT_DOF / 2 * (np.log(variance) + REPEAT_SD_DEG**2 / variance)
    for run in runs:
        lean = np.array([value for value, _ in run])
        log_density += _log_likelihood(lean, np.array([sd for _, sd in run]))
    density = np.exp(log_density - log_density.max())
    density /= density.sum()
    low, high = np.interp([0.025, 0.975], np.cumsum(density) - density / 2, SIGMA_DEG)
    spread = float(density @ (np.log(variance) - density @ np.log(variance)) ** 2)
    # Slow to load, and needed only for rigs of many shoots.
    from scipy.optimize import brentq

    dof = brentq(lambda nu: polygamma(1, nu / 2) - spread, 0.1, 1e6)
    return Repeatability(float(density @ variance) ** 0.5, float(low), float(high), float(dof), count)


def _runs(shoots: Sequence[Recorded]) -> list[list[tuple[float, float]]]:
    """Lean and its sd, of the shoots of one rig, between changes; shoots of unknown lean are passed over."""
    breaks = [bool(now.changed) or _state(now) != _state(before) for before, now in pairwise(shoots)]
    runs: list[list[tuple[float, float]]] = [[]]
    for shoot, starts in zip(shoots, [False, *breaks], strict=False):
        if starts:
            runs.append([])
        if shoot.lean is not None:
            runs[-1].append((shoot.lean.value, shoot.lean.sd))
    return runs


def _state(shoot: Recorded) -> tuple[str, float]:
    return label(shoot.calibration), shoot.trim_deg


def _log_likelihood(lean_deg: Array, sd_deg: Array) -> Array:
    """Restricted log likelihood of one run, one per ``SIGMA_DEG``; a constant is left out."""
    variance = SIGMA_DEG[:, np.newaxis] ** 2 + sd_deg**2
    weight = 1 / variance
    total = weight.sum(axis=1)
    mean = weight @ lean_deg / total
    squares = (weight * (lean_deg - mean[:, np.newaxis]) ** 2).sum(axis=1)
    return np.asarray(-0.5 * (np.log(variance).sum(axis=1) + np.log(total) + squares))


def repeat_words(repeatability: Repeatability) -> str:
    """Repeatability for people: how large, how well known, and from what."""
    between = range_words(repeatability.low_deg, repeatability.high_deg, "deg")
    if not repeatability.learned:
        return (
            f"One shoot is taken to differ from the next by {REPEAT_SD_DEG:g} deg (standard deviation, "
            f"{between}): not learned yet, that needs five shoots of this rig with nothing changed"
        )
    return (
        f"One shoot differs from the next by {between} (standard deviation), "
        f"learned from {repeatability.shoots} shoots of this rig with nothing changed"
    )
