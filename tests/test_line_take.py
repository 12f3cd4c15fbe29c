"""The bench card filmed as one take before a string: rolls, a hold, the roll-over, a hold, rolls."""

import json
from dataclasses import replace

import numpy as np
import pytest

from attitude.infer import MG_PER_DEG
from attitude.plans import Stage, hover, upside_down
from attitude.simulate import Rig, SensorErrors, fly
from horizon.lens import lens_from_hfov
from tests import lines_scenes
from tests.bench.line_to_verdict import rolled
from tests.commands import run_here

pytestmark = pytest.mark.long
OFFSET_DEG, SEAT_DEG, LOG_AHEAD_S = 0.5, 0.3, 100.0
PLAN = (
    Stage("ordinary", 2.0),
    *rolled(),
    *hover(25.0),
    *hover(25.0, shot="upside_down"),
    *upside_down(25.0),
    *rolled(),
    *hover(2.0),
)
SHEET = """title = "One take"
rig_kind = "bench"
[camera]
hfov_deg = 65
[[log]]
file = "attitude.csv"
attitude_of = "camera_sensor"
[[clip]]
file = "take.mp4"
reference = "plumb_line"
"""


@pytest.fixture(scope="module")
def found(tmp_path_factory):
    """What was printed and told; the log comes from a simulated sensor and its filter."""
    folder = tmp_path_factory.mktemp("take")
    errors = SensorErrors(offset_mg=(OFFSET_DEG * MG_PER_DEG, 1.0, 2.0))
    rig = Rig(errors=errors, mounting_deg=(SEAT_DEG, 0.2, 0.1), powered_on_s=-600.0)
    flight = fly(rig, PLAN, rng=np.random.default_rng(1), clock_offset_s=LOG_AHEAD_S)
    columns = ["t_s", "roll_deg", "pitch_deg", "yaw_deg"]
    flight.log[columns].round(4).to_csv(folder / "attitude.csv", index=False)
    true_t_s, true_deg = flight.truth["t_s"], np.unwrap(flight.truth["roll_deg"], period=360.0)
    room = lines_scenes.Room(
        "plumb_line",
        lens_from_hfov(640, 360, 65),
        0.0,
        0.2,
        10.0,
        float(true_t_s.iloc[-1]),
        swing_deg=0.8,
        period_s=3.0,
        decay_s=60.0,
        width_px=1.5,
        clutter=("door", "skirting"),
    )
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(
            lines_scenes, "wander_deg", lambda room, t_s: np.interp(t_s, true_t_s, true_deg) - room.roll_deg
        )
        lines_scenes.film(folder / "take.mp4", replace(room, restless_deg=1.0))
    (folder / "shoot.toml").write_text(SHEET, encoding="utf-8")
    done = run_here("check", folder, "--history", folder / "history.sqlite")
    assert done.returncode == 0, done.stderr
    return done.stdout, json.loads((folder / "result" / "result.json").read_text(encoding="utf-8"))


def test_the_rolls_place_the_take_in_its_log(found):
    (clock,) = found[1]["clock"]
    assert clock["offset_s"] == pytest.approx(LOG_AHEAD_S, abs=0.03)


def test_offset_and_seat_are_split(found):
    said, told = found
    for estimate, true, most in (
        (told["lean_deg"], OFFSET_DEG + SEAT_DEG, 0.12),
        (told["mounting_deg"]["roll"], SEAT_DEG, 0.12),
        (told["sensor_offset_mg"]["sideways"], OFFSET_DEG * MG_PER_DEG, 2.5),
    ):
        assert estimate["low"] < true < estimate["high"]
        assert estimate["high"] - estimate["low"] < 2 * most
    assert told["verdict"]["action"] == "recalibrate"
    assert "is upside down" in " ".join(said.split())


def test_the_swing_of_the_string_is_taken_off_between_the_rolls(found):
    assert "take.mp4: the plumb line swings by 0." in " ".join(found[0].split())


def test_rolls_by_hand_and_the_roll_over_are_no_lean(found):
    picture = found[1]["picture_lean_deg"]
    assert picture["high"] - picture["low"] < 0.2
    assert found[1]["out_of_tolerance"]["worst_5s_deg"] == pytest.approx(OFFSET_DEG + SEAT_DEG, abs=0.1)
