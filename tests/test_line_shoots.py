"""Whole shoots before plumb and level lines, drawn, checked by the command, and put on record."""

import json
import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from attitude.history import read
from horizon.lens import lens_from_hfov
from tests.commands import run_here
from tests.lines_scenes import Room, film

LENS = lens_from_hfov(640, 360, 65)
STRING = Room("plumb_line", LENS, 0.0, 0.0, 6.0, 10.0, width_px=1.5, clutter=("door", "skirting"))
LASER = replace(STRING, kind="level_line", width_px=3.0, contrast_grey=80.0, length_s=4.0)
OFFSET_DEG, SEAT_DEG, PITCH_DEG = 0.5, 0.3, 2.0
LOG = '[[log]]\nfile = "attitude.csv"\nattitude_of = "camera_sensor"\n'
CAMERA = "[camera]\nhfov_deg = 65\n"
RIG = 'title = "{}"\nrig = "Lapwing"\nrig_kind = "bench"\ndate = 2026-05-01\n'


def clip_of(name, **entries):
    lines = [f"{key} = {json.dumps(value)}" for key, value in entries.items()]
    return "\n".join(["[[clip]]", f'file = "{name}"', *lines, ""])


def write_log(folder, *, seed=4):
    """Upright for 40 s, then upside down: the sensor believes it is level, and its pitch is 0.3 deg off."""
    rng = np.random.default_rng(seed)
    t_s = np.arange(0, 80, 0.05)
    roll_deg = np.where(t_s < 40, 0.0, 180.0) + rng.normal(0, 0.02, len(t_s))
    pitch_deg = PITCH_DEG - 0.3 + rng.normal(0, 0.02, len(t_s))
    log = pd.DataFrame({"t_s": t_s, "roll_deg": roll_deg, "pitch_deg": pitch_deg, "yaw_deg": 12.0})
    log.round(4).to_csv(folder / "attitude.csv", index=False)


def write_hold(folder, name, sideways_g):
    """Readings of a sensor lying on a side, with its offset."""
    rng = np.random.default_rng(7)
    reading = np.array([sideways_g + np.radians(OFFSET_DEG), 0.0, 0.0]) + rng.normal(0, 5e-4, (200, 3))
    pd.DataFrame(reading, columns=["ax", "ay", "az"]).round(5).to_csv(folder / name, index=False)


@pytest.fixture(scope="module")
def plumb(tmp_path_factory):
    """Upright and upside down before a string that swings a little, and two holds of the sensor."""
    folder = tmp_path_factory.mktemp("string")
    upright = replace(STRING, roll_deg=OFFSET_DEG + SEAT_DEG, pitch_deg=PITCH_DEG, azimuths_deg=(1.5,))
    film(folder / "upright.mp4", replace(upright, swing_deg=0.6, period_s=1.6))
    over = replace(upright, roll_deg=180 + SEAT_DEG - OFFSET_DEG, azimuths_deg=(-1.0,), seed=2)
    film(folder / "over.mp4", over)
    write_log(folder)
    write_hold(folder, "left.csv", -1.0)
    write_hold(folder, "right.csv", 1.0)
    sheet = RIG.format("String in the shed") + CAMERA + LOG
    sheet += clip_of("upright.mp4", shot="hover", reference="plumb_line", log_start_s=10.0)
    sheet += clip_of("over.mp4", shot="upside_down", reference="plumb_line", log_start_s=55.0)
    for name, pose in (("left.csv", "-x"), ("right.csv", "+x")):
        sheet += f'[[bench]]\nfile = "{name}"\npose = "{pose}"\nbubble_deg = 0.1\n'
    (folder / "shoot.toml").write_text(sheet, encoding="utf-8")
    done = run_here("check", folder, "--history", folder / "history.sqlite")
    assert done.returncode == 0, done.stderr
    return folder, done.stdout


@pytest.fixture(scope="module")
def told(plumb):
    return json.loads((plumb[0] / "result" / "result.json").read_text(encoding="utf-8"))


def within(told, truth):
    assert told["low"] < truth < told["high"]


def test_lean_offset_and_seat_are_found_with_their_intervals(told):
    within(told["lean_deg"], OFFSET_DEG + SEAT_DEG)
    assert told["lean_deg"]["value"] == pytest.approx(OFFSET_DEG + SEAT_DEG, abs=0.08)
    assert told["lean_deg"]["high"] - told["lean_deg"]["low"] < 0.4
    offset = told["sensor_offset_mg"]["sideways"]
    assert offset["determined"]
    within(offset, 1000 * np.sin(np.radians(OFFSET_DEG)))
    within(told["mounting_deg"]["roll"], SEAT_DEG)
    assert told["verdict"]["action"] == "recalibrate"


def test_the_result_names_the_reference_of_every_clip(told):
    assert told["references"] == [
        {"clip": name, "reference": "plumb_line", "lines": 1, "level_accuracy_deg": None}
        for name in ("upright.mp4", "over.mp4")
    ]
    assert told["pitch_offset_deg"]["value"] is None
    assert told["skyline_tilt_deg"]["north"]["value"] is None
    assert told["self_check"]["turned"] is None


def test_page_and_terminal_name_the_reference_and_speak_of_no_horizon(plumb):
    folder, said = plumb
    page = (folder / "result" / "report.html").read_text(encoding="utf-8")
    assert "Measured against: <bdi>plumb line (upright.mp4, over.mp4)</bdi>" in page
    assert page.count('data-name="Measured against">plumb line<') == 2
    assert "with the measured plumb line drawn" in page
    assert "Long dashes: the plumb line as measured" in page
    assert "Against  plumb line (upright.mp4, over.mp4)" in said
    assert max(len(line) for line in said.splitlines()) <= 80
    words = " ".join(said.split())
    assert re.search(
        r"upright.mp4: the plumb line swings by 0.6\d? deg at first, period 1.6 s; averaged", words
    )
    assert "read at the log's pitch, and the way up that the log says" in words
    assert "Checked not done: it is for horizons, and no clip shows one" in words
    for text in (page, words):
        assert "kyline" not in text


def test_pictures_show_the_line_upright_and_upside_down(plumb):
    folder, _ = plumb
    frames = pd.read_csv(folder / "result" / "frames.csv")
    assert (frames["pitch_deg"] - frames["log_pitch_deg"]).abs().max() < 1e-3
    over = frames[frames["clip"] == "over.mp4"]["roll_deg"].abs()
    assert over.min() > 179
    assert (folder / "result" / "review.mp4").stat().st_size > 10_000
    assert len(list((folder / "result").glob("frame_*.jpg"))) == 3


def test_the_shoot_goes_into_the_history_and_comes_out(plumb, told):
    folder, _ = plumb
    (shoot,) = read(folder / "history.sqlite")
    assert (shoot.rig, shoot.title, shoot.action) == ("Lapwing", "String in the shed", "recalibrate")
    assert shoot.lean.value == pytest.approx(told["lean_deg"]["value"])
    assert shoot.result["references"] == told["references"]
    done = run_here("history", "show", "--history", folder / "history.sqlite", "--out", folder / "look")
    assert done.returncode == 0
    assert "String in the shed" in done.stdout


def test_a_level_line_without_a_log_is_never_better_than_its_accuracy(tmp_path):
    film(tmp_path / "laser.mp4", replace(LASER, roll_deg=-0.9))
    sheet = CAMERA + clip_of("laser.mp4", reference="level_line", level_accuracy="5 mm/m")
    (tmp_path / "shoot.toml").write_text(RIG.format("Laser") + sheet, encoding="utf-8")
    done = run_here("check", tmp_path, "--history", tmp_path / "history.sqlite")
    assert done.returncode == 0, done.stderr
    assert "Against  level line, good to 5 mm/m (laser.mp4)" in done.stdout
    told = json.loads((tmp_path / "result" / "result.json").read_text(encoding="utf-8"))
    picture = told["picture_lean_deg"]
    within(picture, -0.9)
    assert picture["value"] == pytest.approx(-0.9, abs=0.1)
    assert picture["sd"] >= 0.286  # asin(0.005)
    assert told["references"][0]["level_accuracy_deg"] == pytest.approx(0.2865, abs=1e-4)
    said = {one["what"]: one for one in told["assumptions"]}
    assert said["Reference of laser.mp4"] == {
        "what": "Reference of laser.mp4",
        "value": "level line, good to 5 mm/m",
        "basis": "told",
    }
    assert said["Which way up the camera was"]["basis"] == "assumed"


def test_a_clip_without_its_line_is_said_in_one_line(tmp_path):
    film(tmp_path / "empty.mp4", replace(STRING, azimuths_deg=(), length_s=1.0))
    sheet = CAMERA + clip_of("empty.mp4", reference="plumb_line")
    (tmp_path / "shoot.toml").write_text(RIG.format("Bare wall") + sheet, encoding="utf-8")
    done = run_here("check", tmp_path, "--history", tmp_path / "history.sqlite")
    assert done.returncode == 0, done.stderr
    words = " ".join(done.stdout.split())
    assert words.startswith("Bare wall: No frame with a plumb or level line was measured: film one")
    assert "not measured: 6 (no thin line through the picture's middle)" in words
