"""Log minus footage: signs, known turns, blocks, and whether the log is of this picture at all."""

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from attitude.belongs import NOT_VERIFIED, VERIFIED
from attitude.clock import ClockFit
from attitude.log import AttitudeLog
from attitude.plans import hover, tilt
from attitude.residuals import clip_sheet_of, residuals
from attitude.sheet import Camera, ClipSheet, LogSheet, Shoot
from horizon.angles import wrap_deg
from tests.rates import noise_deg, with_uncertainty, world

DIP_RAD = 0.004


def shoot_of(**entries):
    clip = entries.pop("clip", {})
    return Shoot(
        folder=Path(),
        path=Path("shoot.toml"),
        title="t",
        clips=(ClipSheet(files=(Path("a.mp4"),), shot="hover", **clip),),
        logs=(LogSheet(file=Path("log.csv"), attitude_of="camera_sensor"),),
        **entries,
    )


def log_of(t_s, roll_deg=0.0, pitch_deg=0.0, yaw_deg=0.0):
    table = pd.DataFrame({"t_s": t_s})
    for name, value in (("roll_deg", roll_deg), ("pitch_deg", pitch_deg), ("yaw_deg", yaw_deg)):
        table[name] = wrap_deg(value) if name != "pitch_deg" else value
    return AttitudeLog("log.csv", "camera_sensor", table, 0.0, None, True, ())


def track_of(t_s, roll_deg=0.0, pitch_deg=0.0, sky="picture"):
    table = pd.DataFrame({"clip": "a.mp4", "frame": np.arange(len(t_s)), "t_s": t_s})
    table["roll_deg"], table["pitch_deg"] = wrap_deg(roll_deg + np.zeros(len(t_s))), pitch_deg
    table = with_uncertainty(table, sd_deg=0.02)
    table["quality"], table["reason"] = 0.9, ""
    return SimpleNamespace(
        clip="a.mp4", track=table, frames_read=len(t_s), sky=sky, dip_rad=DIP_RAD, yaw_rate=pd.DataFrame()
    )


def found(track, log, shoot=None, offset_s=0.0):
    clock = ClockFit("a.mp4", "log.csv", offset_s, 0.01, "given", 0)
    return residuals([track], [log], [clock], shoot or shoot_of())


T_S = np.arange(0, 20, 0.1)
LOG_S = np.arange(-5, 25, 0.02)


def test_signs_by_hand():
    # The picture leans right side down by 0.6 and looks 0.2 higher than the log says, at 30 deg lens up.
    one = found(track_of(T_S, 0.6, 30.2), log_of(LOG_S, 0.0, 30.0))
    assert one.frames["r_roll_deg"].mean() == pytest.approx(-0.6 * np.cos(np.deg2rad(30.1)))
    assert one.frames["r_pitch_deg"].mean() == pytest.approx(-0.2)
    assert one.belongs == NOT_VERIFIED
    assert one.log_fits


def test_upside_down_jump_is_no_cliff():
    one = found(track_of(T_S, 179.9), log_of(LOG_S, -179.9))
    assert one.frames["r_roll_deg"].to_numpy() == pytest.approx(0.2)
    assert np.abs(one.blocks["log_roll_deg"]).to_numpy() == pytest.approx(179.9)


def test_clock_rounding_of_frames_and_gaps():
    log = log_of(LOG_S, yaw_deg=3.0 * LOG_S)
    one = found(track_of(T_S), log, offset_s=2.0)
    assert one.frames["log_yaw_deg"].to_numpy() == pytest.approx(3.0 * (T_S + 2.0))
    hole = replace(log, table=log.table[(log.table["t_s"] < 8) | (log.table["t_s"] > 12)])
    broken = found(track_of(T_S), hole)
    assert len(broken.frames) == pytest.approx(160, abs=2)
    assert broken.frames["segment"].nunique() == 2
    assert broken.blocks.groupby("segment")["t_s"].max().iloc[0] < 8  # no block reaches across the hole


@pytest.mark.parametrize(
    ("entries", "shift_deg"),
    [
        ({"clip": {"picture_turned_deg": 180}}, 180.0),
        ({"camera": Camera(mount_roll_deg=90)}, 90.0),
        ({"camera": Camera(mount_roll_deg=270)}, 270.0),
        ({"trim_deg": 0.7, "trim_in_log": False}, 0.7),
        ({"trim_deg": 0.7, "trim_in_log": True}, 0.0),
    ],
)
def test_known_turns_are_taken_off(entries, shift_deg):
    one = found(track_of(T_S, 0.3 + shift_deg), log_of(LOG_S), shoot_of(**entries))
    assert one.frames["r_roll_deg"].to_numpy() == pytest.approx(-0.3)
    assert one.log_fits


def test_log_that_contains_the_mount_turn():
    one = found(track_of(T_S, 90.3), log_of(LOG_S, 90.0), shoot_of(camera=Camera(mount_roll_deg=90)))
    assert one.frames["r_roll_deg"].to_numpy() == pytest.approx(-0.3)
    assert one.frames["log_turned_deg"].eq(90.0).all()
    assert "turn in its mount" in one.notes[0]


def test_log_settles_which_half_is_sky():
    up_side_down = track_of(T_S, 180.4, -5.0 - 2 * np.rad2deg(DIP_RAD), sky="unknown")
    one = found(up_side_down, log_of(LOG_S, 0.0, 5.0))
    assert one.frames["r_roll_deg"].to_numpy() == pytest.approx(-0.4, abs=0.01)
    assert one.frames["r_pitch_deg"].to_numpy() == pytest.approx(0.0, abs=1e-9)
    assert one.turned_over == {"a.mp4"}
    assert "which half is sky" in one.notes[0]


def test_excluded_stretches_and_unmeasured_frames_are_left_out():
    track = track_of(T_S)
    track.track.loc[:9, "roll_deg"] = np.nan
    one = found(track, log_of(LOG_S), shoot_of(clip={"exclude_s": ((3.0, 4.5),)}))
    assert one.frames["t_s"].min() == pytest.approx(1.0)
    assert not one.frames["t_s"].between(3.0, 4.5).any()


def test_excluded_stretch_is_in_the_time_of_slowed_down_footage():
    # The track comes in the time of filming: 20 s of it play for 80 s, and a player shows 12 s at 3 s.
    clip = {"exclude_s": ((12.0, 18.0),), "time_scale": 0.25}
    kept = found(track_of(T_S), log_of(LOG_S), shoot_of(clip=clip)).frames["t_s"]
    assert not kept.between(3.0, 4.5).any()
    assert kept.between(12.0, 18.0).sum() > 50


def test_blocks_average_and_flag_motion():
    roll = np.where(LOG_S < 10, 0.0, 15.0 * (LOG_S - 10))
    one = found(track_of(T_S, np.interp(T_S, LOG_S, roll)), log_of(LOG_S, roll))
    still = one.blocks["log_t_s"] < 9
    assert one.blocks.loc[still, "rate_dps"].max() < 1.0
    assert one.blocks.loc[one.blocks["log_t_s"] > 11, "rate_dps"].min() > 13.0
    assert one.blocks["n"].sum() == len(one.frames)
    assert one.frames.groupby("block")["t_s"].agg(np.ptp).max() <= 3.0


def test_blocks_average_only_what_frames_do_not_share():
    # A line of 0.05 deg of which 0.04 is shared leaves each frame 0.03 of its own (3, 4, 5).
    level = track_of(T_S)
    level.track = with_uncertainty(level.track, sd_deg=0.05, shared_sd_deg=0.04)
    blocks = found(level, log_of(LOG_S)).blocks
    assert blocks["n"].to_numpy() == pytest.approx(20, abs=1)
    assert blocks["roll_sd_deg"].to_numpy() == pytest.approx(0.03 / np.sqrt(blocks["n"]), rel=1e-9)
    assert blocks["shared_roll_sd_deg"].to_numpy() == pytest.approx(0.04)
    assert blocks["shared_pitch_sd_deg"].to_numpy() == pytest.approx(0.04)
    # At 60 deg of pitch a degree of roll turns the up vector by half a degree; pitch by all of it.
    steep = track_of(T_S, pitch_deg=60.0)
    steep.track = with_uncertainty(steep.track, sd_deg=0.05, shared_sd_deg=0.04)
    blocks = found(steep, log_of(LOG_S, pitch_deg=60.0)).blocks
    assert blocks["shared_roll_sd_deg"].to_numpy() == pytest.approx(0.02)
    assert blocks["roll_sd_deg"].to_numpy() == pytest.approx(0.015 / np.sqrt(blocks["n"]), rel=1e-9)
    assert blocks["shared_pitch_sd_deg"].to_numpy() == pytest.approx(0.04)


def test_blocks_follow_the_correlation_time():
    rng = np.random.default_rng(5)
    t_s = np.arange(0, 240, 0.1)
    log = log_of(np.arange(-1, 242, 0.05))
    quick = found(track_of(t_s, noise_deg(rng, len(t_s), 10.0, 0.02, 0.03, 0.4)), log)
    slow = found(track_of(t_s, noise_deg(rng, len(t_s), 10.0, 0.02, 0.10, 2.5)), log)
    assert quick.blocks["correlation_s"].iloc[0] < 1.0
    assert np.diff(quick.blocks["t_s"]).mean() == pytest.approx(2.0, abs=0.1)
    assert slow.blocks["correlation_s"].iloc[0] == pytest.approx(2.5, rel=0.5)
    assert np.diff(slow.blocks["t_s"]).mean() > 2.5


def of_untold_shot(**clip):
    return replace(shoot_of(), clips=(ClipSheet(files=(Path("a.mp4"),), **clip),))


def test_shots_that_the_sheet_does_not_tell_are_found():
    # Still to 20 s, then one full turn at 6 deg/s, then still.
    t_s, log_s = np.arange(0, 100, 0.1), np.arange(-5, 105, 0.05)
    log = log_of(log_s, yaw_deg=6.0 * np.clip(log_s - 20.0, 0, 60.0))
    one = found(track_of(t_s), log, of_untold_shot())
    assert set(one.frames["shot"][one.frames["t_s"].between(1, 18)]) == {"hover"}
    assert set(one.frames["shot"][one.frames["t_s"].between(22, 78)]) == {"pan"}
    assert set(one.blocks["shot"][one.blocks["t_s"].between(23, 77)]) == {"pan"}
    assert [note for note in one.notes if "is a pan" in note] == [
        "a.mp4: 0 to 20 s is a hover, 20 to 80 s is a pan, 80 to 100 s is a hover"
    ]
    slowed = found(track_of(t_s), log, of_untold_shot(time_scale=0.25))
    assert "a.mp4: 0 to 79 s is a hover, 80 to 320 s is a pan, 321 to 400 s is a hover" in slowed.notes


def test_a_told_shot_wins_over_the_motion():
    log = log_of(LOG_S, yaw_deg=10.0 * LOG_S)
    told = found(track_of(T_S), log)
    assert set(told.frames["shot"]) == set(told.blocks["shot"]) == {"hover"}
    assert told.notes == ()
    assert set(found(track_of(T_S), log, of_untold_shot()).blocks["shot"]) == {"pan"}


def test_a_block_is_of_the_shot_of_most_of_its_frames():
    log = log_of(LOG_S, yaw_deg=10.0 * np.clip(LOG_S - 7.2, 0, None))
    one = found(track_of(T_S), log, of_untold_shot())
    across = one.frames.groupby("block")["shot"].nunique().idxmax()
    shots = one.frames[one.frames["block"] == across]["shot"].value_counts()
    assert len(shots) > 1
    assert one.blocks.loc[across, "shot"] == shots.idxmax()


def test_a_foreign_log_names_no_shots():
    one = found(track_of(T_S, 90.0), log_of(LOG_S), of_untold_shot())
    assert not one.log_fits
    assert not [note for note in one.notes if "is a" in note]


def test_clip_without_a_sheet_entry_is_named():
    with pytest.raises(ValueError, match=r"shoot.toml: no \[\[clip\]\] names b.mp4"):
        clip_sheet_of("b.mp4", shoot_of())


SWING = 8.0 * np.sin(2 * np.pi * LOG_S / 6.0)
AT = np.interp(T_S, LOG_S, SWING)


@pytest.mark.parametrize("gain", [0.95, 1.0, 1.07])
def test_log_that_moves_with_the_picture_belongs(gain):
    assert found(track_of(T_S, 0.8 + gain * AT), log_of(LOG_S, SWING)).belongs == VERIFIED


def test_upside_down_shot_proves_the_log():
    flip = 180.0 * np.clip((LOG_S - 3.0) / 3.0, 0, 1)
    fading = 3.0 * np.exp(-np.clip(T_S - 6.0, 0, None) / 5.0) * (T_S > 6)  # a large offset that settles
    roll = np.interp(T_S, LOG_S, flip) + fading
    assert found(track_of(T_S, roll), log_of(LOG_S, flip)).belongs == VERIFIED


@pytest.mark.parametrize(
    ("roll", "log_roll", "why"),
    [
        (0.02 * AT, SWING, "picture stays level"),
        (-AT, SWING, "roll_positive"),
        (0.5 * AT, SWING, "0.50 times as far"),
        (AT, 0.0 * SWING, "log's roll hardly moves"),
        (90.0 + 0 * AT, 0.0 * SWING, "90 deg apart"),
        (180.0 + 0 * AT, 0.0 * SWING, "set picture_turned_deg"),
        (180.0 + 0.1 * AT, 0.1 * SWING, "180 deg apart"),
    ],
)
def test_log_of_something_else_is_refused(roll, log_roll, why):
    one = found(track_of(T_S, roll), log_of(LOG_S, log_roll))
    assert not one.log_fits
    assert why in one.belongs
    assert one.belongs.startswith("a.mp4: ")


def test_slow_settling_of_a_large_offset_is_not_another_body():
    roll = 5.0 * np.exp(-T_S / 6.0)
    assert found(track_of(T_S, roll), log_of(LOG_S)).belongs == NOT_VERIFIED


def test_frames_that_jump_off_the_rest_are_left_out():
    one = world(1, plan=(*hover(20.0), *tilt(15.0)))
    before = one.residuals()
    assert not any("left out" in note for note in before.notes)
    rng = np.random.default_rng(0)
    for track in one.tracks:
        wrong = rng.random(len(track.track)) < 0.05
        track.track.loc[wrong, "roll_deg"] += rng.choice([-3.0, 2.0, 5.0], np.count_nonzero(wrong))
    after = one.residuals()
    assert after.log_fits
    assert any("jump off the rest" in note for note in after.notes)
    assert 0.9 < len(after.frames) / len(before.frames) < 0.97
    assert after.blocks["r_roll_deg"].to_numpy() == pytest.approx(before.blocks["r_roll_deg"], abs=0.03)
