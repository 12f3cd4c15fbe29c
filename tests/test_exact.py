"""The model for large errors against the simulator, which shares no formula with it."""

import dataclasses

import numpy as np
import pytest

from attitude.causes import observation_model
from attitude.exact import at_level_deg, left_out_deg
from attitude.filter import FilterKind
from attitude.infer import MG_PER_DEG
from attitude.plans import hover, pan, upside_down
from attitude.simulate import Rig, SensorErrors
from attitude.stretch import Setting
from tests.bench.inference import settled_truth
from tests.rates import film

PLAN = (*hover(10.0), *pan(12.0, 240.0), *upside_down(14.0), *hover(10.0, pitch_deg=-15.0))
SIZES = {"focal_sd": 0.012, "pitch_zero_sd_deg": 0.05, "dip_sd_deg": 0.01}
QUIET = SensorErrors(accel_noise_mg_rthz=0.0, gyro_noise_dps_rthz=0.0)


def shoot_of(offset_deg, mounting_deg, gyro_dps=0.0, **kind):
    errors = dataclasses.replace(
        QUIET,
        offset_mg=tuple(np.array(offset_deg) * MG_PER_DEG),
        gyro_bias_dps=(0.0, 0.0, gyro_dps),
    )
    rig = Rig(errors=errors, mounting_deg=mounting_deg, time_constant_s=4.0, jitter_deg=0.0, leak=0.0, **kind)
    return film(
        rig, PLAN, np.random.default_rng(1), settled_truth(rig), noise=(1e-6, 1e-6, 1.0), shared_sd_deg=1e-6
    )


@pytest.mark.parametrize("kind", [{}, {"integral_time_s": 15.0}])
def test_large_errors_are_predicted(kind):
    offset_deg, mounting_deg = (3.0, -1.5, 2.0), (-2.5, 1.5, 2.0)
    one = shoot_of(offset_deg, mounting_deg, 0.1, **kind)
    model = observation_model(one.residuals(), one.logs, one.clocks, one.shoot, one.tracks, **SIZES)
    values = dict.fromkeys(model.names, 0.0)
    values |= dict(zip(("offset_sideways", "offset_vertical", "offset_along_lens"), offset_deg, strict=True))
    values |= dict(zip(("mounting_roll", "mounting_pitch", "mounting_yaw"), mounting_deg, strict=True))
    values |= {"gyro_roll": -4.0 * 0.1}
    setting = Setting(FilterKind(4.0, integral_s=kind.get("integral_time_s")))
    linear = model.columns([setting])[0] @ np.array([values[name] for name in model.names])
    n = len(model.blocks)
    seen = model.residual_deg[: 2 * n]
    off = np.abs(seen - linear[: 2 * n])
    left = np.abs(seen - linear[: 2 * n] - left_out_deg(model, setting, values))
    assert off.max() > 0.1
    assert np.median(left) < 0.01
    # The first seconds of each log start from the linear state; quick rolls are read between samples.
    assert np.quantile(left, 0.95) < 0.06


def test_small_errors_leave_nothing_out():
    one = shoot_of((0.1, 0.1, 0.1), (0.1, 0.1, 0.1))
    model = observation_model(one.residuals(), one.logs, one.clocks, one.shoot, one.tracks, **SIZES)
    values = dict.fromkeys(model.names, 0.1)
    assert np.abs(left_out_deg(model, Setting(FilterKind(4.0)), values)).max() < 0.02


def test_lean_of_a_badly_calibrated_sensor_is_right_to_second_order():
    one = shoot_of((3.0, -1.5, 2.0), (-0.5, 1.5, 0.3))
    causes = one.infer()
    # The offset's wide prior of 0.9 deg takes a part of so large a one; a hundredth of a degree here.
    assert causes.lean.value == pytest.approx(one.truth.lean_deg, abs=0.03)
    assert causes.offset_lean.value == pytest.approx(3.0, abs=0.06)


@pytest.mark.parametrize("kind", [{}, {"integral_time_s": 15.0}])
def test_lean_at_level_agrees_with_the_simulated_one(kind):
    one = shoot_of((3.0, -1.5, 2.0), (-2.5, 1.5, 2.0), 0.1, **kind)
    values = {"offset_sideways": 3.0, "offset_vertical": -1.5, "offset_along_lens": 2.0, "gyro_roll": -0.4}
    values |= {"mounting_roll": -2.5, "mounting_pitch": 1.5, "mounting_yaw": 2.0}
    more = at_level_deg(Setting(FilterKind(4.0, integral_s=kind.get("integral_time_s"))), values)[0]
    linear = 0.5 if kind else 0.1
    assert abs(more) > 0.04
    assert linear + more == pytest.approx(one.truth.lean_deg, abs=0.01)
