"""Logs and tables of a six-face capture -> :class:`Capture`: the holds in them, in g along the board's axes.

A capture comes as one log over all holds, as several files of a pose each, or as one table of averages, a row
per pose. A resting accelerometer reads 1 g: that tells the unit where nobody does, and speaks up where
somebody told a wrong one. Which faces the holds show is left to whoever asked for them.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import NoReturn

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from attitude.capture import FACE_COSINE, NEAR_1_G, Capture, CaptureError, CaptureSheet, StaticHold
from attitude.capture_columns import Columns, columns_of, gyro_scale_dps, times_s, unit_g
from attitude.columns import is_blank, is_value
from attitude.holds_in_log import SHORTEST_S, at_rail, shortest_hold_s, spike_rows, still_stretches
from attitude.mapping import FEW, numbers
from attitude.repair import fresh_rows
from attitude.table import TEXT_SUFFIXES, TableError, TextTable, read_table

__all__ = ["read_capture"]

Array = NDArray[np.float64]

# A table of averages: this many rows at most, and most of them point elsewhere than the row before.
MOST_AVERAGES, FEWEST_AVERAGES = 60, 2
OTHERS_SHARE = 0.4
FACE_WORDS = ("face", "side", "pose", "up")
GAP_PERIODS, LEAST_GAP_S = 3.0, 0.3


@dataclass(frozen=True)
class _Readings:
    """One file in g and seconds. raw : (n, 3) as logged; limits : the least and the largest in the file.

    step_g : of the last digit.
    """

    path: Path
    t_s: Array
    readings_g: Array
    raw: Array
    limits: tuple[Array, Array]
    step_g: float
    spikes_s: Array
    gyro_dps: Array | None
    temperature_c: Array | None
    notes: tuple[str, ...]

    @property
    def period_s(self) -> float:
        """Usual time between readings."""
        return float(np.median(np.diff(self.t_s)))


def read_capture(sheet: CaptureSheet) -> Capture:
    """Read the files of a capture and find its holds.

    Raises
    ------
    CaptureError
        A file is no table, lacks columns or a range for its counts, reads no 1 g in the unit told, holds
        nothing still, or sits at the limit of its range. One line.
    """
    if len(sheet.files) > 1:
        found = [_file_of_pose(sheet, path) for path in sheet.files]
        holds = tuple(hold for one, _ in found for hold in one)
        return Capture(holds, _together([note for _, notes in found for note in notes]))
    path = sheet.files[0]
    table = _table(path)
    columns = columns_of(sheet, table)
    if _is_averages(sheet, table, columns):
        return _averages(sheet, path, table, columns)
    readings = _readings(sheet, path, table, columns)
    holds = _holds(sheet, readings)
    return Capture(holds, (*readings.notes, *_hold_notes(readings, holds)))


def _together(notes: Sequence[str]) -> tuple[str, ...]:
    """Notes of several files, what is said of many of them said once."""
    files: dict[str, list[str]] = {}
    for note in notes:
        file, _, text = note.partition(": ")
        files.setdefault(text, [])
        if file not in files[text]:
            files[text].append(file)
    return tuple(
        f"{', '.join(names) if len(names) < 3 else f'{len(names)} files'}: {text}"
        for text, names in files.items()
    )


def _table(path: Path) -> TextTable:
    if path.suffix.lower() not in TEXT_SUFFIXES:
        allowed = ", ".join(TEXT_SUFFIXES)
        raise CaptureError(f"{path.name}: a capture is read from {allowed}; export it as .csv")
    try:
        return read_table(path)
    except TableError as error:
        raise CaptureError(str(error)) from None


def _sign(sheet: CaptureSheet) -> float:
    return 1.0 if sheet.accelerometer_sign == "up_reads_plus" else -1.0


def _raw(table: TextTable, names: Sequence[str]) -> Array:
    return np.column_stack([numbers(table, name) for name in names])


def _size(raw: Array) -> float:
    return float(np.median(np.linalg.norm(raw, axis=1)))


def _whole(raw: Array) -> bool:
    return bool(np.all(raw == np.round(raw)))


# ---- one log, or a file per pose


def _readings(sheet: CaptureSheet, path: Path, table: TextTable, columns: Columns) -> _Readings:
    raw = _raw(table, columns.accelerometer)
    known = np.asarray(np.isfinite(raw).all(axis=1))
    if known.sum() < FEWEST_AVERAGES:
        names = ", ".join(columns.accelerometer)
        raise CaptureError(f"{path.name}: {names} hold no numbers; name other columns as accelerometer")
    scale_g, notes = unit_g(sheet, table, columns, _size(raw[known]), whole=_whole(raw[known]))
    t_s, time_notes = times_s(sheet, table)
    notes = [*columns.notes, *notes, *time_notes]
    if not known.all():
        notes.append(f"{path.name}: left out {int((~known).sum())} rows without a reading")
    rows = np.flatnonzero(known)
    fresh = fresh_rows(raw[rows])
    if fresh is not None:
        notes.append(f"{path.name}: each reading is logged about {len(fresh) / fresh.sum():.1f} times over")
        rows = rows[fresh]
    spikes = spike_rows(raw[rows] * scale_g)
    spikes_s = t_s[rows[spikes]]
    rows = rows[~spikes]
    limits = (raw[rows].min(axis=0), raw[rows].max(axis=0))
    gyro, gyro_notes = _gyro_dps(sheet, table, columns, rows)
    readings_g = raw[rows] * scale_g * _sign(sheet)
    temperature = (
        None if columns.temperature_c is None else _filled(numbers(table, columns.temperature_c)[rows])
    )
    notes += gyro_notes
    step_g = _step(raw[rows]) * scale_g
    return _Readings(
        path, t_s[rows], readings_g, raw[rows], limits, step_g, spikes_s, gyro, temperature, tuple(notes)
    )


def _step(raw: Array) -> float:
    """Least difference of two readings of an axis, as logged: the last digit where it is coarse."""
    apart = [np.diff(np.unique(column)) for column in raw.T]
    return min((float(one.min()) for one in apart if one.size), default=0.0)


def _filled(values: Array) -> Array | None:
    """Values of a slow column, those between them interpolated; None where there are none."""
    known = np.flatnonzero(np.isfinite(values))
    return np.interp(np.arange(len(values)), known, values[known]) if known.size else None


def _gyro_dps(
    sheet: CaptureSheet, table: TextTable, columns: Columns, rows: NDArray[np.int_]
) -> tuple[Array | None, list[str]]:
    if columns.gyro is None:
        return None, []
    scale = gyro_scale_dps(sheet, table, columns)
    names = ", ".join(columns.gyro)
    if scale is None:
        return None, [f"{table.name}: {names} are left out: their unit is not told; give gyro_unit"]
    raw = _raw(table, columns.gyro)[rows]
    if np.isnan(raw).mean() > FEW:
        return None, [f"{table.name}: {names} are left out: too many rows lack them"]
    filled = [_filled(column) for column in raw.T]
    return scale * np.column_stack([column for column in filled if column is not None]), []


def _holds(sheet: CaptureSheet, readings: _Readings, label: str = "") -> tuple[StaticHold, ...]:
    """Every hold of a log.

    Raises
    ------
    CaptureError
        There is none, or one sits at a limit.
    """
    found = still_stretches(readings.t_s, readings.readings_g)
    if not found:
        shortest_s = shortest_hold_s(readings.period_s)
        rest_s = "ten seconds" if shortest_s <= SHORTEST_S else f"{2 * shortest_s:.0f} s"
        raise CaptureError(
            f"{readings.path.name}: no hold in {np.ptp(readings.t_s):.0f} s: looked for {shortest_s:.0f} s "
            f"near 1 g whose direction stays put; let the board rest for {rest_s} on each face"
        )
    holds = []
    for rows in found:
        t_s = readings.t_s[rows]
        start_s = float(t_s[0] - readings.t_s[0])
        name = f"{readings.path.name}, {start_s:.1f} to {t_s[-1] - readings.t_s[0]:.1f} s"
        _refuse_limit(sheet, name, readings.raw[rows], readings.limits)
        steps = np.diff(t_s)
        steps = steps[steps <= GAP_PERIODS * np.median(steps)] if np.median(steps) > 0 else steps
        hold = StaticHold(
            name, label, readings.readings_g[rows], float(steps.mean()), start_s, readings.step_g
        )
        if readings.gyro_dps is not None:
            hold = replace(hold, gyro_dps=readings.gyro_dps[rows])
        if readings.temperature_c is not None:
            hold = replace(hold, temperature_c=readings.temperature_c[rows])
        holds.append(hold)
    return tuple(holds)


def _hold_notes(readings: _Readings, holds: Sequence[StaticHold]) -> list[str]:
    """What to know of the readings within the holds: left out ones, gaps, too few in a second."""
    name, since_s = readings.path.name, readings.t_s - readings.t_s[0]
    spikes_s = readings.spikes_s - readings.t_s[0]
    notes, spikes = [], 0
    for hold in holds:
        # Gaps do not count in how long a hold lasts, so its last reading is looked up.
        rows = np.flatnonzero(since_s >= hold.start_s)[: len(hold.readings_g)]
        steps = np.diff(since_s[rows])
        spikes += int(np.sum((spikes_s > since_s[rows[0]]) & (spikes_s < since_s[rows[-1]])))
        longest = int(np.argmax(steps))
        if steps[longest] > max(LEAST_GAP_S, GAP_PERIODS * float(np.median(steps))):
            at_s = since_s[rows[longest]]
            notes.append(
                f"{name}: no readings for {steps[longest]:.1f} s from {at_s:.1f} s on, within a hold"
            )
    if spikes:
        what = "a single reading" if spikes == 1 else f"{spikes} single readings"
        notes.append(f"{name}: left out {what} far out within a hold")
    shortest_s = shortest_hold_s(readings.period_s)
    if shortest_s > SHORTEST_S:
        notes.append(
            f"{name}: only {1 / readings.period_s:.2g} readings a second: rests of less than "
            f"{shortest_s:.0f} s are overlooked; log faster, or hold each face for {2 * shortest_s:.0f} s"
        )
    return notes


def _file_of_pose(sheet: CaptureSheet, path: Path) -> tuple[tuple[StaticHold, ...], list[str]]:
    """The longest still stretch of a file; all of them where they point in different directions."""
    table = _table(path)
    readings = _readings(sheet, path, table, columns_of(sheet, table))
    holds = _holds(sheet, readings, path.stem)
    notes = list(readings.notes)
    up = np.array([hold.mean_g / np.linalg.norm(hold.mean_g) for hold in holds])
    if (up @ up.T).min() < FACE_COSINE:
        notes.append(f"{path.name}: holds {len(holds)} stretches in different poses; all of them are used")
    else:
        if len(holds) > 1:
            notes.append(f"{path.name}: the longest of {len(holds)} still stretches is used")
        holds = (max(holds, key=lambda hold: len(hold.readings_g)),)
    return holds, [*notes, *_hold_notes(readings, holds)]


def _refuse_limit(sheet: CaptureSheet, name: str, raw: Array, limits: tuple[Array, Array]) -> None:
    """Refuse readings (n, 3) as logged that sit at the limit of their axis."""
    axis, limit, count = -1, 0.0, 0
    if _whole(raw):
        # Some sensors leave out the least count.
        top = 2.0 ** (sheet.bits - 1) - 1
        beyond = np.sum((raw >= top) | (raw <= -top), axis=0)
        if beyond.any():
            axis = int(np.argmax(beyond))
            limit, count = float(raw[np.argmax(np.abs(raw[:, axis])), axis]), int(beyond[axis])
    if axis < 0:
        railed = at_rail(raw, *limits)
        if railed is None:
            return
        axis, limit, count = railed
    what = f"of axis {'xyz'[axis]}"
    what = f"{count} of {len(raw)} readings {what} sit" if len(raw) > 1 else f"the reading {what} sits"
    _fail(name, f"{what} at the limit {limit:.6g}; set a larger range and log anew")


def _fail(place: str, text: str) -> NoReturn:
    raise CaptureError(f"{place}: {text}")


# ---- a table of averages


def _is_averages(sheet: CaptureSheet, table: TextTable, columns: Columns) -> bool:
    count = len(table.cells)
    if sheet.face is not None:
        if sheet.face not in table.cells:
            _fail(table.name, f"no column {sheet.face!r}; correct face, or leave it out")
        if count > MOST_AVERAGES:
            _fail(table.name, f"face goes with one row per pose, and this holds {count} rows; leave face out")
        return True
    raw = _raw(table, columns.accelerometer)
    raw = raw[np.isfinite(raw).all(axis=1)]
    size = np.linalg.norm(raw, axis=1)
    if not FEWEST_AVERAGES <= count <= MOST_AVERAGES or len(raw) < FEWEST_AVERAGES or not size.all():
        return False
    up = raw / size[:, None]
    others = float(np.mean(np.sum(up[1:] * up[:-1], axis=1) < FACE_COSINE))
    return others >= OTHERS_SHARE or (others > 0 and _face_column(sheet, table, columns) != "")


def _face_column(sheet: CaptureSheet, table: TextTable, columns: Columns) -> str:
    """Column that names the poses, "" for none."""
    if sheet.face is not None:
        return sheet.face
    others = [name for name in table.cells.columns if name not in columns.used]
    texts = [
        name for name in others if not any(is_blank(c) or is_value(c, comma=True) for c in table.cells[name])
    ]
    said = [name for name in texts if not set(FACE_WORDS).isdisjoint(name.lower().replace("_", " ").split())]
    return (said or texts or [""])[0]


def _with_last_line(path: Path, table: TextTable, columns: Columns) -> TextTable:
    """The table with its last line, left out as cut off because a word, and no line end, ends it.

    Raises
    ------
    CaptureError
        It is cut off indeed: numbers are missing in it.
    """
    if not table.torn:
        return table
    whole = read_table(path, columns.accelerometer).cells
    if len(whole) == len(table.cells):
        _fail(path.name, "the last line is cut off; complete it, or delete it")
    line = int(whole.index[-1])
    text = path.read_bytes().decode("utf-8", errors="replace").splitlines()[line - 1]
    cells = [cell.strip(' "') for cell in re.split(r"[;\t]" if table.decimal_comma else r"[,;\t]", text)]
    last = dict(zip(table.names, [*cells, *[""] * len(table.names)], strict=False))
    last |= {name: str(whole[name].iloc[-1]) for name in columns.accelerometer}
    return replace(table, cells=pd.concat([table.cells, pd.DataFrame([last], index=[line])]))


def _last_digit(table: TextTable, names: Sequence[str]) -> float:
    """What one of the last digit that is written is, as logged; 0 where numbers have exponents."""
    cells = [str(cell) for name in names for cell in table.cells[name]]
    if any("e" in cell.lower() for cell in cells):
        return 0.0
    point = "," if table.decimal_comma else "."
    return 10.0 ** -max(len(cell.strip().partition(point)[2]) for cell in cells)


def _averages(sheet: CaptureSheet, path: Path, table: TextTable, columns: Columns) -> Capture:
    table = _with_last_line(path, table, columns)
    raw = _raw(table, columns.accelerometer)
    lines = table.cells.index.to_numpy()
    odd = ~np.isfinite(raw).all(axis=1) | np.isin(lines, list(table.odd_lines))
    if odd.any():
        cells = " ".join(table.cells[list(columns.accelerometer)].iloc[int(np.argmax(odd))])
        mend = "with decimal commas, separate the columns by semicolons"
        _fail(path.name, f"line {lines[np.argmax(odd)]}: reads {cells!r}, expected three numbers; {mend}")
    scale_g, notes = unit_g(sheet, table, columns, _size(raw), whole=_whole(raw))
    readings_g = raw * scale_g * _sign(sheet)
    size_g = np.linalg.norm(readings_g, axis=1)
    far = np.abs(size_g - 1) > NEAR_1_G
    if far.any():
        row = int(np.argmax(far))
        mend = "correct its numbers, or measure this pose again"
        _fail(path.name, f"line {lines[row]}: reads {size_g[row]:.3g} g in all, at rest it is 1 g; {mend}")
    face = _face_column(sheet, table, columns)
    step_g = _last_digit(table, columns.accelerometer) * scale_g
    slow = None if columns.temperature_c is None else _filled(numbers(table, columns.temperature_c))
    turned, gyro_notes = _gyro_dps(sheet, table, columns, np.arange(len(raw)))
    holds = []
    for i, line in enumerate(lines):
        name = f"{path.name}, line {line}"
        _refuse_limit(sheet, name, raw[i : i + 1], (raw.min(axis=0), raw.max(axis=0)))
        label = str(table.cells[face].iloc[i]).strip() if face else ""
        hold = StaticHold(name, label, readings_g[i : i + 1], step_g=step_g)
        if slow is not None:
            hold = replace(hold, temperature_c=slow[i : i + 1])
        if turned is not None:
            hold = replace(hold, gyro_dps=turned[i : i + 1])
        holds.append(hold)
    notes = [*columns.notes, *notes, *gyro_notes]
    if face and sheet.face is None:
        notes.append(f"{path.name}: its column {face!r} is taken for the names of the poses")
    return Capture(tuple(holds), tuple(notes))
