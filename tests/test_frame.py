"""The horizon in single frames: drawn truth recovered, pictures without a horizon refused."""

import cv2
import numpy as np
import pytest
from scipy.stats import norm

from horizon.angles import angles_from_up, up_from_angles, wrap_deg
from horizon.edge import find_edges
from horizon.fit import fit_up
from horizon.frame import measure_frame
from horizon.lens import Lens, lens_from_hfov
from horizon.synthetic import draw_frame, make_scene
from tests.scenes import measured

SMALL = lens_from_hfov(960, 540, 70)


def rng(seed: int) -> np.random.Generator:
    return np.random.default_rng(seed)


def roll_pitch(fit) -> tuple[float, float]:
    assert fit.reason == ""
    roll, pitch = np.degrees(angles_from_up(fit.up_cam))
    return float(roll), float(pitch)


@pytest.mark.parametrize("roll_deg", [-173.0, -91.5, -61.0, -7.5, 0.0, 12.25, 88.0, 134.0])
@pytest.mark.parametrize("kind", ["sea", "plain"])
def test_drawn_roll_and_pitch_are_found_over_the_full_circle(kind, roll_deg):
    scene = make_scene(kind, rng=rng(3), height_m=20, objects=4)
    picture = draw_frame(scene, SMALL, roll_deg=roll_deg, pitch_deg=4.0, rng=rng(4))
    roll, pitch = roll_pitch(measure_frame(picture, SMALL))
    assert float(wrap_deg(roll - roll_deg)) == pytest.approx(0, abs=0.05)  # half a pixel over 600
    assert pitch == pytest.approx(4.0, abs=0.1)  # 1.4 pixels


@pytest.mark.long
def test_error_goals_on_full_size_encoded_frames(tmp_path):
    rows = measured(tmp_path / "frames.mp4", count=16, seed=11)
    errors = np.abs([row[1] for row in rows if not row[5]])
    assert len(errors) >= 14
    assert np.median(errors) <= 0.02
    assert np.max(errors) <= 0.15


@pytest.mark.long
def test_error_goals_on_many_full_size_encoded_frames(tmp_path):
    rows = measured(tmp_path / "frames.mp4", count=200, seed=12)
    good = [row for row in rows if not row[5]]
    errors = np.abs([row[1] for row in good])
    assert len(good) >= 180
    assert np.median(errors) <= 0.02
    assert np.percentile(errors, 95) <= 0.15
    covered = np.mean([abs(row[1]) <= 1.96 * row[3] for row in good])
    assert covered >= 0.9


def test_camera_rolled_by_d_changes_the_roll_by_d():
    scene = make_scene("sea", rng=rng(5), height_m=15)
    base = roll_pitch(measure_frame(draw_frame(scene, SMALL, roll_deg=2, pitch_deg=1, rng=rng(6)), SMALL))[0]
    for turned_deg in (-20.0, 0.5, 33.0):
        picture = draw_frame(scene, SMALL, roll_deg=2 + turned_deg, pitch_deg=1, rng=rng(7))
        assert roll_pitch(measure_frame(picture, SMALL))[0] - base == pytest.approx(turned_deg, abs=0.04)


def test_dip_lowers_the_line_and_not_the_answer():
    # 40 m: dip 0.0293 sqrt(40) = 0.185 deg (the usual constant, see test_dip).
    dip_rad = np.radians(0.185)
    scene = make_scene("sea", rng=rng(8), height_m=40, dip_rad=dip_rad, visibility_km=100)
    for roll_deg in (3.0, 177.0):
        picture = draw_frame(scene, SMALL, roll_deg=roll_deg, pitch_deg=2.0, rng=rng(9))
        fit = measure_frame(picture, SMALL, dip_rad=dip_rad)
        roll, pitch = roll_pitch(fit)
        assert roll == pytest.approx(roll_deg, abs=0.05)
        assert pitch == pytest.approx(2.0, abs=0.08)
        # The other reading is the same line, seen with the other half as sky.
        _, other_pitch = np.degrees(angles_from_up(fit.up_flipped))
        assert other_pitch == pytest.approx(-pitch - 2 * 0.185, abs=0.05)


@pytest.mark.parametrize(
    "lens",
    [
        Lens(960, 540, 480.0, 480.0, 479.5, 269.5, "brown", (-0.17, 0.03, 0.0, 0.0, 0.0)),
        Lens(960, 540, 400.0, 400.0, 479.5, 269.5, "fisheye", (-0.02, 0.003, 0.0, 0.0)),
    ],
    ids=["brown", "fisheye"],
)
def test_bent_lenses_give_a_straight_answer(lens):
    scene = make_scene("sea", rng=rng(10), height_m=20, visibility_km=80)
    picture = draw_frame(scene, lens, roll_deg=11.0, pitch_deg=12.0, rng=rng(11))
    roll, pitch = roll_pitch(measure_frame(picture, lens))
    assert roll == pytest.approx(11.0, abs=0.06)
    assert pitch == pytest.approx(12.0, abs=0.12)


def test_black_bars_are_no_horizon():
    scene = make_scene("sea", rng=rng(12), height_m=20)
    picture = draw_frame(scene, SMALL, roll_deg=6.0, pitch_deg=-3.0, rng=rng(13))
    picture[:70] = 16
    picture[-70:] = 16
    roll, _ = roll_pitch(measure_frame(picture, SMALL))
    assert roll == pytest.approx(6.0, abs=0.05)


@pytest.mark.parametrize("pitch_deg", [60.0, -60.0], ids=["sky only", "ground only"])
@pytest.mark.parametrize("kind", ["sea", "plain"])
def test_frames_without_a_horizon_are_refused(kind, pitch_deg):
    scene = make_scene(kind, rng=rng(14), height_m=20, clouds=1.0)
    for seed in range(3):
        picture = draw_frame(scene, SMALL, roll_deg=20.0 * seed, pitch_deg=pitch_deg, rng=rng(seed))
        fit = measure_frame(picture, SMALL)
        assert fit.reason != ""
        assert np.isnan(fit.up_cam).all()


@pytest.mark.parametrize("grey", [0, 128, 255])
def test_blank_frames_are_refused(grey):
    assert measure_frame(np.full((540, 960), grey, np.uint8), SMALL).reason != ""


def test_noise_alone_is_refused():
    picture = rng(15).integers(0, 256, (540, 960)).astype(np.uint8)
    assert measure_frame(picture, SMALL).reason != ""


def place_information(step: float, noise: float, blur_px: float) -> float:
    """Fisher information, 1/px^2, that a profile of eight pixels' mean holds on the place of its edge.

    What the edge model does not know either is projected out: level, step, the slopes of both sides, blur.
    For Gaussian noise the information is the squared length of the derivative that is left, over the noise
    (Kay, Fundamentals of Statistical Signal Processing, 1993, chapter 3; from memory); rounding to whole grey
    levels adds a variance of 1/12.
    """
    found = []
    for centre in np.linspace(-0.5, 0.5, 9):
        d = np.arange(-14, 15) - centre
        slope = norm.pdf(d / blur_px) / blur_px
        columns = [np.ones_like(d), norm.cdf(d / blur_px), np.minimum(d, 0), np.maximum(d, 0), slope * d]
        nuisance = np.column_stack(columns)
        left = step * (slope - nuisance @ np.linalg.lstsq(nuisance, slope, rcond=None)[0])
        found.append(float(left @ left) * 8 / (noise**2 + 1 / 12))
    return float(np.mean(found))


@pytest.mark.parametrize(("step", "blur_px"), [(20.0, 1.5), (40.0, 0.8), (60.0, 1.2)])
def test_noise_alone_costs_no_more_than_twice_the_cramer_rao_bound(step, blur_px):
    """Blurred step plus white noise, bound with the same nuisance parameters as the edge model has."""
    noise = 2.0
    width, height = 1920, 160
    lens = lens_from_hfov(width, height, 60)
    generator = rng(16)
    errors = []
    for _ in range(16):
        roll_rad, pitch_rad = np.radians(generator.uniform(-1.5, 1.5)), generator.uniform(-1, 1) / lens.fx_px
        x, y = np.meshgrid(np.arange(width) - lens.cx_px, np.arange(height) - lens.cy_px)
        across = lens.fx_px * np.tan(pitch_rad) - (y * np.cos(roll_rad) + x * np.sin(roll_rad))
        picture = 100 + step * norm.cdf(across / blur_px) + generator.normal(0, noise, across.shape)
        up = up_from_angles(roll_rad + 3e-4, pitch_rad + 3e-4)
        luma = np.clip(np.round(picture), 0, 255).astype(np.uint8)
        for agree_px in (3.0, 2.0):
            edges = find_edges(
                luma, lens, up, dip_rad=0.0, half_px=14, group_px=8, area=(0, 0, width, height)
            )
            fit = fit_up(edges, up, lens, dip_rad=0.0, agree_px=agree_px)
            up = fit.up_cam
        errors.append(np.array(angles_from_up(up)) - [roll_rad, pitch_rad])
    # Near level the line stands at y = f (pitch - roll x / f); eight columns make a group.
    along = (np.arange(width) - lens.cx_px) / lens.fx_px
    design = lens.fx_px * np.column_stack([-along, np.ones(width)])
    information = design.T @ design * place_information(step, noise, blur_px) / 8
    bound = np.sqrt(np.diag(np.linalg.inv(information)))
    assert (np.sqrt(np.mean(np.square(errors), axis=0)) <= 2 * bound).all()


@pytest.mark.long
def test_stated_roll_uncertainty_is_honest(tmp_path):
    rows = [row for row in measured(tmp_path / "f.mp4", count=24, seed=17, size=(960, 540)) if not row[5]]
    covered = np.mean([abs(row[1]) <= 1.96 * row[3] for row in rows])
    assert covered >= 0.85
    # ... and not bought with uselessly wide intervals.
    assert np.median([row[3] for row in rows]) < 0.05


def test_resized_frame_gives_the_same_attitude():
    scene = make_scene("plain", rng=rng(18), height_m=20)
    full = lens_from_hfov(1920, 1080, 70)
    picture = draw_frame(scene, full, roll_deg=-14.0, pitch_deg=2.0, rng=rng(19))
    half = cv2.resize(picture, (960, 540), interpolation=cv2.INTER_AREA)
    one, two = roll_pitch(measure_frame(picture, full)), roll_pitch(measure_frame(half, SMALL))
    assert one == pytest.approx(two, abs=0.05)


@pytest.mark.parametrize("width", [64, 80, 110])
def test_tiny_pictures_are_measured_or_refused(width):
    lens = lens_from_hfov(width, width * 9 // 16, 70)
    for seed in range(5):
        generator = rng(seed)
        scene = make_scene("hills", rng=generator, height_m=20, hill_deg=3.0, objects=6)
        picture = draw_frame(scene, lens, roll_deg=20.0 * seed, pitch_deg=3.0, rng=generator)
        fit = measure_frame(picture, lens)
        assert fit.reason or np.isfinite(fit.up_cam).all()


def test_a_line_that_plainly_goes_on_is_judged_once():
    dice = rng(31)
    scene = make_scene("sea", rng=dice, height_m=20.0, noise_sd=3.0)
    first, second = (draw_frame(scene, SMALL, roll_deg=roll, pitch_deg=2.0, rng=dice) for roll in (1.0, 1.05))
    judged = measure_frame(first, SMALL)
    assert (judged.reason, judged.judged) == ("", True)
    afresh = measure_frame(second, SMALL, start=judged.up_cam)
    gone_on = measure_frame(second, SMALL, start=judged.up_cam, judged=judged)
    assert (afresh.judged, gone_on.judged, gone_on.followed) == (True, False, True)
    sd_rad = np.sqrt(np.diag(afresh.covariance))
    apart_rad = np.subtract(*(angles_from_up(one.up_cam) for one in (afresh, gone_on)))
    assert np.all(np.abs(apart_rad) < 0.3 * sd_rad)
    assert (gone_on.likeness, gone_on.sky_odds) == (judged.likeness, judged.sky_odds)


@pytest.mark.parametrize("change", ["moved", "paler", "turned over"])
def test_another_line_is_not_taken_for_one_that_goes_on(change):
    dice = rng(31)
    scene = make_scene("sea", rng=dice, height_m=20.0, noise_sd=3.0)
    judged = measure_frame(draw_frame(scene, SMALL, roll_deg=1.0, pitch_deg=2.0, rng=dice), SMALL)
    later = draw_frame(scene, SMALL, roll_deg=1.6 if change == "moved" else 1.0, pitch_deg=2.0, rng=dice)
    if change == "paler":
        later = np.round(128 + 0.4 * (later.astype(float) - 128)).astype(np.uint8)
    if change == "turned over":
        later = 255 - later
    fit = measure_frame(later, SMALL, start=judged.up_cam, judged=judged)
    assert fit.judged or fit.reason
