"""A lens from horizons: known lenses, whose points OpenCV's own projection put in the picture."""

from dataclasses import replace

import numpy as np
import pytest

from horizon.candidates import field_of_view_deg
from horizon.lens import lens_from_hfov
from horizon.selfcalibrate import FootageError, lens_from_horizons, straight_points
from tests.footage import known_lens, seen_horizons

TOLD_SD = 0.02
# Fewer horizons of fewer points than footage gives: enough here, and quicker.
FEW = {"count": 14, "points_each": 45}


def told(hfov_deg):
    return lens_from_hfov(1920, 1080, hfov_deg)


@pytest.fixture(scope="module")
def wide():
    """A bent lens of 90 deg, horizons through it, and what was found."""
    lens = known_lens(90)
    seen = seen_horizons(lens, 90, np.random.default_rng(1), **FEW)
    return lens, seen, lens_from_horizons(seen, told(90), TOLD_SD, "clip.mp4")


def test_model_focal_length_and_bend_are_found(wide):
    lens, _, found = wide
    assert (found.candidate.model, found.candidate.radial) == ("brown", 1)
    assert abs(found.lens.fx_px / lens.fx_px - 1) < 0.015
    assert abs(found.lens.fx_px - lens.fx_px) < 1.5 * found.half_width * found.sds[0]
    assert found.lens.focal_sd == pytest.approx(found.sds[0] / found.lens.fx_px)
    assert found.lens.focal_sd < 0.008
    assert abs(found.lens.distortion[0] - lens.distortion[0]) < max(
        1.5 * found.half_width * found.sds[3], 0.003
    )
    assert abs(found.hfov_deg - field_of_view_deg(lens)) < 1.5 * found.half_width * found.hfov_sd_deg
    assert found.logged == len(wide[1])


def test_held_back_lines_lie_straighter_than_through_the_stated_lens(wide):
    lens, seen, found = wide
    # Straight lines through a pinhole are out of the question; the bent models differ by little.
    assert {one.candidate.model for one in found.tried} <= {"brown", "fisheye"}
    assert found.held_back_px <= 1.05 * found.tried[0].held_back_px < 0.6
    points = sum(len(one.points_px) for one in seen)
    assert straight_points(seen, found.lens, 1.5) > 0.98 * points > straight_points(seen, told(90), 1.5)
    assert straight_points(seen, found.lens, 1.5) == pytest.approx(straight_points(seen, lens, 1.5), abs=20)


@pytest.mark.long
def test_a_log_that_drifts_from_window_to_window_changes_nothing(wide):
    _, seen, found = wide
    drifted = [replace(one, pitch_rad=one.pitch_rad + 0.05 * one.window) for one in seen]
    again = lens_from_horizons(drifted, told(90), TOLD_SD, "clip.mp4")
    assert again.lens.fx_px == pytest.approx(found.lens.fx_px, rel=1e-5)


@pytest.mark.long
def test_a_log_of_another_scale_makes_another_focal_length():
    """Two per cent more of pitch, two per cent less of focal length: the log's scale is taken to be right."""
    lens = known_lens(60)
    seen = seen_horizons(lens, 60, np.random.default_rng(2), log_sd_deg=0.01)
    longer = [replace(one, pitch_rad=1.02 * one.pitch_rad) for one in seen]
    one, other = (lens_from_horizons(which, told(60), TOLD_SD, "x") for which in (seen, longer))
    assert other.lens.fx_px / one.lens.fx_px == pytest.approx(1 / 1.02, abs=0.004)


@pytest.mark.long
def test_without_a_log_the_stated_angle_stays_and_the_bend_is_found():
    lens = known_lens(60)
    seen = [
        replace(one, pitch_rad=np.nan) for one in seen_horizons(lens, 60, np.random.default_rng(3), **FEW)
    ]
    found = lens_from_horizons(seen, told(61), TOLD_SD, "clip.mp4")
    assert found.logged == 0
    assert found.hfov_deg == pytest.approx(61, abs=2)
    assert found.lens.focal_sd > 0.01
    assert found.held_back_px < 0.6
    with pytest.raises(FootageError, match="lines alone do not tell the focal length; add the log"):
        lens_from_horizons(seen, told(61), 0.18, "clip.mp4")


def test_a_stated_lens_of_four_terms_will_do_to_begin_with(wide):
    _, seen, _ = wide
    bent = replace(known_lens(90), distortion=(-0.1, 0.0, 0.0, 0.0))
    assert 0 < straight_points(seen, bent, 5.0) <= sum(len(one.points_px) for one in seen)


@pytest.mark.long
def test_lines_that_no_lens_makes_even_are_refused():
    """A skyline of hills, the same in every picture."""
    rng = np.random.default_rng(9)
    seen = seen_horizons(known_lens(60), 60, rng, bound_px=6.0, **FEW)
    with pytest.raises(FootageError, match="px uneven: not the open horizon of a sea or a plain"):
        lens_from_horizons(seen, told(60), TOLD_SD, "clip.mp4")


@pytest.mark.parametrize(("count", "reach", "why"), [(8, 0.15, "8 horizons at"), (14, 0.01, "stays within")])
def test_horizons_that_do_not_spread_are_refused_with_the_shot_to_film(count, reach, why):
    seen = seen_horizons(
        known_lens(90), 90, np.random.default_rng(4), count=count, reach=reach, points_each=45
    )
    with pytest.raises(FootageError, match=why) as refused:
        lens_from_horizons(seen, told(90), TOLD_SD, "shore.mp4")
    assert str(refused.value).startswith("shore.mp4: ")
    assert "tilts slowly up and down" in str(refused.value)


@pytest.mark.long
@pytest.mark.parametrize(("hfov_deg", "most"), [(60, 0.006), (90, 0.005), (120, 0.005)])
def test_focal_lengths_are_found_and_lie_within_their_intervals(hfov_deg, most):
    """The whole table is that of ``python -m tests.bench.lens``."""
    lens, errors, held = known_lens(hfov_deg), [], []
    for seed in range(12):
        seen = seen_horizons(lens, hfov_deg, np.random.default_rng([hfov_deg, seed]))
        found = lens_from_horizons(seen, told(hfov_deg), TOLD_SD, "x")
        errors.append(found.lens.fx_px / lens.fx_px - 1)
        held.append(abs(found.lens.fx_px - lens.fx_px) <= found.half_width * found.sds[0])
    assert np.sqrt(np.mean(np.square(errors))) < most
    assert sum(held) >= 10
