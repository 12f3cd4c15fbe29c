"""Radians read as degrees and the reverse, where only the motion in the picture tells."""

from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from attitude.log import LogError, read_log
from attitude.sheet import ClipSheet, LogSheet, Shoot
from attitude.wrong_unit import refuse_wrong_unit

T_S = np.arange(150) * 0.2


def shoot_of(
    tmp_path,
    *,
    size_deg,
    logged=1.0,
    unit="deg",
    noise_deg=0.05,
    tells_pitch=True,
    sd_s=0.01,
    of="camera_sensor",
):
    """A camera that tilts by ``size_deg``; ``logged``: what one degree is in the log."""
    rng = np.random.default_rng(4)
    pitch = size_deg * np.sin(T_S)
    table = pd.DataFrame({"t_s": T_S + 50, "r": 0.0, "p": pitch * logged, "y": 0.0}).round(6)
    table.to_csv(tmp_path / "log.csv", index=False)
    sheet = LogSheet(tmp_path / "log.csv", roll="r", pitch="p", yaw="y", angle_unit=unit, attitude_of=of)
    seen = pd.DataFrame({"t_s": T_S, "roll_deg": 0.0, "pitch_deg": pitch})
    seen["pitch_deg"] += rng.normal(0, noise_deg, len(seen))
    track = SimpleNamespace(clip="a.mp4", track=seen, tells_pitch=tells_pitch)
    clock = SimpleNamespace(clip="a.mp4", log_index=0, offset_s=50.0, sd_s=sd_s)
    shoot = Shoot(tmp_path, tmp_path / "shoot.toml", "t", (ClipSheet((Path("a.mp4"),)),), logs=(sheet,))
    return (track,), (read_log(sheet),), (clock,), shoot


def test_radians_read_as_degrees(tmp_path):
    given = shoot_of(tmp_path, size_deg=8, logged=np.pi / 180)
    with pytest.raises(LogError, match=r"log\.csv: the picture of a\.mp4 moves 5\d times as far") as caught:
        refuse_wrong_unit(*given)
    assert 'write angle_unit = "rad" in its [[log]]' in str(caught.value)


def test_radians_read_as_degrees_in_a_log_so_still_that_no_clip_needs_a_place(tmp_path):
    given = shoot_of(tmp_path, size_deg=8, logged=np.pi / 180, sd_s=None)
    with pytest.raises(LogError, match=r'moves 5\d times .* write angle_unit = "rad"'):
        refuse_wrong_unit(*given)


def test_degrees_read_as_radians(tmp_path):
    """Small ones: large angles are refused by their numbers."""
    given = shoot_of(tmp_path, size_deg=1.5, unit="rad")
    with pytest.raises(LogError, match=r"moves 1 / 5\d as far as the angles read from it in rad") as caught:
        refuse_wrong_unit(*given)
    assert 'write angle_unit = "deg" in its [[log]]' in str(caught.value)


@pytest.mark.parametrize(
    "how",
    [
        {"size_deg": 8},
        {"size_deg": 8, "logged": np.pi / 180, "unit": "rad"},
        {"size_deg": 8, "logged": -1.0},
        {"size_deg": 8, "logged": np.pi / 180, "of": "airframe"},
        {"size_deg": 8, "logged": np.pi / 180, "of": "unknown", "sd_s": None},
        {"size_deg": 8, "sd_s": None},
        {"size_deg": 8, "logged": 0.0, "sd_s": None},
        {"size_deg": 8, "logged": 0.2},  # a gimbal that follows in part, a lens told wrongly
        {"size_deg": 0.2, "logged": np.pi / 180},  # nothing moved that would tell
        {"size_deg": 8, "logged": np.pi / 180, "noise_deg": 20.0},
        {"size_deg": 8, "logged": np.pi / 180, "tells_pitch": False},
    ],
)
def test_what_is_right_or_cannot_be_told_is_taken(tmp_path, how):
    refuse_wrong_unit(*shoot_of(tmp_path, **how))
