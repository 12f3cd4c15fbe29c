"""A log's angles made ready for matching: without wraps, without the rows' own noise, closely spaced.

The noise of a log would draw a clip half way between two rows, whose mean is quieter than either row:
0.02 deg of noise at 25 rows a second cost 7 ms (tests/bench/clock.py). So every angle is smoothed by local
cubics (Savitzky and Golay, 1964) as widely as the log itself bears: each row is left out and predicted from
the others, and the width that predicts best is taken. Noise is predicted better by wide windows, motion by
narrow ones.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["LogAngles", "filled_in", "local_cubics", "log_angles", "through", "unwrapped_deg"]

Array = NDArray[np.float64]

FINE_ROWS_S = 0.02
GAP_PERIODS = 5
# Rows to either side. Those of three rows and fewer are tried in slow logs too, the others within SMOOTH_S.
SMOOTH_ROWS, FEW_ROWS, SMOOTH_S = (2, 3, 5, 8, 12, 18, 27), 3, 0.6


@dataclass(frozen=True)
class LogAngles:
    """A log's angles without their wraps, rows no more than FINE_ROWS_S apart where it has no gap.

    index : which of the caller's logs it is. period_s : between the rows as they were logged.
    """

    index: int
    name: str
    t_s: Array
    angle_deg: dict[str, Array]
    period_s: float


def log_angles(index: int, name: str, t_s: Array, angle_deg: Mapping[str, Array]) -> LogAngles:
    """A log for matching; times (n,) strictly rising, ``angle_deg`` (n,) each as logged, wraps and all.

    Between rows it is filled in by cubics that do not overshoot: straight lines cut corners of quick moves.
    """
    steps_s = np.diff(t_s)
    period_s = float(np.median(steps_s))
    whole = steps_s < GAP_PERIODS * period_s
    each = max(1, int(np.ceil(period_s / FINE_ROWS_S - 1e-9)))
    extra = t_s[:-1, None][whole] + steps_s[:, None][whole] * np.arange(1, each) / each
    fine_s = np.union1d(t_s, extra.ravel())
    pieces = np.split(np.arange(len(t_s)), np.flatnonzero(~whole) + 1)
    fine = {}
    for column, angle in angle_deg.items():
        rows = _smoothed(np.column_stack([t_s, unwrapped_deg(angle)]), pieces, period_s)
        fine[column] = filled_in(rows[:, 0], rows[:, 1], fine_s)
    return LogAngles(index, name, fine_s, fine, period_s)


def filled_in(x: Array, y: Array, at: Array) -> Array:
    """Values at ``at`` of the cubics through (x, y), (n,) each, x rising, that overshoot no row.

    Slopes as of Fritsch and Butland (SIAM J. Sci. Stat. Comput. 5, 1984): weighted harmonic means of those to
    either side, 0 where they differ in sign; at an end that of the parabola through three rows, held within
    what keeps the shape.
    """
    step, rise = np.diff(x), np.diff(y) / np.diff(x)
    slope = np.zeros(len(x))
    if len(x) == 2:
        slope[:] = rise
    else:
        before, after = rise[:-1], rise[1:]
        with np.errstate(divide="ignore", invalid="ignore"):
            weights = 2 * step[1:] + step[:-1], step[1:] + 2 * step[:-1]
            mean = (weights[0] + weights[1]) / (weights[0] / before + weights[1] / after)
        slope[1:-1] = np.where(before * after > 0, mean, 0.0)
        slope[0] = _end_slope(*step[:2], *rise[:2])
        slope[-1] = _end_slope(*step[:-3:-1], *rise[:-3:-1])
    k = np.clip(np.searchsorted(x, at, side="right") - 1, 0, len(step) - 1)
    u, h = (at - x[k]) / step[k], step[k]
    bend = slope[k] + slope[k + 1] - 2 * rise[k]
    return np.asarray(y[k] + h * u * (slope[k] + u * (rise[k] - slope[k] - bend + u * bend)))


def _end_slope(step: float, next_step: float, rise: float, next_rise: float) -> float:
    slope = ((2 * step + next_step) * rise - step * next_rise) / (step + next_step)
    if slope * rise <= 0:
        return 0.0
    if rise * next_rise <= 0 and abs(slope) > 3 * abs(rise):
        return 3 * rise
    return slope


def unwrapped_deg(angle_deg: Array) -> Array:
    """Angles without jumps of a whole turn."""
    return np.asarray(np.unwrap(angle_deg, period=360.0))


def _smoothed(rows: Array, pieces: list[NDArray[np.int64]], period_s: float) -> Array:
    """Rows (n, 2) of time and angle, smoothed within each piece; as they are where the narrowest is best.

    Times are smoothed alike, so that uneven rows stay on a straight move.
    """
    best, least = rows, np.inf
    for half in SMOOTH_ROWS:
        wide = [piece for piece in pieces if len(piece) > 2 * half]
        if not wide or (half > FEW_ROWS and half * period_s > SMOOTH_S):
            break
        smooth = rows.copy()
        smoother = local_cubics(half)
        for piece in wide:
            smooth[piece] = through(smoother, rows[piece])
        if np.any(np.diff(smooth[:, 0]) <= 0):
            break
        own = smoother[half, half]
        missed = (rows[:, 1] - smooth[:, 1])[np.concatenate(wide)] / (1 - own)
        # The fourth power, so that a short move counts in a log that lies still for minutes.
        size = float(np.mean(missed**4))
        if size < least:
            best, least = (rows if half == SMOOTH_ROWS[0] else smooth), size
    return best


def local_cubics(half: int) -> Array:
    """What takes 2 half + 1 values, evenly spaced, to the cubic through them by least squares; square."""
    basis = np.linalg.qr(np.vander(np.linspace(-1.0, 1.0, 2 * half + 1), 4))[0]
    return np.asarray(basis @ basis.T)


def through(smoother: Array, values: Array) -> Array:
    """Each of the values (n, k) on the cubic about it; near the ends on that of the first or last window."""
    half = len(smoother) // 2
    inside = [np.convolve(column, smoother[half], mode="valid") for column in values.T]
    first, last = values[: 2 * half + 1], values[-2 * half - 1 :]
    return np.vstack([smoother[:half] @ first, np.stack(inside, axis=1), smoother[half + 1 :] @ last])
