"""Calibrations in the history: the constants of a rig's sensor before and after each of them.

They are kept as shoots are (:mod:`attitude.history`): whole or not at all, numbers bit for bit. Constants are
what later shoots are judged by, so one that is not finite is refused instead of kept as None.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any

from attitude.constants import Constants
from attitude.history import HistoryError, cells, put, remove
from attitude.recorded import RecordedCalibration, dated, finite, moment, plain
from attitude.repeatability import label

__all__ = [
    "CALIBRATIONS", "calibration_name", "calibration_row", "constants_from", "offset_change_mg",
    "read_calibrations", "record_calibration", "remove_calibration",
]  # fmt: skip

CALIBRATIONS = "calibrations"
TEXTS = ("key", "rig", "calibration", "made", "recorded", "procedure")
COLUMNS = (*TEXTS, "bubble_deg", "temperature_c", "sensor_axes", "old", "new", "result")


def calibration_name(one: RecordedCalibration) -> str:
    """Day and label of a calibration, the day alone where it has no label."""
    return f"{one.made[:10]} {one.calibration}".rstrip()


def record_calibration(path: Path, one: RecordedCalibration) -> bool:
    """Write one calibration; True when it replaced the record of the same key.

    path : of the history; file and folder are made if need be. A temperature that is not finite is kept as
    None, and so is what is not finite in the result. Raises HistoryError where the file cannot be written, a
    date is none, or the constants or ``bubble_deg`` are not finite numbers.
    """
    return put(path, CALIBRATIONS, calibration_row(path, one))


def read_calibrations(path: Path, rig: str | None = None) -> tuple[RecordedCalibration, ...]:
    """Every calibration, or those of one rig, by the time made, then the time recorded.

    rig : capitals and spaces apart. A history that does not exist yet, or that knows no calibrations, is
    empty; nothing is made or changed. Raises HistoryError where the file cannot be read.
    """
    found = []
    for row in cells(path, CALIBRATIONS, COLUMNS):
        try:
            told = dict(zip(COLUMNS, row, strict=True))
            if rig is not None and label(told["rig"]) != label(rig):
                continue
            one = _calibration(told)
            found.append((moment(one.made), moment(one.recorded), one.key, one))
        except (ValueError, TypeError, AttributeError) as error:
            mend = "remove this calibration, or restore a copy of the file"
            raise HistoryError(f"{path}: calibration {row[0]} is damaged ({error}); {mend}") from None
    return tuple(one for *_when, one in sorted(found, key=lambda each: each[:3]))


def remove_calibration(path: Path, key: str) -> bool:
    """Take the calibration of this key off the record; False where there is none. May raise HistoryError."""
    return remove(path, (key,), CALIBRATIONS) > 0


def calibration_row(path: Path, one: RecordedCalibration) -> dict[str, Any]:
    """One calibration by the names of its table's columns; HistoryError where it cannot be recorded."""
    try:
        return _row(one)
    except ValueError as error:
        raise HistoryError(f"{path}: calibration {one.key} is not recorded: {error}") from None


def constants_from(parts: Any) -> Constants:
    """Constants of ``offset_g``, three numbers, and ``matrix``, three rows of three, as JSON holds them.

    Raises ValueError, without file and place, where they are anything else or not finite.
    """
    if not isinstance(parts, Mapping) or set(parts) != {"offset_g", "matrix"}:
        raise ValueError("is not offset_g and matrix; expected both")
    rows = parts["matrix"]
    if not isinstance(rows, list | tuple) or len(rows) != 3:
        raise ValueError("matrix is not three rows; expected three rows of three numbers")
    first, second, third = (_three("matrix", row) for row in rows)
    return Constants(_three("offset_g", parts["offset_g"]), (first, second, third))


def offset_change_mg(one: RecordedCalibration) -> tuple[float, float, float] | None:
    """Offset after less offset before along the board's x, y, z; None where the one before is not known."""
    if one.old is None:
        return None
    x, y, z = (1000 * (new - old) for new, old in zip(one.new.offset_g, one.old.offset_g, strict=True))
    return x, y, z


def _three(name: str, numbers: Any) -> tuple[float, float, float]:
    if not isinstance(numbers, list | tuple) or len(numbers) != 3:
        raise ValueError(f"{name} is {numbers!r}; expected three numbers")
    for number in numbers:
        if isinstance(number, bool) or not isinstance(number, int | float):
            raise ValueError(f"{name} holds {number!r}; expected a number")
        # A whole number may be larger than any float.
        if isinstance(number, float) and not math.isfinite(number):
            raise ValueError(f"{name} holds {number}; expected a finite number")
    try:
        x, y, z = map(float, numbers)
    except OverflowError:
        raise ValueError(f"{name} holds a number too large; expected a finite number") from None
    return x, y, z


def _row(one: RecordedCalibration) -> dict[str, Any]:
    """ValueError names what is wrong, without the file."""
    row: dict[str, Any] = {name: getattr(one, name) for name in TEXTS}
    dated({name: row[name] for name in ("made", "recorded")})
    row["bubble_deg"] = finite(one.bubble_deg)
    if row["bubble_deg"] is None:
        raise ValueError(f"bubble_deg is {one.bubble_deg}; expected a number")
    row["temperature_c"] = finite(one.temperature_c)
    # In letters that every encoding has, so that a name that belongs to no text cannot stop it.
    row["sensor_axes"] = json.dumps(one.sensor_axes)
    row["old"] = None if one.old is None else _constants_text("old", one.old)
    row["new"] = _constants_text("new", one.new)
    row["result"] = json.dumps(plain(one.result), allow_nan=False)
    return row


def _constants_text(name: str, one: Constants) -> str:
    try:
        return json.dumps(asdict(constants_from(asdict(one))), allow_nan=False)
    except ValueError as error:
        raise ValueError(f"{name}: {error}") from None


def _calibration(row: Mapping[str, Any]) -> RecordedCalibration:
    told = {name: row[name] for name in (*TEXTS, "bubble_deg", "temperature_c")}
    return RecordedCalibration(
        sensor_axes=tuple(json.loads(row["sensor_axes"])),
        old=None if row["old"] is None else constants_from(json.loads(row["old"])),
        new=constants_from(json.loads(row["new"])),
        result=json.loads(row["result"]),
        **told,
    )
