"""How a log is to be read: the footage settles what was assumed, and contradicts what was told."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from attitude.assumptions import assumptions_of
from attitude.clock import ClockError
from attitude.entries import QUATERNIONS
from attitude.findings import Causes
from attitude.frames import camera_angles_deg
from attitude.plans import Stage, hover, pan, tilt, turns
from attitude.readings import contradiction, reread_deg, settle
from attitude.residuals import residuals
from attitude.sheet import ClipSheet, LogSheet, Shoot
from attitude.simulate import fly
from tests.rates import with_uncertainty
from tests.test_clock import LEANING, by_hand, clip_of, log_of

EULER = LogSheet(Path("a.csv"), attitude_of="camera_sensor")
QUATERNION = replace(EULER, quaternion=("w", "x", "y", "z"))
ANGLES = ["roll_deg", "pitch_deg", "yaw_deg"]
HAND_ROLL = (
    Stage("wiggle", 1.2, roll_deg=15.0, transition_s=1.0),
    Stage("wiggle", 1.5, transition_s=0.8),
    Stage("wiggle", 1.2, roll_deg=-12.0, transition_s=1.0),
    Stage("wiggle", 1.5, transition_s=0.8),
)
ROLLED_WHILE_TILTED = (
    Stage("tilt", 4.0, pitch_deg=30.0, transition_s=1.5),
    Stage("tilt", 4.0, pitch_deg=30.0, roll_deg=25.0, transition_s=1.5),
    Stage("tilt", 3.0, pitch_deg=30.0, transition_s=1.5),
)


def shoot_of(sheet, **clip):
    clips = (ClipSheet((Path("a.mp4"),), **clip),)
    return Shoot(Path("s"), Path("s/shoot.toml"), "a day out", clips, logs=(sheet,))


def filmed(seed, *moves, wiggled=True):
    """A flight with a wiggle by hand and further moves, its clip, and the log time of the clip's start."""
    rng = np.random.default_rng(seed)
    rig = replace(LEANING, mounting_deg=tuple(rng.normal(0, 0.5, 3)))
    plan = hover(5) + (by_hand(rng) if wiggled else ()) + hover(2) + moves + hover(5)
    flight = fly(rig, plan, rng=rng, log_rate_hz=25.0, clock_offset_s=20.0)
    to_s = float(flight.truth["t_s"].iloc[-1]) - 2
    return flight, clip_of(flight, 2.0, to_s, seed=seed, white=0.1, slow=0.1), 22.0


def misread(flight, true, stated):
    """The log of a flight written as ``true`` says and read as ``stated`` says."""
    log = log_of(flight)
    angles = reread_deg(true, stated, log.table[ANGLES].to_numpy(float))
    return replace(log, table=log.table.assign(**dict(zip(ANGLES, angles.T, strict=True))))


def answers(settled):
    return {one.key: one for one in settled.readings}


# --- reading again ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("stated", QUATERNIONS)
def test_a_quaternion_is_read_again_as_it_would_have_been_at_first(stated):
    raw = np.random.default_rng(1).normal(size=(50, 4))
    read = replace(QUATERNION, quaternion_of=stated)
    for value in QUATERNIONS:
        other = replace(QUATERNION, quaternion_of=value)
        again = reread_deg(read, other, camera_angles_deg(read, raw))
        apart = (again - camera_angles_deg(other, raw) + 180) % 360 - 180
        assert np.abs(apart).max() < 1e-6


@pytest.mark.parametrize("order", ["yaw_pitch_roll", "yaw_roll_pitch"])
def test_angles_are_read_again_as_they_would_have_been_at_first(order):
    rng = np.random.default_rng(2)
    raw = np.column_stack(
        [rng.uniform(-175, 175, 200), rng.uniform(-80, 80, 200), rng.uniform(-180, 180, 200)]
    )
    read = replace(EULER, angle_order=order, pitch_positive="down")
    for changes in (
        {"pitch_positive": "up"},
        {"roll_positive": "left_down", "yaw_positive": "left"},
        {"angle_order": "yaw_roll_pitch"},
        {"angle_order": "yaw_pitch_roll"},
    ):
        other = replace(read, **changes)
        again = reread_deg(read, other, camera_angles_deg(read, raw))
        apart = (again - camera_angles_deg(other, raw) + 180) % 360 - 180
        assert np.abs(apart).max() < 1e-6


def test_signs_by_hand():
    angles = np.array([[3.0, -10.0, 40.0]])
    for key, value, right in (
        ("roll_positive", "left_down", [-3.0, -10.0, 40.0]),
        ("pitch_positive", "down", [3.0, 10.0, 40.0]),
        ("yaw_positive", "left", [3.0, -10.0, -40.0]),
    ):
        assert reread_deg(EULER, replace(EULER, **{key: value}), angles) == pytest.approx(np.array([right]))


# --- assumed ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "changes",
    [
        {},
        {"pitch_positive": "down"},
        pytest.param({"yaw_positive": "left"}, marks=pytest.mark.long),
        pytest.param({"roll_positive": "left_down"}, marks=pytest.mark.long),
        {"roll_positive": "left_down", "pitch_positive": "down", "yaw_positive": "left"},
    ],
)
def test_assumed_signs_follow_the_footage(changes):
    true = replace(EULER, **changes)
    for seed in range(2):
        flight, clip, start_s = filmed(seed, *HAND_ROLL)
        settled = settle([clip], [misread(flight, true, EULER)], shoot_of(EULER))
        assert settled.clocks[0].offset_s == pytest.approx(start_s, abs=0.01)
        assert settled.clocks[0].note == ""
        for key in ("roll_positive", "pitch_positive", "yaw_positive"):
            one = answers(settled)[key]
            assert (one.value, one.basis) == (getattr(true, key), "tested")
            # A wrong sign misses by twice the motion: 20 deg and more against some 0.15 deg of noise.
            assert one.times > (50 if key != "yaw_positive" else 10)
        said = [note for note in settled.logs[0].notes if note.startswith("tested: ")]
        assert len(said) == len(changes)
        assert all(
            any(f'the footage fits {key} = "{value}"' in note for note in said)
            for key, value in changes.items()
        )
        assert not contradiction(settled.readings)
        table = settled.logs[0].table[ANGLES].to_numpy(float)
        assert table == pytest.approx(log_of(flight).table[ANGLES].to_numpy(float), abs=1e-9)


@pytest.mark.parametrize(
    "true",
    [pytest.param(one, marks=() if k % 8 == 0 else pytest.mark.long) for k, one in enumerate(QUATERNIONS)],
)
def test_an_assumed_quaternion_follows_the_footage(true):
    flight, clip, start_s = filmed(1, *HAND_ROLL)
    log = misread(flight, replace(QUATERNION, quaternion_of=true), QUATERNION)
    settled = settle([clip], [log], shoot_of(QUATERNION))
    assert settled.clocks[0].offset_s == pytest.approx(start_s, abs=0.01)
    one = answers(settled)["quaternion_of"]
    assert (one.value, one.basis) == (true, "tested")
    assert bool(settled.logs[0].notes) == (true != QUATERNION.quaternion_of)


@pytest.mark.parametrize("true", ["yaw_pitch_roll", "yaw_roll_pitch"])
@pytest.mark.parametrize("assumed", ["yaw_pitch_roll", "yaw_roll_pitch"])
def test_the_order_of_angles_shows_in_a_roll_while_tilted(true, assumed):
    for seed in (0, 1):
        flight, clip, _ = filmed(seed, *ROLLED_WHILE_TILTED)
        sheet = replace(EULER, angle_order=assumed)
        settled = settle([clip], [misread(flight, replace(EULER, angle_order=true), sheet)], shoot_of(sheet))
        one = answers(settled)["angle_order"]
        assert (one.value, one.basis) == (true, "tested")


def test_a_guessed_field_of_view_hides_no_sign():
    flight, clip, _ = filmed(4)
    for gain in (0.75, 1.3):
        wide = replace(clip, track=clip.track.assign(pitch_deg=gain * clip.track["pitch_deg"]))
        log = misread(flight, replace(EULER, pitch_positive="down"), EULER)
        one = answers(settle([wide], [log], shoot_of(EULER, log_start_s=22.0)))["pitch_positive"]
        assert (one.value, one.basis) == ("down", "tested")


def test_where_nothing_moves_nothing_is_tested():
    flight, clip, _ = filmed(5, wiggled=False)
    settled = settle([clip], [log_of(flight)], shoot_of(EULER, log_start_s=22.0))
    assert {one.basis for one in settled.readings} == {"assumed"}
    assert {one.why for one in settled.readings} == {"nothing moved that would tell"}


def test_a_wiggle_by_stick_leaves_the_sign_of_roll_unproven():
    flight, clip, _ = filmed(6)
    shoot = shoot_of(replace(EULER, given=frozenset({"pitch_positive"})))
    settled = settle([clip], [log_of(flight)], shoot)
    causes = Causes(None, None, None, None, None)
    given = assumptions_of(
        settled.shoot, settled.logs, [clip], settled.clocks, None, causes, readings=settled.readings
    )
    said = {one.what: one for one in given}
    roll, pitch, yaw = (said[f"a.csv: positive {angle}"] for angle in ("roll", "pitch", "yaw"))
    assert roll.basis == "assumed"
    assert "roll sign unproven" in roll.value
    assert "only a roll by hand can settle it" in roll.value
    assert pitch.basis == "tested"
    assert pitch.value.startswith("up (as the sheet says: the footage fits it ")
    assert yaw.basis == "tested"
    assert said["a.csv: order of the angles"].basis == "assumed"


def test_a_clip_that_does_not_tell_sky_from_ground_says_nothing():
    flight, clip, _ = filmed(7, *HAND_ROLL)
    settled = settle([replace(clip, sky="unknown")], [log_of(flight)], shoot_of(EULER))
    assert {one.why for one in settled.readings} == {"no frame tells"}


@pytest.mark.parametrize(
    ("sheet", "seeds"),
    [
        pytest.param(EULER, range(2), id="angles"),
        pytest.param(EULER, range(2, 6), id="angles, more", marks=pytest.mark.long),
        pytest.param(QUATERNION, range(6), id="quaternion", marks=pytest.mark.long),
    ],
)
def test_other_readings_do_not_make_a_foreign_log_fit(sheet, seeds):
    for seed in seeds:
        rng = np.random.default_rng(60 + seed)
        flight = fly(LEANING, hover(5) + by_hand(rng) + hover(5), rng=rng)
        other = fly(LEANING, hover(9) + by_hand(rng) + hover(20) + by_hand(rng) + pan(12.0, 90.0), rng=rng)
        with pytest.raises(ClockError):
            settle([clip_of(flight, 2.0, 18.0, seed=seed)], [log_of(other)], shoot_of(sheet))


# --- told -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("key", "wrong", "right"),
    [
        ("pitch_positive", "down", "up"),
        ("yaw_positive", "left", "right"),
        ("roll_positive", "left_down", "right_down"),
    ],
)
def test_a_told_sign_is_not_overridden_but_stops_the_inference(key, wrong, right):
    flight, clip, start_s = filmed(8, *HAND_ROLL)
    sheet = replace(EULER, **{key: wrong}, given=frozenset({key}))
    log = misread(flight, EULER, sheet)
    settled = settle([clip], [log], shoot_of(sheet))
    assert settled.clocks[0].offset_s == pytest.approx(start_s, abs=0.02)
    assert getattr(settled.shoot.logs[0], key) == wrong
    said = contradiction(settled.readings)
    assert said.startswith(f'a.csv: the footage fits {key} = "{right}" ')
    assert said.endswith(f'better than "{wrong}", which the sheet states: correct {key} in its [[log]]')
    assert "\n" not in said


def test_a_told_quaternion_is_not_overridden_but_stops_the_inference():
    flight, clip, start_s = filmed(9, *HAND_ROLL)
    sheet = replace(QUATERNION, quaternion_of="camera_to_ned", given=frozenset({"quaternion_of"}))
    settled = settle([clip], [misread(flight, QUATERNION, sheet)], shoot_of(sheet))
    assert settled.clocks[0].offset_s == pytest.approx(start_s, abs=0.01)
    assert settled.shoot.logs[0].quaternion_of == "camera_to_ned"
    assert 'fits quaternion_of = "body_to_ned"' in contradiction(settled.readings)


@pytest.mark.long
def test_a_sensor_with_large_errors_contradicts_nothing():
    """Its lean changes by degrees while the log stands still; a slow tilt follows by 5 deg only."""
    given = frozenset({"roll_positive", "pitch_positive", "yaw_positive", "angle_order"})
    for seed in range(6):
        rng = np.random.default_rng(seed)
        errors = replace(LEANING.errors, offset_mg=tuple(rng.normal(0, 40, 3)))
        rig = replace(LEANING, errors=errors, mounting_deg=tuple(rng.normal(0, 2, 3)))
        plan = hover(10) + pan(20.0, 180.0) + hover(10) + tilt(5.0, period_s=8.0) + hover(5)
        flight = fly(rig, plan, rng=rng, clock_offset_s=20.0)
        clip = clip_of(flight, 2.0, float(flight.truth["t_s"].iloc[-1]) - 2, seed=seed)
        settled = settle([clip], [log_of(flight)], shoot_of(replace(EULER, given=given), log_start_s=22.0))
        assert not contradiction(settled.readings), seed


# --- another body's log -----------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", [0, *(pytest.param(k, marks=pytest.mark.long) for k in (1, 2, 3))])
def test_the_log_of_an_aircraft_that_banks_in_turns_ends_as_one(seed):
    rng = np.random.default_rng(seed)
    speed_mps, rate_dps = rng.uniform(6, 12), rng.uniform(15, 30)
    plan = hover(6)
    for sign in (1, -1):
        plan += turns(18.0, speed_mps=speed_mps, rate_dps=sign * rate_dps) + hover(5)
    flight = fly(replace(LEANING, leak=0.1), plan, rng=rng, log_rate_hz=25.0, clock_offset_s=20.0)
    table = flight.log
    yaw_deg = np.unwrap(table["yaw_deg"], period=360.0)
    # A coordinated turn: tan(bank) = speed x rate of turn / g.
    flown_mps = np.hypot(table["velocity_north_mps"], table["velocity_east_mps"])
    bank_deg = np.degrees(np.arctan(flown_mps * np.radians(np.gradient(yaw_deg, table["t_s"])) / 9.80665))
    noise_deg = rng.normal(0, 0.2, (2, len(table)))
    log = log_of(flight, roll_deg=bank_deg + noise_deg[0], pitch_deg=noise_deg[1] - 0.1 * flown_mps**2)
    clip = clip_of(flight, 2.0, float(flight.truth["t_s"].iloc[-1]) - 2, seed=seed)
    clip = replace(clip, track=with_uncertainty(clip.track, sd_deg=0.05))
    settled = settle([clip], [log], shoot_of(EULER))
    assert settled.clocks[0].offset_s == pytest.approx(22.0, abs=0.1)
    assert settled.clocks[0].note.startswith("a.csv ")
    said = residuals([clip], settled.logs, settled.clocks, settled.shoot).belongs
    assert "while the picture stays level: the aircraft's or another body's attitude" in said
