"""The evaluation's drawn frames: their truth holds in the picture, and they are what they are called."""

from dataclasses import replace

import numpy as np
import pytest

from horizon.angles import angles_from_up, up_from_angles, wrap_deg
from horizon.frame import measure_frame
from horizon.lens import lens_from_hfov, rays
from tests.bench import worlds
from tests.bench.negatives import NEGATIVES
from tests.bench.scenery import PROFILE, Sky, Surface, View, World, dip_rad, draw, to_pixels

SIZE = (480, 270)


def rng(seed: int) -> np.random.Generator:
    return np.random.default_rng(seed)


@pytest.fixture
def small(monkeypatch):
    monkeypatch.setattr(worlds, "STILL_PX", SIZE)
    monkeypatch.setattr(worlds, "CLIP_PX", SIZE)


def measured(one: worlds.Still) -> tuple[float, float]:
    """Roll and pitch, deg, found when started at the truth."""
    start = up_from_angles(*np.radians([one.roll_deg, one.pitch_deg]))
    fit = measure_frame(one.luma, one.lens, dip_rad=one.dip_rad, start=start)
    assert fit.reason == ""
    roll, pitch = np.degrees(angles_from_up(fit.up_cam))
    return float(roll), float(pitch)


@pytest.mark.parametrize("kind", worlds.KINDS)
def test_every_kind_declares_what_an_operator_would(kind, small):
    one = worlds.still(kind, rng(4))
    assert one.luma.shape == SIZE[::-1]
    assert one.luma.dtype == np.uint8
    assert one.surface in ("sea", "plain", "lake", "hills")
    assert 2 <= one.height_m <= 120
    assert one.dip_rad == pytest.approx(dip_rad(one.height_m))
    # The skyline may stand above the true horizon by what is declared, so the line may tilt by about that.
    allowed = {"sea": 0.15, "lake": 3.0}.get(one.surface, one.terrain_deg + 0.15)
    assert abs(float(wrap_deg(one.skyline_roll_deg - one.roll_deg))) <= 2 * allowed
    assert abs(one.skyline_pitch_deg - one.pitch_deg) <= allowed
    assert (len(one.shore_m) == 2) == (one.surface == "lake")


def test_the_same_seed_draws_the_same_picture(small):
    one, other = worlds.still("glare", rng(8)), worlds.still("glare", rng(8))
    assert np.array_equal(one.luma, other.luma)


def test_each_kind_has_stills_that_a_person_could_measure(small):
    for kind in worlds.KINDS:
        assert any(worlds.still(kind, rng(seed)).usable for seed in range(3)), kind


def test_a_picture_without_contrast_is_not_called_usable(small):
    level = Surface(True, 150.0, 150.0, 0.0, 1.0, 0.0, 0, np.full(PROFILE, -dip_rad(20.0), np.float32))
    sky = Sky(153.0, 0.0, 0.0, 0, 0.0, False, 0.0, 0.1)
    stage = worlds._stage("sea", rng(1), SIZE, 0.0)
    flat = replace(stage, world=World(20.0, 50.0, sky, level), things=[])
    assert not worlds._picture(flat, 0.1, 0.0, 0.0, 0.0, rng(2)).usable


@pytest.mark.parametrize("seed", [0, 2, 4])
def test_clear_sea_is_measured_where_the_truth_says(seed):
    one = worlds.still("sea", rng(seed))
    roll_deg, pitch_deg = measured(one)
    assert float(wrap_deg(roll_deg - one.roll_deg)) == pytest.approx(0, abs=0.01)
    assert pitch_deg == pytest.approx(one.pitch_deg, abs=0.03)  # half a pixel of the longest lens here


def test_the_skyline_of_hills_is_found_where_its_least_squares_line_says(monkeypatch):
    monkeypatch.setattr(worlds, "STILL_PX", (960, 540))
    differ = []
    for seed in (1, 3, 7):
        one = worlds.still("hills", rng(seed))
        start = up_from_angles(*np.radians([one.skyline_roll_deg, one.skyline_pitch_deg]))
        fit = measure_frame(one.luma, one.lens, dip_rad=one.dip_rad, start=start)
        if fit.reason:
            continue
        pitch_deg = float(np.degrees(angles_from_up(fit.up_cam)[1]))
        differ.append((abs(pitch_deg - one.skyline_pitch_deg), abs(pitch_deg - one.pitch_deg)))
    to_skyline, to_truth = np.mean(differ, axis=0)
    assert to_skyline < 0.5 * to_truth


def test_directions_land_on_the_pixels_that_show_them():
    """The line stands in the picture where its directions are projected, skewed rows and all."""
    lens = lens_from_hfov(*SIZE, 60.0)
    relief = np.full(PROFILE, -0.01, np.float32)
    world = World(
        5.0, 1000.0, Sky(200.0, 0, 0, 0, 0, False, 0, 0.1), Surface(True, 60, 60, 0, 1, 0, 0, relief)
    )
    view = View(lens, 0.4, 0.05, 1.0, skew_rad=0.05, level_row_px=100.0)
    picture = draw(world, view)
    points = to_pixels(view, 1.0 + np.linspace(-0.3, 0.3, 50), np.full(50, -0.01))
    inside = ((points > 3) & (points < np.array(SIZE) - 4)).all(axis=1)
    assert inside.sum() > 20
    # On the border itself a pixel is shared half and half; across a pixel the grey goes from 200 to 60.
    low = np.floor(points[inside]).astype(int)
    part = points[inside] - low
    near = [
        (1 - abs(dx - part[:, 0])) * (1 - abs(dy - part[:, 1])) * picture[low[:, 1] + dy, low[:, 0] + dx]
        for dx in (0, 1)
        for dy in (0, 1)
    ]
    assert np.mean(np.sum(near, axis=0)) == pytest.approx(130, abs=8)


def test_least_squares_line_of_a_true_horizon_is_the_true_one():
    lens = lens_from_hfov(*SIZE, 80.0)
    view = View(lens, -2.0, 0.1, 0.3)
    points, lengths = worlds._seen(view, np.full(PROFILE, -0.004))
    start = up_from_angles(-1.98, 0.11)
    up = worlds._least_squares(rays(lens, points), lengths, start, 0.004)
    assert angles_from_up(up) == pytest.approx((-2.0, 0.1), abs=1e-9)


@pytest.mark.parametrize("kind", ["swell", "rain"])
def test_a_clip_moves_smoothly_through_one_scene(kind, small):
    frames = list(worlds.clip_frames(kind, rng(6), seconds=2.0, fps=5.0))
    assert [t_s for t_s, _ in frames] == pytest.approx(np.arange(10) / 5)
    rolls = np.unwrap(np.radians([one.roll_deg for _, one in frames]))
    assert np.ptp(rolls) > 0
    # 8 deg in sines of 3 s and longer: at most 17 deg a second.
    assert np.abs(np.degrees(np.diff(rolls))).max() < 17 / 5
    assert len({one.lens for _, one in frames}) == 1
    assert len({one.height_m for _, one in frames}) == 1
    assert not np.array_equal(frames[0][1].luma, frames[1][1].luma)


def test_pictures_without_a_horizon_come_in_many_sorts(small):
    assert len(NEGATIVES) >= 8
    sort, luma, lens = worlds.drawn_negative(rng(3))
    assert sort in NEGATIVES
    assert luma.shape == (lens.height_px, lens.width_px)
    assert luma.std() > 0


def test_an_unknown_kind_is_named_with_the_known_ones():
    with pytest.raises(ValueError, match=r"kind is 'moon'; allowed: sea, swell"):
        worlds.still("moon", rng(1))
