"""What is drawn on frames: lines where the lens has them, marks on their points, words beside the picture."""

import cv2
import numpy as np
import pytest

from horizon.angles import up_from_angles
from horizon.draw import (
    SKY_BLUE,
    VERMILLION,
    YELLOW,
    Caption,
    captioned,
    draw_horizon,
    strip_px,
    turned,
)
from horizon.frame import EdgePoints, edge_points, measure_frame
from horizon.lens import Lens, lens_from_hfov, rays
from horizon.lettering import readable, shortened, width_px, write
from horizon.synthetic import draw_frame, make_scene

PINHOLE = lens_from_hfov(960, 540, 70.0)
BROWN = Lens(960, 540, 620.0, 620.0, 470.0, 280.0, "brown", (-0.22, 0.05, 0.001, -0.002))
FISHEYE = Lens(960, 540, 420.0, 420.0, 479.5, 269.5, "fisheye", (0.02, -0.004, 0.0, 0.0))


def flat(grey: int, lens: Lens = PINHOLE) -> np.ndarray:
    return np.full((lens.height_px, lens.width_px, 3), grey, np.uint8)


def up(roll_deg: float, pitch_deg: float) -> np.ndarray:
    return up_from_angles(np.radians(roll_deg), np.radians(pitch_deg))


def near(picture: np.ndarray, bgr: tuple[int, int, int], within: int = 60) -> np.ndarray:
    """Where a picture has about this colour."""
    return np.abs(picture.astype(int) - np.array(bgr)).max(axis=2) < within


def off_level_px(lens: Lens, up_cam: np.ndarray, dip_rad: float, points_px: np.ndarray) -> np.ndarray:
    """How far pixels lie off the horizon, by the definition of it and the lens's own scale there."""

    def height(points):
        return np.arcsin(rays(lens, points) @ up_cam) + dip_rad

    steps = [height(points_px + step) - height(points_px - step) for step in ([0.5, 0.0], [0.0, 0.5])]
    return height(points_px) / np.hypot(*steps)


@pytest.mark.parametrize("lens", [PINHOLE, BROWN, FISHEYE], ids=["pinhole", "brown", "fisheye"])
@pytest.mark.parametrize("roll_deg", [-61.0, -0.4, 3.25, 88.0, 178.5])
def test_the_line_lies_where_the_lens_has_the_horizon(lens, roll_deg):
    up_cam, dip_rad = up(roll_deg, 6.0), np.radians(0.4)
    drawn = draw_horizon(flat(90, lens), lens, up_cam, dip_rad=dip_rad)
    rows, columns = np.nonzero(near(drawn, YELLOW))
    off_px = off_level_px(lens, up_cam, dip_rad, np.column_stack([columns, rows]))
    assert len(off_px) > 300
    assert abs(off_px.mean()) < 0.25
    assert np.abs(off_px).max() < 2.0


@pytest.mark.parametrize(
    ("size", "hfov_deg"), [((424, 239), 70.0), ((3840, 2160), 70.0), ((1920, 1080), 2.0)]
)
def test_the_line_goes_from_edge_to_edge_in_small_large_and_narrow_pictures(size, hfov_deg):
    lens = lens_from_hfov(*size, hfov_deg)
    drawn = draw_horizon(flat(90, lens), lens, up(2.0, 0.1))
    columns = np.flatnonzero(near(drawn, YELLOW).any(axis=0))
    period_px = 40 * size[0] / 960
    assert columns[0] < period_px
    assert columns[-1] > size[0] - period_px
    assert 0.4 < len(columns) / size[0] < 0.8  # dashes: in between the edge itself is to be seen


GROUNDS = {
    **{f"grey {grey}": flat(grey) for grey in (0, 70, 128, 190, 255)},
    "sky": flat(0) + np.array([235, 206, 160], np.uint8),
    "sea": flat(0) + np.array([110, 80, 20], np.uint8),
    "busy": np.random.default_rng(3).integers(0, 256, (540, 960, 3)).astype(np.uint8),
}


@pytest.mark.parametrize("ground", GROUNDS)
def test_both_lines_stand_out_on_any_ground_without_their_colour(ground):
    """Light within two pixels of dark along every line, whatever is under it, seen in grey."""
    picture = GROUNDS[ground]
    drawn = draw_horizon(picture, PINHOLE, up(10.0, 0.0))
    grey = cv2.cvtColor(drawn, cv2.COLOR_BGR2GRAY)
    darkest = cv2.erode(grey, np.ones((5, 5), np.uint8))
    for colour in (YELLOW, SKY_BLUE):
        core = near(drawn, colour, 40) & (drawn != picture).any(axis=2)
        assert core.sum() > 200
        assert np.mean(grey[core].astype(int) - darkest[core] > 90) > 0.95


@pytest.mark.parametrize(
    ("roll_deg", "level_deg", "vertical"),
    [
        (12.0, 0, False),
        (12.0, 180, False),
        (170.0, 180, False),
        (80.0, 90, True),
        (-95.0, -90, True),
        (60, 0, False),
    ],
)
def test_level_is_where_the_same_camera_turned_level_would_have_the_horizon(roll_deg, level_deg, vertical):
    pitch_deg = 8.0
    drawn = draw_horizon(flat(90), PINHOLE, up(roll_deg, pitch_deg), level_rad=np.radians(level_deg))
    rows, columns = np.nonzero(near(drawn, SKY_BLUE))
    # A lens turned up by 8 deg has the horizon f tan 8 below the middle, seen upright.
    below_px = PINHOLE.fx_px * np.tan(np.radians(pitch_deg))
    way = {0: 1, 180: -1, 90: 1, -90: -1}[level_deg]
    at, middle = (columns, PINHOLE.cx_px) if vertical else (rows, PINHOLE.cy_px)
    assert abs(np.median(at) - (middle + way * below_px)) < 1.0
    assert np.ptp(columns if not vertical else rows) > 0.9 * (540 if vertical else 960)


def test_without_being_told_level_is_the_nearest_quarter_turn():
    for roll_deg, level_deg in ((40.0, 0.0), (50.0, 90.0), (-170.0, 180.0)):
        told = draw_horizon(flat(90), PINHOLE, up(roll_deg, 4.0), level_rad=np.radians(level_deg))
        assert np.array_equal(draw_horizon(flat(90), PINHOLE, up(roll_deg, 4.0)), told)


def test_rings_and_crosses_stand_on_their_points_and_differ_in_shape():
    used_px, rejected_px = (
        np.array([[200.0, 100.0], [400.3, 150.6]]),
        np.array([[300.0, 420.0], [500.4, 380.5]]),
    )
    points = EdgePoints(np.vstack([used_px, rejected_px]), np.array([True, True, False, False]))
    bare = draw_horizon(flat(90), PINHOLE, up(0.5, 0.0))
    drawn = draw_horizon(flat(90), PINHOLE, up(0.5, 0.0), points=points)
    changed = (drawn != bare).any(axis=2)
    for x, y in points.points_px:
        rows, columns = np.nonzero(changed[round(y) - 12 : round(y) + 13, round(x) - 12 : round(x) + 13])
        assert columns.mean() + round(x) - 12 == pytest.approx(x, abs=0.6)
        assert rows.mean() + round(y) - 12 == pytest.approx(y, abs=0.6)
    assert not changed[100, 200]  # a ring leaves its point in view
    assert changed[420, 300]  # the arms of a cross meet on it
    assert near(drawn, VERMILLION)[420, 300]
    assert changed.sum() == sum(
        changed[round(y) - 12 : round(y) + 13, round(x) - 12 : round(x) + 13].sum()
        for x, y in points.points_px
    )


def test_marks_of_neighbouring_points_do_not_run_into_one_another():
    along = np.column_stack([np.arange(100.0, 860.0, 8.0), np.full(95, 100.0)])
    drawn = draw_horizon(flat(90), PINHOLE, up(0.5, 0.0), points=EdgePoints(along, np.ones(95, bool)))
    marked = (drawn[85:115] != 90).any(axis=2).any(axis=0)
    assert 10 < np.count_nonzero(np.diff(marked.astype(int)) == 1) < 20
    assert marked.mean() < 0.4


def test_edge_points_lie_on_the_edge_and_those_off_it_are_left_aside():
    rng = np.random.default_rng(11)
    lens = lens_from_hfov(1280, 720, 70.0)
    scene = make_scene("sea", rng=rng, height_m=20.0, objects=0, visibility_km=60.0, noise_sd=1.5)
    luma = draw_frame(scene, lens, roll_deg=2.5, pitch_deg=-1.0, rng=rng)
    # Something ragged stands before the horizon over a sixth of the picture.
    block = luma[330:390, 300:500]
    block[:] = rng.integers(20, 60, block.shape)
    block[: block.shape[0] // 2, ::7] = 200
    fit = measure_frame(luma, lens, dip_rad=scene.dip_rad)
    assert fit.reason == ""
    found = edge_points(luma, lens, fit.up_cam, dip_rad=scene.dip_rad)
    off_px = off_level_px(lens, up(2.5, -1.0), scene.dip_rad, found.points_px)
    assert found.used.sum() > 0.6 * len(found.used)
    assert np.abs(off_px[found.used]).max() < 3.0
    before = (found.points_px[:, 0] > 310) & (found.points_px[:, 0] < 490)
    assert (~found.used[before]).sum() > 0.7 * before.sum() > 5


def test_no_edge_points_where_the_line_cannot_be_found_again():
    lens = lens_from_hfov(640, 360, 70.0)
    assert len(edge_points(np.full((360, 640), 90, np.uint8), lens, up(1.0, 0.0)).points_px) == 0


HOSTILE = [
    "<script>alert(1)</script>.mp4",
    "\u202egnp.4pm\u202c",
    "a\x1b[31m\nb\tc\x00.mp4",
    "n" * 300,
    "שלום.mp4",
    "漢字🎥.mp4",
    "",
]


@pytest.mark.parametrize("name", HOSTILE, ids=range(len(HOSTILE)))
@pytest.mark.parametrize("size", [(960, 540), (304, 540), (424, 238), (1080, 1920), (96, 54)])
def test_words_stand_below_the_picture_and_break_nothing(name, size):
    rng = np.random.default_rng(1)
    picture = rng.integers(0, 256, (size[1], size[0], 3)).astype(np.uint8)
    caption = Caption(f"right side low by 0.9 ± 0.1 deg {name}", name, "12.3 s")
    points = EdgePoints(np.empty((0, 2)), np.empty(0, bool))
    for key in (None, points):
        whole = captioned(picture, caption, key=key)
        assert np.array_equal(whole[: size[1]], picture)
        strip = whole[size[1] :]
        assert strip.shape == (strip_px(*size, key=key is not None), size[0], 3)
        assert len(strip) % 2 == 0
        if size[0] > 300:
            assert (strip > 150).any()
            assert not (strip[:, -2:] > 60).any()  # nothing runs out of it


def test_the_time_stays_whatever_the_clip_is_called():
    picture = flat(90)
    short, long = (
        captioned(picture, Caption("level", name, "12.3 s"))[540:, 880:] for name in ("a.mp4", "n" * 300)
    )
    assert np.array_equal(short, long)


def test_a_stretch_that_is_left_out_is_marked_without_colour():
    strips = [captioned(flat(90), Caption("", "", "", left_out))[540:] for left_out in (False, True)]
    lit = [(cv2.cvtColor(strip, cv2.COLOR_BGR2GRAY)[1] > 60).mean() for strip in strips]
    assert lit == pytest.approx([0.0, 0.5], abs=0.05)


def test_a_turned_picture_is_the_stored_one_a_quarter_counterclockwise():
    picture = flat(0)
    picture[:20, :30] = 255
    assert turned(picture, 90).shape == (960, 540, 3)
    assert turned(picture, 90)[-1, 0, 0] == 255  # the top left corner comes to the bottom left
    assert turned(picture, -90)[0, -1, 0] == 255
    assert turned(picture, 180)[-1, -1, 0] == 255
    assert np.array_equal(turned(picture, 0), picture)


def test_letters_have_what_opencv_lacks():
    def written(text):
        picture = np.zeros((40, 200, 3), np.uint8)
        write(picture, text, 5, 5, size_px=24, bgr=(255, 255, 255))
        return picture

    assert written("±").any()
    assert not np.array_equal(written("±"), written("+"))
    assert not np.array_equal(written("±"), written(readable("漢")))
    assert not written("").any()


def test_letters_are_cut_off_at_the_edges_of_the_picture():
    picture = np.zeros((20, 30, 3), np.uint8)
    for x, y in ((-40, -5), (25, 12), (500, 3), (3, 500), (-500, 3)):
        write(picture, "edge", x, y, size_px=24, bgr=(255, 255, 255))
    assert picture.any()


@pytest.mark.parametrize("most_px", [0, 15, 80, 300, 5000])
def test_shortened_text_fits_and_keeps_both_ends(most_px):
    text = "wall_" + "x" * 120 + "_pan.mp4"
    short = shortened(text, 20, most_px)
    assert width_px(short, 20) <= most_px
    if most_px >= 80:
        assert short[0] == "w"
        assert short[-1] == "4"
    assert (short == text) == (most_px == 5000)
