"""Whether a hold was still: each kind of motion found where it is, and not where it is not."""

from dataclasses import replace

import numpy as np
import pytest

from attitude.capture import FACES
from attitude.stillness import stillness
from tests.captures import capture, hold, invented_board, up_of

AXES = [0, 0, 1, 1, 2, 2]


def held(seed=1, *, spoilt=None, **how):
    """Six holds, of which number 2 is spoilt."""
    rng = np.random.default_rng(seed)
    board = invented_board(rng)
    holds = list(capture(rng, board, np.zeros((6, 2)), **how).holds)
    if spoilt is not None:
        holds[2] = hold(rng, board, up_of("+y"), move_mg=spoilt, **how)
    return holds


def along(axis, shape):
    return lambda t: np.outer(shape(t), np.eye(3)[axis])


def test_still_holds_are_still():
    found = stillness(held(), AXES)
    assert all(one.still for one in found)
    assert found[0].noise_mg == pytest.approx(1.5, rel=0.1)
    assert found[0].mean_sd_g == pytest.approx(1.5e-3 / np.sqrt(500), rel=0.25)
    # The mean needs 1.1 s, (1.5 mg / 0.2 mg)^2 readings at 50 Hz. A slope over T s has the sd sqrt(12 / n) of
    # one reading: 0.1 deg is 6.8 of them in 50 x (6.8 sqrt(12) 1.5 / 1.745 / 50)^2 = 8.2 s.
    assert found[0].needed_s == pytest.approx((6.8 * np.sqrt(12) * 1.5 / 1.745) ** 2 / 50, rel=0.3)


@pytest.mark.parametrize("axis", [0, 2])
@pytest.mark.parametrize("size_mg", [1.75, -4.0])
def test_a_drift_is_found_with_its_size(axis, size_mg):
    found = stillness(held(spoilt=along(axis, lambda t: size_mg * t / 10)), AXES)
    assert [one.drifts for one in found] == [False, False, True, False, False, False]
    which = 0 if axis == 0 else 1
    assert found[2].drift_deg[which] == pytest.approx(np.degrees(size_mg / 1000), rel=0.2)


def test_along_the_face_a_drift_is_no_tilt():
    found = stillness(held(spoilt=along(1, lambda t: 3 * t / 10)), AXES)
    assert not found[2].drifts


@pytest.mark.parametrize("at_s", [1.0, 4.4, 7.3])
def test_a_bump_is_found_where_it_is(at_s):
    found = stillness(held(spoilt=along(0, lambda t: np.where((t >= at_s) & (t < at_s + 0.3), 5.0, 0))), AXES)
    assert [one.bumped for one in found] == [False, False, True, False, False, False]
    assert found[2].bump_s == pytest.approx(at_s + 0.15, abs=0.3)


def test_a_bump_is_no_drift():
    found = stillness(held(spoilt=along(0, lambda t: np.where(np.abs(t - 5) < 0.15, 8.0, 0))), AXES)
    assert found[2].bumped
    assert not found[2].drifts


def test_the_gyro_tells_of_turning():
    holds = held()
    rng = np.random.default_rng(3)
    rates = [rng.normal(0.4, 0.1, (500, 3)) for _ in FACES]
    rates[4][100:140] += 3.0
    holds = [replace(one, gyro_dps=rate) for one, rate in zip(holds, rates, strict=True)]
    assert [one.turned for one in stillness(holds, AXES)] == [False, False, False, False, True, False]


def test_a_noisier_sensor_wants_longer_holds():
    quiet, noisy = (stillness(held(noise_mg=noise), AXES)[0].needed_s for noise in (1.0, 4.0))
    assert noisy == 20.0  # 58 s for a drift of 0.1 deg: not asked of anybody
    assert quiet == 5.0  # none shorter


def test_averages_and_short_holds_are_not_judged():
    holds = held()
    holds[0] = replace(holds[0], readings_g=holds[0].mean_g[None], period_s=None)
    found = stillness(holds, AXES)
    assert found[0].drift_deg is None
    assert found[0].still
    assert stillness(holds[:1], AXES[:1])[0].mean_sd_g > 0


def test_a_sensor_that_repeats_itself_has_no_alarm():
    holds = [replace(one, readings_g=np.round(one.readings_g, 1)) for one in held(noise_mg=0.01)]
    assert all(one.still for one in stillness(holds, AXES))
