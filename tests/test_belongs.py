"""Pictures that the camera turned or stabilised itself, told from the two rolls alone."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.signal import butter, sosfiltfilt

from attitude.belongs import NOT_VERIFIED, VERIFIED, belongs
from attitude.clock import ClockFit
from attitude.log import AttitudeLog
from attitude.sheet import ClipSheet
from horizon.angles import wrap_deg
from tests.rates import noise_deg, world

LOG_HZ, FPS = 50.0, 6.0


def compared(clips, *, rounding_deg=0.0, sheet=None, sd_s=0.02):
    """``belongs`` of clips {name: (t_s, roll of the picture, log time, log roll)}."""
    parts, logs, clocks, sheets = [], [], {}, {}
    for k, (name, (t_s, roll_deg, log_t_s, log_roll_deg)) in enumerate(clips.items()):
        table = pd.DataFrame({"t_s": log_t_s, "roll_deg": wrap_deg(log_roll_deg), "pitch_deg": 0.0})
        logs.append(
            AttitudeLog(name, "camera_sensor", table.assign(yaw_deg=0.0), rounding_deg, None, True, ())
        )
        part = pd.DataFrame({"clip": name, "t_s": t_s, "roll_deg": wrap_deg(roll_deg), "segment": k})
        part["log_roll_deg"] = wrap_deg(np.interp(t_s, log_t_s, np.unwrap(log_roll_deg, period=360.0)))
        parts.append(part.assign(log_index=k, log_t_s=t_s, pitch_deg=0.0, log_pitch_deg=0.0, log_yaw_deg=0.0))
        clocks[name] = ClockFit(name, name, 0.0, sd_s, "motion", k)
        sheets[name] = ClipSheet(files=(Path(name),), **(sheet or {}))
    return belongs(pd.concat(parts, ignore_index=True), logs, clocks, sheets)


T_S = np.arange(0, 30, 0.1)
LOG_S = np.arange(-1, 31, 0.02)
LEVEL = (T_S, 0.3 + 0 * T_S, LOG_S, 0 * LOG_S)
# Upright, rolled over within three seconds, then upside down.
OVER = 180.0 * np.clip((T_S - 8.0) / 3.0, 0, 1)
LOG_OVER = 180.0 * np.clip((LOG_S - 8.0) / 3.0, 0, 1)


def test_a_clip_that_the_camera_put_upright_is_left_out_and_said():
    put_upright = (T_S, 0.4 + 0 * T_S, LOG_S, 180.0 + 0 * LOG_S)
    found = compared({"level.mp4": LEVEL, "over.mp4": put_upright})
    assert found.verdict == NOT_VERIFIED
    assert found.kept.tolist() == [True] * len(T_S) + [False] * len(T_S)
    assert found.notes == (
        "over.mp4: the log says upside down, the picture is upright: your camera turned the picture itself; "
        "this shot is left out; set picture_turned_deg = 180 to use it (look at its pictures first: the "
        "wrong half may have been taken for sky)",
    )


@pytest.mark.parametrize(("roll_deg", "told", "value"), [(90.2, 0, 270), (-89.5, 0, 90), (179.8, 180, 0)])
def test_the_turn_to_write_counts_from_the_one_that_was_told(roll_deg, told, value):
    turned = (T_S, roll_deg + 0 * T_S, LOG_S, 0 * LOG_S)
    found = compared({"level.mp4": LEVEL, "turned.mp4": turned}, sheet={"picture_turned_deg": told})
    assert f"set picture_turned_deg = {value} to use it" in found.notes[0]


def test_where_no_clip_fits_nothing_is_left_out_and_the_log_fails():
    turned = (T_S, 180.2 + 0 * T_S, LOG_S, 0 * LOG_S)
    found = compared({"a.mp4": turned, "b.mp4": turned})
    assert "a.mp4: picture and log are 180 deg apart" in found.verdict
    assert found.kept.all()
    assert found.notes == ()


@pytest.mark.parametrize("flips_at_deg", [45.0, 90.0, 135.0, 179.0])
def test_pixels_flipped_midway_cost_that_stretch_only(flips_at_deg):
    picture = OVER + 180.0 * (flips_at_deg < OVER)
    found = compared({"over.mp4": (T_S, 0.3 + picture, LOG_S, LOG_OVER)})
    assert found.kept.tolist() == (flips_at_deg >= OVER).tolist()
    assert found.verdict in (VERIFIED, NOT_VERIFIED)
    assert "the log says upside down, the picture is upright" in found.notes[0]
    assert " to 29.9 s: " in found.notes[0]
    assert "this stretch is left out" in found.notes[0]


def test_pixels_flipped_back_again_leave_both_ends():
    there_and_back = 180.0 * np.clip((T_S - 5) / 3, 0, 1) - 180.0 * np.clip((T_S - 20) / 3, 0, 1)
    log = 180.0 * np.clip((LOG_S - 5) / 3, 0, 1) - 180.0 * np.clip((LOG_S - 20) / 3, 0, 1)
    picture = there_and_back + 180.0 * (there_and_back > 90)
    found = compared({"over.mp4": (T_S, picture, LOG_S, log)})
    assert found.kept.tolist() == (there_and_back <= 90).tolist()
    assert found.verdict == VERIFIED
    assert len(found.notes) == 1


def test_times_are_those_that_a_player_shows():
    picture = OVER + 180.0 * (OVER > 90)
    found = compared({"slow.mp4": (T_S, picture, LOG_S, LOG_OVER)}, sheet={"time_scale": 0.25})
    assert "slow.mp4, 38.4 to 119.6 s" in found.notes[0]


def test_a_picture_that_stays_level_while_the_log_rolls_over_is_no_flip():
    """A flip happens at a stroke: this one is stabilised, or the log is of something else."""
    found = compared({"over.mp4": (T_S, 0.3 + 0 * T_S, LOG_S, LOG_OVER)})
    assert found.kept.all()
    assert found.verdict not in (VERIFIED, NOT_VERIFIED)


def test_frames_read_the_other_way_up_are_left_out_and_counted():
    roll = 0.3 + 180.0 * np.isin(np.arange(len(T_S)), [40, 41, 170])
    found = compared({"a.mp4": (T_S, roll, LOG_S, 0 * LOG_S)})
    assert np.flatnonzero(~found.kept).tolist() == [40, 41, 170]
    assert "a.mp4: 3 single frames are left out" in found.notes[0]


def wander(rng, t_s, rms_deg):
    """Random roll between 0.3 and 2 Hz."""
    low, high = sorted(rng.uniform(0.3, 2.0, 2))
    band = butter(2, [low, max(high, low + 0.3)], "bandpass", fs=LOG_HZ, output="sos")
    wave = sosfiltfilt(band, rng.normal(size=len(t_s)))
    return rms_deg * wave / wave.std()


def series(seed, *, rms_deg, follows=1.0, log_noise_deg=None, rounding_deg=None):
    """One clip of a rig that trembles, and the rounding of its log; ``follows``: share in the picture."""
    rng = np.random.default_rng(seed)
    lasts_s = rng.uniform(25, 90)
    log_t_s = np.arange(-2, lasts_s + 2, 1 / LOG_HZ)
    t_s = np.arange(0, lasts_s, 1 / FPS) + rng.uniform(0, 0.3 / FPS, len(np.arange(0, lasts_s, 1 / FPS)))
    true = wander(rng, log_t_s, rms_deg) + np.exp(-log_t_s / 6.0) * rng.uniform(0, 1)
    noise = rng.choice([0.0, 0.02, 0.1]) if log_noise_deg is None else log_noise_deg
    step = rng.choice([0.001, 0.01, 0.1, 1.0]) if rounding_deg is None else rounding_deg
    # What only the log or only the picture does: the filter settles, the skyline passes, both wander.
    log = true + 0.5 * np.exp(-log_t_s / 5.0) + 0.2 * np.sin(log_t_s / 6) + rng.normal(0, noise, len(log_t_s))
    log = np.round(log / step) * step
    clock_s = float(np.clip(rng.normal(0, 0.03), -0.07, 0.07))
    roll = 0.5 + follows * np.interp(t_s + clock_s, log_t_s, true)
    roll += noise_deg(rng, len(t_s), FPS, 0.03, rng.uniform(0.02, 0.1), 1.0)
    return (t_s, roll, log_t_s, log), (step if step > 0.005 else 0.0)


def verdict(seed, **how):
    clip, rounding_deg = series(seed, **how)
    return compared({"a.mp4": clip}, rounding_deg=rounding_deg, sd_s=0.03).verdict


def test_a_hundred_healthy_series_raise_no_alarm():
    rng = np.random.default_rng(7)
    for seed in range(100):
        said = verdict(seed, rms_deg=float(rng.choice([0.0, 0.05, 0.15, 0.3, 0.5])))
        assert said in (VERIFIED, NOT_VERIFIED), (seed, said)


@pytest.mark.parametrize(("follows", "rms_deg"), [(0.0, 0.4), (0.3, 0.3), (0.6, 0.5), (0.75, 0.5)])
def test_stabilised_pictures_are_told_every_time(follows, rms_deg):
    for seed in range(200, 220):
        said = verdict(seed, rms_deg=rms_deg, follows=follows, log_noise_deg=0.02, rounding_deg=0.01)
        assert "may have been stabilised" in said, (seed, said)
        assert float(said.split("follows only ")[1].split()[0]) == pytest.approx(follows, abs=0.15)


@pytest.mark.parametrize(
    "how", [{"log_noise_deg": 0.4, "rounding_deg": 0.001}, {"log_noise_deg": 0.0, "rounding_deg": 1.0}]
)
def test_a_log_that_trembles_by_itself_is_no_evidence(how):
    for seed in range(300, 310):
        assert verdict(seed, rms_deg=0.0, **how) in (VERIFIED, NOT_VERIFIED)


def test_a_clock_that_was_not_found_says_nothing_of_the_picture():
    clip, _ = series(201, rms_deg=0.4, follows=0.0, log_noise_deg=0.0, rounding_deg=0.01)
    assert "stabilised" in compared({"a.mp4": clip}).verdict
    assert compared({"a.mp4": clip}, sd_s=None).verdict == NOT_VERIFIED


def test_short_clips_are_told_together():
    clips = {}
    for k in range(3):
        (t_s, roll, log_t_s, log), _ = series(
            401 + k, rms_deg=0.4, follows=0.2, log_noise_deg=0.0, rounding_deg=0.01
        )
        clips[f"{k}.mp4"] = (t_s[t_s < 16], roll[t_s < 16], log_t_s, log)
    said = compared(clips).verdict
    assert said.startswith("3 clips together: ")
    assert "may have been stabilised" in said


def test_inference_goes_on_without_the_shot_that_the_camera_put_upright():
    one = world(3, offset_deg=0.9)
    over = next(track for track in one.tracks if "upside_down" in track.clip)
    over.track["roll_deg"] = wrap_deg(over.track["roll_deg"] + 180.0)
    found = one.residuals()
    assert found.log_fits
    assert over.clip not in set(found.frames["clip"])
    causes = one.infer()
    assert any(note.startswith(f"{over.clip}: the log says upside down") for note in causes.notes)
    assert causes.lean.low <= one.truth.lean_deg <= causes.lean.high


def test_one_misread_frame_does_not_make_a_log_fit():
    roll = 0.5 + 0 * T_S
    roll[120] = 140.0
    found = compared({"other.mp4": (T_S, roll, LOG_S, 180.0 + 0 * LOG_S)})
    assert "180 deg apart" in found.verdict
    assert found.kept.all()


def stands(seed, *, shakes_deg, rounding_deg=0.0, hold_rows=1, follows=0.0):
    """A picture that shakes, and a log that takes part in it by ``follows``; the log steps as if told to."""
    rng = np.random.default_rng(seed)
    log_t_s = np.arange(-2, 62, 1 / LOG_HZ)
    t_s = np.arange(0, 60, 1 / 10.0)
    # Two waves of one size: rms shakes_deg, and never beyond what rolls on purpose.
    turns = np.outer(rng.uniform(0.4, 1.8, 2), log_t_s) + rng.uniform(0, 1, (2, 1))
    shake = shakes_deg * np.sin(2 * np.pi * turns).sum(axis=0)
    picture = 0.8 + np.interp(t_s, log_t_s, shake) + noise_deg(rng, len(t_s), 10.0, 0.03, 0.08, 1.0)
    log = follows * shake + (rng.normal(0, 0.003, len(log_t_s)) if follows else 0.0)
    log = np.round(log / rounding_deg) * rounding_deg if rounding_deg else log
    rows = np.maximum.accumulate(np.where(rng.random(len(log)) < 1 / hold_rows, np.arange(len(log)), 0))
    return {"a.mp4": (t_s, picture, log_t_s, log[rows])}


def test_a_log_that_stands_still_under_a_shaking_picture_is_commanded():
    for seed in range(500, 510):
        clips = stands(seed, shakes_deg=0.5)
        said = compared(clips, rounding_deg=0.1).verdict
        assert "the picture rolls to and fro by " in said, (seed, said)
        assert "while the log stands still: commanded angles" in said


def test_sensors_whose_logs_are_rounded_or_held_are_not_taken_for_commanded():
    rng = np.random.default_rng(11)
    for seed in range(600, 660):
        shakes_deg = float(rng.choice([0.0, 0.1, 0.3, 0.5]))
        rounding_deg = float(rng.choice([0.0, 0.01, 0.1, 0.5, 1.0]))
        hold_rows = int(rng.choice([1, 3, 10]))
        clips = stands(
            seed, shakes_deg=shakes_deg, rounding_deg=rounding_deg, hold_rows=hold_rows, follows=1.0
        )
        said = compared(clips, rounding_deg=rounding_deg).verdict
        assert "commanded" not in said, (seed, said)


def test_a_still_picture_beside_a_still_log_is_no_evidence():
    assert compared(stands(1, shakes_deg=0.0), rounding_deg=0.1).verdict == NOT_VERIFIED


def test_a_log_coarser_than_the_shake_cannot_be_told_from_a_commanded_one():
    assert "commanded" not in compared(stands(2, shakes_deg=0.5), rounding_deg=1.0).verdict


@pytest.mark.long
def test_simulated_sensors_are_never_taken_for_commanded():
    for seed in range(4):
        for rounding_deg in (0.0, 0.1):
            one = world(seed, offset_deg=0.9, flying={"rounding_deg": rounding_deg})
            assert one.residuals().log_fits, (seed, rounding_deg)
