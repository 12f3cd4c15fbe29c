"""Conformance probability, the choice of action, the words, and the shot that is asked for."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import norm

from attitude.findings import CauseProbability, Causes, Combination, Estimate, OutOfTolerance, Terms
from attitude.sheet import ClipSheet, Shoot, Surface
from attitude.shots import describe, next_shot
from attitude.verdict import REPEAT_SD_DEG, conformance_probability, judge
from attitude.words import chance_words, lean_words, pitch_words, places, sum_words, with_uncertainty

SHOOT = Shoot(
    folder=Path(),
    path=Path("shoot.toml"),
    title="t",
    clips=(ClipSheet(files=(Path("a.mp4"),)),),
    horizon=Surface(surface="sea", terrain_deg=0.0),
)


# JCGM 106:2012, from memory: 7.4 mean of SAE-40 oil, 12.5 to 16.3 mm2/s, y = 13.6, u = 1.8 -> 0.66; 7.4 zener
# diode, limit -5.40 V, y = -5.47, u = 0.05 -> 0.92.
def test_conformance_examples():
    middle, half = (12.5 + 16.3) / 2, (16.3 - 12.5) / 2
    assert conformance_probability(13.6 - middle, 1.8, half) == pytest.approx(0.66, abs=0.005)
    far = 100.0  # one-sided: the other limit is out of reach
    assert conformance_probability(-5.47 + 5.40 + far, 0.05, far) == pytest.approx(0.92, abs=0.005)


# JCGM 106:2012 Table 1, from memory: probability of conformity against distance to the limit in units of u.
@pytest.mark.parametrize(("p", "z"), [(0.80, 0.84), (0.90, 1.28), (0.95, 1.64), (0.99, 2.33), (0.999, 3.09)])
def test_conformance_table(p, z):
    assert conformance_probability(100.0 - z, 1.0, 100.0) == pytest.approx(p, abs=0.002)


def test_conformance_is_symmetric_and_bounded():
    for value in (0.0, 0.3, 0.8):
        p = conformance_probability(value, 0.1, 0.5)
        assert p == pytest.approx(conformance_probability(-value, 0.1, 0.5))
        assert 0 <= p <= 1
    assert conformance_probability(0.5, 1e-3, 0.5) == pytest.approx(0.5)


def causes_of(offset=0.0, seat=0.0, *, held=0.0, offset_sd=0.05, shown="upside_down", **more):
    """Findings with the given parts of the lean."""
    lean = Estimate(offset + seat, 0.04, 2.0)
    names = ("sensor_offset", "mounting", "not_held")
    cov = np.diag([offset_sd**2, offset_sd**2, 0.005**2])
    cov[0, 1] = cov[1, 0] = -(offset_sd**2 - 0.04**2 / 2)
    settled = names[:2]
    conditions = {"settled": settled} | ({"as held": names} if abs(held) > 0.1 else {})
    determined = offset_sd < 0.5 / 3
    base = Causes(
        picture_lean=Estimate(offset + seat + held, 0.04),
        known_lean=Estimate(held, 0.005),
        lean=lean,
        pitch_offset=Estimate(0.0, 0.05),
        out_of_tolerance=OutOfTolerance(0.0, 0.0, offset + seat + held, 0.0),
        causes=(CauseProbability("none", 1.0),),
        offset_mg={"sideways": Estimate(offset * 17.45, offset_sd * 17.45, 2.0, determined)},
        mounting_deg={"roll": Estimate(seat, offset_sd, 2.0, determined)},
        offset_lean=Estimate(offset, offset_sd, 2.0, determined),
        after_recalibration=Estimate(seat, offset_sd, 2.0),
        terms=Terms(
            names,
            np.array([offset, seat, held]),
            cov,
            conditions,
            frozenset(names if determined else ("not_held",)),
        ),
        offset_shown_by=shown,
    )
    return replace(base, **more)


@pytest.mark.parametrize(
    ("parts", "action"),
    [
        ({"offset": 0.15}, "leave"),
        ({"offset": 0.9}, "recalibrate"),
        ({"seat": -0.8}, "square_up"),
        ({"held": 1.0}, "balance_or_tune"),
        ({"offset": 0.5}, "open"),  # on the limit: neither accepted nor rejected
        ({"offset": 0.9, "shown": ""}, "open"),  # nothing turned the sensor over
        ({"offset": 0.9, "offset_sd": 0.6}, "open"),  # not determined
        ({"offset": 0.9, "seat": 0.7}, "recalibrate"),
        ({"offset": 0.7, "seat": 0.9}, "square_up"),
        ({"offset": 0.9, "seat": 0.9, "held": 0.9}, "open"),  # not even two remedies do
    ],
)
def test_action(parts, action):
    assert judge(causes_of(**parts), SHOOT).action == action


def test_probability_allows_for_the_next_shoot():
    causes = causes_of(offset=0.4)
    u = np.hypot(np.sqrt(np.ones(2) @ causes.terms.cov[:2, :2] @ np.ones(2)), REPEAT_SD_DEG)
    expected = norm.cdf((0.5 - 0.4) / u) - norm.cdf((-0.5 - 0.4) / u)
    assert judge(causes, SHOOT).p_within_tolerance == pytest.approx(expected)


def test_tolerance_of_the_sheet_counts():
    assert judge(causes_of(offset=0.9), replace(SHOOT, tolerance_deg=1.5)).action == "leave"
    assert judge(causes_of(offset=0.15), replace(SHOOT, tolerance_deg=0.1)).action != "leave"


def test_out_of_tolerance_too_often_is_not_left():
    often = OutOfTolerance(30.0, 0.3, 0.9, 0.3)
    verdict = judge(causes_of(offset=0.1, out_of_tolerance=often), SHOOT)
    assert verdict.action == "open"
    assert "too often" in verdict.headline
    # Unless it is the ground that leans.
    skyline = {"north": Estimate(0.5, 0.02), "east": Estimate(0.3, 0.02)}
    verdict = judge(causes_of(offset=0.1, out_of_tolerance=often, skyline_deg=skyline), SHOOT)
    assert verdict.action == "leave"
    assert any("skyline itself is not level" in reason for reason in verdict.reasons)


def test_two_remedies_are_listed_in_order():
    reasons = judge(causes_of(offset=0.9, seat=0.7), SHOOT).reasons
    assert any("recalibrate the gimbal's sensor" in r and "then repeat when warm" in r for r in reasons)


def test_turns_and_warm_up_conditions_decide_too():
    causes = causes_of(offset=0.1)
    names = (*causes.terms.names, "turns")
    cov = np.pad(causes.terms.cov, (0, 1))
    cov[3, 3] = 0.02**2
    terms = Terms(
        names,
        np.append(causes.terms.mean, 1.2),
        cov,
        causes.terms.conditions | {"turns": ("sensor_offset", "mounting", "turns")},
        frozenset(names),
    )
    verdict = judge(replace(causes, terms=terms), SHOOT)
    assert verdict.action == "gentler_turns"
    assert any("in turns" in reason for reason in verdict.reasons)


def test_lean_known_without_its_parts_is_left_or_open():
    for value, action in ((0.1, "leave"), (0.9, "open")):
        causes = Causes(Estimate(value, 0.04), None, None, None, OutOfTolerance(0.0, 0.0, value, 0.0))
        verdict = judge(causes, SHOOT)
        assert verdict.action == action
        assert (verdict.next_shot is None) == (action == "leave")


def test_headline_says_the_side_and_never_the_sign():
    for offset, side in ((0.9, "Right"), (-0.9, "Left")):
        headline = judge(causes_of(offset=offset), SHOOT).headline
        assert headline.startswith(f"{side} side low by 0.90 ± 0.08 deg")
        assert "-" not in headline


def test_unknown_ground_leads_with_the_picture():
    lean = Estimate(0.6, 0.5, 2.0, False)
    skyline = {"north": Estimate(0.0, 0.3, 2.0, False), "east": Estimate(0.0, 0.3, 2.0, False)}
    causes = causes_of(offset=0.6, offset_sd=0.6, lean=lean, skyline_deg=skyline)
    verdict = judge(causes, replace(SHOOT, horizon=Surface()))
    assert verdict.headline.startswith("The picture: right side low by 0.60 ± 0.08 deg")
    assert "the ground's is open" in verdict.headline
    assert verdict.next_shot == "pan"


def test_sum_that_cannot_be_split_is_said_in_words():
    weights = (("sensor_offset.sideways", 1.0), ("mounting.roll", 1.0))
    sum_known = Combination(weights, 0.61, 0.02, "upside_down")
    verdict = judge(causes_of(offset=0.9, offset_sd=0.6, undetermined=(sum_known,)), SHOOT)
    assert verdict.next_shot == "upside_down"
    said = [reason for reason in verdict.reasons if "Only the sum is known" in reason]
    assert said == [
        "Only the sum is known: sensor offset sideways + mounting roll = 0.61 ± 0.04 deg; "
        "the upside down shot splits it"
    ]


@pytest.mark.parametrize(
    ("half_width", "decimals"),
    [
        (0.04, 2),
        (0.13, 2),
        (0.098, 2),
        (0.3, 1),
        (0.94, 1),
        (0.96, 1),
        (1.83, 1),
        (2.4, 0),
        (12.0, 0),
        (0.0, 2),
    ],
)
def test_no_more_digits_than_the_uncertainty_allows(half_width, decimals):
    assert places(half_width) == decimals


def test_words():
    assert lean_words(Estimate(0.6123, 0.02)) == "right side low by 0.61 ± 0.04 deg"
    assert lean_words(Estimate(-0.6123, 0.02)) == "left side low by 0.61 ± 0.04 deg"
    assert lean_words(Estimate(0.001, 0.02)) == "level (0.00 ± 0.04 deg)"
    assert pitch_words(Estimate(-0.2, 0.05)) == "lens low by 0.20 ± 0.10 deg"
    assert pitch_words(Estimate(0.0, 0.05)) == "lens level (0.00 ± 0.10 deg)"
    assert sum_words((("sensor_offset.along_lens", -1.0), ("mounting.pitch", 0.98))) == (
        "mounting pitch - sensor offset along lens"
    )
    assert sum_words((("mounting.roll", 1.0), ("ground_not_level.east", 0.7))) == (
        "mounting roll + 0.7 x ground not level east"
    )
    assert with_uncertainty(-0.001, 0.04, "deg") == "0.00 ± 0.04 deg"
    assert with_uncertainty(15.66, 1.83, "mg") == "15.7 ± 1.8 mg"
    assert chance_words(0.934) == "93 in 100"
    assert chance_words(0.9999) == "more than 99 in 100"
    assert chance_words(1e-6) == "less than 1 in 100"


def test_shots_come_with_how_and_caution():
    for name in ("hover", "pan", "upside_down", "half_turn", "turns", "tilt", "wiggle", "ordinary"):
        for kind in ("drone", "handheld", "bench"):
            shot = describe(name, kind)
            assert shot.name == name
            assert shot.seconds >= 15
            assert shot.caution
    assert "propellers off" in describe("upside_down", "drone").caution
    with pytest.raises(KeyError, match="loop"):
        describe("loop", "drone")


def test_next_shot_follows_what_limits_the_decision():
    assert next_shot(causes_of(offset=0.4), SHOOT) == "hover"
    assert next_shot(causes_of(offset=0.4), SHOOT, "turns") == "turns"
    assert next_shot(causes_of(offset=0.9, offset_sd=0.6), SHOOT) == "upside_down"
    wide = Estimate(0.2, 0.3, 2.0)
    assert next_shot(causes_of(offset=0.2, lean=wide), replace(SHOOT, horizon=Surface())) == "pan"
