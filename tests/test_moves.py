"""Shots found from the motion: flights of the simulator, whose stages are the truth."""

import numpy as np
import pandas as pd
import pytest

from attitude.log import AttitudeLog
from attitude.moves import ORDINARY, move_words, moves
from attitude.plans import Stage, figure_of_eight, half_turn, hover, pan, tilt, turns, upside_down, wiggle
from attitude.simulate import Rig, SensorErrors, fly, log_time_s, truth_at

VELOCITY = ["velocity_north_mps", "velocity_east_mps"]
WALK = (Stage(ORDINARY, 8.0, yaw_rate_dps=4.0), Stage(ORDINARY, 4.0))
PROTOCOL = (
    *hover(6.0),  # a flight starts in the pose of its first stage, and a wiggle's is tilted
    *wiggle(),
    *hover(24.0),
    *pan(6.0, 360.0),
    *hover(6.0),
    *upside_down(20.0),
    *hover(12.0),
    *half_turn(),
    *half_turn(),
    *tilt(),
    *figure_of_eight(),
    *WALK,
)
PORTRAIT = (Stage(ORDINARY, 12.0, roll_deg=90.0), Stage(ORDINARY, 12.0, roll_deg=-90.0))
HARMLESS = (
    *WALK,
    *PORTRAIT,
    Stage(ORDINARY, 3.0),
    # A look aside, a bank, a lone quick tilt, and a fast run straight ahead.
    *(Stage(ORDINARY, 2.0, yaw_rate_dps=20.0), Stage(ORDINARY, 3.0)),
    *(Stage(ORDINARY, 3.0, roll_deg=40.0), Stage(ORDINARY, 3.0)),
    *(Stage(ORDINARY, 3.0, pitch_deg=10.0), Stage(ORDINARY, 3.0)),
    *(Stage(ORDINARY, 20.0, speed_mps=9.0, transition_s=4.0), Stage(ORDINARY, 4.0, transition_s=4.0)),
)


def flown(plan, seed, *, fps=4.0, has_yaw=True, velocity=True, flying=None, noise_mps=0.0):
    """Frames of one clip over the whole plan, its log, its pan rate, and the stage of every frame.

    The last is None within 2 s of a change of stage, or within its transition if that takes longer.
    """
    rng = np.random.default_rng(seed)
    errors = SensorErrors(offset_mg=(*rng.normal(0, 10, 3),))
    rig = Rig(errors=errors, time_constant_s=float(rng.uniform(3, 8)), jitter_deg=0.05)
    flight = fly(rig, plan, rng=rng, clock_offset_s=30.0, **(flying or {}))
    t_s = np.arange(0, flight.truth["t_s"].iloc[-1], 1 / fps)
    true = truth_at(flight, t_s)
    table = flight.log.copy()
    table[VELOCITY] += rng.normal(0, noise_mps, (len(table), 2))
    table = table if velocity else table.drop(columns=VELOCITY)
    rates = pd.DataFrame()
    if not has_yaw:
        table["yaw_deg"] = 0.0
        turned = np.diff(np.unwrap(true["yaw_deg"], period=360.0)) * fps + rng.normal(0, 0.3, len(t_s) - 1)
        rates = pd.DataFrame({"t_s": t_s[1:] - 0.5 / fps, "yaw_rate_dps": turned, "yaw_rate_sd_dps": 0.3})
    rounding_deg = (flying or {}).get("rounding_deg", 0.0)
    log = AttitudeLog("log.csv", "camera_sensor", table, rounding_deg, None, has_yaw, ())
    frames = pd.DataFrame({"t_s": t_s, "log_t_s": [log_time_s(flight, t) for t in t_s]})
    frames["roll_deg"], frames["log_turned_deg"] = true["roll_deg"], 0.0
    stage = flight.truth["shot"].to_numpy(object)[np.round(t_s * 200).astype(int)]
    starts_s = np.cumsum([one.duration_s for one in plan])
    for start_s, before, after in zip(starts_s, plan, plan[1:], strict=False):
        if after.shot != before.shot:
            stage[(t_s > start_s - 2.0) & (t_s < start_s + max(2.0, after.transition_s))] = None
    return frames, log, rates, stage


def shares(found, stage):
    """Shot -> share of its frames that got their label."""
    return {shot: float(np.mean(found[stage == shot] == shot)) for shot in set(stage) - {None}}


@pytest.mark.parametrize(
    "case",
    [
        {},
        pytest.param({"has_yaw": False, "fps": 5.0}, marks=pytest.mark.long),
        pytest.param({"flying": {"log_rate_hz": 5.0, "rounding_deg": 0.1}}, marks=pytest.mark.long),
        pytest.param({"flying": {"log_rate_hz": 10.0, "rounding_deg": 0.5}}, marks=pytest.mark.long),
        pytest.param({"noise_mps": 0.1, "flying": {"log_rate_hz": 10.0}}, marks=pytest.mark.long),
    ],
    ids=["all logged", "heading from the picture", "slow log", "coarse log", "noisy velocity"],
)
def test_every_stage_of_one_take_is_named(case):
    for seed in range(3):
        frames, log, rates, stage = flown(PROTOCOL, seed, **case)
        found = moves(frames, log, rates)
        right = shares(found, stage)
        assert len(right) == 8  # all seven, and what is none of them
        assert min(right.values()) >= 0.95, right
        counted = np.array([one is not None for one in stage])
        for shot in ("upside_down", "turns"):
            assert not np.any(counted & (found == shot) & (stage != shot)), shot


def test_nothing_is_called_turns_without_logged_velocity():
    frames, log, rates, _ = flown((*PROTOCOL, *turns(40.0, rate_dps=20.0)), 1, velocity=False)
    found = moves(frames, log, rates)
    assert "turns" not in found
    # A circle that goes on and on is no half turn either.
    frames, log, rates, _ = flown((*hover(4.0), *turns(60.0), *hover(10.0)), 1, velocity=False)
    assert "half_turn" not in moves(frames, log, rates)


def test_what_is_no_shot_is_called_none():
    frames, log, rates, stage = flown(HARMLESS, 5, noise_mps=0.1, flying={"log_rate_hz": 10.0})
    found = moves(frames, log, rates)
    assert set(found[stage == ORDINARY]) == {ORDINARY}


@pytest.mark.parametrize("rate_dps", [-2.5, 3.0, -6.0, 12.0, 18.0])
def test_pans_of_either_way_and_any_pace(rate_dps):
    frames, log, rates, stage = flown((*hover(8.0), *pan(rate_dps, 180.0), *hover(8.0)), 2)
    assert min(shares(moves(frames, log, rates), stage).values()) >= 0.95


def test_pan_by_hand_is_uneven():
    plan = [Stage("pan", 3.0, yaw_rate_dps=rate) for rate in (5.0, 7.0, 4.5, 6.0, 8.0, 5.5, 4.0, 7.5)]
    frames, log, rates, stage = flown((*hover(8.0), *plan, *hover(8.0)), 3)
    assert min(shares(moves(frames, log, rates), stage).values()) >= 0.95


def test_a_short_pan_is_none():
    frames, log, rates, _ = flown((*hover(8.0), *pan(6.0, 70.0), *hover(8.0)), 3)
    assert "pan" not in moves(frames, log, rates)


def test_hold_after_a_half_turn_ends_after_25_s():
    frames, log, rates, _ = flown((*hover(8.0), *half_turn(60.0)), 2)
    found = moves(frames, log, rates)
    t_s = frames["t_s"].to_numpy()
    assert set(found[(t_s > 10) & (t_s < 34)]) == {"half_turn"}
    assert set(found[t_s > 40]) == {"hover"}


def test_upside_down_needs_log_and_picture():
    frames, log, rates, _ = flown((*hover(10.0), *upside_down(15.0)), 2)
    upright = frames.assign(roll_deg=0.0)
    assert "upside_down" in moves(frames, log, rates)
    assert "upside_down" not in moves(upright, log, rates)
    # The picture alone, over a level log, is no upside-down shot either.
    frames, log, rates, _ = flown(hover(20.0), 2)
    assert set(moves(frames.assign(roll_deg=180.0), log, rates)) == {"hover"}


def test_without_any_heading_only_shots_that_need_none_are_found():
    frames, log, _, stage = flown(PROTOCOL, 4, has_yaw=False, velocity=False)
    found = moves(frames, log, pd.DataFrame())
    assert set(found) == {"upside_down", "tilt", "wiggle", ORDINARY}
    assert shares(found, stage)["upside_down"] >= 0.95


def test_a_hole_in_the_log_hides_what_happened_in_it():
    frames, log, rates, _ = flown((*hover(8.0), *half_turn(16.0)), 4)
    seen = ~frames["t_s"].between(7, 13)
    table = log.table[~log.table["t_s"].between(37, 43)]
    holed = AttitudeLog("log.csv", "camera_sensor", table, 0.0, None, True, ())
    found = moves(frames[seen], holed, rates)
    assert set(found) <= {"hover", ORDINARY}
    assert np.mean(found == "hover") > 0.9


def test_one_frame_is_no_motion():
    frames, log, rates, _ = flown(hover(10.0), 4)
    assert moves(frames[:1], log, rates).tolist() == [ORDINARY]


def test_words_name_the_times():
    t_s = np.arange(0.0, 80.0, 0.5)
    shots = np.full(len(t_s), ORDINARY, object)
    shots[(t_s >= 12) & (t_s <= 72)] = "pan"
    shots[(t_s >= 74) & (t_s <= 75)] = "hover"
    assert move_words("clip.mp4", t_s, shots) == "clip.mp4: 12 to 72 s is a pan"
    shots[t_s < 10] = "hover"
    assert move_words("clip.mp4", t_s, shots) == "clip.mp4: 0 to 10 s is a hover, 12 to 72 s is a pan"
    assert move_words("clip.mp4", t_s, np.full(len(t_s), ORDINARY, object)) == ""
    assert move_words("clip.mp4", t_s, np.full(len(t_s), "pan", object)) == "clip.mp4: 0 to 80 s is a pan"
    often = np.where((t_s // 4) % 2 == 0, "hover", "pan").astype(object)
    assert move_words("clip.mp4", t_s, often).endswith("is a pan, and 12 more shots")
