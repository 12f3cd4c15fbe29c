"""What the raw sensor columns of a log most likely hold: units, and how the board sits in the camera.

A resting accelerometer reads 1 g, whatever it counts in. While the camera moves, up in the board's axes and
up by the logged attitude agree for one of the 24 ways to mount the board (and one sign) only, and so do the
gyro's rates and those of the attitude. Poses count, not rows: a log that lies still for an hour and is tilted
for a second would else say nothing. Where more than one way remains nothing is claimed: a board taken for
turned otherwise would put its offset on the wrong axis.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray

from attitude.columns import Column, column_sets, recognise
from attitude.entries import SENSOR_AXES
from attitude.frames import rotation_from_angles
from attitude.mapping import (
    ACCELEROMETER_UNITS_G,
    FEW,
    GYRO_UNITS_DPS,
    TOLD_UNITS,
    along_axes,
    numbers,
)
from attitude.repair import PLACEHOLDERS
from attitude.table import TextTable
from horizon.angles import up_from_angles

__all__ = ["Guess", "board", "clean", "gravity_gain", "resting_face", "slow"]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
Axes = tuple[str, ...]

# Reading of a resting accelerometer, by unit; counts per g at 16 bits for ranges of 2 to 16 g.
RESTING: dict[str | float, float] = {
    **{unit: 1 / unit_g for unit, unit_g in ACCELEROMETER_UNITS_G.items()},
    **{counts: counts for counts in (16384.0, 8192.0, 4096.0, 2048.0)},
}
# One count of a gyro in deg/s, by unit; counts at 16 bits for ranges of 250 to 2000 deg/s.
TURNING: dict[str | float, float] = {
    **GYRO_UNITS_DPS,
    **{counts: 1 / counts for counts in (131.0, 65.5, 32.8, 16.4)},
}
SIGNS = ("up_reads_plus", "up_reads_minus")
POSE_RAD, FEWEST_OF_POSE = np.radians(3.0), 3
ALIKE_G, UNLIKE_G = 0.05, 0.15
LEAST_TILT = 0.03  # rms of the up vector about its mean
TURNS_DPS, STRIDE_S, FEWEST_TURNS = 3.0, 0.2, 5
ALIKE_SHARE, UNLIKE_SHARE = 0.3, 0.5  # of the turn rate
RESTING_SHARE, FACE_SHARE = (
    0.05,
    0.97,
)  # of 1 g: most noise at rest; least along the axis that points up or down


@dataclass(frozen=True)
class Guess:
    """One entry: key, value as the sheet holds it, told | tested | assumed, and why.

    aside : a likely value that must not be used before somebody has looked at it.
    """

    key: str
    value: str | float | tuple[str, ...]
    ground: str
    why: str
    aside: bool = False


@dataclass(frozen=True)
class _Board:
    """Three columns, their unit, and how badly each way to mount the board fits the attitude.

    gain : how far it tilts for one degree of the attitude, None where that hardly moves.
    """

    names: tuple[str, ...]
    unit: Guess
    misfit: dict[tuple[Axes, str], float]
    gain: float | None = None

    @property
    def best(self) -> float:
        return min(self.misfit.values())


def clean(values: Array) -> Array:
    """Values, or rows of them, without NaN."""
    return values[~np.isnan(values).reshape(len(values), -1).any(axis=1)]


def board(
    table: TextTable, columns: Sequence[Column], t_s: Array | None, angles_deg: Array, rows: Mask
) -> list[Guess]:
    """Entries of the raw accelerometer and gyro that go with an attitude.

    Parameters
    ----------
    t_s : (n,) times of the rows used, None where they are no plain numbers. angles_deg : (n, 3) our roll,
    pitch, yaw in them. rows : which rows of the table they are.
    """
    felt = min(_accelerometers(table, columns, angles_deg, rows), key=lambda one: one.best, default=None)
    turned = None
    if t_s is not None:
        turned = min(_gyros(table, columns, t_s, angles_deg, rows), key=lambda one: one.best, default=None)
    ways = _ways(felt, turned)
    if felt is None and turned is None:
        return []
    axes = {way[0] for way in ways}
    signs = {way[1] for way in ways}
    if not ways:
        ground, why = "assumed", "no way to mount the board agrees well with the attitude"
    elif len(axes) == 1:
        ground, why = "tested", "the only way to mount the board that agrees with the attitude"
    else:
        ground, why = "assumed", f"one of {len(axes)} ways to mount the board that agree with the attitude"
    aside = len(axes) != 1 or (felt is not None and len(signs) != 1)
    likely = min(
        ways, default=(("x", "y", "z"), SIGNS[0]), key=lambda way: sum("-" in axis for axis in way[0])
    )
    found: list[Guess] = []
    if felt is not None:
        names = Guess("accelerometer", felt.names, "told", "by their names", aside)
        sign = Guess("accelerometer_sign", likely[1], ground, why, aside)
        found += [names, _aside(felt.unit, aside), sign]
    if turned is not None:
        found += [Guess("gyro", turned.names, "told", "by their names", aside), _aside(turned.unit, aside)]
    return [*found, Guess("sensor_axes", likely[0], ground, why, aside)]


def gravity_gain(table: TextTable, columns: Sequence[Column], angles_deg: Array, rows: Mask) -> float | None:
    """How far the accelerometer tilts for one degree of an attitude; None where it tells nothing.

    A constant lean of either does not enter. Of several accelerometers the one that agrees best.
    """
    found = min(_accelerometers(table, columns, angles_deg, rows), key=lambda one: one.best, default=None)
    return None if found is None else found.gain


def resting_face(table: TextTable) -> str:
    """Pose for a [[bench]], of a table with the raw acceleration of a sensor at rest; "" of any other."""
    columns = recognise(table.names, table.units)
    for parts in column_sets(columns, "accelerometer", "xyz"):
        _, raw = _triple(table, parts)
        raw = clean(raw)
        if len(raw) < FEWEST_OF_POSE or not np.any(raw):
            continue
        mean = raw.mean(axis=0)
        size = float(np.linalg.norm(mean))
        axis = int(np.argmax(np.abs(mean)))
        if np.std(raw, axis=0).max() < RESTING_SHARE * size and abs(mean[axis]) > FACE_SHARE * size:
            return ("+" if mean[axis] > 0 else "-") + "xyz"[axis]
    return ""


def _aside(guess: Guess, aside: bool) -> Guess:
    return Guess(guess.key, guess.value, guess.ground, guess.why, aside)


def _ways(felt: _Board | None, turned: _Board | None) -> list[tuple[Axes, str]]:
    """Ways to mount the board, and the accelerometer's sign, that neither sensor speaks against."""
    ways = list(product(SENSOR_AXES, SIGNS))
    for one, alike, unlike in ((felt, ALIKE_G, UNLIKE_G), (turned, ALIKE_SHARE, UNLIKE_SHARE)):
        if one is not None:
            limit = min(one.best + alike, unlike)
            ways = [way for way in ways if one.misfit[way] <= limit]
    return ways


def _triple(table: TextTable, parts: dict[str, Column]) -> tuple[tuple[str, ...], Array]:
    names = tuple(parts[axis].name for axis in "xyz")
    return names, np.column_stack([numbers(table, name) for name in names])


def _accelerometers(
    table: TextTable, columns: Sequence[Column], angles_deg: Array, rows: Mask
) -> Iterator[_Board]:
    for parts in column_sets(columns, "accelerometer", "xyz"):
        names, raw = _triple(table, parts)
        size = np.linalg.norm(raw, axis=1)
        used = (size > 0) & rows
        if used.sum() < (1 - FEW) * rows.sum() or not used.any():
            continue
        unit = _resting_unit(parts["x"], float(np.median(size[used])))
        if unit is None:
            continue
        up_cam = up_from_angles(*np.radians(angles_deg[used[rows], :2]).T)
        up, board_g = _by_pose(up_cam, raw[used] / np.median(size[used]))
        misfit: dict[tuple[Axes, str], float] = {}
        for axes, sign in product(SENSOR_AXES, SIGNS):
            reading = along_axes(axes, board_g) * (1 if sign == SIGNS[0] else -1)
            misfit[axes, sign] = float(np.sqrt(np.mean(np.sum((reading - up) ** 2, axis=1))))
        (axes, sign), _ = min(misfit.items(), key=lambda pair: pair[1])
        moved = up - up.mean(axis=0)
        felt = along_axes(axes, board_g) * (1 if sign == SIGNS[0] else -1)
        enough = float(np.sqrt(np.mean(np.sum(moved**2, axis=1)))) > LEAST_TILT
        gain = float(np.sum(moved * (felt - felt.mean(axis=0))) / np.sum(moved**2)) if enough else None
        yield _Board(names, unit, misfit, gain)


def _resting_unit(column: Column, reads: float) -> Guess | None:
    return _unit("accelerometer_unit", column, reads, RESTING, 0.1, f"at rest it reads {reads:.5g}")


def _unit(
    key: str, column: Column, reads: float, sizes: Mapping[str | float, float], within: float, why: str
) -> Guess | None:
    """Unit by the column's name, else the one whose size it reads within a share; None for none."""
    told = TOLD_UNITS[key].get(column.unit)
    if told is not None:
        return Guess(key, told, "told", "by the column's name")
    near = min(sizes, key=lambda unit: abs(np.log(reads / sizes[unit])))
    return Guess(key, near, "tested", why) if abs(reads / sizes[near] - 1) < within else None


def _by_pose(up_cam: Array, board_g: Array) -> tuple[Array, Array]:
    """Means of both over rows of like attitude, one row per pose."""
    _, pose = np.unique(np.round(up_cam / POSE_RAD), axis=0, return_inverse=True)
    pose = pose.ravel()
    count = np.bincount(pose)
    often = count >= min(FEWEST_OF_POSE, count.max())
    means = [
        np.column_stack([np.bincount(pose, weights=column) for column in rows.T])[often] / count[often, None]
        for rows in (up_cam, board_g)
    ]
    return means[0], means[1]


def _gyros(
    table: TextTable, columns: Sequence[Column], t_s: Array, angles_deg: Array, rows: Mask
) -> Iterator[_Board]:
    for parts in column_sets(columns, "gyro", "xyz"):
        names, raw = _triple(table, parts)
        known = ~np.isnan(raw[rows]).any(axis=1) & ~np.isnan(t_s)
        if known.mean() < 1 - FEW or known.sum() < 20:
            continue
        true_dps, read = _turn_rates(t_s[known], angles_deg[known], raw[rows][known])
        moving = (np.linalg.norm(true_dps, axis=1) > TURNS_DPS) & (np.linalg.norm(read, axis=1) > 0)
        if moving.sum() < FEWEST_TURNS:
            continue
        true_dps, read = true_dps[moving], read[moving]
        ratio = float(np.median(np.linalg.norm(true_dps, axis=1) / np.linalg.norm(read, axis=1)))
        unit = _unit("gyro_unit", parts["x"], ratio, TURNING, 0.25, "agrees with how the attitude turns")
        if unit is None:
            continue
        size = np.sqrt(np.mean(np.sum(true_dps**2, axis=1)))
        misfit: dict[tuple[Axes, str], float] = {}
        for axes in SENSOR_AXES:
            apart = along_axes(axes, read * ratio) - true_dps
            share = float(np.sqrt(np.mean(np.sum(apart**2, axis=1))) / size)
            misfit |= {(axes, sign): share for sign in SIGNS}
        yield _Board(names, unit, misfit)


def _turn_rates(t_s: Array, angles_deg: Array, raw: Array) -> tuple[Array, Array]:
    """Rate of the attitude about camera right, down, forward, deg/s, and the gyro's mean in the same time.

    Over several rows, so that rounded or repeated attitudes do not hide the rate.
    """
    period_s = float(np.median(np.diff(t_s)))
    stride = max(1, round(STRIDE_S / period_s)) if period_s > 0 else 1
    rotation, seconds = rotation_from_angles(angles_deg[::stride]), np.diff(t_s[::stride])
    turned = (rotation[:-1].inv() * rotation[1:]).as_rotvec(degrees=True)
    sums = np.cumsum(np.vstack([np.zeros(3), raw]), axis=0)
    means = (sums[stride::stride] - sums[:-stride:stride])[: len(seconds)] / stride
    sound = seconds > 0
    return turned[sound] / seconds[sound, None], means[sound]


def slow(table: TextTable, columns: Sequence[Column]) -> list[Guess]:
    """Temperature and ground velocity, where their unit is told or plausible."""
    guesses = []
    for column in columns:
        values = clean(numbers(table, column.name)) if column.kind == "temperature" else np.empty(0)
        values = values[~np.isin(values, PLACEHOLDERS[1:])]
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
