"""Charts of a rig's lean: published worked examples, alarm rates, and when a drift began."""

import numpy as np
import pytest
from scipy.stats import norm

from attitude.charts import (
    BASELINE,
    ChartError,
    departures,
    drift_since,
    drift_words,
    single_shoots,
    smoothed,
)

# NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4; read in test files that quote it.
EWMA_X = [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5]
EWMA_X += [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
EWMA_Z = [50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33]
EWMA_Z += [50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99]
# 6.3.2.3; the quoted files print the sums to two decimals, the lower ones to the twelfth shoot.
CUSUM_X = [324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600]
CUSUM_X += [324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350]
CUSUM_HIGH = [0, 0, 0, 0, 0.03, 0, 0, 0, 0, 0, 0, 0, 3.01, 4.94, 7.45, 10.63, 11.99, 14.44, 16.00, 19.04]
CUSUM_LOW = [0, 0.01, 0, 0.33, 0, 0, 0.56, 0.72, 0.17, 0.25, 0.31, 0]
# 6.3.2.2.
SINGLE_X = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]


def test_smoothed_lean_is_that_of_the_handbook():
    chart = smoothed(np.array(EWMA_X), np.full(20, 2.0539), target_deg=50.0, weight=0.3, width=3.0)
    assert chart.lean_deg == pytest.approx(EWMA_Z, abs=0.0051)
    # The handbook shows the limits of a long series; it cuts the lower one instead of rounding it.
    assert chart.high_deg[-1] == pytest.approx(52.5884, abs=1e-4)
    assert chart.low_deg[-1] == pytest.approx(47.4115, abs=1e-4)
    assert not chart.out.any()


def test_sums_of_departures_are_those_of_the_handbook():
    sums = departures(np.array(CUSUM_X), np.full(20, 0.635), np.full(20, 325.0))
    assert 0.635 * sums.right == pytest.approx(CUSUM_HIGH, abs=0.0051)
    assert 0.635 * sums.left[:12] == pytest.approx(CUSUM_LOW, abs=0.0051)
    assert np.flatnonzero(0.635 * sums.right > 4.1959)[0] + 1 == 14


def test_limits_for_single_shoots_are_those_of_the_handbook():
    chart = single_shoots(np.array(SINGLE_X))
    assert chart.mean_deg == pytest.approx(50.81, abs=0.005)
    assert chart.mean_moving_range_deg == pytest.approx(1.8778, abs=5e-5)
    assert [chart.low_deg, chart.high_deg] == pytest.approx([45.8159, 55.8041], abs=1e-4)
    assert not chart.out.any()


def test_limits_hold_the_exact_variance_of_a_mean_and_shoots_that_differ():
    """Written out as one linear combination of the shoots."""
    sd = np.array([0.1, 0.05, 0.2, 0.1, 0.3, 0.08, 0.12, 0.2])
    chart = smoothed(np.zeros(8), sd, width=1.0)
    for last in range(BASELINE, 8):
        parts = np.zeros(8)
        parts[BASELINE : last + 1] = 0.2 * 0.8 ** np.arange(last - BASELINE, -1, -1)
        parts[:BASELINE] = -parts.sum() / BASELINE
        assert chart.high_deg[last] == pytest.approx(np.sqrt(np.sum((parts * sd) ** 2)))
    assert np.isnan(chart.high_deg[:BASELINE]).all()


def test_a_new_calibration_starts_afresh():
    rng = np.random.default_rng(3)
    lean, sd = rng.normal(0.2, 0.1, 16), rng.uniform(0.05, 0.1, 16)
    lean[7:] += 2.0
    both, alone = smoothed(lean, sd, starts=(7,)), smoothed(lean[7:], sd[7:])
    assert both.lean_deg[7:] == pytest.approx(alone.lean_deg, nan_ok=True)
    assert both.high_deg[7:] == pytest.approx(alone.high_deg, nan_ok=True)
    assert not both.out.any()
    assert smoothed(lean, sd).out[8:].all()
    sums = departures(lean, sd, both.target_deg, starts=(7,))
    assert sums.right[7:] == pytest.approx(departures(lean[7:], sd[7:], alone.target_deg).right)


def run_lengths(shift, count, length, rng):
    """Shoots until the first alarm of the chart against a known target."""
    found = []
    for _ in range(count):
        out = smoothed(rng.normal(shift, 1.0, length), np.ones(length), target_deg=0.0).out
        assert out.any()
        found.append(int(np.argmax(out)) + 1)
    return np.array(found)


def mean_run_length(shift, weight=0.2, width=2.86):
    """Mean run length, by the density of what has not alarmed yet, on Gauss-Legendre nodes.

    Limits widen over the first shoots; from the sixtieth on they are those of a long series, where the
    integral equation of Crowder (1987) for the run length is solved on the same nodes.
    """
    nodes, weights = np.polynomial.legendre.leggauss(81)

    def limit(i):
        return width * np.sqrt(weight / (2 - weight) * (1 - (1 - weight) ** (2 * i)))

    def step(to, start):
        return norm.pdf((to[:, np.newaxis] - (1 - weight) * start) / weight, loc=shift) / weight

    at, mass = np.zeros(1), np.ones(1)
    length = 0.0
    for i in range(1, 60):
        length += mass.sum()
        to = limit(i) * nodes
        mass = step(to, at) @ mass * limit(i) * weights
        at = to
    far = limit(1e9)
    inner = step(far * nodes, far * nodes).T * (far * weights)
    left = np.linalg.solve(np.eye(81) - inner, np.ones(81))
    onward = step(far * nodes, at).T * (far * weights) @ left + 1.0
    return length + mass @ onward


@pytest.mark.parametrize(("shift", "told"), [(1.0, 9.0), (2.0, 2.7), (3.0, 1.5)])
def test_mean_run_length_after_a_shift(shift, told):
    """Told: our own simulation of the method, to the digits it was noted with."""
    rng = np.random.default_rng(11)
    exact = mean_run_length(shift)
    assert run_lengths(shift, 2500, 150, rng).mean() == pytest.approx(exact, rel=0.05)
    assert exact == pytest.approx(told, rel=0.05)


def test_mean_run_length_without_a_shift():
    """370 with the limits of a long series (Lucas and Saccucci 1990 for weight 0.2, width 2.86; from memory).

    Limits that are narrower for the first shoots alarm a little earlier.
    """
    exact = mean_run_length(0.0)
    assert 340 < exact < 370
    found = run_lengths(0.0, 1200, 5000, np.random.default_rng(12))
    assert found.mean() == pytest.approx(exact, rel=0.1)


def test_false_alarms_against_a_mean_of_five():
    """In 20 shoots: that the mean of five is no known target must not cost more alarms than 6 in 100."""
    rng = np.random.default_rng(13)
    out = [smoothed(rng.normal(0.4, 0.1, 20), np.full(20, 0.1)).out.any() for _ in range(2000)]
    assert 0.01 < np.mean(out) < 0.06


def test_a_drift_is_dated_by_its_side():
    lean = np.concatenate([np.tile([0.30, 0.34, 0.26], 4), 0.30 - 0.08 * np.arange(1, 7)])
    sd = np.full(len(lean), 0.07)
    chart = smoothed(lean, sd)
    drift = drift_since(chart, departures(lean, sd, chart.target_deg))
    assert 11 <= drift.since <= 13  # the twelfth happens to lie low as well
    assert drift.since < drift.flagged < len(lean)
    assert drift.change.value < 0
    said = drift_words(drift, [f"shoot {k}" for k in range(len(lean))])
    assert f"Drifting since shoot {drift.since}" in said
    assert "the left side down by" in said
    assert "deg" in said


def test_the_onset_of_a_step_is_found_within_two_shoots_in_two_of_three():
    """A step of three standard deviations at the eleventh of 20 shoots, where the last one still shows it.

    Scatter before the step is often taken for its beginning: two in three is what a chart can promise.
    """
    rng = np.random.default_rng(14)
    errors = []
    for _ in range(400):
        lean = rng.normal(0.0, 0.1, 20) + 0.3 * (np.arange(20) >= 10)
        chart = smoothed(lean, np.full(20, 0.1))
        drift = drift_since(chart, departures(lean, np.full(20, 0.1), chart.target_deg))
        if drift is not None:
            errors.append(abs(drift.since - 10))
    assert len(errors) > 350
    assert np.mean(np.array(errors) <= 2) > 0.67


def test_no_drift_is_said_to_be_none():
    lean, sd = np.array([0.1, 0.12, 0.08, 0.11, 0.09]), np.full(5, 0.07)
    chart = smoothed(lean, sd)
    assert drift_since(chart, departures(lean, sd, chart.target_deg)) is None
    assert drift_since(smoothed(lean[:4], sd[:4]), departures(lean[:4], sd[:4], lean[:4])) is None
    assert "No drift" in drift_words(None, [])


def test_what_cannot_be_charted():
    with pytest.raises(ChartError, match="9 shoots: limits for single shoots need 10"):
        single_shoots(np.zeros(9))
    with pytest.raises(ChartError, match="finite lean"):
        smoothed(np.array([0.1, np.nan]), np.ones(2))
    with pytest.raises(ChartError, match="sd above 0"):
        departures(np.zeros(2), np.array([0.1, 0.0]), np.zeros(2))
