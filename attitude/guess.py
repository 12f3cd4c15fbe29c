"""Ways to read a logged table: entries of a ``[[log]]``, each with the ground it stands on.

told
    the file says so itself (a column name, a unit in brackets or in a second row);
tested
    the numbers leave no other reading (yaw that wraps at 6.28, a counter of milliseconds since 1970);
assumed
    common practice, to be checked by whoever knows the rig.

Where the numbers leave several readings, all of them are given, the likeliest first: the footage may tell
them apart (:mod:`attitude.trial`). Signs, the order of angles and the frames of a quaternion are left to it
too.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import product
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from attitude.columns import (
    Column,
    column_sets,
    is_demanded,
    owner_of,
    owner_of_file,
    rank_of,
    rank_of_file,
    recognise,
)
from attitude.entries import OTHER_BODIES, QUATERNIONS
from attitude.frames import camera_angles_deg
from attitude.guess_board import Guess, gravity_gain
from attitude.guess_time import time_options
from attitude.mapping import TOLD_UNITS, numbers
from attitude.repair import placeholders
from attitude.sheet import LogSheet
from attitude.table import TableError, TextTable, headers, read_table

__all__ = ["CHECK_OWNER", "Candidate", "GuessError", "attitude_rows", "candidates", "log_table"]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

# Full turn in the unit of the column, where yaw wraps.
FULL_TURNS: dict[str | float, float] = {
    "deg": 360.0,
    "rad": 2 * np.pi,
    0.1: 3600.0,
    0.01: 36000.0,
    0.001: 360000.0,
    **{360 / 2**bits: float(2**bits) for bits in (16, 15, 14, 13, 12)},
}
CHECK_OWNER = (
    "camera_sensor | gimbal_frame | airframe | joints | commanded; only camera_sensor lets a cause be named"
)
UPSIDE_DOWN_COST = 30.0  # deg
LEAST_TURNED_DEG = 60.0  # heading must have turned so far before being level proves a quaternion's frames
# Columns that tell rows of several sensors apart, and how often those may change.
KINDS = frozenset(
    ["id", "kind", "type", "name", "source", "src", "sensor", "instance", "device", "msg", "unit"]
)
MOST_KINDS, MIXED = 8, 0.2
FEWEST_ZEROS = 3  # rows of zeros before the first attitude: a sensor that had not started
NOISE_FREE, NOISE_FREE_DEG, STILL_COST = 0.98, 3.0, 10
# Accelerometer against attitude, off 1: a unit that may be the one, and one that is not.
GAIN_IS, GAIN_IS_NOT = 0.05, 0.09


class GuessError(ValueError):
    """No attitude is recognised in the file."""


@dataclass(frozen=True)
class Candidate:
    """One way to read a table. rank : the lower, the likelier by its names to be the camera's own."""

    guesses: tuple[Guess, ...]
    rank: int
    group: tuple[str, ...]

    @property
    def values(self) -> dict[str, Any]:
        """Entries by key."""
        return {guess.key: guess.value for guess in self.guesses}

    @property
    def columns(self) -> tuple[str, ...]:
        """Names of the columns that hold the attitude."""
        values = self.values
        return values.get("quaternion") or tuple(values[k] for k in ("roll", "pitch", "yaw") if k in values)

    def ground(self, key: str) -> str:
        """What an entry rests on, "" where there is none of that key."""
        return next((guess.ground for guess in self.guesses if guess.key == key), "")

    def sheet(self, path: Path) -> LogSheet:
        """The log as this candidate reads it; nothing that the footage may settle counts as told."""
        return LogSheet(path, **self.values, given=frozenset({"yaw"} & set(self.values)))


def log_table(path: Path, max_rows: int) -> TextTable:
    """First cells of a file; where rows of several kinds are mixed, of the kind that holds an attitude.

    Raises
    ------
    TableError
        The file holds no table.
    """
    try:
        table = read_table(path, max_rows=max_rows)
        if _attitude_sets(recognise(table.names, table.units)):
            return table
    except TableError:
        table = None
        if not headers(path):
            raise
    for names in headers(path):
        single = [name for name in names if name and names.count(name) == 1]
        if _attitude_sets(recognise(single, [""] * len(single))):
            return read_table(path, single, max_rows=max_rows)
    return table or read_table(path, max_rows=max_rows)


def candidates(table: TextTable, path: Path, longest_clip_s: float) -> list[Candidate]:
    """Ways to read a table, the likeliest first.

    Parameters
    ----------
    path : of the file, whose name may tell whose attitude it holds.
    longest_clip_s : duration of the longest clip; a log of the right unit of time is hardly much shorter.

    Raises
    ------
    GuessError
        No time, or neither roll and pitch nor a quaternion is recognised, or rows of several sensors mixed.
    """
    single = [n for n in table.names if table.names.count(n) == 1 and n in table.cells]
    columns = [c for c in recognise(table.names, table.units) if c.name in single]
    sets = _attitude_sets(columns)
    if not sets:
        raise GuessError(_nothing_found(table))
    _refuse_mixed(table, columns)
    times = time_options(table, columns, longest_clip_s)
    if not times:
        raise GuessError("no time column recognised")
    found: list[Candidate] = []
    for parts in sets:
        found += _of_set(table, path, columns, parts, times)
    if not found:
        raise GuessError("the columns of its attitude hold no numbers")
    return sorted(found, key=lambda one: one.rank)


def _attitude_sets(columns: Sequence[Column]) -> list[dict[str, Column]]:
    sets = column_sets(columns, "angle", ("roll", "pitch"))
    # A heading of another name beside two angles may be theirs, or another body's: both ways are given.
    yaws = [c for c in columns if c.kind == "angle" and c.part == "yaw"]
    if len(sets) == 1 and len(yaws) == 1 and "yaw" not in sets[0]:
        sets.insert(0, sets[0] | {"yaw": yaws[0]})
    for labels in ("wxyz", "0123", "1234"):
        sets += column_sets(columns, "quaternion", labels)
    return sorted(sets, key=lambda parts: rank_of(next(iter(parts.values())).group))


def _nothing_found(table: TextTable) -> str:
    demanded = [name for name in table.names if is_demanded(name)]
    measured = [name.lower() for name in table.names if not is_demanded(name)]
    if demanded and not any(word in name for name in measured for word in ("roll", "pitch", "tilt")):
        return f"only commanded angles are recognised ({demanded[0]}, ...), no measured ones"
    twice = sorted({name for name in table.names if name and table.names.count(name) > 1})
    if twice:
        return f"columns of one name stand there twice ({', '.join(twice[:3])}); rename one of each"
    return "neither roll and pitch nor a quaternion is recognised in its column names"


def _refuse_mixed(table: TextTable, columns: Sequence[Column]) -> None:
    """Refuse rows of several sensors that take turns in the same columns."""
    known = {column.name for column in columns}
    for name in table.cells:
        if (
            name in known
            or table.names.count(name) > 1
            or not KINDS & set(str(name).lower().replace("-", "_").split("_"))
        ):
            continue
        kinds = table.cells[name].to_numpy()
        changes = float(np.mean(kinds[1:] != kinds[:-1])) if len(kinds) > 1 else 0.0
        each = list(dict.fromkeys(kinds))
        if 1 < len(each) <= MOST_KINDS and changes > MIXED:
            shown = ", ".join(map(str, each[:4]))
            raise GuessError(
                f"rows of several sensors take turns (column {name}: {shown}); save those of the camera's "
                "as a file of their own"
            )


def _of_set(
    table: TextTable,
    path: Path,
    columns: Sequence[Column],
    parts: dict[str, Column],
    times: Sequence[tuple[Guess, Guess]],
) -> Iterator[Candidate]:
    """Readings of one set of columns, the likeliest first."""
    euler = "roll" in parts
    group = next(iter(parts.values())).group
    ways = _euler_ways(table, columns, parts) if euler else _quaternion_ways(table, parts)
    still = False
    if euler and ways:
        names = [guess.value for guess in ways[0] if guess.key in ("roll", "pitch", "yaw")]
        still = _noise_free(_attitude(table, names), ways[0])
    for time, way in product(times, ways):
        owner = _owner(group, path, still)
        # Where the columns tell nothing, the file's name may.
        rank = rank_of(group) if owner_of(group) != "unknown" else rank_of_file(path.stem, rank_of(group))
        yield Candidate((owner, *time, *way), rank + (STILL_COST if still else 0), group)


def _owner(group: Sequence[str], path: Path, still: bool) -> Guess:
    owner = owner_of(group)
    if owner in ("gimbal_frame", *OTHER_BODIES) or not {"camera", "cam"}.isdisjoint(group):
        return Guess("attitude_of", owner, "told", f"by the column's name; {CHECK_OWNER}")
    by_file = owner_of_file(path.stem)
    if owner == "unknown" and by_file in ("gimbal_frame", *OTHER_BODIES):
        return Guess("attitude_of", by_file, "told", f"by the file's name; {CHECK_OWNER}")
    if still:
        why = f"it never trembles, as commands do; {CHECK_OWNER}"
        return Guess("attitude_of", "commanded", "assumed", why)
    why = CHECK_OWNER if owner == "unknown" else f"by the column's name; {CHECK_OWNER}"
    if owner == "unknown" and by_file == "camera_sensor":
        owner, why = by_file, f"by the file's name; {CHECK_OWNER}"
    return Guess("attitude_of", owner, "assumed", why)


def attitude_rows(table: TextTable, names: Sequence[Any]) -> tuple[Array, Mask]:
    """A set's columns as logged (n, 2 to 4), NaN for what is no angle, and which rows hold an attitude."""
    raw = np.column_stack([numbers(table, str(name)) for name in names])
    for column in raw.T:
        column[placeholders(column)] = np.nan
    rows: Mask = np.asarray(~np.isnan(raw).any(axis=1) & ~np.all(raw == -1, axis=1))
    if raw.shape[1] == 4:
        return raw, rows & np.any(raw != 0, axis=1)
    started = np.flatnonzero(rows & np.any(raw != 0, axis=1))
    if started.size and np.count_nonzero(rows[: started[0]]) >= FEWEST_ZEROS:
        rows[: started[0]] = False
    return raw, rows


def _attitude(table: TextTable, names: Sequence[Any]) -> Array:
    """The rows of a set's columns that hold an attitude."""
    raw, rows = attitude_rows(table, names)
    return raw[rows]


def _noise_free(raw: Array, way: Sequence[Guess]) -> bool:
    """Whether the angles move, but only in straight lines: no sensor does."""
    turn = next(FULL_TURNS[unit] for unit in FULL_TURNS for guess in way if guess.value == unit)
    if len(raw) < 50 or np.ptp(raw, axis=0).max() < NOISE_FREE_DEG / 360 * turn:
        return False
    bent = np.abs(np.diff(raw, n=2, axis=0)) > 1e-7 * turn
    return bool(np.mean(~bent.any(axis=1)) >= NOISE_FREE)


# --- angles -----------------------------------------------------------------------------------------------


def _euler_ways(table: TextTable, columns: Sequence[Column], parts: dict[str, Column]) -> list[list[Guess]]:
    keys = [part for part in ("roll", "pitch", "yaw") if part in parts]
    raw = _attitude(table, [parts[key].name for key in keys])
    if not len(raw):
        return []
    names = [Guess(key, parts[key].name, "told", "by its name") for key in keys]
    if "yaw" in parts and parts["yaw"].group != parts["roll"].group:
        names[-1] = Guess("yaw", parts["yaw"].name, "assumed", "the only heading in the file; or none")
    units = _angle_units([parts[key] for key in keys], raw)
    if len(units) > 1:
        units = _told_by_gravity(table, columns, names, units)
    return [[*names, unit] for unit in units]


def _angle_units(parts: Sequence[Column], raw: Array) -> list[Guess]:
    """Units the columns may be in, the likeliest first; one only where the file or the numbers tell."""
    told = {TOLD_UNITS["angle_unit"].get(c.unit) for c in parts} - {None}
    if len(told) == 1:
        return [Guess("angle_unit", told.pop() or "deg", "told", "by the column's name or the row of units")]
    if raw.shape[1] == 3 and (unit := _wraps(raw[:, 2])) is not None:
        return [Guess("angle_unit", unit, "tested", f"yaw wraps at {FULL_TURNS[unit]:.6g}")]
    largest = np.quantile(np.abs(raw), 0.999, axis=0)
    whole = bool(np.all(raw == np.round(raw)))
    if not whole:
        if largest[:2].max() > np.pi:
            return [Guess("angle_unit", "deg", "tested", "too large for radians, and no counts")]
        in_degrees = Guess("angle_unit", "deg", "assumed", "or rad: no angle is too large for radians")
        in_radians = Guess("angle_unit", "rad", "assumed", "no angle exceeds a turn in radians; or deg")
        fine = np.any(np.abs(raw * 1000 - np.round(raw * 1000)) > 1e-6)
        likely = fine and raw.shape[1] == 3 and largest[:2].max() <= 1.6 and 0.5 < largest[2] <= 6.3
        return [in_radians, in_degrees] if likely else [in_degrees, in_radians]
    fits: list[str | float] = []
    for unit in (unit for unit in FULL_TURNS if unit != "rad"):
        if largest[:2].max() * _degrees(unit) <= 180.5:
            fits.append(unit)
    if largest.max() <= 20:
        why = "whole numbers, but small ones"
        return [Guess("angle_unit", unit, "assumed", why) for unit in fits or ["deg"]]
    # A camera that is used tilts by tens of degrees, hardly by one.
    likely_deg = 30.0 if largest[:2].max() <= 180 else 60.0
    fits.sort(key=lambda unit: abs(np.log(largest[:2].max() * _degrees(unit) / likely_deg)) + _rare(unit))
    why = "tenths would also be whole numbers"
    if fits[:1] != ["deg"]:
        why = "whole numbers too large for degrees"
    return [Guess("angle_unit", unit, "assumed", why) for unit in fits or [0.001]]


def _degrees(unit: str | float) -> float:
    return 1.0 if isinstance(unit, str) else float(unit)


def _rare(unit: str | float) -> float:
    """Fractions of a turn that are a power of two are rarer than tenths and hundredths of a degree."""
    return 0.0 if unit in ("deg", 0.1, 0.01) else 1.0 if unit == 0.001 else 1.5


def _wraps(yaw: Array) -> str | float | None:
    """Unit in which a jump of the yaw, less the turning around it, is a full turn; None without jumps."""
    step = np.diff(yaw)
    if len(step) < 10:
        return None
    usual = float(np.quantile(np.abs(step), 0.9))
    jumps = np.flatnonzero(np.abs(step) > max(5 * usual, 0.5 * np.ptp(yaw)))
    if not jumps.size or jumps.size > 0.05 * len(step):
        return None
    around = np.abs(step[np.clip(np.column_stack([jumps - 1, jumps + 1]), 0, len(step) - 1)])
    size = np.abs(step[jumps]) + np.min(around, axis=1)
    for unit, turn in FULL_TURNS.items():
        near = np.abs(size - turn) < 0.03 * turn
        if near.all() and np.ptp(yaw) <= 1.02 * turn and usual < 0.1 * turn:
            return unit
    return None


def _told_by_gravity(
    table: TextTable, columns: Sequence[Column], names: Sequence[Guess], units: list[Guess]
) -> list[Guess]:
    """The one unit in which the accelerometer sees the same tilts; all of them where it tells none."""
    raw, rows = attitude_rows(table, [name.value for name in names])
    entries = {name.key: name.value for name in names}
    off = []
    for unit in units:
        sheet = LogSheet(Path(table.name), **entries, angle_unit=unit.value)  # type: ignore[arg-type]
        gain = gravity_gain(table, columns, camera_angles_deg(sheet, raw[rows]), rows)
        off.append((np.inf if gain is None else abs(gain - 1), unit))
    off.sort(key=lambda pair: pair[0])
    if off[0][0] > GAIN_IS or off[1][0] < GAIN_IS_NOT:
        return units
    return [replace(off[0][1], ground="tested", why="the accelerometer sees the same tilts")]


# --- quaternions ------------------------------------------------------------------------------------------


def _quaternion_ways(table: TextTable, parts: dict[str, Column]) -> list[list[Guess]]:
    """Orders of the parts, each with the frames under which the picture stays most nearly level."""
    told = set("wxyz") <= set(parts)
    labels = "wxyz" if told else "0123" if "0" in parts else "1234"
    orders = [labels] if told else [labels, labels[3] + labels[:3]]
    scores: dict[tuple[str, str], float] = {}
    turned_deg: dict[str, float] = {}
    for order, frames in product(orders, QUATERNIONS):
        raw = _attitude(table, [parts[p].name for p in order])
        if not len(raw):
            return []
        sheet = LogSheet(Path(table.name), quaternion=("w", "x", "y", "z"), quaternion_of=frames)
        angles = camera_angles_deg(sheet, raw)
        # A camera turned over on purpose is level too; one that is upside down for most of a log is not.
        lean = np.minimum(np.abs(angles[:, 0]), 180 - np.abs(angles[:, 0]))
        over = UPSIDE_DOWN_COST if np.mean(np.abs(angles[:, 0]) > 90) > 0.5 else 0.0
        leaning, tilted = np.sqrt(np.mean(lean**2)), np.median(np.abs(angles[:, 1]))
        scores[order, frames] = float(leaning + 0.2 * tilted + over)
        turned_deg[order] = float(np.ptp(np.unwrap(angles[:, 2], period=360.0)))
    best = {order: min(scores[order, frames] for frames in QUATERNIONS) for order in orders}
    ways = []
    for order in sorted(orders, key=lambda one: best[one]):
        near = [f for f in QUATERNIONS if scores[order, f] <= best[order] + 1.0]
        frames = "body_to_ned" if "body_to_ned" in near else near[0]
        others = sorted(score for key, score in scores.items() if key != (order, frames))
        moved = turned_deg[order] > LEAST_TURNED_DEG
        clear = moved and len(near) == 1 and others[0] > scores[order, frames] + 5
        alone = moved and all(best[one] > best[order] + 5 for one in orders if one != order)
        ground, why = (
            ("tested", "keeps the camera level") if clear else ("assumed", "others keep it level too")
        )
        names = tuple(parts[p].name for p in order)
        basis = "told" if told else "tested" if alone else "assumed"
        ways.append(
            [
                Guess("quaternion", names, basis, "scalar, x, y, z"),
                Guess("quaternion_of", frames, ground, why),
            ]
        )
        if alone:
            break
    return ways
