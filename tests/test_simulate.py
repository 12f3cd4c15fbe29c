"""The simulated rig against exact statics, by hand, and against what a low-pass in earth axes must do."""

import ast
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

import attitude.simulate
from attitude import LOG_COLUMNS, LOG_OPTIONAL_COLUMNS
from attitude.plans import Stage, half_turn, hover, pan, tilt, turns, upside_down, wiggle
from attitude.simulate import Rig, SensorErrors, fly, log_time_s, truth_at
from horizon.angles import angles_from_up, up_from_angles, wrap_deg

QUIET = SensorErrors(accel_noise_mg_rthz=0.0, gyro_noise_dps_rthz=0.0)
ONE_DEGREE_MG = 1000 * np.sin(np.deg2rad(1.0))


def rig(*, errors=QUIET, **changes):
    return Rig(**{"errors": errors, "jitter_deg": 0.0, **changes})


def errors(**changes):
    return replace(QUIET, **changes)


def flown(one, plan, **options):
    """Footage minus log, deg, at every step of the log, and the flight."""
    flight = fly(one, plan, rng=np.random.default_rng(4), log_rate_hz=200.0, **options)
    truth = truth_at(flight, flight.truth["t_s"].to_numpy()[: len(flight.log)])
    gap = truth.copy()
    for column in ("roll_deg", "pitch_deg", "yaw_deg"):
        gap[column] = wrap_deg(truth[column] - flight.log[column])
    return gap, flight


def between(table, from_s, to_s):
    return table[(table["t_s"] >= from_s) & (table["t_s"] < to_s)]


def test_sideways_offset_lowers_the_right_side():
    # 17.45 mg is one degree: asin(0.01745).
    gap, flight = flown(rig(errors=errors(offset_mg=(ONE_DEGREE_MG, 0, 0))), hover(10))
    assert flight.log["roll_deg"].abs().max() < 1e-3
    assert gap["roll_deg"].iloc[-1] == pytest.approx(1.0, abs=1e-4)
    assert gap["pitch_deg"].abs().max() < 1e-3


def test_offset_along_the_lens_lowers_the_lens():
    gap, _ = flown(rig(errors=errors(offset_mg=(0, 0, ONE_DEGREE_MG))), hover(10))
    assert gap["pitch_deg"].iloc[-1] == pytest.approx(-1.0, abs=1e-4)


def test_mounting_turns_the_camera_by_its_own_signs():
    gap, _ = flown(rig(mounting_deg=(0.8, 0.0, 0.0)), hover(10))
    assert gap["roll_deg"].iloc[-1] == pytest.approx(0.8, abs=1e-4)
    gap, _ = flown(rig(mounting_deg=(0.0, 0.5, 0.0)), hover(10))
    assert gap["pitch_deg"].iloc[-1] == pytest.approx(0.5, abs=1e-4)
    gap, _ = flown(rig(mounting_deg=(0.0, 0.0, 0.3)), hover(10))
    assert gap["yaw_deg"].iloc[-1] == pytest.approx(0.3, abs=1e-4)


@pytest.mark.parametrize(("roll_deg", "pitch_deg"), [(0.0, 0.0), (0.0, 31.0), (178.0, -12.0), (-37.0, 18.0)])
@pytest.mark.parametrize("seed", [1, 2])
def test_settled_pose_is_the_exact_static_one(roll_deg, pitch_deg, seed):
    """u = Exp(m) (length u_log - beta) of a gimbal that holds u_log, for errors of several degrees."""
    rng = np.random.default_rng(seed)
    beta, m = rng.normal(0, 0.04, 3), np.deg2rad(rng.normal(0, 3.0, 3))
    one = rig(errors=errors(offset_mg=tuple(1000 * beta)), mounting_deg=tuple(np.rad2deg(-m[[2, 0, 1]])))
    plan = (Stage("hover", 3.0, roll_deg=roll_deg, pitch_deg=pitch_deg, yaw_deg=50.0),)
    _, flight = flown(one, plan)
    u_log = up_from_angles(*np.deg2rad(flight.log[["roll_deg", "pitch_deg"]].iloc[-1]))
    length = u_log @ beta + np.sqrt((u_log @ beta) ** 2 + 1 - beta @ beta)
    roll, pitch = angles_from_up(Rotation.from_rotvec(m).apply(length * u_log - beta))
    truth = flight.truth.iloc[len(flight.log) - 1]
    assert wrap_deg(truth["roll_deg"] - np.rad2deg(roll)) == pytest.approx(0, abs=2e-3)
    assert truth["pitch_deg"] == pytest.approx(np.rad2deg(pitch), abs=2e-3)


def test_scale_and_cross_axis_enter_the_reading():
    # Rolled by 45 deg, by hand: (Sxx - Syy) sin(45) cos(45) = 0.003 / 2 rad of log minus footage.
    one = rig(errors=errors(scale=(0.003, 0.0, 0.0)))
    gap, _ = flown(one, (Stage("hover", 3.0, roll_deg=45.0),))
    assert gap["roll_deg"].iloc[-1] == pytest.approx(-np.rad2deg(0.003 / 2), rel=0.02)
    # Level, the down axis seen by the right one: a lean of -0.005 rad x (-1), as an offset of -5 mg.
    one = rig(errors=errors(cross_axis=((9.0, 0.005, 0.0), (0.0, 9.0, 0.0), (0.0, 0.0, 9.0))))
    gap, _ = flown(one, hover(3))
    assert gap["roll_deg"].iloc[-1] == pytest.approx(-np.rad2deg(0.005), rel=0.01)


def test_start_is_settled():
    busy = errors(offset_mg=(9.0, -20.0, 14.0), gyro_bias_dps=(0.1, 0.0, -0.08), scale=(0.01, 0.0, -0.01))
    gap, _ = flown(rig(errors=busy, time_constant_s=8.0, mounting_deg=(0.5, 0.2, -0.3)), hover(40))
    for column in ("roll_deg", "pitch_deg"):
        assert np.ptp(gap[column]) < 2e-3


def test_gyro_bias_is_a_twin_of_mounting_at_rest():
    # 0.1 deg/s x 5 s = 0.5 deg; about the forward axis it acts as m_z = tau b, and the lean is -m_z.
    gap, _ = flown(rig(errors=errors(gyro_bias_dps=(0.0, 0.0, 0.1))), hover(10))
    assert gap["roll_deg"].iloc[-1] == pytest.approx(-0.5, abs=2e-3)


def test_integral_gain_learns_the_gyro_bias():
    one = rig(errors=errors(gyro_bias_dps=(0.0, 0.0, 0.1)), integral_time_s=20.0)
    gap, _ = flown(one, hover(20))
    assert gap["roll_deg"].abs().max() < 2e-3


def test_upside_down_turns_the_offset_but_not_the_mounting():
    plan = hover(10) + upside_down(40) + hover(30)
    offset, flight = flown(rig(errors=errors(offset_mg=(ONE_DEGREE_MG, 0, 0))), plan)
    mounting, _ = flown(rig(mounting_deg=(0.8, 0, 0)), plan)
    held = between(offset, 48, 53)
    assert held["roll_deg"].mean() == pytest.approx(-1.0, abs=2e-3)
    assert between(mounting, 48, 53)["roll_deg"].mean() == pytest.approx(0.8, abs=1e-3)
    assert between(flight.log, 48, 53)["roll_deg"].abs().min() > 179.9
    heading = between(flight.log, 48, 53)["yaw_deg"]
    assert heading.abs().max() < 0.1


def test_half_turn_turns_the_lean_round_and_lets_it_back_with_tau():
    """A settled lean stays with the earth: after a fast half turn it shows with the other sign."""
    one = rig(errors=errors(offset_mg=(ONE_DEGREE_MG, 0, 0)), time_constant_s=5.0)
    gap, flight = flown(one, hover(5) + half_turn(hold_s=30.0, turn_s=2.0))
    done_s = float(flight.shots["from_s"].iloc[1]) + 2.0
    start = float(np.interp(done_s, gap["t_s"], gap["roll_deg"]))
    assert start < -0.4
    # Towards 1 deg with exp(-t / tau): the gap to 1 deg falls to 1/e in one time constant.
    for taus in (1.0, 2.0, 4.0):
        later = float(np.interp(done_s + taus * 5.0, gap["t_s"], gap["roll_deg"]))
        assert 1.0 - later == pytest.approx((1.0 - start) * np.exp(-taus), abs=5e-3)


def test_turned_mounting_does_not_move_in_a_half_turn():
    gap, _ = flown(rig(mounting_deg=(0.8, 0, 0)), hover(5) + half_turn(hold_s=10.0))
    assert np.ptp(gap["roll_deg"]) < 5e-3


def test_slow_pan_smears_the_offset():
    """6 deg/s with tau 5 s: 1 / (1 + j 0.524) leaves 0.785 of the offset in roll, 0.411 goes to pitch."""
    one = rig(errors=errors(offset_mg=(ONE_DEGREE_MG, 0, 0)), time_constant_s=5.0)
    gap, _ = flown(one, hover(5) + pan(6.0, 360.0))
    settled = between(gap, 45, 64)
    rate = np.deg2rad(6.0) * 5.0
    assert settled["roll_deg"].mean() == pytest.approx(1 / (1 + rate**2), abs=2e-3)
    assert settled["roll_deg"].mean() == pytest.approx(0.785, abs=2e-3)
    assert settled["pitch_deg"].mean() == pytest.approx(-rate / (1 + rate**2), abs=2e-3)


def test_steady_circle_leaks_into_roll_and_pitch():
    """A right turn: the acceleration a = v w to the right, turned with the camera, through the filter."""
    speed, rate_dps, tau, leak = 6.0, 20.0, 2.0, 0.1
    one = rig(time_constant_s=tau, leak=leak)
    gap, flight = flown(one, turns(40.0, speed_mps=speed, rate_dps=rate_dps))
    settled = between(gap, 25, 39)
    # Forcing in the body: j leak a / g (right); a low-pass in earth axes divides by 1 + j w tau.
    rate = np.deg2rad(rate_dps)
    answer = 1j * leak * speed * rate / 9.80665 / (1 + 1j * rate * tau)
    # log minus footage: r_pitch = Re, r_roll = -Im.
    assert -settled["pitch_deg"].mean() == pytest.approx(np.rad2deg(answer.real), abs=0.01)
    assert -settled["roll_deg"].mean() == pytest.approx(np.rad2deg(-answer.imag), abs=0.01)
    north = flight.log["velocity_north_mps"].to_numpy()
    assert np.hypot(north, flight.log["velocity_east_mps"])[5000] == pytest.approx(speed)


def test_raw_readings_at_rest():
    busy = errors(offset_mg=(10.0, 0.0, -5.0), gyro_bias_dps=(0.2, -0.1, 0.05))
    _, flight = flown(rig(errors=busy, time_constant_s=0.5), hover(5))
    last = flight.log.iloc[-1]
    # The reading's direction is what the filter believes to be up, but for tau x bias, 0.1 deg here.
    reading = last[["accel_right_g", "accel_down_g", "accel_forward_g"]].to_numpy(float)
    roll, pitch = np.rad2deg(angles_from_up(reading))
    assert abs(roll) < 0.12
    assert abs(pitch) < 0.12
    # At rest the gimbal cancels no tilt rate, but follows its own drifting heading.
    assert last["gyro_right_dps"] == pytest.approx(0.2, abs=1e-3)
    assert last["gyro_forward_dps"] == pytest.approx(0.05, abs=1e-3)


def test_warm_up_and_temperature_move_the_lean():
    warm = errors(warm_up_mg=(ONE_DEGREE_MG, 0, 0), warm_up_s=20.0)
    gap, _ = flown(rig(errors=warm, powered_on_s=0.0, time_constant_s=0.5), hover(60))
    for t_s in (5.0, 20.0, 50.0):
        # The filter runs tau behind.
        expected = np.exp(-(t_s - 0.5) / 20.0)
        assert np.interp(t_s, gap["t_s"], gap["roll_deg"]) == pytest.approx(expected, abs=2e-3)
    drift = errors(temperature_coefficient_mg_per_c=(1.0, 0, 0), calibrated_at_c=20.0)
    one = rig(errors=drift, temperature_c=30.0, temperature_rise_c_per_min=0.0)
    gap, flight = flown(one, hover(5))
    assert gap["roll_deg"].iloc[-1] == pytest.approx(0.573, abs=1e-3)  # 10 mg
    assert flight.log["temperature_c"].iloc[-1] == 30.0


def test_log_shows_that_the_gimbal_does_not_hold():
    one = rig(hold_deg=(0.7, -0.2), hold_drift_dpm=(0.6, 0.0))
    gap, flight = flown(one, hover(60))
    assert flight.log["roll_deg"].iloc[-1] == pytest.approx(1.3, abs=2e-3)
    assert flight.log["pitch_deg"].iloc[-1] == pytest.approx(-0.2, abs=2e-3)
    assert gap["roll_deg"].abs().max() < 2e-3


def test_jitter_has_its_size_and_both_sides_see_it():
    flight = fly(
        rig(jitter_deg=0.05, mounting_deg=(0.5, 0, 0)),
        hover(60),
        rng=np.random.default_rng(1),
        log_rate_hz=200.0,
    )
    assert flight.log["roll_deg"].std() == pytest.approx(0.05, rel=0.1)
    seen = flight.truth["roll_deg"].to_numpy()[: len(flight.log)]
    assert np.std(seen - flight.log["roll_deg"]) < 0.005


def test_clock_rate_offset_and_rounding():
    flight = fly(
        Rig(),
        hover(10) + wiggle(),
        rng=np.random.default_rng(1),
        log_rate_hz=30.0,
        clock_offset_s=100.0,
        clock_ppm=200.0,
        rounding_deg=0.1,
    )
    assert list(flight.log.columns) == LOG_COLUMNS + LOG_OPTIONAL_COLUMNS
    length_s = float(flight.truth["t_s"].iloc[-1])
    assert flight.log["t_s"].iloc[0] == 100.0
    assert log_time_s(flight, 10.0) == pytest.approx(110.002)
    assert flight.log["t_s"].iloc[-1] == pytest.approx(log_time_s(flight, length_s), abs=0.04)
    assert np.diff(flight.log["t_s"]).mean() == pytest.approx(1 / 30, rel=1e-3)
    steps = flight.log["pitch_deg"] / 0.1
    assert np.abs(steps - steps.round()).max() < 1e-9
    assert np.ptp(flight.log["pitch_deg"]) == pytest.approx(10.0, abs=0.5)


def test_plans_do_what_they_say():
    plan = hover(5) + pan(-30.0, 90.0) + hover(3) + half_turn(4.0) + tilt(12.0, period_s=8.0) + wiggle()
    _, flight = flown(rig(), plan)
    log = flight.log
    assert list(flight.shots["shot"]) == ["hover", "pan", "hover", "half_turn", "tilt", "wiggle"]
    pan_end_s = float(flight.shots["to_s"].iloc[2])
    assert np.interp(pan_end_s, log["t_s"], log["yaw_deg"]) == pytest.approx(-90.0, abs=0.05)
    turned_s = float(flight.shots["to_s"].iloc[3])
    assert np.interp(turned_s, log["t_s"], log["yaw_deg"]) == pytest.approx(90.0, abs=0.05)
    tilted = between(log, turned_s, float(flight.shots["to_s"].iloc[4]))
    assert tilted["pitch_deg"].max() == pytest.approx(12.0, abs=0.1)
    assert tilted["pitch_deg"].min() == pytest.approx(-12.0, abs=0.1)
    wiggled = between(log, float(flight.shots["from_s"].iloc[5]), 1e9)
    assert wiggled["pitch_deg"].max() == pytest.approx(10.0, abs=0.2)
    assert np.ptp(wiggled["yaw_deg"]) == pytest.approx(30.0, abs=1.0)


def test_heading_can_be_asked_for():
    plan = (Stage("hover", 2.0, yaw_deg=40.0), Stage("hover", 6.0, yaw_deg=100.0, transition_s=3.0))
    _, flight = flown(rig(), plan)
    assert flight.log["yaw_deg"].iloc[0] == pytest.approx(40.0, abs=0.01)
    assert flight.log["yaw_deg"].iloc[-1] == pytest.approx(100.0, abs=0.05)


def test_same_seed_same_flight():
    first, second = (fly(Rig(), hover(3), rng=np.random.default_rng(8)) for _ in range(2))
    assert first.log.equals(second.log)


def test_truth_at_is_nowhere_beyond_the_flight():
    flight = fly(Rig(), hover(3), rng=np.random.default_rng(8))
    assert truth_at(flight, [-0.1, 1.0, 3.5])["roll_deg"].isna().tolist() == [True, False, True]


@pytest.mark.parametrize(
    ("call", "text"),
    [
        (lambda rng: fly(Rig(), (), rng=rng), "the plan has no stage"),
        (lambda rng: fly(Rig(), hover(2), rng=rng, log_rate_hz=400.0), "log_rate_hz is 400.0; expected"),
        (lambda rng: fly(Rig(time_constant_s=0.0), hover(2), rng=rng), "time_constant_s is 0.0; expected"),
    ],
)
def test_refusals(call, text):
    with pytest.raises(ValueError, match=text):
        call(np.random.default_rng(0))


def test_simulator_shares_nothing_with_the_estimator():
    tree = ast.parse(Path(attitude.simulate.__file__).read_text(encoding="utf-8"))
    modules = {node.module for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)}
    modules |= {name.name for node in ast.walk(tree) if isinstance(node, ast.Import) for name in node.names}
    assert {name for name in modules if name.split(".")[0] in ("attitude", "horizon")} == {
        "attitude",
        "attitude.plans",
        "horizon.angles",
    }
    names = {
        name.name
        for node in ast.walk(tree)
        if isinstance(node, ast.ImportFrom) and node.module == "attitude"
        for name in node.names
    }
    assert names == {"LOG_COLUMNS", "LOG_OPTIONAL_COLUMNS"}
