"""What the raw sensor columns of a log most likely hold: units, and how the board sits in the camera.

A resting accelerometer reads 1 g, whatever it counts in. While the camera moves, up in the board's axes and
up by the logged attitude agree for one of the 24 ways to mount the board (and one sign) only; the gyro's
unit shows where its rate and that of the attitude can be compared.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray

from attitude.columns import Column, column_sets
from attitude.entries import SENSOR_AXES
from attitude.frames import rotation_from_angles
from attitude.mapping import FEW, TOLD_UNITS, numbers
from attitude.table import TextTable
from horizon.angles import up_from_angles

__all__ = ["Guess", "accelerometer", "clean", "gyro", "slow"]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

# Reading of a resting accelerometer, by unit; counts per g at 16 bits for ranges of 2 to 16 g.
RESTING: dict[str | float, float] = {
    "g": 1.0,
    "m/s2": 9.80665,
    "mg": 1000.0,
    16384.0: 16384.0,
    8192.0: 8192.0,
    4096.0: 4096.0,
    2048.0: 2048.0,
}


@dataclass(frozen=True)
class Guess:
    """One entry: key, value as the sheet holds it, told | tested | assumed, and why."""

    key: str
    value: str | float | tuple[str, ...]
    ground: str
    why: str


def clean(values: Array) -> Array:
    """Values, or rows of them, without NaN."""
    return values[~np.isnan(values).reshape(len(values), -1).any(axis=1)]


def accelerometer(table: TextTable, columns: Sequence[Column], angles_deg: Array, rows: Mask) -> list[Guess]:
    """Columns, unit by what it reads at rest, and the board's axes by where up is while the camera moves."""
    found = column_sets(columns, "accelerometer", "xyz")
    if not found:
        return []
    parts = found[0]
    raw = np.column_stack([numbers(table, parts[axis].name) for axis in "xyz"])
    used = ~np.isnan(raw).any(axis=1) & rows
    if used.mean() < 1 - FEW or not used.any():
        return []
    resting = float(np.median(np.linalg.norm(raw[used], axis=1)))
    told = TOLD_UNITS["accelerometer_unit"].get(parts["x"].unit)
    tested: list[str | float] = [
        unit for unit, reading in RESTING.items() if abs(resting / reading - 1) < 0.1
    ]
    if told is None and not tested:
        return []
    unit: str | float = told if told is not None else tested[0]
    unit_guess = Guess("accelerometer_unit", unit, "told", "by the column's name")
    if told is None:
        unit_guess = Guess("accelerometer_unit", unit, "tested", f"at rest it reads {resting:.5g}")

    roll_rad, pitch_rad = np.radians(angles_deg[used[rows], 0]), np.radians(angles_deg[used[rows], 1])
    up_cam, board_g = up_from_angles(roll_rad, pitch_rad), raw[used] / resting
    misfit: dict[tuple[tuple[str, ...], str], float] = {}
    for axes, sign in product(SENSOR_AXES, ("up_reads_plus", "up_reads_minus")):
        along = [board_g[:, "xyz".index(a[-1])] * (-1 if a.startswith("-") else 1) for a in axes]
        reading = np.column_stack(along) * (1 if sign == "up_reads_plus" else -1)
        misfit[axes, sign] = float(np.sqrt(np.mean(np.sum((reading - up_cam) ** 2, axis=1))))
    ranked = sorted(misfit, key=lambda k: misfit[k])
    near = [k for k in misfit if misfit[k] < misfit[ranked[0]] + 0.05]
    axes, sign = near[0]
    ground, why = "assumed", f"one of {len(near)} ways to mount the board that agree with the attitude"
    if misfit[near[0]] > 0.3:
        why = "no way to mount the board agrees well with the attitude"
    elif len(near) == 1:
        ground, why = "tested", "the only way to mount the board that agrees with the attitude"
    return [
        Guess("accelerometer", tuple(parts[axis].name for axis in "xyz"), "told", "by their names"),
        unit_guess,
        Guess("accelerometer_sign", sign, ground, why),
        Guess("sensor_axes", axes, ground, why),
    ]


def gyro(
    table: TextTable, columns: Sequence[Column], t_s: Array, angles_deg: Array, rows: Mask
) -> list[Guess]:
    """Columns, and the unit by how fast the attitude turns; left out where that does not tell."""
    found = column_sets(columns, "gyro", "xyz")
    if not found:
        return []
    parts = found[0]
    raw = np.column_stack([numbers(table, parts[axis].name) for axis in "xyz"])[rows]
    known = ~np.isnan(raw).any(axis=1) & ~np.isnan(t_s)
    if known.mean() < 1 - FEW:
        return []
    names = Guess("gyro", tuple(parts[axis].name for axis in "xyz"), "told", "by their names")
    told = TOLD_UNITS["gyro_unit"].get(parts["x"].unit)
    if told is not None:
        return [names, Guess("gyro_unit", told, "told", "by the column's name")]
    # Over several rows, so that rounded or repeated attitudes do not hide the rate.
    stride = max(1, min(10, int(known.sum()) // 20))
    rotation, seconds = rotation_from_angles(angles_deg[known][::stride]), np.diff(t_s[known][::stride])
    turned_deg = np.degrees((rotation[:-1].inv() * rotation[1:]).magnitude())
    mean_rate = [
        np.linalg.norm(raw[known][i * stride : (i + 1) * stride].mean(0)) for i in range(len(seconds))
    ]
    read = seconds * np.array(mean_rate)
    moving = (turned_deg > 3 * seconds) & (read > 0)
    if np.sum(moving) < 5:
        return []
    ratio = float(np.median(turned_deg[moving] / read[moving]))
    for unit, scale in (("deg/s", 1.0), ("rad/s", float(np.degrees(1.0)))):
        if abs(ratio / scale - 1) < 0.25:
            return [names, Guess("gyro_unit", unit, "tested", "agrees with how the attitude turns")]
    return []


def slow(table: TextTable, columns: Sequence[Column]) -> list[Guess]:
    """Temperature and ground velocity, where their unit is told or plausible."""
    guesses = []
    for column in columns:
        values = clean(numbers(table, column.name)) if column.kind == "temperature" else np.empty(0)
        if values.size and column.unit in ("", "degC") and values.min() > -45 and values.max() < 125:
            ground = "told" if column.unit else "assumed"
            guesses.append(Guess("temperature_c", column.name, ground, "degrees Celsius"))
            break
    for parts in column_sets(columns, "velocity", ("north", "east")):
        if parts["north"].unit in ("", "m/s"):
            ground = "told" if parts["north"].unit else "assumed"
            names = (parts["north"].name, parts["east"].name)
            return [*guesses, Guess("velocity_mps", names, ground, "metres per second")]
    return guesses
