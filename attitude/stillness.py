"""Whether a hold was still: drift, bumps and turning in it, how noisy it is, how long it should last.

A hold is cut into means of 0.5 s. Their noise is that of neighbouring means against each other, of all holds
together, so that a hold that drifts does not hide in its own noise. Drift: the slope of the means across the
face. Bump: a mean far off the line through the others. Turning: the gyro against its own mean in the hold.
Each kind has its share of false alarms for the whole capture, however many means there are (Bonferroni), and
a size below which it would not matter.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import ceil

import numpy as np
from numpy.typing import NDArray
from scipy.stats import f, t

from attitude.capture import StaticHold
from attitude.face_models import laterals_of

__all__ = [
    "AVERAGE_SD_G",
    "BLOCK_S",
    "FALSE_BUMPS",
    "FALSE_DRIFTS",
    "FALSE_TURNS",
    "WANTED_MG",
    "Stillness",
    "stillness",
]

Array = NDArray[np.float64]

BLOCK_S = 0.5
FALSE_DRIFTS, FALSE_BUMPS, FALSE_TURNS = 0.003, 0.001, 0.0005  # of a whole capture
LEAST_DRIFT_DEG, LEAST_BUMP_MG, LEAST_TURN_DPS = 0.02, 1.0, 0.3
FEWEST_BLOCKS = 4
WANTED_MG = 0.2  # of the mean of a face: 0.011 deg, less than anything else
SHORTEST_S = 5.0  # a drift does not show in less
DEG_PER_RAD = 180 / np.pi
# An average whose readings are not known: ten seconds of a part with 1.5 mg of noise, common practice.
AVERAGE_SD_G = 5e-5


@dataclass(frozen=True)
class Stillness:
    """How still one hold was.

    noise_mg : of single readings, along the noisiest axis, None for an average. mean_sd_g : of the mean.
    drift_deg : over the hold, towards the face's two lateral axes, None where it cannot be judged.
    drifts, bumped, turned : what is beyond its limit; bump_s : log time of the largest bump. needed_s : how
    long to hold for ``WANTED_MG``.
    """

    noise_mg: float | None
    mean_sd_g: float
    drift_deg: tuple[float, float] | None = None
    drifts: bool = False
    bumped: bool = False
    bump_mg: float = 0.0
    bump_s: float = 0.0
    turned: bool = False
    needed_s: float | None = None

    @property
    def still(self) -> bool:
        """Whether nothing moved."""
        return not (self.drifts or self.bumped or self.turned)


@dataclass(frozen=True)
class _Blocks:
    """Means of 0.5 s of a hold: t_s (n,) middle of each, reading_g and rate_dps (n, 3)."""

    t_s: Array
    reading_g: Array
    rate_dps: Array | None
    lasts_s: float


def stillness(holds: Sequence[StaticHold], axes: Sequence[int]) -> tuple[Stillness, ...]:
    """Judge all holds of a capture together.

    axes : of each hold, the one that carries gravity.
    """
    blocks = [_blocks(hold) for hold in holds]
    judged = [b for b in blocks if b is not None]
    if not judged:
        return tuple(Stillness(None, AVERAGE_SD_G) for _ in holds)
    noise_g = _noise([b.reading_g for b in judged])
    rates = [b.rate_dps for b in judged if b.rate_dps is not None]
    noise_dps = _noise(rates) if rates else np.full(3, np.inf)
    count = sum(len(b.t_s) for b in judged)
    # Differences of neighbours share their means: n of them tell a variance as two thirds as many would.
    freedom = 2 / 3 * (count - len(judged))
    limits = _Limits(
        noise_g,
        noise_dps,
        2 * float(f.isf(FALSE_DRIFTS / len(judged), 2, freedom)),
        _two_sided(FALSE_BUMPS, 6 * count, freedom),
        _two_sided(FALSE_TURNS, 3 * count, freedom),
    )
    return tuple(
        Stillness(None, AVERAGE_SD_G) if b is None else _judged(hold, b, laterals_of(axis), limits)
        for hold, b, axis in zip(holds, blocks, axes, strict=True)
    )


@dataclass(frozen=True)
class _Limits:
    """Noise of a mean of 0.5 s, (3,), and how many times the noise is an alarm; of a drift its square."""

    noise_g: Array
    noise_dps: Array
    drift: float
    bump: float
    turn: float


def _two_sided(share: float, tests: int, freedom: float) -> float:
    return float(t.isf(share / tests / 2, freedom))


def _blocks(hold: StaticHold) -> _Blocks | None:
    """None for an average, or for a hold too short to be judged."""
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
    return _Blocks(t_s, means(hold.readings_g), rate, size * hold.period_s)


def _noise(series: Sequence[Array]) -> Array:
    """Noise of a mean from its neighbours, (3,); bumps are cut off, slopes hardly enter."""
    steps = np.concatenate([np.diff(one, axis=0) for one in series])
    rough = 1.4826 * np.median(np.abs(steps), axis=0)
    kept = np.where(np.abs(steps) <= 4 * rough, steps, np.nan)
    # A sensor that repeats itself has no noise to see; its last digit is some.
    return np.asarray(np.maximum(np.sqrt(np.nanmean(kept**2, axis=0) / 2), 1e-6))


def _judged(hold: StaticHold, blocks: _Blocks, across: tuple[int, int], limits: _Limits) -> Stillness:
    since_s = blocks.t_s - blocks.t_s.mean()
    length = float(np.sqrt(np.sum(since_s**2)))
    slope = since_s @ blocks.reading_g / length**2
    level = blocks.reading_g.mean(axis=0)
    # A bump that lies half in one mean and half in the next is whole in one of those half a block later.
    late = _blocks(replace(hold, readings_g=hold.readings_g[_half_block(hold) :], gyro_dps=None))
    both = [(blocks.t_s, blocks.reading_g)]
    if late is not None:
        both.append((late.t_s + _half_block(hold) * (hold.period_s or 0.0), late.reading_g))
    at_s = np.concatenate([t_s for t_s, _ in both])
    left = np.concatenate([g - level - (t_s - blocks.t_s.mean())[:, None] * slope for t_s, g in both])
    bumps = np.abs(left - np.median(left, axis=0))
    far = bumps / limits.noise_g
    place = np.unravel_index(int(np.argmax(far)), far.shape)
    bump_mg = 1000 * float(bumps[place])
    lateral = list(across)
    drift_deg = DEG_PER_RAD * len(blocks.t_s) * blocks.lasts_s * slope[lateral]
    times = float(np.sum((slope[lateral] * length / limits.noise_g[lateral]) ** 2))
    turned = False
    if blocks.rate_dps is not None:
        rates = np.abs(blocks.rate_dps - np.median(blocks.rate_dps, axis=0))
        turned = bool(np.any((rates > limits.turn * limits.noise_dps) & (rates > LEAST_TURN_DPS)))
    noise = float(limits.noise_g.max())
    return Stillness(
        noise_mg=1000 * float(np.median(np.std(hold.readings_g, axis=0))),
        mean_sd_g=noise / float(np.sqrt(len(blocks.t_s))),
        drift_deg=(float(drift_deg[0]), float(drift_deg[1])),
        drifts=times > limits.drift and float(np.hypot(*drift_deg)) > LEAST_DRIFT_DEG,
        bumped=bool(far[place] > limits.bump) and bump_mg > LEAST_BUMP_MG,
        bump_mg=bump_mg,
        bump_s=float(at_s[place[0]]),
        turned=turned,
        needed_s=max(SHORTEST_S, float(ceil(blocks.lasts_s * (1000 * noise / WANTED_MG) ** 2))),
    )


def _half_block(hold: StaticHold) -> int:
    """Readings in half a block."""
    return round(BLOCK_S / 2 / hold.period_s) if hold.period_s else 0
