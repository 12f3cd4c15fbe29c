"""Table of a log of many rows, read in pieces: only the columns that are wanted, as numbers.

As text a log of millions would fill the memory, and one of minutes takes longer to read than all that is made
of it. A piece whose lines are all alike goes through the fast reader of pandas; one in which anything is odd
(cells too many, a comment, an empty line, a word among the numbers) goes through the same rules as a short
log, line by line (:mod:`attitude.table`), as do the first lines and the last. Both ways give the same
numbers.
"""

import os
from collections import deque
from collections.abc import Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from io import BytesIO
from itertools import chain
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from attitude.columns import BLANKS, is_blank, unit_in_name
from attitude.table import (
    HEAD_LINES,
    LARGEST,
    Layout,
    Rows,
    gather,
    layout_of,
    table_of,
    unit_told,
)

__all__ = ["LongTable", "long_table"]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
Lines = NDArray[np.int32]

# Shorter logs are kept as text, every cell of them.
LONG_ROWS = 20_000
PIECE_BYTES = 1 << 24
# Smaller pieces in which something is odd are read line by line, larger ones are halved.
ODD_BYTES = 1 << 16
# Of every piece so many lines are looked at as text too: for the steps of its numbers and kinds of rows.
LOOKED_AT = 256
# Read ahead of the piece that is put in its place.
AHEAD = 4
# What the fast reader takes for no value; what else it does not know sends a piece the long way.
NO_VALUES = sorted({way(b) for b in BLANKS if not b.endswith("inf") for way in (str, str.upper, str.title)})
LINE_END, BYTE_ORDER_MARK, HEAD_BYTES = 10, b"\xef\xbb\xbf", 1 << 18


@dataclass(frozen=True)
class LongTable:
    """Wanted columns of a long log as numbers, NaN where a cell holds none.

    ``values`` (columns, n), in the order of ``held``; ``lines`` (n,): line number in the file;
    ``unreadable``: column -> rows in which it holds what is neither a number nor blank; ``looked_at``: cells
    as written of some rows, index = row. The rest as in :class:`~attitude.table.TextTable`.
    """

    path: Path
    names: tuple[str, ...]
    units: tuple[str, ...]
    held: tuple[str, ...]
    values: Array
    lines: Lines
    unreadable: dict[str, NDArray[np.integer]]
    looked_at: pd.DataFrame
    odd_lines: frozenset[int]
    torn: bool

    @property
    def name(self) -> str:
        """Name of the file."""
        return self.path.name

    def unit(self, label: str) -> str:
        """Unit that the header tells of a column, "" for none."""
        return unit_told(label, self.names, self.units)

    def numbers(self, label: str) -> Array:
        """Values (n,) of a column; not a copy."""
        column: Array = self.values[self.held.index(label)]
        return column

    def beside(self, labels: Sequence[str]) -> Array:
        """Values (n, columns) of several columns; not a copy where they stand side by side."""
        places = [self.held.index(label) for label in labels]
        if places == list(range(places[0], places[0] + len(places))):
            return self.values[places[0] : places[0] + len(places)].T
        return self.values[places].T

    def cell(self, label: str, row: int) -> str:
        """One cell as it was written: its line is looked up in the file."""
        head, end = _head(self.path)
        layout = layout_of(self.name, _text(head).split("\n"), self.held)
        before, number, rows = 0, int(self.lines[row]), Rows([], begun=True)
        for piece in chain([head], (_piece(self.path, span) for span in _spans(self.path, end))):
            following = before + piece.count(b"\n")
            if number <= following or not piece.endswith(b"\n"):
                line = _text(piece).split("\n")[number - before - 1]
                gather(layout, rows, [(number, line)], number)
                break
            before = following
        return rows.cells[0][self.held.index(label)]

    def blank_rows(self, labels: Sequence[str]) -> Mask:
        """Rows (n,) in which every one of the columns stands for no value."""
        blank = np.ones(len(self.lines), dtype=bool)
        for label in set(labels):
            blank &= np.isnan(self.numbers(label))
            blank[self.unreadable.get(label, [])] = False
        return blank

    def texts(self, label: str) -> list[str]:
        """Cells of a column as written, of the rows that were looked at."""
        return [str(cell) for cell in self.looked_at[label]]

    def room(self, columns: int) -> Array:
        """An array (columns, n) to fill: its own, row by row or side by side, where it has as many columns.

        They stand in the order they were asked for, time and attitude first; what was read is lost.
        """
        return self.values if columns == len(self.values) else np.empty((columns, len(self.lines)))

    def only(self, keep: Mask) -> "LongTable":
        """The rows to keep (n,)."""
        values = np.empty((len(self.held), int(np.count_nonzero(keep))))
        for place, column in enumerate(self.values):
            values[place] = column[keep]
        row = np.cumsum(keep, dtype=np.int32) - 1
        looked_at = self.looked_at[keep[self.looked_at.index.to_numpy()]]
        return replace(
            self,
            values=values,
            lines=self.lines[keep],
            unreadable={label: row[rows[keep[rows]]] for label, rows in self.unreadable.items()},
            looked_at=looked_at.set_axis(row[looked_at.index.to_numpy()]),
        )


@dataclass
class _Part:
    """What one piece of ``length`` lines holds: as :class:`LongTable`, rows and lines counted from its own.

    ``values``: a column (n,) each.
    """

    length: int
    values: Sequence[Array]
    lines: Lines
    looked_at: Rows
    unreadable: dict[str, NDArray[np.integer]] = field(default_factory=dict)


def _one_end(piece: bytes) -> bytes:
    return piece.replace(b"\r\n", b"\n").replace(b"\r", b"\n") if b"\r" in piece else piece


def _head(path: Path) -> tuple[bytes, int]:
    """First lines, enough for the layout, and where in the file they end; none of what is no plain text."""
    block = b""
    with path.open("rb") as file:
        while more := file.read(HEAD_BYTES):
            block += more
            if b"\0" in more or b"\n" not in block:
                break
            if block.count(b"\n") > 2 * HEAD_LINES:
                end = block.rindex(b"\n") + 1
                return _one_end(block[:end].removeprefix(BYTE_ORDER_MARK)), end
    return b"", 0


def _spans(path: Path, begin: int) -> Iterator[tuple[int, int]]:
    """Where pieces of whole lines begin and end in the file."""
    size = path.stat().st_size
    with path.open("rb") as file:
        while begin < size:
            file.seek(min(begin + PIECE_BYTES, size))
            file.readline()
            yield begin, file.tell()
            begin = file.tell()


def _piece(path: Path, span: tuple[int, int]) -> bytes:
    """Text of a span of the file. All its lines end in a line feed; only the last of the file may lack it."""
    with path.open("rb", buffering=0) as file:
        file.seek(span[0])
        return _one_end(file.read(span[1] - span[0]))


def _but_last_lines(piece: bytes) -> tuple[bytes, bytes]:
    """A piece in two, the second with its last lines, one of which at least is not empty."""
    for count in (LOOKED_AT, len(piece)):
        lines = piece.rsplit(b"\n", count)
        last = b"\n".join(lines[1:] if len(lines) > count else lines)
        if last.strip():
            break
    return piece[: len(piece) - len(last)], last


def _text(piece: bytes) -> str:
    try:
        return piece.decode("utf-8")
    except UnicodeDecodeError:
        return piece.decode("latin-1")


def _cells_over(layout: Layout, raw: NDArray[np.uint8]) -> bool:
    """Whether any line (they all end in a line feed) may have more cells than the header."""
    ends = np.flatnonzero(raw == LINE_END)
    starts = np.concatenate([[0], ends[:-1] + 1])
    if layout.separator == " ":
        gap = (raw == ord(" ")) | (raw == ord("\t")) | (raw == LINE_END)
        begins = ~gap
        begins[1:] &= gap[:-1]
        counts = np.add.reduceat(begins, starts, dtype=np.int32)
    else:
        parts = raw == ord(layout.separator)
        counts = np.add.reduceat(parts, starts, dtype=np.int32) + 1
        # An empty last cell is not one too many.
        counts -= parts[np.maximum(ends - 1, 0)]
    return bool(np.any(counts > len(layout.names)))


def _fast(layout: Layout, comma: bool, piece: bytes) -> _Part | None:
    """Rows of a piece whose lines are all alike; else None."""
    raw = np.frombuffer(piece, np.uint8)
    if b"\0" in piece or (b"#" in piece and (piece.startswith(b"#") or b"\n#" in piece)):
        return None
    count = int(np.count_nonzero(raw == LINE_END))
    width, places = len(layout.names), [position for _, position in layout.kept]
    spaced = layout.separator == " "
    try:
        table = pd.read_csv(
            BytesIO(piece),
            sep=r"\s+" if spaced else layout.separator,
            header=None,
            usecols=sorted(set(places)),
            dtype=dict.fromkeys(places, np.float64),
            keep_default_na=False,
            na_values=NO_VALUES,
            skipinitialspace=not spaced and layout.separator.encode() + b" " in piece[:10_000],
            decimal="," if comma else ".",
        )
    except (ValueError, OverflowError):
        return None
    if len(table) != count:
        return None
    separators = 0 if spaced else int(np.count_nonzero(raw == ord(layout.separator)))
    # One line too long is seen by the count, unless another in this piece is too short by as much.
    if separators != count * (width - 1) and _cells_over(layout, raw):
        return None
    values = [table[place].to_numpy() for place in places]
    if any(_beyond(column) for column in values):
        return None
    looked_at = Rows([], begun=True)
    gather(layout, looked_at, enumerate(_first_lines(piece)), count)
    return _Part(count, values, np.arange(count, dtype=np.int32), looked_at)


def _beyond(column: Array) -> bool:
    """Whether a column, which may hold NaN, has a value beyond what counts as a number."""
    size = max(-column.min(), column.max())
    return bool(np.any(np.abs(column) > LARGEST)) if np.isnan(size) else bool(size > LARGEST)


def _by_line(layout: Layout, comma: bool, rows: Rows, length: int) -> _Part:
    """The same of rows that were read line by line."""
    if not rows.cells:
        return _Part(length, [np.empty(0)] * len(layout.kept), np.empty(0, np.int32), rows)
    table = replace(table_of(layout, rows, torn=False), decimal_comma=comma)
    values = [table.numbers(label) for label in table.held]
    unreadable: dict[str, NDArray[np.integer]] = {}
    for label, column in zip(table.held, values, strict=True):
        none = np.flatnonzero(np.isnan(column))
        words = [i for i in none if not is_blank(table.cell(label, int(i)))]
        if words:
            unreadable[label] = np.array(words, dtype=np.intp)
    return _Part(length, values, np.array(rows.numbers, dtype=np.int32), rows, unreadable)


def _read(layout: Layout, comma: bool, piece: bytes) -> list[_Part]:
    """Rows of a piece all of whose lines are whole."""
    part = _fast(layout, comma, piece)
    if part is not None:
        return [part]
    cut = piece.index(b"\n", len(piece) // 2) + 1
    if len(piece) > ODD_BYTES and cut < len(piece):
        return [*_read(layout, comma, piece[:cut]), *_read(layout, comma, piece[cut:])]
    rows, lines = Rows([], begun=True), _text(piece).split("\n")[:-1]
    gather(layout, rows, enumerate(lines), len(lines))
    return [_by_line(layout, comma, rows, len(lines))]


def _read_span(path: Path, layout: Layout, comma: bool, span: tuple[int, int]) -> list[_Part]:
    return _read(layout, comma, _piece(path, span))


def _first_lines(piece: bytes) -> list[str]:
    return _text(piece[: 1000 * LOOKED_AT]).split("\n")[:-1][:LOOKED_AT]


@dataclass
class _Store:
    """Where the parts come together: their columns in one array, which grows where it was made too small.

    ``count``: rows so far; ``following``: number of the line that comes next.
    """

    layout: Layout
    values: Array
    lines: Lines
    count: int = 0
    following: int = 1
    unreadable: dict[str, list[NDArray[np.integer]]] = field(default_factory=dict)
    looked_at: list[pd.DataFrame] = field(default_factory=list)
    odd: set[int] = field(default_factory=set)
    kinds: dict[str, int] = field(default_factory=dict)

    def filled(self) -> tuple[Array, Lines]:
        """Columns and line numbers of the rows so far."""
        return self.values[:, : self.count], self.lines[: self.count]

    def put(self, *parts: _Part) -> None:
        """Append parts."""
        for part in parts:
            self._put(part)

    def _put(self, part: _Part) -> None:
        end = self.count + len(part.lines)
        if end > len(self.lines):
            room = end + end // 8
            values, lines = np.empty((len(self.values), room)), np.empty(room, np.int32)
            values[:, : self.count] = self.values[:, : self.count]
            lines[: self.count] = self.lines[: self.count]
            self.values, self.lines = values, lines
        for place, column in enumerate(part.values):
            self.values[place, self.count : end] = column
        np.add(part.lines, self.following, out=self.lines[self.count : end])
        for label, rows in part.unreadable.items():
            self.unreadable.setdefault(label, []).append(rows + self.count)
        seen = part.looked_at
        if seen.cells:
            index = self.count + np.searchsorted(part.lines, np.array(seen.numbers, dtype=np.int32))
            labels = [label for label, _ in self.layout.kept]
            self.looked_at.append(
                pd.DataFrame(seen.cells[:LOOKED_AT], columns=labels, index=index[:LOOKED_AT], dtype=object)
            )
        self.odd |= {number + self.following for number in seen.odd}
        for kind, width in seen.kinds.items():
            self.kinds.setdefault(kind, width)
        self.count = end
        self.following += part.length


def _read_on(path: Path, layout: Layout, comma: bool, begin: int, store: _Store) -> bytes:
    """Put what follows a place in the file into the store, but for the last lines, which are returned.

    Two of the processor's cores do it, one piece each.
    """
    waiting: deque[Future[list[_Part]]] = deque()
    spans = list(_spans(path, begin))
    with ThreadPoolExecutor(min(2, os.cpu_count() or 1)) as pool:
        for span in spans[:-1]:
            waiting.append(pool.submit(_read_span, path, layout, comma, span))
            if len(waiting) > AHEAD:
                store.put(*waiting.popleft().result())
        while waiting:
            store.put(*waiting.popleft().result())
    before, last = _but_last_lines(_piece(path, spans[-1]))
    if before:
        store.put(*_read(layout, comma, before))
    return last


def long_table(path: Path, wanted: Sequence[str]) -> LongTable | None:
    """Read the wanted columns of a log; None where it has fewer than ``LONG_ROWS`` rows, or no simple layout.

    Then :func:`~attitude.table.read_table` reads it, or says what is wrong.

    Raises
    ------
    TableError
        No table, no header, rows of several kinds, or a wanted name stands twice.
    """
    try:
        size = path.stat().st_size if path.is_file() else 0
        top, end = _head(path) if size >= LONG_ROWS else (b"", 0)
    except OSError:
        return None
    head = _text(top).split("\n")[:-1]
    if size * len(head) <= LONG_ROWS * end or end == size:
        return None
    layout = layout_of(path.name, head, wanted)
    rows = Rows([unit_in_name(name) for name in layout.names])
    gather(layout, rows, enumerate(head[layout.header :], layout.header), size)
    if layout.by_kind or not layout.kept or not rows.cells:
        return None
    comma = table_of(layout, rows, torn=False).decimal_comma
    room = int(1.05 * size * len(head) / end)
    store = _Store(layout, np.empty((len(layout.kept), room)), np.empty(room, np.int32))
    store.put(_by_line(layout, comma, rows, len(head)))
    text = _text(_read_on(path, layout, comma, end, store))
    lines = text.split("\n")
    last = max((number for number, line in enumerate(lines) if line.strip()), default=-1)
    ending = Rows([], begun=True)
    gather(layout, ending, enumerate(lines), last)
    torn = ending.drop_torn(last, ended=text.endswith("\n"))
    store.put(_by_line(layout, comma, ending, len(lines)))
    Rows([], kinds=store.kinds).refuse_mixed(path.name)
    if last < 0 or store.count < LONG_ROWS:
        return None
    return LongTable(
        path,
        layout.names,
        tuple(rows.units),
        tuple(label for label, _ in layout.kept),
        *store.filled(),
        {label: np.concatenate(some) for label, some in store.unreadable.items()},
        pd.concat(store.looked_at),
        frozenset(store.odd),
        torn,
    )
