"""A change that nobody marked: false alarms, power, place and size over seeded series."""

import numpy as np
import pytest
from scipy.stats import ttest_ind

from attitude.changepoint import LEAST_SHOOTS, ChangePointError, change_words, find_change

NAMES = [f"shoot {k}" for k in range(40)]


def series(rng, sd, step=0.0, at=10):
    return rng.normal(0.2, sd) + step * (np.arange(len(sd)) >= at)


def test_the_statistic_is_the_largest_two_sample_t():
    """Against scipy's pooled t test at every split."""
    lean = series(np.random.default_rng(1), np.full(12, 0.1), 0.2, at=7)
    each = [abs(ttest_ind(lean[:k], lean[k:]).statistic) for k in range(2, 11)]
    found = find_change(lean, np.full(12, 0.1))
    assert found.largest_t == pytest.approx(max(each))
    assert found.at == 2 + int(np.argmax(each))


def test_threshold_at_twenty_shoots():
    """3.21: our own earlier simulation of the method; a split known before would need 2.10."""
    found = find_change(series(np.random.default_rng(1), np.full(20, 0.1)), np.full(20, 0.1))
    assert found.threshold == pytest.approx(3.21, abs=0.04)


@pytest.mark.parametrize("n", [LEAST_SHOOTS, 8, 20])
@pytest.mark.parametrize("uneven", [False, True])
def test_five_false_alarms_in_a_hundred(n, uneven):
    sd = np.where(np.arange(n) % 3 == 0, 0.3, 0.08) if uneven else np.full(n, 0.08)
    rng = np.random.default_rng(2)
    share = np.mean([find_change(series(rng, sd), sd).found for _ in range(800)])
    assert share == pytest.approx(0.05, abs=0.023)  # three standard errors


def test_a_repeatability_taken_too_small_raises_no_more_alarms():
    """The scatter is learned from the series, so a common factor in what was handed in is no matter."""
    lean = series(np.random.default_rng(3), np.full(15, 0.2), 0.3, at=6)
    right, small = (find_change(lean, np.full(15, sd)) for sd in (0.2, 0.05))
    assert small.largest_t == pytest.approx(right.largest_t)
    assert small.threshold == right.threshold
    assert [small.low_deg, small.high_deg] == pytest.approx([right.low_deg, right.high_deg])


@pytest.mark.parametrize(("step_sds", "told"), [(1.0, 0.36), (1.5, 0.68), (2.0, 0.93)])
def test_power_half_way_through_twenty_shoots(step_sds, told):
    """Told: our own earlier simulation of the method."""
    rng, sd = np.random.default_rng(4), np.full(20, 0.1)
    share = np.mean([find_change(series(rng, sd, 0.1 * step_sds), sd).found for _ in range(500)])
    assert share == pytest.approx(told, abs=0.065)  # three standard errors


def test_place_and_size_are_held_by_their_intervals():
    """A change of 0.3 deg after the eighth of 14 shoots, scatter 0.1 deg, every third 0.2 deg."""
    rng = np.random.default_rng(5)
    sd = np.where(np.arange(14) % 3 == 0, 0.2, 0.1)
    found = [find_change(series(rng, sd, -0.3, at=8), sd) for _ in range(400)]
    assert np.mean([one.found for one in found]) > 0.85
    assert np.mean([one.first <= 8 <= one.last for one in found]) > 0.92
    assert np.mean([one.low_deg < -0.3 < one.high_deg for one in found]) > 0.92
    assert np.mean([one.high_deg - one.low_deg for one in found]) < 0.45
    assert np.mean([one.at == 8 for one in found]) > 0.6


def test_a_poor_shoot_counts_for_little():
    sd = np.full(10, 0.05)
    lean = np.tile([0.20, 0.22, 0.18, 0.21, 0.19], 2)
    lean[8:] += 0.5
    assert find_change(lean, sd).found
    sd[8:] = 1.0
    assert not find_change(lean, sd).found


def test_words():
    rng, sd = np.random.default_rng(6), np.full(12, 0.08)
    said = change_words(find_change(series(rng, sd, -0.5, at=6), sd), NAMES)
    assert "from shoot 6" in said
    assert "the left side down by 0." in said
    assert "No change" in change_words(find_change(series(rng, sd), sd), NAMES)


def test_too_few_shoots():
    with pytest.raises(ChangePointError, match="4 shoots: a change can be looked for in 5 or more"):
        find_change(np.zeros(4), np.ones(4))


def test_shoots_without_scatter_are_no_fault():
    found = find_change(np.repeat([0.0, 0.5], 4), np.full(8, 0.05))
    assert found.found
    assert found.at == 4
    assert found.change_deg == pytest.approx(0.5)
