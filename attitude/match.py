"""Where in a log a clip's motion lies: the offset in ``log_t = clip_t + offset_s`` and its uncertainty.

The footage's roll and pitch, and the picture's pan rate, are compared with what the log says ``offset_s``
later, by least squares on the angles themselves: differentiating them first is 2 to 100 times worse. Three
nuisances per signal keep out of the clock what is looked for elsewhere: a constant (the lean), a polynomial
of one degree and one more per 10 s, its terms with a prior of 1 deg (drift, skyline), and a gain (for pitch
and pan rate the field of view may be a guess). Cost of an offset::

    sum rho(residual / sigma) / inflation + sum (term / 1 deg)^2 + ((gain - 1) / sd)^2

with Huber's rho, sigma from the residuals at the best offset, and inflation 1 + 2 sum(autocorrelation), so
that the cost is a chi-square in independent samples. Beyond its ends the log keeps its end value: motion of
the clip that a window leaves outside the log counts against that window.

When is the best offset believed? One offset lowers a chi-square by more than x by chance with a probability
below exp(-x/2); over M offsets tried, x = 2 ln(M / 0.001) is passed by chance in one clip of a thousand. The
best must be better by x than a log that stands still and than every other separate minimum. Unlike motions
are alike in part, so it must also leave less than 6 % of the motion's mean square, or a residual of the
sensor's and the measurement's own size; and its sd must not exceed one frame. On simulated flights with moves
drawn at random this finds 98 of 100 clips that move and takes 4 of 100 logs of another flight for the clip's,
all of them for clips of a single tilt or turn: one move is much like another.

The sd is that of the offset with the nuisances projected out, from the curvature and the autocovariance of
the residuals, and never less than the sandwich form, because residuals are larger while the camera moves, nor
than that of white residuals, because the nuisances take slow noise out of them.
"""

from collections.abc import Sequence
from dataclasses import astuple, dataclass, replace
from functools import cached_property

import numpy as np
from numpy.polynomial.legendre import legvander
from numpy.typing import NDArray

from attitude.smooth import LogAngles
from horizon.angles import wrap_deg

__all__ = [
    "LARGEST_SD_S",
    "MatchError",
    "Place",
    "Signal",
    "find_place",
]

Array = NDArray[np.float64]

GRID_S, FINEST_S = 0.1, 0.1 / 64
LARGEST_SD_S = 0.033  # one frame at 30 per second
TIMESTAMP_SD_S = 0.002  # stamps are rarely finer, and encoders draw small changes 2 ms late
PERIOD_SHARE = 0.02  # of the log's period: what interpolating between its rows may cost
CHANCE = 1e-3
SHARE_OF_CLIP, LEAST_OVERLAP_S = 0.6, 20.0
SLOW_S, SLOW_DEG = 20.0, 1.0
COARSE_SAMPLES, FINE_SAMPLES = 200, 2000
CANDIDATES = 12
HUBER = 2.0
# Largest share of the motion's mean square left over; less when the gains are free to make things alike.
UNEXPLAINED, UNEXPLAINED_FREE = 0.06, 0.01
FREE_GAIN = 0.3  # a free gain may differ from +-1 by this, where the signal moves


class MatchError(ValueError):
    """The motion has no one place in the logs; the text says why, as the end of a sentence on the clip."""


@dataclass(frozen=True)
class Signal:
    """One quantity that both sides saw: the footage's samples, and how freely the log's may be scaled.

    column : the log's angle.
    width_s : 0 for an angle; for a rate, deg/s, the span that each sample is the mean of, about its time.
    sigma : (n,) sd of the samples; ``small`` : the residual that is the measurement's own.
    gain, gain_sd : prior of footage / log.
    inflation : variance of a mean relative to that of as many independent samples.
    """

    column: str
    t_s: Array
    value: Array
    sigma: Array
    small: float
    gain: float
    gain_sd: float
    width_s: float = 0.0
    inflation: float = 1.0

    @cached_property
    def slow(self) -> "_Slow":
        """What is slow in it, asked at every offset that is tried."""
        return _slow(self)

    @cached_property
    def slow_in_short(self) -> "_Slow":
        """The same in single precision, enough to tell which offset fits best."""
        return _Slow(*(each.astype(np.float32, order="F") for each in astuple(self.slow)))


@dataclass(frozen=True)
class Place:
    """A minimum of the cost: how the footage was read, in which log, and where.

    Of the best only: ``sd_s``, and ``against``, the log's columns that run against the picture.
    """

    signals: tuple[Signal, ...]
    log: LogAngles
    offset_s: float
    cost: float
    sd_s: float = float("nan")
    against: tuple[str, ...] = ()


def find_place(
    readings: Sequence[tuple[Signal, ...]],
    logs: Sequence[LogAngles],
    *,
    told_s: float | None = None,
    within_s: float = 0.0,
) -> Place:
    """The one place in these logs where the motion fits, over all readings of the footage.

    told_s : an offset of which the motion is only asked whether it speaks against it; the grid's best place
    is returned as it stands where it lies ``within_s`` of that.

    Raises
    ------
    MatchError
        No place, or no single place, passes the tests of the module's docstring.
    """
    shared = set.intersection(*(set(log.angle_deg) for log in logs))
    places: list[Place] = []
    tried = 0
    for log in logs:
        for reading in readings:
            signals = tuple(s for s in reading if s.column in shared)
            offsets_s = _offsets_s(signals, log)
            tried += len(offsets_s)
            places += _minima(signals, log, offsets_s)
    name = logs[0].name if len(logs) == 1 else "any log"
    if not places:
        raise MatchError(f"too little of it can lie within {name}")
    first = min(places, key=_cost_of)
    if told_s is not None and abs(first.offset_s - told_s) <= within_s:
        return first
    for most in (CANDIDATES, CANDIDATES // 2):
        places = sorted(places, key=_cost_of)[:most]
        noise = _noise(places[0])
        # Places share their readings of the footage.
        heard = {id(place.signals): _with_noise(place.signals, noise) for place in places}
        places = [_settled(replace(place, signals=heard[id(place.signals)])) for place in places]
    best = min(places, key=_cost_of)
    best = replace(best, sd_s=_sd_s(best))

    needed = 2 * np.log(tried / CHANCE)
    fits = [_fit_at(best, signal) for signal in best.signals]
    still = [_fit(s, np.zeros((1, len(s.t_s)))) for s in best.signals]
    gained = sum(float(without.cost[0] - fit.cost[0]) for fit, without in zip(fits, still, strict=True))
    if gained < needed:
        raise MatchError(f"it shows no motion that can be found in {name}")
    if not _explained(best, fits, still):
        raise MatchError(f"its motion is not found in {name}")
    if best.sd_s > LARGEST_SD_S:
        raise MatchError(f"its motion is too slow to place it in {name} to better than {2 * best.sd_s:.2g} s")
    apart_s = max(LARGEST_SD_S, 4 * best.sd_s)
    rivals = [p for p in places if p.log is not best.log or abs(p.offset_s - best.offset_s) > apart_s]
    if rivals and (rival := min(rivals, key=_cost_of)).cost - best.cost < needed:
        raise MatchError(
            f"its motion fits {best.log.name} from {best.offset_s:.1f} s on as well as "
            f"{rival.log.name} from {rival.offset_s:.1f} s on"
        )
    against = tuple(
        s.column for s, fit in zip(best.signals, fits, strict=True) if fit.gain[0] < FREE_GAIN - 1
    )
    return replace(best, against=against)


def _cost_of(place: Place) -> float:
    return place.cost


def _offsets_s(signals: tuple[Signal, ...], log: LogAngles) -> Array:
    """Offsets to try: those that put enough of the clip within the log."""
    first_s, last_s = signals[0].t_s[0], signals[0].t_s[-1]
    need_s = min(SHARE_OF_CLIP * (last_s - first_s), LEAST_OVERLAP_S)
    return np.arange(log.t_s[0] - last_s + need_s, log.t_s[-1] - first_s - need_s, GRID_S)


def _minima(signals: tuple[Signal, ...], log: LogAngles, offsets_s: Array) -> list[Place]:
    """The best separate minima of the cost on the grid."""
    if len(offsets_s) == 0:
        return []
    sketched = [_sketched(signal, COARSE_SAMPLES) for signal in signals]
    cost = _cost(sketched, log, offsets_s, rounds=1, in_short=True)
    padded = np.r_[np.inf, cost, np.inf]
    lowest = np.flatnonzero((cost <= padded[:-2]) & (cost < padded[2:]))
    lowest = lowest[np.argsort(cost[lowest])][:CANDIDATES]
    fine = tuple(_thinned(signal, FINE_SAMPLES) for signal in signals)
    return [Place(fine, log, float(offsets_s[i]), float(cost[i])) for i in lowest]


def _thinned(signal: Signal, most: int) -> Signal:
    """At most so many samples, evenly: one in so many of an angle, means of a rate."""
    each = -(-len(signal.t_s) // most)
    if each == 1:
        return signal
    whole = len(signal.t_s) - len(signal.t_s) % each
    blocks = [samples[:whole].reshape(-1, each) for samples in (signal.t_s, signal.value, signal.sigma)]
    if signal.width_s == 0:
        return _with_samples(signal, *(block[:, 0] for block in blocks))
    t_s, value, sigma = (block.mean(axis=1) for block in blocks)
    return replace(_with_samples(signal, t_s, value, sigma / np.sqrt(each)), width_s=signal.width_s * each)


def _sketched(signal: Signal, most: int) -> Signal:
    """At most so many samples, half of an angle's where it moves: a short move must not be stepped over."""
    if signal.width_s > 0 or len(signal.t_s) <= most:
        return _thinned(signal, most)
    smooth = np.convolve(np.pad(signal.value, 4, mode="edge"), np.ones(9) / 9, mode="valid")
    speed = np.abs(np.gradient(smooth))
    travel = np.cumsum(np.maximum(speed - 2 * np.median(speed), 1e-9))
    share = travel / travel[-1] + np.linspace(0.0, 1.0, len(travel))
    rows = np.unique(np.searchsorted(share, np.linspace(share[0], share[-1], most)))
    return _with_samples(signal, signal.t_s[rows], signal.value[rows], signal.sigma[rows])


def _with_samples(signal: Signal, t_s: Array, value: Array, sigma: Array) -> Signal:
    return replace(signal, t_s=t_s, value=value, sigma=sigma)


def _with_noise(signals: tuple[Signal, ...], noise: dict[str, tuple[Array, float]]) -> tuple[Signal, ...]:
    """The same with the sigma and inflation found at the best place."""
    return tuple(replace(s, sigma=noise[s.column][0], inflation=noise[s.column][1]) for s in signals)


def _settled(place: Place) -> Place:
    """The place at its own lowest cost."""
    signals, offset_s, cost = place.signals, place.offset_s, np.inf
    for half_s in (GRID_S, GRID_S / 8, FINEST_S):
        around_s = offset_s + np.linspace(-half_s, half_s, 17)
        costs = _cost(signals, place.log, around_s, in_short=half_s > FINEST_S)
        offset_s, cost = float(around_s[np.argmin(costs)]), float(costs.min())
    # A parabola through the last three: the grid's step is 0.2 ms there.
    i = int(np.clip(np.argmin(costs), 1, len(costs) - 2))
    bend = costs[i - 1] - 2 * costs[i] + costs[i + 1]
    shift = 0.5 * (costs[i - 1] - costs[i + 1]) / bend if bend > 0 else 0.0
    offset_s = float(around_s[i] + np.clip(shift, -1, 1) * (around_s[1] - around_s[0]))
    return Place(signals, place.log, offset_s, cost)


# --- how well one offset fits -----------------------------------------------------------------------------


@dataclass(frozen=True)
class _Fit:
    """One signal against the log at m offsets: residuals in sigma (m, n), gain (m,) and cost (m,)."""

    left: Array
    gain: Array
    cost: Array


def _logged(signal: Signal, log: LogAngles, offsets_s: Array) -> Array:
    """What the log says at the signal's times moved by each offset, shape (offsets, samples)."""
    # Offset after offset of one sample: the next place in the log is then close to the last, and soon found.
    t_s = signal.t_s[:, None] + offsets_s
    angle_deg, width_s = log.angle_deg[signal.column], signal.width_s
    if width_s == 0:
        return np.ascontiguousarray(np.interp(t_s, log.t_s, angle_deg).T)
    ahead, behind = (np.interp(t_s + half_s, log.t_s, angle_deg) for half_s in (width_s / 2, -width_s / 2))
    return np.ascontiguousarray(((ahead - behind) / width_s).T)


@dataclass(frozen=True)
class _Slow:
    """Constant and slow terms over sigma (n, k), their prior (k,) as a ridge, and what fits them (k, n).

    level (2, k), flat (2, n) : those of the footage itself and of a constant, and what these make.
    """

    basis: Array
    ridge: Array
    solve: Array
    level: Array
    flat: Array


def _slow(signal: Signal) -> _Slow:
    span_s = max(float(signal.t_s[-1] - signal.t_s[0]), 1e-6)
    share = (signal.t_s - signal.t_s[0]) / span_s
    basis = legvander(2 * share - 1, 1 + round(2 * span_s / SLOW_S))
    basis /= signal.sigma[:, None]
    ridge = np.full(basis.shape[1], signal.inflation / SLOW_DEG**2)
    ridge[0] = 1e-9  # the constant is free
    solve = np.linalg.solve(basis.T @ basis + np.diag(ridge), basis.T)
    level = np.stack([signal.value - signal.value.mean(), np.ones(len(share))]) / signal.sigma @ solve.T
    return _Slow(basis, ridge, solve, level, level @ basis.T)


def _fit(signal: Signal, logged: Array, *, rounds: int = 4, in_short: bool = False) -> _Fit:
    """Footage against ``logged`` (m, n) with the nuisances at their best; in single precision ``in_short``.

    Huber's fit by winsorised residuals: what exceeds the limit is cut and the same linear fit repeated.
    """
    slow, kind = (signal.slow_in_short, np.float32) if in_short else (signal.slow, np.float64)
    lever = (logged - logged.mean(axis=1, keepdims=True)).astype(kind)
    target = (signal.value - signal.value.mean()).astype(kind) - signal.gain * lever
    middle = np.median(target, axis=1, keepdims=True)
    target -= middle
    wraps = signal.column == "roll_deg" and signal.gain == 1.0 and bool(np.abs(target).max() >= 180)
    if wraps:
        target = wrap_deg(target).astype(kind)
    sigma = signal.sigma.astype(kind)
    target /= sigma
    lever /= sigma
    lever_level = lever @ slow.solve.T
    lever_left = lever - lever_level @ slow.basis.T
    stiffness = np.sum(lever * lever_left, axis=1) / signal.inflation + signal.gain_sd**-2
    work = target
    # At first footage less log less a constant, whose slow terms are known each, unless a turn was taken off.
    level = slow.level[0] - signal.gain * lever_level - middle * slow.level[1]
    fitted = slow.flat[0] - signal.gain * (lever - lever_left) - middle * slow.flat[1]
    for k in range(rounds):
        gain = np.sum(work * lever_left, axis=1) / signal.inflation / stiffness
        if k > 0 or wraps:
            level = work @ slow.solve.T
            fitted = level @ slow.basis.T
        fitted += gain[:, None] * lever_left
        left = target - fitted
        cut = np.clip(left, -HUBER, HUBER)
        work = fitted + cut
    level -= gain[:, None] * lever_level
    # Huber's rho: the square within the limit, straight beyond it.
    cost = np.sum(cut * (2 * left - cut), axis=1) / signal.inflation
    cost += np.sum(level[:, 1:] ** 2, axis=1) / SLOW_DEG**2 + (gain / signal.gain_sd) ** 2
    return _Fit(left, signal.gain + gain, cost)


def _fit_at(place: Place, signal: Signal) -> _Fit:
    """One signal at the place's offset."""
    return _fit(signal, _logged(signal, place.log, np.array([place.offset_s])))


def _explained(best: Place, fits: list[_Fit], still: list[_Fit]) -> bool:
    """Whether the log explains the footage's motion, each signal's and in all, with gains that can be.

    Residuals of a few times ``small`` are what errors of the sensor leave in a right match.
    """
    share = UNEXPLAINED if all(signal.gain for signal in best.signals) else UNEXPLAINED_FREE
    unexplained = whole = 0.0
    for signal, fit, without in zip(best.signals, fits, still, strict=True):
        left, alone = np.abs(fit.left[0]), np.abs(without.left[0])
        kept = left <= np.quantile(left, 0.98)  # a few frames with a wrong horizon are no motion
        size = np.median(signal.sigma) / signal.small
        before, after = (float(np.mean((size * a[kept]) ** 2)) for a in (alone, left))
        gain = float(fit.gain[0])
        off = abs(gain - signal.gain) / signal.gain_sd / 3 if signal.gain else abs(abs(gain) - 1) / FREE_GAIN
        # What the log says and the picture does not: a gain of 0 would hide it.
        logged = np.std(_logged(signal, best.log, np.array([best.offset_s])))
        unseen = abs(gain - signal.gain) * logged / signal.small if signal.gain else 0.0
        if off > 1 and (before > max(1.0, 2 * after) or unseen > 10):
            return False
        if after > max(10**2, share * before):
            return False
        if before > 1:
            # White noise is no motion: half the mean square step.
            white = float(np.mean((size * np.diff(fit.left[0])[kept[1:]]) ** 2)) / 2
            unexplained += max(after - white, 0.0)
        whole += before
    return unexplained <= share * whole


def _cost(
    signals: Sequence[Signal], log: LogAngles, offsets_s: Array, *, rounds: int = 4, in_short: bool = False
) -> Array:
    """Chi-square of each offset, shape (offsets,)."""
    cost = np.zeros(len(offsets_s))
    for signal in signals:
        rows = max(1, 100_000 // len(signal.t_s))  # arrays of 0.8 MB at a time stay in the cache
        for start in range(0, len(offsets_s), rows):
            part = slice(start, start + rows)
            cost[part] += _fit(
                signal, _logged(signal, log, offsets_s[part]), rounds=rounds, in_short=in_short
            ).cost
    return cost


# --- noise and uncertainty --------------------------------------------------------------------------------


def _noise(place: Place) -> dict[str, tuple[Array, float]]:
    """Sigma and inflation of each signal as its residuals at the place have them."""
    noise = {}
    for signal in place.signals:
        left = _fit_at(place, signal).left[0]
        limit = max(6 * 1.4826 * float(np.median(np.abs(left))), 1e-6)
        left = np.clip(left, -limit, limit)
        scale = max(float(np.sqrt(np.mean(left**2))), 1e-3)
        lags = _lags(signal)
        correlation = _autocovariance(left, lags) / max(float(np.mean(left**2)), 1e-12)
        lost = np.flatnonzero(correlation < 0.05)
        kept = correlation[1 : lost[0] if len(lost) else lags]
        noise[signal.column] = (signal.sigma * scale, float(1 + 2 * kept.sum()))
    return noise


def _lags(signal: Signal) -> int:
    """Samples in 5 s, but no more than a quarter of the series: longer lags have too few pairs."""
    return max(2, min(len(signal.t_s) // 4, round(5.0 / float(np.median(np.diff(signal.t_s))))))


def _autocovariance(series: Array, lags: int) -> Array:
    n = len(series)
    return np.array([series[: n - lag] @ series[lag:] / n for lag in range(lags)])


def _sd_s(place: Place) -> float:
    """Standard uncertainty of the offset; infinite when nothing moves."""
    information, by_white, by_model, by_sandwich = 0.0, 0.0, 0.0, 0.0
    for signal in place.signals:
        step_s = GRID_S / 4
        around_s = place.offset_s + np.array([-step_s, 0.0, step_s])
        early, here, late = _logged(signal, place.log, around_s)
        slow = signal.slow
        fit = _fit(signal, here[None])
        slope = fit.gain[0] * (late - early) / (2 * step_s) / signal.sigma
        nuisance = np.column_stack([slow.basis, (here - here.mean()) / signal.sigma])
        prior = np.diag(np.r_[slow.ridge, signal.inflation / signal.gain_sd**2])
        slope = slope - nuisance @ np.linalg.solve(nuisance.T @ nuisance + prior, nuisance.T @ slope)
        psi = np.clip(fit.left[0], -HUBER, HUBER)
        samples = len(psi) / signal.inflation
        spent = 1 + float(np.sum(slow.solve.T * slow.basis))
        scarce = samples / max(samples - spent, 1.0)  # of few samples the nuisances take a good part
        lags = _lags(signal)
        weights = np.r_[1.0, np.full(lags - 1, 2.0)] * (1 - np.arange(lags) / lags)
        information += float(slope**2 @ (np.abs(fit.left[0]) < HUBER))
        noise, lever = _autocovariance(psi, lags), _autocovariance(slope, lags)
        # Residuals grow with speed; a few moves are too few for the sandwich form to show it.
        moving = float(slope**2 @ psi**2) / max(float(slope @ slope) * noise[0], 1e-12)
        by_white += scarce * max(moving, 1.0) * len(psi) * float(noise[0] * lever[0])
        by_model += scarce * max(moving, 1.0) * len(psi) * float(weights @ (noise * lever))
        by_sandwich += scarce * len(psi) * float(weights @ _autocovariance(slope * psi, lags))
    if information <= 0:
        return float("inf")
    stamp_s = max(TIMESTAMP_SD_S, PERIOD_SHARE * place.log.period_s)
    return float(np.hypot(np.sqrt(max(by_white, by_model, by_sandwich)) / information, stamp_s))
