"""Conformance probability, the choice of action, the words, and the shot that is asked for."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import norm

from attitude.findings import (
    REPEAT_SD_DEG,
    CauseProbability,
    Causes,
    Combination,
    Estimate,
    OutOfTolerance,
    Terms,
)
from attitude.findings import TiltOverTime as Tilt
from attitude.sheet import ClipSheet, Shoot, Surface
from attitude.shots import describe, next_shot
from attitude.terminal import COLUMNS
from attitude.verdict import conformance_probability, in_time_probability, judge
from attitude.words import (
    chance_words,
    lean_words,
    pitch_words,
    places,
    range_words,
    sum_words,
    with_uncertainty,
)
from tests.bench.decisions import decide, limits_deg, lines

SHOOT = Shoot(
    folder=Path(),
    path=Path("shoot.toml"),
    title="t",
    clips=(ClipSheet(files=(Path("a.mp4"),)),),
    horizon=Surface(surface="sea", terrain_deg=0.0),
)


def test_conformance_is_symmetric_and_bounded():
    for value in (0.0, 0.3, 0.8):
        p = conformance_probability(value, 0.1, 0.5)
        assert p == pytest.approx(conformance_probability(-value, 0.1, 0.5))
        assert 0 <= p <= 1
    assert conformance_probability(0.5, 1e-3, 0.5) == pytest.approx(0.5)


def over_time(tilt_deg, *, tolerance=0.5, **parts_deg):
    """A tilt for every second, and what causes add to it."""
    tilt_deg = np.asarray(tilt_deg, float)
    parts_deg = {
        name: np.broadcast_to(np.asarray(part, float), tilt_deg.shape) for name, part in parts_deg.items()
    }
    out = np.abs(tilt_deg) > tolerance
    time = Tilt(tilt_deg, np.ones(len(tilt_deg)), np.ones(len(tilt_deg), bool), parts_deg)
    return OutOfTolerance(float(out.sum()), float(out.mean()), float(max(tilt_deg, key=abs)), time)


def some_of_it(share, size, rest, seconds=100):
    """A tilt that is ``size`` for a share of the time and ``rest`` else."""
    return np.where(np.arange(seconds) < share * seconds, size, rest)


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
        out_of_tolerance=over_time([offset + seat + held] * 20, not_held=held),
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
    often = over_time(some_of_it(0.3, 0.9, 0.1))
    verdict = judge(causes_of(offset=0.1, out_of_tolerance=often), SHOOT)
    assert verdict.action == "open"
    assert verdict.p_within_tolerance < 0.05
    assert verdict.next_shot == "turns"
    assert verdict.headline == (
        "The picture: right side low by 0.10 ± 0.08 deg in the mean, but out of 0.5 deg too often; why is "
        "open"
    )
    assert (
        "Out of 0.5 deg for 30 s: 30 % of the time; worst five seconds: right side low by 0.90 ± 0.08 deg"
        in (verdict.reasons)
    )
    assert "Within 0.5 deg for nine tenths of the time: less than 1 in 100" in verdict.reasons
    # Unless it is the ground that leans.
    skyline = {"north": Estimate(0.5, 0.02), "east": Estimate(0.3, 0.02)}
    verdict = judge(causes_of(offset=0.1, out_of_tolerance=often, skyline_deg=skyline), SHOOT)
    assert verdict.action == "leave"
    assert any("skyline itself is not level" in reason for reason in verdict.reasons)


# By hand, for a shift known to 0.1 deg: three tenths of the time lie at 0.45 deg, so that more than a tenth
# is out when the shift is above 0.05 or, with the rest at 0.1 deg, below -0.6 deg.
def test_chance_of_staying_within_in_time_by_hand():
    time = over_time(some_of_it(0.3, 0.45, 0.1)).time
    expected = norm.cdf(0.05 / 0.1) - norm.cdf(-0.6 / 0.1)
    assert in_time_probability(time, 0.1, 0.5) == pytest.approx(expected, abs=0.003)
    # A tenth of the time may be out, whatever it is out by.
    assert in_time_probability(over_time(some_of_it(0.1, 5.0, 0.0)).time, 0.1, 0.5) > 0.999
    assert in_time_probability(over_time(some_of_it(0.11, 5.0, 0.0)).time, 0.1, 0.5) < 0.001


# Limits and shares from the closed form, worked out independently of this code: u = 0.1 deg, tolerance
# 0.5 deg, leans of a population of sd 0.6 deg.
def test_decisions_over_a_population():
    assert limits_deg(0.1, 0.5) == pytest.approx((0.336, 0.664), abs=0.001)
    assert limits_deg(0.26, 0.5)[0] == 0.0  # 0.5 / 1.96: nothing can be accepted above
    found = decide(np.random.default_rng(5), 200_000, u_deg=0.1)
    assert found.false_accept / found.bad == pytest.approx(0.005, abs=0.001)
    assert found.false_reject / found.good == pytest.approx(0.004, abs=0.001)
    assert found.undecided / 200_000 == pytest.approx(0.31, abs=0.005)
    assert [line.split()[-1] for line in lines(found)] == ["met", "met", "missed"]


def test_only_the_judged_time_counts():
    tilt_deg = some_of_it(0.3, 3.0, 0.0)
    shown = Tilt(tilt_deg, np.ones(100), tilt_deg < 1)
    assert in_time_probability(shown, 0.08, 0.5) > 0.999
    weighed = Tilt(tilt_deg, np.where(tilt_deg > 1, 0.1, 1.0), np.ones(100, bool))
    assert in_time_probability(weighed, 0.08, 0.5) > 0.999


def test_share_of_time_on_the_edge_is_open():
    # Half a degree is reached by a fifth of the time for one half of what the mean may be.
    edge = over_time(some_of_it(0.2, 0.5, 0.1))
    verdict = judge(causes_of(offset=0.1, out_of_tolerance=edge), SHOOT)
    assert verdict.p_within_tolerance == pytest.approx(0.5, abs=0.02)
    assert verdict.action == "open"
    assert verdict.headline.endswith("in the mean; whether it is out of 0.5 deg too often is open")


def test_leaning_after_each_turn_is_not_left_though_level_in_the_mean():
    after_turns = some_of_it(0.1, 1.5, 0.1) + some_of_it(0.2, 0.0, 0.0)
    after_turns[10:20] = -1.5  # to the other side after the next turn
    known = after_turns - 0.1
    unexplained = judge(causes_of(offset=0.1, out_of_tolerance=over_time(after_turns)), SHOOT)
    assert (unexplained.action, unexplained.next_shot) == ("open", "turns")
    held = judge(causes_of(offset=0.1, out_of_tolerance=over_time(after_turns, not_held=known)), SHOOT)
    assert held.action == "balance_or_tune"


@pytest.mark.parametrize(("term", "action"), [("turns", "gentler_turns"), ("warm_up", "wait_before_filming")])
@pytest.mark.parametrize("explained", [True, False])
def test_the_remedy_is_the_one_that_brings_the_time_back(term, action, explained):
    part = some_of_it(0.3, 0.9, 0.0)
    causes = causes_of(
        offset=0.1, out_of_tolerance=over_time(0.1 + part, **{term: part if explained else 0 * part})
    )
    names = (*causes.terms.names, term)
    terms = Terms(
        names,
        np.append(causes.terms.mean, 0.9),
        np.diag([*np.diag(causes.terms.cov), 0.02**2]),
        causes.terms.conditions | {term: ("sensor_offset", "mounting", term)},
        frozenset(names),
    )
    # What the term does not explain is not mended by its remedy.
    assert judge(replace(causes, terms=terms), SHOOT).action == (action if explained else "open")


def test_ground_that_leans_is_taken_off_the_time():
    skyline = {"north": Estimate(0.5, 0.02), "east": Estimate(0.3, 0.02)}
    ground = some_of_it(0.4, 0.55, 0.0)
    explained = over_time(0.1 + ground, ground_not_level=ground)
    assert (
        judge(causes_of(offset=0.1, out_of_tolerance=explained, skyline_deg=skyline), SHOOT).action == "leave"
    )
    turned = ground + some_of_it(0.2, 1.5, 0.0)
    not_all = over_time(0.1 + turned, ground_not_level=ground)
    assert judge(causes_of(offset=0.1, out_of_tolerance=not_all, skyline_deg=skyline), SHOOT).action == "open"


def test_trim_goes_with_the_lean_that_it_was_set_against():
    trimmed = over_time([0.9 - 0.6] * 20, not_held=0.0, sensor_offset=0.9)
    causes = causes_of(offset=0.9, out_of_tolerance=trimmed, picture_lean=Estimate(0.3, 0.04))
    assert judge(causes, replace(SHOOT, trim_deg=-0.6)).action == "recalibrate"
    # The same picture without a told trim would lean the other way once the offset is gone.
    assert judge(causes, SHOOT).action == "open"


def test_trim_that_nothing_asked_for_blames_no_sensor():
    level = causes_of(out_of_tolerance=over_time([0.6] * 20, not_held=0.0), picture_lean=Estimate(0.6, 0.04))
    assert judge(level, replace(SHOOT, trim_deg=0.6)).action == "open"


def test_reasons_are_said_once_and_their_words_fit_a_terminal():
    twice = ("a clip was cut", "a clip was cut")
    for parts in ({"offset": 0.9}, {"offset": 0.15}, {"seat": -0.8}, {"held": 1.0}, {"offset": 0.5}):
        verdict = judge(causes_of(**parts, notes=twice), SHOOT)
        assert len(set(verdict.reasons)) == len(verdict.reasons)
        assert verdict.reasons.count("a clip was cut") == 1
        assert all(len(word) < COLUMNS - 20 for reason in verdict.reasons for word in reason.split())
        assert "side low by" in verdict.headline or "level (" in verdict.headline
        assert verdict.headline.lower().count("film") == 0  # the one shot stands in next_shot


def test_recalibrating_says_what_is_left_and_what_to_write_down_first():
    reasons = judge(causes_of(offset=0.9, seat=-0.1), SHOOT).reasons
    assert (
        "Once the offset is gone: left side low by 0.10 ± 0.10 deg. Write down the old constants first"
        in reasons
    )


def test_parts_that_are_not_determined_are_not_said_to_cancel():
    causes = causes_of(offset=0.8, seat=-0.8)
    assert any("cancel" in reason for reason in judge(causes, SHOOT).reasons)
    unknown = {"roll": Estimate(-0.8, 0.6, 2.0, False)}
    assert not any("cancel" in r for r in judge(replace(causes, mounting_deg=unknown), SHOOT).reasons)


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
        causes = Causes(Estimate(value, 0.04), None, None, None, over_time([value] * 9))
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
    assert range_words(-1.6115, 2.3866, "deg") == "-2 to 2 deg"
    assert range_words(-0.08, 0.07, "deg") == "-0.08 to 0.07 deg"
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
