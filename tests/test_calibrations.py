"""Calibrations on record: kept bit for bit, taken along, shown, and taken off, beside the shoots."""

import json
import sqlite3
import tempfile
from contextlib import closing
from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from attitude import history
from attitude.calibrations import (
    offset_change_mg,
    read_calibrations,
    record_calibration,
    remove_calibration,
)
from attitude.constants import Constants
from attitude.history import read, record
from attitude.history_exchange import bring_in, export
from attitude.recorded import RecordedCalibration
from attitude.report.rig_page import write_rig_page
from attitude.report.rig_table import calibration_rows, constants_rows
from attitude.rig_history import rig_history
from attitude.terminal_history import exported_words, rig_lines, rigs_lines
from tests.commands import run_here
from tests.recorded import recorded, series
from tests.test_history import (
    FIRST_VERSION,
    change,
    days,
    integrity,
    numbers,
    plain,
    refused,
    stored_shoots,
    texts,
)

NAN, INF = float("nan"), float("inf")
IDENTITY = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))
OLD = Constants((0.0123, -0.0041, 0.02))
NEW = Constants(
    (0.01351, -0.00441, -0.00002), ((1.0021, 0.0012, 0.0), (0.0, 0.9987, 0.0), (0.0, -0.0031, 1.0))
)


def made_on(day="2031-05-20", **changes):
    """A calibration of an invented rig, known by its day unless a key is given."""
    told = {
        "key": f"of {day}",
        "rig": "Sandpiper",
        "calibration": "on the bench",
        "made": day,
        "recorded": "2031-06-01T10:00:00+00:00",
        "procedure": "offset_and_scale",
        "bubble_deg": 0.25,
        "temperature_c": 21.46,
        "sensor_axes": ("+x", "-y", "+z"),
        "old": OLD,
        "new": NEW,
        "result": {"format": "faces", "deep": [{"value": 0.1}, None]},
    }
    return RecordedCalibration(**told | changes)


threes = st.tuples(numbers, numbers, numbers)
constants = st.builds(Constants, threes, st.tuples(threes, threes, threes))
calibrations = st.builds(
    RecordedCalibration, key=texts.map(lambda text: f"{text}k"), rig=texts, calibration=texts, made=days,
    recorded=days, procedure=texts, bubble_deg=numbers, temperature_c=st.none() | numbers,
    sensor_axes=st.lists(texts, max_size=3).map(tuple), old=st.none() | constants, new=constants,
    result=st.dictionaries(texts, plain, max_size=3),
)  # fmt: skip
SMALLEST = Constants((-0.0, 5e-324, 0.1 + 0.2), ((-0.0, 1e22, 3.0),) * 3)
several = st.lists(calibrations, max_size=2, unique_by=lambda one: one.key)


@pytest.fixture
def path(tmp_path):
    return tmp_path / "h.sqlite"


def keys(path, rig=None):
    return [one.key for one in read_calibrations(path, rig)]


# --- what goes in comes out ---


@settings(max_examples=20, deadline=None)
@given(several)
@example([made_on(bubble_deg=-0.0, old=SMALLEST, new=SMALLEST, result={"lost": "\udcff", "": -0.0})])
def test_a_calibration_comes_back_bit_for_bit_here_and_over_an_export(some):
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for one in some:
            assert record_calibration(folder / "h.sqlite", one) is False
        back = read_calibrations(folder / "h.sqlite")
        # repr tells -0.0 from 0.0 and 1 from 1.0, which == does not.
        assert sorted(map(repr, back)) == sorted(map(repr, some))
        assert export(folder / "h.sqlite", folder / "out.json") == (0, len(some))
        assert bring_in(folder / "back.sqlite", folder / "out.json") == (len(some), 0)
        assert list(map(repr, read_calibrations(folder / "back.sqlite"))) == list(map(repr, back))
        export(folder / "back.sqlite", folder / "again.json")
        assert (folder / "again.json").read_bytes() == (folder / "out.json").read_bytes()


def test_the_same_capture_replaces_its_own_record_and_no_shoot(path):
    shoot = recorded(1, key="a")
    record(path, shoot)
    assert record_calibration(path, made_on(key="a")) is False
    assert record_calibration(path, made_on(key="b")) is False
    again = made_on(key="a", calibration="second look", recorded="2030-01-01T00:00:00Z", old=None)
    assert record_calibration(path, again) is True
    assert {one.key: one.calibration for one in read_calibrations(path)} == {
        "a": "second look", "b": "on the bench",
    }  # fmt: skip
    assert read_calibrations(path)[0].old is None
    assert read(path) == (shoot,)


def test_they_are_ordered_by_the_moment_made_and_those_of_a_rig_found_by_its_label(path):
    made = {
        "second": "2031-05-20T01:00:00+03:00",  # 22:00 UTC the day before
        "first": "2031-05-19T21:59:59Z",
        "third": "2031-05-20",
        "fifth": "2031-05-20T00:00:01",
    }
    for key, day in made.items():
        record_calibration(path, made_on(day, key=key))
    record_calibration(path, made_on("2031-05-20", key="fourth", recorded="2031-06-01T09:30:00-02:00"))
    record_calibration(path, made_on(key="other", rig="Dunlin"))
    assert keys(path, " sandPIPER ") == ["first", "second", "third", "fourth", "fifth"]
    assert keys(path, "Dunlin") == ["other"]
    assert keys(path, "Knot") == []
    assert len(keys(path)) == 6


def broken(offset_g=(0.0, 0.0, 0.0), matrix=IDENTITY):
    return Constants(offset_g, matrix)


@pytest.mark.parametrize("which", ["old", "new"])
@pytest.mark.parametrize(
    ("constants", "says"),
    [
        (broken((0.0, NAN, 0.0)), "offset_g holds nan"),
        (broken((0.0, 0.0, -INF)), "offset_g holds -inf"),
        (broken(matrix=(*IDENTITY[:2], (0.0, 0.0, INF))), "matrix holds inf"),
        (broken((0.0, 0.0)), "offset_g is"),
        (broken(matrix=IDENTITY[:2]), "matrix is not three rows"),
        (broken((0.0, "1", 0.0)), "offset_g holds '1'"),
    ],
)
def test_constants_that_are_not_finite_numbers_are_refused(path, which, constants, says):
    record_calibration(path, made_on())
    told = refused(path, record_calibration, path, made_on(key="bad", **{which: constants}))
    assert f"calibration bad is not recorded: {which}: {says}" in told
    assert read_calibrations(path) == (made_on(),)


@pytest.mark.parametrize(
    ("part", "says"),
    [
        ({"made": ""}, "made is ''"),
        ({"made": "last spring"}, "made is 'last spring'"),
        ({"recorded": "yesterday"}, "recorded is 'yesterday'"),
        ({"bubble_deg": NAN}, "bubble_deg is nan"),
        ({"rig": "\ud800"}, "belong to no text"),
    ],
)
def test_what_else_cannot_be_kept_is_refused(path, part, says):
    assert says in refused(path, record_calibration, path, made_on(**part))
    assert read_calibrations(path) == ()


def test_what_is_open_without_harm_is_none(path):
    record_calibration(path, made_on(temperature_c=NAN, result={"a": [NAN, {"b": -INF}], "c": 1.0}))
    (back,) = read_calibrations(path)
    assert back.temperature_c is None
    assert back.result == {"a": [None, {"b": None}], "c": 1.0}


def test_removing_takes_one_and_leaves_a_shoot_of_the_same_key(path):
    assert remove_calibration(path, "a") is False
    assert not path.exists()
    record(path, recorded(1, key="a"))
    for key in ("a", "b"):
        record_calibration(path, made_on(key=key))
    assert remove_calibration(path, "a") is True
    assert remove_calibration(path, "a") is False
    assert keys(path) == ["b"]
    assert len(read(path)) == 1


# --- the file ---


@pytest.fixture
def first_version(tmp_path):
    file = tmp_path / "first.sqlite"
    with closing(sqlite3.connect(file)) as opened:
        opened.executescript(FIRST_VERSION.read_text(encoding="utf-8"))
    return file


def test_a_file_of_the_first_version_is_read_as_it_is_and_takes_calibrations(first_version):
    before = first_version.read_bytes()
    assert read_calibrations(first_version) == ()
    assert read(first_version) == stored_shoots()
    assert first_version.read_bytes() == before
    assert record_calibration(first_version, made_on()) is False
    assert read_calibrations(first_version) == (made_on(),)
    assert list(map(repr, read(first_version))) == list(map(repr, stored_shoots()))
    assert integrity(first_version) == [("ok",)]


def test_a_first_version_that_cannot_be_brought_up_to_date_stays_as_it_is(first_version, monkeypatch):
    connect = history._connect

    def small(file, mode):
        opened = connect(file, mode)
        opened.execute("PRAGMA max_page_count = 1")  # that is: no page more than there are
        return opened

    with monkeypatch.context() as patch:
        patch.setattr(history, "_connect", small)
        assert "disk is full" in refused(first_version, record_calibration, first_version, made_on())
    with closing(sqlite3.connect(first_version)) as opened:
        assert opened.execute("PRAGMA user_version").fetchall() == [(1,)]
        assert opened.execute("SELECT name FROM migrations").fetchall() == [("shoots",)]
    assert read(first_version) == stored_shoots()


def every_way(path):
    return (
        (read_calibrations, path),
        (record_calibration, path, made_on(key="b")),
        (remove_calibration, path, "a"),
    )


def spoil_version(path):
    change(path, f"PRAGMA user_version = {len(history.MIGRATIONS) + 1}")


@pytest.mark.parametrize(
    ("spoil", "says"),
    [
        (lambda path: path.write_bytes(b"not a database, but a diary" * 100), "not a history"),
        (spoil_version, "newer version"),
        (lambda path: path.write_bytes(path.read_bytes()[:9000]), "damaged"),
    ],
    ids=["another kind", "newer", "cut short"],
)
def test_a_file_that_is_not_right_is_refused_and_left_as_it_is(path, spoil, says):
    record_calibration(path, made_on(key="a"))
    spoil(path)
    before = path.read_bytes()
    for way in every_way(path):
        assert says in refused(path, *way)
    assert path.read_bytes() == before


def test_a_locked_history_is_waited_for_and_then_told(path, monkeypatch):
    record_calibration(path, made_on(key="a"))
    monkeypatch.setattr(history, "WAIT_S", 0.05)
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN EXCLUSIVE")
        assert "held by another program" in refused(path, record_calibration, path, made_on(key="b"))
        assert keys(path) == ["a"]  # readers wait for nobody
    assert record_calibration(path, made_on(key="b")) is False


@pytest.mark.parametrize(
    "damage",
    ["new = substr(new, 1, 9)", "old = '{}'", "made = 'soon'", "result = '['", "sensor_axes = 'x'"],
)
def test_a_damaged_calibration_is_named_and_can_be_removed(path, damage):
    record_calibration(path, made_on(key="a"))
    record_calibration(path, made_on(key="b"))
    change(path, f"UPDATE calibrations SET {damage} WHERE key = 'a'")
    assert "calibration a is damaged" in refused(path, read_calibrations, path)
    assert remove_calibration(path, "a") is True
    assert keys(path) == ["b"]


@pytest.mark.parametrize(
    "cell", ["bubble_deg = 'much'", "bubble_deg = 1", "temperature_c = 'warm'", "new = NULL"]
)
def test_the_table_holds_its_columns_to_their_types(path, cell):
    record_calibration(path, made_on())
    with pytest.raises(sqlite3.IntegrityError):
        change(path, f"UPDATE calibrations SET {cell}")


# --- exports ---


def test_an_export_of_the_version_before_comes_in(tmp_path, path):
    record(path, recorded(1))
    export(path, tmp_path / "out.json")
    whole = json.loads((tmp_path / "out.json").read_bytes())
    del whole["calibrations"]
    whole["version"] = 1
    (tmp_path / "old.json").write_text(json.dumps(whole), encoding="utf-8")
    assert bring_in(tmp_path / "back.sqlite", tmp_path / "old.json") == (1, 0)
    assert read(tmp_path / "back.sqlite") == read(path)
    assert read_calibrations(tmp_path / "back.sqlite") == ()


def test_of_the_same_calibration_the_one_recorded_last_stays(tmp_path, path):
    times = {"early": "2031-06-01T10:00:00+00:00", "late": "2031-06-01T13:30:00+02:00"}
    theirs = {"newer": "late", "older": "early", "same": "late", "only theirs": "early"}
    mine = {"newer": "early", "older": "late", "same": "late", "only mine": "early"}
    for key, when in theirs.items():
        one = made_on(key=key, recorded=times[when], calibration="theirs")
        record_calibration(tmp_path / "t.sqlite", one)
    for key, when in mine.items():
        record_calibration(path, made_on(key=key, recorded=times[when], calibration="mine"))
    # A shoot of the same key is something else and is counted for itself.
    record(tmp_path / "t.sqlite", recorded(1, key="same"))
    export(tmp_path / "t.sqlite", tmp_path / "out.json")
    assert bring_in(path, tmp_path / "out.json") == (2, 1)
    assert {one.key: one.calibration for one in read_calibrations(path)} == {
        "newer": "theirs", "older": "mine", "same": "mine", "only theirs": "theirs", "only mine": "mine",
    }  # fmt: skip
    assert bring_in(path, tmp_path / "out.json") == (0, 0)


def test_a_table_holds_the_shoots_only_and_counts_the_calibrations(tmp_path, path):
    record(path, recorded(1))
    record_calibration(path, made_on())
    assert export(path, tmp_path / "out.csv") == (1, 1)
    assert bring_in(tmp_path / "back.sqlite", tmp_path / "out.csv") == (1, 0)
    assert read(tmp_path / "back.sqlite") == read(path)
    assert read_calibrations(tmp_path / "back.sqlite") == ()


def entry(**parts):
    def spoil(whole):
        whole["calibrations"][1] |= parts

    return spoil


def constants_entry(name, **parts):
    def spoil(whole):
        whole["calibrations"][1][name] |= parts

    return spoil


@pytest.mark.parametrize(
    ("spoil", "place"),
    [
        (entry(bubble_deg="0.2"), "calibration 2: bubble_deg: '0.2' is no number"),
        (entry(bubble_deg=None), "calibration 2: bubble_deg: is missing"),
        (entry(temperature_c=True), "calibration 2: temperature_c: True is no number"),
        (entry(made="soon"), "calibration 2: made: 'soon' is no date"),
        (entry(key=""), "calibration 2: key: is empty"),
        (entry(rig="\ud800"), "calibration 2: rig: "),
        (entry(sensor_axes="xyz"), "calibration 2: sensor_axes: is no list"),
        (entry(result=[]), "calibration 2: result: is no JSON object"),
        (entry(new=None), "calibration 2: new: "),
        (entry(note="x"), "calibration 2: note: is not known"),
        (constants_entry("new", offset_g=[0.0, 10**400, 0.0]), "calibration 2: new: offset_g holds"),
        (constants_entry("new", offset_g=[0.0, True, 0.0]), "calibration 2: new: offset_g holds True"),
        (constants_entry("new", matrix=[[1.0, 0.0, 0.0]] * 2), "calibration 2: new: matrix is not three"),
        (constants_entry("old", scale=1.0), "calibration 2: old: is not offset_g and matrix"),
        (lambda whole: whole["calibrations"][1].pop("old"), "calibration 2: old: is missing"),
        (lambda whole: whole["calibrations"].insert(0, 7), "calibration 1: is no calibration"),
        (lambda whole: whole.pop("calibrations"), "list of calibrations"),
        (lambda whole: whole.update(calibrations={}), "list of calibrations"),
        (lambda whole: whole["shoots"][0].pop("rig"), "entry 1: rig: is missing"),
    ],
)
def test_a_bad_export_is_told_by_its_place_and_nothing_of_it_is_brought_in(tmp_path, path, spoil, place):
    record(path, recorded(1))
    for day in ("2031-05-20", "2031-05-21"):
        record_calibration(path, made_on(day))
    export(path, tmp_path / "out.json")
    whole = json.loads((tmp_path / "out.json").read_bytes())
    spoil(whole)
    (tmp_path / "bad.json").write_text(json.dumps(whole), encoding="utf-8")
    back = tmp_path / "back.sqlite"
    record_calibration(back, made_on(key="mine"))
    assert place in refused(tmp_path / "bad.json", bring_in, back, tmp_path / "bad.json")
    assert (read(back), keys(back)) == ((), ["mine"])


# --- what is shown ---


def test_rows_tell_what_a_calibration_changed_in_words_and_mg():
    assert offset_change_mg(made_on()) == pytest.approx((1.21, -0.31, -20.02))
    assert offset_change_mg(made_on(old=None)) is None
    assert calibration_rows([made_on("2031-05-20T18:00")]) == [
        ("2031-05-20", "on the bench", "offset and scale only", "+1.2, -0.3, -20.0 mg", "21.5 C")
    ]
    bare = made_on(old=None, temperature_c=None, calibration="", procedure="")
    assert calibration_rows([bare]) == [("2031-05-20", "not named", "not told", "not given", "not known")]


@pytest.mark.parametrize(
    ("procedure", "words"),
    [("level_face", "one face defines level"), ("matrix", "full matrix"), ("by a friend", "by a friend")],
)
def test_the_procedure_is_told_in_words(procedure, words):
    assert words in calibration_rows([made_on(procedure=procedure)])[0][2]
    assert "_" not in calibration_rows([made_on(procedure=procedure)])[0][2]


def test_constants_stand_in_rows_of_their_own_with_the_digits_they_deserve():
    day = ("2031-05-20", "on the bench")
    assert constants_rows([made_on()]) == [
        (*day, "old", "+12.3, -4.1, +20.0 mg", "1.0000, 1.0000, 1.0000", "none"),
        # Minus 0.02 mg is nothing at these digits, and nothing has no sign.
        (*day, "new", "+13.5, -4.4, +0.0 mg", "1.0021, 0.9987, 1.0000", "x of y +0.0012, z of y -0.0031"),
    ]
    assert constants_rows([made_on(old=None)])[0][2:] == ("old", "not given", "not given", "not given")


HOSTILE = '</td><script>alert(1)</script>\u202e{{ 7 * 7 }}"'


@pytest.mark.parametrize("shoots", [(), tuple(series([0.3, 0.2]))], ids=["no shoots", "shoots"])
@pytest.mark.parametrize(
    "some",
    [
        (),
        (made_on(), made_on("2031-06-20", old=None, temperature_c=None, procedure="level_face")),
        (made_on(calibration=HOSTILE * 3, procedure=HOSTILE, rig="Sandpiper"),),
    ],
    ids=["none", "two", "hostile"],
)
@pytest.mark.parametrize("columns", [40, 80])
def test_page_and_terminal_show_either_or_both(tmp_path, shoots, some, columns):
    found = rig_history(shoots, "Sandpiper")
    page = write_rig_page(found, tmp_path / "out", some).read_text(encoding="utf-8")
    lines = rig_lines(found, tmp_path / "out" / "history.html", some, columns=columns)
    assert max(map(len, lines)) <= columns
    text = " ".join(" ".join(lines).split())
    assert ("Calibrations on record" in text) == bool(some)
    assert ("Constants before and after" in page) == bool(some)
    assert ("Shoots in the order filmed" in page) == bool(shoots)
    assert page.count(">new<") == page.count(">old<") == len(some)
    for one in some:
        assert one.made in text
        assert one.made in page
    if len(some) == 2:
        assert "+1.2, -0.3, -20.0 mg" in text
        assert "offset not given" in text
        assert "temperature not known" in text
        assert "1.0021, 0.9987, 1.0000" in page
    for said in (text, page):
        assert "\u202e" not in said
    assert "<script" not in page


def test_headings_count_shoots_and_calibrations(tmp_path):
    def head(shoots, some):
        return rig_lines(rig_history(shoots, "Sandpiper"), tmp_path / "x.html", some)[0]

    two = [made_on(), made_on("2031-06-20")]
    assert head(series([0.3]), two) == "Sandpiper: 1 shoot and 2 calibrations."
    assert head([], two[:1]) == "Sandpiper: 1 calibration."
    assert head(series([0.3, 0.2]), []) == "Sandpiper: 2 shoots."
    said = rigs_lines(series([0.3]), tmp_path / "h.sqlite", [*two, made_on(rig="Dunlin")])
    assert said[0] == "1 shoot and 3 calibrations of 2 rigs."
    text = " ".join(" ".join(said).split())
    assert "Dunlin: 1 calibration, 2031-05-20" in text
    assert "Sandpiper: 1 shoot and 2 calibrations, 2031-01-08 to 2031-06-20" in text


@pytest.mark.parametrize(
    ("counts", "left_out", "says"),
    [
        ((1, 0), True, "1 shoot is written to f."),
        ((2, 0), False, "2 shoots are written to f."),
        ((0, 1), False, "1 calibration is written to f."),
        ((1, 1), False, "1 shoot and 1 calibration are written to f."),
        (
            (2, 1),
            True,
            "2 shoots are written to f. 1 calibration is not in it: calibrations go into .json only.",
        ),
        (
            (0, 3),
            True,
            "0 shoots are written to f. 3 calibrations are not in it: calibrations go into .json only.",
        ),
    ],
)
def test_an_export_says_what_it_holds(counts, left_out, says):
    assert exported_words(*counts, Path("f"), left_out=left_out) == says


# --- the commands ---


def command(*words):
    done = run_here("history", *words)
    return done.returncode, " ".join(done.stdout.split()), done.stderr


@pytest.fixture
def season(path):
    """A rig filmed after each of two calibrations, both on record, and one that was never filmed."""
    for shoot in (*series([0.8, 0.85], calibration="in the van"), *series([0.1], 3, calibration="plate on")):
        record(path, shoot)
    record_calibration(path, made_on("2031-01-03", calibration="in the van", old=None))
    record_calibration(path, made_on("2031-01-22", calibration="plate on"))  # the day of the third shoot
    record_calibration(path, made_on("2031-01-22", key="first try", calibration="first try"))
    record_calibration(path, made_on("2031-03-01", key="dunlin's", rig="Dunlin", calibration="first try"))
    record_calibration(path, made_on("2031-03-02", key="damp", rig="Dunlin", calibration="damp"))
    return path


def test_show_lists_the_calibrations_of_the_rig(season, tmp_path):
    status, out, _ = command("show", "--history", season)
    assert (status, "3 shoots and 5 calibrations of 2 rigs." in out) == (0, True)
    status, out, _ = command("show", "sandpiper", "--history", season, "--out", tmp_path / "s")
    assert (status, "Sandpiper: 3 shoots and 3 calibrations." in out) == (0, True)
    assert "2031-01-03 in the van procedure offset and scale only; temperature 21.5 C offset not given" in out
    assert "damp" not in out
    page = (tmp_path / "s" / "history.html").read_text(encoding="utf-8")
    assert "3 calibrations on record" in page
    assert "damp" not in page


def test_show_takes_a_rig_without_shoots(season, tmp_path):
    status, out, _ = command("show", " DUNLIN", "--history", season, "--out", tmp_path)
    assert (status, "Dunlin: 2 calibrations." in out) == (0, True)
    assert "No shoot on record" in (tmp_path / "history.html").read_text(encoding="utf-8")
    status, _, error = command("show", "Knot", "--history", season)
    assert (status, "rigs on record: Dunlin, Sandpiper" in error) == (2, True)


def test_show_takes_the_only_rig_where_no_shoot_is_on_record_at_all(path, tmp_path):
    record_calibration(path, made_on())
    status, out, _ = command("show", "--history", path, "--out", tmp_path)
    assert (status, "Sandpiper: 1 calibration." in out) == (0, True)


@pytest.mark.parametrize(
    ("ending", "says", "comes_in"),
    [
        ("json", "3 shoots and 5 calibrations are written to", "8 new"),
        ("csv", "5 calibrations are not in it: calibrations go into .json only.", "3 new"),
    ],
)
def test_export_and_import_say_what_they_hold(season, tmp_path, ending, says, comes_in):
    file = tmp_path / f"out.{ending}"
    status, out, _ = command("export", file, "--history", season)
    assert (status, says in out) == (0, True)
    status, out, _ = command("import", file, "--history", tmp_path / "back.sqlite")
    assert (status, comes_in in out) == (0, True)


@pytest.mark.parametrize(
    ("named", "more", "says", "gone"),
    [
        ("damp", (), "the calibration 2031-03-02 damp.", "damp"),
        ("2031-03-02", (), "the calibration 2031-03-02 damp.", "damp"),
        (" FIRST  try", ("--rig", "dunlin"), "the calibration 2031-03-01 first try.", "dunlin's"),
        # What names shoots as well is told apart by day and label together.
        ("2031-01-03 in the van", (), "the calibration 2031-01-03 in the van.", "of 2031-01-03"),
        ("2031-01-22 Plate on", (), "the calibration 2031-01-22 plate on.", "of 2031-01-22"),
    ],
)
def test_a_calibration_is_taken_off_the_record_alone(season, named, more, says, gone):
    before, shoots = keys(season), read(season)
    status, out, _ = command("remove", named, *more, "--history", season)
    assert (status, out) == (0, f"Off the record: {says}")
    assert keys(season) == [key for key in before if key != gone]
    assert len(keys(season)) == len(before) - 1
    assert read(season) == shoots


def test_a_shoot_is_taken_off_and_its_calibration_stays(season):
    before = keys(season)
    status, out, _ = command("remove", "Shingle bank 3", "--history", season)
    assert (status, out) == (0, "Off the record: 2031-01-22, Shingle bank 3.")
    assert keys(season) == before


@pytest.mark.parametrize(
    ("named", "says"),
    [
        ("in the van", "by its day and label, as '2031-01-03 in the van', or a shoot by its title"),
        ("2031-01-22", "names a calibration on record and shoots"),
        ("first try", "names 2 calibrations; add --rig"),
        ("nothing", "no shoot on record has 'nothing'"),
        (" ", "an empty name means no shoot"),
    ],
)
def test_what_names_several_is_refused_and_nothing_is_taken_off(season, named, says):
    before = (keys(season), read(season))
    status, _, error = command("remove", named, "--history", season)
    assert (status, len(error.splitlines())) == (2, 1)
    assert says in error
    assert (keys(season), read(season)) == before


def test_calibrations_alike_in_day_and_label_are_told_apart_by_their_keys(path):
    for key in ("4a", "4b"):
        record_calibration(path, made_on(key=key))
    record_calibration(path, made_on("2031-05-21", key="4c"))
    error = command("remove", "on the bench", "--history", path)[2]
    assert "names 3 calibrations; name one by its day and label" in error
    error = command("remove", "2031-05-20", "--history", path)[2]
    assert "name one by its key: 4a (checked 2031-06-01T10:00:00+00:00), 4b" in error
    assert command("remove", "4b", "--history", path)[0] == 0
    assert keys(path) == ["4a", "4c"]


def test_a_folder_of_the_same_name_is_no_calibration(season, tmp_path, monkeypatch):
    (tmp_path / "damp").mkdir()
    (tmp_path / "damp" / "shoot.toml").write_text("", encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    status, _, error = command("remove", "damp", "--history", season)
    assert (status, "names a calibration on record and shoots" in error) == (2, True)
    assert "damp" in keys(season)
