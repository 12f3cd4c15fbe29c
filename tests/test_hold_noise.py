"""Noise of a sensor at rest: as known of white and of filtered noise, and of coarse digits."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import dblquad
from scipy.signal import lfilter

from attitude.capture import StaticHold
from attitude.hold_noise import Noise, blocks_of, grain_g, noise_of
from attitude.stillness import stillness
from tests.captures import RATE_HZ, hold, invented_board, up_of

SEEDS = range(40)
AXES = [0, 0, 1, 1, 2, 2]


def filtered_mg(rng, tau_s, size_mg=1.5):
    """First-order filtered noise of that sd, to add to a hold."""

    def move(t_s):
        rough = rng.normal(0, 1, (len(t_s) + 500, 3))
        keep = np.exp(-1 / RATE_HZ / tau_s)
        return size_mg * lfilter([np.sqrt(1 - keep**2)], [1, -keep], rough, axis=0)[500:]

    return move


def holds_of(rng, tau_s):
    """Six holds of 10 s and the true mean of each."""
    board = invented_board(rng)
    ups = [up_of(face) for face in ("+x", "-x", "+y", "-y", "+z", "-z")]
    holds = [hold(rng, board, up, noise_mg=1e-6, move_mg=filtered_mg(rng, tau_s)) for up in ups]
    return holds, [board.matrix @ up + board.offset_g for up in ups]


@pytest.mark.parametrize("tau_s", [0.02, 0.1, 0.2, 0.5])
def test_the_mean_of_a_filtered_sensor_is_as_uncertain_as_stated(tau_s):
    """A low-pass filter of 0.2 s leaves 500 readings worth about 25, and none of it is a drift."""
    off, drifts = [], 0
    for seed in SEEDS:
        holds, truths = holds_of(np.random.default_rng([seed, int(1000 * tau_s)]), tau_s)
        found = stillness(holds, AXES)
        drifts += any(one.drifts for one in found)
        for one, still, truth in zip(holds, found, truths, strict=True):
            off += list((one.mean_g - truth) / still.mean_sd_g)
    # 40 x 18 means; their rms is known to 3 % where they are independent.
    assert 0.85 < np.sqrt(np.mean(np.square(off))) < 1.15
    assert drifts <= 2


def noise(rng, tau_s):
    holds, _ = holds_of(rng, tau_s)
    blocks = [blocks_of(one) for one in holds]
    raw = [one.readings_g for one in holds]
    return noise_of([b.reading_g for b in blocks], raw, 25.0, np.zeros(3))


def test_white_noise_has_no_memory():
    rng = np.random.default_rng(5)
    found = [noise(rng, 1e-3) for _ in SEEDS]
    assert np.mean([one.alike > 0 for one in found]) < 0.15
    assert np.median([one.sd for one in found]) == pytest.approx(1.5e-3 / 5, rel=0.05)


@pytest.mark.parametrize("tau_s", [0.2, 0.5])
def test_neighbouring_means_of_a_filtered_sensor_are_alike(tau_s):
    """Against the double integral of the correlation over two blocks of 0.5 s."""

    def mean(shift_s):
        return dblquad(lambda s, t: np.exp(-abs(s - t - shift_s) / tau_s), 0, 0.5, 0, 0.5)[0]

    rng = np.random.default_rng(6)
    found = np.median([noise(rng, tau_s).alike for _ in SEEDS])
    assert found == pytest.approx(mean(0.5) / mean(0.0), abs=0.06)


@given(alike=st.floats(0.01, 0.74), count=st.integers(4, 60), seed=st.integers(0, 99))
def test_no_sum_has_a_negative_variance(alike, count, seed):
    gains = np.random.default_rng(seed).normal(0, 1, count)
    assert np.all(Noise(np.ones(3), alike, 50.0).of_sum(gains) > 0)


def test_a_mean_of_like_neighbours_is_worse_than_of_unlike_ones():
    gains = np.full(20, 1 / 20)
    white, alike = (Noise(np.ones(3), rho, 50.0).of_sum(gains)[0] for rho in (0.0, 0.5))
    assert white == pytest.approx(1 / np.sqrt(20))
    # Of a process with e^-a = 0.37 the mean of 20 has about (1 + 2 rho/(1 - e^-a)) times the variance.
    assert alike == pytest.approx(white * np.sqrt(2.5), rel=0.05)


@pytest.mark.parametrize(
    ("noise_mg", "step_mg"), [(0.05, 4.0), (0.5, 4.0), (1.5, 4.0), (2.0, 4.0), (2.0, 1.0)]
)
def test_coarse_digits_leave_what_rounding_does(noise_mg, step_mg):
    """Against readings rounded for real, at every place between two digits."""
    rng = np.random.default_rng(7)
    off, stated = [], []
    for _ in range(60):
        places = rng.uniform(-0.5, 0.5, 3) * step_mg / 1000
        fine = places + rng.normal(0, noise_mg / 1000, (4000, 3))
        coarse = np.round(fine * 1000 / step_mg) * step_mg / 1000
        one = StaticHold("", "", coarse, 0.02, step_g=step_mg / 1000)
        off += list(coarse.mean(axis=0) - places)
        stated += list(np.hypot(grain_g([one]), noise_mg / 1000 / np.sqrt(4000)))
    rms, said = np.sqrt(np.mean(np.square(off))), np.sqrt(np.mean(np.square(stated)))
    assert 0.6 * said < rms < 1.15 * said


def test_a_digit_that_flickers_is_no_bump():
    """Counts of 4 mg under noise of 0.4 mg: near a border a few readings go over it."""
    for seed in SEEDS:
        rng = np.random.default_rng(seed)
        holds = []
        for face in ("+x", "-x", "+y", "-y", "+z", "-z"):
            one = hold(rng, invented_board(rng), up_of(face), noise_mg=0.4)
            holds.append(StaticHold("", "", np.round(one.readings_g / 0.004) * 0.004, 0.02, step_g=0.004))
        assert not any(one.bumped or one.drifts for one in stillness(holds, AXES))
