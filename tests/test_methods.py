"""Ways of calibrating: what counts as one repeat, the spread that is left, and telling two apart."""

import numpy as np
import pytest
from scipy.stats import chi2, levene

from attitude.methods import (
    LEAST_CALIBRATIONS,
    MOST_CALIBRATIONS,
    Method,
    calibrations_each,
    compare_methods,
    method_words,
    pair_words,
)
from attitude.repeatability import Repeatability
from tests.recorded import recorded

STEADY = Repeatability(sd_deg=0.02, low_deg=0.015, high_deg=0.03, dof=20.0, shoots=18)


def shoot(number, lean_deg, sd_deg=0.03, **more):
    return recorded(number, lean_deg, sd_deg=sd_deg, **{"calibration": "", "method": ""} | more)


def repeats(method, leans_deg, first=0, sd_deg=0.03):
    """One shoot after each of several calibrations."""
    return [
        shoot(first + k, lean, sd_deg, calibration=f"{method} {k}", method=method)
        for k, lean in enumerate(leans_deg)
    ]


def only(shoots, repeatability=STEADY) -> Method:
    (found,) = compare_methods(shoots, repeatability).methods
    return found


def test_a_calibration_counts_once_with_the_mean_of_its_shoots():
    shoots = [
        shoot(0, 0.1, calibration="one", method="bench"),
        shoot(1, 0.3, calibration=" ONE ", method="bench"),
        shoot(2, -0.2, calibration="two", method="Bench"),
        shoot(3, None, calibration="two", method="bench"),
    ]
    found = only(shoots)
    assert found.name == "bench"
    assert found.lean_deg == pytest.approx([0.2, -0.2])


def test_shoots_after_something_was_changed_are_no_longer_the_calibrations():
    shoots = [
        shoot(0, 0.1, calibration="one", method="bench", changed=("firmware",)),
        shoot(1, 0.2, calibration="one", method="bench"),
        shoot(2, 0.9, calibration="one", method="bench", changed=("landing",)),
        shoot(3, 0.9, calibration="one", method="bench"),
    ]
    assert only(shoots).lean_deg == pytest.approx([0.15])
    assert only(shoots[::-1]).lean_deg == pytest.approx([0.15])


def test_one_label_on_two_rigs_is_two_calibrations():
    shoots = [shoot(k, 0.1 * k, calibration="one", method="bench", rig=rig) for k, rig in enumerate("ab")]
    assert only(shoots).calibrations == 2


def test_shoots_without_a_label_or_a_lean_are_counted_as_left_out():
    shoots = [
        *repeats("bench", [0.1, 0.2, 0.0]),
        shoot(5, 0.1, calibration="x"),
        shoot(6, 0.1, method="bench"),
        shoot(7, None, calibration="y", method="bench"),
    ]
    found = compare_methods(shoots, STEADY)
    assert found.left_out == 3
    assert found.methods[0].calibrations == 3


def test_spread_and_level_error_by_hand():
    leans = np.array([0.5, -0.3, 0.1, -0.4, 0.2])
    found = only(repeats("bench", leans, sd_deg=0.1))
    known = 0.1**2 + 0.02**2
    seen = np.var(leans, ddof=1)
    interval = seen * 4 / chi2.ppf([0.975, 0.025], 4)
    assert found.spread_deg == pytest.approx(np.sqrt(seen - known))
    assert [found.spread_low_deg, found.spread_high_deg] == pytest.approx(np.sqrt(interval - known))
    assert found.level_error_deg.value == pytest.approx(0.3)
    assert found.level_error_deg.sd == pytest.approx(np.std(np.abs(leans), ddof=1) / 5**0.5)


def test_what_only_measuring_scatters_is_no_spread():
    found = only(repeats("bench", [0.1, 0.15, 0.08], sd_deg=0.2))
    assert (found.spread_deg, found.spread_low_deg) == (0.0, 0.0)


def test_fewer_than_three_calibrations_have_no_numbers():
    found = compare_methods([*repeats("bench", [0.1, 0.2]), *repeats("field", [0.1, 0.0, 0.3], 10)], STEADY)
    few, enough = found.methods
    assert few.spread_deg is None
    assert enough.spread_deg is not None
    assert found.pairs == ()
    assert f"before {LEAST_CALIBRATIONS}" in method_words(few)


def test_the_interval_of_the_spread_holds_what_it_says():
    rng = np.random.default_rng(5)
    inside = 0
    for _ in range(600):
        leans = rng.normal(0.1, np.sqrt(0.2**2 + 0.03**2 + 0.02**2), 6)
        found = only(repeats("bench", leans))
        inside += found.spread_low_deg < 0.2 < found.spread_high_deg
    assert inside / 600 == pytest.approx(0.95, abs=0.027)  # three standard errors


def test_the_test_is_brown_and_forsythes():
    a, b = [0.5, -0.6, 0.1, -0.4, 0.7], [0.1, 0.12, 0.09, 0.05, 0.15]
    (pair,) = compare_methods([*repeats("bench", a), *repeats("field", b, 10)], STEADY).pairs
    assert pair.p_value == pytest.approx(levene(a, b, center="median").pvalue)
    assert pair.tighter == "field"
    assert pair.more == 0
    assert pair_words(pair) == "field is the tighter of bench and field"


def test_three_methods_pay_for_three_looks():
    a, b, c = [0.5, -0.6, 0.1, -0.4, 0.7], [0.1, 0.12, 0.09, 0.05, 0.15], [0.3, 0.0, -0.3, 0.2, -0.1]
    shoots = [*repeats("bench", a), *repeats("field", b, 10), *repeats("hand", c, 20)]
    pairs = compare_methods(shoots, STEADY).pairs
    assert len(pairs) == 3
    assert pairs[0].p_value == pytest.approx(3 * levene(a, b, center="median").pvalue)


def test_five_and_five_repeats_cannot_tell():
    """A ratio of two in the scatter, as for the number needed below."""
    a = np.array([0.30, -0.30, 0.15, -0.15, 0.0])
    (pair,) = compare_methods([*repeats("bench", a), *repeats("field", a / 2, 10)], STEADY).pairs
    assert pair.tighter == ""
    assert pair.more == calibrations_each(2.0) - 5
    assert pair_words(pair) == (
        f"5 + 5 repeats of bench and field cannot tell which is tighter; about {pair.more} more of each would"
    )


def test_methods_that_look_alike_would_take_too_many():
    a = np.array([0.30, -0.30, 0.15, -0.15, 0.0])
    (pair,) = compare_methods([*repeats("bench", a), *repeats("field", 0.95 * a, 10)], STEADY).pairs
    assert pair.more is None
    assert f"more than {MOST_CALIBRATIONS} of each" in pair_words(pair)


def test_leans_without_scatter_are_no_fault():
    (pair,) = compare_methods([*repeats("a", [0.1] * 3), *repeats("b", [0.2] * 3, 10)], STEADY).pairs
    assert (pair.tighter, pair.more) == ("", None)


def test_calibrations_needed():
    """30 of each for a ratio of 2: worked out for the test beforehand, with normal scatter."""
    assert calibrations_each(2.0) == pytest.approx(30, abs=2)
    assert calibrations_each(0.5) == calibrations_each(2.0)
    assert calibrations_each(3.0) < calibrations_each(2.0)
    assert calibrations_each(1.3) is None


@pytest.mark.parametrize(("ratio", "n", "low", "high"), [(1.0, 8, 0.0, 0.06), (2.0, 30, 0.86, 0.94)])
def test_how_often_methods_are_told_apart(ratio, n, low, high):
    """By scipy's test on seeded repeats: five false answers in a hundred, and the power that was promised."""
    rng = np.random.default_rng(6)
    told = []
    for _ in range(400):
        shoots = repeats("bench", rng.normal(0, 0.15 * ratio, n)) + repeats("field", rng.normal(0, 0.15, n))
        (pair,) = compare_methods(shoots, STEADY).pairs
        told.append(pair.p_value <= 0.05)
        assert (pair.tighter != "") == told[-1]
    assert low <= np.mean(told) <= high


def test_words_of_a_method():
    said = method_words(only(repeats("bench", [0.5, -0.3, 0.1, -0.4, 0.2])))
    assert said.startswith("bench: 5 calibrations; off level by 0.3 ± 0.2 deg in the mean")
    assert "scatter by" in said
    assert said.endswith("deg")
