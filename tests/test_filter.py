"""The filter's columns against the simulated filter, which shares no formula with them, and by hand."""

import dataclasses

import numpy as np
import pytest

from attitude.filter import (
    Drive,
    FilterKind,
    Motion,
    acceleration_drive,
    gyro_bias_drive,
    gyro_scale_drive,
    low_pass,
    offset_drive,
    pose_of_offset,
    respond,
    skyline_tilt,
    start_response,
)
from attitude.plans import Stage, half_turn, hover, pan, turns, upside_down
from attitude.simulate import Rig, SensorErrors, fly
from horizon.angles import angles_from_up, tangent_frame, up_from_angles, wrap_deg

QUIET = SensorErrors(accel_noise_mg_rthz=0.0, gyro_noise_dps_rthz=0.0)
TAU_S = 4.0
# Every attitude matters: a pan off level, a half turn in roll, portrait, a lens that looks up.
PLAN = (
    *hover(2.0, pitch_deg=-12.0),
    *pan(20.0, 120.0),
    *upside_down(8.0, transition_s=2.0),
    Stage("ordinary", 6.0, roll_deg=90.0, pitch_deg=15.0, transition_s=2.0),
    *half_turn(5.0),
)


def motion_of(log):
    angles = np.deg2rad(log[["roll_deg", "pitch_deg", "yaw_deg"]].to_numpy())
    return Motion(0.02, *angles.T, np.zeros(len(log), np.intp))


PLAIN = FilterKind(TAU_S)


def response(motion, drive, kind=PLAIN):
    return respond(motion, [kind], [[drive]])[0]


def flown(errors=QUIET, *, plan=PLAN, **rig):
    """Log minus truth of a simulated rig, as r_pitch - j r_roll, deg, and the motion that it logged."""
    rig = Rig(errors=errors, time_constant_s=TAU_S, jitter_deg=0.0, **{"leak": 0.0, **rig})
    flight = fly(rig, plan, rng=np.random.default_rng(0))
    log = flight.log
    truth = flight.truth.iloc[::4].reset_index(drop=True)
    motion = motion_of(log)
    up_log = up_from_angles(motion.roll_rad, motion.pitch_rad)
    up_true = up_from_angles(*np.deg2rad(truth[["roll_deg", "pitch_deg"]].to_numpy()).T)
    # In the middle of the two, a difference of unit vectors lies in the tangent plane to second order.
    e_roll, e_pitch = tangent_frame(*angles_from_up(up_log + up_true))
    apart = np.rad2deg(up_log - up_true)
    return np.sum(e_pitch * apart, axis=1) - 1j * np.sum(e_roll * apart, axis=1), motion


@pytest.mark.parametrize("axis", [0, 1, 2])
def test_offset_through_the_filter_agrees_with_the_simulated_one(axis):
    offset_mg = np.eye(3)[axis] * 8.0
    seen, motion = flown(dataclasses.replace(QUIET, offset_mg=tuple(offset_mg)))
    column = response(motion, offset_drive(motion))[:, axis] * 8.0 * 0.0573
    assert np.abs(column).max() > 0.3
    # 0.02 deg: second order of 0.46 deg, and the gimbal's lag in the half turn.
    assert np.abs(seen - column).max() < 0.02


@pytest.mark.parametrize(("axis", "turn"), [(0, 1), (1, 2), (2, 0)])
def test_mounting_agrees_with_the_simulated_one(axis, turn):
    mounting_deg = [0.0, 0.0, 0.0]  # roll, pitch, yaw are turns about forward, right, down
    mounting_deg[turn] = 0.5
    seen, motion = flown(mounting_deg=tuple(mounting_deg))
    assert np.abs(seen - 0.5 * motion.turned[:, axis]).max() < 0.02


@pytest.mark.parametrize("axis", [0, 1, 2])
def test_gyro_bias_agrees_with_the_simulated_one(axis):
    bias_dps = np.eye(3)[axis] * 0.1
    seen, motion = flown(dataclasses.replace(QUIET, gyro_bias_dps=tuple(bias_dps)))
    column = -TAU_S * 0.1 * response(motion, gyro_bias_drive(motion, TAU_S))[:, axis]
    assert np.abs(seen - column).max() < 0.02


@pytest.mark.parametrize("axis", [0, 1, 2])
def test_turned_gyro_agrees_with_the_simulated_one(axis):
    turn_deg = np.eye(3)[axis] * 0.5
    seen, motion = flown(dataclasses.replace(QUIET, gyro_misalignment_deg=tuple(turn_deg)))
    turned = motion.turned
    column = -0.5 * (turned - response(motion, Drive(target=turned)))[:, axis]
    assert np.abs(column).max() > 0.1
    assert np.abs(seen - column).max() < 0.03


def test_acceleration_agrees_with_the_simulated_one():
    plan = (*hover(1.0), *turns(12.0, speed_mps=8.0, rate_dps=25.0))
    seen, motion = flown(plan=plan, leak=0.2)
    flight = fly(Rig(time_constant_s=TAU_S), plan, rng=np.random.default_rng(0))
    velocity = flight.log["velocity_north_mps"].to_numpy() + 1j * flight.log["velocity_east_mps"].to_numpy()
    column = np.rad2deg(1.0) * 0.2 * response(motion, acceleration_drive(motion, velocity))[:, 0]
    assert np.abs(column).max() > 1.0
    assert np.abs(seen - column).max() < 0.05


def test_gyro_scale_by_hand():
    # A roll by 180 deg that the gyro reads 1 % long leaves 1.8 deg, which then fades with the time constant.
    t_s = np.arange(0, 20, 0.02)
    roll_rad = np.pi * np.clip((t_s - 5.0) / 0.2, 0, 1)
    motion = Motion(0.02, roll_rad, np.zeros_like(t_s), np.zeros_like(t_s), np.zeros(len(t_s), np.intp))
    forward = np.rad2deg(1.0) * 0.01 * response(motion, gyro_scale_drive(motion))[:, 2]
    just_after, later = forward[np.searchsorted(t_s, 5.22)], forward[np.searchsorted(t_s, 5.22 + TAU_S)]
    assert -just_after.imag == pytest.approx(1.8, abs=0.06)
    assert later.imag / just_after.imag == pytest.approx(np.exp(-1), abs=0.01)


def test_steady_pan_smears_the_offset():
    # sensor.md of the derivation: at 6 deg/s and 5 s only 0.785 of it is left, 0.22 at 18 s; by formula
    # |Re 1 / (1 + j w tau)| = 1 / (1 + (w tau)^2).
    t_s = np.arange(0, 400, 0.02)
    level = np.zeros_like(t_s)
    motion = Motion(0.02, level, level, np.deg2rad(6.0) * t_s, np.zeros(len(t_s), np.intp))
    for tau_s, left in ((5.0, 0.785), (18.0, 0.22)):
        roll = -response(motion, offset_drive(motion), FilterKind(tau_s))[-1, 0].imag
        assert -roll == pytest.approx(left, abs=0.003)


def test_half_turn_reverses_the_offset_at_first():
    t_s = np.arange(0, 40, 0.02)
    level = np.zeros_like(t_s)
    yaw_rad = np.pi * np.clip((t_s - 10.0) / 0.1, 0, 1)
    motion = Motion(0.02, level, level, yaw_rad, np.zeros(len(t_s), np.intp))
    lean = -response(motion, offset_drive(motion))[:, 0].imag
    before, after, settled = (lean[np.searchsorted(t_s, when)] for when in (9.0, 10.2, 39.0))
    assert before == pytest.approx(-1.0)
    assert after == pytest.approx(1.0, abs=0.1)
    assert settled == pytest.approx(before, abs=0.01)


def test_low_pass_step_and_runs():
    n = 500
    run = np.repeat([0, 1], n // 2)
    motion = Motion(0.02, np.zeros(n), np.zeros(n), np.zeros(n), run)
    step = np.zeros(n, complex)
    step[100:] = 1.0
    out = low_pass(step, motion, 2.0)
    assert out[150].real == pytest.approx(1 - np.exp(-(50 * 0.02 + 0.01) / 2.0), abs=1e-3)
    assert out[250:] == pytest.approx(1.0)  # a new run starts settled


def test_skyline_and_start_are_fixed_in_the_earth():
    yaw_rad = np.deg2rad([0.0, 90.0, 180.0, 270.0])
    level = np.zeros(4)
    motion = Motion(1.0, level, level, yaw_rad, np.zeros(4, np.intp))
    east = -skyline_tilt(motion.yaw_rad)[:, 1].imag  # roll residual of a skyline whose normal leans east
    assert east == pytest.approx([1.0, 0.0, -1.0, 0.0], abs=1e-12)
    start = start_response(motion, 0, 5.0)[:, 0]
    assert np.abs(start) == pytest.approx(np.exp(-np.arange(4) / 5.0))
    assert start[1] == pytest.approx(np.exp(-0.2) * -1j)  # an error to the north is on the left, looking east


# sin law; computed, the forms theta = asin(Ax) are in Analog Devices AN-1057 (from memory).
TILT_OF_MG = [(1, 0.0573), (10, 0.573), (17.453, 1.000), (20, 1.146), (35, 2.006), (50, 2.866)]


@pytest.mark.parametrize(("offset_mg", "tilt_deg"), TILT_OF_MG)
def test_offset_leans_a_levelled_camera_by_the_sine_law(offset_mg, tilt_deg):
    errors = dataclasses.replace(QUIET, offset_mg=(offset_mg, 0.0, 0.0))
    flight = fly(Rig(errors=errors, jitter_deg=0.0), hover(0.5), rng=np.random.default_rng(0))
    lean_deg = flight.truth["roll_deg"].iloc[-1]
    assert lean_deg == pytest.approx(tilt_deg, abs=6e-4)
    # r_roll = log - footage = -lean; the column is linear, so it is right to the third order.
    column_deg = np.rad2deg(-pose_of_offset(np.zeros(1), np.zeros(1))[0, 0].imag * offset_mg * 1e-3)
    assert column_deg == pytest.approx(-tilt_deg, abs=0.002)


def test_offset_in_every_upright_and_turned_pose():
    # By hand: a sideways offset lowers log - footage in roll upright and raises it upside down.
    roll_rad = np.deg2rad([0.0, 180.0, 90.0])
    columns = pose_of_offset(roll_rad, np.zeros(3))
    assert -columns[:, 0].imag == pytest.approx([-1.0, 1.0, 0.0], abs=1e-12)
    assert -columns[2, 1].imag == pytest.approx(1.0)
    assert columns[:, 2].real == pytest.approx(1.0)
    assert wrap_deg(180.0 - -179.0) == pytest.approx(-1.0)


LEARNING = FilterKind(TAU_S, integral_s=12.0)
LONG = (*PLAN, *pan(-9.0, 200.0), *hover(10.0))


@pytest.mark.parametrize("axis", [0, *(pytest.param(k, marks=pytest.mark.long) for k in (1, 2))])
def test_offset_through_a_filter_that_learns_agrees_with_the_simulated_one(axis):
    errors = dataclasses.replace(QUIET, offset_mg=tuple(np.eye(3)[axis] * 8.0))
    seen, motion = flown(errors, plan=LONG, integral_time_s=12.0)
    drive = offset_drive(motion)
    column = response(motion, drive, LEARNING)[:, axis] * 8.0 * 0.0573
    assert np.abs(column - response(motion, drive)[:, axis] * 8.0 * 0.0573).max() > 0.1
    assert np.abs(seen - column).max() < 0.025


@pytest.mark.parametrize("axis", [0, 1, 2])
def test_gyro_bias_through_a_filter_that_learns_agrees_with_the_simulated_one(axis):
    bias_dps = np.eye(3)[axis] * 0.1
    seen, motion = flown(
        dataclasses.replace(QUIET, gyro_bias_dps=tuple(bias_dps)), plan=LONG, integral_time_s=12.0
    )
    column = -TAU_S * 0.1 * response(motion, gyro_bias_drive(motion, TAU_S), LEARNING)[:, axis]
    assert np.abs(column[:50]).max() < (0.01 if axis != 1 else 0.1)  # learned, but for what was vertical
    # What is learned level is not unlearned by the turns; what was vertical shows once it is level.
    assert (np.abs(column).max() > 0.04) == (axis != 0)
    assert np.abs(seen - column).max() < 0.025


def test_gated_filter_agrees_with_the_simulated_one():
    plan = (*hover(1.0), *turns(12.0, speed_mps=8.0, rate_dps=25.0), *hover(5.0))
    errors = dataclasses.replace(QUIET, offset_mg=(8.0, 0.0, 0.0))
    seen, motion = flown(errors, plan=plan, leak=1.0, gate_g=0.03)
    flight = fly(Rig(time_constant_s=TAU_S), plan, rng=np.random.default_rng(0))
    felt_g = np.linalg.norm(flight.log[["accel_right_g", "accel_down_g", "accel_forward_g"]], axis=1)
    motion = dataclasses.replace(motion, felt_g=felt_g)
    velocity = flight.log["velocity_north_mps"].to_numpy() + 1j * flight.log["velocity_east_mps"].to_numpy()
    gated = FilterKind(TAU_S, gate_g=0.03)
    column = 8.0 * 0.0573 * response(motion, offset_drive(motion), gated)[:, 0]
    column = column + np.rad2deg(1.0) * response(motion, acceleration_drive(motion, velocity), gated)[:, 0]
    # What gets past the gate at its edges leans by less than 2 deg; the whole circle would by 9 deg. Crossing
    # the gate 0.05 s early or late is 0.4 deg of that.
    assert np.abs(seen).max() < 2.0
    assert np.abs(seen - column).max() < 0.5


def test_stepped_plain_filter_is_the_low_pass():
    _, motion = flown(plan=PLAN)
    # An integral so slow that it learns nothing.
    slow = respond(motion, [FilterKind(TAU_S, integral_s=1e9)], [[offset_drive(motion)]], [0])[0]
    plain = respond(motion, [FilterKind(TAU_S)], [[offset_drive(motion)]], [0])[0]
    assert np.abs(slow - plain)[:, :5].max() < 0.02


def test_learned_start_fades_as_it_is_unlearned():
    n = 4000
    level = np.zeros(n)
    motion = Motion(0.05, level, level, level, np.zeros(n, np.intp))
    north = respond(motion, [FilterKind(2.0, integral_s=8.0)], [[offset_drive(motion)]], [0])[0][:, 5]
    # e' = -(e - 1) / tau at first; critically damped (T = 4 tau): e = t / tau exp(-t / (2 tau)).
    t_s = np.arange(n) * 0.05
    assert north.real == pytest.approx(t_s / 2.0 * np.exp(-t_s / 4.0), abs=0.01)
