"""Capture sheet: the TOML file that describes a six-face capture -> :class:`CaptureSheet`, all of it checked.

A capture needs no sheet where its tables tell everything. Keys are as strict as those of a shoot sheet: a
misspelt one that is silently ignored changes the constants without a trace.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from attitude.capture import FACES, PROCEDURES, CaptureError, CaptureSheet
from attitude.constants import Constants, constants_of
from attitude.entries import (
    Check,
    axes,
    choice,
    date,
    file,
    files,
    is_number,
    name,
    names,
    number,
    positive,
    refuse,
    slope_deg,
    text,
    unit,
)
from attitude.files import is_pipe_or_device
from attitude.mapping import FREE_FALL_MPS2
from attitude.sheet import Reader, SheetError, parse, stated_keys
from attitude.table import TEXT_SUFFIXES

__all__ = ["CAPTURE_SHEET_NAME", "read_capture_sheet"]

CAPTURE_SHEET_NAME = "faces.toml"
# What one of the unit is in g, by the key that states an offset in it.
OFFSETS_G = {"offset_mg": 1e-3, "offset_g": 1.0, "offset_mps2": 1 / FREE_FALL_MPS2}
LARGEST_OFFSET_G, SCALES, LARGEST_CROSS = 2.0, (0.5, 2.0), 0.5
FEWEST_BITS, MOST_BITS = 8, 32
# Of two that say the same, or of which one rules out the other, only one may be given.
ONE_OF_TWO = (
    ("file", "files", "keep one of them"),
    ("full_scale_g", "accelerometer_unit", "full_scale_g is for counts; keep one of them"),
    ("rate_hz", "time", "the times tell the rate; keep one of them"),
    ("rate_hz", "time_unit", "the times tell the rate; keep one of them"),
)


def _bits(value: Any) -> int:
    if not isinstance(value, int) or isinstance(value, bool) or not FEWEST_BITS <= value <= MOST_BITS:
        refuse(value, f"a whole number from {FEWEST_BITS} to {MOST_BITS}")
    return value


def _numbers(value: Any) -> list[float] | None:
    """Three finite numbers, else None."""
    good = isinstance(value, list) and len(value) == 3
    return [float(v) for v in value] if good and all(map(is_number, value)) else None


def _offset(unit_g: float) -> Check:
    def check(value: Any) -> list[float]:
        found, most = _numbers(value), LARGEST_OFFSET_G / unit_g
        if found is None or max(map(abs, found)) > most:
            refuse(value, f"three numbers, for the board's x, y, z, none beyond {most:.4g}")
        return [v * unit_g for v in found]

    return check


def _scale(value: Any) -> list[float]:
    found, (low, high) = _numbers(value), SCALES
    if found is None or not all(low <= v <= high for v in found):
        refuse(
            value, f"three numbers near 1, reading per g along the board's x, y, z, from {low:g} to {high:g}"
        )
    return found


def _matrix(value: Any) -> list[list[float]]:
    rows = [_numbers(row) for row in value] if isinstance(value, list) and len(value) == 3 else [None]
    found = [row for row in rows if row is not None]
    good = len(found) == 3
    for i, row in enumerate(found):
        good &= all(
            SCALES[0] <= v <= SCALES[1] if i == j else abs(v) <= LARGEST_CROSS for j, v in enumerate(row)
        )
    if not good or abs(np.linalg.det(found)) < SCALES[0] ** 3:
        refuse(value, "three rows of three numbers, scales near 1 on the diagonal and small ones beside it")
    return found


def _constant_checks() -> dict[str, Check]:
    return {**{key: _offset(unit_g) for key, unit_g in OFFSETS_G.items()}, "scale": _scale, "matrix": _matrix}


def _tables(folder: Path) -> dict[str, dict[str, Check]]:
    """Every key of a capture sheet, by table; "" is the top."""
    return {
        "": {
            "file": file(folder),
            "files": files(folder),
            "rig": text,
            "calibration": text,
            "date": date,
            "accelerometer": names("x", "y", "z"),
            "accelerometer_unit": unit("g", "m/s2", "mg", counts="counts per g"),
            "accelerometer_sign": choice("up_reads_plus", "up_reads_minus"),
            "full_scale_g": number(0.5, 1000.0, "the range in g, such as 4, from 0.5 to 1000"),
            "bits": _bits,
            "gyro": names("x", "y", "z"),
            "gyro_unit": unit("deg/s", "rad/s", counts="counts per deg/s"),
            "temperature_c": name,
            "time": name,
            "time_unit": choice("s", "ms", "us", "ns", "iso8601"),
            "rate_hz": positive("readings a second", 100_000.0),
            "face": name,
            "sensor_axes": axes,
            "bubble": slope_deg,
            "procedure": choice(*PROCEDURES),
            "level_face": choice(*FACES),
        },
        "words": dict.fromkeys(FACES, text),
        "new": _constant_checks(),
        "old": _constant_checks(),
    }


def _constants(reader: Reader, place: str, values: Mapping[str, Any]) -> Constants:
    """Constants of the checked entries of one table."""
    stated = [key for key in OFFSETS_G if key in values]
    if not stated:
        reader.fail(place, "no offset; add offset_mg = [x, y, z]")
    if len(stated) > 1:
        reader.fail(place, f"{stated[0]} and {stated[1]} are both given; keep one of them")
    if "scale" in values and "matrix" in values:
        reader.fail(
            place, "scale and matrix are both given, and the matrix holds the scales; keep one of them"
        )
    matrix = values.get("matrix", np.diag(values.get("scale", np.ones(3))))
    return constants_of(np.array(values[stated[0]]), np.array(matrix))


def _parsed(path: Path) -> dict[str, Any]:
    try:
        return parse(path, CAPTURE_SHEET_NAME)
    except SheetError as error:
        # What people write who know the names of the faces.
        if "invalid statement" in str(error) and re.search(r"^\s*\+[xyz]\b", path.read_text("utf-8"), re.M):
            place = str(error).split(": invalid statement")[0]
            raise SheetError(f'{place}: a key with a plus; write it in quotes, "+x" = "lens up"') from None
        raise


def _old_constants(path: Path) -> Constants:
    """Constants of a file of their own, of a sheet's [new], or of what an earlier run wrote."""
    reader = Reader(path.name, {"new": _constant_checks()})
    if path.is_dir():
        raise SheetError(f"{path}: a folder; name the file in it that holds the constants before")
    if is_pipe_or_device(path):
        raise SheetError(f"{path}: not a file; name the file with the constants before")
    if not path.is_file():
        raise SheetError(f"{path}: no such file; give the constants that the gimbal held before")
    document: Any
    if path.suffix.lower() == ".json":
        try:
            document = json.loads(path.read_text(encoding="utf-8-sig"))
        except (OSError, ValueError):
            reader.fail("", "cannot be read as JSON; give a faces.json as an earlier check wrote it")
        found = document.get("constants") if isinstance(document, dict) else None
        # A later version may keep more beside them.
        known = (
            {k: v for k, v in found.items() if k in reader.tables["new"]} if isinstance(found, dict) else {}
        )
        if not known:
            reader.fail("", "no constants in it; give a faces.json of a check that found constants")
        return _constants(reader, "constants", reader.entries("new", "constants", known))
    document = _parsed(path)
    for table in ("constants", "new"):
        if table in document:
            document["new"] = document.pop(table)
            return _constants(reader, f"[{table}]", reader.single(document, "new"))
    if "old" in document:
        reader.fail("[old]", "these are still older; put the constants before under [new]")
    if not set(document) & set(reader.tables["new"]):
        reader.fail("", "no constants at its top or under [new] or [constants]; add offset_mg = [x, y, z]")
    return _constants(reader, "", reader.entries("new", "", document))


def _refuse_contradictions(reader: Reader, values: Mapping[str, Any]) -> None:
    for one, other, mend in ONE_OF_TWO:
        if one in values and other in values:
            reader.fail("", f"{one} and {other} are both given; {mend}")
    if "bits" in values and "full_scale_g" not in values:
        reader.fail("", "bits says nothing without full_scale_g; add it, or leave bits out")
    if "level_face" in values and values.get("procedure") != "level_face":
        reader.fail("", 'level_face goes with procedure = "level_face" only; correct one of them')
    if "file" not in values and "files" not in values:
        reader.fail("", 'file is missing; add file = "the name of the log"')
    if "face" in values and len(values.get("files", ())) > 1:
        reader.fail(
            "", "face is a column of one table of averages; give that table as file, or leave face out"
        )
    listed = values.get("files", ())
    twice = next((one for i, one in enumerate(listed) if one in listed[:i]), None)
    if twice is not None:
        reader.fail("", f"files holds {twice.name} twice; name the file of each pose once")


def _sheet(path: Path) -> CaptureSheet:
    document = _parsed(path)
    given = stated_keys(document)
    reader = Reader(path.name, _tables(path.parent))
    constants: dict[str, Any] = {
        table: _constants(reader, f"[{table}]", reader.single(document, table))
        for table in ("old", "new")
        if table in document
    }
    words = reader.single(document, "words")
    values = reader.entries("", "", document)
    _refuse_contradictions(reader, values)
    listed = values.pop("files", None) or (values.pop("file"),)
    if "bubble" in values:
        values["bubble_deg"] = values.pop("bubble")
    return CaptureSheet(path=path, files=listed, words=words, given=given, **constants, **values)


def _typed(paths: Sequence[Path]) -> CaptureSheet:
    """The sheet, or one of its own for tables that come without."""
    for path in paths:
        if not path.exists():
            raise SheetError(f"{path}: no such file; give a {CAPTURE_SHEET_NAME}, its folder, or the tables")
    sheets = [path for path in paths if path.is_dir() or path.suffix.lower() == ".toml"]
    if sheets and len(paths) > 1:
        mend = "give the sheet alone, and name the tables in it as files = [...]"
        raise SheetError(f"{sheets[0]}: a sheet or folder beside other files; {mend}")
    if not sheets:
        odd = next((path for path in paths if path.suffix.lower() not in TEXT_SUFFIXES), None)
        if odd is not None:
            allowed = ", ".join(TEXT_SUFFIXES)
            raise SheetError(
                f"{odd.name}: neither a sheet (.toml) nor a table ({allowed}); export it as .csv"
            )
        twice = next((path for i, path in enumerate(paths) if path in paths[:i]), None)
        if twice is not None:
            raise SheetError(f"{twice.name}: given twice; give the file of each pose once")
        return CaptureSheet(path=paths[0], files=tuple(paths))
    path = sheets[0]
    if path.is_dir():
        path = path / CAPTURE_SHEET_NAME
        if not path.is_file():
            mend = "write one, or give the tables themselves"
            raise SheetError(f"{path.parent}: no {CAPTURE_SHEET_NAME} in this folder; {mend}")
    return _sheet(path)


def read_capture_sheet(paths: Sequence[Path], old: Path | None = None) -> CaptureSheet:
    """Read how a capture was made, from what the operator typed.

    Parameters
    ----------
    paths : sequence of Path, at least one
        A sheet, or the folder that holds a ``faces.toml``, or one or several tables that need none. Files in
        a sheet are relative to its folder.
    old : Path, optional
        Constants that the gimbal held before, instead of the sheet's [old]: a TOML file with the entries of
        [old] at its top, under [new] or under [constants], or the ``faces.json`` of an earlier check.

    Raises
    ------
    CaptureError
        A file is not there or cannot be read, a key is unknown, a value is not allowed, or two keys
        contradict each other. One line.
    """
    try:
        sheet = _typed([Path(path) for path in paths])
        if old is None:
            return sheet
        return replace(sheet, old=_old_constants(Path(old)))
    except SheetError as error:
        raise CaptureError(str(error)) from None
