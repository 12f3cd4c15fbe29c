"""Lenses found again from boards seen through them: focal length, terms, and how well both are known."""

import cv2
import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from horizon.board import BoardError, BoardView
from horizon.calibrate import CANDIDATES, calibrate
from horizon.candidates import Candidate, field_of_view_deg, simplest_good
from horizon.lens import Lens, lens_from_hfov, rays
from tests.boards import COLUMNS, ROWS, poses, view_of

SIZE = (1280, 720)
LENSES = {
    "90 deg, k1": Lens(*SIZE, 695.65, 695.65, 647.5, 354.5, "brown", (-0.08, 0.0, 0.0, 0.0, 0.0)),
    "60 deg": lens_from_hfov(*SIZE, 60.0),
    "120 deg, fisheye": Lens(*SIZE, 611.0, 611.0, 639.5, 359.5, "fisheye", (-0.02, 0.003, 0.0, 0.0)),
}
FIVE = Candidate("brown", 3, tangential=True)
NOISE_PX = 0.1


def views_through(lens, count=12, seed=1, **how):
    rng = np.random.default_rng(seed)
    return [view_of(lens, pose, rng, noise_px=NOISE_PX) for pose in poses(lens, count, rng, **how)]


@pytest.fixture(scope="module", params=LENSES.values(), ids=LENSES)
def measured(request):
    return request.param, calibrate(views_through(request.param), SIZE, "board.mp4")


def test_focal_length_and_field_of_view_are_found_and_known(measured):
    true, found = measured
    for name, sd in zip(("fx_px", "fy_px", "cx_px", "cy_px"), found.sds, strict=False):
        assert abs(getattr(found.lens, name) - getattr(true, name)) < 3.5 * sd
    assert found.lens.fx_px == pytest.approx(true.fx_px, rel=0.005)
    assert abs(found.hfov_deg - field_of_view_deg(true)) < 3.5 * found.hfov_sd_deg
    assert 0 < found.lens.focal_sd < 0.003


def test_what_is_left_over_is_the_noise(measured):
    _, found = measured
    # Both coordinates together, and a little less where the board's place was fitted to the same corners.
    assert found.fitted_px == pytest.approx(NOISE_PX * 2**0.5, rel=0.08)
    assert found.fitted_px < found.held_back_px == pytest.approx(NOISE_PX * 2**0.5, rel=0.1)


def five_terms(views):
    """What all five terms would give, fitted by the library alone."""
    points = [np.float32(one.points) for one in views]
    seen = [np.float32(one.corners_px) for one in views]
    matrix, terms = cv2.calibrateCamera(points, seen, SIZE, None, None)[1:3]
    fx, fy, cx, cy = (float(matrix[k]) for k in ((0, 0), (1, 1), (0, 2), (1, 2)))
    return Lens(*SIZE, fx, fy, cx, cy, "brown", tuple(map(float, terms.ravel()[:5])))


def error_px(lens, true):
    """Rms over the picture of where the lens puts its rays, the camera turned as suits it best."""
    x, y = np.meshgrid(np.linspace(0, SIZE[0] - 1, 33), np.linspace(0, SIZE[1] - 1, 19))
    points = np.column_stack([x.ravel(), y.ravel()])
    there, here = rays(true, points), rays(lens, points)
    turn, _ = Rotation.align_vectors(there, here)
    return np.sqrt(np.mean(np.sum((there - turn.apply(here)) ** 2, axis=1))) * true.fx_px


def test_the_model_that_was_chosen_is_the_true_one(measured):
    true, found = measured
    assert found.candidate.model == true.model
    assert len(found.candidate.terms) <= 2


@pytest.mark.parametrize("seed", [0, *(pytest.param(k, marks=pytest.mark.long) for k in (1, 2))])
def test_terms_that_are_not_needed_cost_where_the_board_was_not(seed):
    true = LENSES["90 deg, k1"]
    views = views_through(true, 9, seed, reach=0.4)
    found = calibrate(views, SIZE, "board.mp4")
    assert len(found.candidate.terms) <= 2
    assert error_px(found.lens, true) < 0.7 * error_px(five_terms(views), true)
    # Held back, on views that neither has seen and that go into the corners.
    fresh = views_through(true, 12, 100 + seed)
    chosen, five = (
        np.mean([view_error_px(lens, one) for one in fresh]) for lens in (found.lens, five_terms(views))
    )
    assert chosen < five


def view_error_px(lens, view):
    """Rms of a view's corners, the board put best by the library."""
    _, turn, place = cv2.solvePnP(view.points, view.corners_px, lens.matrix, np.array(lens.distortion))
    there = cv2.projectPoints(view.points, turn, place, lens.matrix, np.array(lens.distortion))[0]
    return np.sqrt(np.mean(np.sum((there.reshape(-1, 2) - view.corners_px) ** 2, axis=1)))


def test_views_held_back_tell_that_a_fisheye_is_none_of_browns():
    true = LENSES["120 deg, fisheye"]
    views = views_through(true)
    found = calibrate(views, SIZE, "board.mp4")
    browns = [one.held_back_px for one in found.tried if one.candidate.model == "brown"]
    assert found.held_back_px < 0.5 * min(browns, default=np.inf)
    assert error_px(five_terms(views), true) > 1.0


@pytest.mark.long
def test_errors_of_many_lenses_are_as_large_as_they_are_said_to_be():
    lens = LENSES["90 deg, k1"]
    off = []
    for seed in range(20):
        found = calibrate(views_through(lens, 10, seed), SIZE, "board.mp4")
        off.append((found.hfov_deg - field_of_view_deg(lens)) / found.hfov_sd_deg)
    assert 0.5 < np.sqrt(np.mean(np.square(off))) < 1.7


def test_a_lens_that_needs_all_terms_gets_them():
    true = Lens(*SIZE, 760.0, 762.0, 645.0, 352.0, "brown", (-0.15, 0.04, 0.001, -0.001, -0.004))
    found = calibrate(views_through(true, 14), SIZE, "board.mp4")
    assert {"p1", "p2"} <= set(found.candidate.terms)
    held_back = {one.candidate: one.held_back_px for one in found.tried}
    assert found.held_back_px < 0.9 * held_back[Candidate("brown", 2)]


def test_a_board_that_was_never_tilted_tells_no_focal_length():
    lens = LENSES["60 deg"]
    views = views_through(lens, 10, tilt_deg=1.0)
    with pytest.raises(
        BoardError, match=r"board\.mp4: .*(tilted by|do not tell the focal length).*20 to 40 deg"
    ):
        calibrate(views, SIZE, "board.mp4")


def test_a_grid_that_is_not_the_boards_is_left_out():
    lens = LENSES["60 deg"]
    views = views_through(lens, 11)
    bent = views[3].corners_px + 8 * np.sin(np.arange(COLUMNS * ROWS))[:, None]
    views[3] = BoardView(0.0, COLUMNS, ROWS, bent, 2.0)
    found = calibrate(views, SIZE, "board.mp4")
    assert found.wrong == 1
    assert found.lens.fx_px == pytest.approx(lens.fx_px, rel=0.005)


@pytest.mark.parametrize(("more", "scatter", "terms"), [(0.01, 0.001, 1), (0.06, 0.001, 4), (0.06, 0.3, 1)])
def test_fewer_terms_are_taken_where_the_error_is_as_good(more, scatter, terms):
    wave = np.tile([1.0, -1.0], 6)
    few, many = Candidate("brown", 1), Candidate("fisheye", 4)
    errors = {few: 1 + more + scatter * wave, many: np.ones(12)}
    assert len(simplest_good(errors).terms) == terms


def test_candidates_stand_for_themselves_once():
    assert len(set(CANDIDATES)) == len(CANDIDATES)
    assert FIVE.terms == ("k1", "k2", "k3", "p1", "p2")
