"""A checked six-face capture as evidence of a shoot: ``[[bench]] file = "faces.json"``."""

import json
from pathlib import Path

import numpy as np
import pytest

from attitude.bench import BenchError, read_holds
from attitude.capture import FACES, CaptureSheet
from attitude.constants import Constants
from attitude.face_check import check_capture
from attitude.face_result import faces_result
from attitude.sheet import BenchSheet, LogSheet, SheetError, Shoot, read_sheet
from tests.captures import Board, capture

AXES = ("y", "-z", "-x")
OLD = Constants((0.002, 0.015, -0.004))


def write_faces(folder, *, axes=AXES, calibration="second", old=OLD, faces=FACES):
    board = Board(np.array([0.010, 0.030, -0.020]), np.array([1.01, 0.99, 1.02]), np.zeros((3, 3)))
    rng = np.random.default_rng(3)
    sheet = CaptureSheet(Path("cube.csv"), (), sensor_axes=axes, calibration=calibration)
    found = check_capture(sheet, capture(rng, board, np.zeros((len(faces), 2)), faces=faces))
    path = folder / "faces.json"
    path.write_text(json.dumps(faces_result(found, "", old, None)), encoding="utf-8")
    return path


def shoot_of(path, constants="", calibration="", logs=()):
    return Shoot(
        folder=path.parent,
        path=path.parent / "shoot.toml",
        title="t",
        clips=(),
        calibration=calibration,
        logs=logs,
        bench=(BenchSheet(path, constants=constants),),
    )


def offset_mg(holds, axis):
    """Offset along a camera axis of the two holds in which that axis carries gravity."""
    along = [hold.reading_g[axis] for hold in holds if abs(hold.up[axis]) > 0.5]
    assert len(along) == 2
    return 1000 * float(np.mean(along))


# Camera right is the board's y: raw offset 30 mg; under the old constants (15 mg, scale 1) 15 mg are left,
# and under the new ones, which are those of this capture, nothing.
@pytest.mark.parametrize(("constants", "left_mg"), [("none", 30.0), ("old", 15.0), ("new", 0.0)])
def test_the_offset_that_is_left_under_the_constants_in_force(tmp_path, constants, left_mg):
    holds = read_holds(shoot_of(write_faces(tmp_path), constants))
    assert len(holds) == 6
    assert offset_mg(holds, 0) == pytest.approx(left_mg, abs=0.3)
    assert all(hold.bubble_deg == 0.25 for hold in holds)
    for hold in holds:
        assert hold.up @ hold.reading_g == pytest.approx(1.0, abs=0.06)


@pytest.mark.parametrize(("filmed", "left_mg"), [("Second ", 0.0), ("first", 15.0)])
def test_the_labels_tell_which_constants_were_in_force(tmp_path, filmed, left_mg):
    holds = read_holds(shoot_of(write_faces(tmp_path), calibration=filmed))
    assert offset_mg(holds, 0) == pytest.approx(left_mg, abs=0.3)


def test_axes_that_the_capture_does_not_tell_are_those_of_the_log(tmp_path):
    log = LogSheet(tmp_path / "a.csv", sensor_axes=AXES)
    told = read_holds(shoot_of(write_faces(tmp_path), "none"))
    untold = read_holds(shoot_of(write_faces(tmp_path, axes=None), "none", logs=(log,)))
    for one, other in zip(told, untold, strict=True):
        assert one.reading_g == pytest.approx(other.reading_g)
        assert one.up == pytest.approx(other.up)


def test_two_faces_are_holds_too(tmp_path):
    holds = read_holds(shoot_of(write_faces(tmp_path, faces=("+y", "-y")), "none"))
    assert offset_mg(holds, 0) == pytest.approx(30.0, abs=0.3)


def refused(shoot):
    with pytest.raises(BenchError) as stop:
        read_holds(shoot)
    assert "\n" not in str(stop.value)
    return str(stop.value)


def test_what_is_not_told_is_asked_for(tmp_path):
    assert 'write constants = "new" | "old" | "none"' in refused(shoot_of(write_faces(tmp_path)))
    assert "holds no old constants" in refused(shoot_of(write_faces(tmp_path, old=None), "old"))
    assert "holds no new constants" in refused(shoot_of(write_faces(tmp_path, faces=("+y", "-y")), "new"))


@pytest.mark.parametrize(
    "text", ["", "{", "[]", "null", '{"format": "horizon-drift faces"}', '{"faces": []}']
)
def test_another_file_is_one_line(tmp_path, text):
    path = tmp_path / "faces.json"
    path.write_text(text, encoding="utf-8")
    assert "faces.json: not the faces.json of a capture" in refused(shoot_of(path, "none"))


def test_damaged_numbers_are_one_line(tmp_path):
    path = write_faces(tmp_path)
    told = json.loads(path.read_text(encoding="utf-8"))
    for damaged in (
        told | {"constants": {"offset_mg": "x", "matrix": None}},
        told | {"sensor_axes": {"value": ["q"], "basis": "told"}},
        told | {"faces": [{"face": "up", "mean_mg": [0, 0, 1], "mean_sd_mg": 0.1}]},
    ):
        path.write_text(json.dumps(damaged), encoding="utf-8")
        assert "not the faces.json of a capture" in refused(shoot_of(path, "new"))


SHEET = '[[clip]]\nfile = "a.mp4"\n[[bench]]\nfile = "faces.json"\n'


@pytest.mark.parametrize(("more", "says"), [('pose = "upright"', "pose"), ("bubble_deg = 0.1", "bubble_deg")])
def test_a_capture_tells_its_poses_itself(tmp_path, more, says):
    (tmp_path / "a.mp4").write_bytes(b"")
    (tmp_path / "faces.json").write_bytes(b"{}")
    path = tmp_path / "shoot.toml"
    path.write_text(SHEET + 'constants = "old"\n', encoding="utf-8")
    assert read_sheet(path).bench[0].constants == "old"
    path.write_text(SHEET + more + "\n", encoding="utf-8")
    with pytest.raises(SheetError, match=f"{says} is told by the faces.json itself"):
        read_sheet(path)
