"""Boards found in clips, and what is said where they are too few or too alike."""

import numpy as np
import pytest

from horizon.board import BoardError, BoardView, coverage, find_views, spread_views
from horizon.clip import ClipFacts, probe
from horizon.coded import with_colour_planes, write_clip
from horizon.lens import Lens
from tests.boards import COLUMNS, ROWS, corners, film_board, poses, view_of

WIDE = Lens(1280, 720, 695.65, 695.65, 647.5, 354.5, "brown", (-0.08, 0.0, 0.0, 0.0, 0.0))
SMALL = Lens(640, 360, 347.8, 347.8, 323.0, 177.0, "brown", (-0.08, 0.0, 0.0, 0.0, 0.0))


def facts_of(path, lens=WIDE):
    return ClipFacts(path, lens.width_px, lens.height_px, 10.0, 10.0, 0, "h264", None)


def test_corners_of_a_drawn_board_are_found_to_a_tenth_of_a_pixel(tmp_path):
    rng = np.random.default_rng(5)
    placed = poses(SMALL, 6, rng)
    film_board(tmp_path / "board.mp4", SMALL, placed, rng)
    found = find_views(probe(tmp_path / "board.mp4"))
    assert len(found) >= 4
    true = np.vstack([corners(SMALL, pose) for pose in placed])
    for view in found:
        assert view.at is None
        assert {view.columns, view.rows} <= {COLUMNS, ROWS, COLUMNS - 1, ROWS - 1}
        off_px = np.linalg.norm(view.corners_px[:, None] - true, axis=2).min(axis=1)
        assert np.sqrt(np.mean(off_px**2)) < 0.1


def test_a_clip_without_a_board_is_one_line(tmp_path):
    rng = np.random.default_rng(6)
    blank = [np.uint8(np.clip(rng.normal(120, 20, (180, 320)), 0, 255)) for _ in range(4)]
    write_clip(tmp_path / "wall.mp4", map(with_colour_planes, blank), 5)
    with pytest.raises(
        BoardError, match=r"wall\.mp4: no checkerboard is seen in it; film a flat printed board"
    ):
        find_views(probe(tmp_path / "wall.mp4"))


def test_views_that_are_alike_count_once_and_the_sharpest_stays(tmp_path):
    rng = np.random.default_rng(7)
    placed = poses(WIDE, 9, rng)
    views = [view_of(WIDE, pose, rng, edge_px=edge) for pose in placed for edge in (2.6, 2.1, 2.4)]
    kept = spread_views(views, facts_of(tmp_path / "board.mp4"))
    assert len(kept) <= 9
    assert {one.edge_px for one in kept} == {2.1}


def test_too_few_different_views_say_how_to_move_the_board(tmp_path):
    rng = np.random.default_rng(8)
    views = [view_of(WIDE, pose, rng) for pose in poses(WIDE, 3, rng) for _ in range(10)]
    with pytest.raises(
        BoardError, match=r"in 30 looks, of which only 3 differ, and 8 are needed; show the board"
    ):
        spread_views(views, facts_of(tmp_path / "board.mp4"))


def grid(left, top, right, bottom):
    x, y = np.meshgrid(np.linspace(left, right, COLUMNS), np.linspace(top, bottom, ROWS))
    return BoardView(0.0, COLUMNS, ROWS, np.column_stack([x.ravel(), y.ravel()]), 2.0)


def test_coverage_names_the_corners_that_the_board_never_came_to():
    seen = coverage([grid(0, 0, 639, 359), grid(0, 360, 639, 719)], (1280, 720))
    assert seen.share == pytest.approx(0.5, abs=0.02)
    assert seen.missed == ("top right", "bottom right")


def test_an_outline_is_the_same_whichever_way_the_board_is_read():
    view = grid(100, 200, 700, 500)
    turned = BoardView(0.0, COLUMNS, ROWS, view.corners_px[::-1], 2.0)
    mirrored = BoardView(
        0.0, COLUMNS, ROWS, view.corners_px.reshape(ROWS, COLUMNS, 2)[:, ::-1].reshape(-1, 2), 2.0
    )
    for other in (turned, mirrored):
        assert other.outline_px == pytest.approx(view.outline_px)
