"""Which column of a logged table tells the time, in which unit, and what it says of the wall clock.

Of several columns the finest counts (one that repeats its value for many rows was cut to whole seconds), and
of those alike the one that runs most evenly: stamps of arrival come in bursts. The unit shows where it counts
from 1970, or where one unit alone gives a sensible rate and a log as long as the clips.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from attitude.columns import Column
from attitude.guess_board import Guess, clean
from attitude.mapping import TIME_UNITS_S, numbers, time_stamps
from attitude.repair import rows_before_clock, unwrapped_s
from attitude.table import TextTable

__all__ = ["Wall", "time_options", "wall_clock"]

Array = NDArray[np.float64]

# Seconds since 1970 of the years that a log may come from.
THIS_AGE_S = (1.0e9, 2.5e9)
SLOWEST_S, FASTEST_S, LONGEST_S = 2.5, 4e-4, 8 * 3600.0
USUAL_S = 0.02
FINE = 0.8  # of the different values of the finest column
DAY_S = 86400.0


@dataclass(frozen=True)
class Wall:
    """A log by the wall clock, in seconds from 1970 as if the clock's hours were UTC.

    dated : whether the day is known; else ``from_s`` counts from midnight of some day. how : in words.
    """

    from_s: float
    to_s: float
    dated: bool
    how: str


@dataclass(frozen=True)
class _Clock:
    """One column, or date and time, that may be the time; values in its own unit, evenness as jitter."""

    name: str
    unit: str
    values: Array
    stamps: bool

    @property
    def distinct(self) -> int:
        return len(np.unique(self.values))

    @property
    def jitter(self) -> float:
        """Middle deviation of the steps from the mean one, as a share of it."""
        steps = np.diff(self.values)
        steps = steps[(steps >= 0) & (steps <= np.quantile(steps, 0.98))]
        mean = float(np.mean(steps)) if steps.size else 0.0
        return float(np.median(np.abs(steps - mean)) / mean) if mean > 0 else np.inf


def time_options(
    table: TextTable, columns: Sequence[Column], longest_clip_s: float
) -> list[tuple[Guess, Guess]]:
    """Entries ``time`` and ``time_unit``, the likeliest unit first; empty where no time is recognised."""
    clocks = _clocks(table, columns)
    if not clocks:
        return []
    finest = max(clock.distinct for clock in clocks)
    fine = [clock for clock in clocks if clock.distinct >= FINE * finest]
    # Differences of a tenth are no reason to prefer the later column.
    best = min(fine, key=lambda clock: round(clock.jitter, 1))
    name = Guess("time", best.name, "told", "by its name")
    if best.stamps:
        return [(name, Guess("time_unit", "iso8601", "tested", "the rows read as date and time"))]
    return [(name, unit) for unit in _units(best, longest_clip_s)]


def _clocks(table: TextTable, columns: Sequence[Column]) -> list[_Clock]:
    times = [c for c in columns if c.kind == "time"]
    found = []
    for column in times:
        values = clean(numbers(table, column.name))
        if values.size >= max(2, 0.9 * len(table.cells)) and _rises(values) and not _clock_digits(values):
            found.append(_Clock(column.name, column.unit, values[rows_before_clock(values) :], False))
    pairs = [(a.name, b.name) for a in times for b in times if a.part == "date" and b.part == "time"]
    for names in [*pairs, *((c.name,) for c in times if c.part == "time" or not pairs)]:
        stamps = time_stamps(table, names)["stamp"]
        if stamps.notna().mean() > 0.9 and stamps.nunique() > 1:
            values = stamps.dropna().astype("int64").to_numpy() / 1e9
            if _rises(values):
                found.append(_Clock(" + ".join(names), "", values[rows_before_clock(values) :], True))
        if len(names) == 2 and found and found[-1].stamps:
            break
    return found


def _rises(values: Array) -> bool:
    return bool(np.mean(np.diff(values) >= 0) >= 0.95) and len(np.unique(values)) > 1


def _clock_digits(values: Array) -> bool:
    """Whether a number is the hands of a clock, 101500.25 for a quarter past ten: it leaps every minute."""
    whole = np.floor(np.abs(values))
    hands = np.all((whole % 100 < 60) & (whole // 100 % 100 < 60) & (whole < 240000))
    leaps = np.isclose(np.diff(whole) % 100, 41, atol=1.01) & (np.diff(whole) > 30)
    return bool(hands and leaps.any() and len(np.unique(whole)) > 30)


def _units(clock: _Clock, longest_clip_s: float) -> list[Guess]:
    if clock.unit in TIME_UNITS_S:
        return [Guess("time_unit", clock.unit, "told", "by the column's name")]
    middle = float(np.median(clock.values))
    rising = np.diff(clock.values)
    span = float(rising[rising > 0].sum())
    step = span / (len(clock.values) - 1)
    for unit, scale in TIME_UNITS_S.items():
        if THIS_AGE_S[0] < middle * scale < THIS_AGE_S[1] and FASTEST_S <= step * scale <= SLOWEST_S:
            return [Guess("time_unit", unit, "tested", "counts from 1970 in this unit only")]
    fits = [
        unit
        for unit, scale in TIME_UNITS_S.items()
        if FASTEST_S <= step * scale <= SLOWEST_S and 0.5 * longest_clip_s <= span * scale <= LONGEST_S
    ]
    if len(fits) == 1:
        why = "the only unit that gives a sensible rate and length"
        return [Guess("time_unit", fits[0], "tested", why)]
    # Of several that fit, the one nearest to 50 rows a second.
    likely = sorted(fits or TIME_UNITS_S, key=lambda u: abs(np.log(step * TIME_UNITS_S[u] / USUAL_S)))
    rate = {unit: f"{1 / (step * TIME_UNITS_S[unit]):.3g}" for unit in likely}
    options = likely if fits else likely[:1]
    return [Guess("time_unit", unit, "assumed", f"gives {rate[unit]} rows a second") for unit in options]


def wall_clock(table: TextTable, columns: Sequence[Column]) -> Wall | None:
    """What any column of the table says of the wall clock; None where none does."""
    for clock in _clocks(table, columns):
        if clock.stamps:
            dated = bool(clock.values[0] >= DAY_S * 365)
            return Wall(float(clock.values[0]), float(clock.values[-1]), dated, f"by its column {clock.name}")
        scale = TIME_UNITS_S.get(clock.unit)
        scales = TIME_UNITS_S.values() if scale is None else (scale,)
        for one in scales:
            times_s, _ = unwrapped_s(clock.values * one)
            usual_s = (times_s[-1] - times_s[0]) / max(1, len(times_s) - 1)
            if THIS_AGE_S[0] < float(np.median(times_s)) < THIS_AGE_S[1] and usual_s <= SLOWEST_S:
                return Wall(float(times_s[0]), float(times_s[-1]), True, f"by its column {clock.name}")
    return None
