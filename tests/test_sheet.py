import datetime as dt
from dataclasses import fields
from pathlib import Path

import numpy as np
import pytest

from attitude.entries import SENSOR_AXES, TERRAIN_DEG, tables
from attitude.sheet import (
    LATER,
    BenchSheet,
    Camera,
    ClipSheet,
    LogSheet,
    SheetError,
    Shoot,
    Surface,
    read_sheet,
)
from attitude.takes import counted, of_file

# Every key of the contract, as it is documented for users.
WHOLE = """
title = "Harbour wall"
date = 2026-05-01
rig = "rig one"
rig_kind = "handheld"
calibration = "spring"
method = "six faces"
changed = ["lens", "trim"]
trim_deg = -0.2
trim_in_log = true
tolerance_deg = 0.4
stabilised = true

[horizon]
surface = "lake"
terrain_deg = 0.3
visibility_km = 20.0
height_m = 40
shore_m = [1800.0, 4000.0]
shore_bearing_deg = 90.0

[camera]
hfov_deg = 70.0
crop = 1.2
mount_roll_deg = 180
readout_ms = 16.0

[[log]]
file = "attitude.csv"
attitude_of = "camera_sensor"
time = "ms"
time_unit = "ms"
roll = "r"
pitch = "p"
yaw = "y"
angle_unit = 0.01
angle_order = "yaw_roll_pitch"
roll_positive = "left_down"
pitch_positive = "down"
yaw_positive = "left"
accelerometer = ["ax", "ay", "az"]
accelerometer_unit = 8192
accelerometer_sign = "up_reads_minus"
gyro = ["gx", "gy", "gz"]
gyro_unit = "rad/s"
temperature_c = "temp"
velocity_mps = ["vn", "ve"]
sensor_axes = ["y", "z", "x"]
powered_on_s = 3.5

[[log]]
file = "second.csv"
quaternion = ["qw", "qx", "qy", "qz"]
quaternion_of = "ned_to_camera"

[[clip]]
file = "one.mp4"
log_start_s = 12.4
shot = "hover"
time_scale = 0.5
picture_turned_deg = 180
lens = "lens.toml"
reference = "plumb_line"
lines = 2
exclude_s = [[3.0, 4.5], [6, 7]]

[[clip]]
files = ["two.mp4", "three.mp4"]
hfov_deg = 40.0
reference = "level_line"
level_accuracy = "0.5 mm/m"

[[bench]]
file = "second.csv"
pose = "inverted"
bubble_deg = 0.5
"""
FILES = ("attitude.csv", "second.csv", "one.mp4", "two.mp4", "three.mp4", "lens.toml")
CLIP = '\n[[clip]]\nfile = "one.mp4"\n'


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for name in FILES:
        (tmp_path / name).write_text("x")
    return tmp_path


def read(folder: Path, text: str) -> Shoot:
    (folder / "shoot.toml").write_text(text, encoding="utf-8")
    return read_sheet(folder)


def refusal(folder: Path, text: str) -> str:
    with pytest.raises(SheetError) as caught:
        read(folder, text)
    message = str(caught.value)
    assert "\n" not in message
    assert message.startswith("shoot.toml: ")
    return message


def test_every_key_arrives(folder):
    shoot = read(folder, WHOLE)
    assert (shoot.title, shoot.date, shoot.rig, shoot.rig_kind) == (
        "Harbour wall",
        dt.date(2026, 5, 1),
        "rig one",
        "handheld",
    )
    assert (shoot.calibration, shoot.method, shoot.changed) == ("spring", "six faces", ("lens", "trim"))
    assert (shoot.trim_deg, shoot.trim_in_log, shoot.tolerance_deg, shoot.stabilised) == (
        -0.2,
        True,
        0.4,
        True,
    )
    assert shoot.horizon == Surface("lake", 0.3, 20.0, 40.0, (1800.0, 4000.0), 90.0)
    assert shoot.camera == Camera(hfov_deg=70.0, crop=1.2, mount_roll_deg=180, readout_ms=16.0)
    first, second = shoot.logs
    assert first == LogSheet(
        file=folder / "attitude.csv",
        attitude_of="camera_sensor",
        time="ms",
        time_unit="ms",
        roll="r",
        pitch="p",
        yaw="y",
        angle_unit=0.01,
        angle_order="yaw_roll_pitch",
        roll_positive="left_down",
        pitch_positive="down",
        yaw_positive="left",
        accelerometer=("ax", "ay", "az"),
        accelerometer_unit=8192.0,
        accelerometer_sign="up_reads_minus",
        gyro=("gx", "gy", "gz"),
        gyro_unit="rad/s",
        temperature_c="temp",
        velocity_mps=("vn", "ve"),
        sensor_axes=("y", "z", "x"),
        powered_on_s=3.5,
        given=first.given,
    )
    assert first.given == {f.name for f in fields(LogSheet)} - {"quaternion", "quaternion_of", "given"}
    assert (second.quaternion, second.quaternion_of) == (("qw", "qx", "qy", "qz"), "ned_to_camera")
    assert shoot.clips == (
        ClipSheet(
            files=(folder / "one.mp4",),
            log_start_s=12.4,
            shot="hover",
            time_scale=0.5,
            picture_turned_deg=180,
            lens=folder / "lens.toml",
            reference="plumb_line",
            lines=2,
            exclude_s=((3.0, 4.5), (6.0, 7.0)),
        ),
        ClipSheet(
            files=(folder / "two.mp4", folder / "three.mp4"),
            hfov_deg=40.0,
            reference="level_line",
            level_accuracy_deg=pytest.approx(0.02865, abs=1e-5),  # published: 0.5 mm/m = 0.029 deg
        ),
    )
    assert shoot.bench == (BenchSheet(folder / "second.csv", "inverted", 0.5),)
    assert {"title", "horizon.surface", "log[2].quaternion", "clip[1].shot", "camera"} <= shoot.given
    assert "clip[2].shot" not in shoot.given
    assert (shoot.folder, shoot.path) == (folder, folder / "shoot.toml")


def test_what_is_left_out_of_a_cut_take_counts_along_the_take():
    files = (Path("a.mp4"), Path("b.mp4"), Path("c.mp4"))
    take = ClipSheet(files, exclude_s=((5.0, 12.0), (25.0, 26.0)), starts_s=(0.0, 10.0, 20.0))
    t_s = np.arange(0.05, 10.0, 0.1)
    left_out = {
        file.name: t_s[~counted(of_file(take, file.name), t_s)] + start
        for file, start in zip(files, take.starts_s, strict=True)
    }
    assert left_out["a.mp4"].min() == pytest.approx(5.0, abs=0.1)
    assert left_out["b.mp4"].max() == pytest.approx(12.0, abs=0.1)
    assert left_out["c.mp4"].tolist() == pytest.approx(np.arange(25.05, 26.0, 0.1).tolist())
    whole = np.concatenate(list(left_out.values()))
    assert len(whole) == pytest.approx(80, abs=1)


def test_checks_cover_exactly_the_fields():
    checked = tables(Path())
    assert set(checked["horizon"]) == {f.name for f in fields(Surface)}
    assert set(checked["camera"]) == {f.name for f in fields(Camera)}
    assert set(checked["log"]) == {f.name for f in fields(LogSheet)} - {"given"}
    # A level's accuracy is text as printed on it, and an angle from then on.
    clip = {"level_accuracy" if f.name == "level_accuracy_deg" else f.name for f in fields(ClipSheet)}
    assert set(checked["clip"]) == clip - {"starts_s"} | {"file"}
    assert set(checked["bench"]) == {f.name for f in fields(BenchSheet)}


def test_a_clip_is_enough_and_the_rest_has_defaults(folder):
    shoot = read(folder, CLIP)
    assert shoot.title == folder.name
    assert (shoot.trim_deg, shoot.tolerance_deg, shoot.stabilised, shoot.trim_in_log) == (
        0.0,
        0.5,
        False,
        False,
    )
    assert (shoot.logs, shoot.bench, shoot.changed, shoot.notes) == ((), (), (), ())
    assert shoot.camera == Camera()
    assert shoot.horizon == Surface(terrain_deg=0.3)
    assert shoot.clips[0] == ClipSheet(files=(folder / "one.mp4",))
    assert shoot.given == {"clip", "clip[1].file"}


def test_a_log_needs_only_its_file(folder):
    log = read(folder, '[[log]]\nfile = "attitude.csv"\n' + CLIP).logs[0]
    assert (log.attitude_of, log.time, log.roll, log.pitch, log.yaw) == (
        "unknown",
        "t_s",
        "roll_deg",
        "pitch_deg",
        "yaw_deg",
    )
    assert log.sensor_axes == ("x", "y", "z")


@pytest.mark.parametrize(("surface", "terrain_deg"), TERRAIN_DEG.items())
def test_terrain_follows_the_surface_unless_told(folder, surface, terrain_deg):
    text = f'[horizon]\nsurface = "{surface}"\n'
    assert read(folder, text + CLIP).horizon.terrain_deg == terrain_deg
    assert read(folder, text + "terrain_deg = 0.05\n" + CLIP).horizon.terrain_deg == 0.05


def test_sheet_is_found_by_file_and_by_folder(folder):
    (folder / "other.toml").write_text(CLIP)
    assert read_sheet(folder / "other.toml").path.name == "other.toml"
    with pytest.raises(SheetError, match=r"no shoot\.toml in this folder; write one with: horizon-drift new"):
        read_sheet(folder)
    with pytest.raises(SheetError, match=r"gone\.toml: no such sheet"):
        read_sheet(folder / "gone.toml")


def test_a_byte_order_mark_is_no_obstacle(folder):
    (folder / "shoot.toml").write_bytes(b"\xef\xbb\xbf" + CLIP.encode())
    assert len(read_sheet(folder).clips) == 1


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (
            "tolerence_deg = 0.5\n" + CLIP,
            ['unknown key "tolerence_deg"', "at the top", "key there: tolerance_deg"],
        ),
        ("hfov_deg = 70\n" + CLIP, ["at the top", "nearest known key: hfov_deg, which belongs in [camera]"]),
        (CLIP + "hfov = 70\n", ["[[clip]] 1, unknown key", "nearest known key: hfov_deg"]),
        ("[camera]\ntitle = 'a'\n" + CLIP, ["[camera], unknown key", "belongs in the top of the sheet"]),
        ("[horizon]\nsurfaces = 'sea'\n" + CLIP, ["[horizon], unknown key", "nearest known key: surface"]),
        ("[[clips]]\nfile = 'one.mp4'\n", ['unknown key "clips"', "nearest known key there: clip"]),
        ("[[log]]\nfile='attitude.csv'\nroll_colum='r'\n" + CLIP, ["[[log]] 1, unknown key", "key: roll"]),
        (CLIP + "[[bench]]\nface = 'up'\n", ["[[bench]] 1, unknown key", "nearest known key: file"]),
    ],
)
def test_unknown_keys_name_the_nearest_known_one(folder, text, expected):
    message = refusal(folder, text)
    assert all(part in message for part in expected), message


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ('tolerance_deg = "0.5"', 'tolerance_deg is "0.5"; expected an angle in degrees above 0'),
        ("tolerance_deg = 0", "tolerance_deg is 0; expected an angle in degrees above 0"),
        ("tolerance_deg = nan", "tolerance_deg is NaN; expected"),
        ("trim_deg = true", "trim_deg is true; expected an angle in degrees from -45 to 45"),
        ("trim_deg = 60", "trim_deg is 60; expected an angle in degrees from -45 to 45"),
        ("title = 3", "title is 3; expected text in double quotes"),
        ('date = "2026-05-01"', 'date is "2026-05-01"; expected a date such as 2026-05-01, without quotes'),
        ("date = 2026-05-01T10:00:00", "expected a date such as 2026-05-01"),
        ('stabilised = "no"', 'stabilised is "no"; expected true or false, without quotes'),
        ('rig_kind = "dron"', 'rig_kind is "dron"; expected drone | handheld | bench; nearest: drone'),
        ('changed = ["lense"]', 'changed is ["lense"]; expected a list of "camera", "lens"'),
        (
            "[horizon]\nheight_m = -1",
            "[horizon], height_m is -1; expected a height in metres from 0 to 20000",
        ),
        (
            "[horizon]\nshore_m = [4000, 1800]",
            "shore_m is [4000, 1800]; expected [nearest, farthest] in metres",
        ),
        ("[horizon]\nshore_m = 1800", "shore_m is 1800; expected [nearest, farthest]"),
        (
            "[horizon]\nshore_bearing_deg = 400",
            "shore_bearing_deg is 400; expected an angle in degrees from -360",
        ),
        (
            "[camera]\nhfov_deg = 180",
            "[camera], hfov_deg is 180; expected an angle in degrees above 0 and below 180",
        ),
        ("[camera]\nmount_roll_deg = 45", "mount_roll_deg is 45; expected 0 | 90 | 180 | 270"),
        ("[camera]\nfocal_mm = 8", "focal_mm says nothing without sensor_width_mm; add it, or give hfov_deg"),
        ("[camera]\nlens = 3", "lens is 3; expected the name of a file in double quotes"),
        ("camera = 3", "camera must be one table: write its entries below a line [camera]"),
    ],
)
def test_wrong_values_say_what_is_allowed(folder, text, expected):
    assert expected in refusal(folder, text + "\n" + CLIP)


@pytest.mark.parametrize(
    ("entry", "expected"),
    [
        (
            'attitude_of = "aircraft"',
            'attitude_of is "aircraft"; expected camera_sensor | gimbal_frame | airframe',
        ),
        ('time_unit = "sec"', 'time_unit is "sec"; expected s | ms | us | ns | iso8601'),
        ('angle_unit = "degrees"', 'angle_unit is "degrees"; expected "deg" | "rad" | degrees per count'),
        ("angle_unit = -1", "angle_unit is -1; expected"),
        ("roll = 3", "roll is 3; expected the name of a column in double quotes"),
        ('quaternion = ["a", "b", "c"]', "expected 4 different column names: [w, x, y, z]"),
        ('accelerometer = ["a", "a", "b"]', "expected 3 different column names: [x, y, z]"),
        ('quaternion_of = "ned_to_enu"', 'quaternion_of is "ned_to_enu"; expected camera_to_ned'),
        ('sensor_axes = ["x", "y", "y"]', "expected the board axes that point right, down, forward"),
        ('sensor_axes = ["x", "y", "-z"]', "expected a right-handed board: change the sign of one axis"),
        ('gyro_unit = "dps"', 'gyro_unit is "dps"; expected "deg/s" | "rad/s" | counts per deg/s'),
        ('powered_on_s = "start"', 'powered_on_s is "start"; expected a time in seconds, without quotes'),
    ],
)
def test_wrong_log_entries(folder, entry, expected):
    message = refusal(folder, f'[[log]]\nfile = "attitude.csv"\n{entry}\n{CLIP}')
    assert message.startswith("shoot.toml: [[log]] 1, ")
    assert expected in message


@pytest.mark.parametrize(
    ("entry", "expected"),
    [
        ('shot = "hoover"', 'shot is "hoover"; expected hover | pan'),
        ("time_scale = 0", "time_scale is 0; expected a factor above 0"),
        ("picture_turned_deg = 181", "picture_turned_deg is 181; expected 0 | 90 | 180 | 270"),
        ("exclude_s = [3.0, 4.5]", "exclude_s is [3.0, 4.5]; expected pairs of clip times"),
        ("exclude_s = [[1, true]]", "exclude_s is [[1, true]]; expected pairs of clip times"),
        ("exclude_s = [[4.5, 3.0]]", "expected pairs of clip times [[from, to], ...] in seconds"),
        ('reference = "wall"', 'reference is "wall"; expected horizon | plumb_line | level_line'),
        ('files = ["two.mp4"]', "file and files are both given; keep one of them"),
        ('reference = "plumb_line"\nlines = 3', "lines is 3; expected 1 | 2"),
        ('reference = "plumb_line"\nlines = true', "lines is true; expected 1 | 2"),
        ("lines = 2", 'lines is for a plumb_line; add reference = "plumb_line", or leave it out'),
        ('reference = "level_line"\nlines = 1', "lines is for a plumb_line; add reference"),
        (
            'reference = "plumb_line"\nlevel_accuracy = "0.3 mm/m"',
            'level_accuracy is for a level_line; add reference = "level_line", or leave it out',
        ),
        ('reference = "level_line"\nlevel_accuracy = 0.3', "level_accuracy is 0.3; expected text as printed"),
        ('reference = "level_line"\nlevel_accuracy = "9 deg"', "expected at most 1 deg"),
        (
            'reference = "level_line"\npicture_turned_deg = 90',
            "a level line needs a camera that is not in portrait; film it upright or upside down",
        ),
    ],
)
def test_wrong_clip_entries_name_which_clip(folder, entry, expected):
    message = refusal(folder, '[[clip]]\nfile = "three.mp4"\n' + CLIP + entry + "\n")
    assert message.startswith("shoot.toml: [[clip]] 2, ")
    assert expected in message


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("title = 'a'\n", "no [[clip]]; add a line [[clip]]"),
        ("[[clip]]\nshot = 'pan'\n", "[[clip]] 1, file is missing"),
        ("[[clip]]\nfiles = 'one.mp4'\n", 'files is "one.mp4"; expected a list of file names'),
        ("[[log]]\nroll = 'r'\n" + CLIP, "[[log]] 1, file is missing"),
        ("[[bench]]\npose = '+x'\n" + CLIP, "[[bench]] 1, file is missing; name a hold, or"),
        ("[clip]\nfile = 'one.mp4'\n", "clip must be a list of tables: head each with a line [[clip]]"),
        ("log = [3]\n" + CLIP, "log must be a list of tables: head each with a line [[log]]"),
        (CLIP + CLIP, "two files are called one.mp4; results are kept by file name: rename one"),
    ],
)
def test_missing_and_misplaced_tables(folder, text, expected):
    assert expected in refusal(folder, text)


def test_missing_files_are_named_as_written_with_the_nearest_there(folder):
    message = refusal(folder, '[[log]]\nfile = "atitude.csv"\n' + CLIP)
    assert '[[log]] 1, file "atitude.csv" was not found in ' in message
    assert message.endswith("nearest name there: attitude.csv")
    message = refusal(folder, '[[clip]]\nfiles = ["one.mp4", "takes/xyz"]\n')
    assert '[[clip]] 1, files "takes/xyz" was not found' in message
    assert message.endswith("put it there or correct the path")
    (folder / "sub").mkdir()
    assert '"sub" is a folder, not a file' in refusal(folder, "[[clip]]\nfile = 'sub'\n")
    assert "cannot be looked up" in refusal(folder, f"[[clip]]\nfile = '{'n' * 300}'\n")


def test_files_are_relative_to_the_sheet(folder, monkeypatch):
    (folder / "takes").mkdir()
    (folder / "takes" / "a.mp4").write_text("x")
    monkeypatch.chdir(folder / "takes")
    shoot = read(folder, '[[clip]]\nfile = "takes/a.mp4"\n')
    assert shoot.clips[0].files[0].is_file()


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("title = \n" + CLIP, "line 1, column 9"),
        (CLIP + 'lens = "C:\\lens.toml"\n', "line 4, column"),
        ('title = """never closed', "last line: "),
    ],
)
def test_toml_errors_name_the_line(folder, text, expected):
    message = refusal(folder, text)
    assert expected in message
    assert "write key = value, text in double quotes, and paths with / instead of" in message


def test_a_clip_given_as_the_sheet_is_refused(folder):
    (folder / "film.mp4").write_bytes(b"\x00\x00\x00\x18ftypmp42\xff\xfe")
    with pytest.raises(SheetError, match=r"film\.mp4: not a text file in UTF-8; give a shoot\.toml"):
        read_sheet(folder / "film.mp4")


def test_a_sheet_that_cannot_be_read_is_refused(folder, monkeypatch):
    def locked(*_args, **_kwargs):
        raise PermissionError(13, "Permission denied")

    (folder / "shoot.toml").write_text(CLIP)
    monkeypatch.setattr(Path, "read_text", locked)
    with pytest.raises(
        SheetError, match=r"shoot\.toml: cannot be read \(Permission denied\); check the file"
    ):
        read_sheet(folder)


def test_entries_for_later_versions_are_said(folder):
    notes = read(folder, WHOLE).notes
    said = {note.split(" ")[0] for note in notes if "is read but not used yet" in note}
    assert said == set(LATER)
    plain = CLIP + 'reference = "horizon"\nshot = "pan"\ntime_scale = 2\nexclude_s = [[1, 2]]\n'
    used = "trim_deg = 1\ntolerance_deg = 1\nstabilised = true\n[camera]\ncrop = 1.1\nmount_roll_deg = 90\n"
    assert read(folder, used + plain).notes == ()


def test_a_shoot_is_indoors_when_no_clip_shows_a_horizon(folder):
    line = CLIP + 'reference = "level_line"\n'
    assert read(folder, line).indoors
    assert read(folder, line).clips[0].level_accuracy_deg == pytest.approx(0.0172, abs=1e-4)
    assert not read(folder, line + '[[clip]]\nfile = "two.mp4"\n').indoors


def test_only_the_best_way_to_the_field_of_view_is_kept(folder):
    camera = "[camera]\nfocal_35mm = 24\nfocal_mm = 4\nsensor_width_mm = 6\ndiagonal_fov_deg = 80\n"
    shoot = read(folder, camera + CLIP)
    assert shoot.camera == Camera(focal_mm=4.0, sensor_width_mm=6.0)
    assert "camera.focal_mm is used, camera.focal_35mm is not" in shoot.notes
    shoot = read(folder, camera + 'hfov_deg = 70\nlens = "lens.toml"\n' + CLIP)
    assert shoot.camera == Camera(lens=folder / "lens.toml")
    clip = read(folder, CLIP + 'hfov_deg = 70\nlens = "lens.toml"\n')
    assert clip.clips[0].hfov_deg is None
    assert "[[clip]] 1: lens is used, hfov_deg is not" in clip.notes


def test_a_quaternion_goes_before_angles_and_says_so(folder):
    log = '[[log]]\nfile = "attitude.csv"\nroll = "r"\nquaternion = ["a", "b", "c", "d"]\n'
    assert "[[log]] 1: quaternion is used, roll not" in read(folder, log + CLIP).notes


def test_the_24_ways_to_mount_a_board_are_the_proper_rotations():
    matrices = []
    for axes in SENSOR_AXES:
        matrix = np.zeros((3, 3))
        for row, axis in enumerate(axes):
            matrix[row, "xyz".index(axis[-1])] = -1 if axis.startswith("-") else 1
        matrices.append(matrix)
    assert len({m.tobytes() for m in matrices}) == 24
    assert all(np.linalg.det(m) == pytest.approx(1) for m in matrices)
