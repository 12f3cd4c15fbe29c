"""What the declared surroundings add to a line: unequal sides, and when pitch is not claimed."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from horizon.level import PITCH_TOO, ROLL_ONLY, Surroundings, claim

LINE = np.diag(np.radians([0.01, 0.02]) ** 2)
WIDE_RAD = math.radians(60)


def test_nothing_declared_leaves_the_line_as_it_is():
    said = claim(0.1, LINE, WIDE_RAD, Surroundings())
    assert math.degrees(said.roll_sd_rad) == pytest.approx(0.01)
    assert math.degrees(said.pitch_sd_rad) == pytest.approx(0.02)
    assert math.degrees(said.pitch_high_rad - 0.1) == pytest.approx(1.96 * 0.02)
    assert said.claims == PITCH_TOO


def test_haze_lets_pitch_be_lower_and_ridges_let_it_be_higher():
    hazy = claim(0.0, LINE, WIDE_RAD, Surroundings(haze_rad=math.radians(0.1)))
    assert math.degrees(hazy.pitch_low_rad) == pytest.approx(-1.96 * 0.02 - 0.1)
    assert math.degrees(hazy.pitch_high_rad) == pytest.approx(1.96 * 0.02)
    hilly = claim(0.0, LINE, WIDE_RAD, Surroundings(terrain_rad=math.radians(0.1)))
    assert math.degrees(hilly.pitch_high_rad) == pytest.approx(1.96 * 0.02 + 0.1)
    assert math.degrees(hilly.pitch_low_rad) == pytest.approx(-1.96 * 0.02)
    assert hilly.roll_sd_rad > hazy.roll_sd_rad


def test_high_ridges_leave_roll_only():
    assert claim(0.0, LINE, WIDE_RAD, Surroundings(terrain_rad=math.radians(1.0))).claims == ROLL_ONLY


def test_a_wrong_focal_length_scales_the_pitch():
    # tan(pitch) = y / f: 2 % of f at 10 deg is 0.02 sin(20 deg) / 2 = 0.196 deg, and nothing at level.
    declared = Surroundings(focal_sd=0.02)
    at_ten = claim(math.radians(10), LINE, WIDE_RAD, declared)
    assert math.degrees(at_ten.pitch_sd_rad) == pytest.approx(math.hypot(0.02, 0.196), abs=0.001)
    assert math.degrees(claim(0.0, LINE, WIDE_RAD, declared).pitch_sd_rad) == pytest.approx(0.02)


@given(*(st.floats(0, 0.05) for _ in range(5)), st.floats(-0.5, 0.5))
def test_more_declared_never_makes_the_claim_narrower(terrain, haze, dip, tilt, axis, pitch):
    less = claim(pitch, LINE, WIDE_RAD, Surroundings())
    more = claim(pitch, LINE, WIDE_RAD, Surroundings(terrain, haze, dip, tilt, 0.01, axis))
    assert more.roll_sd_rad >= less.roll_sd_rad
    assert more.pitch_sd_rad >= less.pitch_sd_rad
    assert more.pitch_low_rad <= less.pitch_low_rad
    assert more.pitch_high_rad >= less.pitch_high_rad
