"""Plumb and level lines through a whole clip: roll, its uncertainty, the swing, and what is refused."""

from dataclasses import replace

import numpy as np
import pytest

from horizon import TRACK_COLUMNS
from horizon.angles import up_from_angles, wrap_deg
from horizon.clip import ClipError, probe, read_frames
from horizon.lens import Lens, lens_from_hfov
from horizon.level import PITCH_TOO, ROLL_ONLY
from horizon.reference import measure_reference, reference_points, roll_from_line
from horizon.swing import fit_swing, fit_swings
from tests.lines_scenes import Room, film, in_camera

LENS = lens_from_hfov(640, 360, 65)
BROWN = Lens(640, 360, 500.0, 500.0, 325.0, 176.0, "brown", (-0.2, 0.02, 0.0, 0.0))
ROOM = Room("plumb_line", LENS, 2.0, 0.0, 8.0, 1.0, width_px=1.5, clutter=("door", "skirting"))
LASER = replace(ROOM, kind="level_line", width_px=3.0, contrast_grey=80.0)


def measured(tmp_path, room, name="line.mp4", **how):
    truth = film(tmp_path / name, room)
    return truth, measure_reference(probe(tmp_path / name), room.lens, kind=room.kind, **how)


def true_normal(world, roll_deg, pitch_deg):
    normal = np.cross(*in_camera(np.array(world), roll_deg, pitch_deg))
    return normal / np.linalg.norm(normal)


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize(("roll_deg", "pitch_deg"), [(0.0, 0.0), (7.5, -3.0), (-9.0, 12.0), (40.0, 25.0)])
@pytest.mark.parametrize("azimuth_deg", [-20.0, 0.0, 6.0])
def test_the_roll_of_a_plumb_line_at_a_known_pitch_is_exact(azimuth_deg, roll_deg, pitch_deg, sign):
    aside = np.tan(np.radians(azimuth_deg))
    normal = sign * true_normal([[aside, -0.4, 1.0], [aside, 0.7, 1.0]], roll_deg, pitch_deg)
    pitch = np.radians([pitch_deg])
    roll, slope = roll_from_line("plumb_line", normal[None], pitch)
    assert np.degrees(roll[0]) == pytest.approx(roll_deg, abs=1e-9)
    step = 1e-5
    further, _ = roll_from_line("plumb_line", normal[None], pitch + step)
    assert slope[0] == pytest.approx((further[0] - roll[0]) / step, abs=1e-3)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_the_roll_of_a_level_line_does_not_depend_on_the_pitch(sign):
    up = sign * up_from_angles(np.radians([3.0, -8.0]), np.radians([2.0, -5.0]))
    roll, slope = roll_from_line("level_line", up, np.array([0.3, -0.1]))
    assert np.degrees(roll) == pytest.approx([3.0, -8.0])
    assert (slope == 0).all()


def test_no_normal_gives_no_roll_and_a_line_that_cannot_be_plumb_none_either():
    normals = np.array([[np.nan] * 3, [0.1, 0.0, 0.995]])
    for kind in ("plumb_line", "level_line"):
        assert np.isnan(roll_from_line(kind, normals[:1], np.zeros(1))[0]).all()
    assert np.isnan(roll_from_line("plumb_line", normals[1:], np.array([0.5]))[0]).all()


@pytest.mark.parametrize(
    "room",
    [
        ROOM,
        replace(ROOM, lens=BROWN, azimuths_deg=(4.0,), roll_deg=-6.0, contrast_grey=70.0),
        replace(LASER, roll_deg=-7.0, blur_px=1.6),
        replace(LASER, lens=BROWN, clutter=("tiles", "poster")),
    ],
    ids=["string", "bright string, bent lens", "laser", "laser, bent lens"],
)
def test_roll_is_found_to_a_few_hundredths_of_a_degree(tmp_path, room):
    truth, found = measured(tmp_path, room)
    table = found.track
    assert list(table.columns) == TRACK_COLUMNS
    assert len(table) == len(truth)
    assert (table["reason"] == "").all()
    assert table["roll_deg"].mean() == pytest.approx(truth.mean(), abs=0.05)
    assert (table["claims"] == ROLL_ONLY).all()
    assert (table["pitch_deg"] == 0).all()
    assert found.reference == room.kind
    assert found.normals.shape == (len(table), 3)
    assert found.sky == "unknown"
    assert len(found.yaw_rate) == 0


def test_the_reading_of_a_camera_upside_down_is_the_one_nearer_to_level(tmp_path):
    truth, found = measured(tmp_path, replace(ROOM, roll_deg=182.0))
    assert wrap_deg(found.track["roll_deg"].mean() + 180 - truth.mean()) == pytest.approx(0, abs=0.05)


@pytest.mark.parametrize(
    ("room", "reason"),
    [
        (replace(ROOM, azimuths_deg=()), "no thin line through the picture's middle"),
        (replace(LASER, azimuths_deg=()), "no thin line through the picture's middle"),
        (replace(ROOM, azimuths_deg=(-3.0, 3.0)), "two lines could be the plumb line"),
        (replace(ROOM, azimuths_deg=(15.0,)), "no thin line through the picture's middle"),
    ],
    ids=["no string", "no laser", "two strings", "string at the side"],
)
def test_a_clip_without_one_clear_line_is_refused_in_plain_words(tmp_path, room, reason):
    _, found = measured(tmp_path, replace(room, length_s=0.4, clutter=("door", "window", "pipe")))
    assert set(found.track["reason"]) == {reason}
    assert found.track["roll_deg"].isna().all()
    assert np.isnan(found.normals).all()


def test_two_plumb_lines_give_pitch_too(tmp_path):
    room = replace(ROOM, azimuths_deg=(-16.0, 15.0), pitch_deg=5.0)
    truth, found = measured(tmp_path, room, lines=2, upright=True)
    table = found.track
    assert (table["claims"] == PITCH_TOO).all()
    assert table["roll_deg"].mean() == pytest.approx(truth.mean(), abs=0.05)
    assert table["pitch_deg"].mean() == pytest.approx(5.0, abs=0.15)
    assert table["pitch_low_deg"].max() < 5.0 < table["pitch_high_deg"].min()
    assert found.sky == "picture"


def test_a_swing_is_taken_off_and_said(tmp_path):
    room = replace(ROOM, swing_deg=2.0, period_s=1.3, decay_s=6.0, length_s=4.0, roll_deg=-1.0)
    truth, found = measured(tmp_path, room)
    table = found.track
    assert (table["reason"] == "").mean() > 0.9
    assert table["roll_deg"].std() < 0.1
    assert table["roll_deg"].mean() == pytest.approx(truth.mean(), abs=0.03)
    assert found.notes[0].startswith("line.mp4: the plumb line swings by 2 deg at first, period 1.3 s")


def test_a_line_off_the_lens_axis_and_an_untrue_line_are_in_what_all_frames_share(tmp_path):
    room = replace(ROOM, azimuths_deg=(4.0,), roll_deg=0.0, length_s=0.5)
    film(tmp_path / "line.mp4", room)
    sds = []
    for how in ({"pitch_sd_rad": 0.0}, {"pitch_sd_rad": 0.02}, {"pitch_sd_rad": 0.0, "accuracy_rad": 0.003}):
        table = measure_reference(probe(tmp_path / "line.mp4"), LENS, kind="plumb_line", **how).track
        sds.append((table["shared_roll_sd_deg"].mean(), table["roll_sd_deg"].mean()))
    (shared, total), (off_axis, off_total), (untrue, untrue_total) = sds
    aside = np.degrees(np.tan(np.radians(4.0)) * 0.02)
    assert off_axis == pytest.approx(np.hypot(shared, aside), rel=0.05)
    assert off_total == pytest.approx(np.hypot(total, aside), rel=0.05)
    assert untrue == pytest.approx(np.hypot(shared, np.degrees(0.003)), rel=0.05)
    assert untrue_total == pytest.approx(np.hypot(total, np.degrees(0.003)), rel=0.05)


def test_points_of_a_measured_frame_lie_on_its_line(tmp_path):
    _, found = measured(tmp_path, replace(ROOM, length_s=0.5))
    luma = next(read_frames(tmp_path / "line.mp4")).luma
    points = reference_points(luma, LENS, found.normals[0])
    assert points.used.sum() > 30
    assert np.ptp(points.points_px[points.used][:, 1]) > 250
    blank = reference_points(np.full_like(luma, 90), LENS, found.normals[0])
    assert not blank.used.any()


def test_a_file_that_is_no_clip_is_said(tmp_path):
    facts = probe_of(tmp_path)
    facts.path.write_bytes(facts.path.read_bytes()[:200])
    with pytest.raises(ClipError):
        measure_reference(facts, LENS, kind="plumb_line")


def probe_of(tmp_path):
    film(tmp_path / "cut.mp4", replace(ROOM, length_s=0.3))
    return probe(tmp_path / "cut.mp4")


def swinging(lasts_s, *, fps=10.0, swing_deg=1.0, period_s=2.0, decay_s=10.0, noise_deg=0.01, seed=1):
    t_s = np.arange(0, lasts_s, 1 / fps)
    rng = np.random.default_rng(seed)
    wave = swing_deg * np.exp(-t_s / decay_s) * np.cos(2 * np.pi * t_s / period_s + 0.7)
    turn = np.radians(wave + rng.normal(0, noise_deg, len(t_s)))
    return t_s, np.column_stack([turn, 0.3 * turn])


@pytest.mark.parametrize("period_s", [0.9, 2.2, 4.5])
def test_what_is_left_of_a_swing_is_within_its_sd(period_s):
    within = []
    for seed in range(20):
        t_s, angles = swinging(12.0, period_s=period_s, seed=seed)
        swing = fit_swing(t_s, angles, np.radians(0.01))
        assert swing.words
        left = angles - swing.off_rad
        within.append(abs(left[:, 0].mean()) < 2 * swing.mean_sd_rad)
        assert np.degrees(np.abs(left).max()) < 0.06
        assert np.degrees(swing.mean_sd_rad) < 0.02
    assert sum(within) >= 17


def test_a_clip_too_short_for_its_swing_widens_the_sd():
    t_s, angles = swinging(4.0, period_s=5.0)
    swing = fit_swing(t_s, angles, np.radians(0.01))
    assert (swing.off_rad == 0).all()
    assert swing.mean_sd_rad > abs(angles[:, 0].mean())
    assert "too short" in swing.words


def test_a_line_at_rest_does_not_swing():
    t_s, angles = swinging(8.0, swing_deg=0.0)
    swing = fit_swing(t_s, angles, np.radians(0.01))
    assert swing.words == ""
    assert (swing.off_rad == 0).all()
    assert np.degrees(swing.mean_sd_rad) < 0.005


def test_a_camera_that_turns_is_not_taken_for_a_swing():
    t_s = np.arange(0, 30, 0.2)
    turn = np.radians(6 * np.sin(2 * np.pi * t_s / 9) + 4 * np.sin(2 * np.pi * t_s / 2.3 + t_s**2 / 40))
    swing = fit_swing(t_s, np.column_stack([turn, turn]), np.radians(0.01))
    assert (swing.off_rad == 0).all()


def test_a_swing_is_taken_off_between_rolls_by_hand():
    t_s, angles = swinging(40.0, swing_deg=0.8, period_s=3.0, decay_s=60.0)
    rolled = 25 * np.exp(-(((t_s - 3) / 1.2) ** 2)) - 25 * np.exp(-(((t_s - 36) / 1.2) ** 2))
    turned = angles + np.radians(rolled)[:, None]
    swing = fit_swings(t_s, turned, np.radians(0.01))
    assert "swings by 0.8" in swing.words or "swings by 0.7" in swing.words
    hold = (t_s > 9) & (t_s < 30)
    left_deg = np.degrees((turned - swing.off_rad)[hold, 0])
    assert np.abs(left_deg).max() < 0.06
    assert np.degrees(swing.mean_sd_rad) < 0.02
    # It swings on while the camera is rolled.
    assert np.degrees(np.abs(swing.off_rad - angles).max()) < 0.2


@pytest.mark.parametrize("lasts_s", [1.0, 1.4, 2.0])
def test_less_than_a_period_is_as_unsure_as_it_moves_and_says_so(lasts_s):
    t_s, angles = swinging(lasts_s, fps=5.0, period_s=4.5, decay_s=60.0)
    swing = fit_swing(t_s, angles, np.radians(0.01))
    assert abs(angles[:, 0].mean()) < 2.5 * swing.mean_sd_rad
    assert "too short to see it swing" in swing.words


def test_two_lines_that_do_not_look_alike_are_no_pair(tmp_path):
    """One string and a thin pipe: with two strings wanted they must not be taken for them."""
    _, found = measured(
        tmp_path, replace(ROOM, azimuths_deg=(-14.0,), length_s=0.6, clutter=("pipe",)), lines=2
    )
    assert found.track["roll_deg"].isna().all()
