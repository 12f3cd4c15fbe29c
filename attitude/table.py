"""Text table as it was logged: separator, header, units, rows.

A logged file may open with a preamble, carry its units in a row of their own, separate by comma, semicolon,
tab or blanks, and write decimal commas. The separator is the one that turns most of the first lines into
cells that read as numbers; the header is the line that holds the wanted names, else the last line of words
above the numbers. Cells stay text here, each row under its line number in the file, so that an error can
name the line.
"""

import csv
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from attitude.columns import bare_name, is_blank, is_value, unit_in_name, unit_of
from attitude.files import is_pipe_or_device

__all__ = [
    "HEAD_LINES",
    "LARGEST",
    "TEXT_SUFFIXES",
    "Layout",
    "Rows",
    "TableError",
    "TextTable",
    "gather",
    "headers",
    "layout_of",
    "preamble",
    "read_table",
    "table_of",
    "unit_told",
]

Array = NDArray[np.float64]

TEXT_SUFFIXES = (".csv", ".tsv", ".txt")
SEPARATORS = (",", ";", "\t", " ")
# Preamble and header are looked for in so many lines.
HEAD_LINES = 400
# No sensor means more than this (times in nanoseconds come to 1e19), and squares of more overflow.
LARGEST = 1e100


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

    @property
    def held(self) -> tuple[str, ...]:
        """Names of the columns."""
        return tuple(self.cells.columns)

    @property
    def lines(self) -> NDArray[np.int_]:
        """Line number in the file of every row (n,)."""
        return np.asarray(self.cells.index.to_numpy())

    def unit(self, label: str) -> str:
        """Unit that the header tells of a column that ``cells`` holds, "" for none."""
        return unit_told(label, self.names, self.units)

    def numbers(self, label: str) -> Array:
        """Values (n,) of a column, NaN where a cell is no finite number, or beyond ``LARGEST``."""
        cells = self.cells[label].to_numpy()
        if self.decimal_comma:
            cells = np.array([cell.replace(",", ".") for cell in cells], dtype=object)
        try:
            values = cells.astype(float)
        except ValueError:
            values = np.array([_number(cell) for cell in cells])
        return np.where(np.abs(values) <= LARGEST, values, np.nan)

    def beside(self, labels: Sequence[str]) -> Array:
        """The same of several columns (n, columns)."""
        return np.column_stack([self.numbers(label) for label in labels])

    def cell(self, label: str, row: int) -> str:
        """One cell as it was written."""
        return str(self.cells[label].iloc[row])

    def blank_rows(self, labels: Sequence[str]) -> NDArray[np.bool_]:
        """Rows (n,) in which every one of the columns stands for no value."""
        return np.asarray(self.cells[list(set(labels))].map(is_blank).all(axis=1))

    def texts(self, label: str) -> list[str]:
        """Cells of a column as written."""
        return [str(cell) for cell in self.cells[label].to_numpy()]

    def room(self, columns: int) -> Array:
        """An array (columns, n) to fill."""
        return np.empty((columns, len(self.cells)))

    def only(self, keep: NDArray[np.bool_]) -> "TextTable":
        """The rows to keep (n,)."""
        return replace(self, cells=self.cells[keep])


def unit_told(label: str, names: Sequence[str], units: Sequence[str]) -> str:
    """Unit that a header and its units tell of a column, "" for none."""
    position = _position(label, names)
    return "" if position is None else units[position]


def _number(cell: str) -> float:
    try:
        return float(cell)
    except ValueError:
        return np.nan


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
    if is_pipe_or_device(path):
        raise TableError(f"{path.name}: not a file; name the file that holds the table")
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


def _columns_of(names: Sequence[str], wanted: Sequence[str], place: str) -> tuple[tuple[str, int], ...]:
    """Label and position of the columns to keep."""
    if not wanted:
        return tuple((name, position) for position, name in enumerate(names))
    found = {w: _position(w, names) for w in wanted}
    for w, position in found.items():
        if position == -1:
            raise TableError(f"{place}: two columns are called {w!r}; rename one of them")
    return tuple((w, position) for w, position in found.items() if position is not None)


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


@dataclass(frozen=True)
class Layout:
    """How the lines of a table are read: ``kept``, label and position of the columns wanted.

    ``header``: line number of the header. ``by_kind``: every row begins with the name of its kind.
    """

    name: str
    separator: str
    header: int
    names: tuple[str, ...]
    kept: tuple[tuple[str, int], ...]
    by_kind: bool

    @property
    def place(self) -> str:
        """File and line of the header, for an error."""
        return f"{self.name}: line {self.header}"


@dataclass
class Rows:
    """Rows as they are gathered from line after line.

    ``begun``: rows were seen before, so that what comes is no row of units. ``kinds``: words that rows
    begin with, and their number of cells. ``short``: the last line with fewer cells than the header.
    """

    units: list[str]
    begun: bool = False
    cells: list[list[str]] = field(default_factory=list)
    numbers: list[int] = field(default_factory=list)
    odd: set[int] = field(default_factory=set)
    kinds: dict[str, int] = field(default_factory=dict)
    short: int = -1

    def refuse_mixed(self, name: str) -> None:
        """Refuse rows of several kinds that differ in their cells.

        Raises
        ------
        TableError
            There are such.
        """
        if len(self.kinds) > 1 and len(set(self.kinds.values())) > 1:
            raise TableError(
                f"{name}: rows of several kinds are mixed ({', '.join(list(self.kinds)[:4])}); "
                "save those of one kind with their header as a file of their own"
            )

    def drop_torn(self, last: int, *, ended: bool) -> bool:
        """Leave out the last row where its line, ``last`` of the file, was cut off; whether it was.

        ended : the file ends with the end of a line.
        """
        torn = bool(self.cells) and self.numbers[-1] == last and self.short == last and "" in self.cells[-1]
        if self.cells and self.numbers[-1] == last and not ended:
            torn |= any(not is_blank(c) and not is_value(c, comma=True) for c in self.cells[-1])
        if torn:
            self.cells.pop()
            self.numbers.pop()
        return torn


def layout_of(name: str, lines: Sequence[str], wanted: Sequence[str]) -> Layout:
    """Layout of a table, from its first lines; ``wanted`` as of :func:`read_table`.

    Raises
    ------
    TableError
        No table, no header, or a wanted name stands twice.
    """
    separator, header = _layout(name, lines[:HEAD_LINES], wanted)
    names = _fields(lines[header], separator)
    kept = _columns_of(names, wanted, f"{name}: line {header + 1}")
    head = [_fields(line, separator) for line in lines[header + 1 : header + 1 + HEAD_LINES] if line.strip()]
    by_kind = any(fields[:1] == names[:1] and _has_values(fields) for fields in head)
    return Layout(name, separator, header + 1, tuple(names), kept, by_kind)


def gather(
    layout: Layout, rows: Rows, lines: Iterable[tuple[int, str]], last: int, *, max_rows: int | None = None
) -> None:
    """Append the rows among numbered lines below the header; ``last``: number of the file's last line."""
    width, separator = len(layout.names), layout.separator
    positions = [position for _, position in layout.kept]
    for number, line in lines:
        if not line.strip() or line.startswith("#"):
            continue
        fields = _fields(line, separator)
        if layout.by_kind and fields[0] != layout.names[0]:
            continue
        if not rows.begun and not _has_values(fields) and not all(map(is_blank, fields)):
            if len(fields) == width:
                told = zip(fields, rows.units, strict=True)
                rows.units = [unit_of(f.strip("[](){}<> ")) or u for f, u in told]
            continue
        # The last line may be torn, and then says nothing of kinds.
        if fields[0].isalpha() and not is_blank(fields[0]) and len(rows.kinds) < 10 and number < last:
            rows.kinds.setdefault(fields[0], len(fields))
        if len(fields) < width:
            rows.short = number
            fields += [""] * (width - len(fields))
        elif any(fields[width:]):
            rows.odd.add(number)
        rows.begun = True
        rows.cells.append([fields[i] for i in positions])
        rows.numbers.append(number)
        if len(rows.cells) == max_rows:
            break


def table_of(layout: Layout, rows: Rows, *, torn: bool) -> TextTable:
    """Table of the rows that were gathered.

    Raises
    ------
    TableError
        There are none.
    """
    if not rows.cells:
        raise TableError(f"{layout.place}: a header but no rows below it; export the log again")
    cells = pd.DataFrame(
        rows.cells,
        columns=[label for label, _ in layout.kept],
        index=pd.Index(rows.numbers, name="line"),
        dtype=object,
    )
    comma = layout.separator != "," and any(
        "," in cell and is_value(cell, comma=True) for row in rows.cells[:200] for cell in row
    )
    return TextTable(layout.name, layout.names, tuple(rows.units), cells, frozenset(rows.odd), torn, comma)


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
    layout = layout_of(path.name, lines, wanted)
    rows = Rows([unit_in_name(name) for name in layout.names])
    last = max(number for number, line in enumerate(lines, 1) if line.strip())
    below = enumerate(lines[layout.header :], layout.header + 1)
    gather(layout, rows, below, last, max_rows=max_rows)
    rows.refuse_mixed(path.name)
    torn = rows.drop_torn(last, ended=text.endswith("\n"))
    return table_of(layout, rows, torn=torn)
