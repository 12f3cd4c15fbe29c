"""Text table as it was logged: separator, header, units, rows.

A logged file may open with a preamble, carry its units in a row of their own, separate by comma, semicolon,
tab or blanks, and write decimal commas. The separator is the one that turns most of the first lines into
cells that read as numbers; the header is the line that holds the wanted names, else the last line of words
above the numbers. Cells stay text here, each row under its line number in the file, so that an error can
name the line.
"""

import csv
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from attitude.columns import bare_name, is_blank, is_value, unit_in_name, unit_of

__all__ = ["TEXT_SUFFIXES", "TableError", "TextTable", "headers", "preamble", "read_table"]

TEXT_SUFFIXES = (".csv", ".tsv", ".txt")
SEPARATORS = (",", ";", "\t", " ")
# Preamble and header are looked for in so many lines.
HEAD_LINES = 400


class TableError(ValueError):
    """The file holds no table of text that can be read; the text names file, place and mend."""


@dataclass(frozen=True)
class TextTable:
    """Cells of a logged file, as text.

    ``names`` and ``units``: the whole header and what it tells of units ("" where nothing). ``cells``: the
    columns asked for (all of them when none were), one row per line, index = line number in the file.
    ``odd_lines``: lines with more cells than the header. ``torn``: the last line was cut off and left out.
    """

    name: str
    names: tuple[str, ...]
    units: tuple[str, ...]
    cells: pd.DataFrame
    odd_lines: frozenset[int]
    torn: bool
    decimal_comma: bool

    def unit(self, label: str) -> str:
        """Unit that the header tells of a column that ``cells`` holds, "" for none."""
        position = _position(label, self.names)
        return "" if position is None else self.units[position]


def _fields(line: str, separator: str) -> list[str]:
    if line.startswith("#"):
        line = line.lstrip("# ")
    if separator == " ":
        return line.split()
    if '"' in line:
        try:
            reader = csv.reader([line], delimiter=separator, skipinitialspace=True)
            return [cell.strip() for cell in next(reader)]
        except csv.Error:
            return line.split(separator)
    return [cell.strip() for cell in line.split(separator)]


def _text(path: Path) -> str:
    try:
        raw = path.read_bytes()
    except OSError as error:
        raise TableError(f"{path.name}: cannot be read ({error.strerror}); check the file") from None
    if raw[:2] in (b"\xff\xfe", b"\xfe\xff"):
        text = raw.decode("utf-16", errors="replace")
    elif b"\0" in raw[:100_000]:
        raise TableError(f"{path.name}: not a text table; export the log as comma-separated text")
    else:
        try:
            text = raw.decode("utf-8-sig")
        except UnicodeDecodeError:
            text = raw.decode("latin-1")
    if not text.strip():
        raise TableError(f"{path.name}: the file is empty; export the log again")
    return text.replace("\r\n", "\n").replace("\r", "\n")


def _position(name: str, names: Sequence[str]) -> int | None:
    """Where a wanted name stands in a header: as written, else without the unit that follows it."""
    for header in (list(names), [bare_name(n) for n in names]):
        if name in header:
            return header.index(name) if header.count(name) == 1 else -1
    return None


def _is_header(fields: Sequence[str]) -> bool:
    words = [f for f in fields if f and not is_value(f, comma=True)]
    return len(words) >= 2 and 2 * len(words) >= sum(f != "" for f in fields)


def _is_unit_row(fields: Sequence[str]) -> bool:
    told = [f.strip("[](){}<> ") for f in fields]
    return any(unit_of(t) for t in told) and all(unit_of(t) or len(t) <= 3 or is_blank(t) for t in told)


def _layout(name: str, lines: Sequence[str], wanted: Sequence[str]) -> tuple[str, int]:
    """Separator and line index of the header."""
    best = (0.0, 0, 0, 0)
    named = (0, 0, "", 0)
    for order, separator in enumerate(SEPARATORS):
        rows = [_fields(line, separator) for line in lines]
        for i, row in enumerate(rows):
            hits = sum(_position(w, row) is not None for w in wanted) if len(row) > 1 else 0
            if hits and (hits, len(row)) > named[:2]:
                named = (hits, len(row), separator, i)
        widths: dict[int, tuple[float, int]] = {}
        for i, row in enumerate(rows):
            values = sum(is_value(cell, comma=separator != ",") for cell in row)
            share = values / max(1, sum(not is_blank(cell) for cell in row))
            if len(row) > 1 and share >= 0.5:
                score, first = widths.get(len(row), (0.0, i))
                widths[len(row)] = (score + values * share, first)
        for width, (score, first) in widths.items():
            # Blanks split what tabs do, and names too: of equals the separator that stands first.
            best = max(best, (score, -order, first, width))
    if named[0]:
        return named[2], named[3]
    score, order, first, _ = best
    separator = SEPARATORS[-order]
    if not score:
        raise TableError(
            f"{name}: no rows of numbers found; give a table of separated columns with a header line"
        )
    above = [i for i in range(first) if lines[i].strip()]
    rows_above = [_fields(lines[i], separator) for i in above]
    while len(above) > 1 and _is_unit_row(rows_above[-1]) and _is_header(rows_above[-2]):
        above.pop()
        rows_above.pop()
    if not above or not _is_header(rows_above[-1]):
        raise TableError(
            f"{name}: line {first + 1}: numbers without a header line above them; "
            "name the columns on a first line, such as t_s,roll_deg,pitch_deg,yaw_deg"
        )
    return separator, above[-1]


def _columns_of(names: Sequence[str], wanted: Sequence[str], place: str) -> dict[str, int]:
    """Label and position of the columns to keep."""
    if not wanted:
        return {}
    found = {w: _position(w, names) for w in wanted}
    for w, position in found.items():
        if position == -1:
            raise TableError(f"{place}: two columns are called {w!r}; rename one of them")
    return {w: position for w, position in found.items() if position is not None}


def _has_values(fields: Sequence[str]) -> bool:
    return any(is_value(f, comma=True) for f in fields)


def headers(path: Path) -> list[list[str]]:
    """Names in every line at the top of a file that may be a header, of rows of one kind among others.

    Raises
    ------
    TableError
        The file is empty or binary.
    """
    lines = _text(path).split("\n")[:HEAD_LINES]
    found = ([_fields(line, separator) for separator in SEPARATORS] for line in lines if line.strip())
    widest = (max(ways, key=len) for ways in found)
    return [names for names in widest if len(names) > 2 and _is_header(names)]


def preamble(path: Path) -> str:
    """What a file says before its first row of numbers, so many lines at most.

    Raises
    ------
    TableError
        The file is empty or binary.
    """
    lines = _text(path).split("\n")[:HEAD_LINES]
    rows = [max((_fields(line, separator) for separator in SEPARATORS), key=len) for line in lines]
    numeric = (
        i for i, row in enumerate(rows) if len(row) > 2 and sum(is_value(c, comma=True) for c in row) > 2
    )
    return "\n".join(lines[: next(numeric, len(lines))])


def read_table(path: Path, wanted: Sequence[str] = (), *, max_rows: int | None = None) -> TextTable:
    """Read the cells of a logged text file.

    Where rows of several kinds are mixed and each begins with the name of its kind, as their headers do,
    only those of the wanted header's kind are kept.

    Parameters
    ----------
    wanted : sequence of str
        Names of the columns to keep, as in the header or without the unit in brackets; those that are not
        there are left out of ``cells``. Empty: every column.
    max_rows : int, optional
        Stop after so many rows.

    Raises
    ------
    TableError
        The file is empty, binary, not a table, has no header or no rows, mixes rows of several kinds, or a
        wanted name stands twice.
    """
    text = _text(path)
    lines = text.split("\n")
    separator, header = _layout(path.name, lines[:HEAD_LINES], wanted)
    place = f"{path.name}: line {header + 1}"
    names = _fields(lines[header], separator)
    units = [unit_in_name(name) for name in names]
    kept = _columns_of(names, wanted, place)
    positions = list(kept.values()) if wanted else list(range(len(names)))

    head = [_fields(line, separator) for line in lines[header + 1 : header + 1 + HEAD_LINES] if line.strip()]
    by_kind = any(fields[:1] == names[:1] and _has_values(fields) for fields in head)
    kinds: dict[str, int] = {}
    # The last line may be torn, and then says nothing of kinds.
    last = max(number for number, line in enumerate(lines, 1) if line.strip())
    rows: list[list[str]] = []
    numbers: list[int] = []
    odd: set[int] = set()
    short = -1
    for number, line in enumerate(lines[header + 1 :], header + 2):
        if not line.strip() or line.startswith("#"):
            continue
        fields = _fields(line, separator)
        if by_kind and fields[0] != names[0]:
            continue
        if not rows and not _has_values(fields) and not all(map(is_blank, fields)):
            if len(fields) == len(names):
                units = [unit_of(f.strip("[](){}<> ")) or u for f, u in zip(fields, units, strict=True)]
            continue
        if fields[0].isalpha() and not is_blank(fields[0]) and len(kinds) < 10 and number < last:
            kinds.setdefault(fields[0], len(fields))
        if len(fields) < len(names):
            short = number
            fields += [""] * (len(names) - len(fields))
        elif any(fields[len(names) :]):
            odd.add(number)
        rows.append([fields[i] for i in positions])
        numbers.append(number)
        if len(rows) == max_rows:
            break
    if len(kinds) > 1 and len(set(kinds.values())) > 1:
        raise TableError(
            f"{path.name}: rows of several kinds are mixed ({', '.join(list(kinds)[:4])}); "
            "save those of one kind with their header as a file of their own"
        )
    torn = bool(rows) and numbers[-1] == last and short == last and "" in rows[-1]
    if rows and numbers[-1] == last and not text.endswith("\n"):
        torn |= any(not is_blank(c) and not is_value(c, comma=True) for c in rows[-1])
    if torn:
        rows.pop()
        numbers.pop()
    if not rows:
        raise TableError(f"{place}: a header but no rows below it; export the log again")
    cells = pd.DataFrame(
        rows, columns=list(kept) if wanted else names, index=pd.Index(numbers, name="line"), dtype=object
    )
    comma = separator != "," and any(
        "," in cell and is_value(cell, comma=True) for row in rows[:200] for cell in row
    )
    return TextTable(path.name, tuple(names), tuple(units), cells, frozenset(odd), torn, comma)
