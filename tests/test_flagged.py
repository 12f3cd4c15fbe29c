import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from attitude.flagged import flagged
from attitude.picture import out_of_tolerance


def frames(tilt_deg, *, clip="a.mp4", step_s=0.2, start_s=0.0):
    t_s = start_s + step_s * np.arange(len(tilt_deg))
    lasts_s = np.full(len(tilt_deg), step_s)
    return pd.DataFrame(
        {
            "clip": clip,
            "t_s": t_s,
            "tilt_deg": tilt_deg,
            "lasts_s": lasts_s,
            "roll_sd_deg": 0.02,
            "pose_deg": 0.0,
            "for_test": False,
        }
    )


def level_but(*stretches, lasts_s=60.0):
    tilt = np.full(round(lasts_s / 0.2), 0.1)
    for from_s, to_s, lean in stretches:
        tilt[round(from_s / 0.2) : round(to_s / 0.2)] = lean
    return tilt


def test_a_level_clip_has_no_stretch():
    assert flagged(frames(level_but()), 0.5).empty


def test_two_stretches_are_found_where_they_are_with_their_worst_lean():
    found = flagged(frames(level_but((10, 20, 0.9), (40, 45, -1.2))), 0.5)
    assert found["clip"].tolist() == ["a.mp4", "a.mp4"]
    assert found[["from_s", "to_s"]].to_numpy() == pytest.approx(np.array([[10, 20], [40, 45]]), abs=0.5)
    assert found["worst_deg"].tolist() == pytest.approx([0.9, -1.2])


def test_a_lean_that_wavers_about_the_tolerance_is_one_stretch():
    wavering = 0.5 + 0.2 * np.sin(2 * np.pi * np.arange(300) * 0.2 / 2.0)
    assert len(flagged(frames(wavering), 0.5)) == 1


def test_what_was_not_seen_is_not_flagged():
    parts = [frames(np.full(50, 0.9)), frames(np.full(50, 0.9), start_s=11.5)]
    assert len(flagged(pd.concat(parts, ignore_index=True), 0.5)) == 2


def test_single_frames_are_noise():
    tilt = level_but()
    tilt[100] = 2.0
    assert flagged(frames(tilt), 0.5).empty


def test_clips_keep_their_own_stretches():
    both = pd.concat([frames(level_but((55, 60, 1.0))), frames(level_but((0, 5, 1.0)), clip="b.mp4")])
    assert flagged(both.reset_index(drop=True), 0.5)["clip"].tolist() == ["a.mp4", "b.mp4"]


@settings(max_examples=50, deadline=None)
@given(st.lists(st.floats(-2, 2), min_size=2, max_size=200), st.floats(0.1, 1.0))
def test_stretches_are_in_order_apart_and_hold_all_time_out_of_tolerance(tilt, tolerance_deg):
    table = frames(np.repeat(tilt, 3))
    found = flagged(table, tolerance_deg)
    assert (found["to_s"] > found["from_s"]).all()
    assert (found["from_s"].to_numpy()[1:] > found["to_s"].to_numpy()[:-1]).all()
    assert (found["worst_deg"].abs() > tolerance_deg).all()
    total_s = float((found["to_s"] - found["from_s"]).sum())
    assert total_s >= out_of_tolerance(table, tolerance_deg).seconds - 0.2 - 1e-6
