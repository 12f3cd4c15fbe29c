"""The history as one file to take along: JSON for programs, CSV for spreadsheets; both can come back.

Nothing is lost on the way: numbers are written with the shortest digits that give the same float. In CSV,
result and blocks stand as JSON in cells of their own, and a text that a spreadsheet would take for a formula
stands behind an apostrophe, which is taken off when it is brought in.
"""

from __future__ import annotations

import csv
import io
import json
import math
import sys
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, fields
from pathlib import Path
from typing import Any, NoReturn

from attitude.files import write_whole
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
from attitude.recorded import Recorded, moment

__all__ = ["bring_in", "export"]

FORMAT, VERSION = "horizon-drift history", 1
JSON_ENDING, CSV_ENDING = ".json", ".csv"
# What begins a formula, in wide letters too; the apostrophe, so that one that was there before is kept.
RISKY = frozenset("=+-@\t\r\n'\uff1d\uff0b\uff0d\uff20")
YES_NO = {"yes": True, "no": False}
NAMES = tuple(field.name for field in fields(Recorded))
MEND = "mend it, or export the history again"


def export(path_history: Path, target: Path) -> int:
    """Write the whole history to ``target``, .json or .csv by its ending; how many shoots it holds.

    Raises HistoryError where the history cannot be read, the file cannot be written or its ending is another.
    """
    kind = _kind(target)
    if target.resolve() == path_history.resolve():
        raise HistoryError(f"{target}: is the history itself; give the export another name")
    shoots = read(path_history)
    data = _to_json(shoots) if kind == JSON_ENDING else _to_csv(shoots)
    try:
        write_whole(target, data)
    except OSError as error:
        raise HistoryError(f"{target}: cannot be written ({error.strerror}); check its folder") from None
    return len(shoots)


def bring_in(path_history: Path, source: Path) -> tuple[int, int]:
    """Add an exported file to the history, all of it or nothing: how many were new, how many replaced.

    Of a shoot that stands in both the one recorded last stays; where it was there already it is not counted.
    Raises HistoryError, naming the row or entry, where the file is not as it was exported.
    """
    kind = _kind(source)
    try:
        text = source.read_bytes().decode("utf-8-sig")
    except OSError as error:
        raise HistoryError(f"{source}: cannot be read ({error.strerror}); check the file") from None
    except UnicodeDecodeError:
        raise HistoryError(f"{source}: is not UTF-8 text; save it as UTF-8, or export it again") from None
    entries = _from_json(source, text) if kind == JSON_ENDING else _from_csv(source, text)
    shoots = []
    for place, entry in entries:
        try:
            shoots.append(_shoot(entry()))
        except ValueError as error:
            raise HistoryError(f"{source}: {place}: {error}; {MEND}") from None
    return add_all(path_history, shoots)


def _kind(file: Path) -> str:
    ending = file.suffix.lower()
    if ending not in (JSON_ENDING, CSV_ENDING):
        raise HistoryError(f"{file}: the ending says no format; name it {JSON_ENDING} or {CSV_ENDING}")
    return ending


def _to_json(shoots: Sequence[Recorded]) -> bytes:
    whole = {"format": FORMAT, "version": VERSION, "shoots": [asdict(one) for one in shoots]}
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
    cells = {name: _guarded(getattr(shoot, name)) for name in TEXTS}
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


def _guarded(text: str) -> str:
    risky = not RISKY.isdisjoint((text[:1], text.lstrip()[:1]))
    return f"'{text}" if risky else text


def _from_json(source: Path, text: str) -> Iterator[tuple[str, Any]]:
    """Place of every entry, and a function that gives it."""
    try:
        whole = _loads(text)
    except json.JSONDecodeError as error:
        raise HistoryError(f"{source}: line {error.lineno}: {error.msg}; {MEND}") from None
    except (ValueError, RecursionError) as error:
        raise HistoryError(f"{source}: {error}; {MEND}") from None
    if not isinstance(whole, dict) or whole.get("format") != FORMAT:
        raise HistoryError(f"{source}: is no exported history; give a file that was exported from one")
    version, entries = whole.get("version"), whole.get("shoots")
    if isinstance(version, int) and version > VERSION:
        raise HistoryError(f"{source}: was exported by a newer version; update horizon-drift")
    if version != VERSION or not isinstance(entries, list):
        raise HistoryError(f"{source}: the version or the list of shoots is missing; {MEND}")
    for number, entry in enumerate(entries, start=1):
        yield f"entry {number}", lambda entry=entry: entry


def _from_csv(source: Path, text: str) -> Iterator[tuple[str, Any]]:
    """Place of every row as a spreadsheet counts them, and a function that gives its entry."""
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
            yield f"row {number}", lambda cells=cells: _entry(header, cells)


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
    for name in (*NAMES, *entry):
        if (name in NAMES) != (name in entry):
            raise ValueError(f"{name}: {'is missing' if name in NAMES else 'is not known'}")
    told: dict[str, Any] = {name: _text(name, entry[name]) for name in TEXTS}
    if not told["key"]:
        raise ValueError("key: is empty")
    for name in ("filmed", "recorded"):
        try:
            moment(told[name])
        except ValueError:
            raise ValueError(f"{name}: {told[name]!r} is no date as 2031-05-20") from None
    told |= {name: _number(name, entry[name]) for name in NUMBERS}
    told |= {name: None if entry[name] is None else _number(name, entry[name]) for name in NUMBERS_OR_NONE}
    told |= {name: _estimate(name, entry[name]) for name in ESTIMATES}
    if not isinstance(entry["changed"], list):
        raise ValueError("changed: is no list")
    told["changed"] = tuple(_text("changed", one) for one in entry["changed"])
    if not isinstance(entry["result"], dict):
        raise ValueError("result: is no JSON object")
    return Recorded(result=entry["result"], blocks=_blocks(entry["blocks"]), **told)


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
