"""The verifier: horizons told from other lines, and sky from surface, whichever way round they are asked."""

import numpy as np
import pytest

from horizon.angles import up_from_angles
from horizon.frame import lines_of, measure_frame
from horizon.lens import lens_from_hfov
from horizon.sizes import look_at
from horizon.synthetic import draw_frame, make_scene
from horizon.verify import FEATURES, UNKNOWN_OTHERS, Others, features, terms, weighed

LENS = lens_from_hfov(960, 540, 70)


def look(*, roll_deg: float = 5.0, seed: int = 1, kind: str = "sea"):
    rng = np.random.default_rng(seed)
    scene = make_scene(kind, rng=rng, height_m=20)
    return look_at(draw_frame(scene, LENS, roll_deg=roll_deg, pitch_deg=2.0, rng=rng), LENS)


def best_line(one):
    return max(lines_of(one), key=lambda line: line.likeness)


@pytest.mark.parametrize("roll_deg", [5.0, 176.0, pytest.param(95.0, marks=pytest.mark.long)])
def test_the_horizon_is_the_likeliest_line(roll_deg):
    line = best_line(look(roll_deg=roll_deg))
    assert line.likeness > 0.9
    off = np.degrees(np.arccos(abs(line.up_cam @ up_from_angles(*np.radians([roll_deg, 2.0])))))
    assert off < 0.5
    # The sky is where it was drawn.
    towards = float(line.up_cam @ up_from_angles(*np.radians([roll_deg, 2.0]))) > 0
    assert (line.weighed.sky_odds > 0) == towards


def test_asked_from_the_other_side_the_line_is_the_same_and_the_sky_is_opposite():
    one = look()
    line = best_line(one)
    over = one.sides.at(-line.up_cam)
    others = Others(line.others.away, line.others.towards, line.others.across)
    # The step seen from the other side changes its sign, all else stays.
    rows = features(line.fit, line.seen, line.others, 270)
    mirrored = features(line.fit, over, others, 270)
    same = [k for k, name in enumerate(FEATURES) if name != "brighter_at_edge"]
    assert rows[0, same] == pytest.approx(mirrored[1, same], abs=1e-6)


def test_odds_of_either_side_are_opposite():
    line = best_line(look(seed=3, kind="plain"))
    assert line.seen is not None
    rows = features(line.fit, line.seen, line.others, 270)
    assert np.isfinite(rows).all()
    assert terms(rows).shape == (2, len(FEATURES) * (len(FEATURES) + 3) // 2)
    unknown = weighed(line.fit, line.seen, UNKNOWN_OTHERS, 270).sky_odds
    assert np.sign(unknown) == np.sign(line.weighed.sky_odds)


def test_a_line_with_one_side_outside_the_picture_is_none():
    line = best_line(look())
    one = weighed(line.fit, None, line.others, 270)
    assert one.likeness == 0.0
    assert one.sky_odds == 0.0


@pytest.mark.parametrize("seed", range(4))
def test_bricks_and_boards_are_no_horizon(seed):
    """Rows of straight lines with one brightness above and another below, tilted."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[0:540, 0:960].astype(float)
    turn = np.radians(rng.uniform(-40, 40))
    across = -x * np.sin(turn) + y * np.cos(turn)
    shade = rng.uniform(60, 200, 40)[(np.floor(across / rng.uniform(30, 90)) % 40).astype(int)]
    picture = np.clip(shade + rng.normal(0, 6, across.shape), 0, 255).astype(np.uint8)
    assert measure_frame(picture, LENS).reason != ""
