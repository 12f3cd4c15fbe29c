"""Log file -> :class:`AttitudeLog`: camera axes, our signs, seconds that only rise.

The mapping of the sheet is applied first (:mod:`attitude.mapping`), then the rows are mended
(:mod:`attitude.repair`): rows without an attitude are left out and noted while they are few, a log is refused
where leaving out would be guessing. Between two rows the attitude is interpolated as a rotation, never
across a gap and never beyond the ends.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from attitude import LOG_COLUMNS
from attitude.columns import is_demanded
from attitude.frames import (
    angles_between_deg,
    camera_angles_deg,
    degrees_as_logged,
    in_blocks,
)
from attitude.mapping import (
    FEW,
    Epoch,
    LogError,
    MappedLog,
    fail,
    fast_and_slow_columns,
    open_log,
    refuse_wrong_angle_unit,
)
from attitude.repair import (
    backward_row,
    changes,
    fresh_rows,
    gap_limit_s,
    placeholder_rows,
    rounding_step,
    rows_before_clock,
    spread_s,
    start_up_rows,
    unwrapped_s,
)
from attitude.sheet import LogSheet, Shoot
from attitude.table import TextTable

__all__ = ["AttitudeLog", "LogError", "attitude_at", "read_log", "read_logs"]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

# Steps of the logged angles finer than this are no rounding worth speaking of.
FINE_DEG = 0.005


@dataclass(frozen=True)
class AttitudeLog:
    """What the sensor believed.

    ``table``: ``LOG_COLUMNS`` and the optional ones that were logged, ``t_s`` strictly rising; yaw is 0
    throughout when ``has_yaw`` is false. ``rounding_deg``: step of the logged roll and pitch, 0 if fine.
    ``powered_on_s``: log time. ``notes``: what was mended or looks odd.
    """

    name: str
    attitude_of: str
    table: pd.DataFrame
    rounding_deg: float
    powered_on_s: float | None
    has_yaw: bool
    notes: tuple[str, ...]


def _counted(count: int, thing: str) -> str:
    """Count and thing in words, the thing in its plural where it is due."""
    return f"{count} {thing}{'' if count == 1 else 's'}"


def _unusable(sheet: LogSheet, log: MappedLog) -> Mask:
    """Rows that hold no time or no attitude: not numbers, placeholders, quaternions of odd length."""
    missing: Mask = np.isnan(log.t_s)
    for column in log.raw.T:
        missing |= np.isnan(column)
    if log.raw.shape[1] == 4:
        length = in_blocks(lambda some: np.linalg.norm(some, axis=1), log.raw)
        usual = np.median(length[length > 0]) if np.any(length > 0) else 1.0
        missing |= ~(np.abs(length / usual - 1) < FEW)
        return missing
    one_turn = {"deg": 360.0, "rad": 2 * np.pi}
    unit = sheet.angle_unit
    missing |= placeholder_rows(log.raw, one_turn[unit] if isinstance(unit, str) else 360 / unit)
    return missing


def _rows_of_attitude(log: MappedLog) -> MappedLog:
    """The log less rows in which all of the attitude is blank, where the others come at a regular beat.

    Such a table holds sensors of several rates side by side: what is blank there is not missing.
    """
    blank = log.table.blank_rows(log.attitude)
    if blank[int(np.argmin(blank)) :].mean() <= FEW:
        return log
    steps = np.diff(log.t_s[~blank & ~np.isnan(log.t_s)])
    if len(steps) < 20:
        return log
    if np.quantile(steps, 0.98) > max(0.5, 3 * float(np.median(steps))):
        return log
    return _only(log, ~blank)


def _only(log: MappedLog, keep: Mask) -> MappedLog:
    """The rows to keep (n,)."""
    if keep.all():
        return log
    table = log.table.only(keep)
    raw = table.beside(log.attitude) if table.odd_lines.isdisjoint(log.lines[keep]) else log.raw[keep]
    return replace(log, table=table, t_s=log.t_s[keep], raw=raw, lines=table.lines)


def _usable_rows(sheet: LogSheet, log: MappedLog) -> tuple[Mask, list[str]]:
    """Rows that hold a time and an attitude, and notes on those left out.

    Raises
    ------
    LogError
        More than a few hold none, those before the sensor started not counted.
    """
    bad = _unusable(sheet, log)
    good = np.flatnonzero(~bad) if bad.any() else np.arange(len(bad), dtype=np.int32)
    usable = good[rows_before_clock(log.t_s[good] if bad.any() else log.t_s) :]
    first = int(usable[0]) if usable.size else len(bad)
    if usable.size and log.raw.shape[1] < 4 and not log.raw[usable[:3]].any():
        first = int(usable[start_up_rows(degrees_as_logged(sheet, log.raw[usable]))])
    later = np.flatnonzero(bad[first:]) + first
    late_start = first > len(bad) / 2
    if late_start or later.size > FEW * len(bad):
        row = int(np.flatnonzero(bad)[0]) if late_start and bad.any() else int(later[0]) if later.size else 0
        line, count = int(log.lines[row]), first if late_start else later.size
        many = f"{count} of {len(bad)} rows are unusable"
        if line in log.table.odd_lines:
            mend = "with decimal commas, separate the columns by semicolons"
            fail(log.table, line, f"more cells than the header has ({many}); {mend}")
        wrong = [name for name, value in zip(log.attitude, log.raw[row], strict=True) if np.isnan(value)]
        columns = log.times if np.isnan(log.t_s[row]) else (*wrong, log.attitude[0])[:1]
        name, cell = " + ".join(columns), " ".join(log.table.cell(c, row) for c in columns)
        mend = "map another column, or export the log again"
        fail(log.table, line, f"{name} is {cell!r}; expected a usable number ({many}); {mend}")
    notes = [f"left out {_counted(first, 'row')} before the first attitude"] if first else []
    if later.size:
        rows, line = _counted(later.size, "row"), log.lines[later[0]]
        notes.append(f"left out {rows} without a readable attitude, the first in line {line}")
    keep = ~bad
    keep[:first] = False
    return keep, notes


def _rising(log: MappedLog, keep: Mask) -> tuple[Array, Mask, list[str]]:
    """Times of the kept rows unwrapped, which rows to keep so that they rise, and notes.

    Raises
    ------
    LogError
        The time goes backwards.
    """
    t_s, wraps = unwrapped_s(log.t_s if keep.all() else log.t_s[keep])
    notes = [f"the clock ran over {_counted(wraps, 'time')}; it was continued"] if wraps else []
    back = backward_row(t_s)
    if back is not None:
        before, after = t_s[back - 1], t_s[back]
        mend = "sort the rows by time, or export the log again"
        # A single wrong time is followed by right ones again; a new start is not.
        if after < 0.1 * before and np.all(t_s[back : back + 3] < before):
            mend = "the clock restarted: save each power-on as a file of its own, with its own [[log]]"
        line = int(log.lines[np.flatnonzero(keep)[back]])
        fail(log.table, line, f"time goes backwards, {before:g} s to {after:g} s; {mend}")
    t_s, evened = spread_s(t_s)
    notes += [evened] if evened else []
    fresh = np.concatenate([[True], t_s[1:] > t_s[:-1]])
    if fresh.all():
        return t_s, keep, notes
    notes.append(f"left out {_counted(np.sum(~fresh), 'row')} with the time of the row before")
    rising = np.zeros_like(keep)
    rising[np.flatnonzero(keep)[fresh]] = True
    return t_s[fresh], rising, notes


def _rounding_deg(sheet: LogSheet, log: MappedLog) -> float:
    """Step of the logged angles; a step d of quaternion parts turns by about 2 d."""
    steps = []
    for name in log.attitude if log.raw.shape[1] == 4 else log.attitude[:2]:
        steps.append(rounding_step([cell.replace(",", ".") for cell in log.table.texts(name)]))
    if log.raw.shape[1] == 4:
        length = float(np.median(in_blocks(lambda some: np.linalg.norm(some, axis=1), log.raw)))
        step_deg = float(np.degrees(2 * max(steps) / length))
    else:
        step_deg = float(np.abs(degrees_as_logged(sheet, np.array([[max(steps), 0.0]]))[0, 0]))
    return step_deg if step_deg >= FINE_DEG else 0.0


def _remarks(sheet: LogSheet, attitude: Sequence[str], table: pd.DataFrame) -> list[str]:
    """Notes on what is left as it is but looks odd; ``attitude``: columns it was read from."""
    notes = []
    demanded = [name for name in attitude if is_demanded(name)]
    if demanded and sheet.attitude_of != "commanded":
        notes.append(f"column {demanded[0]!r} sounds like a commanded angle, not a measured one")
    t_s = table["t_s"].to_numpy()
    steps = np.diff(t_s)
    gaps = np.flatnonzero(steps > gap_limit_s(t_s))
    if gaps.size:
        longest = gaps[np.argmax(steps[gaps])]
        what = "a gap" if gaps.size == 1 else f"{gaps.size} gaps, the longest"
        notes.append(f"{what} of {steps[longest]:.1f} s after log time {t_s[longest]:.1f} s")
    moves = changes(table[name].to_numpy() for name in LOG_COLUMNS[1:])
    last = int(np.flatnonzero(moves)[-1]) + 1 if moves.any() else len(t_s) - 1
    frozen_s = float(t_s[-1] - t_s[last])
    if last > 10 and moves[:last].mean() > 0.9 and frozen_s > 2 and len(t_s) - last > 20:
        notes.append(
            f"the attitude does not change at all in the last {frozen_s:.1f} s; had the sensor stopped?"
        )
    return notes


def _read(
    sheet: LogSheet, epoch: Epoch | None, cells: TextTable | None = None
) -> tuple[AttitudeLog, Epoch | None]:
    log = _rows_of_attitude(open_log(sheet, epoch, cells))
    refuse_wrong_angle_unit(sheet, log)
    usable, left_out = _usable_rows(sheet, log)
    t_s, keep, mended = _rising(log, usable)
    log = _only(log, keep)
    notes = [*log.notes, *left_out, *mended]
    if log.table.torn:
        notes.append("left out the last line, which was cut off")
    if log.raw.shape[1] == 2:
        notes.append("no yaw column: turns of the camera are not known")
    rounding_deg = _rounding_deg(sheet, log)
    fresh = fresh_rows(log.raw)
    table = _table(sheet, log, t_s)
    if fresh is not None:
        share = len(fresh) / fresh.sum()
        notes.append(f"each attitude is logged about {share:.1f} times over; only the first of each is used")
        table = table[fresh].reset_index(drop=True)
    has_yaw, attitude, epoch = log.raw.shape[1] != 2, log.attitude, log.epoch
    if len(table) < 2:
        fail(log.table, None, "holds one attitude at most; log while filming, and name that file")
    # What was read is not needed any more, and may be large.
    del log, t_s
    notes += _remarks(sheet, attitude, table)
    name, owner, on_s = sheet.file.name, sheet.attitude_of, sheet.powered_on_s
    return AttitudeLog(name, owner, table, rounding_deg, on_s, has_yaw, tuple(notes)), epoch


def _table(sheet: LogSheet, log: MappedLog, t_s: Array) -> pd.DataFrame:
    """Mended times, the camera's attitude, and what was logged with it, in place of what was read."""
    others = fast_and_slow_columns(sheet, log, t_s)
    values = log.table.room(len(LOG_COLUMNS) + len(others))
    values[0] = t_s
    camera_angles_deg(sheet, log.raw, out=values[1:4].T)
    for place, column in enumerate(others.values(), len(LOG_COLUMNS)):
        values[place] = column
    return pd.DataFrame(values.T, columns=[*LOG_COLUMNS, *others], copy=False)


def read_log(sheet: LogSheet, table: TextTable | None = None) -> AttitudeLog:
    """Read one log; time stamps count from its own first row.

    table : all of its cells, where they have been read before.

    Raises
    ------
    LogError
        The file, its columns or its rows cannot be used as the sheet says. One line.
    """
    return _read(sheet, None, table)[0]


def read_logs(shoot: Shoot) -> tuple[AttitudeLog, ...]:
    """Read every log of a shoot; time stamps count from the first row of the first log that has any.

    Raises
    ------
    LogError
        As :func:`read_log`.
    """
    logs, epoch = [], None
    for sheet in shoot.logs:
        log, epoch = _read(sheet, epoch)
        logs.append(log)
    return tuple(logs)


def attitude_at(log: AttitudeLog, t_s: ArrayLike) -> pd.DataFrame:
    """Attitude at log times: the rotation on the shortest way between the two neighbouring rows.

    Parameters
    ----------
    t_s : array_like, shape (n,)
        Log times in seconds, in any order.

    Returns
    -------
    DataFrame
        ``LOG_COLUMNS``, one row per time; NaN before the first row, after the last, and in gaps longer than
        0.5 s or five periods, whichever is more.
    """
    wanted = np.atleast_1d(np.asarray(t_s, float))
    known = log.table["t_s"].to_numpy()
    out = np.full((wanted.size, 3), np.nan)

    def angles(rows: NDArray[np.int_]) -> Array:
        return np.column_stack([log.table[name].to_numpy()[rows] for name in LOG_COLUMNS[1:]])

    before = np.clip(np.searchsorted(known, wanted, side="right") - 1, 0, len(known) - 1)
    exact = known[before] == wanted
    out[exact] = angles(before[exact])
    between = ~exact & (wanted > known[0]) & (wanted < known[-1])
    left = before[between]
    step_s = known[np.minimum(left + 1, len(known) - 1)] - known[left]
    bridged = step_s <= gap_limit_s(known)
    between[between] = bridged
    if between.any():
        left, step_s = left[bridged], step_s[bridged]
        share = (wanted[between] - known[left]) / step_s
        out[between] = angles_between_deg(angles(left), angles(left + 1), share)
    return pd.DataFrame(dict(zip(LOG_COLUMNS, [wanted, *out.T], strict=True)))
