"""Shoot sheet: the TOML file that describes a shoot -> :class:`Shoot`, every entry checked.

What each key may hold stands in :mod:`attitude.entries`. Keys are strict on purpose: a misspelt key that is
silently ignored changes an answer without a trace. What is accepted but not used is said in ``Shoot.notes``.
"""

import datetime as dt
import json
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from difflib import SequenceMatcher
from pathlib import Path
from typing import Any, NoReturn

from attitude.entries import REPEATED, TERRAIN_DEG, Check, RefusedError, slope_deg, tables
from attitude.files import is_pipe_or_device
from attitude.findings import REPEAT_SD_DEG

__all__ = [
    "CLOCK_SET_YEAR",
    "HORIZON",
    "SHEET_NAME",
    "BenchSheet",
    "Camera",
    "ClipSheet",
    "LogSheet",
    "Reader",
    "SheetError",
    "Shoot",
    "Surface",
    "parse",
    "read_sheet",
    "stated_keys",
]

SHEET_NAME = "shoot.toml"
HORIZON = "horizon"

# Accepted and checked, but nothing in this version computes with them; whoever uses one is told so.
LATER = {
    "log.gyro": "the raw gyro as evidence",
}


class SheetError(ValueError):
    """The sheet cannot be used; the text names the sheet, the place in it and the mend."""


# Cameras whose clock was never set count from a day long before.
CLOCK_SET_YEAR = 2010
# Self-levelling laser lines are sold as true to 0.2 to 0.4 mm/m (from memory).
USUAL_LEVEL_DEG = slope_deg("0.3 mm/m")


@dataclass(frozen=True)
class Surface:
    """The visible horizon: what it is made of and how far it may stand off the true one."""

    surface: str = "unknown"
    terrain_deg: float = TERRAIN_DEG["unknown"]
    visibility_km: float | None = None
    height_m: float | None = None
    shore_m: tuple[float, float] | None = None
    shore_bearing_deg: float | None = None


@dataclass(frozen=True)
class Camera:
    """What is known of the lens; at most one way of stating the field of view is filled in."""

    hfov_deg: float | None = None
    diagonal_fov_deg: float | None = None
    focal_mm: float | None = None
    sensor_width_mm: float | None = None
    focal_35mm: float | None = None
    crop: float | None = None
    mount_roll_deg: int = 0
    readout_ms: float | None = None
    lens: Path | None = None


@dataclass(frozen=True)
class LogSheet:
    """One attitude log and how to read it; ``given`` holds the keys that the sheet itself states."""

    file: Path
    attitude_of: str = "unknown"
    time: str = "t_s"
    time_unit: str = "s"
    roll: str = "roll_deg"
    pitch: str = "pitch_deg"
    yaw: str = "yaw_deg"
    angle_unit: str | float = "deg"
    angle_order: str = "yaw_pitch_roll"
    roll_positive: str = "right_down"
    pitch_positive: str = "up"
    yaw_positive: str = "right"
    quaternion: tuple[str, ...] | None = None
    quaternion_of: str = "body_to_ned"
    accelerometer: tuple[str, ...] | None = None
    accelerometer_unit: str | float = "g"
    accelerometer_sign: str = "up_reads_plus"
    gyro: tuple[str, ...] | None = None
    gyro_unit: str | float = "deg/s"
    temperature_c: str | None = None
    velocity_mps: tuple[str, ...] | None = None
    sensor_axes: tuple[str, ...] = ("x", "y", "z")
    powered_on_s: float | None = None
    given: frozenset[str] = frozenset()


@dataclass(frozen=True)
class ClipSheet:
    """One take: its file, or the files it was cut into, in order.

    reference : what roll is measured against, horizon | plumb_line | level_line. lines : plumb lines in the
    picture. level_accuracy_deg : sd of a level line from true.
    exclude_s : in the time of the take as played, the files one after the other. starts_s : where each file
    begins in it, once the files have been looked at; empty for a single one.
    """

    files: tuple[Path, ...]
    log_start_s: float | None = None
    shot: str = "ordinary"
    time_scale: float = 1.0
    picture_turned_deg: int = 0
    hfov_deg: float | None = None
    lens: Path | None = None
    reference: str = HORIZON
    lines: int = 1
    level_accuracy_deg: float = USUAL_LEVEL_DEG
    exclude_s: tuple[tuple[float, float], ...] = ()
    starts_s: tuple[float, ...] = ()


@dataclass(frozen=True)
class BenchSheet:
    """A static hold of the sensor, or all of a ``faces.json``, whose poses and bubble it tells itself.

    bubble_deg : how well the pose was levelled (sd). constants : of a ``faces.json`` those that the gimbal
    applied while the shoot was filmed, none | old | new; "" where the sheet leaves it to the calibration's
    label.
    """

    file: Path
    pose: str = ""
    bubble_deg: float = 0.25
    constants: str = ""

    @property
    def of_faces(self) -> bool:
        """Whether the file is that of a whole capture."""
        return self.file.suffix.lower() == ".json"


@dataclass(frozen=True)
class Shoot:
    """A whole sheet.

    given : dotted keys it states; tables that repeat count from 1 (``log[1].roll``). repeat_sd_deg : what the
    lean differs by from one shoot of the rig to the next, learned from repeat_shoots of them, the usual value
    where that is 0.
    """

    folder: Path
    path: Path
    title: str
    clips: tuple[ClipSheet, ...]
    date: dt.date | None = None
    rig: str = ""
    rig_kind: str = "drone"
    calibration: str = ""
    method: str = ""
    changed: tuple[str, ...] = ()
    trim_deg: float = 0.0
    trim_in_log: bool = False
    tolerance_deg: float = 0.5
    stabilised: bool = False
    horizon: Surface = field(default_factory=Surface)
    camera: Camera = field(default_factory=Camera)
    logs: tuple[LogSheet, ...] = ()
    bench: tuple[BenchSheet, ...] = ()
    given: frozenset[str] = frozenset()
    notes: tuple[str, ...] = ()
    repeat_sd_deg: float = REPEAT_SD_DEG
    repeat_shoots: int = 0

    @property
    def indoors(self) -> bool:
        """Whether no clip shows a horizon: then there is no skyline to lean."""
        return all(clip.reference != HORIZON for clip in self.clips)


def _written(table: str) -> str:
    """Table as one writes it in a sheet."""
    if table == "":
        return "the top of the sheet, before the first [table]"
    return f"[[{table}]]" if table in REPEATED else f"[{table}]"


@dataclass(frozen=True)
class Reader:
    """One sheet being read: its name for errors, and the checks of its tables."""

    sheet: str
    tables: dict[str, dict[str, Check]]

    def fail(self, place: str, text: str) -> NoReturn:
        """Refuse the sheet, naming it and the place in it."""
        raise SheetError(f"{self.sheet}: {place}{', ' if place else ''}{text}") from None

    def unknown(self, table: str, place: str, key: str) -> NoReturn:
        """Refuse a key, naming the nearest known one."""
        known = [*self.tables[table], *(filter(None, self.tables) if table == "" else ())]
        elsewhere = {k: t for t, keys in reversed(self.tables.items()) if t != table for k in keys}

        def likeness(candidate: str) -> float:
            return SequenceMatcher(None, key.lower(), candidate).ratio()

        here, there = max(known, key=likeness), max(elsewhere, key=likeness, default="")
        where = "" if place else "at the top, "
        if likeness(there) > max(0.75, likeness(here)):
            mend = f"nearest known key: {there}, which belongs in {_written(elsewhere[there])}"
        else:
            mend = f"nearest known key{'' if place else ' there'}: {here}"
        self.fail(place, f"{where}unknown key {json.dumps(key, ensure_ascii=False)}; {mend}")

    def entries(self, table: str, place: str, raw: Mapping[str, Any]) -> dict[str, Any]:
        """Checked values of one table.

        Raises
        ------
        SheetError
            A key is unknown or its value is not allowed.
        """
        checks, values = self.tables[table], {}
        for key, value in raw.items():
            if key not in checks:
                self.unknown(table, place, key)
            try:
                values[key] = checks[key](value)
            except RefusedError as refused:
                self.fail(place, f"{key} {refused}")
        return values

    def single(self, document: dict[str, Any], table: str) -> dict[str, Any]:
        """Take a table that stands once out of the document; its checked values, none where it is not there.

        Raises
        ------
        SheetError
            As :meth:`entries`, or it is no table.
        """
        raw = document.pop(table, {})
        if not isinstance(raw, dict):
            self.fail("", f"{table} must be one table: write its entries below a line [{table}]")
        return self.entries(table, f"[{table}]", raw)

    def repeated(self, document: dict[str, Any], table: str) -> list[dict[str, Any]]:
        """As :meth:`single`, of a table that repeats."""
        raw = document.pop(table, [])
        if not isinstance(raw, list) or not all(isinstance(r, dict) for r in raw):
            self.fail("", f"{table} must be a list of tables: head each with a line [[{table}]]")
        return [self.entries(table, f"[[{table}]] {i}", r) for i, r in enumerate(raw, 1)]


def _camera(reader: Reader, values: dict[str, Any], notes: list[str]) -> Camera:
    """Camera of which only the best stated way to the field of view is kept."""
    for one, other in (("focal_mm", "sensor_width_mm"), ("sensor_width_mm", "focal_mm")):
        if one in values and other not in values:
            reader.fail("[camera]", f"{one} says nothing without {other}; add it, or give hfov_deg")
    ways = (("lens",), ("hfov_deg",), ("focal_mm", "sensor_width_mm"), ("diagonal_fov_deg",), ("focal_35mm",))
    stated = [way for way in ways if way[0] in values]
    for way in stated[1:]:
        notes.append(f"camera.{stated[0][0]} is used, camera.{way[0]} is not")
        for key in way:
            values.pop(key)
    return Camera(**values)


def _clip(reader: Reader, place: str, values: dict[str, Any], notes: list[str]) -> ClipSheet:
    if "file" in values and "files" in values:
        reader.fail(place, "file and files are both given; keep one of them")
    if "file" in values:
        values["files"] = (values.pop("file"),)
    if "files" not in values:
        reader.fail(place, 'file is missing; add file = "the name of the clip"')
    if "lens" in values and values.pop("hfov_deg", None) is not None:
        notes.append(f"{place}: lens is used, hfov_deg is not")
    for key, reference in (("lines", "plumb_line"), ("level_accuracy", "level_line")):
        if key in values and values.get("reference") != reference:
            reader.fail(place, f'{key} is for a {reference}; add reference = "{reference}", or leave it out')
    if "level_accuracy" in values:
        values["level_accuracy_deg"] = values.pop("level_accuracy")
    return ClipSheet(**values)


def _sideways(reader: Reader, place: str, clip: ClipSheet, camera: Camera) -> None:
    """Refuse a line that would lie across the picture: there it is not looked for."""
    if clip.reference != HORIZON and (camera.mount_roll_deg - clip.picture_turned_deg) % 180:
        what = clip.reference.replace("_", " ")
        reader.fail(place, f"a {what} needs a camera that is not in portrait; film it upright or upside down")


def _log(reader: Reader, place: str, values: dict[str, Any], notes: list[str]) -> LogSheet:
    if "file" not in values:
        reader.fail(place, 'file is missing; add file = "the name of the log"')
    unused = [key for key in values if key in ("roll", "pitch", "yaw")]
    if "quaternion" in values and unused:
        notes.append(f"{place}: quaternion is used, {', '.join(unused)} not")
    return LogSheet(**values, given=frozenset(values))


def _bench(reader: Reader, place: str, values: dict[str, Any]) -> BenchSheet:
    if "file" not in values:
        reader.fail(place, "file is missing; name a hold, or the faces.json of a capture")
    hold = BenchSheet(**values)
    if not hold.of_faces and not hold.pose:
        reader.fail(place, "pose is missing; a bench hold needs file and pose")
    for key in ("pose", "bubble_deg") if hold.of_faces else ("constants",):
        if key in values:
            which = "is told by the faces.json itself" if hold.of_faces else "is for a faces.json"
            reader.fail(place, f"{key} {which}; leave it out")
    return hold


def stated_keys(document: Mapping[str, Any]) -> frozenset[str]:
    """Dotted keys of a document, ``camera.hfov_deg``, ``clip[2].file``, and the tables themselves."""
    stated = set(document)
    for table, raw in document.items():
        if isinstance(raw, dict):
            stated |= {f"{table}.{key}" for key in raw}
        elif table in REPEATED and isinstance(raw, list):
            for i, one in enumerate(raw, 1):
                stated |= {f"{table}[{i}].{key}" for key in one} if isinstance(one, dict) else set()
    return frozenset(stated)


def _later(given: frozenset[str]) -> list[str]:
    used = {re.sub(r"\[\d+\]", "", key) for key in given}
    return [f"{key} is read but not used yet ({what})" for key, what in LATER.items() if key in used]


def parse(path: Path, sheet_name: str = SHEET_NAME) -> dict[str, Any]:
    """A sheet as TOML gives it. sheet_name : what such a sheet is usually called.

    Raises
    ------
    SheetError
        It cannot be read, or is not TOML.
    """
    if is_pipe_or_device(path):
        raise SheetError(f"{path.name}: not a file; name the {sheet_name} itself")
    try:
        return tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except UnicodeDecodeError:
        raise SheetError(
            f"{path.name}: not a text file in UTF-8; give a {sheet_name}, or save it as UTF-8"
        ) from None
    except OSError as error:
        raise SheetError(f"{path.name}: cannot be read ({error.strerror}); check the file") from None
    except tomllib.TOMLDecodeError as error:
        found = re.search(r"^(.*) \(at (?:line (\d+), column (\d+)|end of document)\)$", str(error))
        what = found[1] if found else str(error)
        place = f"line {found[2]}, column {found[3]}" if found and found[2] else "last line"
        mend = "write key = value, text in double quotes, and paths with / instead of \\"
        raise SheetError(f"{path.name}: {place}: {what[0].lower()}{what[1:]}; {mend}") from None
    except (RecursionError, ValueError):
        # What TOML allows and its reader does not: brackets within a thousand others, endless whole numbers.
        mend = "look for a row of brackets, a number of thousands of digits, or an impossible date"
        raise SheetError(f"{path.name}: cannot be read as TOML; {mend}") from None


def read_sheet(path: Path) -> Shoot:
    """Read a shoot sheet.

    Parameters
    ----------
    path : Path
        A sheet, or the folder that holds a ``shoot.toml``. Files in it are relative to its folder.

    Raises
    ------
    SheetError
        No such sheet, not TOML, an unknown or missing key, a value that is not allowed, or a file named in
        it that is not there. One line.
    """
    path = Path(path)
    if path.is_dir():
        if not (path / SHEET_NAME).is_file():
            mend = f"write one with: horizon-drift new {path}"
            raise SheetError(f"{path}: no {SHEET_NAME} in this folder; {mend}")
        path = path / SHEET_NAME
    if not path.is_file():
        raise SheetError(f"{path}: no such sheet; give a {SHEET_NAME} or the folder that holds one")
    document = parse(path)
    given = stated_keys(document)
    reader = Reader(path.name, tables(path.parent))
    notes: list[str] = []

    surface = Surface(**reader.single(document, "horizon"))
    if "horizon.terrain_deg" not in given:
        surface = replace(surface, terrain_deg=TERRAIN_DEG[surface.surface])
    camera = _camera(reader, reader.single(document, "camera"), notes)
    logs = [_log(reader, f"[[log]] {i}", v, notes) for i, v in enumerate(reader.repeated(document, "log"), 1)]
    clips = [
        _clip(reader, f"[[clip]] {i}", v, notes) for i, v in enumerate(reader.repeated(document, "clip"), 1)
    ]
    bench = [_bench(reader, f"[[bench]] {i}", v) for i, v in enumerate(reader.repeated(document, "bench"), 1)]
    top = reader.entries("", "", document)
    if not clips:
        reader.fail("", 'no [[clip]]; add a line [[clip]] and below it file = "the name of the clip"')
    for i, clip in enumerate(clips, 1):
        _sideways(reader, f"[[clip]] {i}", clip, camera)
    names = [file.name for clip in clips for file in clip.files]
    for i, name in enumerate(names):
        if name in names[:i]:
            reader.fail("[[clip]]", f"two files are called {name}; results are kept by file name: rename one")
    return Shoot(
        folder=path.parent,
        path=path,
        title=top.pop("title", path.resolve().parent.name),
        clips=tuple(clips),
        horizon=surface,
        camera=camera,
        logs=tuple(logs),
        bench=tuple(bench),
        given=given,
        notes=(*notes, *_later(given)),
        **top,
    )
