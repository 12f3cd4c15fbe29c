"""A few hundred cases of the bench of spoilt input, and every case that it found, by itself."""

import json

import numpy as np
import pytest

from attitude.capture_sheet import read_capture_sheet
from attitude.cli import BAD_INPUT
from attitude.columns import bare_name, recognise, unit_in_name
from attitude.log import LogError, read_log
from attitude.optics import lens_of
from attitude.sheet import Camera, ClipSheet, LogSheet, SheetError, read_sheet
from attitude.starter import Told, write_starter
from attitude.survey import Survey
from attitude.table import read_table
from horizon.clip import ClipFacts
from horizon.lens import LensError, read_lens
from tests.bench.fuzz import KINDS, TARGETS, fuzz_texts, fuzz_videos, known_as_bad_input
from tests.bench.fuzz_texts import LENS, LOG
from tests.bench.fuzz_videos import film, measured, spoilt

CASES = {
    "sheet": 50,
    "log": 30,
    "lens": 80,
    "import": 40,
    "history": 12,
    "capture sheet": 60,
    "capture": 6,
    "new": 8,
}


@pytest.mark.parametrize("target", TARGETS)
def test_spoilt_files_give_a_result_or_one_line(target):
    counts = fuzz_texts(target, CASES[target], number=11)
    assert counts.cases.total() >= CASES[target] * 0.9
    assert [said for said, _ in counts.bad] == []
    assert counts.cases["result"], "the valid files at least"


@pytest.mark.long
@pytest.mark.parametrize("target", TARGETS)
def test_spoilt_files_by_the_hundred_give_a_result_or_one_line(target):
    assert [said for said, _ in fuzz_texts(target, 30 * CASES[target], number=12).bad] == []


@pytest.mark.parametrize("kind", ["mp4", "ts"])
def test_spoilt_videos_give_a_result_or_one_line(tmp_path, kind):
    ((ending, data),) = film(tmp_path, (kind,))
    path = tmp_path / f"spoilt{ending}"
    for k in range(5):
        path.write_bytes(spoilt(np.random.default_rng([11, k]), data))
        assert measured(path).kind in KINDS[:2], k


@pytest.mark.long
def test_spoilt_videos_are_measured_in_a_process_of_their_own():
    counts = fuzz_videos(60, number=12)
    assert counts.cases.total() == 60
    assert [said for said, _ in counts.bad] == []


@pytest.mark.parametrize(
    ("error", "known"),
    [
        (SheetError("shoot.toml: no"), True),
        (FileNotFoundError(2, "No such file", "a.csv"), True),
        (OSError("no file named"), False),
        (ValueError("no"), False),
        (KeyError("roll"), False),
    ],
)
def test_the_bench_knows_what_the_command_line_takes_for_bad_input(error, known):
    assert known_as_bad_input(error) is known
    assert "attitude.sheet.SheetError" in BAD_INPUT


# --- what it found ----------------------------------------------------------------------------------------

CLIP = '\n[[clip]]\nfile = "clip.mp4"\n'


def sheet_error(tmp_path, text):
    (tmp_path / "clip.mp4").write_bytes(b"")
    (tmp_path / "attitude.csv").write_bytes(LOG)
    (tmp_path / "shoot.toml").write_text(text, encoding="utf-8")
    with pytest.raises(SheetError, match=r"^shoot\.toml: ") as caught:
        read_sheet(tmp_path / "shoot.toml")
    assert "\n" not in str(caught.value)
    assert len(str(caught.value)) < 300
    return str(caught.value)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("trim_deg = " + "9" * 5000, "cannot be read as TOML"),
        ("title = " + "[" * 3000, "cannot be read as TOML"),
        ("trim_deg = " + "9" * 400, "expected an angle in degrees from -45 to 45"),
        ("trim_deg = 0x" + "f" * 5000, "too long to be shown"),
        (f"[horizon]\nshore_m = [1.0, {'9' * 400}]", "expected [nearest, farthest] in metres"),
        ('[[log]]\nfile = "attitude.csv"\nangle_unit = 1e-320', "degrees per count as a number above 0"),
        (f'[[log]]\nfile = "attitude.csv"\naccelerometer_unit = {"9" * 400}', "counts per g as a number"),
    ],
    ids=["digits", "brackets", "beyond a float", "hexadecimal", "shore", "tiny unit", "huge unit"],
)
def test_numbers_and_brackets_without_end(tmp_path, text, says):
    assert says in sheet_error(tmp_path, text + CLIP)


def test_numbers_without_end_in_a_capture_sheet(tmp_path):
    (tmp_path / "cube.csv").write_text("ax,ay,az\n")
    (tmp_path / "faces.toml").write_text(f'file = "cube.csv"\n[old]\noffset_mg = [1, 2, {"9" * 400}]\n')
    with pytest.raises(ValueError, match=r"faces\.toml: \[old\], offset_mg .* expected three numbers"):
        read_capture_sheet([tmp_path / "faces.toml"])


@pytest.mark.parametrize(
    ("before", "after", "says"),
    [
        (b"width_px = 320", b"width_px = 0", "width_px is 0; write a whole number of pixels, from 1 to"),
        (b"width_px = 320", b"width_px = nan", "width_px is nan; write a whole number"),
        (b"height_px = 180", b"height_px = 99999999999", "height_px is 99999999999; write a whole number"),
        (b"fx_px = 251.0", b"fx_px = " + b"9" * 400, "fx_px is 999"),
        (b"-0.12", b"true", "distortion is [True"),
        (b"-0.12", b"1e300", "no ray belongs to the corners of its picture"),
        (b"cx_px = 159.5", b"cx_px = -1e18", "no ray belongs to the corners of its picture"),
        (b"cx_px = 159.5", b"cx_px = 1e306", "no ray belongs to the corners of its picture"),
        (b"-0.12", b"9" * 5000, "not a readable TOML file"),
        (b"-0.12", b"[" * 3000, "not a readable TOML file"),
    ],
)
def test_lens_files_with_numbers_that_cannot_be(tmp_path, before, after, says):
    path = tmp_path / "lens.toml"
    path.write_bytes(LENS.replace(before, after))
    with pytest.raises(LensError, match=r"^lens\.toml: ") as caught:
        read_lens(path)
    assert says in str(caught.value)
    assert len(str(caught.value)) < 300


def test_an_impossible_field_of_view_names_the_clip(tmp_path):
    facts = ClipFacts(tmp_path / "clip.mp4", 320, 180, 1.0, 10.0, 0, "h264", None)
    with pytest.raises(LensError, match=r"^clip\.mp4: field of view is 0\.01 deg"):
        lens_of(facts, Camera(), ClipSheet((facts.path,), hfov_deg=0.01))


@pytest.mark.parametrize("name", ["[" * 20000, "roll " * 5000, "x" + " " * 20000 + "]", "pitch" * 3000])
def test_names_without_end_are_read_at_once(name):
    """They took for ever, or more calls within calls than the interpreter has."""
    assert unit_in_name(name) == ""
    bare_name(name)
    recognise([name], [""])


@pytest.mark.parametrize(
    ("name", "bare", "unit"),
    [
        ("roll [deg]", "roll", "deg"),
        ("a(b) (rad)", "a(b)", "rad"),
        ("a [b (deg)", "a", ""),
        ("roll]", "roll]", ""),
    ],
)
def test_units_in_brackets(name, bare, unit):
    assert (bare_name(name), unit_in_name(name)) == (bare, unit)


def test_a_column_that_stands_twice_in_a_table_read_before(tmp_path):
    path = tmp_path / "attitude.csv"
    path.write_bytes(LOG.replace(b"yaw_deg", b"roll_deg", 1))
    with pytest.raises(LogError, match=r"attitude\.csv: two columns are called 'roll_deg'; rename one"):
        read_log(LogSheet(path), read_table(path))


def test_new_takes_tables_with_columns_that_stand_twice(tmp_path):
    """Of sensors by name too, which it looks through for rows that take turns."""
    rows = LOG.decode().splitlines()
    table = [f"{rows[0]},sensor,sensor", *(f"{row},{k % 2},{k % 3}" for k, row in enumerate(rows[1:]))]
    (tmp_path / "attitude.csv").write_text("\n".join(table) + "\n")
    facts = ClipFacts(tmp_path / "clip.mp4", 320, 180, 2.0, 10.0, 0, "h264", None)
    facts.path.write_bytes(b"a clip")
    done = write_starter(Survey(tmp_path, (facts,), (tmp_path / "attitude.csv",), ()), {}, Told())
    assert 'file = "attitude.csv"' in done.path.read_text(encoding="utf-8")


def test_values_whose_squares_no_float_holds_are_no_readings(tmp_path):
    path = tmp_path / "attitude.csv"
    rows = LOG.decode().splitlines()
    first, last = rows[1].split(","), rows[-1].split(",")
    first[5], last[6] = "1e308", "-1e200"
    path.write_text("\n".join([rows[0], ",".join(first), *rows[2:-1], ",".join(last)]) + "\n")
    log = read_log(LogSheet(path, accelerometer=("ax", "ay", "az"), accelerometer_unit=8192.0))
    assert np.abs(log.table.to_numpy()).max() < 1e4


def test_deep_json_is_one_line(tmp_path):
    text = json.dumps({"format": "horizon-drift history"})[:-1] + ', "version": 2, "shoots": ' + "[" * 5000
    (tmp_path / "deep.json").write_text(text)
    from attitude.history import HistoryError
    from attitude.history_exchange import bring_in

    with pytest.raises(HistoryError, match=r"deep\.json: "):
        bring_in(tmp_path / "h.sqlite", tmp_path / "deep.json")
