"""Rolling shutter: rows drawn at their own times, and roll and pitch of the middle row found."""

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.interpolate import CubicSpline
from scipy.stats import uniform

from horizon.angles import angles_from_up, directions, tangent_frame, up_from_angles
from horizon.clip import probe
from horizon.coded import with_colour_planes, write_clip
from horizon.lens import lens_from_hfov, pixels, rays
from horizon.level import LEVEL_SURROUNDINGS
from horizon.looks import track_of
from horizon.measure import look_at_clip, measure_clip
from horizon.readout import at_middle_row, readout_rms_s, spline_rates
from horizon.synthetic import draw_frame, make_scene
from tests.edge_lines import read_line

LENS = lens_from_hfov(480, 270, 70)
READOUT_S = 0.020
FPS = 25


def film(path, roll_deg, pitch_deg, *, frames=12, readout_s=READOUT_S, lens=LENS, seed=1):
    """Clip of a drawn sea, angles as functions of time; every row is drawn where the camera is at its time.

    The middle row is that of the frame's time stamp.
    """
    rng = np.random.default_rng(seed)
    scene = make_scene("sea", rng=rng, height_m=8, visibility_km=60, noise_sd=1.5, clouds=0.3)
    late_s = readout_s * ((np.arange(lens.height_px) + 0.5) / lens.height_px - 0.5)
    images = []
    for k in range(frames):
        t_s = k / FPS + late_s
        roll, pitch = roll_deg(t_s), pitch_deg(t_s)
        picture = draw_frame(scene, lens, roll_deg=roll, pitch_deg=pitch, t_s=k / FPS, rng=rng)
        images.append(with_colour_planes(picture))
    write_clip(path, images, FPS, crf=18)
    return probe(path)


def tracks(facts, readouts_s):
    """Tracks of a clip for what may be known of its readout; it is looked at once."""
    looks = look_at_clip(facts, LENS)
    return [
        track_of(looks, facts, LENS, dip_rad=0.0, surroundings=LEVEL_SURROUNDINGS, readout_s=readout_s)
        for readout_s in readouts_s
    ]


def angles_deg(track):
    return track.track[["roll_deg", "pitch_deg"]].to_numpy(float)


def sd_deg(track):
    return track.track[["roll_sd_deg", "pitch_sd_deg"]].to_numpy(float)


def rms(values):
    return float(np.sqrt(np.nanmean(np.square(values))))


def still(angle_deg):
    return lambda t_s: angle_deg + 0 * t_s


def turning(from_deg, rate_dps):
    return lambda t_s: from_deg + rate_dps * t_s


MOVES = {
    "rolling": (turning(-7.0, 20.0), still(9.0)),
    "pitching, rolled": (still(20.0), turning(-7.0, 20.0)),
    "swinging": (lambda t: 5 + 6 * np.sin(3.3 * t), lambda t: 5 + 6 * np.cos(3.3 * t)),
}


@pytest.mark.parametrize(
    "move", ["rolling", "pitching, rolled", pytest.param("swinging", marks=pytest.mark.long)]
)
def test_rows_read_one_after_another_are_put_right_or_allowed_for(tmp_path, move):
    """What the shutter does is told apart from all else by the same clip with all rows read at once."""
    facts = film(tmp_path / "rolling.mp4", *MOVES[move])
    at_once = angles_deg(
        measure_clip(film(tmp_path / "at_once.mp4", *MOVES[move], readout_s=0), LENS, readout_s=0)
    )
    untold, told = tracks(facts, (None, READOUT_S))
    assert np.isfinite(angles_deg(told)).all()
    without, corrected = angles_deg(untold) - at_once, angles_deg(told) - at_once
    assert rms(without) > 0.03
    assert rms(corrected) * 5 < rms(without)
    assert (np.abs(without) <= 1.96 * sd_deg(untold)).mean() >= 0.93
    assert (np.abs(corrected) <= 1.96 * sd_deg(told)).mean() >= 0.93


def test_at_rest_a_readout_changes_nothing(tmp_path):
    facts = film(tmp_path / "rest.mp4", still(8.0), still(6.0), frames=8)
    all_at_once = measure_clip(facts, LENS, readout_s=0.0).track
    for one in tracks(facts, (None, READOUT_S)):
        assert one.track.equals(all_at_once)


def seen_line(lens, up, rate_rad_s, readout_s):
    """Rays of a horizon, each where its own row sees it: found by iteration."""
    azimuth = np.linspace(-0.45, 0.45, 61) * 2 * np.arctan(lens.width_px / 2 / lens.fx_px)
    ray = directions(up, azimuth)
    for _ in range(30):
        late_s = readout_s * ((pixels(lens, ray)[:, 1] + 0.5) / lens.height_px - 0.5)
        then = up + late_s[:, None] * rate_rad_s
        ray = directions(up, azimuth)
        ray = ray - np.sum(ray * then, axis=1)[:, None] * then / np.sum(then**2, axis=1)[:, None]
        ray /= np.linalg.norm(ray, axis=1)[:, None]
    return ray


@given(
    roll_deg=st.floats(-180, 180),
    pitch_deg=st.floats(-10, 10),
    rates_dps=st.tuples(st.floats(-30, 30), st.floats(-30, 30)),
)
@settings(max_examples=60, deadline=None)
def test_the_shift_takes_off_what_the_rows_did_to_a_plane_through_the_seen_rays(
    roll_deg, pitch_deg, rates_dps
):
    """The plane that is fitted knows nothing of rows."""
    assume(np.hypot(*rates_dps) > 1)
    up = up_from_angles(np.radians(roll_deg), np.radians(pitch_deg))
    rate = np.radians(rates_dps) @ np.stack(tangent_frame(*angles_from_up(up)))
    ray = seen_line(LENS, up, rate, READOUT_S)
    read = read_line(ray, up, LENS)
    plane, shift = read.up_cam[0], read.row_shift[0]
    without = np.linalg.norm(plane - up)
    put_right = plane - READOUT_S * shift @ rate
    assert np.linalg.norm(put_right - up) <= 0.03 * without + 2e-6


def test_pitching_while_rolled_is_a_false_slope():
    """Along a line rolled by p, rows pass at sin(p) per pixel; a pitch rate w moves it by f w in a second.

    So it leans by sin(p) f w readout / height: plane geometry, for a narrow field of view.
    """
    lens = lens_from_hfov(1920, 1080, 10)
    roll, rate = np.radians(20.0), np.radians(20.0)
    up = up_from_angles(roll, 0.0)
    e_roll, e_pitch = tangent_frame(roll, 0.0)
    x = np.linspace(300, 1620, 50)
    line = rays(lens, np.column_stack([x, lens.cy_px - np.tan(roll) * (x - lens.cx_px)]))
    lean = e_roll @ read_line(line, up, lens).row_shift[0] @ e_pitch * READOUT_S * rate
    assert lean == pytest.approx(np.sin(roll) * lens.fx_px * rate * READOUT_S / 1080, rel=0.01)


def test_a_line_above_the_middle_is_seen_early():
    """A tenth of the height above it by a tenth of the readout, whatever the motion."""
    up = up_from_angles(0.0, 0.0)
    line = rays(LENS, [(x, 0.4 * LENS.height_px - 0.5) for x in range(40, 440, 10)])
    read = read_line(line, up, LENS)
    shift = read.row_shift[0]
    for axis in tangent_frame(*angles_from_up(read.up_cam[0])):
        assert shift @ axis == pytest.approx(-0.1 * axis, abs=1e-6)


def middle_rows(t_s, roll, pitch, *, line_sd=1e-6, **options):
    """``at_middle_row`` of given angles, rad, with lines a quarter of the height below the middle."""
    n = len(t_s)
    covariance = np.tile(np.eye(2) * line_sd**2, (n, 1, 1))
    up = up_from_angles(roll, pitch)
    seen, after = at_middle_row(t_s, up, np.tile(np.eye(3) / 4, (n, 1, 1)), covariance, **options)
    return np.column_stack(angles_from_up(seen)), np.sqrt(np.einsum("nii->ni", after))


@pytest.mark.parametrize(("fps", "low_ms", "high_ms"), [(25, 8, 33), (60, 8, 50 / 3), (240, 25 / 6, 25 / 6)])
def test_a_readout_not_told_is_allowed_for_by_the_rate(fps, low_ms, high_ms):
    """Second moment of a uniform distribution, by the reference library."""
    drawn = uniform(low_ms / 1000, (high_ms - low_ms) / 1000 + 1e-12)
    assert readout_rms_s(fps) == pytest.approx(np.sqrt(drawn.var() + drawn.mean() ** 2), rel=1e-6)
    t_s = np.arange(20) / 5
    angles, sd = middle_rows(t_s, 0.1 * t_s, 0 * t_s, readout_s=None, fps=fps)
    assert angles[:, 0] == pytest.approx(0.1 * t_s, abs=1e-12)
    assert sd[5:-5, 0] == pytest.approx(0.1 * readout_rms_s(fps) / 4, rel=0.01)
    assert sd[5:-5, 1].max() < 1e-5


def test_without_a_frame_rate_the_whole_usual_range_is_allowed_for():
    assert readout_rms_s(0.0) == readout_rms_s(25.0)


@pytest.mark.parametrize("period_s", [0.5, 0.8, 1.5, 4.0])
def test_motion_too_quick_for_the_looks_is_said_through_the_uncertainty(period_s):
    """Swings seen five times a second: the rate that is missed lies within the stated interval."""
    rng = np.random.default_rng(3)
    inside, halves = [], []
    for _ in range(40):
        t_s = np.arange(25) / 5 + rng.uniform(-0.02, 0.02, 25)
        at = 2 * np.pi * t_s / period_s + rng.uniform(0, 2 * np.pi)
        size, sd = 0.05, 2e-5
        late = size * 2 * np.pi / period_s * np.cos(at) * READOUT_S / 4
        roll = size * np.sin(at) + late + rng.normal(0, sd, 25)
        found, after = middle_rows(t_s, roll, 0 * t_s, line_sd=sd, readout_s=READOUT_S, fps=30)
        inside.append(np.abs(found[:, 0] - size * np.sin(at)) <= 1.96 * after[:, 0])
        halves.append(1.96 * after[:, 0] / np.sqrt(np.mean(late**2)))
    assert np.mean(inside) >= 0.93
    # A slow swing is told, a quick one is not.
    assert np.median(halves) < 0.3 if period_s >= 1.5 else np.median(halves) > 0.1


def test_rows_read_from_the_last_to_the_first_are_corrected_the_other_way():
    t_s = np.arange(12) / 5
    for readout_s in (READOUT_S, -READOUT_S):
        found, _ = middle_rows(t_s, 0.1 * (t_s + readout_s / 4), 0 * t_s, readout_s=readout_s, fps=30)
        assert found[:, 0] == pytest.approx(0.1 * t_s, abs=1e-7)


def test_a_look_without_neighbours_takes_the_motion_of_the_others():
    t_s = np.array([0.0, 0.2, 0.4, 0.6, 0.8, 1.0, 5.0])
    _, moving = middle_rows(t_s, 0.2 * t_s, 0 * t_s, readout_s=READOUT_S, fps=30)
    assert moving[-1, 0] == pytest.approx(0.2 / np.sqrt(2) * READOUT_S / 4, rel=0.05)
    _, resting = middle_rows(t_s, 0 * t_s, 0 * t_s, readout_s=READOUT_S, fps=30)
    assert resting == pytest.approx(1e-6, rel=1e-9)


@pytest.mark.parametrize("n", [2, 3, 4, 5, 30])
def test_rates_are_those_of_the_cubic_spline_of_scipy(n):
    rng = np.random.default_rng(n)
    t_s, values = np.cumsum(rng.uniform(0.02, 0.2, n)), rng.normal(size=(n, 3))
    expected = CubicSpline(t_s, values)(t_s, 1)
    assert spline_rates(t_s, values) == pytest.approx(expected, rel=1e-9, abs=1e-9 * np.abs(expected).max())
