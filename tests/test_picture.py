"""Time out of tolerance from hand-made frames: what is judged, and what causes add to the tilt."""

import numpy as np
import pandas as pd
import pytest

from attitude.picture import mean_lean, on_purpose, out_of_tolerance, with_parts

N = 100  # frames, 10 a second


def frames_of(tilt_deg, clip="a.mp4", *, pose_deg=0.0, for_test=False):
    tilt_deg = np.broadcast_to(np.asarray(tilt_deg, float), N)
    frames = pd.DataFrame(
        {"clip": clip, "t_s": np.arange(N) / 10, "tilt_deg": tilt_deg, "pose_deg": pose_deg}
    )
    return frames.assign(
        shot="hover", roll_sd_deg=0.05, line_roll_sd_deg=0.02, lasts_s=0.1, for_test=for_test
    )


def step(size):
    return np.where(np.arange(N) < 50, size, 0.0)


def test_time_out_by_hand():
    out = out_of_tolerance(frames_of(step(0.9)), 0.5)
    # Half of ten seconds, and the second about the step is half in, half out: 0.9 / 2 < 0.5.
    assert out.seconds == pytest.approx(4.9, abs=0.21)
    assert out.share == pytest.approx(out.seconds / 10)
    assert out.worst_5s_deg == pytest.approx(0.9, abs=0.02)
    assert out.time.judged.all()


def test_upside_down_shots_are_no_footage_even_where_they_are_upright():
    shown = frames_of(0.1)
    over = frames_of(2.0, "b.mp4", pose_deg=180.0, for_test=True)
    by_hand = frames_of(3.0, "c.mp4", for_test=True)
    out = out_of_tolerance(pd.concat([over, shown, by_hand], ignore_index=True), 0.5)
    assert out.seconds == pytest.approx(20.0, abs=0.1)  # it is out of tolerance all the same
    assert out.time.tilt_deg[out.time.judged] == pytest.approx(0.1)
    # Where nothing else was filmed, it is what there is.
    assert out_of_tolerance(by_hand, 0.5).time.judged.all()
    assert out_of_tolerance(over, 0.5).time.judged.all()


def test_frames_may_come_in_any_order_of_clips():
    one, other = frames_of(step(0.9)), frames_of(-0.2, "b.mp4")
    mixed = pd.concat([one, other]).sort_values(["t_s", "clip"], ignore_index=True)
    out = out_of_tolerance(mixed, 0.5)
    assert out.seconds == pytest.approx(out_of_tolerance(one, 0.5).seconds)
    assert out.time.tilt_deg[mixed["clip"].to_numpy() == "b.mp4"] == pytest.approx(-0.2)


def test_parts_go_with_the_clip_and_its_time():
    frames = pd.concat([frames_of(0.4), frames_of(0.4, "b.mp4")], ignore_index=True)
    blocks = pd.DataFrame({"clip": ["a.mp4"] * 2, "t_s": [0.0, 9.9]})
    parts = with_parts(frames, blocks, {"turns": np.array([0.0, 0.99])})
    time = out_of_tolerance(parts, 0.5).time
    assert set(time.parts_deg) == {"turns"}
    # A straight line over clip a, averaged over a second as the tilt is; nothing over clip b.
    assert time.parts_deg["turns"][50] == pytest.approx(0.5)
    assert time.parts_deg["turns"][N:] == pytest.approx(0.0)
    assert time.tilt_deg == pytest.approx(0.4)


def test_mean_counts_blocks_as_correlated_by_a_third():
    rng = np.random.default_rng(3)
    blocks = rng.normal(0, 0.1, 5)
    _, sd = mean_lean(frames_of(np.repeat(blocks, 20)))
    # Five means of two seconds each; worth n (1 - 1/3) / (1 + 1/3) = n / 2 of them.
    assert sd == pytest.approx(np.sqrt(np.mean(np.diff(blocks) ** 2) / 2) / np.sqrt(5 / 2))


def test_a_look_that_is_badly_known_is_no_worst_second():
    frames = frames_of(0.1)
    frames.loc[50, ["tilt_deg", "roll_sd_deg"]] = 4.0, 1.5
    smooth = out_of_tolerance(frames, 0.5).time.tilt_deg
    # 10 frames a second of weight 1 / 0.05^2 and one of 1 / 1.5^2: it adds 4 * (0.05 / 1.5)^2 / 10.
    assert np.abs(smooth).max() == pytest.approx(0.1 + 3.9 * (0.05 / 1.5) ** 2 / 10, abs=0.0005)
    known = frames.assign(roll_sd_deg=0.05)
    assert np.abs(out_of_tolerance(known, 0.5).time.tilt_deg).max() > 0.4


def test_the_ends_of_a_roll_over_that_is_not_measured_are_no_lean():
    """A line is followed to 30 deg at most: of its way to upside down only the beginning and end are seen."""
    t_s = np.arange(0, 20, 0.2)
    tilt_deg, pose_deg = np.full(100, 0.8), np.where(t_s < 10, 0.0, 180.0)
    tilt_deg[48:50], tilt_deg[50:53] = (4.0, 12.0), (-14.0, -6.0, -3.5)
    left_out = on_purpose(t_s, tilt_deg, pose_deg)
    assert left_out[44:57].all()
    assert not left_out[:40].any()
    assert not left_out[60:].any()
    # The same in one pose is a lean.
    assert not on_purpose(t_s, tilt_deg, np.zeros(100)).any()
