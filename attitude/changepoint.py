"""A change of a rig's lean that nobody marked: whether there was one, at which shoot, and how large.

The n shoots are split in two at every place that leaves at least two on each side; with weights w = 1 / sd^2,
sd^2 = u^2 + u_rep^2 of each shoot, W the sum and m the weighted mean of a side,

    t = (m2 - m1) / (s sqrt(1 / W1 + 1 / W2)),   s^2 = sum w (x - m)^2 / (n - 2)

The largest |t| is compared with what the largest of all splits reaches in 95 of 100 series without a change,
drawn with the sds at hand: 3.2 for 20 equal shoots, where a single split that was known before needs 2.1
(Worsley 1979, for equal sd). s is learned from the series: a repeatability taken too small raises no alarm.

Where and how large follow from all splits, because the best one is chosen for being large: with a flat prior
on the place and on both levels (Smith 1975) a split has the probability

    P(split) ~ (W1 W2)^(-1/2) (sum w (x - m)^2)^(-(n - 2) / 2)

and the change is their mixture of t distributions with n - 2 degrees of freedom. Intervals are of that
mixture, and hold given that there was one change: a drift is described badly by a step.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtr

from attitude.findings import Estimate
from attitude.words import moved_words

__all__ = ["LEAST_SHOOTS", "ChangePoint", "ChangePointError", "change_words", "find_change"]

Array = NDArray[np.float64]

LEAST_SIDE = 2
LEAST_SHOOTS = 2 * LEAST_SIDE + 1
FALSE_ALARMS = 0.05
SERIES, SEED = 40_000, 20
CHANGE_SDS = np.linspace(-12.0, 12.0, 161)


class ChangePointError(ValueError):
    """A series too short to be split."""


@dataclass(frozen=True)
class ChangePoint:
    """One change in a series of shoots.

    found : largest_t, the largest |t| of all splits, is beyond threshold. at, first, last : row of the first
    shoot after the change, most probable and 95 % range. change_deg : signed, right side down +, the level
    after less the level before, with its 95 % interval; meaningful only where a change was found.
    """

    found: bool
    largest_t: float
    threshold: float
    at: int
    first: int
    last: int
    change_deg: float
    low_deg: float
    high_deg: float


def find_change(lean_deg: Array, sd_deg: Array) -> ChangePoint:
    """Search a series for one change.

    lean_deg, sd_deg : shape (n,), in the order filmed; sd_deg of a shoot, measurement and repeatability.
    Raises ChangePointError for fewer than ``LEAST_SHOOTS`` shoots.
    """
    n = len(lean_deg)
    if n < LEAST_SHOOTS:
        raise ChangePointError(f"{n} shoots: a change can be looked for in {LEAST_SHOOTS} or more")
    # sds that agree to a tenth share a threshold, and so do rigs that are all noisier by one factor.
    tenths = np.round(10 * sd_deg / sd_deg.min())
    limit = _threshold(tuple(tenths.tolist()))
    if np.ptp(lean_deg) == 0:  # nothing scatters, and nothing changed
        return ChangePoint(False, 0.0, limit, LEAST_SIDE, LEAST_SIDE, n - LEAST_SIDE, 0.0, 0.0, 0.0)
    weight = sd_deg**-2
    change, unit, left = (one[0] for one in _splits(lean_deg[np.newaxis], weight))
    scale = np.sqrt(left / (n - 2))
    size = np.abs(change) / (unit * scale)
    # (1 / W1 + 1 / W2) is (W1 + W2) / (W1 W2): W1 + W2 is the same for all.
    log_p = np.log(unit) - (n - 2) / 2 * np.log(left)
    p = np.exp(log_p - log_p.max())
    p /= p.sum()
    best = int(np.argmax(p))
    place = np.interp([0.025, 0.975], np.cumsum(p), np.arange(len(p)))
    grid = change[best] + float((unit * scale)[best]) * CHANGE_SDS
    cdf = p @ stdtr(n - 2, (grid - change[:, np.newaxis]) / (unit * scale)[:, np.newaxis])
    middle, low, high = np.interp([0.5, 0.025, 0.975], cdf, grid)
    return ChangePoint(
        found=bool(size.max() > limit),
        largest_t=float(size.max()),
        threshold=limit,
        at=best + LEAST_SIDE,
        first=int(np.ceil(place[0])) + LEAST_SIDE,
        last=int(np.ceil(place[1])) + LEAST_SIDE,
        change_deg=float(middle),
        low_deg=float(low),
        high_deg=float(high),
    )


def _splits(lean_deg: Array, weight: Array) -> tuple[Array, Array, Array]:
    """Change, its sd in units of s, and squares left, shape (series, splits), of lean_deg (series, n)."""
    total = np.cumsum(weight)
    kept = slice(LEAST_SIDE - 1, len(weight) - LEAST_SIDE)
    moment = np.cumsum(weight * lean_deg, axis=1)
    w1 = total[kept]
    w2 = total[-1] - w1
    m1 = moment[:, kept] / w1
    m2 = (moment[:, -1:] - moment[:, kept]) / w2
    unit = np.sqrt(1 / w1 + 1 / w2)
    mean = moment[:, -1:] / total[-1]
    about_mean = (weight * (lean_deg - mean) ** 2).sum(axis=1, keepdims=True)
    left = about_mean - ((m2 - m1) / unit) ** 2
    return m2 - m1, np.broadcast_to(unit, m1.shape), np.maximum(left, 1e-12 * about_mean)


@lru_cache(maxsize=256)
def _threshold(sd_tenths: tuple[float, ...]) -> float:
    """Largest |t| of all splits that 5 in 100 seeded series without a change exceed."""
    sd = np.array(sd_tenths)
    # Fewer of very long series, for memory.
    count = min(SERIES, 4_000_000 // len(sd))
    noise = np.random.default_rng(SEED).normal(0.0, sd, (count, len(sd)))
    change, unit, left = _splits(noise, sd**-2)
    largest = (np.abs(change) / (unit * np.sqrt(left / (len(sd) - 2)))).max(axis=1)
    return float(np.quantile(largest, 1 - FALSE_ALARMS))


def change_words(point: ChangePoint, names: list[str]) -> str:
    """What was found, for people. names : of the shoots, by row."""
    if not point.found:
        return "No change of the lean between these shoots stands out of what they scatter"
    half = (point.high_deg - point.low_deg) / 2
    place = names[point.at]
    if point.first < point.last:
        place += f" (between {names[point.first]} and {names[point.last]})"
    size = moved_words(Estimate(point.change_deg, half / 1.96))
    return f"The lean changed, and nobody marked why: from {place} on, against the shoots before, {size}"
