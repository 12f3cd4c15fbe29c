"""Frames turned by known angles: the picture is the one the camera would have taken, and reads as such."""

from dataclasses import replace
from functools import lru_cache

import cv2
import numpy as np
import pytest

from horizon.angles import angles_from_up, up_from_angles
from horizon.frame import measure_frame, refused
from horizon.lens import Lens, lens_from_hfov
from horizon.selfcheck import MIRRORED_DEG, TURNED_DEG, Sample, fits_in, self_check, turned_pictures
from horizon.synthetic import draw_frame, make_scene

PINHOLE = lens_from_hfov(640, 360, 65.0)
BENT = Lens(640, 360, 467.0, 467.0, 328.0, 174.0, "brown", (-0.16, 0.03, 0.001, -0.001))
PICTURES = len(TURNED_DEG) + len(MIRRORED_DEG)


def drawn(lens, rolls_deg=(0.4, -4.0, 21.3, 178.0), seed=5, kind="sea"):
    rng = np.random.default_rng(seed)
    for roll_deg in rolls_deg:
        scene = make_scene(kind, rng=rng, noise_sd=1.5)
        pitch_deg = float(rng.uniform(-3, 3))
        yield roll_deg, pitch_deg, draw_frame(scene, lens, roll_deg=roll_deg, pitch_deg=pitch_deg, rng=rng)


@lru_cache(maxsize=8)
def samples(lens, **how):
    found = []
    for k, (_, _, luma) in enumerate(drawn(lens, **how)):
        fit = measure_frame(luma, lens)
        assert fit.reason == ""
        roll_deg = float(np.degrees(angles_from_up(fit.up_cam)[0]))
        found.append(Sample("a.mp4", float(k), luma, lens, roll_deg))
    return tuple(found)


def noiseless(lens, roll_deg, pitch_deg):
    """A picture whose grey is a smooth function of the elevation, and so known at every pixel."""
    scene = replace(make_scene("sea", rng=np.random.default_rng(1)), noise_sd=0.0, cloud_contrast=0.0)
    scene = replace(scene, ground_contrast=0.0, blur_px=2.0)
    return draw_frame(scene, lens, roll_deg=roll_deg, pitch_deg=pitch_deg, rng=np.random.default_rng(1))


@pytest.mark.parametrize("lens", [PINHOLE, BENT], ids=["pinhole", "bent, off centre"])
def test_turned_picture_is_the_one_that_the_camera_rolled_would_have_taken(lens):
    turns = [(-7.0, False), (0.0, False), (12.0, False), (3.0, True)]
    pictures, cut = turned_pictures(noiseless(lens, 2.0, 1.5), lens, turns)
    for picture, (turn_deg, mirrored) in zip(pictures, turns, strict=True):
        own_deg = -2.0 if mirrored else 2.0
        # A blur in pixels is not the same through the cut and the turn, so its width is left some room.
        wanted = noiseless(cut, own_deg + turn_deg, 1.5)
        assert picture.shape == wanted.shape == (cut.height_px, cut.width_px)
        assert np.abs(picture.astype(float) - wanted).max() < 12
        assert np.abs(picture.astype(float) - wanted).mean() < 0.4


def test_a_wide_picture_is_turned_at_half_its_size_and_reads_the_same():
    wide = lens_from_hfov(2688, 1512, 65.0)
    ((roll_deg, _, luma),) = drawn(wide, rolls_deg=(1.3,))
    sizes = []

    def measure(luma, lens):
        sizes.append(luma.shape)
        return measure_frame(luma, lens)

    found = self_check([Sample("a.mp4", 0.0, luma, wide, roll_deg)], measure)
    assert max(max(size) for size in sizes) < 1344
    assert found.lost == 0
    assert found.worst_deg < 0.02
    assert found.own_deg < 0.03


def test_no_corner_is_empty():
    white = np.full((360, 640), 255, np.uint8)
    white[[0, -1], :] = white[:, [0, -1]] = 0  # what lies beyond is put in by repeating this rim
    for lens in (PINHOLE, BENT):
        pictures, _ = turned_pictures(white, lens, [(12.0, False), (-12.0, True), (5.0, False)])
        assert min(int(picture[2:-2, 2:-2].min()) for picture in pictures) > 200


@pytest.mark.parametrize(
    ("lens", "kind"),
    [(BENT, "sea"), *(pytest.param(PINHOLE, on, marks=pytest.mark.long) for on in ("sea", "plain"))],
)
def test_drawn_frames_read_the_turns(lens, kind):
    found = self_check(samples(lens, kind=kind))
    assert found.turned == 4 * PICTURES
    assert found.lost <= 2
    assert found.frames == 4
    assert found.scale == pytest.approx(1.0, abs=0.001)
    assert found.bias_deg == pytest.approx(0.0, abs=0.01)
    assert found.small_deg == pytest.approx(0.5, abs=0.01)
    assert found.worst_deg < 0.1
    assert found.defects == ()


def reads(scale=1.0, bias_deg=0.0, noise_deg=0.003):
    """A measuring function whose roll is scale x the true reading + a bias."""
    rng = np.random.default_rng(11)

    def measure(luma, lens):
        fit = measure_frame(luma, lens)
        roll_rad, pitch_rad = angles_from_up(fit.up_cam)
        wrong = scale * float(np.degrees(roll_rad)) + bias_deg + rng.normal(0, noise_deg)
        return replace(fit, up_cam=up_from_angles(np.radians(wrong), pitch_rad))

    return measure


LEVEL = {"rolls_deg": (0.0, 0.3, -0.4)}


def test_a_wrong_scale_is_a_defect():
    found = self_check(samples(PINHOLE, **LEVEL), reads(scale=1.02))
    assert found.scale == pytest.approx(1.02, abs=0.003)
    assert found.defects == ("turns are read +2.0 % off",)


@pytest.mark.long
def test_a_bias_is_a_defect_even_where_the_frames_themselves_have_it():
    measure = reads(bias_deg=0.1)
    found = self_check(samples(PINHOLE, **LEVEL), measure)
    assert found.bias_deg == pytest.approx(0.1, abs=0.01)
    assert found.defects == ("every roll is read +0.10 deg off (right side down +)",)
    alike = [replace(one, roll_deg=one.roll_deg + 0.1) for one in samples(PINHOLE, **LEVEL)]
    found = self_check(alike, measure)
    assert found.bias_deg == pytest.approx(0.1, abs=0.01)
    assert len(found.defects) == 1


def test_a_bias_within_its_uncertainty_is_no_defect():
    found = self_check(samples(PINHOLE, **LEVEL), reads(bias_deg=0.03, noise_deg=0.1))
    assert found.bias_sd_deg > 0.015
    assert found.defects == ()


def checked(rng, *, scale=1.0, noise_deg=0.05, frames=4):
    """A self-check of readings made up as scale x turn + noise: no picture is measured."""
    blank = np.zeros((60, 80), np.uint8)
    fit = measure_frame(blank, lens_from_hfov(80, 60, 60.0))
    turns = iter((*TURNED_DEG, *MIRRORED_DEG) * frames)

    def measure(luma, lens):
        roll_rad = np.radians(scale * next(turns) + rng.normal(0, noise_deg))
        return replace(fit, up_cam=up_from_angles(roll_rad, 0.0))

    lens = lens_from_hfov(80, 60, 60.0)
    return self_check([Sample("a.mp4", float(k), blank, lens, 0.0) for k in range(frames)], measure)


def test_uncertainty_holds_the_truth_of_a_noisy_measure():
    """Of 40 checks of readings with 0.05 deg scatter, 34 or more have scale and bias in their intervals."""
    rng = np.random.default_rng(3)
    held = np.zeros(2, int)
    for _ in range(40):
        found = checked(rng)
        held += [
            abs(found.scale - 1) < 1.96 * found.scale_sd,
            abs(found.bias_deg) < 1.96 * found.bias_sd_deg,
        ]
    assert held.min() >= 34


def test_refused_pictures_are_counted_and_are_no_wrong_reading():
    def measure(luma, lens):
        return refused("fog")

    found = self_check(samples(PINHOLE, rolls_deg=(0.3,)), measure)
    assert (found.turned, found.lost, len(found.rows)) == (PICTURES, PICTURES, 0)
    assert np.isnan(found.scale)
    assert found.defects == ()


def test_another_line_in_one_picture_and_a_fit_that_searching_afresh_does_not_find_are_said():
    count = iter(range(100))

    def measure(luma, lens):
        fit = measure_frame(luma, lens)
        roll_rad, pitch_rad = angles_from_up(fit.up_cam)
        return replace(fit, up_cam=up_from_angles(roll_rad + np.radians(4.0 * (next(count) == 2)), pitch_rad))

    found = self_check(samples(PINHOLE, rolls_deg=(0.3, 1.0)), measure)
    assert "one turned frame was read 4.0 deg off" in found.defects
    wrong = [replace(one, roll_deg=one.roll_deg + 3.0) for one in samples(PINHOLE, rolls_deg=(0.3, 1.0))]
    assert "a frame searched afresh reads 3.0 deg from what it was measured to" in self_check(wrong).defects


def test_nothing_to_check():
    found = self_check([])
    assert (found.turned, found.frames, found.defects) == (0, 0, ())


def test_frames_whose_horizon_the_cut_would_lose_do_not_fit():
    # Half the height of the cut is tan^-1(0.742 x 180 / 502) = 14.9 deg of pitch; half of its tangent fits.
    roll_deg, pitch_deg = np.array([0.0, 0.0, 180.0, 90.0, 90.0]), np.array([7.0, 8.0, -7.0, 12.0, 14.0])
    assert fits_in(PINHOLE, roll_deg, pitch_deg).tolist() == [True, False, True, True, False]


def test_black_bars_stay_outside():
    roll_deg, _, luma = next(drawn(PINHOLE))
    luma = cv2.copyMakeBorder(luma[40:-40], 40, 40, 0, 0, cv2.BORDER_CONSTANT, value=16)
    pictures, cut = turned_pictures(luma, PINHOLE, [(12.0, False), (-7.0, False)])
    assert all(picture[[0, -1]].mean() > 60 for picture in pictures)
    fit = measure_frame(pictures[0], cut)
    assert np.degrees(angles_from_up(fit.up_cam)[0]) == pytest.approx(roll_deg + 12.0, abs=0.05)


@pytest.mark.parametrize("lit_rows", [134, 137, 150, 200])
def test_a_black_foreground_leaves_less_to_turn_and_stops_nothing(lit_rows):
    rng = np.random.default_rng(7)
    lens = lens_from_hfov(480, 270, 65)
    picture = draw_frame(make_scene("sea", rng=rng), lens, roll_deg=1.0, pitch_deg=6.0, rng=rng)
    picture[lit_rows:] = 18
    found = self_check([Sample("dark.mp4", 0.0, picture, lens, 1.0)])
    assert found.turned in (0, PICTURES)
    assert found.defects == ()
