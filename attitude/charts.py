"""Charts of a rig's signed lean over its shoots: is it drifting since its calibration, and since when.

Every chart stands against the rig's own lean just after its calibration, not against level: how far off level
a shoot is, its own verdict says; a rig that was left at a steady 0.4 deg is no drifting rig, and one that has
crept from -0.4 to 0.4 deg is one, though |lean| never moved. Just after: the mean of the first five shoots,
whose own uncertainty is part of the limits. Five, because a step of two standard deviations half way through
20 shoots is then seen in 76 of 100 series, with three in 54 and with six in 83, and through 10 shoots in 70,
37 and 47. A new calibration starts afresh, which is what ``starts`` is for.

Smoothed lean (exponentially weighted moving average, Roberts 1959; lambda 0.2 and width 2.86: one shift of
one standard deviation is seen after 9 shoots, where limits for single shoots take 43):

    z_i = lambda x_i + (1 - lambda) z_(i-1),   z_0 = target,   out: |z_i - target| > width sd(z_i - target)

Every shoot has its own sd_i = sqrt(u_i^2 + u_rep^2), and the limits use exactly what follows from them,

    var(z_i - target) = v_i + (1 - (1 - lambda)^i)^2 var target
    v_i = (1 - lambda)^2 v_(i-1) + lambda^2 sd_i^2

where i counts from the first shoot that is not in the target. Equal sd and a known target give
sd sqrt(lambda / (2 - lambda) (1 - (1 - lambda)^2i)) (NIST/SEMATECH e-Handbook 6.3.2.4 shows its limit).

Sum of departures (tabular CUSUM, e-Handbook 6.3.2.3), in standard deviations, per side:

    S_i = max(0, S_(i-1) + (+-)(x_i - target) / sd_i - 1/2)

A drift that the smoothed lean shows began with the shoot after that side's sum last stood at 0 (Page 1954).

Single shoots (individuals chart, e-Handbook 6.3.2.2): mean +- 3 / 1.128 x mean moving range, that is 2.66,
from ten shoots on; 1.128 is the mean range of two normal values over their standard deviation.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from attitude.findings import Estimate
from attitude.stepping import fading_sums
from attitude.words import moved_words

# fmt: off
__all__ = [
    "BASELINE", "LEAST_SINGLE", "ChartError", "Departures", "Drift", "SingleShoots", "Smoothed", "departures",
    "drift_since", "drift_words", "single_shoots", "smoothed",
]
# fmt: on

Array = NDArray[np.float64]

BASELINE = 5  # shoots after a calibration whose mean the later ones are held against
LAMBDA, WIDTH = 0.2, 2.86
SLACK = 0.5  # sd per shoot that a sum of departures forgives: half of the shift it is best at
LEAST_SINGLE = 10
RANGE_OF_TWO = 1.128


class ChartError(ValueError):
    """A series that cannot be charted."""


@dataclass(frozen=True)
class Smoothed:
    """The smoothed lean, shapes (n,), NaN where nothing can be judged yet: the shoots of the mean itself.

    low_deg, high_deg : limits. target_deg : lean just after the calibration. out : beyond the limits.
    """

    lean_deg: Array
    target_deg: Array
    low_deg: Array
    high_deg: Array
    out: NDArray[np.bool_]


@dataclass(frozen=True)
class Departures:
    """Sums of departures to the right and to the left, in standard deviations, >= 0, shapes (n,)."""

    right: Array
    left: Array


@dataclass(frozen=True)
class SingleShoots:
    """Limits for single shoots. out : shape (n,), beyond them."""

    mean_deg: float
    mean_moving_range_deg: float
    low_deg: float
    high_deg: float
    out: NDArray[np.bool_]


@dataclass(frozen=True)
class Drift:
    """A drift since the last calibration. flagged, since : rows of the shoots that showed and began it.

    change : of the smoothed lean at the last shoot against the lean just after the calibration; it lags.
    """

    flagged: int
    since: int
    change: Estimate


def smoothed(
    lean_deg: Array,
    sd_deg: Array,
    starts: Sequence[int] = (),
    *,
    target_deg: float | None = None,
    weight: float = LAMBDA,
    width: float = WIDTH,
) -> Smoothed:
    """Smoothed lean with its limits.

    lean_deg, sd_deg : shape (n,), in the order filmed, right side down +; sd_deg of a shoot, measurement and
    repeatability. starts : rows of the first shoots after new calibrations; row 0 always starts. target_deg :
    where it is known; else the mean of the first five shoots of each calibration. weight : lambda.

    Raises ChartError where a value is not finite or an sd not positive.
    """
    _check(lean_deg, sd_deg)
    n = len(lean_deg)
    z, target, reach = np.full(n, np.nan), np.full(n, np.nan), np.full(n, np.nan)
    for part in _parts(n, starts):
        goal, goal_variance = target_deg, 0.0
        if goal is None:
            first = slice(part.start, min(part.start + BASELINE, part.stop))
            goal = float(lean_deg[first].mean())
            goal_variance = float(np.sum(sd_deg[first] ** 2)) / (first.stop - first.start) ** 2
            target[first], part = goal, slice(first.stop, part.stop)
        keep = 1 - weight
        target[part] = goal
        z[part] = goal + fading_sums(weight * (lean_deg[part] - goal), keep)
        own = fading_sums(weight**2 * sd_deg[part] ** 2, keep**2)
        i = np.arange(1, part.stop - part.start + 1)
        reach[part] = width * np.sqrt(own + (1 - keep**i) ** 2 * goal_variance)
    return Smoothed(z, target, target - reach, target + reach, np.abs(z - target) > reach)


def departures(lean_deg: Array, sd_deg: Array, target_deg: Array, starts: Sequence[int] = ()) -> Departures:
    """Sums of departures from the target, shape (n,) each; other arguments as of ``smoothed``.

    Raises ChartError where a value is not finite or an sd not positive.
    """
    _check(lean_deg, sd_deg)
    step = (lean_deg - target_deg) / sd_deg
    sides, sums = np.array([step, -step]), np.zeros((2, len(step)))
    for part in _parts(len(step), starts):
        total = np.zeros(2)
        for i in range(part.start, part.stop):
            total = np.maximum(0.0, total + sides[:, i] - SLACK)
            sums[:, i] = total
    return Departures(*sums)


def single_shoots(lean_deg: Array) -> SingleShoots:
    """Limits for single shoots of one calibration. Raises ChartError for fewer than ten."""
    if len(lean_deg) < LEAST_SINGLE:
        raise ChartError(f"{len(lean_deg)} shoots: limits for single shoots need {LEAST_SINGLE} or more")
    mean, moving = float(np.mean(lean_deg)), float(np.mean(np.abs(np.diff(lean_deg))))
    reach = 3 / RANGE_OF_TWO * moving
    return SingleShoots(mean, moving, mean - reach, mean + reach, np.abs(lean_deg - mean) > reach + 1e-9)


def drift_since(chart: Smoothed, sums: Departures, starts: Sequence[int] = ()) -> Drift | None:
    """Drift since the last calibration; None where the last shoot lies within the limits."""
    n = len(chart.out)
    if n == 0 or not chart.out[-1]:
        return None
    start = _parts(n, starts)[-1].start
    inside = np.flatnonzero(~chart.out[start:])
    flagged = start + int(inside[-1]) + 1 if len(inside) else start
    change = float(chart.lean_deg[-1] - chart.target_deg[-1])
    side = sums.right if change > 0 else sums.left
    zeros = np.flatnonzero(side[start : flagged + 1] == 0)
    since = min(start + int(zeros[-1]) + 1, flagged) if len(zeros) else start
    sd = float(chart.high_deg[-1] - chart.target_deg[-1]) / WIDTH
    return Drift(flagged, since, Estimate(change, sd))


def drift_words(drift: Drift | None, names: Sequence[str]) -> str:
    """What the smoothed lean shows, for people. names : of the shoots, by row."""
    if drift is None:
        return "No drift since the last change stands out of what the shoots scatter"
    return (
        f"Drifting since {names[drift.since]}, plain since {names[drift.flagged]}: smoothed over the last "
        f"shoots, and against the first ones after the last change, {moved_words(drift.change)}"
    )


def _parts(n: int, starts: Sequence[int]) -> list[slice]:
    """Rows between calibrations."""
    edges = sorted({0, *starts, n})
    return [slice(a, b) for a, b in pairwise(edges)]


def _check(lean_deg: Array, sd_deg: Array) -> None:
    if not np.all(np.isfinite(lean_deg)) or not np.all(sd_deg > 0):
        raise ChartError("every shoot on a chart needs a finite lean and an sd above 0")
