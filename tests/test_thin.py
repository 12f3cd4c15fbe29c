"""Thin lines in one picture: what is found, what is refused, how well it is placed, how it is drawn."""

import cv2
import numpy as np
import pytest

from horizon.angles import angles_from_up
from horizon.coarse import picture_area
from horizon.draw import SKY_BLUE, YELLOW, draw_reference
from horizon.edge import find_edges
from horizon.frame import EdgePoints
from horizon.lens import Lens, lens_from_hfov, rays
from horizon.thin import LEVEL_LINE, PLUMB_LINE, fitted, rivals_of, thin_lines, why_not

LENS = lens_from_hfov(640, 360, 65)
LARGE = lens_from_hfov(1280, 720, 65)
FISHEYE = Lens(640, 360, 330.0, 330.0, 319.5, 179.5, "fisheye", (0.02, -0.004, 0.0, 0.0))
ROWS = 360


def wall(grey=120.0, *, seed=1, noise=1.5):
    """A plain wall: (height, width), with noise."""
    return grey + np.random.default_rng(seed).normal(0, noise, (360, 640))


def strip(picture, x_px, turn_deg, width_px, contrast, *, blur_px=0.7, part=(0.0, 1.0), bend_px=0.0):
    """Paint an upright strip through (x, middle row): the share of each pixel that it covers, blurred."""
    y = np.arange(ROWS)[:, None]
    along = (y - (ROWS - 1) / 2) / ROWS
    middle = x_px - np.tan(np.radians(turn_deg)) * along * ROWS + bend_px * 4 * along**2
    x = np.arange(picture.shape[1])[None]
    half = width_px / 2 / np.cos(np.radians(turn_deg))
    share = np.clip(np.minimum(middle + half, x + 0.5) - np.maximum(middle - half, x - 0.5), 0, 1)
    share = share * ((y >= part[0] * ROWS) & (y <= part[1] * ROWS))
    return picture + contrast * cv2.GaussianBlur(share, (0, 0), blur_px)


def luma(picture):
    return np.clip(picture + 0.5, 0, 255).astype(np.uint8)


def lean_deg(line):
    return float(np.degrees(angles_from_up(line.normal)[0])) + 90


@pytest.mark.parametrize("contrast", [-50.0, 60.0])
@pytest.mark.parametrize(
    ("width_px", "blur_px"), [(0.7, 0.6), (2.0, 0.8), (4.0, 1.5), (7.0, 0.7), (1.5, 2.5)]
)
def test_a_string_is_placed_to_hundredths_of_a_pixel(width_px, blur_px, contrast):
    turn = 4.3
    seen = luma(strip(wall(), 331.4, turn, width_px, contrast, blur_px=blur_px))
    middle, beside = thin_lines(seen, LENS, PLUMB_LINE)
    assert len(middle) == 1
    assert not beside
    # A line that leans to the right at its top belongs to a camera turned counterclockwise.
    assert abs(abs(lean_deg(middle[0])) - turn) < 0.03
    assert middle[0].middle_px == pytest.approx(331.4 - 319.5, abs=0.1)
    assert middle[0].contrast_grey * contrast > 0
    assert middle[0].unlike < 0.2


def test_a_level_line_is_found_the_same_way():
    seen = luma(strip(wall(), 200.0, 5.0, 3.0, 60.0)[:, :360]).T
    lens = lens_from_hfov(360, 360, 50)
    middle, _ = thin_lines(np.ascontiguousarray(seen), lens, LEVEL_LINE)
    assert len(middle) == 1
    assert abs(np.degrees(angles_from_up(middle[0].normal)[0])) == pytest.approx(5.0, abs=0.03)
    assert middle[0].normal[1] < 0


@pytest.mark.parametrize(
    "picture",
    [
        wall() + 50 * (np.arange(640) > 322.3),
        strip(wall(), 320, 1.0, 18.0, -60.0),
        strip(wall() + 60 * (np.arange(640) > 321), 320, 0.0, 2.0, 20.0),
        strip(strip(wall(), 320, 1.0, 26.0, 60.0, blur_px=5.0), 319, 1.0, 3.0, 15.0, blur_px=2.0),
        strip(wall(), 320, 1.0, 2.0, -60.0, part=(0.0, 0.4)),
        strip(wall(), 320, 1.0, 2.0, -60.0, bend_px=9.0),
        strip(wall(), 320, 1.0, 2.0, -60.0, bend_px=25.0),
        strip(wall(), 420, 1.0, 2.0, -60.0),
        strip(wall(), 320, 1.0, 2.0, -2.0),
        wall(),
        wall(noise=15.0),
    ],
    ids=[
        "step",
        "bar",
        "seam",
        "light along a pipe",
        "short",
        "hanging cable",
        "much bent cable",
        "at the side",
        "faint",
        "nothing",
        "noise",
    ],
)
def test_what_is_no_thin_line_through_the_middle_is_not_taken(picture):
    middle, _ = thin_lines(luma(picture), LENS, PLUMB_LINE)
    assert not middle


@pytest.mark.parametrize(("second", "expected"), [(-70.0, 1), (-30.0, 0), (60.0, 1)])
def test_a_second_line_is_a_rival_when_it_is_as_strong(second, expected):
    seen = luma(strip(strip(wall(), 300, 1.0, 2.0, -80.0), 345, -1.5, 2.0, second))
    middle, beside = thin_lines(seen, LENS, PLUMB_LINE)
    assert len(rivals_of(middle[0], middle, beside)) == expected


def test_a_line_that_is_followed_is_found_from_a_normal_nearby():
    seen = luma(strip(wall(), 320, 2.0, 2.0, -60.0))
    first = thin_lines(seen, LENS, PLUMB_LINE)[0][0]
    moved = luma(strip(wall(seed=2), 325, 2.4, 2.0, -60.0))
    line = fitted(moved, LENS, first.normal, PLUMB_LINE)
    assert why_not(line, LENS, picture_area(moved), PLUMB_LINE) == ""
    assert abs(lean_deg(line)) == pytest.approx(2.4, abs=0.05)


def test_what_is_burnt_in_hides_the_line():
    seen = luma(strip(wall(), 320, 0.5, 2.0, -60.0))
    covered = np.zeros((360, 640), np.uint8)
    covered[:270, 300:340] = 255
    assert thin_lines(seen, LENS, PLUMB_LINE)[0]
    assert not thin_lines(seen, LENS, PLUMB_LINE, covered)[0]


def test_a_straight_line_through_a_bent_lens_is_followed():
    normal = np.array([0.97, 0.05, 0.12]) / np.linalg.norm([0.97, 0.05, 0.12])
    y, x = np.mgrid[0:360, 0:640].astype(float)
    off_px = (rays(FISHEYE, np.column_stack([x.ravel(), y.ravel()])) @ normal).reshape(360, 640) * 330
    seen = luma(wall() - 60 * np.exp(-0.5 * (off_px / 1.2) ** 2))
    middle, _ = thin_lines(seen, FISHEYE, PLUMB_LINE)
    assert len(middle) == 1
    assert np.degrees(np.arccos(middle[0].normal @ normal)) < 0.05


def test_edge_points_of_a_string_tell_its_contrast_and_sides():
    turn = 3.0
    picture = strip(wall() + 12 * (np.arange(640) > 320), 320, 0.0, 2.0, -60.0)
    normal = np.array([1.0, 0.0, 0.0])
    how = {"dip_rad": 0.0, "half_px": 14, "group_px": 8, "area": (0, 0, 640, 360)}
    edges = find_edges(luma(picture), LENS, normal, thin=True, **how)
    assert np.abs(edges.unlike_grey).mean() == pytest.approx(12, abs=turn)
    assert (edges.step_grey < -25).all()
    assert 1 <= edges.thin_px <= 4
    step = find_edges(luma(picture), LENS, normal, **how)
    assert step.thin_px == 0


@pytest.mark.parametrize("kind", [PLUMB_LINE, LEVEL_LINE])
def test_the_measured_and_the_level_stroke_lie_where_they_should(kind):
    turn = np.radians(6.0)
    level = np.array([1.0, 0.0, 0.02]) if kind == PLUMB_LINE else np.array([0.0, -1.0, 0.02])
    c, s = np.cos(turn), np.sin(turn)
    # The camera turned clockwise by 6 deg sees everything turned counterclockwise.
    normal = np.array([c * level[0] + s * level[1], c * level[1] - s * level[0], level[2]])
    grey = np.full((720, 1280, 3), 90, np.uint8)
    points = EdgePoints(np.array([[320.0, 100.0]]), np.array([True]))
    drawn = draw_reference(grey, LARGE, normal, roll_rad=float(turn), points=points)
    assert (draw_reference(grey, LARGE, normal, roll_rad=float(turn)) != drawn).any()
    drawn = draw_reference(grey, LARGE, normal, roll_rad=float(turn))
    for colour, one in ((YELLOW, normal), (SKY_BLUE, level)):
        rows, columns = np.nonzero(np.abs(drawn.astype(int) - np.array(colour)).max(axis=2) < 60)
        off = rays(LARGE, np.column_stack([columns, rows])) @ (one / np.linalg.norm(one))
        assert len(off) > 60
        assert abs(off.mean()) / LARGE.pixel_rad < 0.3
        assert np.abs(off).max() / LARGE.pixel_rad < 3


def test_an_upside_down_camera_has_its_level_stroke_on_the_same_side():
    normal = np.array([1.0, 0.0, 0.3])
    grey = np.full((720, 1280, 3), 90, np.uint8)
    drawn = draw_reference(grey, LARGE, normal, roll_rad=float(np.radians(179.0)))
    columns = np.nonzero(np.abs(drawn.astype(int) - np.array(SKY_BLUE)).max(axis=2) < 60)[1]
    assert (columns < 640).all()


def test_a_stronger_line_beside_is_a_rival_whatever_its_grey():
    """A white string hung aside, and a faint dark joint through the middle."""
    seen = luma(strip(strip(wall(), 318, 1.2, 2.0, -40.0), 440, 0.0, 2.0, 90.0))
    middle, beside = thin_lines(seen, LENS, PLUMB_LINE)
    assert rivals_of(middle[0], middle, beside)
    seen = luma(strip(strip(wall(), 318, 0.0, 2.0, -90.0), 440, 1.2, 2.0, 40.0))
    middle, beside = thin_lines(seen, LENS, PLUMB_LINE)
    assert not rivals_of(middle[0], middle, beside)
