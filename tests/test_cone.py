"""Lines measured as of no dip and read with any, against fits that know the dip from the beginning."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import least_squares

from horizon.angles import angles_from_up, directions, other_reading_deg, up_from_angles, wrap_deg
from horizon.cone import chosen, fitted, stacked
from horizon.edge import seen_from_below
from horizon.fit import fit_up
from tests.edge_lines import edges_of, kept_of, scattered
from tests.footage import known_lens, projected

HEIGHTS_M = st.floats(0, 500)
SCATTERS = 7
FIELDS_DEG = st.floats(30, 120)
ROLLS_DEG, PITCHES = st.floats(-30, 30), st.floats(-0.12, 0.12)
MARGIN_PX = 2


def dip_of(height_m):
    """Dip of the horizon, rad: 0.0293 deg times the root of the height in metres (the usual constant)."""
    return np.radians(0.0293) * np.sqrt(height_m)


def seen_line(lens, hfov_deg, roll_deg, pitch_deg, dip_rad, count=90):
    """Rays of the horizon of that dip inside the picture, evenly along it, and the true up vector."""
    up = up_from_angles(*np.radians([roll_deg, pitch_deg]))
    ray = directions(up, np.linspace(-1.2, 1.2, 4000), -dip_rad)
    ray = ray[ray[:, 2] > np.cos(np.radians(0.62 * hfov_deg))]
    seen = projected(lens, ray)
    size = np.array([lens.width_px, lens.height_px])
    inside = ((seen > MARGIN_PX) & (seen < size - 1 - MARGIN_PX)).all(axis=1)
    ray, seen = ray[inside], seen[inside]
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(seen, axis=0), axis=1))])
    at = np.interp(np.linspace(0, along[-1], count), along, np.arange(len(ray)))
    return ray[np.round(at).astype(int)], up


def angles_deg(up):
    return np.degrees(np.array(angles_from_up(up)))


@settings(max_examples=60)
@given(FIELDS_DEG, HEIGHTS_M, ROLLS_DEG, PITCHES, st.integers(0, 2**32 - 1))
def test_a_line_of_no_dip_brought_to_a_dip_is_the_one_fitted_with_it(hfov_deg, height_m, roll_deg, at, seed):
    """By Levenberg and Marquardt's method of a general library, over roll and pitch themselves."""
    lens, dip_rad = known_lens(hfov_deg), dip_of(height_m)
    ray, _ = seen_line(lens, hfov_deg, roll_deg, at * hfov_deg, dip_rad)
    ray = scattered(ray, lens, 0.03, np.random.default_rng(seed))
    start = up_from_angles(*np.radians([roll_deg + 0.2, at * hfov_deg - 0.1]))
    line = kept_of(edges_of(ray, lens), start, lens)
    anew = least_squares(
        lambda angles: ray @ up_from_angles(*angles) + np.sin(dip_rad),
        np.radians([roll_deg, at * hfov_deg]),
        method="lm",
        x_scale=1e-3,
        ftol=1e-15,
        xtol=1e-15,
    )
    found = angles_deg(fitted(line, np.ones(1), lens, dip_rad).up_cam[0])
    # Weights of points that stand off by chance are all that the two differ in.
    assert found == pytest.approx(np.degrees(anew.x), abs=0.002)


@settings(max_examples=12)
@given(FIELDS_DEG, HEIGHTS_M, ROLLS_DEG, PITCHES, st.integers(0, 2**32 - 1))
def test_either_reading_and_its_uncertainty_are_those_of_a_fit_that_knew_the_dip(
    hfov_deg, height_m, roll_deg, at, seed
):
    """Measured with its sky on the right side or on the wrong one, and read with it on the right one."""
    lens, dip_rad = known_lens(hfov_deg), dip_of(height_m)
    ray, up = seen_line(lens, hfov_deg, roll_deg, at * hfov_deg, dip_rad)
    rng = np.random.default_rng(seed)
    sds, shares = [], []
    for _ in range(SCATTERS):
        edges = edges_of(scattered(ray, lens, 0.3, rng), lens)
        fit = fit_up(edges, up, lens, dip_rad=dip_rad, agree_px=40.0)
        sd_deg = np.degrees(np.sqrt(np.diag(fit.covariance)))
        shared_deg = np.degrees(np.sqrt(np.diag(fit.covariance) - fit.noise_variance))
        for sign, named in ((1.0, edges), (-1.0, seen_from_below(edges))):
            line = kept_of(named, sign * up, lens)
            assert line.up_cam[0] @ up * sign > 0.9
            read = fitted(line, np.array([sign]), lens, dip_rad)
            off_deg = np.abs(angles_deg(read.up_cam[0]) - angles_deg(fit.up_cam))
            # Of ninety points, each that only one of the two leaves aside moves the line by as much again.
            aside = abs(int(fit.agreeing.sum()) - int(line.agree[0]))
            assert (off_deg <= (0.002 + 0.1 * sd_deg) * (1 + aside)).all()
            sds.append(np.degrees(np.sqrt(np.diag(read.covariance[0]))) / sd_deg)
            shares.append((np.degrees(np.sqrt(read.shared_variance[0])) - shared_deg) / sd_deg.max())
    # A point that one of them leaves aside may change a single line's uncertainty by half and more.
    assert np.median(sds, axis=0) == pytest.approx(1.0, rel=0.3)
    assert np.median(shares, axis=0) == pytest.approx(0.0, abs=0.4)


def test_a_deep_horizon_costs_no_certainty():
    """Taken for a line of no dip it is bent, by pixels; read with its dip it is as straight as any."""
    lens, dip_rad = known_lens(100), dip_of(500)
    rng = np.random.default_rng(4)
    for depth_rad in (0.0, dip_rad):
        ray, up = seen_line(lens, 100, 7.0, 6.0, depth_rad)
        line = kept_of(edges_of(scattered(ray, lens, 0.3, rng), lens), up, lens)
        sd_deg = np.degrees(np.sqrt(np.diag(fitted(line, np.ones(1), lens, depth_rad).covariance[0])))
        assert sd_deg[0] < 0.02
        assert sd_deg[1] < 0.05
        wrong = fitted(line, np.ones(1), lens, dip_rad - depth_rad)
        assert np.degrees(np.sqrt(wrong.covariance[0, 0, 0])) > 5 * sd_deg[0]


def test_what_raises_the_lens_in_one_reading_lowers_it_in_the_other():
    lens = known_lens(60)
    ray, up = seen_line(lens, 60, 9.0, 4.0, 0.0)
    line = kept_of(edges_of(scattered(ray, lens, 0.4, np.random.default_rng(8)), lens), up, lens)
    one, other = (fitted(line, np.array([sign]), lens, 0.0) for sign in (1.0, -1.0))
    turned = np.diag([1.0, -1.0])
    assert other.covariance[0] == pytest.approx(turned @ one.covariance[0] @ turned, rel=1e-6)
    assert other.bend[0] == pytest.approx(one.bend[0] * [-1, -1, 1, -1], rel=1e-6)
    assert other.row_shift[0] == pytest.approx(one.row_shift[0], rel=1e-6, abs=1e-12)


@settings(max_examples=30)
@given(FIELDS_DEG, HEIGHTS_M, ROLLS_DEG, PITCHES)
def test_the_other_reading_has_the_line_at_the_same_dip(hfov_deg, height_m, roll_deg, at):
    """On a line seen all around, its level turned over: roll + 180 deg, pitch = -pitch - 2 dip."""
    lens, dip_rad = known_lens(hfov_deg), dip_of(height_m)
    ray, up = seen_line(lens, hfov_deg, roll_deg, at * hfov_deg, dip_rad)
    line = kept_of(edges_of(ray, lens), up, lens)
    one, other = (angles_deg(fitted(line, np.array([s]), lens, dip_rad).up_cam[0]) for s in (1.0, -1.0))
    expected = np.array(other_reading_deg(*one, dip_rad))
    # The two cones bend apart to the sides: by 1 - cos of the azimuth, of twice the dip.
    bent_deg = 2 * np.degrees(dip_rad) * (1 - np.cos(np.radians(0.6 * hfov_deg)))
    assert np.abs(wrap_deg(other - expected)) == pytest.approx(0, abs=0.002 + bent_deg)


def test_lines_are_read_one_by_one_whatever_stands_beside_them():
    lens, rng = known_lens(70), np.random.default_rng(3)
    lines = []
    for roll_deg in (-8.0, 3.0, 12.0):
        ray, up = seen_line(lens, 70, roll_deg, 2.0, dip_of(30))
        lines.append(kept_of(edges_of(scattered(ray, lens, 0.3, rng), lens), up, lens))
    together = stacked([chosen(line, np.array(0)) for line in lines])
    read = fitted(together, np.array([1.0, -1.0, 1.0]), lens, dip_of(30))
    for k, (line, sign) in enumerate(zip(lines, (1.0, -1.0, 1.0), strict=True)):
        alone = fitted(line, np.array([sign]), lens, dip_of(30))
        assert read.up_cam[k] == pytest.approx(alone.up_cam[0], abs=1e-12)
        assert read.covariance[k] == pytest.approx(alone.covariance[0], rel=1e-9)
