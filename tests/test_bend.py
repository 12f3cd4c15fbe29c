"""What a lens that was not told does to lines, against fits of points that OpenCV's projection put there."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from horizon.angles import angles_from_up, directions, up_from_angles
from horizon.bend import bend_of
from horizon.lens import lens_from_hfov, rays
from tests.edge_lines import read_line
from tests.footage import projected

WIDE = lens_from_hfov(1920, 1080, 70.0)
PRIOR = 0.05


def true_lens(share):
    """The stated lens with the first of Brown's terms, which moves the picture's side by about this share."""
    k1 = share * (2 * WIDE.fx_px / WIDE.width_px) ** 2
    return replace(WIDE, model="brown", distortion=(k1, 0.0, 0.0, 0.0))


def seen_through(share, roll_deg, pitch_deg):
    """Effect on the line that is fitted, through the stated lens, to points of the true one; its up."""
    up = up_from_angles(*np.radians([roll_deg, pitch_deg]))
    points = projected(true_lens(share), directions(up, np.linspace(-1.0, 1.0, 400)))
    points = points[(points > 0).all(axis=1) & (points < [1919, 1079]).all(axis=1)]
    along = np.linalg.norm(points - points[0], axis=1)
    read = read_line(rays(WIDE, points), up, WIDE, along_px=along)
    return read.bend[0], read.up_cam[0]


@settings(max_examples=40, deadline=None)
@given(
    roll_deg=st.floats(-25, 25),
    pitch_deg=st.floats(-10, 10),
    share=st.floats(-0.02, 0.02).filter(lambda share: abs(share) > 1e-3),
)
def test_the_effect_is_what_the_fit_through_the_true_lens_differs_by(roll_deg, pitch_deg, share):
    told, up = seen_through(share, roll_deg, pitch_deg)
    off = np.array(angles_from_up(up)) - np.radians([roll_deg, pitch_deg])
    assert share * told[2:] == pytest.approx(off, abs=np.radians(0.004) + 0.12 * np.abs(off).max())
    assert share * told[1] == pytest.approx(told[0], abs=0.12 + 0.12 * abs(told[0]))


def looks(share, heights_deg, rng, terrain_px=0.0):
    rows = [seen_through(share, 5.0, height)[0] for height in heights_deg]
    rows = np.array(rows)
    rows[:, 0] += terrain_px + 0.1 * rng.normal(size=len(rows))
    return np.arange(len(rows)) / 5.0, rows


def test_a_lens_that_was_not_told_is_noticed_and_measured():
    rng = np.random.default_rng(5)
    found = bend_of(*looks(-0.05, rng.uniform(-8, 8, 60), rng, terrain_px=0.6), PRIOR)
    assert found.certain
    assert found.share == pytest.approx(-0.05, rel=0.2)
    assert found.sd < 0.01


def test_hills_that_bend_every_line_alike_are_no_lens():
    rng = np.random.default_rng(6)
    found = bend_of(*looks(0.0, rng.uniform(-8, 8, 60), rng, terrain_px=4.0), PRIOR)
    assert not found.certain
    assert abs(found.share) < 3 * found.sd < 0.02


def test_lines_of_one_height_leave_the_bend_as_open_as_it_was():
    rng = np.random.default_rng(7)
    found = bend_of(*looks(-0.05, np.full(60, 6.0), rng), PRIOR)
    assert not found.certain
    assert found.sd == pytest.approx(PRIOR, rel=0.05)
    told = bend_of(*looks(0.0, np.full(60, 6.0), rng), 0.0)
    assert (told.share, told.sd, told.certain) == (0.0, 0.0, False)
