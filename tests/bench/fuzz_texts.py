"""Spoilt texts for ``tests.bench.fuzz``: mutations of valid files, and files put together at random."""

import json
import re
from contextlib import suppress
from functools import cache
from pathlib import Path

import numpy as np
from hypothesis import strategies as st

from attitude.calibrations import record_calibration
from attitude.constants import Constants
from attitude.entries import Check, RefusedError, tables
from attitude.history import record
from attitude.history_exchange import export
from attitude.recorded import RecordedCalibration
from tests.recorded import recorded

__all__ = ["BENCH", "CAPTURE", "DRAWN", "LENS", "LOG", "SHEET", "VALID", "mutated", "small_capture"]

SHEET = b"""title = "Shingle bank"
date = 2031-05-01
rig = "Sandpiper"
rig_kind = "drone"
calibration = "spring"
method = "by hand"
changed = ["lens"]
trim_deg = 0.5
trim_in_log = true
tolerance_deg = 0.4
stabilised = false

[horizon]
surface = "lake"
terrain_deg = 0.2
visibility_km = 20.0
height_m = 9.0
shore_m = [1800.0, 4000.0]
shore_bearing_deg = 90.0

[camera]
lens = "lens.toml"
crop = 1.1
mount_roll_deg = 180
readout_ms = 16.0

[[log]]
file = "attitude.csv"
attitude_of = "camera_sensor"
time = "t_s"
time_unit = "s"
angle_unit = "deg"
angle_order = "yaw_roll_pitch"
roll_positive = "left_down"
accelerometer = ["ax", "ay", "az"]
accelerometer_unit = 8192
sensor_axes = ["y", "-z", "-x"]
temperature_c = "temp"
powered_on_s = -3.0

[[clip]]
file = "clip.mp4"
shot = "hover"
log_start_s = 12.4
time_scale = 0.5
picture_turned_deg = 0
hfov_deg = 60.0
exclude_s = [[3.0, 4.5]]

[[clip]]
files = ["a.mp4", "b.mp4"]
reference = "level_line"
level_accuracy = "0.3 mm/m"

[[bench]]
file = "left.csv"
pose = "-x"
bubble_deg = 0.25
"""
LENS = b"""width_px = 320
height_px = 180
fx_px = 251.0
fy_px = 250.5
cx_px = 159.5
cy_px = 89.5
model = "brown"
distortion = [-0.12, 0.03, 0.001, -0.001, 0.0]
"""
FISHEYE = LENS.replace(b'"brown"', b'"fisheye"').replace(b", 0.0]", b"]")
CAPTURE = b"""file = "cube.csv"
rig = "Sandpiper"
calibration = "spring"
date = 2031-05-01
accelerometer = ["ax", "ay", "az"]
full_scale_g = 8
bits = 16
sensor_axes = ["y", "-z", "-x"]
bubble = "0.5 mm/m"
procedure = "level_face"
level_face = "+z"

[words]
"+z" = "chip up"

[old]
offset_mg = [9.6, -37.9, 26.5]
scale = [1.004, 0.994, 1.011]
"""
CONSTANTS = b"""[new]
offset_mg = [9.6, -37.9, 26.5]
matrix = [[1.01, 0.001, 0.0], [0.0, 1.0, 0.002], [0.0, 0.0, 0.99]]
"""
CALIBRATION = RecordedCalibration(
    key="c" * 32,
    rig="Sandpiper",
    calibration="spring",
    made="2031-05-01",
    recorded="2031-05-01T18:00:00+00:00",
    procedure="level_face",
    bubble_deg=0.25,
    temperature_c=None,
    sensor_axes=("y", "-z", "-x"),
    old=None,
    new=Constants((0.002, 0.015, -0.004)),
    result={},
)
TOKENS = [
    b"nan", b"NaN", b"inf", b"-inf", b"1e999", b"1e308", b"-1e308", b"1e-320", b"-0.0", b"0", b"-1",
    b"9" * 25, b"9" * 5000, b"0x7f", b"true", b"null", b'""', b'"', b"'", b'"""', b"\0", b"\xff",
    b"\xff\xfe", b"\xef\xbb\xbf", b"\r", b"\n", b"\r\n", b",", b";", b"\t", b"=", b"#", b"[", b"]", b"[[",
    b"{", b"}", b"[" * 3000, b"{" * 3000, b'"\\u0000"', b'"../../x"', b'"/"', b'"-x"', b'"$(x)"',
    b"2031-13-01", b"0001-01-01", b"9999-12-31", b"2031-05-01T07:32:00Z", b"\xe2\x80\xae", b"\x1b[31m",
    b"<script>", b"\xf0\x9f\x92\xa7", b"1,5", b"25:61:61", b"a" * 300, b'"' + b"a" * 300 + b'"',
]  # fmt: skip
NUMBER = re.compile(rb"-?\d+(?:\.\d+)?(?:e[-+]?\d+)?")
KEYWORD = re.compile(rb"[a-z_]{3,}")


def small_log(rows: int = 120) -> bytes:
    """A log of moving angles with the raw accelerometer, 20 Hz."""
    t_s = np.arange(rows) / 20
    lines = ["t_s,roll_deg,pitch_deg,yaw_deg,ax,ay,az,temp"]
    for k, t in enumerate(t_s):
        roll, pitch = 3 * np.sin(t), 8 * np.sin(0.7 * t)
        reading = (np.sin(np.radians(pitch)), np.sin(np.radians(roll)), 0.99)
        angles = f"{t + 50:.3f},{roll:.4f},{pitch:.4f},{(5 * t) % 360 - 180:.4f}"
        lines.append(f"{angles},{','.join(f'{8192 * one:.0f}' for one in reading)},{20 + k / 100:.1f}")
    return ("\n".join(lines) + "\n").encode()


LOG = small_log()
BENCH = b"ax,ay,az\n" + b"-8190,12,-7\n-8194,10,-5\n" * 60


def _stamped() -> bytes:
    lines = LOG.decode().split("\n")
    rows = [line.split(",", 1) for line in lines[1:] if line]
    stamped = (
        f"2031-05-01T10:15:{float(t) - 50:09.6f};{rest.replace('.', '|').replace(',', ';').replace('|', ',')}"
        for t, rest in rows
    )
    return "\r\n".join([lines[0].replace(",", ";"), *stamped]).encode()


@cache
def small_capture() -> bytes:
    """Six rests of five seconds, 20 Hz."""
    rng = np.random.default_rng(5)
    rows = ["t_s,ax,ay,az"]
    for face in range(6):
        up = np.zeros(3)
        up[face // 2] = 1.0 - 2 * (face % 2)
        readings = up + rng.normal(0, 0.0015, (100, 3)) + 0.01
        turn = rng.normal(0, 0.6, (20, 3))
        for k, one in enumerate(np.vstack([turn, readings])):
            rows.append(f"{face * 6 + k / 20:.3f},{one[0]:.5f},{one[1]:.5f},{one[2]:.5f}")
    return ("\n".join(rows) + "\n").encode()


def exported(folder: Path, ending: str) -> bytes:
    """The export of a history of two shoots, and of its calibrations where the format takes them."""
    path = folder / "valid.sqlite"
    for number in (1, 2):
        record(path, recorded(number, 0.3, blocks={"roll_deg": (0.1, None), "clip": ("a", "b")}))
    record_calibration(path, CALIBRATION)
    target = folder / f"valid{ending}"
    export(path, target)
    return target.read_bytes()


def database(folder: Path) -> bytes:
    """The file of a history of two shoots."""
    exported(folder, ".json")
    return (folder / "valid.sqlite").read_bytes()


# Valid files of every target; a folder to work in is handed over.
VALID = {
    "sheet": lambda folder: [SHEET],
    "log": lambda folder: [LOG, _stamped(), LOG.replace(b",", b"\t"), LOG.replace(b"\n", b"\r\n")],
    "new": lambda folder: [LOG, _stamped()],
    "lens": lambda folder: [LENS, FISHEYE],
    "import": lambda folder: [exported(folder, ending) for ending in (".json", ".csv")],
    "history": lambda folder: [database(folder)],
    "capture sheet": lambda folder: [CAPTURE, CONSTANTS],
    "capture": lambda folder: [small_capture()],
}


def mutated(rng: np.random.Generator, data: bytes) -> bytes:
    """The file with something wrong with it, or several things: most of the first ones end the reading."""
    for _ in range(min(6, int(rng.geometric(0.5)))):
        data = SPOIL[int(rng.integers(len(SPOIL)))](rng, data)
    return data


def _token(rng: np.random.Generator) -> bytes:
    return TOKENS[int(rng.integers(len(TOKENS)))]


def _at(rng: np.random.Generator, data: bytes) -> int:
    return int(rng.integers(len(data) + 1))


def _span(rng: np.random.Generator, data: bytes) -> tuple[int, int]:
    begin = _at(rng, data)
    return begin, min(len(data), begin + int(rng.integers(1, 200)))


def _flip(rng: np.random.Generator, data: bytes) -> bytes:
    if not data:
        return data
    out = bytearray(data)
    out[int(rng.integers(len(out)))] = int(rng.integers(256))
    return bytes(out)


def _delete(rng: np.random.Generator, data: bytes) -> bytes:
    begin, end = _span(rng, data)
    return data[:begin] + data[end:]


def _double(rng: np.random.Generator, data: bytes) -> bytes:
    begin, end = _span(rng, data)
    return data[:end] + data[begin:end] + data[end:]


def _insert(rng: np.random.Generator, data: bytes) -> bytes:
    at = _at(rng, data)
    return data[:at] + _token(rng) + data[at:]


def _cut(rng: np.random.Generator, data: bytes) -> bytes:
    return data[: _at(rng, data)]


def _swap_word(pattern: re.Pattern[bytes]):
    def swap(rng: np.random.Generator, data: bytes) -> bytes:
        found = list(pattern.finditer(data))
        if not found:
            return data
        one = found[int(rng.integers(len(found)))]
        other = found[int(rng.integers(len(found)))][0]
        word = _token(rng) if rng.random() < 0.7 else other
        return data[: one.start()] + word + data[one.end() :]

    return swap


def _shuffle_lines(rng: np.random.Generator, data: bytes) -> bytes:
    lines = data.split(b"\n")
    one, other = (int(rng.integers(len(lines))) for _ in range(2))
    lines[one], lines[other] = lines[other], lines[one]
    return b"\n".join(lines)


def _double_line(rng: np.random.Generator, data: bytes) -> bytes:
    lines = data.split(b"\n")
    lines.insert(int(rng.integers(len(lines) + 1)), lines[int(rng.integers(len(lines)))])
    return b"\n".join(lines)


def _line_ends(rng: np.random.Generator, data: bytes) -> bytes:
    ends = (b"\n", b"\r\n", b"\r", b"\n\n")
    return b"".join(line + ends[int(rng.integers(4))] for line in data.split(b"\n"))


def _encoding(rng: np.random.Generator, data: bytes) -> bytes:
    text = data.decode("latin-1")
    return text.encode(("utf-16", "utf-16-le", "utf-8-sig", "utf-32")[int(rng.integers(4))])


def _value(rng: np.random.Generator, data: bytes) -> bytes:
    lines = data.split(b"\n")
    number = int(rng.integers(len(lines)))
    key, sign, _ = lines[number].partition(b"=")
    if sign:
        lines[number] = key + b"= " + _token(rng)
    return b"\n".join(lines)


def _column(rng: np.random.Generator, data: bytes) -> bytes:
    """One column of a table in another unit, or all of it the same."""
    lines = [line.split(b",") for line in data.split(b"\n")]
    place = int(rng.integers(max(1, len(lines[0]))))
    factor, constant = 10.0 ** rng.uniform(-6, 9), rng.random() < 0.3
    for cells in lines[1:]:
        if place < len(cells):
            try:
                cells[place] = b"7" if constant else repr(float(cells[place]) * factor).encode()
            except ValueError:
                continue
    return b"\n".join(b",".join(cells) for cells in lines)


SPOIL = (
    _flip, _flip, _delete, _double, _insert, _insert, _cut, _swap_word(NUMBER), _swap_word(NUMBER),
    _swap_word(KEYWORD), _shuffle_lines, _double_line, _line_ends, _encoding, _value, _value, _column,
)  # fmt: skip


# --- put together at random -------------------------------------------------------------------------------

WORDS = """sea hover rad ms iso8601 upside_down clip.mp4 attitude.csv lens.toml left.csv plumb_line level_line
brown fisheye .. / -x +z x roll_deg t_s airframe"""
_words = st.sampled_from(WORDS.split())
_scalars = (
    st.booleans()
    | st.integers()
    | st.floats()
    | st.sampled_from([0, 1, 90, 180, 0.01, 179.9, 1e6, 1e-6, -360.0, 360.0])
    | _words
    | st.text(max_size=8)
)
_values = st.recursive(_scalars, lambda some: st.lists(some, max_size=4), max_leaves=6)


_EXTREMES = [
    True,
    False,
    0,
    1,
    2,
    90,
    180,
    270,
    -1,
    1e-6,
    0.01,
    0.5,
    1.0,
    20.0,
    60.0,
    179.9,
    360.0,
    -360.0,
    1e6,
    1e12,
]
_EXTREMES += [
    -1e12,
    45.0,
    4.0,
    1000.0,
    20000.0,
    [1.0, 1.0],
    [1.0, 1e300],
    [[0.0, 1e300]],
    [[1.0, 2.0], [1.5, 3.0]],
]
_EXTREMES += [
    ["ax", "ay", "az"],
    ["t_s", "roll_deg"],
    ["y", "-z", "-x"],
    ["lens", "lens"],
    ["a.mp4"],
    ["b.mp4", "a.mp4"],
]
_EXTREMES += [
    "0.3 mm/m",
    "1 deg",
    "sea",
    "lake",
    "hills",
    "drone",
    "bench",
    "handheld",
    "deg",
    "rad",
    "s",
    "ms",
    "us",
    "ns",
]
_EXTREMES += [
    "iso8601",
    "m/s2",
    "mg",
    "up",
    "down",
    "left",
    "right",
    "left_down",
    "yaw_roll_pitch",
    "body_to_ned",
    "joints",
]
_EXTREMES += [
    "camera_sensor",
    "airframe",
    "up_reads_minus",
    "rad/s",
    "ax",
    "t_s",
    "yaw_deg",
    "upright",
    "-x",
    "+z",
    "old",
]
_EXTREMES += [
    "hover",
    "upside_down",
    "plumb_line",
    "level_line",
    "horizon",
    "../..",
    "a/b",
    "",
    "\u202e<b>",
    1e-12,
    8192.0,
]
_FILES = {"file", "files", "lens"}
_NAMED = {"clip": "clip.mp4", "log": "attitude.csv", "bench": "left.csv", "camera": "lens.toml"}


def _taken(check: Check) -> list[object]:
    """Of a list of values, those that a key takes."""
    taken: list[object] = []
    for value in _EXTREMES:
        with suppress(RefusedError):
            check(value)
            taken.append(value)
    return taken


_TAKEN = {
    table: {key: _taken(check) for key, check in checks.items() if key not in _FILES}
    for table, checks in tables(Path()).items()
}


def _toml(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return repr(value)
    if isinstance(value, list):
        return "[" + ", ".join(map(_toml, value)) + "]"
    return json.dumps(value)


def _table(heading: str, entries: dict[str, object]) -> str:
    return "\n".join([heading, *(f"{key} = {_toml(value)}" for key, value in entries.items()), ""])


@st.composite
def _sheets(draw: st.DrawFn) -> bytes:
    parts = []
    for table, checks in tables(Path()).items():
        repeats = table in ("log", "clip", "bench")
        for _ in range(draw(st.integers(int(table == "clip"), 1 + (table == "log")))):
            keys = draw(st.lists(st.sampled_from(sorted(checks)), max_size=4, unique=True))
            told = {key: draw(_values) for key in keys if not draw(st.integers(0, 9))}
            for key in keys:
                if taken := _TAKEN[table].get(key):
                    told.setdefault(key, draw(st.sampled_from(taken)))
                elif key in _FILES:
                    told.setdefault("lens" if key == "lens" else "file", _NAMED[table])
            if repeats and draw(st.integers(0, 9)):
                told |= {"file": _NAMED[table]}
            heading = "" if not table else f"[[{table}]]" if repeats else f"[{table}]"
            parts.append(_table(heading, told))
    return "\n".join(parts).encode("utf-8", errors="replace")


@st.composite
def _lenses(draw: st.DrawFn) -> bytes:
    keys = ["width_px", "height_px", "fx_px", "fy_px", "cx_px", "cy_px"]
    usual = st.floats(1.0, 4000.0) | st.integers(1, 4000)
    told = {key: draw(usual if draw(st.integers(0, 5)) else _values) for key in keys}
    told["model"] = draw(st.sampled_from(["brown", "fisheye", "pinhole"]) | _values)
    numbers = st.floats(-5.0, 5.0)
    told["distortion"] = draw(
        st.lists(numbers, min_size=4, max_size=4) | st.lists(numbers, max_size=6) | _values
    )
    return _table("", told).encode("utf-8", errors="replace")


@st.composite
def _logs(draw: st.DrawFn) -> bytes:
    names = ["t_s", "roll_deg", "pitch_deg", "yaw_deg", *draw(st.lists(st.text(max_size=5), max_size=2))]
    number = (
        st.floats(-400, 400, width=32).map(repr) | st.floats().map(repr) | st.sampled_from(["", "-", "x"])
    )
    separator = draw(st.sampled_from([",", ";", "\t", " "]))
    rows, t_s = [], draw(st.floats(-1e3, 1e9))
    for _ in range(draw(st.integers(0, 30))):
        t_s += draw(st.sampled_from([0.05, 0.05, 0.0, 1.0, -1.0, 1e5, 1e-9]))
        rows.append(separator.join([repr(t_s), *(draw(number) for _ in names[1:])]))
    return "\n".join([separator.join(names), *rows, ""]).encode("utf-8", errors="replace")


_json = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=6),
    lambda some: st.lists(some, max_size=3) | st.dictionaries(st.text(max_size=6), some, max_size=3),
    max_leaves=8,
)


@st.composite
def _exports(draw: st.DrawFn) -> bytes:
    shoots = []
    for number in range(draw(st.integers(0, 2))):
        one = json.loads(json.dumps(recorded(number).__dict__, default=lambda value: value.__dict__))
        for key in draw(st.lists(st.sampled_from(sorted(one)), max_size=3)):
            one[key] = draw(_json)
        shoots.append(one)
    whole = {
        "format": "horizon-drift history",
        "version": draw(st.sampled_from([1, 2, 2, 3, "2", None, 1.0])),
    }
    whole |= {"shoots": draw(st.just(shoots) | _json), "calibrations": draw(st.just([]) | _json)}
    return json.dumps(whole).encode()


# Files put together at random, for the targets that have them.
DRAWN = {"sheet": _sheets(), "lens": _lenses(), "log": _logs(), "new": _logs(), "import": _exports()}
