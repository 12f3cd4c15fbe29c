"""Before against after: the probabilities, what voids a comparison, and how often a claim is false."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import norm, t
from statsmodels.stats.power import TTestIndPower

from attitude.before_after import (
    MOST_SHOOTS,
    compare,
    comparison_words,
    probability_smaller,
    shoots_a_side,
)
from attitude.findings import Estimate
from attitude.repeatability import DEFAULT, Repeatability
from tests.bench.history import rates
from tests.recorded import recorded

LEARNED = Repeatability(sd_deg=0.05, low_deg=0.04, high_deg=0.07, dof=20.0, shoots=18)


def shoot(lean_deg, sd_deg=0.03, number=0, **more):
    """Shoots from the fifth on are those after the recalibration."""
    told = {"calibration": "second" if number >= 5 else "first"}
    return recorded(number, lean_deg, sd_deg=sd_deg, **told | more)


def side(*leans_deg, sd_deg=0.03, first=0, **more):
    return [shoot(lean, sd_deg, first + k, **more) for k, lean in enumerate(leans_deg)]


@pytest.mark.parametrize(
    ("before", "after", "told"), [(0.6, 0.1, 1.00), (0.3, 0.2, 0.81), (0.3, -0.25, 0.67)]
)
def test_worked_examples_at_equal_uncertainty(before, after, told):
    """Worked out for the method beforehand, u 0.08 deg of each; and the closed form."""
    found = probability_smaller(Estimate(before, 0.08), Estimate(after, 0.08))
    both = 0.08 * np.sqrt(2)
    a, b = (before - after) / both, (before + after) / both
    exact = norm.cdf(a) * norm.cdf(b) + norm.cdf(-a) * norm.cdf(-b)
    assert found == pytest.approx(exact, abs=0.003)
    assert found == pytest.approx(told, abs=0.0051)


def test_unequal_uncertainty_and_a_margin_by_plain_simulation():
    rng = np.random.default_rng(1)
    drawn = np.abs(rng.normal(0.4, 0.15, 400_000)) - np.abs(rng.normal(-0.2, 0.05, 400_000))
    sides = Estimate(0.4, 0.15), Estimate(-0.2, 0.05)
    assert probability_smaller(*sides) == pytest.approx(np.mean(drawn > 0), abs=0.004)
    assert probability_smaller(*sides, by_deg=0.1) == pytest.approx(np.mean(drawn > 0.1), abs=0.004)


def test_the_uncertainty_of_a_side_by_hand():
    """Two shoots against one, u 0.03 and u_rep 0.05 deg: the t quantile is Welch and Satterthwaite's."""
    found = compare(side(0.5, 0.7), side(0.1, first=5), LEARNED)
    measured, repeat = 0.03**2 * 1.5, 0.05**2 * 1.5
    assert found.change.value == pytest.approx(-0.5)
    assert found.change.sd == pytest.approx(np.sqrt(measured + repeat))
    assert found.change.t95 == pytest.approx(t.ppf(0.975, 20 * ((measured + repeat) / repeat) ** 2))
    assert found.before.sd == pytest.approx(np.sqrt(0.03**2 / 2 + 0.05**2 / 2))
    few = compare(side(0.5), [shoot(0.1, number=5, lean=Estimate(0.1, 0.03, t95=3.92))], LEARNED)
    assert few.change.sd == pytest.approx(np.sqrt(0.03**2 + 0.06**2 + 2 * 0.05**2))


def test_claims_and_their_mirror_image():
    better = compare(side(0.61), side(0.08, first=5), LEARNED)
    worse = compare(side(0.08), side(0.61, first=5), LEARNED)
    assert (better.claim, worse.claim) == ("helped", "made it worse")
    assert better.p_smaller == pytest.approx(1 - worse.p_smaller, abs=0.01)
    assert better.smaller_low_deg == pytest.approx(-worse.smaller_high_deg, abs=0.01)
    assert better.more_shoots == 0
    assert compare(side(0.30), side(0.26, first=5), LEARNED).claim == "no evidence"


def test_a_lean_that_only_changed_sides_has_changed_and_not_helped():
    found = compare(side(0.45), side(-0.45, first=5), LEARNED)
    assert found.changed
    assert found.claim == "no evidence"
    assert "no evidence that the picture is more level" in comparison_words(found)[0]


def test_a_little_better_is_not_helped():
    """Sure to be smaller, but hardly by a tenth of a degree."""
    many = [0.30] * 20
    found = compare(side(*many, sd_deg=0.01), side(*[0.20] * 20, sd_deg=0.01, first=30), LEARNED)
    assert found.p_smaller > 0.99
    assert found.p_smaller_by_much < 0.8
    assert found.claim == "no evidence"


@pytest.mark.parametrize(
    ("before", "after", "said"),
    [
        *[
            (side(0.6), side(0.1, first=5, changed=(thing,)), f"also: {thing}")
            for thing in ("camera", "lens", "trim", "balance", "firmware", "landing", "sensor")
        ],
        (side(0.6), [*side(0.1, first=5), *side(0.1, first=6, changed=("landing",))], "landing"),
        ([shoot(0.6), shoot(0.6, number=1, changed=("lens",))], side(0.1, first=5), "lens"),
        (side(0.6), side(0.1, first=5, trim_deg=0.2), "trim is not the same: 0 and 0.2 deg"),
        (side(0.6), side(0.1, first=5, rig="crane"), "rig is not the same: Sandpiper and crane"),
        (side(None), side(0.1, first=5), "lean of no shoot before is known"),
        (side(0.6), [], "lean of no shoot after is known"),
    ],
)
def test_what_voids_a_comparison(before, after, said):
    found = compare(before, after, LEARNED)
    assert found.claim == "void"
    words = comparison_words(found)
    assert said in words[0]
    assert not any("helped" in one for one in words)


def test_what_was_changed_before_the_first_shoot_is_no_matter():
    found = compare(side(0.6, changed=("camera",)), side(0.1, first=5, rig=" Sandpiper"), LEARNED)
    assert found.claim == "helped"


def test_a_shoot_of_unknown_lean_still_tells_what_was_changed():
    after = [shoot(None, number=5, changed=("landing",)), shoot(0.1, number=6)]
    assert compare(side(0.6), after, LEARNED).void


def test_cautions():
    def pair(**second):
        before = side(0.6, temperature_c=12.0, since_power_on_s=200.0)
        return compare(before, side(0.1, first=5, **second), LEARNED).cautions

    assert not pair(temperature_c=19.0, since_power_on_s=450.0)
    assert not pair()
    assert "12 and 21 °C" in pair(temperature_c=21.0)[0]
    assert "3 and 20 minutes after power-on" in pair(since_power_on_s=1200.0)[0]
    assert "not learned" in compare(side(0.6), side(0.1, first=5), DEFAULT).cautions[0]


def test_the_sensor_offset_counts_only_where_it_is_determined():
    known, open_ = Estimate(8.0, 0.4), Estimate(3.0, 9.0, determined=False)
    before = [*side(0.6, offset_mg=known), *side(0.6, first=1, offset_mg=open_)]
    found = compare(before, side(0.1, first=5, offset_mg=Estimate(1.0, 0.4)), LEARNED).offset_change_mg
    assert found.value == pytest.approx(-7.0)
    # 0.05 deg of repeatability are 0.87 mg: 1000 sin(0.05 deg).
    assert found.sd == pytest.approx(np.sqrt(2 * 0.4**2 + 2 * 0.873**2), rel=1e-3)
    assert (
        compare(side(0.6, offset_mg=open_), side(0.1, first=5, offset_mg=known), LEARNED).offset_change_mg
        is None
    )


@pytest.mark.parametrize(
    ("sd_deg", "told"),
    [
        (0.1, {0.1: 23, 0.2: 7, 0.3: 4, 0.5: 3}),
        (0.05, {0.1: 7, 0.2: 3, 0.3: 3, 0.5: 2}),
        (0.15, {0.1: 49, 0.2: 13, 0.3: 7, 0.5: 4}),
    ],
)
def test_shoots_a_side_against_an_independent_power(sd_deg, told):
    """Told: worked out for the method beforehand; power from statsmodels."""
    for change, n in told.items():
        assert shoots_a_side(change, sd_deg) == n
        power = TTestIndPower().power
        assert power(change / sd_deg, nobs1=n, alpha=0.05) >= 0.9
        assert n == 2 or power(change / sd_deg, nobs1=n - 1, alpha=0.05) < 0.9
    assert shoots_a_side(0.05, 0.1) is None


def test_more_shoots_are_asked_for_only_while_it_is_open():
    wide = replace(LEARNED, sd_deg=0.1)
    found = compare(side(0.3), side(0.1, first=5), wide)
    sd = np.hypot(0.03, 0.1)
    assert found.more_shoots == shoots_a_side(0.2, sd) - 1
    assert "more shoots on each side" in " ".join(comparison_words(found))
    hopeless = compare(side(0.3), side(0.29, first=5), replace(LEARNED, sd_deg=0.3))
    assert hopeless.more_shoots is None
    assert f"more than {MOST_SHOOTS} shoots" in " ".join(comparison_words(hopeless))


def test_words_say_sides_never_signs():
    words = comparison_words(compare(side(0.61), side(-0.08, first=5), LEARNED))
    assert words[0] == "The recalibration helped"
    assert "Before: right side low by 0.61" in words[1]
    assert "more than 99 in 100" in " ".join(words)


@pytest.mark.parametrize(
    ("before", "after", "said"),
    [
        (0.1, 0.7, "level error grew by 0."),
        (0.7, 0.1, "level error shrank by 0."),
        (0.3, 0.28, "(below 0: it grew)"),
    ],
)
def test_words_of_a_level_error_that_shrank_or_grew(before, after, said):
    assert said in " ".join(comparison_words(compare(side(before), side(after, first=5), LEARNED)))


@pytest.mark.parametrize("true_deg", [0.05, 0.1])
@pytest.mark.parametrize("learned_from", [5, 8])
def test_at_most_five_false_claims_in_a_hundred(true_deg, learned_from):
    assert rates(true_deg, learned_from, 0.0, 1, 400, seed=21)[1] <= 0.05


@pytest.mark.parametrize("true_deg", [0.07, 0.1])
@pytest.mark.parametrize("learned_from", [5, 8])
def test_a_real_change_of_0_3_deg_is_found_with_four_shoots_a_side(true_deg, learned_from):
    assert rates(true_deg, learned_from, 0.3, 4, 150, seed=22)[0] >= 0.85


@pytest.mark.long
@pytest.mark.parametrize("true_deg", [0.03, 0.05, 0.07, 0.1])
@pytest.mark.parametrize("learned_from", [0, 5, 8, 15])
@pytest.mark.parametrize("shoots", [1, 4])
def test_false_claims_over_many_pairs(true_deg, learned_from, shoots):
    """Five in a hundred, and the two standard errors of 4000 pairs."""
    changed, claimed = rates(true_deg, learned_from, 0.0, shoots, 4000, seed=23)
    assert claimed <= 0.05 + 0.007, (changed, claimed)
