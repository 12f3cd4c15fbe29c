"""Marks burnt into the picture are found by their not changing; the scene is not taken for one."""

from functools import lru_cache

import cv2
import numpy as np
import pytest

from horizon.angles import angles_from_up
from horizon.frame import measure_frame
from horizon.lens import lens_from_hfov
from horizon.overlay import burnt_in, may_be_burnt_in
from horizon.synthetic import draw_frame, make_scene

LENS = lens_from_hfov(480, 270, 70)


@lru_cache
def looks(*, moving: bool, marked: bool, count: int = 10):
    return tuple(drawn(moving, marked, count))


def drawn(moving: bool, marked: bool, count: int):
    rng = np.random.default_rng(4)
    scene = make_scene("sea", rng=rng, height_m=15)
    for k in range(count):
        roll = 6 * np.sin(k) if moving else 1.0
        picture = draw_frame(scene, LENS, roll_deg=roll, pitch_deg=2.0, t_s=0.7 * k, rng=rng)
        if marked:
            cv2.putText(picture, "T 12.5", (20, 250), cv2.FONT_HERSHEY_SIMPLEX, 0.8, 250, 2)
            picture[10:22, 400:460] = 245
        yield picture


def test_text_and_block_are_masked_and_little_else():
    mask = burnt_in(list(looks(moving=True, marked=True)))
    assert mask is not None
    assert mask[225:252, 20:110].mean() > 100
    assert mask[10:22, 398:402].mean() > 127
    assert (mask > 0).mean() < 0.08


@pytest.mark.parametrize("moving", [True, False])
def test_a_clean_picture_has_no_mask(moving):
    assert burnt_in(list(looks(moving=moving, marked=False))) is None


def test_every_other_look_tells_that_nothing_is_burnt_in():
    assert not may_be_burnt_in(list(looks(moving=True, marked=False, count=12))[::2])
    assert may_be_burnt_in(list(looks(moving=True, marked=True, count=12))[::2])
    # Of a camera that does not move they tell nothing yet, nor do too few.
    assert may_be_burnt_in(list(looks(moving=True, marked=False, count=4)))


@pytest.mark.parametrize("grey", [120, 160, 190, 250])
@pytest.mark.parametrize("size", [2, 3, 5, 8])
def test_a_mark_that_is_found_was_seen_in_some_of_the_looks(size, grey):
    seen = [picture.copy() for picture in looks(moving=True, marked=False, count=12)]
    for picture in seen:
        cv2.putText(picture, "AP 7", (30, 40), cv2.FONT_HERSHEY_SIMPLEX, size / 10, grey, 1)
    for some in (seen[::2], seen[1::2]):
        assert may_be_burnt_in(some) or burnt_in(seen) is None


def test_a_horizon_held_in_place_through_a_pan_is_no_mark():
    rng = np.random.default_rng(6)
    scene = make_scene("plain", rng=rng, height_m=15, clouds=1.0, objects=8)
    turns = [
        draw_frame(scene, LENS, roll_deg=0.9, pitch_deg=0.0, yaw_deg=31.0 * k, rng=rng) for k in range(12)
    ]
    mask = burnt_in(turns)
    assert mask is None or mask[120:150].mean() < 3


def test_too_few_looks_say_nothing():
    assert burnt_in(list(looks(moving=True, marked=True, count=4))) is None


def test_a_bar_across_the_horizon_does_not_bend_the_answer():
    rng = np.random.default_rng(5)
    lens = lens_from_hfov(960, 540, 70)
    scene = make_scene("sea", rng=rng, height_m=15)
    picture = draw_frame(scene, lens, roll_deg=4.0, pitch_deg=0.0, rng=rng)
    covered = np.zeros((270, 480), np.uint8)
    picture[250:290, 300:560], covered[122:148, 147:283] = 240, 255
    fit = measure_frame(picture, lens, covered=covered)
    assert fit.reason == ""
    assert np.degrees(angles_from_up(fit.up_cam)[0]) == pytest.approx(4.0, abs=0.03)
