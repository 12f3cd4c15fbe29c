"""Constants from faces: the formulae against published definitions, closed forms and a search."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from attitude.capture import FACES
from attitude.constants import Constants, constants_of
from attitude.face_lean import left_by, moved_by, pose_words, truth_of, upright_face
from attitude.face_models import by_level_face, by_matrix, by_nine, by_norm, by_pairs, sums_rad
from attitude.face_tilts import face_tilts
from tests.captures import Board, invented_board, true_level, up_of

NOISE_G = np.full(6, 5e-5)
NO_CROSS = np.zeros((3, 3))
AXES = ("y", "-z", "-x")


def faces_of(board, tilts_deg, faces=FACES):
    return np.array(
        [
            board.matrix @ up_of(face, tilt) + board.offset_g
            for face, tilt in zip(faces, tilts_deg, strict=True)
        ]
    )


def true_board(offset_mg=(12.0, -30.0, 45.0), scale=(1.01, 0.98, 1.02), cross=NO_CROSS):
    return Board(np.array(offset_mg) / 1000, np.array(scale), cross)


# Sensitivity = (up - down)/2 is the makers' definition (ST, data sheets of LSM6DB0, section 5.1, and LSM6DSO,
# section 4.6.1); offset = (up + down)/2 follows. The six readings are a worked input quoted by readers of an
# application note on six-face calibration: +z (30, 50, 2548), -z (20, 10, 980), +y (30, 1911, 50),
# -y (20, 49, 10), +x (2303, 30, 50), -x (392, 20, 10).
def test_pairs_are_the_makers_definition_of_sensitivity():
    counts = np.array(
        [[2303, 30, 50], [392, 20, 10], [30, 1911, 50], [20, 49, 10], [30, 50, 2548], [20, 10, 980]], float
    )
    found = by_pairs(counts, NOISE_G, 0.0).constants
    assert np.diag(found.matrix).tolist() == [955.5, 931.0, 784.0]
    assert found.offset_g == (1347.5, 980.0, 1764.0)


tilts = st.lists(st.floats(-5, 5), min_size=12, max_size=12).map(lambda many: np.array(many).reshape(6, 2))
offsets = st.lists(st.floats(-80, 80), min_size=3, max_size=3)
scales = st.lists(st.floats(0.95, 1.05), min_size=3, max_size=3)


@given(tilts, offsets, scales)
def test_the_norm_way_does_not_see_tilt_where_the_axes_are_square(tilts_deg, offset_mg, scale):
    board = true_board(offset_mg, scale)
    found = by_norm(faces_of(board, tilts_deg), NOISE_G).constants
    assert found.offset_g == pytest.approx(board.offset_g, abs=1e-9)
    assert np.diag(found.matrix) == pytest.approx(board.scale, abs=1e-9)


@given(tilts)
def test_pairs_err_by_the_square_of_the_tilt(tilts_deg):
    """db = -s (a+^2 - a-^2)/4 and ds/s = -(a+^2 + a-^2)/4, a the whole tilt of a face, to fourth order."""
    board = true_board()
    found = by_pairs(faces_of(board, tilts_deg), NOISE_G, 0.0).constants
    square = np.sum(np.radians(tilts_deg) ** 2, axis=1)
    up, down = square[0::2], square[1::2]
    fourth = 2 * float(np.max(square)) ** 2 / 24 + 1e-12
    assert found.offset_g == pytest.approx(board.offset_g - board.scale * (up - down) / 4, abs=fourth)
    assert np.diag(found.matrix) == pytest.approx(board.scale * (1 - (up + down) / 4), abs=fourth)


@pytest.mark.parametrize("face", FACES)
def test_one_bad_face_costs_the_matrix_a_sixth_of_its_tilt(face):
    board, tilts_deg = true_board(scale=(1, 1, 1)), np.zeros((6, 2))
    tilts_deg[FACES.index(face)] = (1.0, 0.0)
    found = by_matrix(faces_of(board, tilts_deg), NOISE_G, 0.0).constants
    off_mg = 1000 * (np.array(found.offset_g) - board.offset_g)
    assert np.abs(off_mg).max() == pytest.approx(1000 * np.sin(np.radians(1.0)) / 6, rel=1e-3)


def test_one_bad_face_leaves_the_level_two_thirds_of_its_tilt_by_the_matrix():
    board, tilts_deg = true_board(), np.zeros((6, 2))
    tilts_deg[FACES.index(upright_face(AXES))] = (0.0, 1.0)  # towards y, camera right
    found = by_matrix(faces_of(board, tilts_deg), NOISE_G, 0.0).constants
    assert abs(true_level(board, found, AXES)[0]) == pytest.approx(2 / 3, abs=0.01)


def test_a_face_that_defines_level_passes_its_tilt_on_whole():
    board, tilts_deg = true_board(), np.zeros((6, 2))
    tilts_deg[FACES.index("+z")] = (0.0, 0.8)
    found = by_level_face(faces_of(board, tilts_deg), NOISE_G, 0.0, "+z").constants
    # The y side was high by 0.8 deg, y is camera right: level is believed there, so the left side hangs low.
    assert true_level(board, found, AXES)[0] == pytest.approx(-0.8, abs=0.01)


def edges():
    return [
        np.sqrt(0.5) * (a * np.eye(3)[i] + b * np.eye(3)[j])
        for i, j in ((0, 1), (0, 2), (1, 2))
        for a in (1, -1)
        for b in (1, -1)
    ]


@pytest.mark.parametrize("seed", range(5))
def test_nine_unknowns_from_faces_and_edges_however_they_were_held(seed):
    rng = np.random.default_rng(seed)
    skew = rng.normal(0, 0.006, (3, 3))
    board = true_board(cross=(skew + skew.T) * (1 - np.eye(3)))
    ups = [*(up_of(face) for face in FACES), *edges()]
    ups = [up + rng.normal(0, 0.1, 3) for up in ups]
    poses = np.array([board.matrix @ (up / np.linalg.norm(up)) + board.offset_g for up in ups])
    found = by_nine(poses, np.full(18, 5e-5))
    assert found is not None
    assert found.constants.offset_g == pytest.approx(board.offset_g, abs=1e-9)
    # Of the matrix only what leaves lengths alone is open: a turn.
    square = np.array(found.constants.matrix) @ np.array(found.constants.matrix).T
    assert square == pytest.approx(board.matrix @ board.matrix.T, abs=1e-9)


def test_nine_unknowns_are_refused_where_the_poses_cannot_tell_them():
    poses = faces_of(true_board(), np.zeros((6, 2)))
    assert by_nine(poses, NOISE_G) is None
    assert by_nine(np.tile(poses, (3, 1)), np.tile(NOISE_G, 3)) is None


@pytest.mark.parametrize("cross", [0.0, 0.01])
@pytest.mark.parametrize("bubble_deg", [0.25, 1.0])
def test_stated_uncertainties_are_those_of_the_errors(cross, bubble_deg):
    rng = np.random.default_rng(7)
    scaled = {name: [] for name in ("pairs", "norm", "matrix", "level_face")}
    for _ in range(150):
        board = invented_board(rng, cross=cross)
        seen = faces_of(board, rng.normal(0, bubble_deg, (6, 2))) + rng.normal(0, 5e-5, (6, 3))
        bubble = np.radians(bubble_deg)
        for one in (
            by_pairs(seen, NOISE_G, bubble),
            by_norm(seen, NOISE_G),
            by_matrix(seen, NOISE_G, bubble),
            by_level_face(seen, NOISE_G, bubble, "+z"),
        ):
            scaled[one.name].append((np.array(one.constants.offset_g) - board.offset_g) / one.offset_sd_g)
    for name, errors in scaled.items():
        # The level face allows for a chip turned on its board, the norm for cross-axis, which may be none.
        assert (0.2 if name in ("norm", "level_face") else 0.8) < np.std(errors) < 1.2, name


# --- the lean that constants leave ---


# Offset to tilt, asin(offset/1 g), of zero-g offsets as product specifications state them: 50 mg (x, y) and
# 80 mg (z) of a low-cost part (section 6.2 of its specification), 35 and 60 mg over temperature; 20 mg of
# newer parts (from memory). 1 mg is 0.0573 deg.
@pytest.mark.parametrize(
    ("offset_mg", "lean_deg"),
    [(1, 0.0573), (20, 1.146), (35, 2.006), (50, 2.866), (60, 3.440), (80, 4.589)],
)
def test_a_stated_zero_g_offset_leans_the_picture_by_its_arcsine(offset_mg, lean_deg):
    board = true_board((0, offset_mg, 0), (1, 1, 1))
    norm = by_norm(faces_of(board, np.zeros((6, 2))), NOISE_G)
    tilts_found = face_tilts(faces_of(board, np.zeros((6, 2))), norm.constants.offset_g, NOISE_G, 0.25)
    truth = truth_of(faces_of(board, np.zeros((6, 2))), NOISE_G, norm, tilts_found)
    nothing = Constants((0.0, 0.0, 0.0))
    assert left_by(nothing, truth, AXES)[0].value == pytest.approx(lean_deg, abs=0.0006)
    assert moved_by(norm.constants, nothing, truth, AXES)[0].value == pytest.approx(lean_deg, abs=0.0006)
    # Known as well as the offset, though the bubble is not: what the two share cancels.
    assert moved_by(norm.constants, nothing, truth, AXES)[0].sd < 0.01


def seen_lean(seed, bubble_deg=0.3, axes=AXES, way=by_norm):
    rng = np.random.default_rng(seed)
    board = invented_board(rng, cross=0.01)
    seen = faces_of(board, rng.normal(0, bubble_deg, (6, 2)))
    norm = by_norm(seen, NOISE_G)
    truth = truth_of(seen, NOISE_G, norm, face_tilts(seen, norm.constants.offset_g, NOISE_G, bubble_deg))
    constants = way(seen, NOISE_G).constants
    return left_by(constants, truth, axes), true_level(board, constants, axes)


@pytest.mark.parametrize("axes", [("x", "y", "z"), ("y", "-z", "-x"), ("-y", "z", "-x")])
@pytest.mark.parametrize("way", [by_norm, lambda f, n: by_matrix(f, n, 0.0)], ids=["norm", "matrix"])
def test_the_lean_left_is_held_by_its_interval(axes, way):
    held = np.array(
        [
            [
                one.low <= truth <= one.high
                for one, truth in zip(*seen_lean(seed, axes=axes, way=way), strict=True)
            ]
            for seed in range(60)
        ]
    )
    assert 0.87 < held.mean() < 0.995


def test_without_tilt_the_lean_left_is_cross_axis_exactly():
    rng = np.random.default_rng(3)
    board = invented_board(rng, cross=0.01)
    seen = faces_of(board, np.zeros((6, 2)))
    norm = by_norm(seen, NOISE_G)
    truth = truth_of(seen, NOISE_G, norm, face_tilts(seen, norm.constants.offset_g, NOISE_G, 0.25))
    expected = true_level(board, norm.constants, AXES)
    for one, exact in zip(left_by(norm.constants, truth, AXES), expected, strict=True):
        assert one.value == pytest.approx(exact, abs=0.01)


def test_constants_of_the_truth_leave_nothing():
    rng = np.random.default_rng(4)
    board = invented_board(rng, cross=0.01)
    assert true_level(board, constants_of(board.offset_g, board.matrix), AXES) == pytest.approx(
        [0, 0], abs=1e-9
    )


@pytest.mark.parametrize(
    ("axes", "face", "words"),
    [
        (("x", "y", "z"), "-y", "camera level"),
        (("x", "y", "z"), "+x", "right side up"),
        (("y", "-z", "-x"), "+z", "camera level"),
        (("y", "-z", "-x"), "-z", "camera upside down"),
        (("y", "-z", "-x"), "+x", "lens down"),
        (("y", "-z", "-x"), "-y", "left side up"),
    ],
)
def test_which_side_is_up(axes, face, words):
    assert pose_words(face, axes) == words
    if words == "camera level":
        assert upright_face(axes) == face


def test_sums_of_tilts_do_not_see_cross_axis():
    rng = np.random.default_rng(5)
    board, tilts_deg = invented_board(rng, cross=0.01), rng.normal(0, 0.5, (6, 2))
    sums_deg = np.degrees(sums_rad(faces_of(board, tilts_deg), board.offset_g))
    assert sums_deg == pytest.approx(tilts_deg[0::2] + tilts_deg[1::2], abs=0.03)
