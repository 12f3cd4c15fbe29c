"""Entries of a shoot sheet: every key of every table, and what its value may be.

A check takes a value as TOML gives it and returns it converted, or raises :class:`RefusedError` that says
what would have been allowed; :mod:`attitude.sheet` puts the sheet, the table and the key before that text.
"""

import datetime as dt
import json
import math
import re
import sys
from collections.abc import Callable
from difflib import get_close_matches
from itertools import permutations, product
from pathlib import Path
from typing import Any, NoReturn, TypeGuard

__all__ = [
    "OTHER_BODIES",
    "REPEATED",
    "RIG_KINDS",
    "SENSOR_AXES",
    "TERRAIN_DEG",
    "Check",
    "RefusedError",
    "axes",
    "choice",
    "date",
    "file",
    "files",
    "is_number",
    "name",
    "names",
    "number",
    "positive",
    "refuse",
    "slope_deg",
    "tables",
    "text",
    "unit",
]

# Tables that repeat, [[log]]; the others stand once, [camera].
REPEATED = ("log", "clip", "bench")
# How far the skyline may rise above the true horizon when the sheet does not say.
TERRAIN_DEG = {"sea": 0.0, "plain": 0.1, "lake": 0.1, "hills": 0.6, "unknown": 0.3}

ATTITUDES = ("camera_sensor", "gimbal_frame", "airframe", "joints", "commanded", "unknown")
OTHER_BODIES = frozenset({"airframe", "joints"})  # nothing is inferred from these
QUATERNIONS = tuple(f"{a}_to_{b}" for a, b in product(("camera", "body"), ("ned", "enu"))) + tuple(
    f"{b}_to_{a}" for a, b in product(("camera", "body"), ("ned", "enu"))
)
RIG_KINDS = ("drone", "handheld", "bench")
CHANGES = ("camera", "lens", "trim", "balance", "firmware", "landing", "sensor")
# Counts of every sensor lie well within; beyond, quotients and squares leave the range of a float.
UNIT_FROM, UNIT_TO = 1e-12, 1e12
# Level makers print a slope as mm per metre of the level, which is the sine of its angle.
SLOPE_UNITS_DEG = {"deg": 1.0, "arcmin": 1 / 60, "arcsec": 1 / 3600}
SLOPE = re.compile(r"(\d+(?:[.,]\d+)?|[.,]\d+)\s*(mm/m|arcmin|arcsec|deg)")
LARGEST_SLOPE_DEG = 45.0
SHOTS = ("hover", "pan", "upside_down", "half_turn", "turns", "tilt", "wiggle", "ordinary")
POSES = ("upright", "inverted", "+x", "-x", "+y", "-y", "+z", "-z")


def _sensor_axes() -> tuple[tuple[str, ...], ...]:
    """The 24 ways to mount a board, as board axes along camera right, down, forward (right-handed only)."""
    ways = []
    for order, signs in product(permutations(range(3)), product((1, -1), repeat=3)):
        inversions = sum(order[i] > order[j] for i in range(3) for j in range(i + 1, 3))
        if (-1) ** inversions * math.prod(signs) == 1:
            axes = zip(order, signs, strict=True)
            ways.append(tuple(("-" if sign < 0 else "") + "xyz"[axis] for axis, sign in axes))
    return tuple(ways)


SENSOR_AXES = _sensor_axes()


class RefusedError(ValueError):
    """A value that a check does not take; the text follows 'sheet: place, key '."""


Check = Callable[[Any], Any]


def refuse(value: object, expected: str) -> NoReturn:
    """Refuse a value, showing it and what was expected."""
    try:
        shown = json.dumps(value, ensure_ascii=False)
    except TypeError:
        shown = str(value)
    except ValueError:  # a whole number of more digits than the interpreter writes out
        shown = "too long to be shown"
    shown = shown if len(shown) <= 60 else shown[:57] + "..."
    raise RefusedError(f"is {shown}; expected {expected}")


def text(value: Any) -> str:
    """Check for text."""
    if not isinstance(value, str):
        refuse(value, "text in double quotes")
    return value


def name(value: Any) -> str:
    """Check for the name of a column."""
    if not isinstance(value, str) or not value.strip():
        refuse(value, "the name of a column in double quotes")
    return value


def _flag(value: Any) -> bool:
    if not isinstance(value, bool):
        refuse(value, "true or false, without quotes")
    return value


def date(value: Any) -> dt.date:
    """Check for a date."""
    if isinstance(value, dt.datetime) or not isinstance(value, dt.date):
        refuse(value, "a date such as 2026-05-01, without quotes")
    return value


def is_number(value: object) -> TypeGuard[float]:
    """Whether a value is a finite number that a float can hold; a whole number may be larger than any."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return False
    return abs(value) <= sys.float_info.max


def number(low: float, high: float, what: str) -> Check:
    """Check for a finite number in [low, high]; ``what`` puts the range in words."""

    def check(value: Any) -> float:
        if not is_number(value) or not low <= value <= high:
            refuse(value, what + (", without quotes" if isinstance(value, str) else ""))
        return float(value)

    return check


def choice(*allowed: str) -> Check:
    """Check for one of the allowed words."""

    def check(value: Any) -> str:
        if value not in allowed:
            near = get_close_matches(str(value).lower(), allowed, 1, 0.6)
            refuse(value, " | ".join(allowed) + (f"; nearest: {near[0]}" if near else ""))
        return str(value)

    return check


def _quarter_turn(value: Any) -> int:
    if isinstance(value, bool) or value not in (0, 90, 180, 270):
        refuse(value, "0 | 90 | 180 | 270")
    return int(value)


def _line_count(value: Any) -> int:
    if isinstance(value, bool) or value not in (1, 2):
        refuse(value, "1 | 2")
    return int(value)


def unit(*named: str, counts: str) -> Check:
    """Check for a named unit or a number; ``counts`` says what the number is."""

    def check(value: Any) -> str | float:
        if isinstance(value, str) and value in named:
            return value
        if is_number(value) and UNIT_FROM <= value <= UNIT_TO:
            return float(value)
        refuse(value, " | ".join(f'"{n}"' for n in named) + f" | {counts} as a number above 0")

    return check


def names(*labels: str) -> Check:
    """Check for one different column name per label."""

    def check(value: Any) -> tuple[str, ...]:
        good = isinstance(value, list) and all(isinstance(v, str) and v.strip() for v in value)
        if not good or len(value) != len(labels) or len(set(value)) != len(labels):
            refuse(value, f"{len(labels)} different column names: [{', '.join(labels)}]")
        return tuple(value)

    return check


def _changes(value: Any) -> tuple[str, ...]:
    if not isinstance(value, list) or not all(v in CHANGES for v in value):
        refuse(value, "a list of " + ", ".join(f'"{c}"' for c in CHANGES))
    return tuple(value)


def axes(value: Any) -> tuple[str, ...]:
    """Check for the board axes along camera right, down, forward."""
    axes = tuple(value) if isinstance(value, list) else ()
    if sorted(str(a).lstrip("-+") for a in axes) != ["x", "y", "z"]:
        refuse(value, 'the board axes that point right, down, forward, such as ["y", "-z", "-x"]')
    axes = tuple(str(a).lstrip("+") for a in axes)
    if axes not in SENSOR_AXES:
        refuse(value, "a right-handed board: change the sign of one axis")
    return axes


def _pair(value: Any, low: float) -> tuple[float, float] | None:
    """Two finite numbers, low <= first <= second, else None."""
    if not isinstance(value, list) or len(value) != 2:
        return None
    if not all(map(is_number, value)):
        return None
    return (float(value[0]), float(value[1])) if low <= value[0] <= value[1] else None


def _shores(value: Any) -> tuple[float, float]:
    pair = _pair(value, 1.0)
    if pair is None:
        refuse(value, "[nearest, farthest] in metres, such as [1800.0, 4000.0]")
    return pair


def _stretches(value: Any) -> tuple[tuple[float, float], ...]:
    pairs = [_pair(v, 0.0) for v in value] if isinstance(value, list) else [None]
    if any(pair is None or pair[0] == pair[1] for pair in pairs):
        refuse(value, "pairs of clip times [[from, to], ...] in seconds with from before to")
    return tuple(pair for pair in pairs if pair is not None)


def file(folder: Path) -> Check:
    """Check that a path, as written relative to ``folder``, is a file."""

    def check(value: Any) -> Path:
        if not isinstance(value, str) or not value.strip():
            refuse(value, "the name of a file in double quotes")
        path = folder / value
        try:
            if path.is_file():
                return path
            what = "is a folder, not a file" if path.is_dir() else f"was not found in {path.parent}"
            there = [p.name for p in sorted(path.parent.iterdir())] if path.parent.is_dir() else []
        except OSError as error:
            what, there = f"cannot be looked up ({error.strerror})", []
        near = get_close_matches(path.name, there, 1, 0.5)
        mend = f"nearest name there: {near[0]}" if near else "put it there or correct the path"
        raise RefusedError(f"{json.dumps(value, ensure_ascii=False)} {what}; {mend}")

    return check


def files(folder: Path) -> Check:
    """Check that paths, as written relative to ``folder``, are files."""

    def check(value: Any) -> tuple[Path, ...]:
        if not isinstance(value, list) or not value:
            refuse(value, 'a list of file names in order, such as ["a.mp4", "b.mp4"]')
        return tuple(file(folder)(v) for v in value)

    return check


LARGEST_LEVEL_DEG = 1.0


def slope_deg(value: Any) -> float:
    """Accuracy of a level as printed on it, in degrees: "0.5 mm/m", "20 arcmin", "30 arcsec", "0.25 deg"."""
    found = SLOPE.fullmatch(value.strip()) if isinstance(value, str) else None
    expected = 'text as printed on the level: "0.5 mm/m", "20 arcmin", "30 arcsec" or "0.25 deg"'
    if found is None:
        refuse(value, expected)
    size = float(found[1].replace(",", "."))
    if found[2] == "mm/m":
        size_deg = math.degrees(math.asin(min(1.0, size / 1000)))
    else:
        size_deg = size * SLOPE_UNITS_DEG[found[2]]
    if not 0 < size_deg <= LARGEST_SLOPE_DEG:
        refuse(value, f"{expected}, above 0 and at most {LARGEST_SLOPE_DEG:g} deg")
    return size_deg


def _level_deg(value: Any) -> float:
    size_deg = slope_deg(value)
    if size_deg > LARGEST_LEVEL_DEG:
        refuse(value, f"at most {LARGEST_LEVEL_DEG:g} deg: what is worse is no level")
    return size_deg


ANGLE = number(-360.0, 360.0, "an angle in degrees from -360 to 360")
WIDTH = number(0.01, 179.9, "an angle in degrees above 0 and below 180")
SECONDS = number(-1e12, 1e12, "a time in seconds")


def positive(what: str, high: float = 1e6) -> Check:
    """Check for a finite number above 0."""
    return number(1e-6, high, f"{what} above 0" + (f", at most {high:g}" if high < 1e6 else ""))


def tables(folder: Path) -> dict[str, dict[str, Check]]:
    """Every key of the contract, by table; "" is the top of the sheet."""
    return {
        "": {
            "title": text,
            "date": date,
            "rig": text,
            "rig_kind": choice(*RIG_KINDS),
            "calibration": text,
            "method": text,
            "changed": _changes,
            "trim_deg": number(-45.0, 45.0, "an angle in degrees from -45 to 45"),
            "trim_in_log": _flag,
            "tolerance_deg": positive("an angle in degrees", 45.0),
            "stabilised": _flag,
        },
        "horizon": {
            "surface": choice(*TERRAIN_DEG),
            "terrain_deg": number(0.0, 45.0, "an angle in degrees from 0 to 45"),
            "visibility_km": positive("a distance in kilometres"),
            "height_m": number(0.0, 20000.0, "a height in metres from 0 to 20000"),
            "shore_m": _shores,
            "shore_bearing_deg": ANGLE,
        },
        "camera": {
            "hfov_deg": WIDTH,
            "diagonal_fov_deg": WIDTH,
            "focal_mm": positive("a length in millimetres"),
            "sensor_width_mm": positive("a length in millimetres"),
            "focal_35mm": positive("a length in millimetres"),
            "crop": positive("a factor", 20.0),
            "mount_roll_deg": _quarter_turn,
            "readout_ms": number(0.0, 1000.0, "a time in milliseconds from 0 to 1000"),
            "lens": file(folder),
        },
        "log": {
            "file": file(folder),
            "attitude_of": choice(*ATTITUDES),
            "time": name,
            "time_unit": choice("s", "ms", "us", "ns", "iso8601"),
            "roll": name,
            "pitch": name,
            "yaw": name,
            "angle_unit": unit("deg", "rad", counts="degrees per count"),
            "angle_order": choice("yaw_pitch_roll", "yaw_roll_pitch"),
            "roll_positive": choice("right_down", "left_down"),
            "pitch_positive": choice("up", "down"),
            "yaw_positive": choice("right", "left"),
            "quaternion": names("w", "x", "y", "z"),
            "quaternion_of": choice(*QUATERNIONS),
            "accelerometer": names("x", "y", "z"),
            "accelerometer_unit": unit("g", "m/s2", "mg", counts="counts per g"),
            "accelerometer_sign": choice("up_reads_plus", "up_reads_minus"),
            "gyro": names("x", "y", "z"),
            "gyro_unit": unit("deg/s", "rad/s", counts="counts per deg/s"),
            "temperature_c": name,
            "velocity_mps": names("north", "east"),
            "sensor_axes": axes,
            "powered_on_s": SECONDS,
        },
        "clip": {
            "file": file(folder),
            "files": files(folder),
            "log_start_s": SECONDS,
            "shot": choice(*SHOTS),
            "time_scale": positive("a factor", 4.0),
            "picture_turned_deg": _quarter_turn,
            "hfov_deg": WIDTH,
            "lens": file(folder),
            "reference": choice("horizon", "plumb_line", "level_line"),
            "lines": _line_count,
            "level_accuracy": _level_deg,
            "exclude_s": _stretches,
        },
        "bench": {
            "file": file(folder),
            "pose": choice(*POSES),
            "bubble_deg": number(0.0, 45.0, "an angle in degrees from 0 to 45"),
            "constants": choice("none", "old", "new"),
        },
    }
