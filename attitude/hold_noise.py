"""Noise of a sensor at rest, from all holds of a capture together: of means of 0.5 s, and of sums of them.

Neighbouring means against each other tell the noise, hardly touched by drift and bump. A sensor's low-pass
filter, or a hand that sways, makes neighbours alike: then their difference is too small and the mean of a
hold knows less than its many readings promise. How alike, rho, is judged of all axes and holds together, by
the means and by the single readings, whichever is more: readings show a filter surely, means show a sway
below their noise. As a first-order Gauss-Markov process of time constant tau, means of length d have, with
a = d / tau,

    rho_k = (1 - e^-a)^2 e^-(k-1)a / (2 (a - 1 + e^-a)),

the integral of e^(-|s|/tau) over two blocks. The last digit of coarse readings is no noise that averages:
with noise of sd s in steps of q the mean stays off by about q/sqrt(12) exp(-2 (pi s/q)^2), the first harmonic
of the quantiser's error under Gaussian dither.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import toeplitz
from scipy.optimize import brentq

from attitude.capture import StaticHold

__all__ = ["BLOCK_S", "Blocks", "Noise", "blocks_of", "grain_g", "noise_of"]

Array = NDArray[np.float64]

BLOCK_S = 0.5
FEWEST_BLOCKS = 4
LEAST_G = 1e-6
MOST_ALIKE = 0.75  # tau of 1.1 s; what is slower than that is drift
ALIKE_SDS = 2.0  # rho of means that far from 0 is taken for real
FILTERED_SDS, LEAST_CORRELATION = 4.0, 0.05  # of readings likewise
CUT = 3.0  # a mean so far out, in robust sd, is a bump


@dataclass(frozen=True)
class Blocks:
    """Means of 0.5 s of a hold: t_s (n,) middle of each, reading_g and rate_dps (n, 3).

    lasts_s : of one block.
    """

    t_s: Array
    reading_g: Array
    rate_dps: Array | None
    lasts_s: float


@dataclass(frozen=True)
class Noise:
    """Noise of one mean, sd (3,), how alike neighbours are, and how well the variance is known.

    freedom : degrees of freedom of the variance of a slow sum.
    """

    sd: Array
    alike: float
    freedom: float

    def of_sum(self, gains: Array) -> Array:
        """Sd (3,) of a weighted sum of neighbouring means; gains (n,)."""
        shape = float(gains @ toeplitz(_correlations(self.alike, len(gains))) @ gains)
        return np.asarray(self.sd * np.sqrt(shape))


def blocks_of(hold: StaticHold) -> Blocks | None:
    """Means of a hold, None for an average, or for a hold too short to be judged."""
    if hold.period_s is None:
        return None
    size = max(1, round(BLOCK_S / hold.period_s))
    count = len(hold.readings_g) // size
    if count < FEWEST_BLOCKS:
        return None

    def means(values: Array) -> Array:
        return np.asarray(values[: count * size].reshape(count, size, 3).mean(axis=1))

    t_s: Array = hold.start_s + (np.arange(count, dtype=np.float64) + 0.5) * size * hold.period_s
    rate = None if hold.gyro_dps is None else means(hold.gyro_dps)
    return Blocks(t_s, means(hold.readings_g), rate, size * hold.period_s)


def noise_of(series: Sequence[Array], readings: Sequence[Array], block: float, least: Array) -> Noise:
    """Noise of means from their neighbours.

    series : (n, 3) per hold, means. readings : (m, 3) per hold, what they are of. block : readings in a mean.
    least : (3,), no noise is smaller.
    """
    steps = np.concatenate([np.diff(one, axis=0) for one in series])
    rough = 1.4826 * np.median(np.abs(steps), axis=0)
    # Of a sensor that repeats itself half the steps are none: then there is nothing to cut by.
    kept = np.where((np.abs(steps) <= 4 * rough) | (rough == 0), steps, np.nan)
    near = np.nanmean(kept**2, axis=0) / 2
    alike, alike_sd = _alike(series, _remembered(readings) / block)
    # Differences of neighbours share their means: n of them tell a variance as two thirds as many would.
    spread = 2 / (2 / 3 * len(steps)) + (_log_gain(alike) * alike_sd if alike else 0.0) ** 2
    sd = np.sqrt(near / (1 - alike))
    return Noise(np.maximum(sd, np.maximum(least, LEAST_G)), alike, 2 / spread)


def _alike(series: Sequence[Array], memory: float) -> tuple[float, float]:
    """Correlation of neighbouring means, 0 where none is there to see, and its sd.

    memory : time constant of the readings, in means.
    """
    levelled = [_levelled(one) for one in series]
    together = sum(float(np.sum(left[1:] * left[:-1])) for left in levelled)
    square = sum(float(np.sum(left**2)) * (1 - 1 / len(left)) for left in levelled)
    count = sum(left[1:].size for left in levelled)
    if square == 0:
        return 0.0, 0.0
    sd = 1 / float(np.sqrt(count))
    seen = together / square
    # Taking a line out of n means makes them a little unlike; more so the more alike they were.
    seen += (2 + 4 * max(seen, 0.0)) / float(np.mean([len(left) for left in levelled]))
    filtered = _neighbours(1 / memory) if memory else 0.0
    alike = max(seen if seen > ALIKE_SDS * sd else 0.0, filtered)
    return min(alike, MOST_ALIKE), sd


def _levelled(one: Array) -> Array:
    """A series (n, 3) less its line, in robust sd, what is far out cut."""
    since = np.arange(len(one)) - (len(one) - 1) / 2
    left = one - one.mean(axis=0)
    left -= np.outer(since, since @ left / np.sum(since**2))
    robust = 1.4826 * np.median(np.abs(left), axis=0)
    return np.where(robust > 0, np.clip(left / np.where(robust > 0, robust, 1.0), -CUT, CUT), 0.0)


def _remembered(readings: Sequence[Array]) -> float:
    """Time constant of single readings, in readings; 0 where neighbours are not alike.

    The sum of their correlations, up to where these are lost in noise.
    """
    levelled = [_levelled(one) for one in readings]
    square = sum(float(np.sum(left**2)) for left in levelled)
    count = sum(left.size for left in levelled)
    lost = FILTERED_SDS / np.sqrt(max(count, 1))
    longest = min(len(left) for left in levelled) // 3
    memory = 0.5
    for lag in range(1, longest):
        together = sum(float(np.sum(left[lag:] * left[:-lag])) for left in levelled)
        correlation = together / square if square else 0.0
        if correlation < max(lost, LEAST_CORRELATION):
            return memory if lag > 1 else 0.0
        memory += correlation
    return memory


def _neighbours(a: float) -> float:
    """Correlation of neighbouring means of a time constants each."""
    return float((1 - np.exp(-a)) ** 2 / (2 * (a - 1 + np.exp(-a))))


def _decay(alike: float) -> float:
    """e^-a of a process whose neighbouring means have that correlation."""
    return float(np.exp(-brentq(lambda a: _neighbours(a) - alike, 1e-3, 1e3)))


def _correlations(alike: float, count: int) -> Array:
    row = np.zeros(count)
    row[0] = 1.0
    if alike > 0:
        row[1:] = alike * _decay(alike) ** np.arange(count - 1)
    return row


def _log_gain(alike: float) -> float:
    """Change of the logarithm of a slow sum's variance, as its neighbours tell it, with their correlation."""

    def log(rho: float) -> float:
        return float(np.log((1 + 2 * rho / (1 - _decay(rho))) / (1 - rho)))

    return (log(alike + 0.005) - log(alike - 0.005)) / 0.01


def grain_g(holds: Sequence[StaticHold]) -> Array:
    """What the last digit leaves in a mean of readings, sd (3,)."""
    logged = [hold for hold in holds if hold.period_s is not None]
    step = max(hold.step_g for hold in logged)
    if step == 0:
        return np.zeros(3)
    scatter = np.median([np.std(hold.readings_g, axis=0) for hold in logged], axis=0)
    dither = np.maximum(scatter**2 / step**2 - 1 / 12, 0.0)
    return np.asarray(step / np.sqrt(12) * np.exp(-2 * np.pi**2 * dither))
