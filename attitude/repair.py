"""What goes wrong in the rows of a log, found in arrays of times and angles.

Every function looks only at numbers and says what it found; :mod:`attitude.log` decides whether that is
mended, noted or refused. The rules are derived from how loggers fail: a counter of 32 bits runs over, a
field that has no value holds a fixed number, a sensor that has not started reports zeros, and a logger that
runs faster than the sensor writes the same value several times.
"""

from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "NO_GAP_S",
    "PLACEHOLDERS",
    "backward_row",
    "changes",
    "fresh_rows",
    "gap_limit_s",
    "largest",
    "placeholder_rows",
    "placeholders",
    "rounding_step",
    "rows_before_clock",
    "spread_s",
    "start_up_rows",
    "unwrapped_s",
]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

# 2^32 microseconds and 2^32 milliseconds; the time of day, and satellite time, which counts by the week.
COUNTER_WRAPS_S = (2**32 / 1e6, 2**32 / 1e3, 86400.0, 604800.0)
# Numbers written where there is no value. Small ones count only where all angles of a row hold the same.
PLACEHOLDERS = (-1.0, 999.0, -999.0, 9999.0, -9999.0, 32767.0, -32768.0, 65535.0)
# Fewer different values than this say nothing of the grid they may lie on.
ENOUGH_VALUES = 20
# A burst: steps below this share of the mean step, and so many of all steps.
WITHIN_BURST, BURSTS_SHARE, FEWEST_BURSTS = 0.3, 0.4, 5
CLOCK_SET_S = 86400.0
# Steps up to this are bridged at any rate.
NO_GAP_S = 0.5


def unwrapped_s(t_s: Array) -> tuple[Array, int]:
    """Times with the run-overs of 32-bit counters, midnight and the week undone, and their number."""
    if not np.any(t_s[1:] < t_s[:-1]):
        return t_s, 0
    steps = np.diff(t_s)
    rising = steps[steps > 0]
    longest_s = max(60.0, 100 * float(np.median(rising))) if rising.size else 60.0
    added, wraps = np.zeros_like(t_s), 0
    for i in np.flatnonzero(steps < 0):
        for wrap_s in COUNTER_WRAPS_S:
            if 0 < steps[i] + wrap_s <= longest_s and t_s[i] <= wrap_s:
                added[i + 1 :] += wrap_s
                wraps += 1
    return t_s + added, wraps


def spread_s(t_s: Array) -> tuple[Array, str]:
    """Times (n,) that never fall, evened out where rows share stamps or arrive in bursts; and words on it.

    Rows with the very same stamp were cut to whole seconds (or so): they are spread from it to the next.
    Rows that arrive in a burst were measured since the burst before: they are spread back to it, or at
    the usual period where a gap lies in between. Empty words where nothing was done.
    """
    steps = np.diff(t_s)
    if len(steps) < 20 or t_s[-1] <= t_s[0]:
        return t_s, ""
    # The usual step, below, is at most the mean one: where few are short beside that, none need be sorted.
    if np.mean(steps < 1.01 * WITHIN_BURST * float(np.mean(steps))) < BURSTS_SHARE:
        return t_s, ""
    # Gaps must not make every step look like one within a burst.
    usual_s = float(np.mean(steps[steps <= np.quantile(steps, 0.99)]))
    within = steps < WITHIN_BURST * usual_s
    if within.mean() < BURSTS_SHARE:
        return t_s, ""
    first = np.concatenate([[0], np.flatnonzero(~within) + 1])
    sizes = np.diff(np.concatenate([first, [len(t_s)]]))
    # A logger that changed its pace has no bursts of one size.
    if len(sizes) < FEWEST_BURSTS or np.median(sizes) < 2 or np.quantile(sizes, 0.95) > 3 * np.median(sizes):
        return t_s, ""
    same_stamp = bool(np.median(steps[within]) == 0)
    stamps_s = t_s[first] if same_stamp else t_s[first + sizes - 1]
    since_s = np.diff(stamps_s)
    period_s = float(np.median(since_s / (sizes[:-1] if same_stamp else sizes[1:])))

    def evenly(step_s: Array) -> Array:
        # What is much longer holds a gap.
        return np.where(step_s > 1.5 * period_s, period_s, step_s)

    # The first burst may be cut, and so may the last rows of one stamp: they are as far apart as usual.
    if same_stamp:
        between_s = np.append(evenly(since_s / sizes[:-1]), period_s)
        between_s[0] = min(between_s[0], period_s)
        start_s = stamps_s.copy()
        if since_s[0] <= 1.5 * np.median(since_s):
            start_s[0] = stamps_s[1] - sizes[0] * between_s[0]
    else:
        between_s = np.concatenate([[period_s], evenly(since_s / sizes[1:])])
        start_s = stamps_s - (sizes - 1) * between_s
    place = np.arange(len(t_s)) - np.repeat(first, sizes)
    spread = np.repeat(start_s, sizes) + place * np.repeat(between_s, sizes)
    count = float(np.median(sizes))
    if same_stamp:
        return spread, f"about {count:.0f} rows share each time stamp; they were spread evenly in between"
    return spread, f"rows arrive in bursts of about {count:.0f}; their times were spread evenly"


def rows_before_clock(t_s: Array) -> int:
    """Number of leading rows, less than half, from before a clock was set: a day and more earlier."""
    if t_s.size and t_s.max() - t_s.min() <= CLOCK_SET_S:
        return 0
    jumps = np.flatnonzero(np.diff(t_s) > CLOCK_SET_S)
    return int(jumps[-1]) + 1 if jumps.size and jumps[-1] + 1 < len(t_s) / 2 else 0


def backward_row(t_s: Array) -> int | None:
    """Index of the first row that is earlier than the one before it."""
    back = np.flatnonzero(t_s[1:] < t_s[:-1])
    return int(back[0]) + 1 if back.size else None


def gap_limit_s(t_s: Array) -> float:
    """Longest step between rows that is still bridged: 0.5 s or five periods, whichever is more.

    The period is the step that half of the logged time passes in (rows that arrive in bursts have a much
    shorter median step), the longest 2 % of the steps left aside because they may be gaps themselves.
    """
    steps = np.diff(t_s)
    # The period is no longer than the longest step.
    if steps.size == 0 or 5 * float(steps.max()) <= NO_GAP_S:
        return NO_GAP_S
    steps = np.sort(steps)
    steps = steps[: max(1, int(0.98 * steps.size))]
    spent = np.cumsum(steps)
    period_s = float(steps[np.searchsorted(spent, spent[-1] / 2)])
    return max(NO_GAP_S, 5 * period_s)


def placeholder_rows(raw: Array, limit: float) -> Mask:
    """Rows of angles (n, 2 or 3: roll, pitch, yaw as logged) that hold a number instead of an angle.

    ``limit`` is 360 degrees in the unit of ``raw``: roll and pitch beyond it are impossible; yaw may have
    counted turns, so that only the very values of placeholders are taken out of it, where they jump.
    """
    beyond: Mask = np.zeros(len(raw), dtype=bool)
    same = np.ones(len(raw), dtype=bool)
    for place, column in enumerate(raw.T):
        if place < 2 and not largest(column) <= 1.001 * limit:
            beyond |= np.abs(column) > 1.001 * limit
        beyond |= placeholders(column)
        same &= column == raw[:, 0]
    rows = np.flatnonzero(same)
    alike = np.isin(raw[rows, 0], PLACEHOLDERS)
    if raw.shape[1] == 2:
        alike &= np.abs(raw[rows, 0]) >= 999
    beyond[rows[alike]] = True
    return beyond


def placeholders(values: Array) -> Mask:
    """Which values (n,) of one column hold a large number that stands for none, and not a reading.

    In counts or hundredths of a degree such a number may be an angle: then the rows around it lead up to it.
    """
    if largest(values) < 999:
        return np.zeros(len(values), dtype=bool)
    found: Mask = np.abs(values) >= 999
    found[found] = np.isin(values[found], PLACEHOLDERS)
    if not found.any():
        return found
    good = np.flatnonzero(~found & ~np.isnan(values))
    if good.size < 3:
        return found & (good.size > 0)
    usual = float(np.quantile(np.abs(np.diff(values[good])), 0.99))
    rows = np.flatnonzero(found)
    after = np.searchsorted(good, rows)
    around = np.column_stack([good[np.maximum(after - 1, 0)], good[np.minimum(after, good.size - 1)]])
    away = np.min(np.abs(values[around] - values[rows][:, None]), axis=1)
    found[rows] = away > 5 * usual + 1e-3 * np.abs(values[rows])
    return found


def start_up_rows(angles_deg: Array) -> int:
    """Number of leading rows of exact zeros that end in a jump no later step comes near."""
    zero = np.all(angles_deg == 0, axis=1)
    count = int(np.argmin(zero)) if not np.all(zero) else 0
    if count < 3 or len(angles_deg) - count < 10:
        return 0
    steps = np.max(np.abs(np.diff(angles_deg, axis=0)), axis=1)
    usual = float(np.percentile(steps[count:], 99))
    return count if steps[count - 1] > max(0.5, 5 * usual) else 0


def fresh_rows(angles: Array) -> Mask | None:
    """Rows to keep where a log repeats each attitude for several rows; None where it does not.

    A repeat counts only when the attitude changes at a regular beat: four in five runs of equal rows are
    as long as the middle ones. (Coarse rounding of a still camera also repeats values, at no beat.) A run of
    several beats, the camera having stood still, keeps one row per beat.
    """
    changed = changes(angles.T)
    # Where four runs in five are one row long, the middle ones are, and that is no beat.
    if 1.2 * (np.count_nonzero(changed) + 1) > len(angles) + 2:
        return None
    starts = np.concatenate([[0], np.flatnonzero(changed) + 1])
    runs = np.diff(np.concatenate([starts, [len(angles)]]))
    if runs.size < 10:
        return None
    low, high = np.percentile(runs, [25, 75])
    beat = float(np.mean(runs[(runs >= low) & (runs <= high)]))
    if beat < 1.5 or np.mean(np.abs(runs - beat) <= max(0.5, 0.34 * beat)) < 0.8:
        return None
    keep = np.zeros(len(angles), dtype=bool)
    for start, run in zip(starts, runs, strict=True):
        beats = max(1, round(run / beat))
        keep[start + np.round(np.arange(beats) * run / beats).astype(int)] = True
    return keep


def largest(values: Array) -> float:
    """Largest size of the values, NaN where one is NaN, 0 of none."""
    return float(max(-values.min(), values.max())) if values.size else 0.0


def changes(columns: Iterable[Array]) -> Mask:
    """Which rows (n - 1,) differ from the row before, in any of the columns (n,) there."""
    found = [column[1:] != column[:-1] for column in columns]
    return np.asarray(np.logical_or.reduce(found))


def rounding_step(cells: Sequence[str]) -> float:
    """Step of the grid that the numbers of a column lie on, in the unit of the column; 0 when unknown.

    At least the last decimal that is written; coarser when there are enough different values and they are
    all multiples of the smallest difference between them (sixteenths of a degree, say).
    """
    texts = list(dict.fromkeys(cells))
    if len(texts) < 3 or any("e" in text.lower() for text in texts):
        return 0.0
    values = np.unique(np.array([float(text) for text in texts]))
    decimals = max(len(text.partition(".")[2]) for text in texts)
    step = 10.0**-decimals
    if values.size >= ENOUGH_VALUES:
        smallest = float(np.min(np.diff(values)))
        off_grid = np.abs((values - values[0]) / smallest - np.round((values - values[0]) / smallest))
        # The printed digits may round each multiple by half a last place.
        if smallest > 1.5 * step and np.all(off_grid * smallest <= 1.01 * step):
            step = smallest
    return step
