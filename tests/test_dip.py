"""Dip of the horizon against printed tables; every row names where it was printed."""

import numpy as np
import pytest

from attitude.dip import (
    EARTH_RADIUS_M,
    REFRACTION,
    REFRACTION_SD,
    DipError,
    dip_rad,
    dip_sd_rad,
    horizon_distance_m,
    shore_dip_rad,
)

FOOT_M = 0.3048
MILE_M = 1852.0
# Refraction behind the navigation tables: NavList, B. Morris, 11 Apr 2013 (0.97 per root foot), and
# beta = 0.8321 of Bowditch Table 15 as windjammertech.com prints it, beta = 1 - k.
TABLE_K = 0.164
BOWDITCH_K = 1 - 0.8321


def arcmin(angle_rad):
    return np.rad2deg(angle_rad) * 60


# Coefficients are read off at 10 m or 10 ft, where the root law holds to 1e-6.
@pytest.mark.parametrize(
    ("unit_m", "refraction", "printed", "digit", "source"),
    [
        (FOOT_M, TABLE_K, 0.97, 0.01, "Starpath glossary 'Dip'; R. H. van Gent, sundial list"),
        (1.0, TABLE_K, 1.76, 0.01, "sundial list msg03086; Explanatory Supplement 1992 pp. 484-489"),
        (FOOT_M, 0.0, 1.06, 0.01, "NavList, B. Morris, 11 Apr 2013, unrefracted"),
    ],
)
def test_dip_per_root_of_height(unit_m, refraction, printed, digit, source):
    assert arcmin(dip_rad(10 * unit_m, refraction)) / np.sqrt(10) == pytest.approx(printed, abs=digit), source


def test_dip_in_degrees_per_root_metre():
    # 0.0293 deg per root metre: several public programs, as quoted second-hand.
    assert np.rad2deg(dip_rad(10.0, TABLE_K)) / np.sqrt(10) == pytest.approx(0.0293, abs=1e-4)


def test_refraction_scales_the_dip():
    # NavList, B. Morris, 11 Apr 2013: 1.06' per root foot unrefracted, times sqrt(1 - 0.164) = 0.96919.
    share = dip_rad(10 * FOOT_M, TABLE_K) / dip_rad(10 * FOOT_M, 0.0)
    assert 1.06 * share == pytest.approx(0.96919, abs=1e-5)


@pytest.mark.parametrize(
    ("height_ft", "printed", "digit", "source"),
    [
        (6, 2.4, 0.1, "Nautical Almanac right-hand column in St Paul Power Squadron JN ch. 4 slides"),
        (8, 2.7, 0.1, "same"),
        (7.5, 2.6, 0.1, "same, worked example, interpolated"),
        (10, 3.1, 0.1, "astronomyclub.xyz worked example; NavList, Bill B, 26 Jan 2005"),
        (5, 2, 1, "sextant maker's user manual p. 9"),
        (10, 3, 1, "same"),
        (15, 4, 1, "same"),
        (25, 5, 1, "same"),
        (40, 6, 1, "same"),
        (100, 9.7, 0.1, "Nautical Almanac, from memory"),
    ],
)
def test_dip_tables(height_ft, printed, digit, source):
    assert arcmin(dip_rad(height_ft * FOOT_M, TABLE_K)) == pytest.approx(printed, abs=digit), source


@pytest.mark.parametrize(
    ("height_m", "by_refraction"),
    [
        (10.0, {1 / 6: 5.56, 0.13: 5.68, 0.0: 6.09}),
        (30.0, {1 / 6: 9.63, 0.13: 9.84, 0.0: 10.55}),
        (50.0, {1 / 6: 12.43, 0.13: 12.70, 0.0: 13.62}),
        (100.0, {1 / 6: 17.58, 0.13: 17.97, 0.0: 19.26}),
        (120.0, {1 / 6: 19.26, 0.13: 19.68, 0.0: 21.10}),
    ],
)
def test_dip_at_drone_heights_computed_by_hand(height_m, by_refraction):
    for refraction, minutes in by_refraction.items():
        assert arcmin(dip_rad(height_m, refraction)) == pytest.approx(minutes, abs=0.0051)


@pytest.mark.parametrize(
    ("unit_m", "printed", "source"),
    [
        (FOOT_M, 1.17, "NavList, Stuart 5 Dec 2012, Reed 6 Dec 2012"),
        (1.0, 2.11, "1984 Bowditch, as NavList, Reed 6 Dec 2012"),
        (1.0, 2.12, "NavList, Stuart 5 Dec 2012"),
    ],
)
def test_distance_to_horizon(unit_m, printed, source):
    miles = horizon_distance_m(10 * unit_m, BOWDITCH_K) / MILE_M
    assert miles / np.sqrt(10) == pytest.approx(printed, abs=0.01), source


@pytest.mark.parametrize("refraction", [REFRACTION, TABLE_K, 1 / 6, BOWDITCH_K])
def test_the_misprinted_distance_is_not_ours(refraction):
    # Bowditch 1995 and 2002 print 2.07 per root metre, an error (NavList, Stuart 5 Dec 2012).
    miles = horizon_distance_m(10.0, refraction) / MILE_M
    assert miles / np.sqrt(10) != pytest.approx(2.07, abs=0.01)


def test_body_seen_at_the_horizon():
    # Explanatory Supplement 1992 via sundial list msg03086: 2.12' per root metre, 1.17' per root foot. It is
    # the angle between camera and horizon as seen from the earth's centre, one minute to the mile.
    for unit_m, printed in ((1.0, 2.12), (FOOT_M, 1.17)):
        angle = horizon_distance_m(10 * unit_m, BOWDITCH_K) / EARTH_RADIUS_M
        assert arcmin(angle) / np.sqrt(10) == pytest.approx(printed, abs=0.01)


@pytest.mark.parametrize(("height_ft", "distance_nm"), [(20, 1.0), (40, 2.5), (100, 4.0), (100, 10.0)])
def test_dip_short_of_the_horizon(height_ft, distance_nm):
    # NavList, Stuart 19 Mar 2018 (the equation of Bowditch Table 14/15).
    printed = 0.56578 * height_ft / distance_nm + 0.4158 * distance_nm
    ours = arcmin(shore_dip_rad(height_ft * FOOT_M, distance_nm * MILE_M, BOWDITCH_K))
    assert ours == pytest.approx(printed, abs=0.005)


def test_near_limit_is_a_plain_angle():
    # UAV vision thesis, sec. 5.4.1: below 1 deg while height / distance < 0.0175.
    assert np.rad2deg(shore_dip_rad(17.5, 1000.0)) == pytest.approx(1.0, abs=0.01)


def test_shore_meets_the_horizon_and_stays_there():
    far_m = horizon_distance_m(40.0)
    assert shore_dip_rad(40.0, 0.999999 * far_m) == pytest.approx(dip_rad(40.0), rel=1e-9)
    assert shore_dip_rad(40.0, 3 * far_m) == dip_rad(40.0)
    assert shore_dip_rad(40.0, 0.5 * far_m) > dip_rad(40.0)


def test_lake_with_shores_at_two_distances():
    # By hand: shores 1.8 and 4 km away, 40 m up: 40/1800 - 40/4000 = 0.70 deg across the frame, less the
    # curvature term (4000 - 1800) / (2 R') = 0.008 deg.
    difference = shore_dip_rad(40.0, 1800.0) - shore_dip_rad(40.0, 4000.0)
    assert np.rad2deg(difference) == pytest.approx(0.692, abs=0.001)


@pytest.mark.parametrize("published", [0.13, 2 * 0.0809, 0.142, 0.2])
def test_default_refraction_covers_published_ones(published):
    # Gauss 1826 via F. K. Brunner; A. R. Clarke over sea (half-angle, doubled); total-station manual.
    assert abs(published - REFRACTION) <= REFRACTION_SD + 1e-12


def test_sd_agrees_with_scattered_heights_and_refractions():
    rng = np.random.default_rng(3)
    heights = rng.normal(60.0, 5.0, 4000)
    refractions = rng.normal(REFRACTION, REFRACTION_SD, 4000)
    scattered = [dip_rad(h, k) for h, k in zip(heights, refractions, strict=True)]
    assert dip_sd_rad(60.0, 5.0) == pytest.approx(np.std(scattered), rel=0.05)


def test_sd_at_the_water_line_is_finite():
    assert 0 < dip_sd_rad(0.0, 1.0) == pytest.approx(dip_rad(1.0) / 2)


def test_zero_height_has_no_dip():
    assert dip_rad(0.0) == 0.0


@pytest.mark.parametrize(
    ("call", "text"),
    [
        (lambda: dip_rad(-1.0), "height above the surface is -1.0 m; expected 0 or more"),
        (lambda: dip_rad(float("nan")), "height above the surface is nan"),
        (lambda: dip_rad(10.0, 1.0), "refraction coefficient is 1.0; expected less than 1"),
        (lambda: shore_dip_rad(10.0, 0.0), "distance to the shore is 0.0 m; expected more than 0"),
    ],
)
def test_refusals(call, text):
    with pytest.raises(DipError, match=text):
        call()
