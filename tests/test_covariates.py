from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest

from attitude.covariates import CAUSE_OF, COLUMNS, covariates
from attitude.infer import MG_PER_DEG, Witnesses, solution_of
from attitude.plans import Stage, half_turn, hover, pan, tilt, turns, upside_down
from attitude.simulate import Rig, SensorErrors
from tests.rates import Truth, film

SPEED_MPS, RATE_DPS = 8.0, 30.0
ON_S, HEIGHT_C, RISE_C_PER_MIN = 40.0, 12.0, 3.0
MOVES = (
    *hover(20.0),
    *pan(8.0, 360.0),
    *upside_down(20.0),
    *turns(20.0, speed_mps=SPEED_MPS, rate_dps=RATE_DPS),
    *turns(20.0, speed_mps=SPEED_MPS, rate_dps=-RATE_DPS),
    *tilt(15.0),
    *half_turn(),
    *hover(20.0),
)


def found(plan=MOVES, *, rig=None, told_on=True, logged=(), has_yaw=True, **filming):
    """The shoot and its covariates. logged : of the columns that most logs lack, those that this one has."""
    rig = rig or Rig(
        errors=SensorErrors(offset_mg=(0.6 * MG_PER_DEG, 0.0, 0.0)),
        time_constant_s=2.0,
        leak=0.02,
        temperature_c=HEIGHT_C,
        temperature_rise_c_per_min=RISE_C_PER_MIN,
    )
    without = tuple({"accel", "gyro", "temperature"} - set(logged))
    one = film(
        rig,
        plan,
        np.random.default_rng(8),
        Truth((0.6, 0.0, 0.0), (0.0, 0.0, 0.0), 2.0),
        powered_on_s=100.0 - ON_S if told_on else None,
        without=without,
        fps=5.0,
        **filming,
    )
    one = replace(one, logs=tuple(replace(log, has_yaw=has_yaw) for log in one.logs))
    solution = solution_of(Witnesses(one.residuals(), one.logs, one.tracks, one.clocks), one.shoot)
    return one, solution, covariates(solution, one.logs)


@lru_cache
def flown():
    return found(logged=("temperature",))


@lru_cache
def over_hills():
    return found(surface="hills", skyline_deg=(0.5, -0.3), told_on=False)


def test_one_row_per_block_that_was_used():
    _, solution, seen = flown()
    assert list(seen.blocks) == COLUMNS
    assert len(seen.blocks) == len(solution.model.blocks)
    assert set(seen.alone) == set(CAUSE_OF)
    assert all(len(table) == len(seen.blocks) for table in seen.alone.values())


def test_lean_is_footage_minus_log_of_any_tilt():
    one, _, seen = flown()
    frames = one.residuals().frames
    blocks = seen.blocks
    assert blocks["tilt_deg"].abs().max() > 10
    for row in blocks.itertuples():
        near = frames[(frames["clip"] == row.clip) & ((frames["t_s"] - row.t_s).abs() < 0.9)]
        apart = (near["roll_deg"] - near["log_roll_deg"] + 180) % 360 - 180
        # Blocks are twice as long as what is averaged here.
        assert row.lean_deg == pytest.approx(apart.mean(), abs=0.12)


def test_an_offset_leans_an_upside_down_picture_to_the_other_side():
    _, _, seen = flown()
    over = seen.blocks["pose_deg"].abs() == 180
    still = seen.alone["tilt_deg"]["lean_deg"]
    assert over.sum() > 3
    assert still[~over].median() == pytest.approx(0.6, abs=0.08)
    assert still[over].median() == pytest.approx(-0.6, abs=0.08)


def test_pull_of_a_turn_has_its_size_and_side():
    one, _, seen = flown()
    pull_mps2 = SPEED_MPS * np.radians(RATE_DPS)
    right, left = (track.clip for track in one.tracks if "turns" in track.clip)
    for clip, sign in ((right, 1), (left, -1)):
        blocks = seen.blocks[seen.blocks["clip"] == clip]
        steady = blocks[(blocks["t_s"] > 8) & (blocks["t_s"] < 18)]
        assert steady["sideways_mps2"].to_numpy() == pytest.approx(sign * pull_mps2, rel=0.03)
    hovering = seen.blocks[seen.blocks["shot"] == "hover"]
    assert hovering["sideways_mps2"].abs().max() < 0.05
    # A level that follows the pull leans right in right turns.
    alone = seen.alone["sideways_mps2"]["lean_deg"] - seen.alone["tilt_deg"]["lean_deg"]
    assert alone[seen.blocks["sideways_mps2"] > 3].mean() > 0.1
    assert alone[seen.blocks["sideways_mps2"] < -3].mean() < -0.1


def test_time_temperature_and_heading_are_those_of_the_log():
    one, _, seen = flown()
    blocks = seen.blocks
    starts = {track.clip: clock.offset_s for track, clock in zip(one.tracks, one.clocks, strict=True)}
    log_s = np.array([row.t_s + starts[row.clip] for row in blocks.itertuples()])
    assert blocks["since_power_on_s"].to_numpy() == pytest.approx(log_s - (100.0 - ON_S), abs=0.2)
    flight_min = (log_s - 100.0) / 60
    expected_c = HEIGHT_C + RISE_C_PER_MIN * flight_min
    assert blocks["temperature_c"].to_numpy() == pytest.approx(expected_c, abs=0.05)
    assert blocks["heading_deg"].between(0, 360).all()
    panned = blocks[blocks["shot"] == "pan"]
    assert np.ptp(panned["heading_deg"]) > 300


def test_what_is_not_known_is_empty():
    _, _, seen = found(hover(20.0), told_on=False, has_yaw=False)
    blocks = seen.blocks
    for column in ("since_power_on_s", "temperature_c", "heading_deg"):
        assert blocks[column].isna().all()
    assert blocks["tilt_deg"].notna().all()


def test_the_causes_found_explain_what_they_made():
    _, _, seen = flown()
    blocks = seen.blocks
    off = (blocks["lean_deg"] - blocks["expected_deg"]).abs()
    half = 1.96 * np.hypot(blocks["lean_sd_deg"], blocks["expected_sd_deg"])
    assert (off < half).mean() >= 0.9
    # Every way of taking things off leaves the same open.
    for table in seen.alone.values():
        left = table["lean_deg"] - table["expected_deg"]
        assert left.to_numpy() == pytest.approx((blocks["lean_deg"] - blocks["expected_deg"]).to_numpy())


@pytest.mark.long
def test_a_slanting_skyline_is_seen_by_heading_and_taken_off_elsewhere():
    _, _, seen = over_hills()
    upright = seen.blocks["pose_deg"] == 0
    heading = np.deg2rad(seen.blocks["heading_deg"][upright])
    # What is read relative to a skyline whose normal leans north 0.5, east -0.3 deg.
    read_deg = np.sin(heading) * 0.5 - np.cos(heading) * -0.3
    by_heading = seen.alone["heading_deg"]["lean_deg"][upright]
    left = by_heading - read_deg
    assert left.to_numpy() == pytest.approx(left.median(), abs=0.15)
    assert np.ptp(by_heading) > 0.9
    by_tilt = seen.alone["tilt_deg"]["lean_deg"][upright]
    assert np.ptp(by_tilt) < 0.35
    # Its mean stays: whether the skyline or the camera has it, few headings do not tell.
    whole = seen.alone["heading_deg"]["lean_deg"]
    assert seen.alone["tilt_deg"]["lean_deg"].mean() == pytest.approx(whole.mean(), abs=0.02)


def test_what_was_rolled_on_purpose_or_looks_straight_down_is_left_out():
    odd = Stage("hover", 12.0, roll_deg=35.0), Stage("hover", 12.0, pitch_deg=-70.0, transition_s=6.0)
    _, solution, seen = found((*hover(20.0), *odd, *hover(20.0)))
    away = solution.model.blocks
    assert (away["log_roll_deg"] > 30).any()
    assert (away["log_pitch_deg"] < -65).any()
    assert seen.blocks["tilt_deg"].min() > -60
    assert len(seen.blocks) < len(away)
    assert seen.blocks["lean_deg"].abs().max() < 2
