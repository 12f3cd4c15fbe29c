"""How far the camera turned between two pictures, from the band below the horizon."""

import numpy as np
import pytest

from horizon.angles import up_from_angles
from horizon.lens import lens_from_hfov
from horizon.pan import band, pan_shift_deg
from horizon.synthetic import draw_frame, make_scene

LENS = lens_from_hfov(640, 360, 60.0)
REACH_DEG = 27.0
PIXEL_DEG = 2 * REACH_DEG / 255


def bands(poses, *, seed=3, noise_sd=1.5):
    """A band per (roll, pitch, yaw) in deg over one drawn plain."""
    rng = np.random.default_rng(seed)
    scene = make_scene("plain", rng=rng, height_m=10.0, noise_sd=noise_sd)
    found = []
    for roll, pitch, yaw in poses:
        luma = draw_frame(scene, LENS, roll_deg=roll, pitch_deg=pitch, yaw_deg=yaw, rng=rng)
        found.append(band(luma, LENS, up_from_angles(np.radians(roll), np.radians(pitch)), REACH_DEG))
    return found


@pytest.mark.parametrize("turned_deg", [-4.0, -0.6, 0.0, 1.3, 5.0])
def test_a_turn_is_found_while_roll_and_pitch_move(turned_deg):
    before, after = bands([(1.0, 2.0, 10.0), (-3.0, 3.5, 10.0 + turned_deg)])
    # Phase correlation finds the shift to a good part of a band's pixel.
    assert pan_shift_deg(before, after, REACH_DEG) == pytest.approx(turned_deg, abs=0.5 * PIXEL_DEG)


def test_an_upside_down_camera_turns_the_other_way_in_its_own_picture():
    before, after = bands([(180.0, 2.0, 10.0), (180.0, 2.0, 12.0)])
    assert pan_shift_deg(before, after, REACH_DEG) == pytest.approx(2.0, abs=0.5 * PIXEL_DEG)


def test_other_scenery_gives_no_number():
    (before,), (after,) = bands([(0.0, 2.0, 0.0)]), bands([(0.0, 2.0, 120.0)], seed=4)
    assert np.isnan(pan_shift_deg(before, after, REACH_DEG))


def test_a_picture_without_texture_gives_no_number():
    up = up_from_angles(0.0, 0.0)
    blank = band(np.full((360, 640), 90, np.uint8), LENS, up, REACH_DEG)
    (seen,) = bands([(0.0, 2.0, 0.0)])
    assert np.isnan(pan_shift_deg(blank, seen, REACH_DEG))


def test_what_lies_outside_the_picture_is_zero():
    """Lens up by 25 deg: half the height of the picture is 18.0 deg, so the horizon is out of it."""
    (unseen,) = bands([(0.0, 25.0, 0.0)])
    assert not unseen.any()
