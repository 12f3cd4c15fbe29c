"""Boards with markers, printed by OpenCV, through known lenses: which corner is which, and the lens."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import horizon.board
from horizon.board import BoardView, coverage, find_views, spread_views
from horizon.calibrate import calibrate, field_of_view_deg
from horizon.clip import probe
from horizon.coded import with_colour_planes, write_clip
from horizon.lens import Lens, pixels, rays
from horizon.markers import FAMILIES, Layout, board_corners, layout_of, markers_in
from tests.boards import Pose, draw_printed, film_board, pixel_rays, poses
from tests.commands import run_here

BENT = Lens(640, 360, 347.8, 347.8, 323.0, 177.0, "brown", (-0.08, 0.0, 0.0, 0.0, 0.0))
FISHEYE = Lens(640, 360, 305.5, 305.5, 319.5, 179.5, "fisheye", (-0.02, 0.003, 0.0, 0.0))
NEAR_CORNERS_PX = [(140.0, 80.0), (499.0, 80.0), (140.0, 279.0), (499.0, 279.0)]


def board_of(squares, marker, dictionary, *, legacy=False):
    known = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, dictionary))
    board = cv2.aruco.CharucoBoard(squares, 1.0, marker, known)
    board.setLegacyPattern(legacy)
    return board


def drawn(lens, pose, board, rng):
    columns, rows = board.getChessboardSize()
    printed = board.generateImage((40 * columns, 40 * rows))
    return draw_printed(lens, pose, pixel_rays(lens), printed, (columns, rows), rng)


def true_px(lens, pose, at, squares):
    on_board = np.column_stack([at + 1 - np.array(squares) / 2, np.zeros(len(at))])
    return pixels(lens, on_board @ pose.rot_cam_board.T + pose.at_cam)


def cut_by_the_edge(pose, middle_px, lens=BENT):
    """The same board, nearer and with its middle elsewhere in the picture."""
    return Pose(pose.rot_cam_board, rays(lens, [middle_px])[0] * float(np.linalg.norm(pose.at_cam)) / 1.6)


# Where OpenCV itself puts the markers: cv2.aruco.CharucoBoard.getObjPoints.
@settings(deadline=None)
@given(st.integers(3, 14), st.integers(3, 14), st.booleans())
def test_ids_lie_where_the_library_puts_them(columns, rows, legacy):
    board = board_of((columns, rows), 0.5, "DICT_4X4_1000", legacy=legacy)
    cells = Layout(columns, legacy and rows % 2 == 0).cells(np.ravel(board.getIds()).astype(np.int64))
    assert (cells == [np.floor(quad[0][:2]) for quad in board.getObjPoints()]).all()


@pytest.mark.parametrize(
    ("squares", "marker", "dictionary", "legacy"),
    [
        pytest.param((8, 6), 0.7, "DICT_5X5_50", False, marks=pytest.mark.long),
        ((8, 6), 0.6, "DICT_4X4_250", True),
        pytest.param((5, 7), 0.75, "DICT_APRILTAG_36h11", False, marks=pytest.mark.long),
        ((7, 5), 0.6, "DICT_6X6_100", True),
    ],
)
def test_corners_are_told_apart_and_found_to_a_tenth_of_a_pixel(squares, marker, dictionary, legacy):
    rng = np.random.default_rng(2)
    board = board_of(squares, marker, dictionary, legacy=legacy)
    placed = poses(BENT, 4, rng, near=1.8, tilt_deg=25.0)
    placed = [*placed[:2], *map(cut_by_the_edge, placed[2:], NEAR_CORNERS_PX[1:3])]
    looks = [markers_in(drawn(BENT, pose, board, rng), FAMILIES) for pose in placed]
    layout = layout_of(looks)
    found = [board_corners(look, layout) for look in looks]
    for pose, (at, corners_px) in zip(placed, found, strict=True):
        off_px = np.linalg.norm(corners_px - true_px(BENT, pose, at, squares), axis=1)
        assert np.sqrt(np.mean(off_px**2)) < 0.1
    everything = (squares[0] - 1) * (squares[1] - 1)
    assert max(len(at) for at, _ in found) > 0.9 * everything
    assert all(9 <= len(at) < everything for at, _ in found[2:])


@pytest.fixture(scope="module")
def looks():
    """A board of 8 x 6 squares in three pictures, of which its layout is known."""
    rng = np.random.default_rng(4)
    board = board_of((8, 6), 0.65, "DICT_4X4_50")
    placed = poses(BENT, 3, rng, near=1.8, tilt_deg=20.0)
    return placed, [markers_in(drawn(BENT, pose, board, rng), FAMILIES) for pose in placed]


def test_wrong_ids_cost_their_own_corners_and_no_others(looks):
    _, seen = looks
    ids = seen[0].ids.copy()
    wrong = np.flatnonzero(ids == 9)[0]
    for other in (40, 3):
        ids[wrong] = other
        layout = layout_of([replace(seen[0], ids=ids), *seen[1:]])
        assert layout == Layout(8, white_first=False)
        at, corners_px = board_corners(replace(seen[0], ids=ids), layout)
        whole, whole_px = board_corners(seen[0], layout)
        touched = np.count_nonzero((seen[0].near == wrong) | (seen[0].far == wrong))
        assert len(at) == len(whole) - touched
        kept = (whole[:, None] == at).all(axis=2).any(axis=1)
        assert (whole_px[kept] == corners_px).all()


def test_a_second_smaller_piece_of_the_same_print_is_not_taken_for_the_board(looks):
    placed, _ = looks
    rng = np.random.default_rng(5)
    picture = drawn(BENT, placed[0], board_of((8, 6), 0.65, "DICT_4X4_50"), rng)
    at = true_px(BENT, placed[0], np.array([[3, 2]]), (8, 6))[0]
    piece = cv2.copyMakeBorder(
        board_of((3, 4), 0.65, "DICT_4X4_50").generateImage((90, 120)),
        *[12] * 4,
        cv2.BORDER_CONSTANT,
        value=255,
    )
    beside = 0 if at[0] > 320 else 640 - piece.shape[1]
    picture[: piece.shape[0], beside : beside + piece.shape[1]] = piece
    look = markers_in(picture, FAMILIES)
    seen, corners_px = board_corners(look, Layout(8, white_first=False))
    assert len(seen) >= 20
    assert np.linalg.norm(corners_px - true_px(BENT, placed[0], seen, (8, 6)), axis=1).max() < 0.3


def test_a_hidden_part_takes_its_corners_along(looks):
    placed, _ = looks
    picture = drawn(BENT, placed[1], board_of((8, 6), 0.65, "DICT_4X4_50"), np.random.default_rng(6))
    hidden = true_px(BENT, placed[1], np.array([[0, 0], [2, 0], [2, 4], [0, 4]]), (8, 6))
    cv2.fillConvexPoly(picture, np.int32(hidden), 140)
    at, corners_px = board_corners(markers_in(picture, FAMILIES), Layout(8, white_first=False))
    assert set(at[:, 0]) == {3, 4, 5, 6}
    assert np.linalg.norm(corners_px - true_px(BENT, placed[1], at, (8, 6)), axis=1).max() < 0.3


def film(path, lens, board, seed):
    """A clip of a board held all over the picture and beyond its edges; ten places and four corners."""
    rng = np.random.default_rng(seed)
    inside = poses(lens, 10, rng, near=1.8)
    outside = [cut_by_the_edge(pose, px, lens) for pose, px in zip(inside, NEAR_CORNERS_PX, strict=False)]
    # Twice, so that none falls between two looks.
    pictures = (drawn(lens, pose, board, rng) for pose in [*inside, *outside, *outside])
    write_clip(path, map(with_colour_planes, pictures), 5, crf=16, key_every=2)
    return path


@pytest.fixture(scope="module")
def clip(tmp_path_factory):
    return film(
        tmp_path_factory.mktemp("markers") / "board.mp4", BENT, board_of((8, 6), 0.65, "DICT_4X4_50"), 3
    )


def test_the_command_reads_a_board_with_markers(clip, tmp_path):
    done = run_here("lens", "board", clip, "--out", tmp_path)
    assert done.returncode == 0, done.stderr
    assert "board with markers, 7 x 5 inner corners: " in " ".join(done.stdout.split())


def assert_known(found, true):
    assert abs(found.hfov_deg - field_of_view_deg(true)) < 3.5 * found.hfov_sd_deg < 1.0
    for name, sd in zip(("fx_px", "fy_px", "cx_px", "cy_px"), found.sds, strict=False):
        assert abs(getattr(found.lens, name) - getattr(true, name)) < 3.5 * sd


@pytest.mark.long
def test_parts_of_a_board_that_the_edge_cuts_give_the_lens_as_whole_ones_do(clip):
    facts = probe(clip)
    views = find_views(facts)
    counts = [len(one.corners_px) for one in views]
    assert {(one.columns, one.rows) for one in views} == {(7, 5)}
    assert min(counts) < 30 < max(counts) <= 35
    found = calibrate(spread_views(views, facts), (640, 360), "board.mp4")
    assert found.wrong <= 1
    assert_known(found, BENT)
    assert coverage(views, (640, 360)).missed == ()


@pytest.mark.long
def test_another_dictionary_and_size_through_a_fisheye(tmp_path):
    board = board_of((6, 9), 0.7, "DICT_5X5_100", legacy=True)
    facts = probe(film(tmp_path / "board.mp4", FISHEYE, board, 8))
    views = find_views(facts)
    assert {one.columns for one in views} == {5}
    assert_known(calibrate(spread_views(views, facts), (640, 360), "board.mp4"), FISHEYE)


def test_a_plain_board_is_read_as_it_is_without_the_librarys_markers(tmp_path, monkeypatch):
    rng = np.random.default_rng(5)
    film_board(tmp_path / "board.mp4", BENT, poses(BENT, 4, rng), rng)
    facts = probe(tmp_path / "board.mp4")
    views = find_views(facts)
    monkeypatch.setattr(horizon.board, "FAMILIES", ())
    for one, other in zip(views, find_views(facts), strict=True):
        assert one.at is None
        assert (one.corners_px == other.corners_px).all()
        assert one.edge_px == other.edge_px


def test_a_part_of_a_board_covers_its_hull_and_no_more():
    at = np.array([[x, y] for y in range(4) for x in range(4 - y)])
    view = BoardView(0.0, 6, 5, at * [200.0, 200.0], 2.0, at)
    assert (view.points == np.column_stack([at, np.zeros(10)])).all()
    assert view.outline_px == pytest.approx(np.array([[0, 0], [600, 0], [600, 600], [0, 600]]), abs=1e-3)
    assert coverage([view], (1200, 720)).share == pytest.approx(600 * 600 / 2 / (1200 * 720), abs=0.01)
