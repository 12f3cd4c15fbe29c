"""Columns, units and times of a capture's table: as the sheet says, else as its header and readings tell."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from attitude.capture import NEAR_1_G, CaptureError, CaptureSheet
from attitude.columns import Column, column_sets, nearest_names, recognise, unit_of
from attitude.guess_board import slow
from attitude.guess_time import time_options
from attitude.mapping import (
    ACCELEROMETER_UNITS_G,
    GYRO_UNITS_DPS,
    TIME_UNITS_S,
    TOLD_UNITS,
    numbers,
    time_stamps,
)
from attitude.repair import spread_s, unwrapped_s
from attitude.table import TextTable

__all__ = ["Columns", "columns_of", "gyro_scale_dps", "times_s", "unit_g"]

Array = NDArray[np.float64]

RANGES_G, USUAL_BITS = (1, 2, 4, 6, 8, 12, 16, 24, 32, 64, 100, 200, 400), (16, 12, 14, 10, 8, 13, 20, 24)
COUNTS_NEAR_MG = 1024  # of 1 g, at 12 bits of 2 g: nearly as many as mg
USUAL_RATE_HZ = 50.0
SHORTEST_LOG_S = 10.0
PAUSE_S = 1.0  # in place of a step back in time
# What people write around the name of an axis in a table of averages.
_MEAN = re.compile(r"(?:^|[\W_]+)(?:mean|average|avg)(?=$|[\W_])[\W_]*", re.IGNORECASE)
_AXIS = re.compile(r"([xyz])(?:$|[\W_]+(.*?)[\W_]*$)", re.IGNORECASE)


@dataclass(frozen=True)
class Columns:
    """Names of the columns that are used, and units that the header tells of them, "" for none.

    used : these and all others whose names are understood. notes : on what was chosen.
    """

    accelerometer: tuple[str, ...]
    accelerometer_unit: str
    gyro: tuple[str, ...] | None
    gyro_unit: str
    temperature_c: str | None
    used: frozenset[str]
    notes: tuple[str, ...]


def columns_of(sheet: CaptureSheet, table: TextTable) -> Columns:
    """Which columns hold the accelerometer, the gyro and the temperature.

    Raises
    ------
    CaptureError
        A column that the sheet names is not there, or no accelerometer is recognised.
    """
    told = {"temperature_c": (sheet.temperature_c,), "time": _time_names(sheet, table)}
    told |= {"accelerometer": sheet.accelerometer or (), "gyro": sheet.gyro or ()}
    for key, names in told.items():
        for name in names:
            if name is not None and name not in table.cells:
                near = nearest_names(name, table.names)
                raise CaptureError(f"{table.name}: no column {name!r}; {near}; correct {key} in faces.toml")
    columns = recognise(table.names, table.units)
    felt, notes = sheet.accelerometer, []
    if felt is None:
        felt, others = _recognised(table, columns)
        if others:
            notes.append(f"{table.name}: of {1 + others} accelerometers {', '.join(felt)} is used")
    gyro = sheet.gyro
    if gyro is None:
        sets = column_sets(columns, "gyro", "xyz")
        gyro = tuple(sets[0][axis].name for axis in "xyz") if sets else None
    elif not set(gyro).isdisjoint(felt):
        twice = next(name for name in gyro if name in felt)
        raise CaptureError(
            f"{table.name}: {twice} is given as accelerometer and as gyro; correct gyro in faces.toml"
        )
    warm = sheet.temperature_c
    if warm is None:
        warm = next((str(one.value) for one in slow(table, columns) if one.key == "temperature_c"), None)
    used = {*felt, *(gyro or ()), *(c.name for c in columns)} | ({warm} if warm else set())
    return Columns(
        felt,
        table.unit(felt[0]),
        gyro,
        table.unit(gyro[0]) if gyro else "",
        warm,
        frozenset(used),
        tuple(notes),
    )


def _recognised(table: TextTable, columns: Sequence[Column]) -> tuple[tuple[str, ...], int]:
    """Names of the accelerometer's columns by their words, else plain x, y, z; how many more there are."""
    cleaned = [_MEAN.sub(" ", name).strip() for name in table.names]
    meant = [replace(c, name=table.names[cleaned.index(c.name)]) for c in recognise(cleaned, table.units)]
    for candidates in (columns, meant):
        sets = column_sets(candidates, "accelerometer", "xyz")
        if sets:
            return tuple(sets[0][axis].name for axis in "xyz"), len(sets) - 1
    plain: dict[str, str] = {}
    for name, words in zip(table.names, cleaned, strict=True):
        found = _AXIS.fullmatch(words)
        if found and (not found[2] or unit_of(found[2]) in ACCELEROMETER_UNITS_G):
            plain.setdefault(found[1].lower(), name)
    if set(plain) == set("xyz"):
        return tuple(plain[axis] for axis in "xyz"), 0
    there = ", ".join([name for name in table.names if name][:8])
    mend = 'name its columns in faces.toml: accelerometer = ["x", "y", "z"]'
    raise CaptureError(f"{table.name}: no accelerometer recognised in the columns {there}; {mend}")


def unit_g(
    sheet: CaptureSheet, table: TextTable, columns: Columns, size: float, *, whole: bool
) -> tuple[float, list[str]]:
    """What one unit of the accelerometer is in g, and notes.

    size : what it reads of 1 g at rest. whole : whether its readings are whole numbers.

    Raises
    ------
    CaptureError
        1 g does not come out in the unit told, or nothing tells the range of counts.
    """
    named = TOLD_UNITS["accelerometer_unit"].get(columns.accelerometer_unit)
    how, scale = "", 0.0
    if sheet.full_scale_g is not None:
        how = f"full_scale_g = {sheet.full_scale_g:g} at {sheet.bits} bits"
        scale = sheet.full_scale_g / 2.0 ** (sheet.bits - 1)
    elif sheet.accelerometer_unit is not None:
        unit = sheet.accelerometer_unit
        how = f"accelerometer_unit = {unit!r}".replace("'", '"')
        scale = ACCELEROMETER_UNITS_G[unit] if isinstance(unit, str) else 1 / unit
    elif isinstance(named, str):
        how, scale = f"the unit {named} that its column tells", ACCELEROMETER_UNITS_G[named]
    if how:
        if abs(size * scale - 1) <= NEAR_1_G:
            return scale, []
        raise CaptureError(
            f"{table.name}: a reading of {size:.5g} at rest is {size * scale:.3g} g by {how}, "
            f"and must be 1 g; {_fitting(size)}"
        )
    for unit, one_g in ACCELEROMETER_UNITS_G.items():
        if abs(size * one_g - 1) <= NEAR_1_G:
            if unit == "mg" and whole and abs(size - COUNTS_NEAR_MG) < abs(size - 1000):
                raise CaptureError(
                    f"{table.name}: whole numbers, {size:.0f} at rest: counts of which {COUNTS_NEAR_MG} "
                    f"are 1 g, or mg; write accelerometer_unit = {COUNTS_NEAR_MG} or "
                    'accelerometer_unit = "mg" in faces.toml'
                )
            note = f"{table.name}: no unit told; taken for {unit}, in which it reads about 1 g at rest"
            if unit == "mg":
                note += "; were these counts, give full_scale_g in faces.toml"
            return one_g, [note]
    raise CaptureError(
        f"{table.name}: counts without a range: it reads {size:.5g} at rest, 1 g in no unit; {_fitting(size)}"
    )


def _fitting(size: float) -> str:
    """What to write where 1 g reads so much."""
    for unit, one_g in ACCELEROMETER_UNITS_G.items():
        if abs(size * one_g - 1) <= NEAR_1_G:
            return f'accelerometer_unit = "{unit}" in faces.toml would fit'
    for bits in USUAL_BITS:
        near = min(RANGES_G, key=lambda full_g: abs(np.log(size * full_g / 2.0 ** (bits - 1))))
        if abs(size * near / 2.0 ** (bits - 1) - 1) <= NEAR_1_G:
            more = "" if bits == 16 else f" and bits = {bits}"
            return f"full_scale_g = {near}{more} in faces.toml would fit ({bits} bits)"
    return "give full_scale_g and bits in faces.toml, or accelerometer_unit as counts per g"


def gyro_scale_dps(sheet: CaptureSheet, table: TextTable, columns: Columns) -> float | None:
    """What one unit of the gyro is in deg/s, None where nothing tells it."""
    named = TOLD_UNITS["gyro_unit"].get(columns.gyro_unit)
    if "gyro_unit" in sheet.given or (sheet.gyro is not None and named is None):
        unit: str | float | None = sheet.gyro_unit
    else:
        unit = named
    if unit is None:
        return None
    return GYRO_UNITS_DPS[unit] if isinstance(unit, str) else 1 / unit


def _time_names(sheet: CaptureSheet, table: TextTable) -> tuple[str, ...]:
    if sheet.time is None:
        return ()
    return (sheet.time,) if sheet.time in table.cells else tuple(sheet.time.split(" + "))


def times_s(sheet: CaptureSheet, table: TextTable) -> tuple[Array, list[str]]:
    """Times (n,) of all rows from the first one on, never falling, and notes.

    Raises
    ------
    CaptureError
        The column told holds no times.
    """
    count = len(table.cells)
    if sheet.rate_hz is not None:
        return np.arange(count) / sheet.rate_hz, []
    names, unit, notes = _time_names(sheet, table), sheet.time_unit, []
    if not names or unit is None:
        columns = recognise(table.names, table.units)
        if names:
            parts = ("date", "time")[-len(names) :]
            pairs = zip(names, parts, strict=True)
            columns = tuple(Column(name, "time", part, (), table.unit(name)) for name, part in pairs)
        options = time_options(table, columns, SHORTEST_LOG_S)
        if options:
            name, guess = options[0]
            names, unit = _split(str(name.value), table), unit or str(guess.value)
            if guess.ground == "assumed" and sheet.time_unit is None:
                notes.append(
                    f"{table.name}: {name.value} taken for {unit}: it {guess.why}; else give time_unit"
                )
        elif not names:
            note = f"{USUAL_RATE_HZ:g} readings a second assumed; else give time or rate_hz in faces.toml"
            return np.arange(count) / USUAL_RATE_HZ, [f"{table.name}: no time column: {note}"]
    if unit == "iso8601":
        stamps = time_stamps(table, names)["stamp"]
        values = np.where(stamps.notna(), stamps.astype("int64") / 1e9, np.nan)
    else:
        values = numbers(table, names[0]) * TIME_UNITS_S[unit or "s"]
    known = np.flatnonzero(np.isfinite(values))
    if known.size < 2 or np.ptp(values[known]) == 0:
        cell = " ".join(str(table.cells[name].iloc[0]) for name in names)
        mend = 'correct time or time_unit ("iso8601" for dates), or give rate_hz instead'
        raise CaptureError(f"{table.name}: {' + '.join(names)} holds no times, such as {cell!r}; {mend}")
    values, _ = unwrapped_s(np.interp(np.arange(count), known, values[known]))
    values, evened = spread_s(values)
    notes += [f"{table.name}: {evened}"] if evened else []
    steps = np.diff(values)
    if np.any(steps < 0):
        notes.append(f"{table.name}: time goes backwards in {int(np.sum(steps < 0))} rows; taken for pauses")
    return np.concatenate([[0.0], np.cumsum(np.where(steps < 0, PAUSE_S, steps))]), notes


def _split(name: str, table: TextTable) -> tuple[str, ...]:
    return (name,) if name in table.cells else tuple(name.split(" + "))
