"""The sheet's mapping applied to the cells of a log: columns, units, signs, board axes.

What a column name itself says of its unit is compared with the sheet, and numbers that can only be degrees
are not taken for radians: such mistakes lean every frame alike and show nowhere else.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NoReturn

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from attitude.columns import nearest_names
from attitude.long_table import LongTable, long_table
from attitude.repair import PLACEHOLDERS, largest
from attitude.sheet import LogSheet
from attitude.table import TEXT_SUFFIXES, TableError, TextTable, read_table

__all__ = [
    "ACCELEROMETER_UNITS_G",
    "ANGLE_UNITS_DEG",
    "FEW",
    "FREE_FALL_MPS2",
    "GYRO_UNITS_DPS",
    "TIME_UNITS_S",
    "TOLD_UNITS",
    "Epoch",
    "LogError",
    "MappedLog",
    "accelerometer_scale_g",
    "along_axes",
    "along_camera",
    "fail",
    "fast_and_slow_columns",
    "numbers",
    "open_log",
    "refuse_wrong_angle_unit",
    "time_stamps",
]

Table = TextTable | LongTable
Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

# A fast column may lack this share of its values; they are interpolated.
FEW = 0.05
TIME_UNITS_S = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9}
# Unit that a column name carries -> the sheet's way to say it, by the key that says it.
TOLD_UNITS: dict[str, dict[str, str | float]] = {
    "time_unit": {"s": "s", "ms": "ms", "us": "us", "ns": "ns"},
    "angle_unit": {"deg": "deg", "rad": "rad", "ddeg": 0.1, "cdeg": 0.01, "mdeg": 0.001},
    "accelerometer_unit": {"g": "g", "mg": "mg", "m/s2": "m/s2"},
    "gyro_unit": {"deg/s": "deg/s", "rad/s": "rad/s", "mdeg/s": 1000.0},
}
FREE_FALL_MPS2 = 9.80665
ANGLE_UNITS_DEG = {"deg": 1.0, "rad": float(np.degrees(1.0))}
ACCELEROMETER_UNITS_G = {"g": 1.0, "mg": 1e-3, "m/s2": 1 / FREE_FALL_MPS2}
GYRO_UNITS_DPS: dict[str | float, float] = {"deg/s": 1.0, "rad/s": float(np.degrees(1.0))}


class LogError(ValueError):
    """The log cannot be used; the text names the file, the line and the mend."""


@dataclass(frozen=True)
class Epoch:
    """First time stamp of the shoot's first log, and whether it named its time zone."""

    ns: int
    zoned: bool
    log: str


@dataclass(frozen=True)
class MappedLog:
    """Mapped columns as numbers, NaN where a cell holds none.

    ``t_s`` (n,); ``raw`` (n, 2 or 3: roll, pitch and yaw; or n, 4: quaternion, scalar first), as logged, its
    columns named by ``attitude``; ``times``: the column of the time, or two; ``lines`` (n,): in the file.
    """

    table: Table
    times: tuple[str, ...]
    t_s: Array
    attitude: tuple[str, ...]
    raw: Array
    lines: NDArray[np.integer]
    epoch: Epoch | None
    notes: tuple[str, ...]


def fail(table: Table, line: int | None, text: str) -> NoReturn:
    """Refuse a log, naming file and line."""
    raise LogError(f"{table.name}: {'' if line is None else f'line {line}: '}{text}") from None


def _time_columns(sheet: LogSheet, names: Sequence[str]) -> list[str]:
    """The time column, or date and time columns written as one name, "date + time"."""
    return [sheet.time] if sheet.time in names or " + " not in sheet.time else sheet.time.split(" + ")


def _attitude_columns(sheet: LogSheet) -> dict[str, str]:
    """Sheet key -> column, of the attitude."""
    if sheet.quaternion is None:
        return {"roll": sheet.roll, "pitch": sheet.pitch, "yaw": sheet.yaw}
    return {f"quaternion {part}": name for part, name in zip("wxyz", sheet.quaternion, strict=True)}


def _other_columns(sheet: LogSheet) -> dict[str, str]:
    """Sheet key -> column, of what may come with the attitude."""
    columns = {} if sheet.temperature_c is None else {"temperature_c": sheet.temperature_c}
    for key in ("accelerometer", "gyro", "velocity_mps"):
        columns |= {f"{key} {i}": name for i, name in enumerate(getattr(sheet, key) or (), 1)}
    return columns


def _opened(sheet: LogSheet, table: Table | None) -> tuple[Table, list[str], list[str]]:
    """Cells of the mapped columns, and which of them hold the time and the attitude."""
    suffix = sheet.file.suffix.lower()
    if suffix not in TEXT_SUFFIXES:
        mend = "Parquet needs an extra that a later version brings; " if suffix == ".parquet" else ""
        allowed = ", ".join(TEXT_SUFFIXES)
        raise LogError(f"{sheet.file.name}: a log is read from {allowed}; {mend}export it as .csv")
    attitude, other = _attitude_columns(sheet), _other_columns(sheet)
    try:
        every_time = [sheet.time, *sheet.time.split(" + ")]
        wanted = [*every_time, *attitude.values(), *other.values()]
        if table is None and sheet.time_unit != "iso8601":
            table = long_table(sheet.file, wanted)
        table = table or read_table(sheet.file, wanted)
    except TableError as error:
        raise LogError(str(error)) from None
    if sheet.yaw not in table.held and "yaw" not in sheet.given and sheet.yaw == LogSheet.yaw:
        attitude.pop("yaw", None)
    times = _time_columns(sheet, table.names)
    for key, name in [*(("time", name) for name in times), *attitude.items(), *other.items()]:
        if table.names.count(name) > 1:
            fail(table, None, f"two columns are called {name!r}; rename one of them")
        if name not in table.held:
            mend = f"{nearest_names(name, table.names)}; correct {key} in its [[log]]"
            fail(table, None, f"no column {name!r}; {mend}")
    return table, times, list(attitude.values())


def _check_told_units(sheet: LogSheet, table: Table, times: list[str], attitude: list[str]) -> list[str]:
    """Notes on units in column names that the sheet contradicts; refused where the sheet only assumed."""
    columns = {
        "time_unit": times,
        "angle_unit": attitude if sheet.quaternion is None else [],
        "accelerometer_unit": sheet.accelerometer or (),
        "gyro_unit": sheet.gyro or (),
    }
    notes = []
    for key, names in columns.items():
        stated = getattr(sheet, key)
        other = {name: TOLD_UNITS[key].get(table.unit(name), stated) for name in names}
        other = {name: told for name, told in other.items() if told != stated and stated != "iso8601"}
        if not other:
            continue
        name, told = next(iter(other.items()))
        if key not in sheet.given and stated == getattr(LogSheet, key):
            shown = f'"{told}"' if isinstance(told, str) else told
            fail(table, None, f"column {name!r} is not in {stated}; write {key} = {shown} in its [[log]]")
        notes.append(f"column {name!r} is read in {stated}, as the sheet says")
    return notes


def numbers(table: Table, name: str) -> Array:
    """Values of a column, NaN where a cell is no finite number."""
    return table.numbers(name)


def time_stamps(table: TextTable, names: Sequence[str]) -> pd.DataFrame:
    """Time column, or date and time columns joined: ``text`` as logged, ``stamp`` (NaT: no date and time).

    A day may stand before its month, and stands behind it only where no month has that number; a time of day
    without a date counts from midnight of 1 January 1970.
    """
    text = table.cells[list(names)].agg(" ".join, axis=1)
    day_first = not text.str.match(r"\d\d?[./-](?:1[3-9]|[23]\d)[./-]\d{4}").any()
    dated = text.str.replace(",", ".").str.replace(r"\s*UTC$", "Z", regex=True)
    year_last = r"^(\d\d?)[./-](\d\d?)[./-]((?:19|20)\d\d)(?=[T ])"

    def year_first(found: re.Match[str]) -> str:
        day, month = found.group(1, 2) if day_first else found.group(2, 1)
        return f"{found[3]}-{int(month):02d}-{int(day):02d}"

    dated = dated.str.replace(year_last, year_first, regex=True).str.replace("/", "-")
    dated = dated.str.replace(r"^(\d:\d\d)", r"0\1", regex=True)
    dated = dated.str.replace(r"^(?=\d\d:\d\d)", "1970-01-01 ", regex=True)
    # A bare number would parse as a year.
    dated = dated.where(dated.str.match(r"(?:19|20)\d\d-?\d\d-?\d\d[T ]"))
    stamp = pd.to_datetime(dated, format="ISO8601", utc=True, errors="coerce").dt.as_unit("ns")
    return pd.DataFrame({"text": text, "stamp": stamp})


def _stamps_s(table: TextTable, names: Sequence[str], epoch: Epoch | None) -> tuple[Array, Epoch]:
    """Seconds since ``epoch`` (the first stamp here when there is none yet), NaN where a cell is no stamp."""
    stamps = time_stamps(table, names)
    known = stamps[stamps["stamp"].notna()]
    if known.empty:
        mend = "expected a time such as 2026-05-01T10:15:00.250; correct time or time_unit in its [[log]]"
        line, text = int(stamps.index[0]), stamps["text"].iloc[0]
        fail(table, line, f"{' + '.join(names)} is {text!r}; {mend}")
    zoned = known["text"].str.contains(r"(?:Z|UTC|[+-]\d\d:?\d\d)$", flags=re.IGNORECASE)
    ns = known["stamp"].astype("int64")
    epoch = epoch or Epoch(int(ns.iloc[0]), bool(zoned.iloc[0]), table.name)
    odd = known[zoned != epoch.zoned]
    if not odd.empty:
        mend = f"one has a time zone and the other not (first stamp of {epoch.log}); log both alike"
        fail(table, int(odd.index[0]), f"time {odd['text'].iloc[0]!r}: {mend}")
    seconds = ((ns - epoch.ns) / 1e9).reindex(stamps.index)
    return np.asarray(seconds.to_numpy(), dtype=np.float64), epoch


def open_log(sheet: LogSheet, epoch: Epoch | None, table: Table | None = None) -> MappedLog:
    """Read the mapped columns of a log; time stamps count from ``epoch``, or from the first one here.

    table : all of its cells, where they have been read before.

    Raises
    ------
    LogError
        Not a text table, a mapped column is missing, a column name tells another unit than the sheet
        assumes, or the times are no times.
    """
    table, times, attitude = _opened(sheet, table)
    notes = _check_told_units(sheet, table, times, attitude)
    if sheet.time_unit == "iso8601" and isinstance(table, TextTable):
        t_s, epoch = _stamps_s(table, times, epoch)
    else:
        t_s = numbers(table, times[0])
        if sheet.time_unit != "s":
            t_s = t_s * TIME_UNITS_S[sheet.time_unit]
        if np.isnan(t_s).all():
            cell = table.cell(times[0], 0)
            mend = 'expected a number; for dates write time_unit = "iso8601" in its [[log]]'
            fail(table, int(table.lines[0]), f"{times[0]} is {cell!r}; {mend}")
    raw, lines = table.beside(attitude), table.lines
    if table.odd_lines:
        raw[np.isin(lines, list(table.odd_lines))] = np.nan
    return MappedLog(table, tuple(times), t_s, tuple(attitude), raw, lines, epoch, tuple(notes))


def refuse_wrong_angle_unit(sheet: LogSheet, log: MappedLog) -> None:
    """Refuse degrees read as radians and the reverse, where the numbers leave no doubt.

    Raises
    ------
    LogError
        Radians beyond a whole turn or whose yaw wraps at 360; degrees whose yaw wraps at pi.
    """
    # Told first, since most logs end here, however long; of NaN neither holds.
    large_deg = all(largest(column) < np.inf for column in log.raw.T) and any(
        largest(column) >= 2.01 * np.pi for column in log.raw.T
    )
    if log.raw.shape[1] == 4 or (sheet.angle_unit != "rad" and large_deg):
        return
    known = np.flatnonzero(~np.isnan(log.raw).any(axis=1))
    if known.size < 3:
        return
    raw = log.raw[known]
    large = np.abs(raw[:, :2]).max(axis=1) > 2.1 * np.pi
    step = np.abs(np.diff(raw[:, 2])) if raw.shape[1] == 3 else np.zeros(len(raw) - 1)
    full_turns = np.abs(step - 360) < 20
    if sheet.angle_unit == "rad" and (large.mean() > FEW or full_turns.any()):
        row = int(np.argmax(large)) if large.any() else int(np.argmax(full_turns))
        shown = ", ".join(f"{v:g}" for v in raw[row])
        mend = 'write angle_unit = "deg" in its [[log]]'
        fail(log.table, int(log.lines[known[row]]), f"angles {shown} are too large for radians; {mend}")
    wraps = np.abs(step - 2 * np.pi) < 0.3
    small = np.abs(raw).max() < 2.01 * np.pi and float(np.percentile(step, 90)) < 0.3
    if sheet.angle_unit == "deg" and small and wraps.any():
        row = int(np.argmax(wraps)) + 1
        mend = 'these are radians: write angle_unit = "rad" in its [[log]]'
        fail(log.table, int(log.lines[known[row]]), f"yaw wraps at 2 pi; {mend}")


def accelerometer_scale_g(sheet: LogSheet) -> float:
    """What one unit of the logged accelerometer is in g, negative where up reads minus."""
    unit = sheet.accelerometer_unit
    scale = ACCELEROMETER_UNITS_G[unit] if isinstance(unit, str) else 1 / unit
    return scale if sheet.accelerometer_sign == "up_reads_plus" else -scale


def along_axes(axes: Sequence[str], board: Array) -> Array:
    """Values (n, 3) along the board's x, y, z -> along the axes named, such as ("y", "-z", "x")."""
    signs = [-1.0 if axis.startswith("-") else 1.0 for axis in axes]
    return np.asarray(board[:, ["xyz".index(axis[-1]) for axis in axes]] * signs)


def along_camera(sheet: LogSheet, board: Array) -> Array:
    """Values (n, 3) along the board's x, y, z -> along camera right, down, forward."""
    return along_axes(sheet.sensor_axes, board)


def fast_and_slow_columns(sheet: LogSheet, log: MappedLog, t_s: Array) -> dict[str, Array]:
    """Gyro, accelerometer, temperature and velocity, in our units and camera axes; ``t_s``: mended times.

    Single values that are missing are interpolated in time; temperature and velocity, which are often
    logged on few of the rows, may miss most of theirs.

    Raises
    ------
    LogError
        A mapped column has no values, or a fast one lacks too many.
    """

    def filled(key: str, name: str, most_missing: float) -> Array:
        values = numbers(log.table, name)
        if most_missing == 1.0:
            # Counts of a fast sensor may well come to such a number, temperatures and velocities never.
            values = np.where(np.isin(values, PLACEHOLDERS[1:]), np.nan, values)
        missing = np.isnan(values)
        if missing.all() or missing.mean() > most_missing:
            row = int(np.argmax(missing))
            many = f"{missing.sum()} of {missing.size} rows are like this"
            cell = log.table.cell(name, row)
            mend = f"correct {key} in its [[log]], or leave it out"
            fail(log.table, int(log.lines[row]), f"{name} is {cell!r}; expected a number ({many}); {mend}")
        return np.interp(t_s, t_s[~missing], values[~missing])

    def turned(key: str, quantity: str, unit: str, scale: float) -> dict[str, Array]:
        names = getattr(sheet, key)
        along = along_camera(sheet, np.column_stack([filled(key, name, FEW) * scale for name in names]))
        sides = ("right", "down", "forward")
        return {f"{quantity}_{side}_{unit}": values for side, values in zip(sides, along.T, strict=True)}

    out: dict[str, Array] = {}
    if sheet.gyro is not None:
        unit = sheet.gyro_unit
        out |= turned("gyro", "gyro", "dps", GYRO_UNITS_DPS[unit] if isinstance(unit, str) else 1 / unit)
    if sheet.accelerometer is not None:
        out |= turned("accelerometer", "accel", "g", accelerometer_scale_g(sheet))
    if sheet.temperature_c is not None:
        out["temperature_c"] = filled("temperature_c", sheet.temperature_c, 1.0)
    if sheet.velocity_mps is not None:
        for side, name in zip(("north", "east"), sheet.velocity_mps, strict=True):
            out[f"velocity_{side}_mps"] = filled("velocity_mps", name, 1.0)
    return out
