"""The history: bit for bit, whole or not at all, whoever kills, fills, locks or damages it."""

import inspect
import os
import random
import shutil
import sqlite3
import subprocess
import sys
import tempfile
import time
from contextlib import closing, contextmanager
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from attitude import history
from attitude.findings import Estimate
from attitude.history import HistoryError, add_all, default_file, read, record, remove, rigs
from attitude.recorded import Recorded

ROOT = Path(__file__).parents[1]
FIRST_VERSION = Path(__file__).parent / "data" / "history_v1.sql"
NOBODY = 65534


def made(name: str, number: int, generation: int = 0) -> Recorded:
    """A shoot whose every part follows from its numbers; its blocks fill many pages of the file."""
    lean = Estimate(number + generation / 7, 0.1 / 3, 2.5, generation % 2 == 0)
    return Recorded(
        key=f"{name}-{number}", rig="Kestrel two", title=f"{generation}",
        filmed=f"2031-05-{1 + number % 28:02d}", recorded=f"2031-06-01T10:00:{generation % 60:02d}+00:00",
        calibration="spring", method="six faces", changed=("lens", "plate"), trim_deg=0.2, tolerance_deg=0.5,
        action="leave", lean=lean, picture_lean=None,
        offset_mg=Estimate(1e-300, 5e-324), mounting_deg=None, temperature_c=21.5, since_power_on_s=None,
        result={"generation": generation, "deep": [{"value": generation / 3}, None]},
        blocks={"roll_deg": tuple(generation + i / 7 for i in range(2000)), "clip": ("a.mp4",) * 2000},
    )  # fmt: skip


# Exports travel through spreadsheets: what these take for a formula, and what could end a cell.
NASTY = [
    "",
    "=1+1",
    "+1",
    "-1",
    "@a",
    "'=1",
    "''",
    " =1",
    "\t=",
    "\r\n",
    'a"b,c;d\n',
    "Ärger ✈",
    "\x00",
    "\ufeff",
]
texts = st.sampled_from(NASTY) | st.text(max_size=12)
extremes = [-0.0, 5e-324, sys.float_info.max, -sys.float_info.max, 0.1 + 0.2, 3.0, 1e22]
numbers = st.sampled_from(extremes) | st.floats(allow_nan=False, allow_infinity=False)
estimates = st.none() | st.builds(Estimate, numbers, numbers, numbers, st.booleans())
plain = st.recursive(
    st.none() | st.booleans() | st.integers() | numbers | texts,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(texts, inner, max_size=3),
    max_leaves=6,
)
zones = st.none() | st.timezones()
days = st.datetimes(timezones=zones, allow_imaginary=False).map(lambda day: day.isoformat())
days |= st.dates().map(lambda day: day.isoformat())


def block_columns(length):
    cells = st.lists(st.none() | numbers | texts, min_size=length, max_size=length).map(tuple)
    return st.dictionaries(texts, cells, max_size=3)


shoots = st.builds(
    Recorded, key=texts.map(lambda text: f"{text}k"), rig=texts, title=texts, filmed=days, recorded=days,
    calibration=texts, method=texts, changed=st.lists(texts, max_size=3).map(tuple), trim_deg=numbers,
    tolerance_deg=numbers, action=texts, lean=estimates, picture_lean=estimates, offset_mg=estimates,
    mounting_deg=estimates, temperature_c=st.none() | numbers, since_power_on_s=st.none() | numbers,
    result=st.dictionaries(texts, plain, max_size=3), blocks=st.integers(0, 3).flatmap(block_columns),
)  # fmt: skip


def refused(path, function, *given_to):
    """The one line in which something is refused: the file first, the mend last."""
    with pytest.raises(HistoryError) as told:
        function(*given_to)
    text = str(told.value)
    assert text.startswith(f"{path}: ")
    assert "\n" not in text
    assert "; " in text
    return text


def integrity(path):
    with closing(sqlite3.connect(path)) as opened:
        return opened.execute("PRAGMA integrity_check").fetchall()


def change(path, *statements):
    with closing(sqlite3.connect(path, isolation_level=None)) as opened:
        for statement in statements:
            opened.execute(statement)


def ask(path, question):
    with closing(sqlite3.connect(path)) as opened:
        return opened.execute(question).fetchall()


# --- what goes in comes out ---


@settings(max_examples=20, deadline=None)
@given(st.lists(shoots, max_size=2, unique_by=lambda one: one.key))
@example(
    [replace(made("a", 1), result={"file": "\udcff", "": -0.0}, trim_deg=-0.0, lean=Estimate(-0.0, -0.0))]
)
def test_a_shoot_comes_back_bit_for_bit(some):
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "deeper" / "history ?#%20.sqlite"
        for one in some:
            assert record(path, one) is False
        back = read(path)
        # repr tells -0.0 from 0.0 and 1 from 1.0, which == does not.
        assert sorted(map(repr, back)) == sorted(map(repr, some))
        for one in some:
            alike = sorted(repr(other) for other in some if other.rig == one.rig)
            assert sorted(map(repr, read(path, one.rig))) == alike


def test_the_same_key_replaces_its_own_record(tmp_path):
    path = tmp_path / "h.sqlite"
    assert record(path, made("a", 1)) is False
    assert record(path, made("b", 1)) is False
    newer = replace(made("a", 1, 5), recorded="2032-01-01T00:00:00Z", rig="Heron")
    assert record(path, newer) is True
    assert record(path, replace(newer, recorded="2030-01-01T00:00:00Z")) is True
    assert {one.key: one.rig for one in read(path)} == {"a-1": "Heron", "b-1": "Kestrel two"}
    assert rigs(path) == {"Heron": 1, "Kestrel two": 1}


def test_shoots_are_ordered_by_the_moment_filmed_and_not_by_its_letters(tmp_path):
    path = tmp_path / "h.sqlite"
    filmed = {
        "third": "2031-05-20T01:00:00+03:00",  # 22:00 UTC the day before
        "fourth": "2031-05-20",
        "first": "2031-05-19",
        "second": "2031-05-19T21:59:59Z",
        "fifth": "2031-05-20T00:00:00.5",
    }
    for key, day in filmed.items():
        record(path, replace(made("a", 1), key=key, filmed=day))
    again = replace(made("a", 1), key="fourth, recorded later", filmed="2031-05-20")
    record(path, replace(again, recorded="2031-06-01T12:30:00+02:00"))  # 10:30 UTC
    expected = ["first", "second", "third", "fourth", "fourth, recorded later", "fifth"]
    assert [one.key for one in read(path)] == expected


def test_what_is_not_finite_is_none_or_refused(tmp_path):
    path = tmp_path / "h.sqlite"
    nan, inf = float("nan"), float("inf")
    open_ones = replace(
        made("a", 1), lean=Estimate(1.0, inf), picture_lean=Estimate(nan, 1.0), temperature_c=nan,
        result={"a": [nan, {"b": -inf}], "c": 1.0}, blocks={"roll_deg": (nan, 1.0)},
    )  # fmt: skip
    record(path, open_ones)
    (back,) = read(path)
    assert (back.lean, back.picture_lean, back.temperature_c) == (None, None, None)
    assert back.result == {"a": [None, {"b": None}], "c": 1.0}
    assert back.blocks == {"roll_deg": (None, 1.0)}
    for broken in ({"trim_deg": nan}, {"filmed": ""}, {"recorded": "yesterday"}, {"title": "\ud800"}):
        with pytest.raises(HistoryError, match=r"title|text|" + next(iter(broken))):
            record(path, replace(made("b", 1), **broken))
    with pytest.raises(HistoryError, match="length"):
        record(path, replace(made("b", 1), blocks={"a": (1.0,), "b": ()}))
    assert [one.key for one in read(path)] == ["a-1"]


def test_no_history_yet_is_an_empty_one_and_reading_makes_nothing(tmp_path):
    path = tmp_path / "none" / "h.sqlite"
    assert (read(path), read(path, "x"), rigs(path), remove(path, ["a"])) == ((), (), {}, 0)
    assert list(tmp_path.iterdir()) == []
    path = tmp_path / "h.sqlite"
    path.touch()  # as a writer leaves it that was killed before its first word
    assert (read(path), path.stat().st_size) == ((), 0)
    record(path, made("a", 1))
    read(path)
    assert [one.name for one in tmp_path.iterdir()] == ["h.sqlite"]


def test_removing_takes_what_is_named_and_no_more(tmp_path):
    path = tmp_path / "h.sqlite"
    assert add_all(path, (made("a", number) for number in range(4))) == (4, 0)
    assert remove(path, ["a-1", "a-3", "a-1", "unknown"]) == 2
    assert [one.key for one in read(path)] == ["a-0", "a-2"]


def test_the_newer_record_stays_when_many_are_added(tmp_path):
    path = tmp_path / "h.sqlite"
    record(path, made("a", 1, 5))
    record(path, made("a", 2, 5))
    assert add_all(path, [made("a", 1, 4), made("a", 2, 6), made("a", 3, 2), made("a", 3, 1)]) == (1, 1)
    assert {one.key: one.title for one in read(path)} == {"a-1": "5", "a-2": "6", "a-3": "2"}
    with pytest.raises(HistoryError):
        add_all(path, [made("b", 1), replace(made("b", 2), title="\ud800")])
    assert len(read(path)) == 3


def test_the_file_is_the_one_named_or_in_the_users_folder(monkeypatch, tmp_path):
    monkeypatch.setenv(history.HISTORY_VARIABLE, str(tmp_path / "mine.sqlite"))
    assert default_file() == tmp_path / "mine.sqlite"
    monkeypatch.setenv(history.HISTORY_VARIABLE, "")
    assert default_file().name == "history.sqlite"
    assert "horizon-drift" in default_file().parts
    monkeypatch.delenv(history.HISTORY_VARIABLE)
    assert default_file().is_absolute()


# --- versions ---


@pytest.fixture
def first_version(tmp_path):
    path = tmp_path / "first.sqlite"
    with closing(sqlite3.connect(path)) as opened:
        opened.executescript(FIRST_VERSION.read_text(encoding="utf-8"))
    return path


def stored_shoots():
    """What the first version was given when its file was dumped."""
    short = {"roll_deg": (0.1, None, -0.30000000000000004), "clip": ("a.mp4", "a.mp4", "b.mp4")}
    one = replace(made("a", 1), blocks=short, title='It\'s "open"\nÄ')
    return one, replace(made("b", 2, 1), blocks={}, rig="", changed=(), mounting_deg=Estimate(-0.5, 0.25))


def test_a_file_of_the_first_version_is_read_and_written(first_version, tmp_path):
    assert list(map(repr, read(first_version))) == list(map(repr, stored_shoots()))
    assert record(first_version, made("a", 1, 3)) is True
    assert [one.title for one in read(first_version)] == ["3", "1"]
    # The first migration makes that same file to this day: had it been edited, old files would be stranded.
    record(tmp_path / "new.sqlite", made("a", 1))
    schema = "SELECT type, name, sql FROM sqlite_master ORDER BY name"
    old, new = ({(kind, name): sql for kind, name, sql in ask(path, schema)} for path in
                (first_version, tmp_path / "new.sqlite"))  # fmt: skip
    assert {name: old[name] for name in old} == {name: new[name] for name in old}


SECOND = ("notes", ("ALTER TABLE shoots ADD COLUMN note TEXT NOT NULL DEFAULT 'none'",))
BROKEN = ("broken", (*SECOND[1], "DELETE FROM shoots", "INSERT INTO nowhere VALUES (1)"))


def test_a_migration_keeps_every_shoot(first_version, monkeypatch):
    monkeypatch.setattr(history, "MIGRATIONS", (*history.MIGRATIONS, SECOND))
    before = first_version.read_bytes()
    assert read(first_version) == stored_shoots()
    assert first_version.read_bytes() == before  # reading brings only a copy up to date
    assert record(first_version, made("c", 3)) is False
    assert read(first_version) == (*stored_shoots(), made("c", 3))
    assert ask(first_version, "PRAGMA user_version") == [(3,)]
    known = [(1, "shoots"), (2, "calibrations"), (3, "notes")]
    assert ask(first_version, "SELECT version, name FROM migrations") == known
    assert ask(first_version, "SELECT DISTINCT note FROM shoots") == [("none",)]


HALF_WAY = ("calibrations", (*history.MIGRATIONS[1][1], *BROKEN[1]))


@pytest.mark.parametrize("broken", [BROKEN, HALF_WAY], ids=["any", "calibrations"])
def test_a_migration_that_fails_half_way_changes_nothing(first_version, monkeypatch, broken):
    schema = ask(first_version, "SELECT * FROM sqlite_master")
    with monkeypatch.context() as patch:
        patch.setattr(history, "MIGRATIONS", (*history.MIGRATIONS[:1], broken))
        assert "nowhere" in refused(first_version, record, first_version, made("c", 3))
    assert read(first_version) == stored_shoots()
    assert ask(first_version, "PRAGMA user_version") == [(1,)]
    assert ask(first_version, "SELECT name FROM migrations") == [("shoots",)]
    assert ask(first_version, "SELECT * FROM sqlite_master") == schema


# --- what may be wrong with the file ---


def every_way(path):
    """All that opens a history, each with what it is given."""
    return ((read, path), (rigs, path), (record, path, made("b", 2)), (remove, path, ["a-1"]))


def test_a_file_of_another_kind_is_refused_and_left_as_it_is(tmp_path):
    path = tmp_path / "notes.sqlite"
    path.write_text("a shopping list\n" * 100)
    other = tmp_path / "other.sqlite"
    change(other, "CREATE TABLE birds (name TEXT)", "INSERT INTO birds VALUES ('heron')")
    for file in (path, other):
        before = file.read_bytes()
        for way in every_way(file):
            assert "not a history" in refused(file, *way)
        assert file.read_bytes() == before


def test_a_newer_version_is_refused_and_left_as_it_is(tmp_path):
    path = tmp_path / "h.sqlite"
    record(path, made("a", 1))
    change(path, f"PRAGMA user_version = {len(history.MIGRATIONS) + 1}")
    before = path.read_bytes()
    for way in every_way(path):
        assert "newer version" in refused(path, *way)
    assert path.read_bytes() == before


def test_a_file_cut_short_is_refused_and_left_as_it_is(tmp_path):
    path = tmp_path / "h.sqlite"
    add_all(path, [made("a", number) for number in range(5)])
    whole = path.read_bytes()
    for share in (0.9, 0.5, 0.01):
        path.write_bytes(whole[: int(share * len(whole))])
        for way in every_way(path):
            assert "damaged" in refused(path, *way)
        assert path.read_bytes() == whole[: int(share * len(whole))]


def test_damage_that_sqlite_quotes_as_it_stands_is_told(tmp_path):
    path = tmp_path / "h.sqlite"
    record(path, made("a", 1))
    # CREATE TRE and two bytes that are no text.
    broken = "CAST(X'4352454154452054524587' || X'87' AS TEXT)"
    change(
        path, "PRAGMA writable_schema = ON", f"UPDATE sqlite_master SET sql = {broken} WHERE type = 'table'"
    )
    with pytest.raises(UnicodeDecodeError), closing(sqlite3.connect(path)) as there:
        there.execute("SELECT count(*) FROM sqlite_master")
    for way in every_way(path):
        assert "damaged" in refused(path, *way)


def test_a_damaged_shoot_is_named_and_can_be_removed(tmp_path):
    path = tmp_path / "h.sqlite"
    add_all(path, [made("a", 1), made("a", 2)])
    change(path, "UPDATE shoots SET result = substr(result, 1, 9) WHERE key = 'a-1'")
    assert "shoot a-1 " in refused(path, read, path)
    assert remove(path, ["a-1"]) == 1
    assert read(path) == (made("a", 2),)


def test_a_locked_history_is_waited_for_and_then_told(tmp_path, monkeypatch):
    path = tmp_path / "h.sqlite"
    record(path, made("a", 1))
    monkeypatch.setattr(history, "WAIT_S", 0.05)
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN EXCLUSIVE")
        assert "held by another program" in refused(path, record, path, made("b", 2))
        assert read(path) == (made("a", 1),)  # readers wait for nobody
    assert record(path, made("b", 2)) is False


def test_a_full_disk_loses_nothing(tmp_path, monkeypatch):
    path = tmp_path / "h.sqlite"
    add_all(path, [made("a", 1), made("a", 2)])
    connect = history._connect

    def small(file, mode):
        opened = connect(file, mode)
        opened.execute("PRAGMA max_page_count = 1")  # that is: no page more than there are
        return opened

    with monkeypatch.context() as patch:
        patch.setattr(history, "_connect", small)
        assert "disk is full" in refused(path, record, path, made("b", 3))
        assert "disk is full" in refused(path, add_all, path, [made("a", 1, 3), made("b", 3)])
        assert "disk is full" in refused(tmp_path / "n.sqlite", record, tmp_path / "n.sqlite", made("b", 3))
    assert read(path) == (made("a", 1), made("a", 2))
    assert integrity(path) == [("ok",)]


def test_a_file_in_place_of_the_folder_is_told(tmp_path):
    (tmp_path / "folder").write_text("a file")
    path = tmp_path / "folder" / "h.sqlite"
    assert "folder cannot be made" in refused(path, record, path, made("a", 1))
    assert read(path) == ()


def test_a_folder_in_place_of_the_file_is_told(tmp_path):
    for way in every_way(tmp_path):
        refused(tmp_path, *way)


# --- files and folders that must not be written ---

needs_users = pytest.mark.skipif(not hasattr(os, "setresuid"), reason="no users and permissions as here")


@pytest.fixture
def open_folder():
    """A folder that other users can reach, which a test's own folder is not."""
    folder = Path(tempfile.mkdtemp())
    folder.chmod(0o755)
    yield folder
    folder.chmod(0o755)
    shutil.rmtree(folder)


@contextmanager
def bound_by_permissions():
    """The administrator may write everything; somebody else may not."""
    mine = os.geteuid()
    if mine == 0:
        os.setresuid(NOBODY, NOBODY, 0)
    try:
        yield
    finally:
        if mine == 0:
            os.setresuid(0, 0, 0)


@needs_users
@pytest.mark.parametrize(("file_mode", "folder_mode"), [(0o444, 0o777), (0o666, 0o555), (0o444, 0o555)])
def test_what_must_not_be_written_is_read_and_left_as_it_is(open_folder, file_mode, folder_mode):
    path = open_folder / "h.sqlite"
    add_all(path, [made("a", 1), made("a", 2)])
    before = path.read_bytes()
    path.chmod(file_mode)
    open_folder.chmod(folder_mode)
    with bound_by_permissions():
        assert read(path) == (made("a", 1), made("a", 2))
        assert rigs(path) == {"Kestrel two": 2}
        assert "must not be written" in refused(path, record, path, made("b", 2))
        assert "must not be written" in refused(path, remove, path, ["a-1"])
    assert path.read_bytes() == before
    assert [one.name for one in open_folder.iterdir()] == ["h.sqlite"]
    open_folder.chmod(0o755)
    path.chmod(0o644)
    assert record(path, made("b", 3)) is False  # and its owner finds nothing in the way


@needs_users
def test_a_folder_that_must_not_be_written_gets_no_history(open_folder):
    open_folder.chmod(0o555)
    with bound_by_permissions():
        for path in (open_folder / "h.sqlite", open_folder / "deeper" / "h.sqlite"):
            refused(path, record, path, made("a", 1))
            assert read(path) == ()


@needs_users
def test_what_still_waits_beside_the_file_is_read_where_nothing_may_be_written(open_folder, tmp_path):
    """The pages of a writer that was killed: SQLite cannot take them in here, and nobody may lose them."""
    source = tmp_path / "h.sqlite"
    record(source, made("a", 1))
    with closing(sqlite3.connect(source)) as reader:
        reader.execute("SELECT count(*) FROM shoots").fetchall()
        record(source, made("a", 2))  # stays beside the file while the reader is there
        for end in ("", "-wal"):
            shutil.copyfile(f"{source}{end}", open_folder / f"h.sqlite{end}")
    open_folder.chmod(0o555)
    with bound_by_permissions():
        assert read(open_folder / "h.sqlite") == (made("a", 1), made("a", 2))


@needs_users
def test_a_file_that_must_not_be_read_is_told_and_is_no_empty_history(open_folder):
    path = open_folder / "h.sqlite"
    record(path, made("a", 1))
    path.chmod(0o000)
    with bound_by_permissions():
        refused(path, read, path)
    open_folder.chmod(0o000)
    with bound_by_permissions():
        refused(path, read, path)


# --- other processes ---

WRITER = f"""
import sys, time
from pathlib import Path
from attitude.findings import Estimate
from attitude.history import HistoryError, read, record
from attitude.recorded import Recorded

{inspect.getsource(made)}
"""
IN_TURN = """
path, first = Path(sys.argv[1]), int(sys.argv[2])
print("ready", flush=True)
for generation in range(first, first + 10_000):
    record(path, made("k", generation % 5, generation))
    print(generation, flush=True)
"""
TOGETHER = """
path, name = Path(sys.argv[1]), sys.argv[2]
print("ready", flush=True)
while not path.with_name("go").exists():
    time.sleep(0.001)
for number in range(15):
    record(path, made(name, number))
"""
UNTIL_FULL = """
path, kept = Path(sys.argv[1]), 0
try:
    while True:
        record(path, made("f", kept))
        kept += 1
except HistoryError as error:
    print(error)
print(kept, [one == made("f", number) for number, one in enumerate(read(path))].count(True))
"""


def started(script, *told):
    where = {**os.environ, "PYTHONPATH": str(ROOT)}
    command = [sys.executable, "-c", WRITER + script, *map(str, told)]
    return subprocess.Popen(command, env=where, stdout=subprocess.PIPE, text=True)


def kill_at(path, moments, seed):
    """Kill a writer again and again; after each time look at everything that it had said was recorded."""
    chance = random.Random(seed)
    earlier = made("earlier", 9)
    record(path, earlier)
    recorded: dict[str, int] = {}
    first = 0
    for _ in range(moments):
        with started(IN_TURN, path, first) as writer:
            assert writer.stdout.readline() == "ready\n"
            began = time.monotonic()
            said = [int(writer.stdout.readline()) for _ in range(chance.randint(1, 5))]
            # Any moment of a record is as likely as any other, however fast this machine is.
            time.sleep(chance.uniform(0, 1.2) * (time.monotonic() - began) / len(said))
            writer.kill()
            said += [int(line) for line in writer.stdout.read().splitlines()]
        recorded |= {f"k-{generation % 5}": generation for generation in said}
        back = {one.key: one for one in read(path)}
        assert back.pop("earlier-9") == earlier
        for key, one in back.items():
            assert one == made("k", int(key[2:]), int(one.title))  # whole, and all of one time
        now = {key: int(one.title) for key, one in back.items()}
        # The one that it was at may have got in before it could say so; then the file has it, and only it.
        assert {key: now[key] for key in recorded if now[key] != recorded[key]} in (
            {},
            {f"k-{(said[-1] + 1) % 5}": said[-1] + 1},
        )
        assert set(now) - set(recorded) <= {f"k-{(said[-1] + 1) % 5}"}
        assert integrity(path) == [("ok",)]
        recorded, first = now, said[-1] + 2


def test_a_killed_writer_leaves_whole_records(tmp_path):
    kill_at(tmp_path / "h.sqlite", 8, 20310520)


@pytest.mark.long
def test_a_writer_killed_many_times_leaves_whole_records(tmp_path):
    kill_at(tmp_path / "h.sqlite", 50, 20310521)


def test_a_writer_killed_while_it_makes_the_file_leaves_a_history(tmp_path):
    chance = random.Random(20310522)
    for number in range(4):
        path = tmp_path / f"{number}.sqlite"
        with started(IN_TURN, path, 0) as writer:
            assert writer.stdout.readline() == "ready\n"
            time.sleep(chance.uniform(0, 0.08))
            writer.kill()
        back = read(path)
        assert back == tuple(made("k", int(one.key[2:]), int(one.title)) for one in back)
        record(path, made("b", 1))
        assert len(read(path)) == len(back) + 1
        assert integrity(path) == [("ok",)]


def test_writers_at_once_all_get_in(tmp_path):
    path = tmp_path / "h.sqlite"  # which none of them finds: they make it at once
    names = ("a", "b", "c")
    writers = [started(TOGETHER, path, name) for name in names]
    try:
        for writer in writers:
            assert writer.stdout.readline() == "ready\n"
        (tmp_path / "go").touch()
        assert [writer.wait() for writer in writers] == [0, 0, 0]
    finally:
        for writer in writers:
            writer.kill()
            writer.communicate()
    expected = {one.key: one for one in (made(name, number) for name in names for number in range(15))}
    assert {one.key: one for one in read(path)} == expected
    assert integrity(path) == [("ok",)]


def on_a_small_disk(tmp_path, then, script):
    """What the script prints on a disk of 1 MB that the test makes; skipped where it may not make one."""
    disk = tmp_path / "disk"
    disk.mkdir()
    (tmp_path / "script.py").write_text(WRITER + script, encoding="utf-8")
    steps = f"mount -t tmpfs -o size=1m none '{disk}' || exit 77; {then}"
    where = {
        **os.environ,
        "PYTHONPATH": str(ROOT),
        "HISTORY": str(disk / "h.sqlite"),
        "PYTHON": sys.executable,
    }
    where["SCRIPT"] = str(tmp_path / "script.py")
    if shutil.which("unshare") is None:
        pytest.skip("no way to make a small disk here")
    done = subprocess.run(
        ["unshare", "-rm", "sh", "-c", steps], env=where, capture_output=True, text=True, check=False
    )
    if done.returncode in (1, 77) and "Traceback" not in done.stderr:
        pytest.skip("a small disk cannot be made here")
    assert done.returncode == 0, done.stderr
    return done.stdout.splitlines()


def test_a_disk_that_is_really_full_loses_nothing(tmp_path):
    told, counts = on_a_small_disk(tmp_path, '"$PYTHON" "$SCRIPT" "$HISTORY"', UNTIL_FULL)
    assert "disk" in told
    assert "; " in told
    kept, back = map(int, counts.split())
    assert kept == back > 0


def test_a_read_only_disk_is_read(tmp_path):
    script = """
path = Path(sys.argv[1])
if sys.argv[2] == "write":
    record(path, made("a", 1))
else:
    print(read(path) == (made("a", 1),))
    try:
        record(path, made("a", 2))
    except HistoryError as error:
        print(error)
"""
    run = '"$PYTHON" "$SCRIPT" "$HISTORY"'
    remount = f"mount -o remount,ro '{tmp_path / 'disk'}'"
    same, told = on_a_small_disk(tmp_path, f"{run} write && {remount} && {run} read", script)
    assert same == "True"
    assert "must not be written; " in told
