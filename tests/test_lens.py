"""Pixels and rays: round trips, OpenCV as the outside reference, lens files."""

import math

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from horizon.lens import Lens, LensError, lens_from_hfov, pixels, rays, read_lens, scaled

BROWN = Lens(1920, 1080, 960.0, 955.0, 962.0, 538.0, "brown", (-0.17, 0.03, 0.001, -0.0008, 0.002))
FISHEYE = Lens(1920, 1080, 700.0, 702.0, 958.0, 541.0, "fisheye", (-0.02, 0.003, -0.001, 0.0002))
PINHOLE = lens_from_hfov(1920, 1080, 70)
X, Y = st.floats(0, 1919), st.floats(0, 1079)


@pytest.mark.parametrize("lens", [PINHOLE, BROWN, FISHEYE], ids=["pinhole", "brown", "fisheye"])
@given(x=X, y=Y)
def test_pixels_survive_the_round_trip(lens, x, y):
    ray = rays(lens, [(x, y)])
    assert np.linalg.norm(ray) == pytest.approx(1, abs=1e-12)
    assert pixels(lens, ray)[0] == pytest.approx((x, y), abs=1e-9)


def test_field_of_view_spans_the_stored_width():
    # The outer edges of the outermost pixels lie half a pixel outside their centres.
    left, right = rays(PINHOLE, [(-0.5, 539.5), (1919.5, 539.5)])
    assert math.degrees(math.acos(float(left @ right))) == pytest.approx(70, abs=1e-9)


def test_brown_agrees_with_opencv():
    ray = rays(BROWN, np.random.default_rng(1).uniform(0, 1079, (200, 2)))
    there = cv2.projectPoints(ray, np.zeros(3), np.zeros(3), BROWN.matrix, np.array(BROWN.distortion))[0]
    assert pixels(BROWN, ray) == pytest.approx(there.reshape(-1, 2), abs=1e-8)


def test_fisheye_agrees_with_opencv():
    points = np.random.default_rng(2).uniform(0, 1079, (200, 1, 2))
    flat = cv2.fisheye.undistortPoints(points, FISHEYE.matrix, np.array(FISHEYE.distortion))[:, 0]
    ray = rays(FISHEYE, points[:, 0])
    assert ray[:, :2] / ray[:, 2:] == pytest.approx(flat, abs=1e-6)


def test_rays_behind_a_pinhole_are_not_seen():
    assert np.isnan(pixels(PINHOLE, [(0, 0, -1.0)])).all()


def test_fisheye_sees_beyond_ninety_degrees():
    wide = Lens(1000, 1000, 250.0, 250.0, 499.5, 499.5, "fisheye", (0.0, 0.0, 0.0, 0.0))
    ray = rays(wide, [(499.5 + 250 * math.radians(100), 499.5)])
    assert ray[0] == pytest.approx((math.sin(math.radians(100)), 0, math.cos(math.radians(100))), abs=1e-9)


def test_scaling_keeps_the_rays():
    half = scaled(BROWN, 960, 540)
    # The centre of the half-size picture's first pixel lies between the first four of the full one.
    assert rays(half, [(0, 0)]) == pytest.approx(rays(BROWN, [(0.5, 0.5)]), abs=1e-9)


def test_another_aspect_is_refused():
    with pytest.raises(LensError, match="another aspect"):
        scaled(BROWN, 1920, 1440)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("width_px = 'x'", "width_px is 'x'; write a number of pixels"),
        ("width_px = 10\nheight_px = 10\nfx_px = 9\nfy_px = 9\ncx_px = 5\n", "cx_px is 5|cy_px is None"),
        ("= 3", "not a readable TOML file"),
    ],
)
def test_bad_lens_files_say_what_to_mend(tmp_path, text, message):
    path = tmp_path / "lens.toml"
    path.write_text(text)
    with pytest.raises(LensError, match=message):
        read_lens(path)


def test_lens_file_round_trip(tmp_path):
    path = tmp_path / "lens.toml"
    path.write_text(
        "width_px = 1920\nheight_px = 1080\nfx_px = 960.0\nfy_px = 955.0\ncx_px = 962.0\ncy_px = 538.0\n"
        'model = "brown"\ndistortion = [-0.17, 0.03, 0.001, -0.0008, 0.002]\n'
    )
    assert read_lens(path) == BROWN


def test_a_lens_file_may_tell_how_well_it_is_known(tmp_path):
    path = tmp_path / "lens.toml"
    size = "width_px = 1920\nheight_px = 1080\n"
    path.write_text(
        size + "fx_px = 960\nfy_px = 955\ncx_px = 962\ncy_px = 538\nfocal_sd = 0.0007\nviews = 9\n"
    )
    lens = read_lens(path)
    assert lens.focal_sd == 0.0007
    assert scaled(lens, 960, 540).focal_sd == 0.0007
    path.write_text(path.read_text().replace("0.0007", "3.0"))
    with pytest.raises(LensError, match=r"lens\.toml: focal_sd is 3\.0; write .* as 0\.004"):
        read_lens(path)


@pytest.mark.parametrize("hfov_deg", [0.5, 180.0, -3.0])
def test_impossible_field_of_view_is_refused(hfov_deg):
    with pytest.raises(LensError, match="field of view"):
        lens_from_hfov(1920, 1080, hfov_deg)


def test_wrong_number_of_distortion_terms_is_refused():
    with pytest.raises(LensError, match="4 or 5 distortion numbers; 2 were given"):
        Lens(10, 10, 5.0, 5.0, 4.5, 4.5, "brown", (0.1, 0.2))


def test_a_crop_that_is_told_takes_a_part_of_the_picture():
    """Where a ray falls: cutting a picture moves its pixels, and no ray."""
    lens = Lens(2000, 1500, 1500.0, 1500.0, 1010.0, 740.0, "brown", (-0.1, 0.0, 0.0, 0.0, 0.0))
    ray = rays(lens, [[1200.0, 600.0]])
    wide = scaled(lens, 1000, 562, 1.0)  # the whole width at half the size, 188 rows cut off above and below
    assert pixels(wide, ray) == pytest.approx(np.array([[(1200.5 / 2) - 0.5, (600.5 - 750) / 2 + 281 - 0.5]]))
    near = scaled(lens, 1000, 562, 2.0)  # the middle half of the width, pixel by pixel
    assert pixels(near, ray) == pytest.approx(np.array([[1200.0 - 500, 600.0 - 750 + 281]]))
    with pytest.raises(LensError, match=r"another aspect; .* state crop under"):
        scaled(lens, 1000, 562)
    with pytest.raises(LensError, match="shows more than the 2000 x 1500 of the lens file"):
        scaled(lens, 1000, 900, 1.0)
