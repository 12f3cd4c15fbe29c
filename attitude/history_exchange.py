"""The history as one file to take along: JSON for programs, CSV for spreadsheets; both can come back.

JSON holds shoots and calibrations, CSV the shoots alone: a table has one kind of row. Nothing is lost on the
way: numbers are written with the shortest digits that give the same float. In CSV, result and blocks stand as
JSON in cells of their own, and a text that a spreadsheet would take for a formula stands behind an
apostrophe, which is taken off when it is brought in.
"""

from __future__ import annotations

import csv
import io
import json
import math
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import asdict, fields
from functools import partial
from pathlib import Path
from typing import Any, NoReturn

from attitude.calibrations import CALIBRATIONS, calibration_row, constants_from, read_calibrations
from attitude.constants import Constants
from attitude.files import guarded, is_pipe_or_device, write_whole
from attitude.findings import Estimate
from attitude.history import (
    COLUMNS,
    ESTIMATE_PARTS,
    ESTIMATES,
    JSON_TEXTS,
    NUMBERS,
    NUMBERS_OR_NONE,
    TEXTS,
    HistoryError,
    add_all,
    read,
)
from attitude.recorded import Recorded, RecordedCalibration, moment

__all__ = ["CSV_ENDING", "bring_in", "export"]

Made = Callable[[], Recorded | RecordedCalibration]

FORMAT, VERSION = "horizon-drift history", 2
SHOOTS_ONLY = 1  # the version before calibrations were kept; its files come in to this day
JSON_ENDING, CSV_ENDING = ".json", ".csv"
YES_NO = {"yes": True, "no": False}
NAMES = tuple(field.name for field in fields(Recorded))
CALIBRATION_NAMES = tuple(field.name for field in fields(RecordedCalibration))
CALIBRATION_TEXTS = ("key", "rig", "calibration", "made", "recorded", "procedure")
MEND = "mend it, or export the history again"


def export(path_history: Path, target: Path) -> tuple[int, int]:
    """Write the history to ``target``, .json or .csv by its ending; how many shoots and calibrations it has.

    A .csv gets the shoots alone; the calibrations are counted all the same. Raises HistoryError where the
    history cannot be read, the file cannot be written or its ending is another.
    """
    kind = _kind(target)
    if target.resolve() == path_history.resolve():
        raise HistoryError(f"{target}: is the history itself; give the export another name")
    shoots, calibrations = read(path_history), read_calibrations(path_history)
    data = _to_json(shoots, calibrations) if kind == JSON_ENDING else _to_csv(shoots)
    try:
        write_whole(target, data)
    except OSError as error:
        raise HistoryError(f"{target}: cannot be written ({error.strerror}); check its folder") from None
    return len(shoots), len(calibrations)


def bring_in(path_history: Path, source: Path) -> tuple[int, int]:
    """Add an exported file to the history, all of it or nothing: how many were new, how many replaced.

    Shoots and calibrations are counted together. Of one that stands in both the one recorded last stays;
    where it was there already it is not counted. Raises HistoryError, naming the row or entry, where the file
    is not as it was exported.
    """
    kind = _kind(source)
    if is_pipe_or_device(source):
        raise HistoryError(f"{source}: not a file; name the file that an export wrote")
    try:
        text = source.read_bytes().decode("utf-8-sig")
    except OSError as error:
        raise HistoryError(f"{source}: cannot be read ({error.strerror}); check the file") from None
    except UnicodeDecodeError:
        raise HistoryError(f"{source}: is not UTF-8 text; save it as UTF-8, or export it again") from None
    entries = _from_json(source, text) if kind == JSON_ENDING else _from_csv(source, text)
    shoots, calibrations = [], []
    for place, entry in entries:
        try:
            one = entry()
        except ValueError as error:
            raise HistoryError(f"{source}: {place}: {error}; {MEND}") from None
        if isinstance(one, Recorded):
            shoots.append(one)
        else:
            calibrations.append(calibration_row(path_history, one))
    return add_all(path_history, shoots, {CALIBRATIONS: calibrations})


def _kind(file: Path) -> str:
    ending = file.suffix.lower()
    if ending not in (JSON_ENDING, CSV_ENDING):
        raise HistoryError(f"{file}: the ending says no format; name it {JSON_ENDING} or {CSV_ENDING}")
    return ending


def _to_json(shoots: Sequence[Recorded], calibrations: Sequence[RecordedCalibration]) -> bytes:
    whole = {
        "format": FORMAT,
        "version": VERSION,
        "shoots": [asdict(one) for one in shoots],
        CALIBRATIONS: [asdict(one) for one in calibrations],
    }
    return (json.dumps(whole, allow_nan=False, indent=1) + "\n").encode("ascii")


def _to_csv(shoots: Sequence[Recorded]) -> bytes:
    sheet = io.StringIO()
    writer = csv.writer(sheet, lineterminator="\r\n")
    writer.writerow(COLUMNS)
    for one in shoots:
        writer.writerow([_cells(one)[column] for column in COLUMNS])
    # Spreadsheets take a file for UTF-8 only by the mark at its beginning.
    return sheet.getvalue().encode("utf-8-sig")


def _cells(shoot: Recorded) -> dict[str, str]:
    cells = {name: guarded(getattr(shoot, name)) for name in TEXTS}
    cells |= {name: _digits(getattr(shoot, name)) for name in (*NUMBERS, *NUMBERS_OR_NONE)}
    for name in ESTIMATES:
        one: Estimate | None = getattr(shoot, name)
        cells |= {f"{name}_{part}": "" for part in ESTIMATE_PARTS}
        if one is not None:
            cells |= {f"{name}_{part}": _digits(getattr(one, part)) for part in ESTIMATE_PARTS[:-1]}
            cells[f"{name}_determined"] = "yes" if one.determined else "no"
    return cells | {name: json.dumps(getattr(shoot, name), allow_nan=False) for name in JSON_TEXTS}


def _digits(value: float | None) -> str:
    return "" if value is None else repr(value)


def _from_json(source: Path, text: str) -> Iterator[tuple[str, Made]]:
    """Place of every entry, and a function that makes it a record."""
    try:
        whole = _loads(text)
    except json.JSONDecodeError as error:
        raise HistoryError(f"{source}: line {error.lineno}: {error.msg}; {MEND}") from None
    except (ValueError, RecursionError) as error:
        raise HistoryError(f"{source}: {error}; {MEND}") from None
    if not isinstance(whole, dict) or whole.get("format") != FORMAT:
        raise HistoryError(f"{source}: is no exported history; give a file that was exported from one")
    version, entries = whole.get("version"), whole.get("shoots")
    calibrations = [] if version == SHOOTS_ONLY else whole.get(CALIBRATIONS)
    if isinstance(version, int) and version > VERSION:
        raise HistoryError(f"{source}: was exported by a newer version; update horizon-drift")
    if version not in (SHOOTS_ONLY, VERSION) or not isinstance(entries, list):
        raise HistoryError(f"{source}: the version or the list of shoots is missing; {MEND}")
    if not isinstance(calibrations, list):
        raise HistoryError(f"{source}: the list of calibrations is missing; {MEND}")
    for number, entry in enumerate(entries, start=1):
        yield f"entry {number}", partial(_shoot, entry)
    for number, entry in enumerate(calibrations, start=1):
        yield f"calibration {number}", partial(_calibration, entry)


def _from_csv(source: Path, text: str) -> Iterator[tuple[str, Made]]:
    """Place of every row as a spreadsheet counts them, and a function that makes it a shoot."""
    rows = _csv_rows(source, text)
    header = rows[0] if rows else []
    missing = [column for column in COLUMNS if column not in header]
    more = [column for column in header if column not in COLUMNS]
    if missing:
        mend = "export the history again, and save it with commas between the columns"
        raise HistoryError(f"{source}: row 1: no column {missing[0]!r}; {mend}")
    if more or len(header) != len(COLUMNS):
        mend = "delete it, the history has no place for it"
        raise HistoryError(f"{source}: row 1: column {(*more, 'there twice')[0]!r} is one too many; {mend}")
    for number, cells in enumerate(rows[1:], start=2):
        if cells:
            yield f"row {number}", partial(_shoot_of_row, header, cells)


def _csv_rows(source: Path, text: str) -> list[list[str]]:
    # The library refuses long cells, for every reader in the process at once; blocks are long.
    usual = csv.field_size_limit(len(text) + 1)
    rows: list[list[str]] = []
    try:
        rows.extend(csv.reader(io.StringIO(text, newline=""), strict=True))
    except csv.Error as error:
        raise HistoryError(f"{source}: row {len(rows) + 1}: {error}; {MEND}") from None
    finally:
        csv.field_size_limit(usual)
    return rows


def _shoot_of_row(header: Sequence[str], cells: Sequence[str]) -> Recorded:
    return _shoot(_entry(header, cells))


def _entry(header: Sequence[str], cells: Sequence[str]) -> dict[str, Any]:
    """One row as the entry that JSON would have."""
    if len(cells) != len(header):
        raise ValueError(f"has {len(cells)} cells where the header has {len(header)}")
    row = dict(zip(header, cells, strict=True))
    entry: dict[str, Any] = {name: row[name].removeprefix("'") for name in TEXTS}
    entry |= {name: _cell_number(row, name) for name in (*NUMBERS, *NUMBERS_OR_NONE)}
    for name in ESTIMATES:
        parts = {part: _cell_number(row, f"{name}_{part}") for part in ESTIMATE_PARTS[:-1]}
        told = row[f"{name}_determined"]
        empty = not told and set(parts.values()) == {None}
        entry[name] = None if empty else parts | {"determined": YES_NO.get(told.lower(), told)}
    for name in JSON_TEXTS:
        try:
            entry[name] = _loads(row[name])
        except (ValueError, RecursionError):
            raise ValueError(f"{name}: is no JSON, or only a part of it") from None
    return entry


def _cell_number(row: Mapping[str, str], name: str) -> float | None:
    try:
        return float(row[name]) if row[name] else None
    except ValueError:
        raise ValueError(f"{name}: {row[name]!r} is no number as 0.25") from None


def _loads(text: str) -> Any:
    return json.loads(text, parse_constant=_not_finite, parse_float=_float)


def _float(digits: str) -> float:
    value = float(digits)
    return value if math.isfinite(value) else _not_finite(digits)


def _not_finite(digits: str) -> NoReturn:
    raise ValueError(f"{digits} is not finite")


def _shoot(entry: Any) -> Recorded:
    """The shoot of an entry; ValueError names the column and what is wrong with it."""
    if not isinstance(entry, dict):
        raise ValueError("is no shoot")
    told = _head(entry, NAMES, TEXTS, ("filmed", "recorded"))
    told |= {name: _number(name, entry[name]) for name in NUMBERS}
    told |= {name: None if entry[name] is None else _number(name, entry[name]) for name in NUMBERS_OR_NONE}
    told |= {name: _estimate(name, entry[name]) for name in ESTIMATES}
    told["changed"] = _texts("changed", entry["changed"])
    return Recorded(result=_result(entry["result"]), blocks=_blocks(entry["blocks"]), **told)


def _calibration(entry: Any) -> RecordedCalibration:
    """The calibration of an entry; ValueError as of :func:`_shoot`."""
    if not isinstance(entry, dict):
        raise ValueError("is no calibration")
    told = _head(entry, CALIBRATION_NAMES, CALIBRATION_TEXTS, ("made", "recorded"))
    told["bubble_deg"] = _number("bubble_deg", entry["bubble_deg"])
    temperature_c = entry["temperature_c"]
    told["temperature_c"] = None if temperature_c is None else _number("temperature_c", temperature_c)
    told["sensor_axes"] = _texts("sensor_axes", entry["sensor_axes"])
    told["old"] = None if entry["old"] is None else _constants("old", entry["old"])
    told["new"] = _constants("new", entry["new"])
    return RecordedCalibration(result=_result(entry["result"]), **told)


def _head(
    entry: Mapping[str, Any], names: Sequence[str], texts: Sequence[str], dates: Sequence[str]
) -> dict[str, Any]:
    """Texts of an entry that has all its names and no others."""
    for name in (*names, *entry):
        if (name in names) != (name in entry):
            raise ValueError(f"{name}: {'is missing' if name in names else 'is not known'}")
    told: dict[str, Any] = {name: _text(name, entry[name]) for name in texts}
    if not told["key"]:
        raise ValueError("key: is empty")
    for name in dates:
        try:
            moment(told[name])
        except ValueError:
            raise ValueError(f"{name}: {told[name]!r} is no date as 2031-05-20") from None
    return told


def _texts(name: str, values: Any) -> tuple[str, ...]:
    if not isinstance(values, list):
        raise ValueError(f"{name}: is no list")
    return tuple(_text(name, one) for one in values)


def _result(value: Any) -> dict[str, Any]:
    if not isinstance(value, dict):
        raise ValueError("result: is no JSON object")
    return value


def _constants(name: str, parts: Any) -> Constants:
    try:
        return constants_from(parts)
    except ValueError as error:
        raise ValueError(f"{name}: {error}") from None


def _text(name: str, value: Any) -> str:
    if not isinstance(value, str):
        raise ValueError(f"{name}: {value!r} is no text")
    if any("\ud800" <= letter <= "\udfff" for letter in value):
        raise ValueError(f"{name}: {value!r} holds letters that belong to no text")
    return value


def _number(name: str, value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ValueError(f"{name}: {'is missing' if value is None else f'{value!r} is no number'}")
    if not abs(value) <= sys.float_info.max:  # a whole number may be larger than any float
        raise ValueError(f"{name}: is not finite")
    return float(value)


def _estimate(name: str, parts: Any) -> Estimate | None:
    if parts is None:
        return None
    if not isinstance(parts, dict) or set(parts) != set(ESTIMATE_PARTS):
        raise ValueError(f"{name}: is not value, sd, t95 and determined")
    value, sd, t95 = (_number(f"{name} {part}", parts[part]) for part in ESTIMATE_PARTS[:-1])
    if not isinstance(parts["determined"], bool):
        raise ValueError(f"{name} determined: {parts['determined']!r} is neither true nor false")
    return Estimate(value, sd, t95, parts["determined"])


def _blocks(columns: Any) -> dict[str, tuple[float | str | None, ...]]:
    if not isinstance(columns, dict) or not all(isinstance(cells, list) for cells in columns.values()):
        raise ValueError("blocks: is not columns by name")
    for name, cells in columns.items():
        if any(isinstance(cell, bool | list | dict) for cell in cells):
            raise ValueError(f"blocks: {name} is no column of numbers and texts")
    if len({len(cells) for cells in columns.values()}) > 1:
        raise ValueError("blocks: the columns differ in length")
    return {name: tuple(cells) for name, cells in columns.items()}
