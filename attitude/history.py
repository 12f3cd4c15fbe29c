"""The history: one SQLite file with a row per checked shoot or calibration, written whole or not at all.

What is checked again replaces its own row. Calibrations have their table here and their functions in
:mod:`attitude.calibrations`. Writers wait for one another; readers wait for nobody. Numbers
come back bit for bit: result and blocks are JSON with the shortest digits that give the same float, and the
columns of numbers carry no type, because a typed one forgets the sign of -0.0. What is not finite is kept as
None. Every function that opens the file raises :class:`HistoryError` where it cannot be read or written.
"""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
import time
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import ExitStack, closing, contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any
from urllib.parse import quote

from platformdirs import user_data_path

from attitude.findings import Estimate
from attitude.recorded import Recorded, dated, finite, moment, plain

__all__ = [
    "COLUMNS", "ESTIMATES", "ESTIMATE_PARTS", "HISTORY_VARIABLE", "JSON_TEXTS", "NUMBERS", "NUMBERS_OR_NONE",
    "TEXTS", "HistoryError", "add_all", "cells", "default_file", "put", "read", "record", "remove", "rigs",
]  # fmt: skip

HISTORY_VARIABLE = "HORIZON_DRIFT_HISTORY"
WAIT_S = 20.0  # a check writes for milliseconds; whoever holds the file this long is not a check
COPIES = 20  # tries to copy a file that somebody is writing
APPLICATION_ID = 0x48447266  # "HDrf" in the file's header: SQLite files of other programs are left alone

TEXTS = ("key", "rig", "title", "filmed", "recorded", "calibration", "method", "action")
NUMBERS = ("trim_deg", "tolerance_deg")
NUMBERS_OR_NONE = ("temperature_c", "since_power_on_s")
ESTIMATES = ("lean", "picture_lean", "offset_mg", "mounting_deg")
ESTIMATE_PARTS = ("value", "sd", "t95", "determined")
JSON_TEXTS = ("changed", "result", "blocks")
ESTIMATE_COLUMNS = tuple(f"{name}_{part}" for name in ESTIMATES for part in ESTIMATE_PARTS)
COLUMNS = (*TEXTS, *NUMBERS, *NUMBERS_OR_NONE, *ESTIMATE_COLUMNS, *JSON_TEXTS)

# Applied in this order, each in one transaction with its row in ``migrations``. One that was published is
# never edited: files of its version exist.
MIGRATIONS: tuple[tuple[str, tuple[str, ...]], ...] = (
    (
        "shoots",
        (
            f"PRAGMA application_id = {APPLICATION_ID}",
            "CREATE TABLE migrations (version INTEGER PRIMARY KEY, name TEXT NOT NULL, applied TEXT)",
            """CREATE TABLE shoots (
    key TEXT NOT NULL PRIMARY KEY,
    rig TEXT NOT NULL, title TEXT NOT NULL, filmed TEXT NOT NULL, recorded TEXT NOT NULL,
    calibration TEXT NOT NULL, method TEXT NOT NULL, action TEXT NOT NULL,
    trim_deg NOT NULL CHECK (typeof(trim_deg) = 'real'),
    tolerance_deg NOT NULL CHECK (typeof(tolerance_deg) = 'real'),
    temperature_c CHECK (typeof(temperature_c) IN ('real', 'null')),
    since_power_on_s CHECK (typeof(since_power_on_s) IN ('real', 'null')),
    lean_value, lean_sd, lean_t95, lean_determined,
    picture_lean_value, picture_lean_sd, picture_lean_t95, picture_lean_determined,
    offset_mg_value, offset_mg_sd, offset_mg_t95, offset_mg_determined,
    mounting_deg_value, mounting_deg_sd, mounting_deg_t95, mounting_deg_determined,
    changed TEXT NOT NULL, result TEXT NOT NULL, blocks TEXT NOT NULL
)""",
            "CREATE INDEX shoots_by_rig ON shoots (rig)",
        ),
    ),
    (
        "calibrations",
        (
            """CREATE TABLE calibrations (
    key TEXT NOT NULL PRIMARY KEY,
    rig TEXT NOT NULL, calibration TEXT NOT NULL, made TEXT NOT NULL, recorded TEXT NOT NULL,
    procedure TEXT NOT NULL,
    bubble_deg NOT NULL CHECK (typeof(bubble_deg) = 'real'),
    temperature_c CHECK (typeof(temperature_c) IN ('real', 'null')),
    sensor_axes TEXT NOT NULL, old TEXT, new TEXT NOT NULL, result TEXT NOT NULL
)""",
        ),
    ),
)
SHOOTS = "shoots"

MENDS = {
    sqlite3.SQLITE_READONLY: f"must not be written; allow it, or name another file in {HISTORY_VARIABLE}",
    sqlite3.SQLITE_FULL: "the disk is full and nothing was changed; make room and try again",
    sqlite3.SQLITE_NOTADB: f"is not a history; move it away, or name another file in {HISTORY_VARIABLE}",
    sqlite3.SQLITE_BUSY: "is held by another program; close that program and try again",
    sqlite3.SQLITE_CANTOPEN: f"cannot be written; check its folder, or name another in {HISTORY_VARIABLE}",
    sqlite3.SQLITE_IOERR: "reading or writing failed; check the disk, that it is there and has room",
    sqlite3.SQLITE_CORRUPT: "is damaged; move it away and bring in the last export, or restore a copy of it",
}


class HistoryError(ValueError):
    """The history cannot be read or written; the text names the file, the place and the mend."""


def default_file() -> Path:
    """The file that ``HORIZON_DRIFT_HISTORY`` names, else one in the user's data folder. Nothing is made."""
    named = os.environ.get(HISTORY_VARIABLE, "")
    return Path(named) if named else user_data_path("horizon-drift", appauthor=False) / "history.sqlite"


def record(path: Path, shoot: Recorded) -> bool:
    """Write one shoot; True when it replaced the record of the same key. File and folder are made if need be.

    An estimate that is not finite is kept as None, and so is what is not finite in result and blocks.
    HistoryError also where the shoot lacks a date or a number that it must have.
    """
    return put(path, SHOOTS, _checked(path, shoot))


def put(path: Path, table: str, row: Mapping[str, Any]) -> bool:
    """Write one row, all its columns by name; True when it replaced the row of the same key."""
    with _writing(path) as history:
        return _store(history, table, row)


def add_all(
    path: Path, shoots: Iterable[Recorded], others: Mapping[str, Iterable[Mapping[str, Any]]] | None = None
) -> tuple[int, int]:
    """Write many shoots, all or none: how many were new, how many replaced an older record.

    others : rows of other tables, written and counted with them. Of records of the same key the one recorded
    last stays; of two recorded at once the one that was there.
    """
    rows: dict[tuple[str, str], Mapping[str, Any]] = {}
    for table, some in ((SHOOTS, (_checked(path, shoot) for shoot in shoots)), *(others or {}).items()):
        for row in some:
            seen = rows.get((table, row["key"]))
            if seen is None or moment(row["recorded"]) > moment(seen["recorded"]):
                rows[table, row["key"]] = row
    if not rows:
        return 0, 0
    new = replaced = 0
    with _writing(path) as history:
        for (table, key), row in rows.items():
            there = history.execute(f"SELECT recorded FROM {table} WHERE key = ?", (key,)).fetchone()
            if there is None:
                new += 1
            elif moment(row["recorded"]) > moment(there[0]):
                replaced += 1
            else:
                continue
            _store(history, table, row)
    return new, replaced


def read(path: Path, rig: str | None = None) -> tuple[Recorded, ...]:
    """Every shoot, or those of one rig, by the time filmed, then the time recorded.

    A date without a time is the start of its day, a time without a zone is UTC. A history that does not exist
    yet is empty. Nothing is made or changed beside it: what cannot be read in place is read from a copy.
    """
    found = []
    for row in cells(path, SHOOTS, COLUMNS, rig):
        try:
            shoot = _shoot(dict(zip(COLUMNS, row, strict=True)))
            found.append((moment(shoot.filmed), moment(shoot.recorded), shoot.key, shoot))
        except (ValueError, TypeError, AttributeError) as error:
            mend = "remove this shoot, or restore a copy of the file"
            raise HistoryError(f"{path}: shoot {row[0]} is damaged ({error}); {mend}") from None
    return tuple(shoot for *_when, shoot in sorted(found, key=lambda one: one[:3]))


def cells(path: Path, table: str, columns: Sequence[str], rig: str | None = None) -> list[tuple[Any, ...]]:
    """Columns of every row, or of those of one rig, in no order, as :func:`read` does it."""
    wanted, values = ("", ()) if rig is None else (" WHERE rig = ?", (rig,))
    with _reading(path) as history:
        if history is None:
            return []
        return history.execute(f"SELECT {', '.join(columns)} FROM {table}{wanted}", values).fetchall()


def rigs(path: Path) -> dict[str, int]:
    """Rigs by name with their number of shoots; "" for shoots whose sheet names none."""
    with _reading(path) as history:
        if history is None:
            return {}
        return dict(history.execute("SELECT rig, count(*) FROM shoots GROUP BY rig ORDER BY rig").fetchall())


def remove(path: Path, keys: Iterable[str], table: str = SHOOTS) -> int:
    """Remove the rows of these keys, all or none; how many there were. Unknown keys are passed over."""
    if not _there(path):
        return 0
    with _writing(path) as history:
        gone = 0
        for key in keys:
            gone += history.execute(f"DELETE FROM {table} WHERE key = ?", (key,)).rowcount
        return gone


def _row(shoot: Recorded) -> dict[str, Any]:
    """One shoot by the names of ``COLUMNS``; ValueError names what is wrong, without file and mend."""
    row: dict[str, Any] = {name: getattr(shoot, name) for name in TEXTS}
    dated({name: row[name] for name in ("filmed", "recorded")})
    for name in NUMBERS:
        row[name] = finite(getattr(shoot, name))
        if row[name] is None:
            raise ValueError(f"{name} is {getattr(shoot, name)}; expected a number")
    row |= {name: finite(getattr(shoot, name)) for name in NUMBERS_OR_NONE}
    for name in ESTIMATES:
        one: Estimate | None = getattr(shoot, name)
        numbers = () if one is None else (finite(one.value), finite(one.sd), finite(one.t95))
        whole = one is not None and None not in numbers
        parts = (*numbers, bool(one.determined)) if one is not None and whole else (None,) * 4
        row |= {f"{name}_{part}": value for part, value in zip(ESTIMATE_PARTS, parts, strict=True)}
    if len({len(cells) for cells in shoot.blocks.values()}) > 1:
        raise ValueError("blocks differ in length; expected columns of one length")
    # In letters that every encoding has, so that a file name that belongs to no text cannot stop it.
    row["changed"] = json.dumps(shoot.changed)
    row["result"] = json.dumps(plain(shoot.result), allow_nan=False)
    row["blocks"] = json.dumps(plain(shoot.blocks), allow_nan=False)
    return row


def _shoot(row: Mapping[str, Any]) -> Recorded:
    told = {name: row[name] for name in (*TEXTS, *NUMBERS, *NUMBERS_OR_NONE)}
    for name in ESTIMATES:
        value, sd, t95, determined = (row[f"{name}_{part}"] for part in ESTIMATE_PARTS)
        told[name] = None if value is None else Estimate(value, sd, t95, bool(determined))
    told["changed"] = tuple(json.loads(row["changed"]))
    told["result"] = json.loads(row["result"])
    told["blocks"] = {column: tuple(cells) for column, cells in json.loads(row["blocks"]).items()}
    return Recorded(**told)


def _checked(path: Path, shoot: Recorded) -> dict[str, Any]:
    try:
        return _row(shoot)
    except ValueError as error:
        raise HistoryError(f"{path}: shoot {shoot.key} is not recorded: {error}") from None


def _store(history: sqlite3.Connection, table: str, row: Mapping[str, Any]) -> bool:
    there = history.execute(f"SELECT 1 FROM {table} WHERE key = ?", (row["key"],)).fetchone() is not None
    changes = ", ".join(f"{name} = excluded.{name}" for name in row if name != "key")
    # Not INSERT OR REPLACE, which would delete the row first and whatever may hang on it.
    history.execute(
        f"INSERT INTO {table} ({', '.join(row)}) VALUES ({', '.join('?' * len(row))}) "
        f"ON CONFLICT (key) DO UPDATE SET {changes}",
        tuple(row.values()),
    )
    return there


@contextmanager
def _reading(path: Path) -> Iterator[sqlite3.Connection | None]:
    """The history within one transaction, of the newest version; None where there is none yet."""
    if not _there(path):
        yield None
        return
    with ExitStack() as stack:
        stack.enter_context(_told(path))
        history = _in_place(path)
        copied = history is None
        if history is None:
            folder = Path(stack.enter_context(TemporaryDirectory(prefix="horizon-drift-")))
            history = _connect(_copy(path, folder), "rw")
        stack.enter_context(closing(history))
        if copied:
            _begin(path, history)
        yield history


def _in_place(path: Path) -> sqlite3.Connection | None:
    """The file itself, opened and read for the first time; None where only a copy can be read.

    SQLite reads this kind of file with two others beside it and takes them away again at the end, but not
    where it must not write: there it fails, or leaves them behind, and the owner may trip over them. The copy
    has the pages that wait beside the file too, which reading the file alone ("immutable") would miss. A file
    of an older version is brought up to date in the copy: reading changes nothing.
    """
    if not _may_write(path):
        return None
    history, current = _connect(path, "rw"), False
    try:
        history.execute("BEGIN")
        current = _version(path, history) == len(MIGRATIONS)
    except sqlite3.OperationalError as error:
        if _code(error) not in (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN):
            raise
    finally:
        if not current:
            history.close()
    return history if current else None


def _copy(path: Path, folder: Path) -> Path:
    """The file and what waits beside it, copied at a moment when nobody writes."""
    source = path.resolve()
    names = [source.name + end for end in ("", "-wal", "-journal")]

    def state() -> list[tuple[str, int, int, int]]:
        there = [(name, source.with_name(name)) for name in names if source.with_name(name).exists()]
        seen = [(name, file.stat()) for name, file in there]
        return [(name, one.st_ino, one.st_size, one.st_mtime_ns) for name, one in seen]

    for _ in range(COPIES):
        for left in folder.iterdir():
            left.unlink()
        with suppress(FileNotFoundError):  # taken away between a look and the next
            before = state()
            for name, *_size in before:
                shutil.copyfile(source.with_name(name), folder / name)
            if state() == before:
                return folder / source.name
        time.sleep(0.05)
    raise HistoryError(f"{path}: is being written all the time; try again when the checks are done")


@contextmanager
def _writing(path: Path) -> Iterator[sqlite3.Connection]:
    """The history within one transaction that no other writer shares: all of it is kept, or nothing."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        mend = f"make it, or name another file in {HISTORY_VARIABLE}"
        raise HistoryError(f"{path}: its folder cannot be made ({error.strerror}); {mend}") from None
    if _there(path) and not _may_write(path):
        raise HistoryError(f"{path}: {MENDS[sqlite3.SQLITE_READONLY]}")
    with _told(path), closing(_connect(path, "rwc")) as history:
        history.execute("PRAGMA synchronous = FULL")
        history.execute("PRAGMA foreign_keys = ON")
        history.execute("BEGIN")
        _version(path, history)  # before anything is changed: foreign files are left as they are
        history.execute("ROLLBACK")
        _write_ahead(history)
        _begin(path, history)
        with _kept_whole(history):
            yield history


@contextmanager
def _kept_whole(history: sqlite3.Connection) -> Iterator[None]:
    """The transaction that was begun, kept at the end or undone."""
    try:
        yield
        history.execute("COMMIT")
    except BaseException:
        if history.in_transaction:  # a full disk may have undone it already
            history.execute("ROLLBACK")
        raise


def _begin(path: Path, history: sqlite3.Connection) -> None:
    """Begin to write, after the migrations that the file lacks."""
    while True:
        history.execute("BEGIN IMMEDIATE")
        version = _version(path, history)
        if version == len(MIGRATIONS):
            return
        name, statements = MIGRATIONS[version]
        with _kept_whole(history):
            for statement in statements:
                history.execute(statement)
            told = (version + 1, name, datetime.now(UTC).isoformat(timespec="seconds"))
            history.execute("INSERT INTO migrations (version, name, applied) VALUES (?, ?, ?)", told)
            history.execute(f"PRAGMA user_version = {version + 1}")


def _version(path: Path, history: sqlite3.Connection) -> int:
    """How many migrations the file has had; 0 for an empty one."""
    version = int(history.execute("PRAGMA user_version").fetchone()[0])
    owner = int(history.execute("PRAGMA application_id").fetchone()[0])
    tables = int(history.execute("SELECT count(*) FROM sqlite_master").fetchone()[0])
    if owner != APPLICATION_ID and (owner or version or tables):
        raise HistoryError(f"{path}: {MENDS[sqlite3.SQLITE_NOTADB]}")
    if version > len(MIGRATIONS):
        raise HistoryError(f"{path}: was written by a newer version; update horizon-drift")
    return version


def _write_ahead(history: sqlite3.Connection) -> None:
    """Let readers read while somebody writes. SQLite does not queue two that make the file."""
    until = time.monotonic() + WAIT_S
    while True:
        try:
            history.execute("PRAGMA journal_mode = WAL").fetchone()
            return
        except sqlite3.OperationalError as error:
            if _code(error) != sqlite3.SQLITE_BUSY or time.monotonic() > until:
                raise
            time.sleep(0.02)


def _connect(path: Path, mode: str) -> sqlite3.Connection:
    place = path.absolute().as_posix()
    # Three slashes before a drive's letter, four before a share: SQLite takes two for a computer's name.
    uri = f"file://{'' if place.startswith('/') else '/'}{quote(os.fsencode(place))}?mode={mode}"
    return sqlite3.connect(uri, uri=True, timeout=WAIT_S, isolation_level=None)


def _there(path: Path) -> bool:
    with _told(path), suppress(FileNotFoundError, NotADirectoryError):
        path.stat()
        return True
    return False


def _may_write(path: Path) -> bool:
    """Whether the file and those that SQLite sets beside it may be written."""
    effective, file = os.access in os.supports_effective_ids, path.resolve()
    return all(os.access(place, os.W_OK, effective_ids=effective) for place in (file, file.parent))


def _code(error: sqlite3.Error) -> int:
    """Kind of an error, without what SQLite adds to it."""
    return int(getattr(error, "sqlite_errorcode", sqlite3.SQLITE_ERROR)) & 0xFF


@contextmanager
def _told(path: Path) -> Iterator[None]:
    """Errors of the file, told in one line."""
    try:
        yield
    except sqlite3.Error as error:
        known = MENDS.get(_code(error))
        raise HistoryError(f"{path}: {known or f'{MENDS[sqlite3.SQLITE_CORRUPT]} ({error})'}") from None
    except UnicodeDecodeError:
        # What SQLite says of a damaged file quotes it.
        raise HistoryError(f"{path}: {MENDS[sqlite3.SQLITE_CORRUPT]}") from None
    except UnicodeEncodeError:
        raise HistoryError(f"{path}: a name holds characters that belong to no text; correct it") from None
    except OSError as error:
        raise HistoryError(f"{path}: cannot be read ({error.strerror}); check the file") from None
