"""Up vector and angles: by hand, against scipy's rotations, and as properties."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from horizon.angles import (
    angles_from_up,
    directions,
    other_reading_deg,
    tangent_axes,
    tangent_frame,
    up_from_angles,
    wrap_deg,
)

ROLL = st.floats(-179.9, 179.9)
PITCH = st.floats(-89.0, 89.0)


@pytest.mark.parametrize(
    ("roll_deg", "pitch_deg", "up"),
    [
        (0, 0, (0, -1, 0)),
        (90, 0, (-1, 0, 0)),  # right side straight down: up is to the camera's left
        (0, 90, (0, 0, 1)),  # looking at the zenith: up is along the lens
        (180, 0, (0, 1, 0)),
        (30, 0, (-0.5, -(3**0.5) / 2, 0)),
    ],
)
def test_up_vector_by_hand(roll_deg, pitch_deg, up):
    assert up_from_angles(np.radians(roll_deg), np.radians(pitch_deg)) == pytest.approx(up, abs=1e-12)


@given(ROLL, PITCH)
def test_angles_survive_the_round_trip(roll_deg, pitch_deg):
    up = up_from_angles(np.radians(roll_deg), np.radians(pitch_deg))
    assert np.linalg.norm(up) == pytest.approx(1, abs=1e-12)
    assert np.degrees(angles_from_up(up)) == pytest.approx([roll_deg, pitch_deg], abs=1e-8)


@given(ROLL, PITCH)
def test_up_vector_agrees_with_rotation_matrices(roll_deg, pitch_deg):
    # A level camera pitched about its x axis, then rolled about its z axis; scipy as the outside reference.
    body = Rotation.from_euler("XZ", [pitch_deg, roll_deg], degrees=True)
    assert body.inv().apply([0, -1, 0]) == pytest.approx(
        up_from_angles(np.radians(roll_deg), np.radians(pitch_deg)), abs=1e-12
    )


@given(ROLL, PITCH)
def test_tangent_frame_is_the_derivative_of_the_up_vector(roll_deg, pitch_deg):
    roll, pitch, step = np.radians(roll_deg), np.radians(pitch_deg), 1e-6
    e_roll, e_pitch = tangent_frame(roll, pitch)
    d_roll = (up_from_angles(roll + step, pitch) - up_from_angles(roll - step, pitch)) / (2 * step)
    d_pitch = (up_from_angles(roll, pitch + step) - up_from_angles(roll, pitch - step)) / (2 * step)
    assert d_roll == pytest.approx(np.cos(pitch) * e_roll, abs=1e-8)
    assert d_pitch == pytest.approx(e_pitch, abs=1e-8)
    axes = tangent_axes(up_from_angles(roll, pitch))
    assert axes == pytest.approx(np.column_stack([e_roll, e_pitch]), abs=1e-12)


@pytest.mark.parametrize("turns", [-2, -1, 0, 1, 5])
def test_differences_across_the_seam_are_small(turns):
    assert float(wrap_deg(179.0 - (-179.0) + 360 * turns)) == pytest.approx(-2.0)


@given(ROLL, st.floats(-80.0, 80.0), st.floats(0.0, 0.5))
def test_both_readings_see_the_same_middle_of_the_line(roll_deg, pitch_deg, dip_deg):
    """Straight ahead the visible line lies dip below the level, whichever half is sky."""
    dip_rad = np.radians(dip_deg)
    roll, pitch = other_reading_deg(roll_deg, pitch_deg, dip_rad)
    one = directions(up_from_angles(np.radians(roll_deg), np.radians(pitch_deg)), [0.0], -dip_rad)[0]
    two = directions(up_from_angles(np.radians(roll), np.radians(pitch)), [0.0], -dip_rad)[0]
    assert one == pytest.approx(two, abs=1e-9)


@given(ROLL, PITCH, st.floats(-3.0, 3.0), st.floats(-1.0, 1.0))
def test_directions_stand_at_their_elevation(roll_deg, pitch_deg, azimuth_rad, raised_rad):
    up = up_from_angles(np.radians(roll_deg), np.radians(pitch_deg))
    ray = directions(up, [azimuth_rad], raised_rad)[0]
    assert np.linalg.norm(ray) == pytest.approx(1, abs=1e-12)
    assert float(ray @ up) == pytest.approx(np.sin(raised_rad), abs=1e-12)
