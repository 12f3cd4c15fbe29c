"""What the column names of a logged file mean, and the units they carry.

A name is taken apart into words (``DesRoll``, ``imu_acc_x [m/s2]``, ``gimbalroll``) and recognised by them.
A name with a word for a demanded value (target, command, set point) never means a measurement. Units stand
in brackets, after a slash, or at the end of the name.
"""

import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
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
    "owner_of_file",
    "rank_of",
    "rank_of_file",
    "recognise",
    "unit_in_name",
    "unit_of",
]

BLANKS = frozenset({"", "nan", "null", "none", "na", "n/a", "-", "--", "inf", "-inf", "+inf"})

_NUMBER = re.compile(r"[+-]?(\d+([.,]\d+|\.)?|[.,]\d+)(e[+-]?\d+)?", re.IGNORECASE)
_STAMP = re.compile(r"\d{4}[-/]\d\d[-/]\d\d|\d\d?[./-]\d\d?[./-]\d{4}|\d\d?:\d\d(:\d\d)?|\d{8}T\d{4}")
_OPENING, _CLOSING = re.compile(r"[\[(<{]"), "])>}"
# A longer text is no name of a column; patterns and the search for words in it would take for ever.
LONGEST_NAME = 200

# Canonical unit -> how it is written, after lower case and with signs spelt out.
_SPELLINGS = {
    "deg": "deg degs degree degrees",
    "rad": "rad rads radian radians",
    "ddeg": "ddeg decideg decidegree decidegrees 0.1deg 1/10deg deg/10 deg10 deg*10 degx10 1e-1deg d10 x10"
    " tenth tenths tenthsdeg tenthsofdeg tenthsofdegree tenthsofadegree degtenths 10thdeg",
    "cdeg": "cdeg centideg centidegree centidegrees 0.01deg 1/100deg deg/100 deg100 deg*100 degx100 1e-2deg"
    " d100 x100 hundredth hundredths hundredthsdeg hundredthsofdeg hundredthsofdegree hundredthsofadegree"
    " deghundredths 100thdeg",
    "mdeg": "mdeg millideg millidegree millidegrees 0.001deg 1/1000deg deg/1000 deg1000 deg*1000 degx1000"
    " 1e-3deg d1000 x1000 thousandth thousandths thousandthsdeg thousandthsofdeg thousandthsofdegree"
    " thousandthsofadegree 1000thdeg",
    "s": "s sec secs second seconds",
    "ms": "ms msec msecs millis millisecond milliseconds",
    "us": "us usec usecs micros microsecond microseconds",
    "ns": "ns nsec nsecs nanos nanosecond nanoseconds",
    "g": "g gee gees",
    "mg": "mg milli-g millig",
    "m/s2": "m/s2 m/s/s m/s/2 mps2 mpss ms-2 ms2",
    "deg/s": "deg/s deg/sec degs/s dps degps degree/s degrees/s deg/second degrees/second",
    "rad/s": "rad/s rad/sec rads/s rps radps radian/s radians/s",
    "m/s": "m/s mps m/sec",
    "degC": "degc c celsius deg/c",
}


def _words_of(text: str) -> frozenset[str]:
    return frozenset(text.split())


UNITS = {spelling: unit for unit, spellings in _SPELLINGS.items() for spelling in spellings.split()}

DEMANDED = _words_of(
    """
    target tgt tar trg cmd cmds command commands commanded set setp setpoint setpoints setpt sp spt des
    desired demand demanded dmd ref reference goal aim req request requested want wanted wish nominal
    planned ideal stick rc input joystick err error std dev stdev sd sigma var cov
    """
)
# A quantity of an axis that is no attitude: what a motor draws, what was calibrated.
NO_ATTITUDE = _words_of(
    """
    offset trim bias cal calib calibration current amps torque volt volts voltage power pwm duty effort
    gain kp ki kd integral mode status state flag limit min max mag temp temperature count valid ok
    delta diff d accuracy quality
    """
)
TIMES = _words_of(
    """
    t time timestamp timestamps ts millis micros nanos elapsed clock seconds datetime date utc stamp
    uptime epoch unix tow gpstime systime
    """
)
# Whole names that are a time and its unit in one.
TIME_NAMES = _words_of("ms us ns s sec secs msec usec milliseconds microseconds")
# Words that are found even where a name runs words together.
_LONG_WORDS = sorted(
    _words_of(
        """
        accelerometer acceleration setpoint timestamp desired command heading target gyro accel pitch roll
        tilt yaw quat acc time gyr
        """
    ),
    key=lambda word: (-len(word), word),
)
RATES = frozenset(["rate", "rates", "speed", "vel", "velocity", "dot", "gyro", "gyr", "omega", "angvel"])
GYROS = frozenset(["gyro", "gyr", "gyroscope", "omega", "rate", "angvel", "w"])
ACCELEROMETERS = frozenset(["acc", "accel", "accelerometer", "acceleration", "a"])
QUATERNIONS = frozenset(["q", "quat", "quaternion", "orientation", "orient", "rot", "rotation"])
QUATERNION_PARTS = {**{part: part for part in "wxyz01234"}, "r": "w", "s": "w", "i": "x", "j": "y", "k": "z"}
ANGLES = {
    **dict.fromkeys(("roll", "rol", "rll", "phi", "bank"), "roll"),
    **dict.fromkeys(("pitch", "pit", "tilt", "theta", "elevation", "elev"), "pitch"),
    **dict.fromkeys(("yaw", "pan", "heading", "hdg", "psi", "azimuth"), "yaw"),
}
RATE_AXES = {"roll": "x", "pitch": "y", "yaw": "z"}
OTHER_TEMPERATURES = _words_of("motor esc battery batt bat cpu air ambient outside oat")

# Words of a column or file name that tell whose angle it is. Lower rank: more likely the camera's.
OWNERS = {
    "camera_sensor": _words_of("camera cam sensor imu lens payload"),
    "gimbal_frame": _words_of("frame yoke arm outer"),
    "airframe": _words_of(
        """
        aircraft airframe drone vehicle fc plane uav copter body flight heli ac autopilot hull
        boat carrier handle grip base pole boom craft ship
        """
    ),
    "joints": _words_of("joint joints motor motors mot encoder encoders enc servo hall relative"),
}
RANKS = {"camera_sensor": 0, "unknown": 2, "gimbal_frame": 3, "airframe": 4, "joints": 5}
GIMBAL = frozenset(["gimbal", "gim", "gmb", "head", "stab", "stabiliser", "stabilizer"])
GIMBAL_RANK = 1


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
    if name and name[-1] in _CLOSING:
        begin = 1 + max(name.rfind(bracket, 0, -1) for bracket in _CLOSING)
        if found := _OPENING.search(name, begin, len(name) - 1):
            return name[: found.start()].strip(), unit_of(name[found.end() : -1])
    bare, slash, unit = name.partition("/")
    if slash and unit_of(unit):
        return bare.strip(), unit_of(unit)
    bare, sign, unit = name.partition("°")
    return (bare.strip(), unit_of(sign + unit)) if sign and unit_of(sign + unit) else (name, "")


def _apart(word: str) -> list[str]:
    """Split words that were written together, ``gimbalroll`` -> gimbal, roll."""
    for known in _LONG_WORDS:
        left, middle, right = word.partition(known)
        if middle:
            return [*(_apart(left) if left else []), known, *(_apart(right) if right else [])]
    return [word]


def _words(name: str) -> tuple[list[str], str]:
    """Lower-case words of a column name without its unit, and the unit."""
    bare, unit = _without_unit(name[:LONGEST_NAME])
    spaced = re.sub(r"(?<=[a-z0-9])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z])", "_", bare)
    words = [w for part in re.split(r"[\W_]+", spaced) if part for w in _apart(part.lower())]
    # imu2, phi1: the number is a word of its own; m/s2, q0 and x10 are not.
    words = [w for word in words for w in re.sub(r"^([a-z]{3,})(\d+)$", r"\1 \2", word).split()]
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
    if not {"temp", "temperature"}.isdisjoint(words):
        kind = "temperature" if OTHER_TEMPERATURES.isdisjoint(words) else ""
        return column(kind, "", ["temp", "temperature"]) if kind else None
    last, rate = words[-1], not RATES.isdisjoint(words) or unit in ("deg/s", "rad/s", "mdeg/s")
    angle = next((w for w in words if w in ANGLES), None)
    if angle is not None:
        if not NO_ATTITUDE.isdisjoint(words):
            return None
        if rate:
            return column("gyro", RATE_AXES[ANGLES[angle]], [angle, *RATES])
        return column("angle", ANGLES[angle], [angle]) if "acc" not in words else None
    if found := re.fullmatch(r"q([wxyz0-4rsijk])", last):
        return column("quaternion", QUATERNION_PARTS[found[1]], [last])
    if last in QUATERNION_PARTS and not QUATERNIONS.isdisjoint(words):
        return column("quaternion", QUATERNION_PARTS[last], [last])
    measured = {"linear", "lin", "user", "gravity", "mag", *NO_ATTITUDE}.isdisjoint(words)
    return _raw_sensor(words, column, measured) or _slow_or_time(name, words, column)


def _raw_sensor(words: list[str], column: Callable[..., Column], measured: bool) -> Column | None:
    """An axis of the accelerometer or gyro: ax, acc_x, x_acc; gx, wx, gyro_x."""
    last = words[-1]
    for kind, known, short in (("accelerometer", ACCELEROMETERS, "a"), ("gyro", GYROS, "gw")):
        found = re.fullmatch(rf"[{short}]?([xyz])", last) if measured else None
        if found and (last != found[1] or not known.isdisjoint(words[:-1])):
            return column(kind, found[1], [last])
        axes = [word for word in words if word in ("x", "y", "z")]
        if measured and last in known and len(last) > 1 and len(axes) == 1:
            return column(kind, axes[0], axes)
    return None


def _slow_or_time(name: str, words: list[str], column: Callable[..., Column]) -> Column | None:
    last = words[-1]
    for part, shorts in (("north", ("vn", "north", "n")), ("east", ("ve", "east", "e"))):
        moves = not {"v", "vel", "velocity", "speed"}.isdisjoint(words)
        if last == shorts[0] or (last in shorts and moves) or (moves and shorts[1] in words):
            return column("velocity", part, [last, shorts[1]])
    if not TIMES.isdisjoint(words) or name.strip().lower() in TIME_NAMES:
        implied = {"millis": "ms", "micros": "us", "nanos": "ns"} | {
            spelt: unit_of(spelt) for spelt in TIME_NAMES
        }
        found = column(
            "time", "date" if "date" in words and not {"time", "stamp"} & set(words) else "time", TIMES
        )
        told = found.unit or next((implied[w] for w in words if w in implied), "")
        return replace(found, unit=told)
    return None


def recognise(names: Sequence[str], units: Sequence[str]) -> tuple[Column, ...]:
    """Columns of a header whose names are understood, in their order in the file.

    ``kind`` is angle (part roll, pitch, yaw), quaternion (w, x, y, z or 0 to 4), accelerometer, gyro (x, y,
    z), temperature, velocity (north, east) or time (time, date).
    """
    found = [_recognise_one(*pair) for pair in zip(names, units, strict=True)]
    known = [column for column in found if column is not None]
    return (*known, *_letters(names, units))


def _letters(names: Sequence[str], units: Sequence[str]) -> list[Column]:
    """Columns whose last word is a letter that only its companions explain.

    p, q, r are body rates; r, p, y without a q are angles; w, x, y, z are a quaternion.
    """
    groups: dict[tuple[str, ...], dict[str, tuple[str, str]]] = {}
    for name, told in zip(names, units, strict=True):
        words, unit = _words(name)
        if words and re.fullmatch(r"[pqrywxz]", words[-1]) and DEMANDED.isdisjoint(words):
            groups.setdefault(tuple(words[:-1]), {}).setdefault(words[-1], (name, told or unit))
    known = []
    for group, letters in groups.items():
        rates = set("pqr") <= set(letters)
        kinds = (
            ("gyro", {"p": "x", "q": "y", "r": "z"}, rates),
            ("angle", {"r": "roll", "p": "pitch", "y": "yaw"}, not rates),
            ("quaternion", {part: part for part in "wxyz"}, QUATERNIONS.isdisjoint(group)),
        )
        for kind, meaning, allowed in kinds:
            if allowed and set(meaning) <= set(letters):
                known += [Column(letters[k][0], kind, meaning[k], group, letters[k][1]) for k in meaning]
    return known


def owner_of(group: Sequence[str]) -> str:
    """Whose attitude the words of a column name tell, "unknown" if they do not."""
    return next((owner for owner, words in OWNERS.items() if not set(words).isdisjoint(group)), "unknown")


def rank_of(group: Sequence[str]) -> int:
    """How unlikely it is that a column of these words is the camera's own; 0 is the most likely."""
    owners = {owner_of([word]) for word in group} - {"unknown"}
    if owners:
        return max(RANKS[owner] for owner in owners)
    return RANKS["unknown"] if GIMBAL.isdisjoint(group) else GIMBAL_RANK


def owner_of_file(stem: str) -> str:
    """Whose attitude the name of a file tells, "unknown" if it does not."""
    return owner_of(_words(stem)[0])


def rank_of_file(stem: str, otherwise: int) -> int:
    """As :func:`rank_of`, of the words in a file's name; ``otherwise`` where they do not tell."""
    rank = rank_of(_words(stem)[0])
    return otherwise if rank == RANKS["unknown"] else rank


def column_sets(columns: Sequence[Column], kind: str, needed: Sequence[str]) -> list[dict[str, Column]]:
    """Complete sets of columns of like names, the camera's first."""
    groups: dict[tuple[str, ...], dict[str, Column]] = {}
    for column in columns:
        if column.kind == kind:
            groups.setdefault(column.group, {}).setdefault(column.part, column)
    complete = [g for g in groups.values() if set(needed) <= set(g)]

    def order(found: dict[str, Column]) -> tuple[int, int]:
        group = next(iter(found.values())).group
        return rank_of(group), len(group)

    return sorted(complete, key=order)


def nearest_names(name: str, names: Sequence[str]) -> str:
    """Words that point to the names in ``names`` most like ``name``."""
    lower = {n.lower(): n for n in names if n}
    near = [lower[n] for n in get_close_matches(name.lower(), lower, 3, 0.6)]
    if near:
        return "nearest: " + ", ".join(near)
    return "columns there: " + ", ".join([n for n in names if n][:8]) + (", ..." if len(names) > 8 else "")
