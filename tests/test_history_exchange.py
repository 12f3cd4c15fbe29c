"""Exports of the history: nothing lost on the way out and back, and bad files told by row and entry."""

import csv
import io
import json
import tempfile
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from attitude.findings import Estimate
from attitude.history import HISTORY_VARIABLE, HistoryError, add_all, read, record
from attitude.history_exchange import bring_in, export
from tests.test_history import NASTY, made, refused, shoots

ENDINGS = (".json", ".csv")
FORMULA = tuple("=+-@\t\r\n")


def small(key, generation=0):
    return replace(made("x", 1, generation), key=key, blocks={"roll_deg": (0.1, None), "clip": ("a", "b")})


def table(path):
    with path.open(encoding="utf-8-sig", newline="") as lines:
        return list(csv.reader(lines, strict=True))


def write_table(path, rows):
    text = io.StringIO()
    csv.writer(text).writerows(rows)
    path.write_bytes(text.getvalue().encode("utf-8"))


@pytest.fixture
def exported(tmp_path):
    """A history of three shoots and its exports."""
    path = tmp_path / "h.sqlite"
    add_all(path, [small("a"), replace(small("b"), lean=None, temperature_c=None), small("c", 1)])
    for ending in ENDINGS:
        assert export(path, tmp_path / f"out{ending}") == (3, 0)
    return path


# --- there and back ---


@settings(max_examples=20, deadline=None)
@given(st.lists(shoots, max_size=2, unique_by=lambda one: one.key))
@example([replace(small(f"{n}"), title=text, rig=text, changed=(text,)) for n, text in enumerate(NASTY)])
@example(
    [replace(small("a"), trim_deg=-0.0, lean=Estimate(-0.0, 5e-324), result={"lost": "\udcff", "=": []})]
)
def test_an_export_brought_in_is_the_same_history_exactly(some):
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        path = folder / "h.sqlite"
        add_all(path, some)
        whole = read(path)
        for ending in ENDINGS:
            target = folder / f"out{ending}"
            assert export(path, target) == (len(some), 0)
            assert bring_in(folder / f"back{ending}.sqlite", target) == (len(some), 0)
            back = read(folder / f"back{ending}.sqlite")
            assert list(map(repr, back)) == list(map(repr, whole))
            assert export(folder / f"back{ending}.sqlite", folder / f"again{ending}") == (len(some), 0)
            assert (folder / f"again{ending}").read_bytes() == target.read_bytes()


@pytest.mark.parametrize("ending", ENDINGS)
def test_long_blocks_pass(tmp_path, ending):
    """Longer than the cells that the library for CSV reads unasked."""
    path, long_one = tmp_path / "h.sqlite", made("a", 1)
    long_one = replace(long_one, blocks={"roll_deg": tuple(i / 7 for i in range(20_000))})
    record(path, long_one)
    export(path, tmp_path / f"out{ending}")
    usual = csv.field_size_limit()
    assert bring_in(tmp_path / "back.sqlite", tmp_path / f"out{ending}") == (1, 0)
    assert read(tmp_path / "back.sqlite") == (long_one,)
    assert csv.field_size_limit() == usual


@pytest.mark.parametrize("ending", ENDINGS)
def test_of_the_same_shoot_the_one_recorded_last_stays(tmp_path, ending):
    theirs, mine = tmp_path / "theirs.sqlite", tmp_path / "mine.sqlite"
    add_all(theirs, [small("newer", 9), small("older", 1), small("same", 5), small("only theirs", 2)])
    add_all(
        mine,
        [small("newer", 3), small("older", 3), replace(small("same", 5), rig="mine"), small("only mine")],
    )
    export(theirs, tmp_path / f"out{ending}")
    assert bring_in(mine, tmp_path / f"out{ending}") == (1, 1)
    kept = {one.key: (one.title, one.rig) for one in read(mine)}
    assert kept.pop("same") == ("5", "mine")
    assert {key: title for key, (title, _) in kept.items()} == {
        "newer": "9", "older": "3", "only theirs": "2", "only mine": "0",
    }  # fmt: skip
    assert bring_in(mine, tmp_path / f"out{ending}") == (0, 0)


def test_an_empty_history_is_exported_and_brought_in(tmp_path):
    for ending in ENDINGS:
        assert export(tmp_path / "none.sqlite", tmp_path / f"out{ending}") == (0, 0)
        assert bring_in(tmp_path / "none.sqlite", tmp_path / f"out{ending}") == (0, 0)
    assert sorted(one.name for one in tmp_path.iterdir()) == ["out.csv", "out.json"]


# --- what others see ---


def test_no_cell_of_the_table_is_a_formula_and_numbers_stay_numbers(tmp_path):
    path = tmp_path / "h.sqlite"
    for number, text in enumerate(NASTY):
        record(path, replace(small(f"={number}"), title=text, rig=text, trim_deg=-0.25))
    export(path, tmp_path / "out.csv")
    header, *rows = table(tmp_path / "out.csv")
    assert len(rows) == len(NASTY)
    for row in rows:
        cells = dict(zip(header, row, strict=True))
        assert cells.pop("trim_deg") == "-0.25"  # a number below zero is no formula, and must be summed up
        assert not [cell for cell in cells.values() if cell.strip(" ").startswith(FORMULA)]
        assert json.loads(cells["blocks"]) == {"roll_deg": [0.1, None], "clip": ["a", "b"]}


def test_the_json_says_what_it_is(exported):
    whole = json.loads(exported.with_name("out.json").read_text(encoding="utf-8"))
    assert (whole["format"], whole["version"]) == ("horizon-drift history", 2)
    first = whole["shoots"][0]
    assert first["lean"] == {"value": 1.0, "sd": 0.1 / 3, "t95": 2.5, "determined": True}
    assert first["mounting_deg"] is None


@pytest.mark.parametrize("order", [-1, 1])
def test_columns_may_be_moved_and_rows_left_empty(exported, tmp_path, order):
    rows = table(tmp_path / "out.csv")
    write_table(tmp_path / "moved.csv", [*[row[::order] for row in rows], []])
    bring_in(tmp_path / "back.sqlite", tmp_path / "moved.csv")
    assert read(tmp_path / "back.sqlite") == read(exported)


# --- bad files ---


def test_other_endings_and_places_are_refused(exported, tmp_path):
    for name in ("out", "out.xlsx", "out.csv.gz"):
        assert ".json or .csv" in refused(tmp_path / name, export, exported, tmp_path / name)
        assert ".json or .csv" in refused(tmp_path / name, bring_in, exported, tmp_path / name)
    for lost in (tmp_path / "nowhere" / "out.csv", tmp_path / "gone.json"):
        refused(lost, bring_in, exported, lost)
    lost = tmp_path / "nowhere" / "out.csv"
    assert "folder" in refused(lost, export, exported, lost)
    same = exported.rename(tmp_path / "h.json")
    assert "history itself" in refused(same, export, same, same)
    assert len(read(same)) == 3


def spoil_cell(column, text):
    def spoil(rows):
        rows[2][rows[0].index(column)] = text

    return spoil


def spoil_header(rows):
    rows[0][rows[0].index("filmed")] = "day"


def spoil_extra(rows):
    for row in rows:
        row.append("note")


@pytest.mark.parametrize(
    ("spoil", "place"),
    [
        (spoil_cell("trim_deg", "0,25"), "row 3: trim_deg: '0,25'"),
        (spoil_cell("trim_deg", ""), "row 3: trim_deg: is missing"),
        (spoil_cell("trim_deg", "nan"), "row 3: trim_deg: "),
        (spoil_cell("tolerance_deg", "1e999"), "row 3: tolerance_deg: "),
        (spoil_cell("filmed", "20/05/2031"), "row 3: filmed: '20/05/2031'"),
        (spoil_cell("recorded", ""), "row 3: recorded: "),
        (spoil_cell("key", ""), "row 3: key: is empty"),
        (spoil_cell("lean_sd", "0.1"), "row 3: lean value: is missing"),
        (spoil_cell("offset_mg_determined", "perhaps"), "row 3: offset_mg determined: 'perhaps'"),
        (spoil_cell("changed", "lens"), "row 3: changed: is no JSON"),
        (spoil_cell("changed", "[1]"), "row 3: changed: 1 is no text"),
        (spoil_cell("result", '{"a": NaN}'), "row 3: result: is no JSON"),
        (spoil_cell("result", '{"a": 1e999}'), "row 3: result: is no JSON"),
        (spoil_cell("result", '{"a": [1, 2'), "row 3: result: is no JSON"),
        (spoil_cell("result", "[]"), "row 3: result: is no JSON object"),
        (spoil_cell("blocks", '{"a": [1], "b": []}'), "row 3: blocks: the columns differ"),
        (spoil_cell("blocks", '{"a": [[1]]}'), "row 3: blocks: a is no column"),
        (lambda rows: rows[2].pop(), "row 3: has 30 cells where the header has 31"),
        (spoil_header, "row 1: no column 'filmed'"),
        (spoil_extra, "row 1: column 'note' is one too many"),
        (lambda rows: [row.append(row[0]) for row in rows], "row 1: "),
        (lambda rows: rows.clear(), "row 1: no column 'key'"),
    ],
)
def test_a_bad_table_is_told_by_row_and_nothing_of_it_is_brought_in(exported, tmp_path, spoil, place):
    rows, path = table(tmp_path / "out.csv"), tmp_path / "back.sqlite"
    spoil(rows)
    write_table(tmp_path / "bad.csv", rows)
    record(path, small("mine"))
    assert place in refused(tmp_path / "bad.csv", bring_in, path, tmp_path / "bad.csv")
    assert read(path) == (small("mine"),)


def change_entry(**parts):
    def spoil(whole):
        whole["shoots"][1] |= parts

    return spoil


@pytest.mark.parametrize(
    ("spoil", "place"),
    [
        (change_entry(trim_deg="0.2"), "entry 2: trim_deg: '0.2' is no number"),
        (change_entry(trim_deg=True), "entry 2: trim_deg: True is no number"),
        (change_entry(trim_deg=10**400), "entry 2: trim_deg: is not finite"),
        (change_entry(title=None), "entry 2: title: None is no text"),
        (change_entry(title="\ud800"), "entry 2: title: "),
        (change_entry(filmed="soon"), "entry 2: filmed: 'soon'"),
        (change_entry(lean={"value": 1.0}), "entry 2: lean: is not value, sd, t95 and determined"),
        (change_entry(lean=3.0), "entry 2: lean: "),
        (change_entry(changed="lens"), "entry 2: changed: is no list"),
        (change_entry(blocks=[]), "entry 2: blocks: "),
        (change_entry(note="x"), "entry 2: note: is not known"),
        (lambda whole: whole["shoots"][1].pop("rig"), "entry 2: rig: is missing"),
        (lambda whole: whole["shoots"].insert(0, 7), "entry 1: is no shoot"),
        (lambda whole: whole.update(version=3), "newer version"),
        (lambda whole: whole.update(shoots={}), "list of shoots"),
        (lambda whole: whole.pop("format"), "is no exported history"),
    ],
)
def test_a_bad_entry_is_told_by_its_number_and_nothing_of_it_is_brought_in(exported, tmp_path, spoil, place):
    whole, path = json.loads((tmp_path / "out.json").read_bytes()), tmp_path / "back.sqlite"
    spoil(whole)
    (tmp_path / "bad.json").write_text(json.dumps(whole), encoding="utf-8")
    record(path, small("mine"))
    assert place in refused(tmp_path / "bad.json", bring_in, path, tmp_path / "bad.json")
    assert read(path) == (small("mine"),)


@pytest.mark.parametrize(
    ("name", "data"),
    [
        ("a.json", b""),
        ("a.json", b"[]"),
        ("a.json", b'{"format": "horizon-drift history",\n "version": 1, "shoots": [{'),
        ("a.json", b'{"format": "horizon-drift history", "version": 1, "shoots": [1e999]}'),
        ("a.json", b"[" * 100_000),
        ("a.json", b"9" * 5000),
        ("a.json", "Ä".encode("latin-1")),
        ("a.csv", b""),
        ("a.csv", b"key;rig\r\n1;2\r\n"),
        ("a.csv", b'"key'),
        ("a.csv", b'"key"x,"y'),
        ("a.csv", b"\xff\xfe\x00"),
    ],
)
def test_what_is_no_export_at_all_is_told_in_one_line(tmp_path, name, data):
    (tmp_path / name).write_bytes(data)
    refused(tmp_path / name, bring_in, tmp_path / "back.sqlite", tmp_path / name)
    assert not (tmp_path / "back.sqlite").exists()


@pytest.mark.parametrize("ending", ENDINGS)
def test_an_export_cut_short_brings_in_nothing(exported, tmp_path, ending):
    data = (tmp_path / f"out{ending}").read_bytes()
    for share in (0.95, 0.5, 0.1):
        (tmp_path / f"short{ending}").write_bytes(data[: int(share * len(data))])
        with pytest.raises(HistoryError):
            bring_in(tmp_path / "back.sqlite", tmp_path / f"short{ending}")
    assert not (tmp_path / "back.sqlite").exists()


def test_an_export_that_fails_leaves_what_was_there(exported, tmp_path):
    before = (tmp_path / "out.csv").read_bytes()
    exported.write_bytes(exported.read_bytes()[:5000])
    with pytest.raises(HistoryError, match=HISTORY_VARIABLE + "|damaged"):
        export(exported, tmp_path / "out.csv")
    assert (tmp_path / "out.csv").read_bytes() == before
