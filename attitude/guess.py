"""What the columns of a log most likely hold: entries of a ``[[log]]``, each with the ground it stands on.

told
    the file says so itself (a column name, a unit in brackets or in a second row);
tested
    the numbers leave no other reading (yaw that wraps at 6.28, a resting accelerometer that reads 9.8);
assumed
    common practice, to be checked by whoever knows the rig.

Signs and whose attitude it is cannot be found out from a log alone and are assumed unless a name tells.
"""

from collections.abc import Sequence
from itertools import product
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from attitude.columns import Column, column_sets, owner_of, recognise
from attitude.entries import QUATERNIONS
from attitude.frames import camera_angles_deg
from attitude.guess_board import Guess, accelerometer, clean, gyro, slow
from attitude.mapping import TOLD_UNITS, numbers, time_stamps
from attitude.sheet import LogSheet
from attitude.table import TextTable

__all__ = ["GuessError", "guess_log"]

Array = NDArray[np.float64]

# Full turn in the unit of the column, where yaw wraps.
FULL_TURNS: dict[str | float, float] = {
    "deg": 360.0,
    "rad": 2 * np.pi,
    0.1: 3600.0,
    0.01: 36000.0,
    0.001: 360000.0,
    360 / 65536: 65536.0,
    360 / 32768: 32768.0,
    360 / 16384: 16384.0,
    360 / 4096: 4096.0,
}
# Seconds since 1970 of the years that a log may come from.
THIS_AGE_S = (1.0e9, 2.5e9)
CHECK_OWNER = (
    "camera_sensor | gimbal_frame | airframe | joints | commanded; only camera_sensor lets a cause be named"
)


UPSIDE_DOWN_COST = 30.0  # deg


class GuessError(ValueError):
    """No attitude is recognised in the file."""


def _time(table: TextTable, columns: Sequence[Column], longest_clip_s: float) -> list[Guess]:
    """Time column and unit: of those whose values rise, the one with the most different values."""
    best: tuple[int, list[Guess]] = (1, [])
    times = [c for c in columns if c.kind == "time"]
    for column in times:
        values = clean(numbers(table, column.name))
        distinct = len(np.unique(values))
        mostly_rises = values.size > 1 and np.mean(np.diff(values) >= 0) >= 0.95
        if values.size < 0.9 * len(table.cells) or not mostly_rises or distinct <= best[0]:
            continue
        name = Guess("time", column.name, "told", "by its name")
        best = (distinct, [name, _time_unit(column, values, longest_clip_s)])
    pairs = [(a.name, b.name) for a in times for b in times if a.part == "date" and b.part == "time"]
    for names in [*((c.name,) for c in times), *pairs]:
        stamps = time_stamps(table, names)["stamp"]
        distinct = stamps.nunique()
        if distinct > best[0] and stamps.notna().mean() > 0.9:
            name = Guess("time", " + ".join(names), "told", "by its name")
            unit = Guess("time_unit", "iso8601", "tested", "the rows read as date and time")
            best = (distinct, [name, unit])
    if not best[1]:
        raise GuessError("no time column recognised")
    return best[1]


def _time_unit(column: Column, values: Array, longest_clip_s: float) -> Guess:
    units = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9}
    if column.unit in units:
        return Guess("time_unit", column.unit, "told", "by the column's name")
    steps = np.diff(values)
    step, span = float(np.median(steps[steps > 0])), float(values[-1] - values[0])
    for unit, scale in units.items():
        if THIS_AGE_S[0] < values[0] * scale < THIS_AGE_S[1]:
            return Guess("time_unit", unit, "tested", "counts from 1970 in this unit only")
    fits = [u for u, k in units.items() if 5e-4 <= step * k <= 2.5 and 0.5 * longest_clip_s <= span * k < 2e5]
    if len(fits) == 1:
        return Guess("time_unit", fits[0], "tested", "the only unit that gives a sensible rate and length")
    # Of several that fit, the one nearest to 50 rows a second.
    likely = min(fits or units, key=lambda u: abs(np.log(step * units[u] / 0.02)))
    return Guess("time_unit", likely, "assumed", f"gives {1 / (step * units[likely]):.3g} rows a second")


def _angle_unit(parts: dict[str, Column], raw: Array) -> Guess:
    told = {TOLD_UNITS["angle_unit"].get(c.unit) for c in parts.values()} - {None}
    if len(told) == 1:
        return Guess("angle_unit", told.pop() or "deg", "told", "by the column's name or the row of units")
    largest = np.abs(raw).max(axis=0)
    if raw.shape[1] == 3:
        yaw, step = raw[:, 2], np.abs(np.diff(raw[:, 2]))
        for unit, turn in FULL_TURNS.items():
            wraps = np.any(np.abs(step - turn) < 0.02 * turn) and np.percentile(step, 90) < 0.1 * turn
            if wraps and np.ptp(yaw) <= 1.02 * turn:
                return Guess("angle_unit", unit, "tested", f"yaw wraps at {turn:.6g}")
    if np.all(raw == np.round(raw)) and largest.max() > 360:
        fits = [k for k in (0.1, 0.01, 0.001) if largest[:2].max() * k <= 180 and largest.max() * k <= 360]
        return Guess("angle_unit", (fits or [0.001])[0], "assumed", "whole numbers too large for degrees")
    fine = np.any(np.abs(raw * 1000 - np.round(raw * 1000)) > 1e-6)
    if raw.shape[1] == 3 and fine and largest[:2].max() <= 1.6 and 0.5 < largest[2] <= 6.3:
        return Guess("angle_unit", "rad", "assumed", "no angle exceeds a turn in radians")
    whole = np.all(raw == np.round(raw)) and largest.max() > 20
    why = "tenths would also be whole numbers" if whole else "as in most logs"
    return Guess("angle_unit", "deg", "assumed", why)


def _euler(table: TextTable, parts: dict[str, Column]) -> list[Guess]:
    columns = [parts[p] for p in ("roll", "pitch", "yaw") if p in parts]
    raw = clean(np.column_stack([numbers(table, c.name) for c in columns]))
    if not len(raw):
        raise GuessError("the angle columns hold no numbers")
    guesses = [Guess(p, parts[p].name, "told", "by its name") for p in ("roll", "pitch", "yaw") if p in parts]
    tilt = "tilt" in parts["pitch"].name.lower()
    return [
        *guesses,
        _angle_unit({p: c for p, c in parts.items() if p in ("roll", "pitch", "yaw")}, raw),
        Guess("angle_order", "yaw_pitch_roll", "assumed", "or yaw_roll_pitch; matters when tilted"),
        Guess("roll_positive", "right_down", "assumed", "or left_down; turn the camera by hand to see"),
        Guess("pitch_positive", "up", "assumed", "a tilt often counts down" if tilt else "or down"),
        Guess("yaw_positive", "right", "assumed", "or left"),
    ]


def _quaternion(table: TextTable, parts: dict[str, Column]) -> list[Guess]:
    """Order and frames under which the picture stays most nearly level."""
    told = set("wxyz") <= set(parts)
    labels = "wxyz" if told else "0123" if "0" in parts else "1234"
    orders = [labels] if told else [labels, labels[3] + labels[:3]]
    scores: dict[tuple[str, str], float] = {}
    for order, frames in product(orders, QUATERNIONS):
        raw = clean(np.column_stack([numbers(table, parts[p].name) for p in order]))
        raw = raw[np.linalg.norm(raw, axis=1) > 0]
        if not len(raw):
            raise GuessError("the quaternion columns hold no numbers")
        sheet = LogSheet(Path(table.name), quaternion=("w", "x", "y", "z"), quaternion_of=frames)
        angles = camera_angles_deg(sheet, raw)
        # A camera turned over on purpose is level too; one that is upside down for most of a log is not.
        lean = np.minimum(np.abs(angles[:, 0]), 180 - np.abs(angles[:, 0]))
        over = UPSIDE_DOWN_COST if np.mean(np.abs(angles[:, 0]) > 90) > 0.5 else 0.0
        leaning, tilted = np.sqrt(np.mean(lean**2)), np.median(np.abs(angles[:, 1]))
        scores[order, frames] = float(leaning + 0.2 * tilted + over)
    ranked = sorted(scores, key=lambda k: scores[k])
    near = [k for k in scores if scores[k] <= scores[ranked[0]] + 1.0]
    preferred = [k for k in near if k[1] == "body_to_ned"]
    order, frames = (preferred or near)[0]
    clear = len(near) == 1 and scores[ranked[1]] > scores[ranked[0]] + 5
    ground, why = ("tested", "keeps the camera level") if clear else ("assumed", "others keep it level too")
    names = tuple(parts[p].name for p in order)
    one_order = len({k[0] for k in near}) == 1
    return [
        Guess(
            "quaternion", names, "told" if told else "tested" if one_order else "assumed", "scalar, x, y, z"
        ),
        Guess("quaternion_of", frames, ground, why),
    ]


def _attitude_of(group: Sequence[str], angles_deg: Array) -> Guess:
    owner = owner_of(group)
    if owner in ("gimbal_frame", "airframe", "joints") or not {"camera", "cam"}.isdisjoint(group):
        return Guess("attitude_of", owner, "told", f"by the column's name; {CHECK_OWNER}")
    leaning = np.abs(angles_deg[:, 0])
    if owner == "unknown" and np.mean((leaning > 8) & (leaning < 60)) > 0.05:
        return Guess("attitude_of", owner, "assumed", f"rolls as an aircraft does; {CHECK_OWNER}")
    return Guess("attitude_of", owner, "assumed", CHECK_OWNER)


def guess_log(table: TextTable, longest_clip_s: float) -> list[Guess]:
    """Entries of a ``[[log]]`` for a table, ``file`` apart.

    Parameters
    ----------
    longest_clip_s : float
        Duration of the longest clip; a log of the right unit of time is hardly much shorter.

    Raises
    ------
    GuessError
        No time, or neither roll and pitch nor a quaternion is recognised.
    """
    names = [n for n in table.names if table.names.count(n) == 1 and n]
    columns = [c for c in recognise(table.names, table.units) if c.name in names]
    euler, quaternions = column_sets(columns, "angle", ("roll", "pitch")), []
    for labels in ("wxyz", "0123", "1234"):
        quaternions += column_sets(columns, "quaternion", labels)
    if not euler and not quaternions:
        raise GuessError("neither roll and pitch nor a quaternion is recognised in its column names")
    time = _time(table, columns, longest_clip_s)
    attitude = _euler(table, euler[0]) if euler else _quaternion(table, quaternions[0])
    group = next(iter((euler or quaternions)[0].values())).group

    known = {g.key: g.value for g in attitude}
    sheet = LogSheet(Path(table.name), **known)  # type: ignore[arg-type]
    attitude_names = (
        known["quaternion"] if not euler else [known[k] for k in ("roll", "pitch", "yaw") if k in known]
    )
    raw = np.column_stack([numbers(table, str(name)) for name in attitude_names])  # type: ignore[union-attr]
    rows = np.asarray(~np.isnan(raw).any(axis=1))
    if not euler:
        rows[np.linalg.norm(raw, axis=1) == 0] = False
    angles_deg = camera_angles_deg(sheet, raw[rows])
    scale = {"ms": 1e-3, "us": 1e-6, "ns": 1e-9}.get(str(time[1].value), 1.0)
    fast = accelerometer(table, columns, angles_deg, rows)
    if time[1].value != "iso8601":
        fast += gyro(table, columns, numbers(table, str(time[0].value))[rows] * scale, angles_deg, rows)
    return [_attitude_of(group, angles_deg), *time, *attitude, *fast, *slow(table, columns)]
