"""What the column names of a logged file mean, and the units they carry.

A name is taken apart into words (``DesRoll``, ``imu_acc_x [m/s2]``, ``gimbalroll``) and recognised by them.
A name with a word for a demanded value (target, command, set point) never means a measurement. Units stand
in brackets, after a slash, or at the end of the name.
"""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from difflib import get_close_matches

__all__ = [
    "Column",
    "bare_name",
    "column_sets",
    "is_blank",
    "is_demanded",
    "is_value",
    "nearest_names",
    "owner_of",
    "recognise",
    "unit_in_name",
    "unit_of",
]

BLANKS = frozenset({"", "nan", "null", "none", "na", "n/a", "-", "--", "inf", "-inf", "+inf"})

_NUMBER = re.compile(r"[+-]?(\d+([.,]\d+|\.)?|[.,]\d+)(e[+-]?\d+)?", re.IGNORECASE)
_STAMP = re.compile(r"\d{4}[-/]\d\d[-/]\d\d|\d\d?:\d\d(:\d\d)?|\d{8}T\d{4}")
_BRACKETED = re.compile(r"(.*?)\s*[\[(<{]\s*([^\])>}]*?)\s*[\])>}]")

# Canonical unit -> how it is written, after lower case and with signs spelt out.
_SPELLINGS = {
    "deg": "deg degs degree degrees",
    "rad": "rad rads radian radians",
    "ddeg": "ddeg decideg decidegrees 0.1deg deg/10 deg10 deg*10 degx10 1e-1deg",
    "cdeg": "cdeg centideg centidegrees 0.01deg deg/100 deg100 deg*100 degx100 1e-2deg",
    "mdeg": "mdeg millideg millidegrees 0.001deg deg/1000 deg1000 deg*1000 degx1000 1e-3deg",
    "s": "s sec secs second seconds",
    "ms": "ms msec msecs millis millisecond milliseconds",
    "us": "us usec usecs micros microsecond microseconds",
    "ns": "ns nsec nsecs nanos nanosecond nanoseconds",
    "g": "g",
    "mg": "mg milli-g millig",
    "m/s2": "m/s2 m/s/s m/s/2 mps2 mpss ms-2 ms2",
    "deg/s": "deg/s deg/sec degs/s dps degps degree/s degrees/s deg/second degrees/second",
    "rad/s": "rad/s rad/sec rads/s rps radps radian/s radians/s",
    "m/s": "m/s mps m/sec",
    "degC": "degc c celsius deg/c",
}
UNITS = {spelling: unit for unit, spellings in _SPELLINGS.items() for spelling in spellings.split()}

# fmt: off
DEMANDED = frozenset([
    "target", "tgt", "tar", "cmd", "command", "commanded", "set", "setp", "setpoint", "sp", "des", "desired",
    "demand", "demanded", "ref", "reference", "goal", "request", "requested", "wanted",
    "err", "error", "std", "dev", "sd", "sigma", "var", "cov",
])
TIMES = frozenset([
    "t", "time", "timestamp", "timestamps", "ts", "millis", "micros", "nanos", "elapsed", "clock", "seconds",
    "datetime", "date", "utc", "stamp",
])
# Words that are found even where a name runs words together.
_LONG_WORDS = (
    "accelerometer", "acceleration", "setpoint", "timestamp", "desired", "command", "heading", "target",
    "gyro", "accel", "pitch", "roll", "tilt", "yaw", "quat", "acc", "time", "gyr",
)
# fmt: on
RATES = frozenset(["rate", "rates", "speed", "vel", "velocity", "dot", "gyro", "gyr", "omega"])
GYROS = frozenset(["gyro", "gyr", "gyroscope", "omega", "rate", "angvel"])
ACCELEROMETERS = frozenset(["acc", "accel", "accelerometer", "acceleration", "a"])
ANGLES = {
    **dict.fromkeys(("roll", "phi", "bank"), "roll"),
    **dict.fromkeys(("pitch", "tilt", "theta"), "pitch"),
    **dict.fromkeys(("yaw", "pan", "heading", "hdg", "psi"), "yaw"),
}
RATE_AXES = {"roll": "x", "pitch": "y", "yaw": "z"}

# Words of a column name that tell whose angle it is. Lower rank: more likely the camera's.
OWNERS = {
    "camera_sensor": ("camera", "cam", "sensor", "imu"),
    "gimbal_frame": ("frame",),
    "airframe": (
        "aircraft",
        "airframe",
        "drone",
        "vehicle",
        "fc",
        "plane",
        "uav",
        "copter",
        "body",
        "flight",
    ),
    "joints": ("joint", "joints", "motor", "encoder", "enc"),
}
RANKS = {"camera_sensor": 0, "unknown": 1, "gimbal_frame": 2, "airframe": 3, "joints": 4}


@dataclass(frozen=True)
class Column:
    """A recognised column: ``kind`` and ``part`` (angle, roll), ``group`` = the other words of its name."""

    name: str
    kind: str
    part: str
    group: tuple[str, ...]
    unit: str


def is_blank(cell: str) -> bool:
    """Whether a cell stands for no value."""
    return cell.lower() in BLANKS


def is_value(cell: str, *, comma: bool) -> bool:
    """Whether a cell reads as a number or a time stamp; ``comma``: also with a decimal comma."""
    number = _NUMBER.fullmatch(cell) is not None and (comma or "," not in cell)
    return number or _STAMP.match(cell) is not None


def unit_of(text: str) -> str:
    """Canonical unit that a text spells, "" when it spells none."""
    plain = text.strip().lower().replace("°", "deg").replace("²", "2").replace("^", "").replace(" ", "")
    return UNITS.get(plain.replace("µ", "u").replace("μ", "u"), "")


def bare_name(name: str) -> str:
    """``roll`` of ``roll [deg]``."""
    return _without_unit(name)[0]


def unit_in_name(name: str) -> str:
    """Canonical unit that a column name carries, "" for none."""
    return _words(name)[1]


def _without_unit(name: str) -> tuple[str, str]:
    """Name and unit of ``roll [deg]``, ``roll/deg``; a suffix such as ``_deg`` stays in the name."""
    if found := _BRACKETED.fullmatch(name):
        return found[1].strip(), unit_of(found[2])
    bare, slash, unit = name.partition("/")
    return (bare.strip(), unit_of(unit)) if slash and unit_of(unit) else (name, "")


def _apart(word: str) -> list[str]:
    """Split words that were written together, ``gimbalroll`` -> gimbal, roll."""
    for known in _LONG_WORDS:
        left, middle, right = word.partition(known)
        if middle:
            return [*(_apart(left) if left else []), known, *(_apart(right) if right else [])]
    return [word]


def _words(name: str) -> tuple[list[str], str]:
    """Lower-case words of a column name without its unit, and the unit."""
    bare, unit = _without_unit(name)
    spaced = re.sub(r"(?<=[a-z0-9])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z])", "_", bare)
    words = [w for part in re.split(r"[\W_]+", spaced) if part for w in _apart(part.lower())]
    for count in (3, 2, 1):
        tail = words[-count:]
        for spelling in ("/".join(tail), "".join(tail)):
            if not unit and len(words) > count and unit_of(spelling):
                return words[:-count], unit_of(spelling)
    return words, unit


def is_demanded(name: str) -> bool:
    """Whether a column name speaks of a demanded value rather than a measured one."""
    return not DEMANDED.isdisjoint(_words(name)[0])


def _recognise_one(name: str, told_unit: str) -> Column | None:
    words, unit = _words(name)
    unit = told_unit or unit

    def column(kind: str, part: str, used: Iterable[str]) -> Column:
        return Column(name, kind, part, tuple(w for w in words if w not in set(used)), unit)

    if not words or not DEMANDED.isdisjoint(words):
        return None
    last, rate = words[-1], not RATES.isdisjoint(words) or unit in ("deg/s", "rad/s")
    angle = next((w for w in words if w in ANGLES), None)
    if angle is not None:
        if rate:
            return column("gyro", RATE_AXES[ANGLES[angle]], [angle, *RATES])
        return column("angle", ANGLES[angle], [angle]) if "acc" not in words else None
    if found := re.fullmatch(r"q([wxyz0-4])", last):
        return column("quaternion", found[1], [last])
    if re.fullmatch(r"[wxyz0-4]", last) and not {"q", "quat", "quaternion"}.isdisjoint(words):
        return column("quaternion", last, [last])
    measured = {"linear", "lin", "user", "gravity"}.isdisjoint(words)
    found = re.fullmatch(r"a?([xyz])", last) if measured else None
    if found and (last != found[1] or not ACCELEROMETERS.isdisjoint(words)):
        return column("accelerometer", found[1], [last])
    found = re.fullmatch(r"[gw]?([xyz])", last)
    if found and (last != found[1] or not GYROS.isdisjoint(words)):
        return column("gyro", found[1], [last])
    if not {"temp", "temperature"}.isdisjoint(words):
        return column("temperature", "", ["temp", "temperature"])
    for part, shorts in (("north", ("vn", "north", "n")), ("east", ("ve", "east", "e"))):
        if last == shorts[0] or (last in shorts and not {"v", "vel", "velocity", "speed"}.isdisjoint(words)):
            return column("velocity", part, [last])
    if not TIMES.isdisjoint(words):
        implied = {"millis": "ms", "micros": "us", "nanos": "ns"}
        unit = unit or next((implied[w] for w in words if w in implied), "")
        return column("time", "date" if "date" in words and "time" not in words else "time", TIMES)
    return None


def recognise(names: Sequence[str], units: Sequence[str]) -> tuple[Column, ...]:
    """Columns of a header whose names are understood, in their order in the file.

    ``kind`` is angle (part roll, pitch, yaw), quaternion (w, x, y, z or 0 to 4), accelerometer, gyro (x, y,
    z), temperature, velocity (north, east) or time (time, date).
    """
    found = [_recognise_one(*pair) for pair in zip(names, units, strict=True)]
    known = [column for column in found if column is not None]
    letters = {name.lower() for name in names if len(name) == 1}
    # p, q, r are body rates; r, p, y without a q are angles.
    for kind, meaning in (
        ("gyro", {"p": "x", "q": "y", "r": "z"}),
        ("angle", {"r": "roll", "p": "pitch", "y": "yaw"}),
    ):
        if letters >= set(meaning) and not (kind == "angle" and "q" in letters):
            for name, unit in zip(names, units, strict=True):
                if name.lower() in meaning:
                    known.append(Column(name, kind, meaning[name.lower()], (), unit))
    return tuple(known)


def owner_of(group: Sequence[str]) -> str:
    """Whose attitude the words of a column name tell, "unknown" if they do not."""
    return next((owner for owner, words in OWNERS.items() if not set(words).isdisjoint(group)), "unknown")


def column_sets(columns: Sequence[Column], kind: str, needed: Sequence[str]) -> list[dict[str, Column]]:
    """Complete sets of columns of like names, the camera's first."""
    groups: dict[tuple[str, ...], dict[str, Column]] = {}
    for column in columns:
        if column.kind == kind:
            groups.setdefault(column.group, {}).setdefault(column.part, column)
    complete = [g for g in groups.values() if set(needed) <= set(g)]

    def rank(found: dict[str, Column]) -> tuple[int, int]:
        group = next(iter(found.values())).group
        owners = {owner_of([word]) for word in group} - {"unknown"}
        return max((RANKS[owner] for owner in owners), default=RANKS["unknown"]), len(group)

    return sorted(complete, key=rank)


def nearest_names(name: str, names: Sequence[str]) -> str:
    """Words that point to the names in ``names`` most like ``name``."""
    lower = {n.lower(): n for n in names if n}
    near = [lower[n] for n in get_close_matches(name.lower(), lower, 3, 0.6)]
    if near:
        return "nearest: " + ", ".join(near)
    return "columns there: " + ", ".join([n for n in names if n][:8]) + (", ..." if len(names) > 8 else "")
