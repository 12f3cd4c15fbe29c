"""Lines strung through a clip: a jump to another line is refused, a quick move of the camera is not."""

import numpy as np
import pytest

from horizon.angles import up_from_angles
from horizon.lens import lens_from_hfov, scaled
from horizon.sequence import DISAGREES, THUMB_PX, TWO_LINES, Seen, off_sequence
from horizon.synthetic import draw_frame, make_scene

LENS = lens_from_hfov(960, 540, 70)
SMALL = scaled(LENS, THUMB_PX, 54)
SCENE = make_scene("sea", rng=np.random.default_rng(1), height_m=20)


def seen(
    t_s: float, *, roll_deg=0.0, pitch_deg=0.0, said_pitch_deg=None, likeness=0.97, followed=False
) -> Seen:
    """A look at a camera of this attitude, whose measured pitch is ``said_pitch_deg`` where that is given."""
    thumb = draw_frame(SCENE, SMALL, roll_deg=roll_deg, pitch_deg=pitch_deg, rng=np.random.default_rng(2))
    said = pitch_deg if said_pitch_deg is None else said_pitch_deg
    return Seen(t_s, up_from_angles(*np.radians([roll_deg, said])), likeness, followed, thumb)


def test_steady_looks_all_stay():
    assert off_sequence([seen(0.1 * k, pitch_deg=0.05 * (k % 2)) for k in range(12)], LENS) == [""] * 12


@pytest.mark.parametrize("turn", ["roll_deg", "pitch_deg"])
def test_a_quick_move_of_the_camera_stays(turn):
    angles = [0, 0, 0, 4, 8, 8, 8, 4, 0, 0]
    looks = [seen(0.1 * k, **{turn: float(angle)}) for k, angle in enumerate(angles)]
    assert off_sequence(looks, LENS) == [""] * len(looks)


def test_a_look_at_another_line_is_refused():
    looks = [seen(0.1 * k, said_pitch_deg=5.0 if k in (4, 5) else None) for k in range(12)]
    reasons = off_sequence(looks, LENS)
    assert [k for k, reason in enumerate(reasons) if reason] == [4, 5]
    assert set(reasons) == {"", DISAGREES}


def test_two_lines_of_like_weight_leave_none():
    looks = [seen(0.1 * k, said_pitch_deg=5.0 if k % 2 else None) for k in range(20)]
    assert off_sequence(looks, LENS) == [TWO_LINES] * 20


def test_a_line_followed_through_a_turn_stays():
    looks = [seen(0.1 * k, roll_deg=3.0 * k, followed=k > 0) for k in range(10)]
    # With nothing to be seen in the pictures, only the following tells.
    blank = np.full((54, THUMB_PX), 90, np.uint8)
    looks = [Seen(one.t_s, one.up_cam, one.likeness, one.followed, blank) for one in looks]
    assert off_sequence(looks, LENS) == [""] * 10


def test_thumbs_of_a_wide_picture_are_a_whole_number_of_pixels():
    wide = lens_from_hfov(2560, 1080, 70)
    blank = np.full((40, THUMB_PX), 90, np.uint8)
    looks = [
        Seen(0.1 * k, up_from_angles(0.0, np.radians(6.0 if k == 4 else 0.0)), 0.97, False, blank)
        for k in range(8)
    ]
    reasons = off_sequence(looks, wide)
    assert [k for k, reason in enumerate(reasons) if reason] == [4]
