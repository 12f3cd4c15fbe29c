"""Whole clips: every frame looked at is a row, the sky is voted, damage is said."""

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from itertools import pairwise

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from horizon import TRACK_COLUMNS, measure
from horizon.angles import wrap_deg
from horizon.clip import ClipError, probe
from horizon.coded import with_colour_planes, write_clip
from horizon.frame import refused
from horizon.lens import lens_from_hfov
from horizon.level import Surroundings
from horizon.measure import measure_clip
from horizon.synthetic import draw_frame, draw_planar, make_scene
from tests.bench.footage_files import FPS, HFOV_DEG, PERIOD_S, drawn, repeated

SIZE = (480, 270)
LENS = lens_from_hfov(*SIZE, 65)


def film(path, poses, *, seed=1, fps=10):
    """Clip of a drawn sea at (roll, pitch) per frame."""
    rng = np.random.default_rng(seed)
    scene = make_scene("sea", rng=rng, height_m=8, visibility_km=60, noise_sd=1.5, clouds=0.3)
    write_clip(
        path,
        (
            draw_planar(scene, LENS, roll_deg=roll, pitch_deg=pitch, t_s=k / fps, rng=rng)
            for k, (roll, pitch) in enumerate(poses)
        ),
        fps,
        crf=20,
    )
    return path


def test_a_moving_camera_is_followed(tmp_path):
    t_s = np.arange(30) / 10
    poses = [(6 * np.sin(2 * t), 2 * np.cos(t)) for t in t_s]
    track = measure_clip(probe(film(tmp_path / "clip.mp4", poses)), LENS)
    table = track.track
    assert list(table.columns) == TRACK_COLUMNS
    assert len(table) == track.frames_read == 30
    assert (table["reason"] == "").all()
    assert np.abs(table["roll_deg"] - [roll for roll, _ in poses]).max() < 0.1
    assert np.abs(table["pitch_deg"] - [pitch for _, pitch in poses]).max() < 0.2
    assert track.sky == "picture"
    assert track.damage == ""


@pytest.mark.long
def test_quick_tilts_between_looks_are_followed_or_refused(tmp_path):
    """A move beyond the fine window must not leave the track on waves or clouds near the old place."""
    pitches = [0.0, 0.0, 9.0, 9.0, 2.0, 10.0, 0.0, 5.0, -4.0, -4.0, 6.0, 0.0] * 2
    track = measure_clip(probe(film(tmp_path / "quick.mp4", [(1.5, p) for p in pitches])), LENS).track
    error = np.abs(track["pitch_deg"] - pitches)
    assert error.notna().sum() >= 20
    assert error.max() < 0.3
    assert np.abs(track["roll_deg"] - 1.5).max() < 0.3


@pytest.mark.long
def test_worker_threads_give_the_same_table(tmp_path):
    clip = film(tmp_path / "clip.mp4", [(k / 5, 1.0) for k in range(26)])
    alone = measure_clip(probe(clip), LENS).track
    with ThreadPoolExecutor(2) as executor:
        together = measure_clip(probe(clip), LENS, executor=executor).track
    assert alone.equals(together)


def test_a_camera_rolled_right_over_is_upside_down_and_not_upright(tmp_path):
    rolls = np.concatenate([np.zeros(8), np.linspace(0, 180, 16), np.full(8, 180.0)])
    track = measure_clip(probe(film(tmp_path / "over.mp4", [(roll, 1.0) for roll in rolls])), LENS)
    assert track.sky == "picture"
    error = wrap_deg(track.track["roll_deg"] - rolls)
    assert np.nanmax(np.abs(error)) < 0.3
    assert track.track["roll_deg"].notna().sum() >= 28


def test_bright_ground_under_a_dull_sky_is_not_taken_for_sky(tmp_path):
    """Snow: the ground is the brighter half. Its texture gives it away, or the answer is 'unknown'."""
    rng = np.random.default_rng(4)
    scene = make_scene("plain", rng=rng, height_m=6, visibility_km=100, noise_sd=1.0, clouds=0.1)
    dull = type(scene)(**{**vars(scene), "sky_grey": 110.0, "ground_grey": 200.0, "ground_contrast": 22.0})
    images = [
        with_colour_planes(draw_frame(dull, LENS, roll_deg=2.0, pitch_deg=1.0, t_s=k / 10, rng=rng))
        for k in range(12)
    ]
    write_clip(tmp_path / "snow.mp4", images, 10)
    track = measure_clip(probe(tmp_path / "snow.mp4"), LENS)
    upright = np.abs(track.track["roll_deg"] - 2.0) < 1
    assert track.sky == "unknown" or upright[track.track["roll_deg"].notna()].all()


@pytest.mark.parametrize("rate_dps", [8.0, -5.0])
def test_pan_rate_is_read_off_the_picture(tmp_path, rate_dps):
    rng = np.random.default_rng(9)
    scene = make_scene("plain", rng=rng, height_m=8, noise_sd=1.5)
    images = [
        draw_planar(scene, LENS, roll_deg=1.0, pitch_deg=1.0, yaw_deg=rate_dps * k / 10, rng=rng)
        for k in range(24)
    ]
    write_clip(tmp_path / "pan.mp4", images, 10)
    rate = measure_clip(probe(tmp_path / "pan.mp4"), LENS).yaw_rate
    assert len(rate) >= 4
    assert np.median(rate["yaw_rate_dps"]) == pytest.approx(rate_dps, abs=0.8)


def test_frames_without_a_horizon_are_rows_with_a_reason(tmp_path):
    poses = [(0.0, 1.0)] * 10 + [(0.0, 60.0)] * 10
    table = measure_clip(probe(film(tmp_path / "up.mp4", poses)), LENS).track
    assert len(table) == 20
    assert table["roll_deg"].notna().sum() == 10
    lost = table[table["roll_deg"].isna()]
    assert (lost["reason"].str.len() > 5).all()


@pytest.mark.long
def test_truncated_clip_is_measured_as_far_as_it_goes(tmp_path):
    whole = film(tmp_path / "whole.mp4", [(3.0, 1.0)] * 60)
    cut = tmp_path / "cut.mp4"
    cut.write_bytes(whole.read_bytes()[: int(whole.stat().st_size * 0.6)])
    track = measure_clip(probe(cut), LENS)
    assert track.damage.startswith(f"decoded {track.frames_read} frames to ")
    assert 10 < track.frames_read < 60
    assert np.nanmedian(track.track["roll_deg"]) == pytest.approx(3.0, abs=0.05)


def test_a_clip_of_which_nothing_decodes_is_an_error(tmp_path):
    whole = film(tmp_path / "whole.mp4", [(3.0, 1.0)] * 20)
    data = bytearray(whole.read_bytes())
    start = data.index(b"mdat") + 4
    data[start : start + (len(data) - start)] = bytes(len(data) - start)
    broken = tmp_path / "broken.mp4"
    broken.write_bytes(bytes(data))
    with pytest.raises(ClipError, match=r"broken\.mp4: no frame of it decodes; copy it again"):
        measure_clip(probe(broken), LENS)


def test_pixels_that_the_camera_turns_over_midway_are_told_from_a_roll(tmp_path):
    """Some cameras turn the picture when they are held upside down; the horizon stays the same line."""
    rng = np.random.default_rng(11)
    scene = make_scene("sea", rng=rng, height_m=8, visibility_km=60, noise_sd=1.5, clouds=0.3)
    images = []
    for k in range(24):
        picture = draw_frame(scene, LENS, roll_deg=4.0, pitch_deg=1.0, t_s=k / 10, rng=rng)
        images.append(with_colour_planes(picture if k < 12 else np.ascontiguousarray(picture[::-1, ::-1])))
    write_clip(tmp_path / "turned.mp4", images, 10, crf=18)
    track = measure_clip(probe(tmp_path / "turned.mp4"), LENS)
    roll_deg = track.track["roll_deg"].to_numpy(float)
    assert track.sky == "picture"
    assert np.nanmax(np.abs(roll_deg[:12] - 4.0)) < 0.1
    assert np.nanmax(np.abs(wrap_deg(roll_deg[12:] - 184.0))) < 0.1


def test_what_frames_share_is_part_of_the_line_and_the_true_horizon_is_never_better_known(tmp_path):
    clip = film(tmp_path / "clip.mp4", [(2.0, 1.0)] * 12)
    declared = Surroundings(terrain_rad=np.radians(0.1), haze_rad=np.radians(0.02))
    table = measure_clip(probe(clip), LENS, surroundings=declared).track
    for axis in ("roll", "pitch"):
        assert (table[f"shared_{axis}_sd_deg"] <= table[f"line_{axis}_sd_deg"]).all()
        assert (table[f"line_{axis}_sd_deg"] <= table[f"{axis}_sd_deg"]).all()
    # Terrain lets the true pitch be higher, haze lower, by what was declared.
    above = table["pitch_high_deg"] - table["pitch_deg"]
    below = table["pitch_deg"] - table["pitch_low_deg"]
    assert (above - below).to_numpy() == pytest.approx(0.08, abs=1e-6)


def test_a_time_stamp_does_not_pull_the_line(tmp_path):
    rng = np.random.default_rng(12)
    scene = make_scene("sea", rng=rng, height_m=8, visibility_km=60, noise_sd=1.5, clouds=0.3)
    rolls = 5 * np.sin(np.arange(30) / 3)
    images = []
    for k, roll in enumerate(rolls):
        picture = draw_frame(scene, LENS, roll_deg=float(roll), pitch_deg=0.5, t_s=k / 10, rng=rng)
        cv2.putText(picture, f"12:41:{k:02d}  H 8 m", (150, 145), cv2.FONT_HERSHEY_SIMPLEX, 0.6, 250, 2)
        images.append(with_colour_planes(picture))
    write_clip(tmp_path / "stamp.mp4", images, 10, crf=18)
    table = measure_clip(probe(tmp_path / "stamp.mp4"), LENS).track
    assert table["roll_deg"].notna().sum() >= 28
    assert np.nanmax(np.abs(table["roll_deg"] - rolls)) < 0.1


def test_key_frames_tell_a_long_clips_roll_as_it_was_drawn(tmp_path, monkeypatch):
    drawn(tmp_path / "once.mp4", (240, 136), 1.0)
    repeated(tmp_path / "once.mp4", tmp_path / "long.mp4", 44.0)
    facts = probe(tmp_path / "long.mp4")
    lens = lens_from_hfov(240, 136, HFOV_DEG)
    monkeypatch.setattr("horizon.looking.LONG_S", 30.0)
    monkeypatch.setattr("horizon.looking.DENSE", 3)
    monkeypatch.setattr("horizon.measure.FEWEST_KEYS", 20)
    by_keys = measure_clip(facts, lens)
    assert any("key frames" in note for note in by_keys.notes)
    assert by_keys.frames_read < 0.5 * 44 * FPS
    assert by_keys.damage == ""
    # As drawn: 2 deg and a sway of half a degree about it.
    roll_deg = by_keys.track.set_index("frame")["roll_deg"].dropna()
    truth_deg = 2.0 + 0.5 * np.sin(2 * np.pi * roll_deg.index.to_numpy() / FPS / PERIOD_S)
    assert roll_deg.to_numpy() == pytest.approx(truth_deg, abs=0.1)
    assert by_keys.track["t_s"].to_numpy() == pytest.approx(by_keys.track["frame"] / FPS, abs=2e-3)


@given(st.lists(st.lists(st.tuples(st.booleans(), st.booleans()), min_size=1, max_size=8), max_size=4))
def test_every_thumb_that_may_be_compared_is_kept(runs):
    """A line found by a search is compared with the measured look before it, be it in the run before."""
    thumb = np.zeros((2, 3), np.uint8)
    lighter = []
    for run in runs:
        looks = []
        for measured, follows in run:
            # Nothing can be followed before something was measured.
            follows = follows and any(not look.fit.reason for look in looks)
            fit = replace(refused("" if measured else "no line"), followed=follows)
            looks.append(measure._Look(len(looks), 0.0, False, fit, 0.0, 0.0, 0.0, thumb))
        lighter += measure._lighter(looks)
    seen = [look for look in lighter if not look.fit.reason]
    for before, after in pairwise(seen):
        assert after.fit.followed or (before.thumb.size and after.thumb.size)
