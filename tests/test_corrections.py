import dataclasses
from pathlib import Path

import cv2
import numpy as np
import pandas as pd
import pytest

from attitude.corrections import COLUMNS, corrections, crop_percent
from attitude.sheet import Camera, ClipSheet, Shoot
from horizon.clip import ClipFacts
from horizon.measure import ClipTrack
from tests.rates import with_uncertainty

FPS = 10.0


def shoot_of(roll_deg, *, sheet=None, camera=None, size=(1920, 1080), sd_deg=0.03, sky="picture", t_s=None):
    """One clip whose frames roll like this, and its shoot."""
    n = len(roll_deg)
    t_s = np.arange(n) / FPS if t_s is None else t_s
    track = pd.DataFrame({"clip": "a.mp4", "frame": np.arange(n), "t_s": t_s, "reason": ""})
    track["roll_deg"], track["pitch_deg"], track["quality"] = roll_deg, 0.0, 0.9
    track = with_uncertainty(track, sd_deg=sd_deg)
    facts = ClipFacts(Path("a.mp4"), *size, float(t_s[-1]) + 1 / FPS, 30.0, 0, "h264", None)
    one = ClipTrack("a.mp4", track, facts, n, "", sky, 0.0, pd.DataFrame())
    clip = sheet or ClipSheet(files=(Path("a.mp4"),))
    shoot = Shoot(folder=Path(), path=Path("shoot.toml"), title="t", clips=(clip,), camera=camera or Camera())
    return (one,), shoot


def found(*arguments, **changes):
    return corrections(*shoot_of(*arguments, **changes), None)


def noisy(rng, *pieces):
    """(lean, seconds) pieces with the noise of single frames."""
    lean = np.concatenate([np.full(round(seconds * FPS), level) for level, seconds in pieces])
    return lean + rng.normal(0, 0.03, len(lean))


def test_a_steady_lean_is_one_stretch(rng):
    table = found(noisy(rng, (0.6, 60)))
    assert list(table.columns) == COLUMNS
    assert len(table) == 1
    assert table.loc[0, "turn_deg"] == pytest.approx(0.6, abs=0.02)
    assert (table.loc[0, "from_s"], table.loc[0, "to_s"]) == (0.0, 60.0)


def test_a_step_is_where_it_is(rng):
    table = found(noisy(rng, (0.6, 20.3), (-0.4, 30)))
    assert table["turn_deg"].to_numpy() == pytest.approx([0.6, -0.4], abs=0.02)
    assert table["to_s"].iloc[0] == table["from_s"].iloc[1] == pytest.approx(20.3, abs=0.3)


def test_a_slow_drift_becomes_few_steps_and_a_quick_one_is_followed(rng):
    slow = np.linspace(0, 1, 6000) + rng.normal(0, 0.03, 6000)
    quick = np.linspace(-0.7, 0.7, 140) + rng.normal(0, 0.03, 140)
    table = found(slow)
    assert 3 <= len(table) <= 6
    for lean in (slow, quick):
        left = lean.copy()
        for row in found(lean).itertuples():
            t_s = np.arange(len(lean)) / FPS
            left[(t_s >= row.from_s) & (t_s < row.to_s)] -= row.turn_deg
        assert np.abs(left).max() < 0.4  # of 1.0 and 1.4, noise of single frames included


def test_no_stretch_is_shorter_than_two_seconds(rng):
    wobble = 0.5 * np.sign(np.sin(np.arange(600) / FPS * 2 * np.pi / 1.7)) + rng.normal(0, 0.03, 600)
    table = found(wobble)
    assert (table["to_s"] - table["from_s"]).min() >= 2.0 - 0.2  # edges lie between frames


def test_noise_of_poor_frames_is_no_lean(rng):
    steps = np.repeat(rng.choice([-0.15, 0.15], 20), 30)
    assert len(found(steps, sd_deg=0.03)) > 1
    assert len(found(steps, sd_deg=0.2)) == 1


@pytest.mark.parametrize("pose", [180.0, 90.0, -90.0])
def test_lean_is_about_the_pose(rng, pose):
    table = found((pose + noisy(rng, (0.5, 20)) + 180) % 360 - 180)
    assert table["turn_deg"].to_numpy() == pytest.approx([0.5], abs=0.02)


def test_roll_on_purpose_is_left_out(rng):
    roll = noisy(rng, (0.5, 10), (0.5, 3), (0.5, 10))
    roll[100:130] += 60 * np.sin(np.linspace(0, np.pi, 30)) ** 2
    table = found(roll)
    assert len(table) == 2
    assert table["turn_deg"].to_numpy() == pytest.approx([0.5, 0.5], abs=0.03)
    assert table["to_s"].iloc[0] < 11.0 < 12.0 < table["from_s"].iloc[1]


def test_frames_not_measured_do_not_end_a_stretch_but_a_long_hole_does(rng):
    t_s = np.arange(600) / FPS
    for hole_s, count in ((3.0, 1), (8.0, 2)):
        keep = (t_s < 20) | (t_s >= 20 + hole_s)
        assert len(found(noisy(rng, (0.5, 60))[keep], t_s=t_s[keep])) == count


def test_excluded_time_is_left_out(rng):
    sheet = ClipSheet(files=(Path("a.mp4"),), exclude_s=((20.0, 23.0),))
    table = found(noisy(rng, (0.5, 60)), sheet=sheet)
    assert len(table) == 2
    assert table["to_s"].iloc[0] <= 20.0
    assert table["from_s"].iloc[1] >= 23.0


def test_what_nobody_sees_is_not_turned(rng):
    table = found(noisy(rng, (0.07, 20)))
    assert table[["turn_deg", "crop_percent"]].to_numpy().tolist() == [[0.0, 0.0]]


def test_known_turns_are_taken_off(rng):
    sheet = ClipSheet(files=(Path("a.mp4"),), picture_turned_deg=180)
    table = found(noisy(rng, (0.5, 20)), sheet=sheet, camera=Camera(mount_roll_deg=180))
    assert table["turn_deg"].to_numpy() == pytest.approx([0.5], abs=0.02)


def test_without_a_measured_horizon_there_is_nothing():
    tracks, shoot = shoot_of(np.full(50, np.nan))
    assert corrections(tracks, shoot, None).empty
    tracks, shoot = shoot_of(np.full(50, 0.5), sky="unknown")
    assert corrections(tracks, shoot, None).empty


def test_a_clip_shorter_than_a_stretch_still_counts(rng):
    assert len(found(noisy(rng, (0.5, 1.2)))) == 1


def test_slowed_down_clips_reach_to_their_end(rng):
    tracks, shoot = shoot_of(noisy(rng, (0.5, 20)))
    slowed = dataclasses.replace(tracks[0].facts, duration_s=80.0)
    tracks = (dataclasses.replace(tracks[0], facts=slowed),)
    shoot = dataclasses.replace(shoot, clips=(dataclasses.replace(shoot.clips[0], time_scale=0.25),))
    assert corrections(tracks, shoot, None)["to_s"].iloc[-1] == pytest.approx(20.0)


def test_turning_clockwise_levels_a_picture_that_leans_to_the_right(rng):
    """Right side low: the horizon's right end stands too high; OpenCV turns counter-clockwise for +."""
    lean_deg = 5.0
    width, height = 400, 300
    y, x = np.mgrid[:height, :width].astype(float)
    slope = np.tan(np.deg2rad(lean_deg))
    picture = np.where(y - height / 2 > -(x - width / 2) * slope, 60, 200).astype(np.uint8)
    turn_deg = float(found(np.full(100, lean_deg))["turn_deg"].iloc[0])
    turned = cv2.warpAffine(
        picture, cv2.getRotationMatrix2D((width / 2, height / 2), -turn_deg, 1.0), (width, height)
    )
    edge = [int(np.argmin(turned[60:240, column])) for column in (100, 300)]
    assert edge[0] == pytest.approx(edge[1], abs=1)


@pytest.mark.parametrize("size", [(1920, 1080), (1080, 1920), (1000, 1000), (2390, 1000)])
@pytest.mark.parametrize("turn_deg", [0.3, -0.6, 3.0, 30.0])
def test_crop_against_the_corners(size, turn_deg):
    """The largest rectangle of the same shape with its four corners in the turned picture, by bisection."""
    half = np.array(size) / 2
    turn = np.deg2rad(turn_deg)
    back = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    corners = np.array([[1, 1], [1, -1], [-1, 1], [-1, -1]]) * half

    def fits(scale):
        return bool((np.abs(scale * corners @ back.T) <= half).all())

    low, high = 0.0, 1.0
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if fits(middle) else (low, middle)
    assert crop_percent(turn_deg, *size) == pytest.approx(100 * (1 - low**2), abs=1e-6)


def test_crop_of_nothing_is_nothing_and_of_a_quarter_turn_known():
    assert crop_percent(0.0, 1920, 1080) == pytest.approx(0.0, abs=1e-12)
    # Wide to tall: the picture fits across its short side, 9/16 of it, in both directions.
    assert crop_percent(90.0, 1600, 900) == pytest.approx(100 * (1 - (9 / 16) ** 2))


@pytest.fixture
def rng():
    return np.random.default_rng(3)
