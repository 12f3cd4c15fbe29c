"""Unknowns that the footage cannot tell apart: which sum is known, how each may lie, which shot splits it."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from attitude.findings import Estimate
from attitude.lookalikes import LENS_FILE, undetermined_sums
from attitude.unknowns import INFLATE

WIDE = {"offset": 0.9, "mounting": 0.9, "gyro": 0.25, "warm": 0.9, "skyline": 0.3, "temperature": 0.6}
CAUSES = {
    "offset": "sensor_offset",
    "mounting": "mounting",
    "gyro": "gyro_bias",
    "warm": "warm_up",
    "skyline": "ground_not_level",
    "temperature": "warm_up",
}


class Known:
    """A posterior by hand: unknowns with their prior sds, and rows of (sum of unknowns, value, sd) seen."""

    def __init__(self, names, seen, *, focal_sd=None, pitch_deg=0.0, shots=("hover",), shows_sky=True):
        unknowns = [
            SimpleNamespace(name=n, cause=CAUSES[n.split("_")[0]], wide_sd=WIDE[n.split("_")[0]])
            for n in names
        ]
        if focal_sd is not None:
            unknowns.append(SimpleNamespace(name="focal", cause="", wide_sd=focal_sd))
        blocks = pd.DataFrame({"clip": "a.mp4", "log_pitch_deg": pitch_deg, "shot": list(shots)})
        self.floor_deg = 0.0
        self.model = SimpleNamespace(
            unknowns=unknowns, names=tuple(one.name for one in unknowns), blocks=blocks, shows_sky=shows_sky
        )
        rows = np.array([self.vector(**weights) / sd for weights, _, sd in seen]).reshape(-1, len(unknowns))
        y = np.array([value / sd for _, value, sd in seen])
        prior = np.array([one.wide_sd for one in unknowns])
        self.cov = np.linalg.inv(np.diag(prior**-2.0) + rows.T @ rows)
        self.mean = self.cov @ rows.T @ y

    def vector(self, **weights):
        return np.array([weights.get(name, 0.0) for name in self.model.names])

    def joint(self, vectors):
        G = np.stack(vectors)
        return G @ self.mean, INFLATE**2 * G @ self.cov @ G.T

    def estimate(self, vector, *, floor, limit, scale=1.0):
        mean, cov = self.joint([vector])
        sd = float(np.sqrt(cov[0, 0] + floor**2))
        return Estimate(float(mean[0]) * scale, sd * scale, 1.96, sd <= limit)


def sums(known, *, gyro_split=False, limit=0.5 / 3):
    """What is reported, with the determined ones told by the rule of the inference."""
    gyro = 0.0 if gyro_split else 1.0

    def of(**weights):
        return known.estimate(known.vector(**weights), floor=0.0, limit=limit)

    offset = {axis: of(**{f"offset_{axis}": 1.0}) for axis in ("sideways", "vertical", "along_lens")}
    turns = ("roll", "pitch", "yaw")
    mounting = {turn: of(**{f"mounting_{turn}": 1.0, f"gyro_{turn}": gyro}) for turn in turns}
    ways = [n.removeprefix("skyline_") for n in known.model.names if n.startswith("skyline_")]
    skyline = {way: of(**{f"skyline_{way}": 1.0}) for way in ways}
    warm = of(warm_up_sideways=1.0) if "warm_up_sideways" in known.model.names else None
    return undetermined_sums(known, offset, mounting, skyline, warm, gyro_split=gyro_split)


LEVEL = ("offset_sideways", "mounting_roll")


def test_offset_and_mounting_at_level_by_hand():
    # Priors of 0.9 deg each and their sum seen as 0.61: half of it falls to either. What the sum does not
    # tell is their difference, of sd 0.9 sqrt(2), half of which is each one's own: 0.9 / sqrt(2) deg.
    (one,) = sums(Known(LEVEL, [({"offset_sideways": 1, "mounting_roll": 1}, 0.61, 0.02)]))
    assert [name for name, _ in one.weights] == ["sensor_offset.sideways", "mounting.roll"]
    assert [weight for _, weight in one.weights] == pytest.approx([1.0, 1.0])
    assert one.value_deg == pytest.approx(0.61, abs=0.001)
    assert one.sd_deg == pytest.approx(INFLATE * 0.02, rel=0.01)
    assert one.film == "upside_down"
    half = 1.96 * INFLATE * 0.9 / np.sqrt(2)
    for member in one.ranges:
        assert member.low_deg == pytest.approx(0.305 - half, abs=0.005)
        assert member.high_deg == pytest.approx(0.305 + half, abs=0.005)


def test_nothing_is_reported_where_both_are_told_or_neither():
    told = [({"offset_sideways": 1}, 0.5, 0.02), ({"mounting_roll": 1}, 0.1, 0.02)]
    assert sums(Known(LEVEL, told)) == ()
    assert sums(Known(LEVEL, [])) == ()
    # Each seen on its own, badly: unknown, and no lookalikes.
    assert sums(Known(LEVEL, [({name: 1}, 0.5, 0.6) for name in LEVEL])) == ()


@pytest.mark.parametrize(
    ("more", "film"),
    [("skyline_east", "pan"), ("warm_up_sideways", "hover"), ("temperature_sideways", "hover")],
)
def test_the_shot_frees_what_can_be_freed_first(more, film):
    names = (*LEVEL, more)
    (one,) = sums(Known(names, [(dict.fromkeys(names, 1.0), 0.5, 0.02)]))
    assert len(one.weights) == 3
    assert one.film == film


def test_two_planes_are_two_sums_and_share_no_member():
    names = (*LEVEL, "offset_along_lens", "mounting_pitch")
    seen = [
        ({"offset_sideways": 1, "mounting_roll": 1}, 0.6, 0.02),
        ({"offset_along_lens": -1, "mounting_pitch": 1}, -0.2, 0.03),
    ]
    roll, pitch = sums(Known(names, seen))
    assert {name for name, _ in roll.weights} == {"sensor_offset.sideways", "mounting.roll"}
    assert dict(pitch.weights) == pytest.approx({"sensor_offset.along_lens": -1.0, "mounting.pitch": 1.0})
    assert pitch.value_deg == pytest.approx(-0.2, abs=0.002)


def test_members_that_different_data_speak_of_are_two_groups():
    names = (*LEVEL, "warm_up_sideways", "temperature_sideways")
    seen = [
        ({"offset_sideways": 1, "mounting_roll": 1}, 0.6, 0.02),
        ({"warm_up_sideways": 1, "temperature_sideways": 1}, 0.3, 0.02),
    ]
    groups = [{name for name, _ in one.weights} for one in sums(Known(names, seen))]
    assert groups == [
        {"sensor_offset.sideways", "mounting.roll"},
        {"warm_up.sideways", "warm_up.temperature_sideways"},
    ]


def test_gyro_is_part_of_the_mounting_until_half_turns_split_it():
    names = (*LEVEL, "gyro_roll")
    seen = [(dict.fromkeys(names, 1.0), 0.6, 0.02)]
    (folded,) = sums(Known(names, seen))
    assert [name for name, _ in folded.weights] == ["sensor_offset.sideways", "mounting.roll"]
    (apart,) = sums(Known(names, seen), gyro_split=True)
    assert [name for name, _ in apart.weights][-1] == "gyro_bias.roll"
    assert apart.film == "half_turn"


@pytest.mark.parametrize(("shots", "film"), [(("hover",), "half_turn"), (("hover", "half_turn"), "hover")])
def test_large_mounting_may_be_a_gyro_bias(shots, film):
    names = (*LEVEL, "gyro_roll")
    seen = [({"offset_sideways": 1}, 0.0, 0.02), ({"mounting_roll": 1, "gyro_roll": 1}, 0.8, 0.02)]
    (one,) = sums(Known(names, seen, shots=shots))
    assert [name for name, _ in one.weights] == ["mounting.seat", "gyro_bias.roll"]
    assert one.film == film
    small = [seen[0], ({"mounting_roll": 1, "gyro_roll": 1}, 0.1, 0.02)]
    assert sums(Known(names, small)) == ()


def test_focal_length_is_told_by_the_lens_file_where_the_camera_looked_up():
    names = ("offset_along_lens", "mounting_pitch")
    # At 20 deg a share of 0.05 is 0.05 x 18.4 deg of pitch.
    rate = np.rad2deg(np.sin(np.radians(20)) * np.cos(np.radians(20)))
    seen = [({"offset_along_lens": -1, "mounting_pitch": 1, "focal": rate}, 1.0, 0.05)]
    (one,) = sums(Known(names, seen, focal_sd=0.05, pitch_deg=20.0))
    assert dict(one.weights)["focal_length"] == pytest.approx(1.0)
    assert one.film == LENS_FILE
    (level,) = sums(
        Known(names, [({"offset_along_lens": -1, "mounting_pitch": 1}, 1.0, 0.05)], focal_sd=0.05)
    )
    assert "focal_length" not in dict(level.weights)
