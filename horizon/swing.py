"""The swing of a plumb line: a decaying oscillation about the vertical, fitted and taken off.

    angle(t) = c(t) + exp(-t / T) (A cos(w t) + B sin(w t)),

where c is a constant, or a chain of straight pieces in a long clip, since the lean of the camera may change.
For a given (w, T) the rest is linear, so a grid of both is tried and the best refined. It holds only where
the camera is still: what is left must be small. Air moves a line slowly; what is left counts, with its
memory, in the uncertainty of the mean.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Swing", "fit_swing", "fit_swings"]

Array = NDArray[np.float64]

PERIODS_S = np.geomspace(0.8, 6.0, 70)
DECAYS_S = (2.0, 4.0, 8.0, 16.0, 40.0, 1000.0)
# Fewer periods do not tell the swing from where the line hangs.
LEAST_PERIODS, LEAST_LOOKS = 1.5, 12
# Farther from where it mostly is, the camera is rolled on purpose; so long before and after, it still moves.
ROLLED_RAD, EDGE_S, GAP_S = math.radians(4), 1.0, 1.0
LEAST_REST = 1 / 3  # of the longest
PIECE_S = 8.0
# Left over, the camera was still enough; and a swing explains so much of what there is.
STILL_RAD, LEAST_EXPLAINED = math.radians(0.1), 0.5
LEAST_SWING_RAD, LEAST_SAID_RAD = math.radians(0.01), math.radians(0.1)
# A line that wanders by more than this within a clip too short to say why does not swing: the camera moves.
MOST_SWING_RAD = math.radians(3.5)


@dataclass(frozen=True)
class Swing:
    """``off_rad`` (n, 2): to be taken off the angles. ``mean_sd_rad``: what is not known of their mean.

    ``wander_sd_rad``: what single looks keep beyond their noise. ``words``: for the operator, or "".
    """

    off_rad: Array
    mean_sd_rad: float
    wander_sd_rad: float
    words: str


def fit_swing(t_s: Array, angles_rad: Array, noise_rad: float, at_s: Array | None = None) -> Swing:
    """Swing of a line at times (n,): its turn in the picture and its place, ``angles_rad`` (n, 2).

    ``noise_rad``: sd of the turn in single looks. ``at_s`` (m,): times for which the swing is wanted, those
    of the looks unless given.
    """
    wanted_s = t_s if at_s is None else at_s
    none = np.zeros((len(wanted_s), 2))
    turn = angles_rad[:, 0]
    lasts_s = float(np.ptp(t_s))
    base = _base(t_s)
    flat_rad = _left(base, turn)
    if len(t_s) < LEAST_LOOKS:
        moved_rad = float(np.ptp(turn)) if len(t_s) > 1 else 0.0
        # In less than a period the line may hang as far off as it is seen to move.
        words = f"moves by {math.degrees(moved_rad):.1g} deg, and the clip is too short to see it swing"
        return Swing(none, moved_rad, 0.0, words if moved_rad > LEAST_SAID_RAD else "")
    period_s, decay_s = _best(t_s, turn, base, lasts_s)
    design = np.column_stack([base, _waves(t_s, period_s, decay_s)])
    left = _left(design, turn)
    explained = 1 - _rms(left) ** 2 / max(_rms(flat_rad) ** 2, 1e-30)
    solution = np.asarray(np.linalg.lstsq(design, angles_rad, rcond=None)[0], np.float64)
    first_rad = float(np.hypot(*solution[-2:, 0]))
    swings = explained >= LEAST_EXPLAINED and first_rad >= max(LEAST_SWING_RAD, 2 * _rms(left))
    if swings and _rms(left) <= STILL_RAD and lasts_s >= LEAST_PERIODS * period_s:
        off = _waves(wanted_s, period_s, decay_s, t_s[0]) @ solution[-2:]
        mean_sd = _mean_sd(_with_curves(design, t_s, period_s, decay_s, solution[-2:, 0]), base, left)
        words = (
            f"swings by {math.degrees(first_rad):.2g} deg at first, period {period_s:.2g} s; "
            f"averaged out to {max(math.degrees(mean_sd), 0.001):.1g} deg"
        )
        return Swing(off, mean_sd, _beyond(_rms(left), noise_rad), words)
    if swings and 2 * LEAST_SAID_RAD <= np.ptp(turn) <= 2 * MOST_SWING_RAD:
        sd = _rms(turn - turn.mean())
        words = (
            f"swings by about {math.degrees(np.ptp(turn)) / 2:.2g} deg, and the clip is too short or the "
            f"camera too restless to take that off; it may lean by {math.degrees(sd):.1g} deg"
        )
        return Swing(none, sd, 0.0, words)
    return Swing(none, _mean_sd(base, base, flat_rad) if _rms(flat_rad) <= STILL_RAD else 0.0, 0.0, "")


def fit_swings(t_s: Array, angles_rad: Array, noise_rad: float) -> Swing:
    """As :func:`fit_swing`, by the stretches of a clip between which the camera is rolled on purpose.

    The string swings on meanwhile: other looks have the swing of the stretch next to them taken off.
    """
    turn = angles_rad[:, 0]
    rolled = np.abs(turn - np.median(turn)) > ROLLED_RAD
    if not rolled.any():
        return fit_swing(t_s, angles_rad, noise_rad)
    breaks = (np.diff(rolled.astype(int)) != 0) | (np.diff(t_s) > GAP_S)
    rests: list[NDArray[np.int_]] = []
    for run in np.split(np.arange(len(t_s)), np.flatnonzero(breaks) + 1):
        from_s = t_s[run[0]] + (EDGE_S if run[0] > 0 else 0.0)
        to_s = t_s[run[-1]] - (EDGE_S if run[-1] < len(t_s) - 1 else 0.0)
        rest = run[(t_s[run] >= from_s) & (t_s[run] <= to_s)]
        if not rolled[run[0]] and len(rest) >= LEAST_LOOKS:
            rests.append(rest)
    if not rests:
        return Swing(np.zeros_like(angles_rad), 0.0, 0.0, "")
    # A moment's rest between two rolls is too short to see a swing.
    longest = max(map(len, rests))
    rests = [rest for rest in rests if len(rest) >= LEAST_REST * longest]
    found = [fit_swing(t_s[rest], angles_rad[rest], noise_rad, t_s) for rest in rests]
    away_s = [np.maximum(t_s[rest[0]] - t_s, t_s - t_s[rest[-1]]) for rest in rests]
    off = np.stack([one.off_rad for one in found])[np.argmin(away_s, axis=0), np.arange(len(t_s))]
    worst = max(found, key=lambda one: (one.mean_sd_rad, one.words))
    words = worst.words or next((one.words for one in found if one.words), "")
    return Swing(off, worst.mean_sd_rad, max(one.wander_sd_rad for one in found), words)


def _base(t_s: Array) -> Array:
    """Columns of the line's own place: a constant, or straight pieces."""
    pieces = int(np.ptp(t_s) / PIECE_S) if len(t_s) else 0
    if pieces < 2:
        return np.ones((len(t_s), 1))
    knots = np.linspace(t_s[0], t_s[-1], pieces + 1)
    return np.column_stack([np.interp(t_s, knots, row) for row in np.eye(pieces + 1)])


def _waves(t_s: Array, period_s: float, decay_s: float, from_s: float | None = None) -> Array:
    at = t_s - (t_s[0] if from_s is None else from_s)
    fading = np.exp(-at / decay_s)
    phase = 2 * np.pi * at / period_s
    return np.column_stack([fading * np.cos(phase), fading * np.sin(phase)])


def _with_curves(design: Array, t_s: Array, period_s: float, decay_s: float, size: Array) -> Array:
    """The design with what a small change of period and of decay does: looks with gaps hardly tell them."""
    at, step = _waves(t_s, period_s, decay_s) @ size, 1e-4
    other = [
        _waves(t_s, period_s * (1 + step), decay_s) @ size,
        _waves(t_s, period_s, decay_s * (1 + step)) @ size,
    ]
    return np.column_stack([design, *[(one - at) / step for one in other]])


def _left(design: Array, values: Array) -> Array:
    return np.asarray(values - design @ np.linalg.lstsq(design, values, rcond=None)[0])


def _best(t_s: Array, turn: Array, base: Array, lasts_s: float) -> tuple[float, float]:
    """Period and decay, s, that leave least: of the grid, then refined."""
    tried = [
        (_rms(_left(np.column_stack([base, _waves(t_s, period, decay)]), turn)), period, decay)
        for period in PERIODS_S
        for decay in DECAYS_S
        if decay == DECAYS_S[-1] or decay <= 4 * lasts_s
    ]
    _, period, decay = min(tried)

    def left(log_of: Array) -> Array:
        return _left(np.column_stack([base, _waves(t_s, *np.exp(log_of))]), turn)

    low, high = np.log([0.7, 1.0]), np.log([6.6, 2000.0])
    # Slow to load, and only a plumb line swings.
    from scipy.optimize import least_squares

    found = least_squares(left, np.log([period, decay]), bounds=(low, high), x_scale=[0.02, 0.3])
    return float(np.exp(found.x[0])), float(np.exp(found.x[1]))


def _mean_sd(design: Array, base: Array, left: Array) -> float:
    """Sd of the mean of the line's own place, from what is left and its memory."""
    n, free = design.shape
    variance = float(left @ left) / max(n - free - 2, 1)
    memory = float(left[1:] @ left[:-1]) / max(float(left @ left), 1e-30)
    memory = min(max(memory, 0.0), 0.97)
    share = base.mean(axis=0)
    inverse = np.linalg.pinv(design.T @ design)[: base.shape[1], : base.shape[1]]
    return math.sqrt(variance * float(share @ inverse @ share) * (1 + memory) / (1 - memory))


def _beyond(rms: float, noise: float) -> float:
    return math.sqrt(max(rms**2 - noise**2, 0.0))


def _rms(values: Array) -> float:
    return float(np.sqrt(np.mean(values**2)))
