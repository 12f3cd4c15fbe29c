import datetime as dt
import json
from dataclasses import fields, replace

import numpy as np
import pytest

from attitude.capture import FACES, CaptureError, CaptureSheet
from attitude.capture_sheet import _tables, read_capture_sheet
from attitude.constants import Constants, constants_of, diagonal
from attitude.entries import SLOPE_UNITS_DEG

# Every key of the contract, as it is documented for users.
WHOLE = """
file = "cube.csv"
rig = "Sandpiper"
calibration = "spring"
date = 2031-05-01
accelerometer = ["a", "b", "c"]
accelerometer_sign = "up_reads_minus"
full_scale_g = 4
bits = 14
gyro = ["d", "e", "f"]
gyro_unit = "rad/s"
temperature_c = "warmth"
time = "ms"
time_unit = "ms"
face = "side"
sensor_axes = ["y", "-z", "-x"]
bubble = "0.5 mm/m"
procedure = "level_face"
level_face = "-y"

[words]
"+x" = "left side up"
-z = "lens down"

[old]
offset_mg = [10.0, -20.0, 30]
scale = [1.01, 0.99, 1.0]

[new]
offset_mps2 = [0.0980665, 0.0, 0.0]
matrix = [[1.01, 0.001, 0.0], [0.0, 1.0, 0.002], [0.0, 0.0, 0.99]]
"""


@pytest.fixture
def written(tmp_path):
    """A folder with two tables, and a function that writes a sheet into it and reads it back."""
    for name in ("cube.csv", "other.csv"):
        (tmp_path / name).write_text("ax,ay,az\n")

    def read(text, old=None):
        path = tmp_path / "faces.toml"
        path.write_text(text, encoding="utf-8")
        return read_capture_sheet([path], old)

    read.folder = tmp_path
    return read


def test_every_key_is_read(written):
    sheet = written(WHOLE)
    assert replace(sheet, bubble_deg=0.25) == CaptureSheet(
        path=written.folder / "faces.toml",
        files=(written.folder / "cube.csv",),
        rig="Sandpiper",
        calibration="spring",
        date=dt.date(2031, 5, 1),
        accelerometer=("a", "b", "c"),
        accelerometer_sign="up_reads_minus",
        full_scale_g=4.0,
        bits=14,
        gyro=("d", "e", "f"),
        gyro_unit="rad/s",
        temperature_c="warmth",
        time="ms",
        time_unit="ms",
        face="side",
        sensor_axes=("y", "-z", "-x"),
        procedure="level_face",
        level_face="-y",
        words={"+x": "left side up", "-z": "lens down"},
        old=diagonal(np.array([0.01, -0.02, 0.03]), np.array([1.01, 0.99, 1.0])),
        new=constants_of(
            np.array([0.01, 0.0, 0.0]), np.array([[1.01, 0.001, 0.0], [0, 1.0, 0.002], [0, 0, 0.99]])
        ),
        given=sheet.given,
    )
    assert {"file", "bits", "words.+x", "new.matrix", "old"} <= sheet.given
    assert "rate_hz" not in sheet.given


def test_the_example_leaves_out_only_what_contradicts_it(written):
    keys = set(_tables(written.folder)[""])
    assert keys - {line.split(" =")[0] for line in WHOLE.splitlines()} == {
        "files", "accelerometer_unit", "rate_hz",
    }  # fmt: skip
    known = {field.name for field in fields(CaptureSheet)} | {"file", "bubble"}
    assert keys <= known


@pytest.mark.parametrize(
    ("text", "deg"),
    [
        # As makers print beside each other.
        ("0.5 mm/m", 0.02865),
        ("1 mm/m", 0.0573),
        ("87.16 mm/m", 5.0),
        ("0,5mm/m", 0.02865),
        ("20 arcmin", 1 / 3),
        ("30 arcsec", 1 / 120),
        (" 0.25 deg ", 0.25),
        (".5 deg", 0.5),
    ],
)
def test_a_bubble_is_read_as_its_level_says(written, text, deg):
    assert written(f'file = "cube.csv"\nbubble = "{text}"').bubble_deg == pytest.approx(deg, rel=2e-4)


def test_a_sheet_says_what_was_meant_and_the_rest_is_usual(written):
    sheet = written('files = ["other.csv", "cube.csv"]')
    assert [path.name for path in sheet.files] == ["other.csv", "cube.csv"]
    assert sheet == CaptureSheet(sheet.path, sheet.files, given=frozenset({"files"}))


@pytest.mark.parametrize("unit", ["g", "m/s2", "mg", 8192.0])
def test_units(written, unit):
    shown = json.dumps(unit)
    assert written(f'file = "cube.csv"\naccelerometer_unit = {shown}').accelerometer_unit == unit


def test_the_upright_face_is_left_to_the_caller(written):
    sheet = written('file = "cube.csv"\nprocedure = "level_face"')
    assert (sheet.procedure, sheet.level_face) == ("level_face", None)


def test_a_folder_and_tables_need_no_more(written):
    by_file = written('file = "cube.csv"')
    assert read_capture_sheet([written.folder]) == by_file
    tables = [written.folder / name for name in ("cube.csv", "other.csv")]
    assert read_capture_sheet(tables) == CaptureSheet(tables[0], tuple(tables))
    assert read_capture_sheet(tables[:1]).files == (tables[0],)


TOP = 'file = "cube.csv"\n'
NUMBERS = "offset_mg = [1, 2, 3]\n"


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", 'faces.toml: file is missing; add file = "the name of the log"'),
        ('file = "cub.csv"', 'faces.toml: file "cub.csv" was not found in {}; nearest name there: cube.csv'),
        (TOP + 'files = ["other.csv"]', "faces.toml: file and files are both given; keep one of them"),
        ('files = ["cube.csv", "cube.csv"]', "files holds cube.csv twice"),
        (TOP + 'procedur = "matrix"', 'unknown key "procedur"; nearest known key there: procedure'),
        (TOP + "offset_mg = [1, 2, 3]", "nearest known key: offset_mg, which belongs in [new]"),
        (TOP + '[words]\nx = "up"', '[words], unknown key "x"; nearest known key: +x'),
        (TOP + '[words]\n+x = "up"', 'line 3, column 1: a key with a plus; write it in quotes, "+x"'),
        (TOP + "[word]\n", 'unknown key "word"; nearest known key there: words'),
        (TOP + "bubble = 0.25", 'bubble is 0.25; expected text as printed on the level: "0.5 mm/m"'),
        (TOP + 'bubble = "20"', 'bubble is "20"; expected text as printed on the level'),
        (TOP + 'bubble = "0 deg"', "above 0 and at most 45 deg"),
        (TOP + 'bubble = "50 deg"', "above 0 and at most 45 deg"),
        (TOP + 'accelerometer_unit = "counts"', 'expected "g" | "m/s2" | "mg" | counts per g as a number'),
        (
            TOP + 'full_scale_g = 4\naccelerometer_unit = "g"',
            "full_scale_g and accelerometer_unit are both given; full_scale_g is for counts; keep one",
        ),
        (TOP + "full_scale_g = 0", "full_scale_g is 0; expected the range in g, such as 4"),
        (TOP + "bits = 12", "bits says nothing without full_scale_g; add it, or leave bits out"),
        (TOP + "full_scale_g = 4\nbits = 12.5", "bits is 12.5; expected a whole number from 8 to 32"),
        (TOP + 'time = "t"\nrate_hz = 50', "rate_hz and time are both given; the times tell the rate"),
        (TOP + 'time_unit = "ms"\nrate_hz = 50', "rate_hz and time_unit are both given"),
        (TOP + "rate_hz = 0", "rate_hz is 0; expected readings a second above 0"),
        (TOP + 'level_face = "+z"', 'level_face goes with procedure = "level_face" only; correct one'),
        (TOP + 'procedure = "matrix"\nlevel_face = "+z"', "level_face goes with procedure"),
        (TOP + 'procedure = "two_point"', "expected offset_and_scale | level_face | matrix"),
        (TOP + 'procedure = "level_face"\nlevel_face = "z"', 'level_face is "z"; expected +x | -x'),
        ('files = ["cube.csv", "other.csv"]\nface = "side"', "face is a column of one table of averages"),
        (TOP + 'sensor_axes = ["x", "y", "-z"]', "a right-handed board: change the sign of one axis"),
        (TOP + "[new]\nscale = [1, 1, 1]", "[new], no offset; add offset_mg = [x, y, z]"),
        (TOP + "[new]\n" + NUMBERS + "offset_g = [0, 0, 0]", "[new], offset_mg and offset_g are both given"),
        (
            TOP + "[old]\n" + NUMBERS + "scale = [1, 1, 1]\nmatrix = [[1,0,0],[0,1,0],[0,0,1]]",
            "[old], scale and matrix are both given, and the matrix holds the scales; keep one of them",
        ),
        (TOP + "[new]\noffset_mg = [1, 2]", "[new], offset_mg is [1, 2]; expected three numbers"),
        (TOP + "[new]\noffset_mg = [1, 2, nan]", "expected three numbers, for the board's x, y, z"),
        (TOP + "[new]\noffset_g = [20, 0, 0]", "none beyond 2"),
        (TOP + "[new]\n" + NUMBERS + "scale = [101, 99, 100]", "expected three numbers near 1"),
        (TOP + "[new]\n" + NUMBERS + "matrix = [[1, 0, 0], [0, 1, 0]]", "expected three rows of three"),
        (TOP + "[new]\n" + NUMBERS + "matrix = [[1,0,0],[0,0,1],[0,1,0]]", "expected three rows of three"),
        (TOP + "[new]\n" + NUMBERS + "gain = 1", '[new], unknown key "gain"'),
        ("file = cube.csv", "faces.toml: line 1, column 8:"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_said_in_one_line(written, text, says):
    with pytest.raises(CaptureError) as refused:
        written(text)
    message = str(refused.value)
    assert says.format(written.folder) in message
    assert message.startswith("faces.toml: ")
    assert "\n" not in message


@pytest.mark.parametrize(
    ("typed", "says"),
    [
        (["nowhere.csv"], "nowhere.csv: no such file; give a faces.toml, its folder, or the tables"),
        (["empty"], "empty: no faces.toml in this folder; write one, or give the tables themselves"),
        (["faces.toml", "cube.csv"], "a sheet or folder beside other files; give the sheet alone"),
        (["cube.csv", "film.mp4"], "film.mp4: neither a sheet (.toml) nor a table (.csv, .tsv, .txt)"),
        (["cube.csv", "cube.csv"], "cube.csv: given twice; give the file of each pose once"),
    ],
)
def test_what_was_typed_wrongly(written, typed, says):
    (written.folder / "empty").mkdir()
    (written.folder / "film.mp4").write_bytes(b"")
    (written.folder / "faces.toml").write_text(TOP)
    with pytest.raises(CaptureError) as refused:
        read_capture_sheet([written.folder / name for name in typed])
    assert says in str(refused.value)


OLD = Constants((0.001, 0.002, 0.003))
SHEET_WITH_NEW = TOP + "[old]\noffset_mg = [7, 7, 7]\n[new]\n" + NUMBERS
EARLIER_RUN = json.dumps({"faces": {"+x": 1}, "constants": {**OLD.plain(), "sd_mg": [1, 1, 1]}})


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("old.toml", NUMBERS),
        ("old.toml", "[new]\n" + NUMBERS),
        ("old.toml", "[constants]\n" + NUMBERS),
        ("old.toml", SHEET_WITH_NEW),
        ("faces.json", EARLIER_RUN),
    ],
)
@pytest.mark.parametrize("beside", [TOP, TOP + "[old]\noffset_mg = [9, 9, 9]\n"])
def test_old_constants_from_a_file_of_their_own_come_first(written, name, text, beside):
    path = written.folder / name
    path.write_text(text)
    sheet = written(beside, path)
    assert np.allclose(sheet.old.offset_g, OLD.offset_g)
    assert sheet.old.matrix == OLD.matrix
    assert sheet.new is None


def test_constants_survive_being_written(written):
    held = constants_of(np.array([0.01, -0.02, 0.03]), np.eye(3) + 0.01 * np.arange(9).reshape(3, 3))
    path = written.folder / "faces.json"
    path.write_text(json.dumps({"constants": held.plain()}))
    old = read_capture_sheet([written.folder / "cube.csv"], path).old
    assert np.allclose(old.offset_g, held.offset_g)
    assert old.matrix == held.matrix


@pytest.mark.parametrize(
    ("name", "text", "says"),
    [
        ("gone.toml", None, "gone.toml: no such file; give the constants that the gimbal held before"),
        ("old.toml", TOP, "old.toml: no constants at its top or under [new] or [constants]"),
        ("old.toml", NUMBERS + "scales = [1, 1, 1]", 'unknown key "scales"; nearest known key there: scale'),
        ("old.toml", "new = 3", "old.toml: new must be one table"),
        ("old.json", "{", "old.json: cannot be read as JSON"),
        ("old.json", "[]", "old.json: no constants in it"),
        ("old.json", '{"constants": null}', "old.json: no constants in it"),
        ("old.json", '{"constants": {"offset_mg": [1]}}', "old.json: constants, offset_mg is [1]; expected"),
    ],
)
def test_old_constants_that_cannot_be_used(written, name, text, says):
    path = written.folder / name
    if text is not None:
        path.write_text(text)
    with pytest.raises(CaptureError) as refused:
        written(TOP, path)
    assert says in str(refused.value)


def test_the_words_may_name_every_face(written):
    lines = "\n".join(f'"{face}" = "up {face}"' for face in FACES)
    assert set(written(TOP + "[words]\n" + lines).words) == set(FACES)
    assert set(SLOPE_UNITS_DEG) == {"deg", "arcmin", "arcsec"}
