"""Filters stepped piece by piece, against the same equations stepped one sample after the other."""

import numpy as np
import pytest
from scipy.signal import lfilter

from attitude.stepping import Steps, fading_sums


def drawn(rng, *shape):
    return rng.normal(size=shape) + 1j * rng.normal(size=shape)


@pytest.mark.parametrize("n", [1, 2, 3, 10, 17, 150])
def test_sums_that_fade_are_those_of_a_recursive_filter(n):
    fed = drawn(np.random.default_rng(n), n, 3)
    assert fading_sums(fed, 0.93) == pytest.approx(lfilter([1.0], [1.0, -0.93], fed, axis=0), abs=1e-12)
    assert fading_sums(fed[:, 0], 0.93) == pytest.approx(fading_sums(fed, 0.93)[:, 0], abs=1e-14)


@pytest.mark.parametrize("n", [1, 2, 3, 10, 17, 150])
def test_steps_in_pieces_are_steps_in_turn(n):
    rng = np.random.default_rng(n)
    kinds, columns = 3, 4
    forcing, tilting = (drawn(rng, n + 1, kinds, columns) for _ in range(2))
    about = drawn(rng, n + 1, 3)
    # The second kind learns nothing, and the third does not pull at every third sample.
    pulls = np.tile([1.0, 0.5, 0.2], (n, 1))
    pulls[::3, 2] = 0.0
    learning, step_s = np.array([0.1, 0.0, 0.02]), rng.uniform(0.05, 0.15, n)
    error, learned = drawn(rng, kinds, columns), rng.normal(size=(kinds, 3, columns))
    found = Steps.between(forcing, tilting, about, pulls, learning, step_s).errors(error, learned)
    E, rates = error, np.swapaxes(learned, 1, 2)
    for i in range(n):
        p, s = pulls[i][:, np.newaxis], step_s[i]
        keep = np.exp(-p * s)
        gain_s = np.where(p > 0, (1 - keep) / np.where(p > 0, p, 1.0), s)
        f, q, h = ((each[i + 1] + each[i]) / 2 for each in (forcing, tilting, about))
        before, E = E, f + keep * (E - f) - gain_s * (q + rates @ h)
        off = (before - f + E - f) / 2
        pulled = (p * s * learning[:, np.newaxis])[..., np.newaxis]
        rates = rates + pulled * (off[..., np.newaxis] * np.conj(h)).real
        assert found[i] == pytest.approx(E, abs=1e-10)
