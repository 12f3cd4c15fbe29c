"""Whether a hold was still: drift, bumps and turning in it, how noisy it is, how long it should last.

A hold is cut into means of 0.5 s, whose noise is judged of all holds together
(:mod:`attitude.hold_noise`), so that a hold that drifts does not hide in its own noise. Drift: the slope of
the means across the face. Bump: a mean far off the line through the others. Turning: the gyro against its own
mean in the hold. Each kind has its share of false alarms for the whole capture, however many means there are
(Bonferroni), and a size below which it would not matter.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import ceil

import numpy as np
from numpy.typing import NDArray
from scipy.special import fdtri, stdtrit

from attitude.capture import StaticHold
from attitude.face_models import laterals_of
from attitude.hold_noise import BLOCK_S, Blocks, Noise, blocks_of, grain_g, noise_of

__all__ = [
    "AVERAGE_SD_G",
    "FALSE_BUMPS",
    "FALSE_DRIFTS",
    "FALSE_TURNS",
    "WANTED_MG",
    "Stillness",
    "stillness",
]

Array = NDArray[np.float64]

FALSE_DRIFTS, FALSE_BUMPS, FALSE_TURNS = 0.003, 0.001, 0.0005  # of a whole capture
LEAST_DRIFT_DEG, LEAST_BUMP_MG, LEAST_TURN_DPS = 0.02, 1.0, 0.3
WANTED_MG = 0.2  # of the mean of a face: 0.011 deg, less than anything else
SHORTEST_S = 5.0
# A drift of so much is to show as good as always: so many sd of its size, from simulated captures.
SHOWN_DEG, SHOWN_SDS = 0.1, 6.8
LONGEST_FOR_DRIFT_S = 20.0  # nobody holds still longer for that
DEG_PER_RAD = 180 / np.pi
# An average whose readings are not known: ten seconds of a part with 1.5 mg of noise, common practice.
AVERAGE_SD_G = 5e-5


@dataclass(frozen=True)
class Stillness:
    """How still one hold was.

    noise_mg : of single readings, the middle of the three axes, None for an average. mean_sd_g : of the mean.
    drift_deg : over the hold, towards the face's two lateral axes, None where it cannot be judged.
    drifts, bumped, turned : what is beyond its limit; bump_s : log time of the largest bump. needed_s : how
    long to hold for a mean of ``WANTED_MG`` and a drift of ``SHOWN_DEG``.
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


def stillness(holds: Sequence[StaticHold], axes: Sequence[int]) -> tuple[Stillness, ...]:
    """Judge all holds of a capture together.

    axes : of each hold, the one that carries gravity.
    """
    blocks = [blocks_of(hold) for hold in holds]
    judged = [b for b in blocks if b is not None]
    if not judged:
        return tuple(_average(hold) for hold in holds)
    grain = grain_g(holds)
    long = [hold for hold, b in zip(holds, blocks, strict=True) if b is not None]
    size = float(np.mean([b.lasts_s / (hold.period_s or 1.0) for hold, b in zip(long, judged, strict=True)]))
    felt = noise_of([b.reading_g for b in judged], [hold.readings_g for hold in long], size, grain)
    rates = [b.rate_dps for b in judged if b.rate_dps is not None]
    turns = [hold.gyro_dps for hold in long if hold.gyro_dps is not None]
    rate = noise_of(rates, turns, size, np.zeros(3)) if rates else None
    count = sum(len(b.t_s) for b in judged)
    limits = _Limits(
        felt,
        rate,
        grain,
        2 * float(fdtri(2, felt.freedom, 1 - FALSE_DRIFTS / len(judged))),
        _two_sided(FALSE_BUMPS, 6 * count, felt.freedom),
        _two_sided(FALSE_TURNS, 3 * count, rate.freedom) if rate else np.inf,
    )
    return tuple(
        _average(hold) if b is None else _judged(hold, b, laterals_of(axis), limits)
        for hold, b, axis in zip(holds, blocks, axes, strict=True)
    )


def _average(hold: StaticHold) -> Stillness:
    """Of a mean whose readings are not known, or too few to be judged."""
    return Stillness(None, float(np.hypot(AVERAGE_SD_G, hold.step_g / np.sqrt(12))))


@dataclass(frozen=True)
class _Limits:
    """Noise of means of 0.5 s, of readings and of rates, and how many times it is an alarm.

    drift : the square of how many times. grain_g : (3,), of the last digit.
    """

    noise: Noise
    rate: Noise | None
    grain_g: Array
    drift: float
    bump: float
    turn: float


def _two_sided(share: float, tests: int, freedom: float) -> float:
    return -float(stdtrit(freedom, share / tests / 2))


def _judged(hold: StaticHold, blocks: Blocks, across: tuple[int, int], limits: _Limits) -> Stillness:
    since_s = blocks.t_s - blocks.t_s.mean()
    gain = since_s / float(np.sum(since_s**2))
    slope = gain @ blocks.reading_g
    level = blocks.reading_g.mean(axis=0)
    # A bump that lies half in one mean and half in the next is whole in one of those half a block later.
    late = blocks_of(replace(hold, readings_g=hold.readings_g[_half_block(hold) :], gyro_dps=None))
    both = [(blocks.t_s, blocks.reading_g)]
    if late is not None:
        both.append((late.t_s + _half_block(hold) * (hold.period_s or 0.0), late.reading_g))
    at_s = np.concatenate([t_s for t_s, _ in both])
    left = np.concatenate([g - level - (t_s - blocks.t_s.mean())[:, None] * slope for t_s, g in both])
    bumps = np.abs(left - np.median(left, axis=0))
    far = bumps / limits.noise.sd
    place = np.unravel_index(int(np.argmax(far)), far.shape)
    bump_mg = 1000 * float(bumps[place])
    lateral = list(across)
    held_s = len(blocks.t_s) * blocks.lasts_s
    drift_deg = DEG_PER_RAD * held_s * slope[lateral]
    times = float(np.sum((slope[lateral] / limits.noise.of_sum(gain)[lateral]) ** 2))
    turned = False
    if blocks.rate_dps is not None and limits.rate is not None:
        rates = np.abs(blocks.rate_dps - np.median(blocks.rate_dps, axis=0))
        turned = bool(np.any((rates > limits.turn * limits.rate.sd) & (rates > LEAST_TURN_DPS)))
    mean_sd = limits.noise.of_sum(np.full(len(blocks.t_s), 1 / len(blocks.t_s)))
    # Both fall with the square root of the time, the drift from one end to the other like the mean.
    drift_sd_deg = DEG_PER_RAD * held_s * float(limits.noise.of_sum(gain)[lateral].max())
    for_mean_s = held_s * (1000 * float(mean_sd.max()) / WANTED_MG) ** 2
    for_drift_s = min(held_s * (SHOWN_SDS * drift_sd_deg / SHOWN_DEG) ** 2, LONGEST_FOR_DRIFT_S)
    return Stillness(
        noise_mg=1000 * float(np.median(np.std(hold.readings_g, axis=0))),
        mean_sd_g=float(np.hypot(mean_sd, limits.grain_g).max()),
        drift_deg=(float(drift_deg[0]), float(drift_deg[1])),
        drifts=times > limits.drift and float(np.hypot(*drift_deg)) > LEAST_DRIFT_DEG,
        bumped=bool(far[place] > limits.bump) and bump_mg > LEAST_BUMP_MG,
        bump_mg=bump_mg,
        bump_s=float(at_s[place[0]]),
        turned=turned,
        needed_s=float(ceil(max(SHORTEST_S, for_mean_s, for_drift_s))),
    )


def _half_block(hold: StaticHold) -> int:
    """Readings in half a block."""
    return round(BLOCK_S / 2 / hold.period_s) if hold.period_s else 0
