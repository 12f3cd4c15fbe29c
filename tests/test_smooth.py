"""A log's angles made ready for matching, against scipy's own smoothing and interpolation."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy.interpolate import PchipInterpolator
from scipy.signal import savgol_coeffs, savgol_filter

from attitude.smooth import filled_in, local_cubics, through


@pytest.mark.parametrize("half", [2, 3, 8, 27])
@pytest.mark.parametrize("more", [0, 1, 40])
def test_local_cubics_are_those_of_savitzky_and_golay(half, more):
    values = np.random.default_rng(half).normal(size=(2 * half + 1 + more, 2)).cumsum(axis=0)
    smoother = local_cubics(half)
    assert smoother[half] == pytest.approx(savgol_coeffs(2 * half + 1, 3), abs=1e-12)
    expected = savgol_filter(values, 2 * half + 1, 3, axis=0)
    assert through(smoother, values) == pytest.approx(expected, abs=1e-9)


# Steps and values of few digits: equal neighbours, level stretches and turns among them.
@given(
    st.integers(2, 9).flatmap(
        lambda n: st.tuples(
            arrays(float, n - 1, elements=st.integers(1, 40).map(lambda k: k / 20)),
            arrays(float, n, elements=st.integers(-6, 6).map(lambda k: k / 3)),
        )
    )
)
def test_cubics_that_do_not_overshoot_are_those_of_scipy(drawn):
    steps, y = drawn
    x = np.concatenate([[0.0], np.cumsum(steps)])
    at = np.concatenate([x, np.linspace(x[0], x[-1], 23)])
    found = filled_in(x, y, at)
    assert found == pytest.approx(PchipInterpolator(x, y)(at), abs=1e-11)
    assert y.min() - 1e-12 <= found.min() <= found.max() <= y.max() + 1e-12
